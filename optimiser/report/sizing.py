"""The page of a search for sizes: the best, the frontier over budgets, and everything that was tried."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    NamedValues,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.summary.sizes import SizesSummary
from optimiser.words import amount, money, percent

FIGURES = (
    ("capital", "Capital"),
    ("ceiling_saving_a_year", "Saving a year at most (ceiling)"),
    ("counted_saving_a_year", "Saving counted on, a year"),
    ("cost_a_year", "Cost a year"),
    ("net_a_year", "Left a year"),
)


def sizing_page(summary: SizesSummary, tried: pd.DataFrame, frontier: pd.DataFrame) -> str:
    """The page as text.

    Parameters
    ----------
    summary : SizesSummary
    tried : DataFrame
        One row a combination that was solved.
    frontier : DataFrame
        One row a budget: the best sizes under it.
    """
    sections = [
        Section("answer", "In short", "The best sizes", tuple(_answer(summary))),
        Section("frontier", "Budgets", "What each budget buys", (_chart(summary, tried, frontier),)),
        Section("tried", "Tried", "Every combination that was solved", (_tried(summary, tried),)),
        Section("how", "How", "How to read these figures", (Points(_notes(summary)),)),
        cautions.SECTION,
    ]
    title = f"Sizes for {summary.title}"
    return page_text(title, summary.invented, summary.currency, sections)


def _answer(summary: SizesSummary) -> list[Block]:
    best, currency = summary.best, summary.currency
    blocks: list[Block] = [Text(words, "warning") for words in summary.warnings]
    pairs = [(name, f"{size:g}") for name, size in best.sizes.items()]
    pairs += [(words, money(getattr(best, key), currency)) for key, words in FIGURES]
    budget = summary.budget
    pairs.append(("Budget", "no limit" if budget is None else money(budget, currency)))
    pairs.append(("Verdict", best.verdict))
    return [
        *blocks,
        NamedValues(tuple(pairs)),
        Text(f"The saving is counted as: {summary.basis}.", "quiet"),
        *_shares(summary),
    ]


def _shares(summary: SizesSummary) -> list[TableBlock]:
    """The share of the ceiling that was measured at some sizes; nothing where none was."""
    names = [choice.name for choice in summary.choices]
    rows = [
        Row((*(_size(row.sizes[name]) for name in names), percent(row.share_of_ceiling, 1)))
        for row in summary.measured_shares
    ]
    sizes = (Column(name, numeric=place > 0) for place, name in enumerate(names))
    columns = (*sizes, Column("Of the ceiling"))
    return [TableBlock("Earned without foresight, measured", columns, tuple(rows))] if rows else []


def _chart(summary: SizesSummary, tried: pd.DataFrame, frontier: pd.DataFrame) -> Chart:
    """Saving and what is left against capital: the frontier as lines, all that was tried as dots."""
    currency, names = summary.currency, [choice.name for choice in summary.choices]
    shown = frontier[frontier["capital"].notna()] if "capital" in frontier else frontier.iloc[:0]
    points = shown.drop_duplicates("capital") if len(shown) else shown
    traces: list[dict[str, Any]] = []
    for key, words, colour, dash in (
        ("counted_saving_a_year", "Saving counted on, a year", "@gain", "solid"),
        ("net_a_year", "Left a year, capital paid for", "@ink", "dot"),
    ):
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": words,
                "x": points["capital"].tolist() if len(points) else [],
                "y": points[key].tolist() if len(points) else [],
                "line": {"color": colour, "dash": dash},
                "hovertemplate": f"%{{x:,.0f}} {currency}: %{{y:,.0f}} {currency} a year",
            }
        )
    solved = tried[tried["net_a_year"].notna()]
    traces.append(
        {
            "type": "scatter",
            "mode": "markers",
            "name": "Tried: left a year",
            "x": solved["capital"].tolist(),
            "y": solved["net_a_year"].tolist(),
            "text": [
                label(", ".join(f"{name} {row[name]:g}" for name in names))
                for row in solved.to_dict("records")
            ],
            "marker": {"color": "@quiet", "symbol": "circle-open", "size": 8},
            "hovertemplate": f"%{{text}}: %{{y:,.0f}} {currency} a year",
        }
    )
    rows = [
        Row(
            (
                amount(row["budget"], currency),
                *(_size(row.get(name)) for name in names),
                *(_figure(row.get(key), currency) for key, _ in FIGURES),
                str(row["verdict"]),
            )
        )
        for row in frontier.to_dict("records")
    ]
    columns = [
        text_column("Budget"),
        *(Column(name) for name in names),
        *(Column(words) for _, words in FIGURES),
    ]
    table = TableBlock(
        f"Best sizes under each budget, {currency}", (*columns, text_column("Verdict")), tuple(rows)
    )
    return Chart(
        key="frontier",
        title="Saving against capital",
        description="Each point of the lines is the best combination under a budget; circles are all that was solved.",
        traces=tuple(traces),
        layout={
            "xaxis": {"title": {"text": f"Capital, {currency}"}, "rangemode": "tozero"},
            "yaxis": {"title": {"text": f"{currency} a year"}, "rangemode": "tozero"},
        },
        height_px=420,
        table=table,
    )


def _tried(summary: SizesSummary, tried: pd.DataFrame) -> TableBlock:
    currency, names = summary.currency, [choice.name for choice in summary.choices]
    ranked = tried.sort_values("net_a_year", ascending=False, kind="stable", na_position="last")
    rows = [
        Row(
            (
                *(_size(row[name]) for name in names),
                *(_figure(row[key], currency) for key, _ in FIGURES),
                "" if pd.notna(row["net_a_year"]) else "no schedule keeps every limit",
            )
        )
        for row in ranked.to_dict("records")
    ]
    columns = [Column(name, numeric=place > 0) for place, name in enumerate(names)]
    columns += [*(Column(words) for _, words in FIGURES), text_column("Remark")]
    return TableBlock(f"Best first, {currency}", tuple(columns), tuple(rows))


def _size(value: Any) -> str:
    return "" if value is None or math.isnan(value) else f"{value:g}"


def _figure(value: Any, currency: str) -> str:
    return "" if value is None or math.isnan(value) else amount(value, currency)


def _notes(summary: SizesSummary) -> tuple[str, ...]:
    listed = summary.among == "lists"
    how = (
        f"Of {summary.combinations} combinations {summary.runs} were solved. The multipliers of each run bound "
        "what every other combination can make, and those that could not leave more than the best were left unsolved."
        if listed
        else f"{summary.runs} runs. The multipliers of each bound what all other sizes can make; where sizes enter "
        "limits alone, these bounds are planes and the best under them all proves the answer."
    )
    return (
        f"The saving counted on is {summary.basis}.",
        "What is left a year is that saving, less the capital of the sizes spread over their lives at "
        f"{percent(summary.discount_rate_fraction)} a year, less their maintenance. Wear steers the schedules and "
        "is not taken off too: capital pays for what wears. Other costs of the site are the same for all and left out; "
        "fade and replacement are too.",
        how,
        "Best means proven within the tolerance of the file of choices; else it is called best found.",
    )
