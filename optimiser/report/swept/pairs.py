"""The leading figure over two factors at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, label, text_column
from optimiser.report.swept.axes import axis_kind, axis_values, drawable, hover
from optimiser.report.swept.figures import MOST_ROWS, Swept, records_of, row_at, rows_of
from optimiser.report.swept.words import case_word, level, mean_or_never, shown
from optimiser.words import number

COLOUR_BAR = {"thickness": 12, "outlinewidth": 0, "len": 1}


def section(swept: Swept) -> Section | None:
    """Two factors at a time: means where cells hold enough cases, else, of sampled cases, each by itself."""
    lead = swept.record[0]
    if lead not in swept.numeric:
        return None
    frame = swept.found.get("pairs")
    blocks: list[Block] = []
    for place, (first, second) in enumerate(swept.pairs):
        part = None if frame is None else frame[(frame["first"] == first) & (frame["second"] == second)]
        if part is not None and len(part):
            blocks.append(_heat_map(swept, lead, place, first, second, part))
        elif swept.sampled and 2 * _distinct(swept.done, first, second) > len(swept.done):
            # Where most cases lie on one another, marks would hide what they differ in.
            blocks.append(_cloud(swept, lead, place, first, second))
    return Section("pairs", "Pairs", "Two factors at a time", tuple(blocks)) if blocks else None


def _distinct(done: pd.DataFrame, first: str, second: str) -> int:
    """At how many places cases lie by two factors."""
    return len(done[[first, second]].drop_duplicates())


def _cloud(swept: Swept, path: str, place: int, first: str, second: str) -> Chart:
    """Sampled cases by two factors, coloured by a figure."""
    own = swept.done[swept.done[path].notna()]
    if len(own) > MOST_ROWS:
        own = own.iloc[np.linspace(0, len(own) - 1, MOST_ROWS).astype(int)]
    hidden = (
        "" if _distinct(own, first, second) == len(own) else ", and of some at one place the last is seen"
    )
    trace = {
        "type": "scatter",
        "mode": "markers",
        "x": axis_values(own[first]),
        "y": axis_values(own[second]),
        "marker": {
            "color": drawable(own[path]),
            "colorscale": "Cividis",
            "showscale": True,
            "colorbar": COLOUR_BAR,
            "size": 13,
            "line": {"color": "@quiet", "width": 1},
        },
        "customdata": [hover(swept, row) for row in records_of(own)],
        "hovertemplate": "%{marker.color:,.2f}<br>%{customdata}<extra></extra>",
    }
    return Chart(
        key=f"pair-{place}",
        title=f"{swept.name(path)}: {first} and {second}",
        description=(
            f"Each mark is one of {number(len(own))} cases, coloured by the figure: too few for means of both factors' "
            f"levels. Cases differ in the other factors too{hidden}."
        ),
        traces=(trace,),
        layout={
            "showlegend": False,
            "hovermode": "closest",
            "xaxis": {"type": axis_kind(own[first]), "title": {"text": label(swept.factor(first))}},
            "yaxis": {"type": axis_kind(own[second]), "title": {"text": label(swept.factor(second))}},
        },
        height_px=340,
    )


def _heat_map(swept: Swept, path: str, place: int, first: str, second: str, part: pd.DataFrame) -> Chart:
    """Means of a figure at the levels of two factors."""
    across, up = (
        list(dict.fromkeys(part.sort_values(f"{side}_at", kind="stable")[f"{side}_level"]))
        for side in ("first", "second")
    )
    values = {(row.first_level, row.second_level): row for row in rows_of(part)}
    cells = [[values.get((x, y)) for x in across] for y in up]
    trace = {
        "type": "heatmap",
        "x": _names_of(across),
        "y": _names_of(up),
        "z": [drawable(None if cell is None else cell.mean for cell in row) for row in cells],
        "customdata": [[_cell_words(cell) for cell in row] for row in cells],
        "colorscale": "Cividis",
        "colorbar": COLOUR_BAR,
        "hovertemplate": "%{x}, %{y}: %{z:,.2f}<br>%{customdata}<extra></extra>",
    }
    best = row_at(part, "mean", "idxmax")
    rows = tuple(
        Row(
            (
                level(row.first_level),
                level(row.second_level),
                mean_or_never(row),
                number(row.cases),
                case_word(row.case),
            )
        )
        for row in rows_of(part)
    )
    head = (
        text_column(swept.factor(first)),
        text_column(swept.factor(second)),
        *map(Column, ("Mean", "Cases", "Case")),
    )
    return Chart(
        key=f"pair-{place}",
        title=f"{swept.name(path)}: {first} and {second}",
        description=(
            f"Highest mean {shown(best['mean'])} at {first} {level(best['first_level'])} and "
            f"{second} {level(best['second_level'])}."
        ),
        traces=(trace,),
        layout={
            "xaxis": {
                "type": "category",
                "title": {"text": label(swept.factor(first))},
                "showgrid": False,
            },
            "yaxis": {
                "type": "category",
                "title": {"text": label(swept.factor(second))},
                "showgrid": False,
            },
        },
        height_px=340,
        table=TableBlock(f"{swept.name(path)} by {first} and {second}", head, rows, folded=True),
    )


def _names_of(levels: Sequence[Any]) -> list[str]:
    """Levels as an axis names them: to four digits, unless that made two the same."""
    names = [label(level(one)) for one in levels]
    return names if len(set(names)) == len(names) else [label(str(one)) for one in levels]


def _cell_words(cell: Any) -> str:
    if cell is None:
        return ""
    if cell.never:
        return f"never in {cell.never} of {cell.cases}"
    return f"case {cell.case}" if cell.case is not pd.NA else f"mean of {cell.cases} cases"
