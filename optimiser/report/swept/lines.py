"""Every case as a line through its factors to the leading figure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from optimiser.report.blocks import Chart, Section, label
from optimiser.report.swept.axes import drawable, hover
from optimiser.report.swept.figures import MOST_FACTORS, Swept
from optimiser.report.swept.words import level, shown
from optimiser.words import number

MOST_LINES = 300


def section(swept: Swept) -> Section | None:
    """Parallel coordinates: a line a case through its factors to the leading figure."""
    lead, done = swept.record[0], swept.done
    if lead not in swept.numeric or len(done) < 2:
        return None
    done = done[done[lead].notna()].sort_values(lead)
    if len(done) > MOST_LINES:
        done = done.iloc[np.linspace(0, len(done) - 1, MOST_LINES).astype(int)]
    names = [name for name, _, _ in swept.factors][:MOST_FACTORS]
    heights = {name: _heights(done[name], level) for name in names} | {lead: _heights(done[lead], shown)}
    unit = swept.unit(lead)  # short; the chart's title has the whole name
    titles = [label(name) for name in [*names, swept.name(lead) if unit in ("", *names) else unit]]
    groups = np.array_split(np.arange(len(done)), min(5, len(done)))
    traces = []
    for place, members in enumerate(groups):
        x: list[Any] = []
        y: list[Any] = []
        words: list[Any] = []
        for member in members:
            row = done.iloc[member]
            x += [*titles, None]
            y += [*(float(heights[name][0].iloc[member]) for name in [*names, lead]), None]
            words += [hover(swept, row)] * (len(titles) + 1)
        ends = f"{shown(done[lead].tolist()[members[0]])} to {shown(done[lead].tolist()[members[-1]])}"
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": ends,
                "x": x,
                "y": drawable(y),
                "customdata": words,
                "line": {
                    "color": ("@series1", "@series4", "@series6", "@series2", "@series5")[place],
                    "width": 1.4,
                },
                "opacity": 0.75,
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )
    notes = [
        {
            "x": title, "y": at, "text": label(text), "showarrow": False,
            **({"xanchor": "right", "xshift": -4} if name == lead else {"xanchor": "left", "xshift": 4}),
            "bgcolor": "@paper", "opacity": 0.85, "font": {"size": 11},
        }
        for name, title in zip([*names, lead], titles, strict=True)
        for at, text in heights[name][1]
    ]  # fmt: skip
    drawn = (
        ""
        if len(done) == len(swept.done)
        else f" Drawn are {number(len(done))} cases, evenly picked by rank."
    )
    chart = Chart(
        key="lines",
        title=f"Every case, coloured by {swept.name(lead)}",
        description=(
            f"A line is a case; each upright is a factor, lowest at the foot, the last the figure itself.{drawn}"
        ),
        traces=tuple(traces),
        layout={
            "xaxis": {"type": "category", "range": [-0.1, len(titles) - 0.6]},
            "yaxis": {"visible": False, "range": [-0.05, 1.05]},
            "annotations": notes,
            "hovermode": "closest",
        },
        height_px=420,
    )
    return Section("lines", "All cases", "All cases together", (chart,))


def _heights(values: pd.Series, show: Callable[[Any], str]) -> tuple[pd.Series, list[tuple[float, str]]]:
    """A place between 0 and 1 for each value, and words at some places."""
    numbers = pd.to_numeric(values, errors="coerce")
    if numbers.notna().all() and not values.map(lambda value: isinstance(value, (bool, np.bool_))).any():
        low, high = float(numbers.min()), float(numbers.max())
        size = high - low
        if not size:
            return numbers * 0 + 0.5, [(0.5, show(low))]
        return (numbers - low) / size, [(0.0, show(low)), (1.0, show(high))]
    known = list(dict.fromkeys(map(str, values)))
    step = 1 / max(1, len(known) - 1)
    places = values.map(lambda value: known.index(str(value)) * step)
    return places, [(place * step, text) for place, text in enumerate(known)]
