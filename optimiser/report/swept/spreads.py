"""How far apart the means of a figure lie over the levels of each factor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, label, text_column
from optimiser.report.swept.figures import MOST_FACTORS, Swept, spreads_of
from optimiser.report.swept.moves import means_apart
from optimiser.report.swept.words import is_missing, level, shown
from optimiser.words import number

MOST_FIGURES = 3


def section(swept: Swept) -> Section | None:
    """A bar a factor from the lowest to the highest mean of its levels."""
    if "spreads" not in swept.found:
        return None
    words = (
        "Each bar goes from the lowest to the highest mean of the figure over the levels of a factor; the line is the "
        "scenario as it is. "
    )
    if swept.sampled:
        counts = swept.found["responses"]["cases"]
        fewest, most = number(int(counts.min())), number(int(counts.max()))
        words += (
            "A level is a part of what was sampled and holds "
            f"{fewest if fewest == most else f'{fewest} to {most}'} cases, which differ in the other factors too: bars "
            "of means that vary little may be chance, and long ones too where a part has few cases."
        )
    else:
        words += "Means are over all other factors that the design varies with it."
    blocks: list[Block] = [Text(words)]
    for path in swept.numeric[:MOST_FIGURES]:
        rows = spreads_of(swept, path)[:MOST_FACTORS]
        if rows and any(row.spread for row in rows):
            blocks += _tornado(swept, path, rows)
    return Section("spreads", "Spread", "What moves the figures", tuple(blocks)) if len(blocks) > 1 else None


def _tornado(swept: Swept, path: str, rows: Sequence[Any]) -> list[Block]:
    """A bar a factor; in words and a table alone where no factor has means at both ends."""
    base = swept.as_it_is[path]
    drawn = [row for row in rows if math.isfinite(row.spread) and math.isfinite(row.lowest)]
    names = [label(row.factor) for row in drawn][::-1]
    words = [
        f"{shown(row.lowest)} at {label(level(row.lowest_at))}<br>"
        f"{shown(row.highest)} at {label(level(row.highest_at))}"
        for row in drawn
    ][::-1]
    bar = {
        "type": "bar",
        "orientation": "h",
        "y": names,
        "base": [row.lowest for row in drawn][::-1],
        "x": [row.spread for row in drawn][::-1],
        "marker": {"color": "@accent"},
        "customdata": words,
        "hovertemplate": "%{y}<br>%{customdata}<extra></extra>",
    }
    table = TableBlock(
        f"{swept.name(path)}: spread of means",
        (
            text_column("Factor"),
            Column("Lowest"),
            Column("at"),
            Column("Highest"),
            Column("at"),
            Column("Apart"),
            Column("Cases a level, at least"),
        ),
        tuple(
            Row(
                (
                    row.factor,
                    shown(row.lowest),
                    level(row.lowest_at),
                    shown(row.highest),
                    level(row.highest_at),
                    shown(row.spread),
                    number(row.fewest_cases),
                )
            )
            for row in rows
        ),
        folded=True,
    )
    if not drawn:
        return [Text(means_apart(swept, path, rows)), table]
    chart = Chart(
        key=f"spread-{swept.record.index(path)}",
        title=swept.name(path),
        description=means_apart(swept, path, rows),
        traces=(bar,),
        layout={
            "xaxis": {"title": {"text": label(swept.name(path))}},
            "yaxis": {"type": "category"},
            "shapes": [] if is_missing(base) else [_line_at(float(base))],
        },
        height_px=90 + 34 * len(rows),
        table=table,
    )
    return [chart]


def _line_at(value: float) -> dict[str, Any]:
    line = {"color": "@ink", "dash": "dot", "width": 1.5}
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": value,
        "x1": value,
        "y0": 0,
        "y1": 1,
        "line": line,
    }
