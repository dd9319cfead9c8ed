"""A page that draws a contract: strips of a day for each season and kind of day; it asks the network for nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from markupsafe import Markup

from optimiser.accounts.rates import Drawing, Layer, rate
from optimiser.report.page import read, template

LEFT, HOUR, ROW = 190, 30, 26


@dataclass
class _Picture:
    """Where everything of a layer stands, in the units of its picture."""

    title: str
    unit: str
    note: str
    words: str
    width: int = LEFT + 24 * HOUR + 20
    height: int = 10
    texts: list[dict[str, Any]] = field(default_factory=list)
    cells: list[dict[str, Any]] = field(default_factory=list)


def page(drawing: Drawing) -> str:
    """The page as text.

    Parameters
    ----------
    drawing : Drawing
    """
    return template("rates.html.j2").render(
        drawing=drawing,
        layers=[_picture(layer, drawing.slot_minutes) for layer in drawing.layers],
        style=Markup(read("style.css")),
    )


def _picture(layer: Layer, slot_minutes: int) -> _Picture:
    """A strip a kind of day below each season's dates; the dearer, the deeper."""
    made = _Picture(layer.title, layer.unit, layer.note, _in_words(layer, slot_minutes))
    lowest, highest = min(layer.levels), max(layer.levels)
    y = made.height
    for season in layer.seasons:
        y += 16
        made.texts.append({"x": 4, "y": y, "words": season.dates, "quiet": True, "middle": False})
        for hour in range(0, 25, 3):
            where = {"x": LEFT + hour * HOUR, "y": y, "words": str(hour), "quiet": True, "middle": True}
            made.texts.append(where)
        y += 6
        for strip in season.strips:
            made.texts.append({"x": 4, "y": y + 17, "words": strip.days, "quiet": False, "middle": False})
            for start, end, value in runs(strip.values):
                if not layer.unit and not value:
                    continue
                span = f"{_clock(start * slot_minutes)} to {_clock(end * slot_minutes)}"
                x, width = (hours * slot_minutes / 60 * HOUR for hours in (start, end - start))
                depth = (
                    1.0 if not layer.unit else 0.12 + 0.88 * (value - lowest) / ((highest - lowest) or 1.0)
                )
                made.cells.append(
                    {
                        "x": round(LEFT + x, 2),
                        "y": y,
                        "width": round(width, 2),
                        "height": ROW - 2,
                        "depth": round(depth, 3),
                        "window": not layer.unit,
                        "middle": round(LEFT + x + width / 2, 2),
                        "words": rate(value, 4) if layer.unit and width >= 52 else "",
                        "title": f"{strip.days}, {span}{f': {rate(value)} {layer.unit}' if layer.unit else ''}",
                    }
                )
            y += ROW
        y += 6
    made.height = y + 4
    return made


def runs(values: np.ndarray) -> list[tuple[int, int, float]]:
    """Stretches of equal values: first slot, the slot after the last, value."""
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), len(values)]
    return [(start, end, float(values[start])) for start, end in pairwise(edges)]


def _in_words(layer: Layer, slot_minutes: int) -> str:
    """What the picture shows, for those who cannot see it."""
    parts = []
    for season in layer.seasons:
        for strip in season.strips:
            shown = [
                f"{_clock(start * slot_minutes)} to {_clock(end * slot_minutes)}"
                + (f" {rate(value)}" if layer.unit else "")
                for start, end, value in runs(strip.values)
                if layer.unit or value
            ]
            parts.append(f"{season.dates}, {strip.days}: {', '.join(shown) or 'never'}")
    return f"{layer.title}{f', {layer.unit}' if layer.unit else ''}. {'. '.join(parts)}."


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
