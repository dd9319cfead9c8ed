"""The page of a look back: what was earned, what could have been, and where the difference went."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from optimiser.columns import EXPORT_PRICE, IMPORT_PRICE, START_LOCAL
from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Explorer,
    Fact,
    Headline,
    NamedValues,
    Panel,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    text_column,
)
from optimiser.report.dispatch import SERIES_COLOURS, trace
from optimiser.report.embed import embed
from optimiser.report.page import page_text
from optimiser.summary.look_back import LookBackSummary
from optimiser.words import amount, day, money, number, of_turnover, percent

PRICES = ((IMPORT_PRICE, "Import", "@import"), (EXPORT_PRICE, "Export", "@export"))

MOST_MODES = 20  # stretches that the page shows


@dataclass(frozen=True)
class LookedBack:
    """The finished figures of a look back, as `page` is given them."""

    summary: LookBackSummary
    flows: pd.DataFrame
    tables: Mapping[str, pd.DataFrame]


def page(summary: LookBackSummary, tables: Mapping[str, pd.DataFrame], flows: pd.DataFrame) -> str:
    """The page as text.

    Parameters
    ----------
    summary : LookBackSummary
        Figures of a look back; its cases in order, the one without the system first, the log second, the best last.
    tables : dict of str to DataFrame
        "lines", "days", "differences", "steps", "modes".
    flows : DataFrame
        One row a step, for the day picker.
    """
    results = LookedBack(summary, flows, tables)
    sections = [
        _answer(results),
        _differences(results),
        *_modes(results),
        _day_by_day(results),
        _bill(results),
        cautions.SECTION,
    ]
    columns = [entry["column"] for panel in _panels(results) for entry in panel.traces]
    embedded = embed(flows, columns, float(summary.step_minutes))
    title = f"{summary.title}: looking back"
    return page_text(title, summary.invented, summary.currency, sections, embedded)


def cases(results: LookedBack) -> list[str]:
    """Names of the cases, in their order."""
    return list(results.summary.to_pay)


def _answer(results: LookedBack) -> Section:
    summary, currency = results.summary, results.summary.currency
    share = summary.share_of_possible
    span = f"{day(summary.first_day)} to {day(summary.last_day)}, {summary.days} days"
    facts = (
        Fact("Earned, as logged", money(summary.earned, currency), ("beside the bill without the system",)),
        Fact(
            "The most that could be earned",
            money(summary.possible, currency),
            (_of_the_most(summary),),
        ),
        Fact(
            "Share of it earned",
            percent(share, 0) if share is not None else "nothing to earn",
            (f"{money(summary.lost, currency)} apart",),
        ),
    )
    rows = tuple(
        Row(
            (
                name.capitalize(),
                amount(to_pay, currency),
                number(summary.energy[name].imported_kwh, 1),
                number(summary.energy[name].exported_kwh, 1),
            )
        )
        for name, to_pay in summary.to_pay.items()
    )
    columns = (
        text_column("Case"),
        Column(f"To pay, {currency}"),
        Column("Imported, kWh"),
        Column("Exported, kWh"),
    )
    proof = summary.proof
    pairs = (
        ("Log", summary.log),
        ("Days compared", span),
        (
            "Best schedule",
            proof.verdict
            if proof.verdict != "optimal"
            else f"optimal, within {of_turnover(proof.gap_relative, proof.gap_absolute, currency)}",
        ),
    )
    blocks: list[Block] = [
        Headline(facts),
        TableBlock("What was and what would have been to pay", columns, rows),
        NamedValues(pairs),
        Points(tuple(summary.notes), tone="warning"),
    ]
    return Section("answer", "In short", "What was earned", tuple(blocks))


def _of_the_most(summary: LookBackSummary) -> str:
    """What stands behind the most that could be earned; a log that came to it leaves nothing to say of others."""
    words = "by the best schedule that knew prices, load and sun beforehand"
    return f"{words}; the log reached it" if summary.reached else f"{words}: no real operation reaches it"


def _differences(results: LookedBack) -> Section:
    currency = results.summary.currency
    named, steps = results.tables["differences"], results.tables["steps"]
    if not len(named):
        words = "Nothing was lost beside the best schedule, to the cent, on any day or in any billing period."
        return Section("differences", "Differences", "Where the difference went", (Text(words),))
    rows = tuple(
        Row((str(entry["when"]), str(entry["words"]), amount(entry["lost"], currency)))
        for entry in named.to_dict(orient="records")
    )
    columns = (
        text_column("When"),
        text_column("What was done, and what would have been"),
        Column(f"Lost, {currency}"),
    )
    blocks: list[Block] = [
        Text(
            "Days by what is charged step by step, billing periods by what is charged once, such as demand. The best "
            "schedule may buy on one day for the next, so a day can be lost and its neighbour won."
        ),
        TableBlock("The costliest differences", columns, rows),
        _steps(results, steps),
        _days_chart(results),
    ]
    return Section("differences", "Differences", "Where the difference went", tuple(blocks))


def _modes(results: LookedBack) -> list[Section]:
    """What a controller would have told the inverter otherwise, the costliest first; nothing where none ran."""
    share, modes = results.summary.modes_agreed_share, results.tables["modes"]
    if share is None:
        return []
    currency = results.summary.currency
    words = (
        f"The log and a controller that knew no more than the past were in one mode in {percent(share, 0)} of the "
        "steps. Below is where they were not, the stretches in which the log paid most more first; those in which it "
        "paid less, and all others, are in lookback-modes.csv."
    )
    shown = modes[modes["lost"] > 0].sort_values("lost", ascending=False, kind="stable")[:MOST_MODES]
    rows = tuple(
        Row(
            (
                _until(row["from_local"], row["to_local"]),
                row["log_mode"],
                row["controller_mode"],
                row["why"],
                amount(row["lost"], currency),
            )
        )
        for row in shown.to_dict(orient="records")
    )
    columns = (
        text_column("When"),
        text_column("The log did"),
        text_column("A controller would"),
        text_column("Why"),
        Column(f"Paid more, {currency}"),
    )
    table = [TableBlock("Where the modes differ", columns, rows)] if rows else []
    return [Section("modes", "In modes", "What a controller would have done", (Text(words), *table))]


def _until(begin: str, end: str) -> str:
    return f"{begin[:16].replace('T', ' ')} to {end[11:16]}"


def _steps(results: LookedBack, steps: pd.DataFrame) -> TableBlock:
    currency, names = results.summary.currency, cases(results)
    rows = tuple(
        Row(
            (
                str(entry[START_LOCAL])[:16].replace("T", " "),
                amount(entry["lost"], currency),
                *(number(entry[f"{name}, net import kW"], 2) for name in names),
                number(entry[IMPORT_PRICE], 4),
                number(entry[EXPORT_PRICE], 4),
            )
        )
        for entry in steps.to_dict(orient="records")
    )
    columns = (
        text_column("From"),
        Column(f"Lost, {currency}"),
        *(Column(f"{name.capitalize()}, net import kW") for name in names),
        Column("A kWh costs"),
        Column("A kWh brings"),
    )
    return TableBlock("The costliest steps", columns, rows, folded=True)


def _days_chart(results: LookedBack) -> Chart:
    days, currency = results.tables["days"], results.summary.currency
    lost = [round(float(value), 4) for value in days["lost"]]
    worst = days.to_dict(orient="records")[int(days["lost"].to_numpy().argmax())]
    names = cases(results)
    rows = tuple(
        Row(
            (
                str(entry["day"]),
                *(amount(entry[name], currency) for name in names),
                amount(entry["lost"], currency),
            )
        )
        for entry in days.to_dict(orient="records")
    )
    return Chart(
        key="lookback-days",
        title="Lost beside the best schedule, day by day",
        description=(
            f"By what is charged step by step. Most was lost on {day(str(worst['day']))}: "
            f"{money(float(worst['lost']), currency)}."
        ),
        traces=(
            {
                "type": "bar",
                "x": [str(name) for name in days["day"]],
                "y": lost,
                "marker": {"color": "@loss"},
                "hovertemplate": f"%{{x}}: %{{y:.2f}} {currency}<extra></extra>",
            },
        ),
        layout={
            "showlegend": False,
            "xaxis": {"type": "date"},
            "yaxis": {"title": {"text": f"Lost, {currency}"}},
        },
        height_px=300,
        table=TableBlock(
            f"To pay day by day, {currency}",
            (text_column("Day"), *(Column(name.capitalize()) for name in names), Column("Lost")),
            rows,
            folded=True,
        ),
    )


def _panels(results: LookedBack) -> tuple[Panel, ...]:
    lines = tuple(
        trace(f"{name}, net import kW", name.capitalize(), SERIES_COLOURS[place % 7], style)
        for place, (name, style) in enumerate(
            zip(cases(results), ("dot", "line", *["dash"] * 9), strict=False)
        )
    )
    prices = tuple(trace(column, name, colour, "line") for column, name, colour in PRICES)
    return (
        Panel("net", "Net import", "kW", "What the meter saw: import above zero, export below.", lines, 320),
        Panel(
            "prices", "Price of a kWh", "per kWh", "What import cost and what export brought.", prices, 220
        ),
    )


def _day_by_day(results: LookedBack) -> Section:
    summary, named = results.summary, results.tables["differences"]
    lost = named[named["kind"] == "day"]
    picks = tuple(
        (str(when), f"Lost {money(float(value), summary.currency)}: {day(str(when))}")
        for when, value in zip(lost["when"], lost["lost"], strict=True)
    )
    first = picks[0][0] if picks else summary.first_day
    picks = picks or ((first, f"The first day, for none stands out: {day(first)}"),)
    explorer = Explorer(_panels(results), picks, summary.first_day, summary.last_day, first)
    return Section("days", "Day by day", "Day by day", (explorer,))


def _bill(results: LookedBack) -> Section:
    lines, currency, names = results.tables["lines"], results.summary.currency, cases(results)
    rows: list[Row] = []
    for period, part in lines.groupby("billing_period", sort=False):
        rows.append(Row((str(period),), "group"))
        rows += [
            Row((entry["line"], *(amount(entry[name], currency) for name in names)))
            for entry in part.to_dict(orient="records")
        ]
        rows.append(Row(("Bill", *(amount(float(part[name].sum()), currency) for name in names)), "total"))
    table = TableBlock(
        f"Every line of every bill, {currency}, positive is to pay",
        (text_column("Line"), *(Column(name.capitalize()) for name in names)),
        tuple(rows),
        folded=len(rows) > 30,
    )
    words = (
        "All cases are billed by the scenario's contract; the one without the system by a contract of its own where "
        "there is one."
    )
    return Section("bill", "Bill", "Line by line", (Text(words), table))
