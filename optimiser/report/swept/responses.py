"""The leading figure over each factor by itself."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, label, text_column
from optimiser.report.swept.axes import are_numbers, axis_kind, axis_values, drawable, hover
from optimiser.report.swept.figures import MOST_FACTORS, MOST_ROWS, Swept, records_of, rows_of
from optimiser.report.swept.words import case_word, level, mean_or_never, shown
from optimiser.words import number


def section(swept: Swept) -> Section | None:
    """The leading figure, factor by factor."""
    lead = swept.record[0]
    found = swept.found.get("responses")
    if lead not in swept.numeric or not len(swept.done) or (found is None and not swept.sampled):
        return None
    means = pd.DataFrame(columns=["factor", "figure", "level", "at", "mean"]) if found is None else found
    words = "Each mark is a case; point at it for the command that makes it again."
    if found is not None:
        words += " The line joins the means of the levels" + (
            ", which are parts of what was sampled, where those hold cases enough." if swept.sampled else "."
        )
    blocks: list[Block] = [Text(words)]
    blocks += [
        _response(swept, lead, name, means[(means["factor"] == name) & (means["figure"] == lead)])
        for name in swept.order[lead][:MOST_FACTORS]
        if swept.sampled or (means["factor"] == name).any()
    ]
    return (
        Section("responses", "Responses", f"{swept.name(lead)}, factor by factor", tuple(blocks))
        if len(blocks) > 1
        else None
    )


def _response(swept: Swept, path: str, name: str, means: pd.DataFrame) -> Chart:
    numeric = are_numbers(swept.done[name])
    own = swept.done[swept.done[path].notna()]
    if len(own) > MOST_ROWS:
        own = own.iloc[np.linspace(0, len(own) - 1, MOST_ROWS).astype(int)]
    marks = {
        "type": "scatter",
        "mode": "markers",
        "name": "case",
        "x": axis_values(own[name]),
        "y": drawable(own[path]),
        "marker": {"color": "@quiet", "size": 6, "opacity": 0.6},
        "customdata": [hover(swept, row) for row in records_of(own)],
        "hovertemplate": "%{y:,.2f}<br>%{customdata}<extra></extra>",
    }
    line = {
        "type": "scatter",
        "mode": "lines+markers" if numeric else "markers",
        "name": "mean",
        "x": drawable(means["at"]) if numeric else [label(str(x)) for x in means["level"]],
        "y": drawable(means["mean"]),
        "line": {"color": "@series1", "width": 2},
        "marker": {"size": 9, "symbol": "diamond", "color": "@series1"},
        "hovertemplate": "mean %{y:,.2f}<extra></extra>",
    }
    rows = tuple(
        Row(
            (
                level(row.level),
                mean_or_never(row),
                shown(row.lowest),
                shown(row.highest),
                number(row.cases),
                case_word(row.case),
            )
        )
        for row in rows_of(means)
    )
    head = (text_column(swept.factor(name)), *map(Column, ("Mean", "Lowest", "Highest", "Cases", "Case")))
    if len(means):
        ends = ", ".join(
            f"{mean_or_never(row)} at {level(row.level)}" for row in (rows_of(means)[end] for end in (0, -1))
        )
        words = f"Means: {ends}."
    else:
        why = "at the ends of long steps" if swept.design == "morris" else "too few for means of parts"
        words = f"{number(len(own))} cases, {why}."
    return Chart(
        key=f"response-{[factor for factor, _, _ in swept.factors].index(name)}",
        title=swept.factor(name),
        description=words,
        traces=(marks, line) if len(means) else (marks,),
        layout={
            "xaxis": {"type": axis_kind(own[name]), "title": {"text": label(swept.factor(name))}},
            "yaxis": {"title": {"text": label(swept.unit(path) or swept.name(path))}},
        },
        height_px=320,
        table=TableBlock(f"{swept.name(path)} by {name}", head, rows, folded=True) if rows else None,
    )
