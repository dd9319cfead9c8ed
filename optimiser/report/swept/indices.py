"""How much of the spread each factor explains: Sobol' indices, effects of long steps, rank correlations."""

from __future__ import annotations

from typing import Any

import pandas as pd

from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, label, text_column
from optimiser.report.swept.axes import drawable
from optimiser.report.swept.figures import Swept, rows_of
from optimiser.report.swept.words import between, half_width, shown, signed
from optimiser.words import MINUS, number


def section(swept: Swept) -> Section | None:
    """Indices of the designs that are made for them."""
    blocks: list[Block] = []
    if "ranks" in swept.found:
        blocks.append(
            Text(
                f"Rank correlation: +1 where a figure rises with a factor throughout, {MINUS}1 where it falls, near 0 "
                "where it does neither, such as where it is highest in between. One in twenty factors that have "
                "nothing to do with a figure comes as far from 0 as chance may reach."
            )
        )
    # What the solver left unproven is no finding about the site.
    for path in (path for path in swept.numeric if not path.startswith("proof.")):
        for name, draw in (("sobol", _sobol), ("morris", _morris), ("ranks", _rank)):
            frame = swept.found.get(name)
            if frame is not None and (frame["figure"] == path).any():
                blocks.append(draw(swept, path, frame[frame["figure"] == path]))
    return (
        Section("indices", "Indices", "How much of the spread each factor explains", tuple(blocks))
        if any(not isinstance(block, Text) for block in blocks)
        else None
    )


def _bars(name: str, frame: pd.DataFrame, value: str, low: Any, high: Any, colour: str) -> dict[str, Any]:
    error: dict[str, Any] = {
        "type": "data",
        "symmetric": False,
        "array": drawable(high - frame[value]),
        "arrayminus": drawable(frame[value] - low),
        "color": "@ink",
        "thickness": 1.2,
        "width": 4,
    }
    return {
        "type": "bar",
        "orientation": "h",
        "name": name,
        "y": [label(factor) for factor in frame["factor"]][::-1],
        "x": drawable(frame[value])[::-1],
        "error_x": {**error, "array": error["array"][::-1], "arrayminus": error["arrayminus"][::-1]},
        "marker": {"color": colour},
        "hovertemplate": "%{y}: %{x:.3g}<extra>" + name + "</extra>",
    }


def _sobol(swept: Swept, path: str, frame: pd.DataFrame) -> Chart:
    frame = frame.sort_values("total", ascending=False)
    rows = tuple(
        Row(
            (
                row.factor,
                number(row.first_order, 3),
                between(row.first_order_low, row.first_order_high, 3),
                number(row.total, 3),
                between(row.total_low, row.total_high, 3),
            )
        )
        for row in rows_of(frame)
    )
    head = (
        text_column("Factor"),
        *map(Column, ("First order", "95 % interval", "Total", "95 % interval of the total")),
    )
    first: Any = frame.iloc[0]
    return Chart(
        key=f"sobol-{swept.record.index(path)}",
        title=f"{swept.name(path)}: Sobol' indices",
        description=(
            f"First order: the share of the variance that a factor explains by itself; total: with all that it does "
            f"together with others. {first['factor']} has {number(first['total'], 2)} in total. Whiskers: 95 % of a "
            f"bootstrap of {number(int(first['base_cases']))} base cases."
        ),
        traces=(
            _bars("total", frame, "total", frame["total_low"], frame["total_high"], "@series2"),
            _bars(
                "first order",
                frame,
                "first_order",
                frame["first_order_low"],
                frame["first_order_high"],
                "@series1",
            ),
        ),
        layout={"barmode": "group", "xaxis": {"zeroline": True}, "yaxis": {"type": "category"}},
        height_px=110 + 50 * len(frame),
        table=TableBlock(f"{swept.name(path)}: Sobol' indices", head, rows, folded=True),
    )


def _morris(swept: Swept, path: str, frame: pd.DataFrame) -> Chart:
    frame = frame.sort_values("mean_size", ascending=False)
    rows = tuple(
        Row(
            (
                row.factor,
                shown(row.mean_size),
                half_width(row.mean_size_interval),
                shown(row.mean),
                shown(row.scatter),
            )
        )
        for row in rows_of(frame)
    )
    head = (text_column("Factor"), *map(Column, ("Mean size", "95 % interval", "Mean", "Scatter")))
    low, high = (
        frame["mean_size"] - frame["mean_size_interval"],
        frame["mean_size"] + frame["mean_size_interval"],
    )
    return Chart(
        key=f"morris-{swept.record.index(path)}",
        title=f"{swept.name(path)}: effects of long steps",
        description=(
            "What the figure would change by if a factor went through its whole range: the mean size over all paths, "
            "with its 95 % interval. Where the scatter is as large, the effect depends on the other factors or bends."
        ),
        traces=(_bars("mean size", frame, "mean_size", low, high, "@series1"),),
        layout={
            "xaxis": {"zeroline": True, "title": {"text": label(swept.unit(path))}},
            "yaxis": {"type": "category"},
        },
        height_px=100 + 36 * len(frame),
        table=TableBlock(f"{swept.name(path)}: effects of long steps", head, rows, folded=True),
    )


def _rank(swept: Swept, path: str, frame: pd.DataFrame) -> TableBlock:
    ordered = frame.sort_values("rank_correlation", key=abs, ascending=False)
    rows = tuple(
        Row((row.factor, signed(row.rank_correlation), number(row.chance_below, 2), number(row.cases)))
        for row in rows_of(ordered)
    )
    head = (text_column("Factor"), *map(Column, ("Rank correlation", "Chance may reach", "Cases")))
    return TableBlock(f"{swept.name(path)}: Spearman's rank correlation", head, rows)
