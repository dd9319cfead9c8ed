"""What happens when services are called: the replay's verdict, what was left to each limit, and what it cost."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from optimiser.equipment.limits import MARGINS
from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.report.results import Results
from optimiser.studies.activation import ActivationFigures
from optimiser.words import amount, is_missing, money, number

MOST_ROWS = 60


def section(results: Results) -> Section | None:
    """The replay, or None where the study was not asked for."""
    summary = results.summary.study("activation", ActivationFigures)
    table = results.tables.get("activation-events")
    if summary is None or table is None:
        return None
    blocks = tuple(_blocks(results.summary.currency, summary, table))
    return Section("activation", "Activation", "When services are called", blocks)


def page(title: str, invented: bool, currency: str, summary: ActivationFigures, table: pd.DataFrame) -> str:
    """A replay as a page of its own."""
    own = Section(
        "activation", "Activation", "When services are called", tuple(_blocks(currency, summary, table))
    )
    return page_text(f"{title}: activations", invented, currency, [own, cautions.SECTION])


def _blocks(currency: str, summary: ActivationFigures, table: pd.DataFrame) -> list[Block]:
    clean = not summary.short
    words = (
        f"{number(summary.delivered)} of {number(summary.events)} replayed activations were delivered in full"
        + (f", {number(summary.short)} fell short" if not clean else "")
        + (
            f", {number(summary.short_beyond_the_rules)} fell short where the schedule's rules promise nothing"
            if summary.short_beyond_the_rules
            else ""
        )
        + "."
    )
    words = " ".join((cost_words(currency, summary), words)).strip()
    blocks: list[Block] = [
        Text(words, tone="plain" if clean else "warning"),
        Text(
            f"Each event is a plain simulation in steps of {summary.fine_seconds:g} s from the plan's set-points: "
            "voltage from the stored energy, currents from power and voltage, losses of the power that flows. It knows "
            "nothing of the rules by which the schedule kept power and energy back. Afterwards the store goes back to "
            "the plan at once, and the bill is made out again with both.",
            tone="quiet",
        ),
        _cost_chart(currency, table),
        _margins(table),
        _events(currency, table),
    ]
    if summary.observations:
        blocks.append(Points(tuple(summary.observations)))
    return blocks


def cost_words(currency: str, summary: ActivationFigures) -> str:
    """What a call costs on average, against what being available earns; nothing where nothing was called."""
    mean, income = summary.mean_amount, summary.availability_income
    if mean is None:
        return ""
    effect = "costs" if mean < 0 else "brings"
    words = (
        f"A call {effect} {money(abs(mean), currency)} on average of the events replayed, where being available earns "
        f"{money(income, currency)} in the {summary.days:.4g} days of the run"
    )
    calls = income / -mean if mean < -0.005 else math.inf
    if income > 0 and math.isfinite(calls):
        words += f": as much as {number(calls, 0 if calls >= 10 else 1)} such calls cost"
    return words + "."


def _cost_chart(currency: str, table: pd.DataFrame) -> Chart:
    """What calls bring or cost, by what is called."""
    names = list(dict.fromkeys(table["event"]))
    during, after = table["of_which_demand_amount"], table["recovery_of_which_demand_amount"]
    parts = (
        ("Energy", table["energy_amount"] - during, "@gain"),
        ("Demand charges", during + after, "@loss"),
        ("Back to the plan", table["recovery_amount"] - after + table["left_amount"], "@before"),
    )
    means = {word: values.groupby(table["event"]).mean() for word, values, _ in parts}
    rows = tuple(
        Row((name, *(amount(float(means[word][name]), currency) for word, _, _ in parts))) for name in names
    )
    columns = (text_column("Called"), *(Column(f"{word}, {currency}") for word, _, _ in parts))
    return Chart(
        key="activation-cost",
        title="What a call brings, on average of the events replayed",
        description=(
            "Energy at the meter's rates or the service's own price, demand charges that it or the way back raises, "
            "and the rest of the way back to the plan; below nothing is a cost. Pay for being available is not in it."
        ),
        traces=tuple(
            {
                "type": "bar",
                "orientation": "h",
                "name": word,
                "y": [label(name) for name in names],
                "x": [float(means[word][name]) for name in names],
                "marker": {"color": color},
                "hovertemplate": f"%{{y}}, {word.lower()}: %{{x:.2f}} {currency}<extra></extra>",
            }
            for word, _, color in parts
        ),
        layout={
            "barmode": "relative",
            "xaxis": {"title": {"text": f"A call, {currency}"}, "zeroline": True},
            "yaxis": {"automargin": True, "autorange": "reversed", "type": "category"},
        },
        height_px=150 + 36 * len(names),
        table=TableBlock("What a call brings, by what is called", columns, rows, folded=True),
    )


def _margins(table: pd.DataFrame) -> TableBlock:
    """The least that was left to each limit over all events."""
    rows = []
    for margin in MARGINS:
        values = table[f"margin_{margin.name}"].dropna()
        if len(values):
            place = values.idxmin()
            rows.append(
                Row(
                    (
                        margin.words,
                        str(table.at[place, "event"]),
                        _start(table.at[place, "start"]),
                        number(float(values.min()), 3),
                    )
                )
            )
    columns = (text_column("Limit"), text_column("Event"), text_column("Start"), Column("Least left"))
    return TableBlock("What was left to each limit at the tightest moment", columns, tuple(rows))


def _events(currency: str, table: pd.DataFrame) -> TableBlock:
    ordered = table.sort_values("short_kwh", ascending=False, kind="stable").head(MOST_ROWS)
    rows = tuple(
        Row(
            (
                str(row["event"]),
                _start(row["start"]),
                number(row["minutes"], 1),
                number(row["wanted_kw"], 2),
                number(row["delivered_kw"], 2),
                str(row["verdict"]) + (f" ({row['limited_by']})" if row["limited_by"] else ""),
                number(row["given_kwh"], 2),
                "more than a day" if is_missing(row["recovery_minutes"]) else number(row["recovery_minutes"]),
                amount(row["amount"], currency),
            )
        )
        for row in ordered.to_dict("records")
    )
    columns = (
        text_column("Event"),
        text_column("Start"),
        Column("Minutes"),
        Column("Wanted, kW"),
        Column("Delivered, kW"),
        text_column("Verdict"),
        Column("Given, kWh"),
        Column("Minutes back to plan"),
        Column(f"Amount, {currency}"),
    )
    caption = (
        f"{number(len(rows))} of {number(len(table))} events" if len(rows) < len(table) else "Every event"
    )
    return TableBlock(caption, columns, rows, folded=True)


def _start(stamp: Any) -> str:
    return str(stamp)[:19].replace("T", " ")
