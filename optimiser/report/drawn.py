"""Charts drawn as SVG, for a page without a script: bars, steps from one amount to another, and lines.

It reads the same traces and layout as the drawing library does, as far as the customer's page uses them.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

from markupsafe import Markup, escape

from optimiser.report.blocks import Chart
from optimiser.words import MINUS, number

WIDTH, LETTER, LINE = 760, 6.7, 17  # of the picture, of a letter and of a line of text [px]
EDGE, TICK, LEGEND_MARK = 8, 4, 12
BAR_SHARE = 0.8  # of the room that each bar has
DASHES = {"solid": "", "dot": "2 4", "dash": "7 5"}


@dataclass(frozen=True)
class Axis:
    """Values between two ends on pixels between two ends."""

    low: float
    high: float
    first_px: float
    last_px: float

    def at(self, value: float) -> float:
        """The pixel of a value."""
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return round(self.first_px + share * (self.last_px - self.first_px), 2)

    def ticks(self, most: int) -> list[float]:
        """Round values along it, at most so many: steps of 1, 2 or 5 times a power of ten."""
        rough = (self.high - self.low) / most or 1.0
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(size * power for size in (1, 2, 5, 10) if size * power >= rough * (1 - 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [place * step for place in range(first, last + 1)]


@dataclass(frozen=True)
class Frame:
    """Where the drawing's axes lie."""

    left: float
    right: float
    top: float
    bottom: float


def drawn(chart: Chart) -> Markup:
    """A chart as SVG text, in the page's colours.

    Raises
    ------
    ValueError
        Where a trace is of a kind that nothing here draws.
    """
    kinds = {trace["type"] for trace in chart.traces}
    if kinds == {"waterfall"}:
        inner = _steps(chart)
    elif kinds <= {"bar", "scatter"}:
        inner = _columns(chart)
    else:
        raise ValueError(f"{chart.key}: no way to draw {', '.join(sorted(kinds))} without a script")
    words = escape(f"{chart.title}. {chart.description}")
    return Markup(
        f'<svg class="drawn" viewBox="0 0 {WIDTH} {chart.height_px}" role="img" aria-label="{words}">{inner}</svg>'
    )


def _steps(chart: Chart) -> str:
    """Bars from one running sum to the next, one below the other, each with its figure."""
    trace = chart.traces[0]
    sums = list(accumulate(trace["x"]))
    ends = [
        (0.0, total) if measure != "relative" else (total - change, total)
        for measure, change, total in zip(trace["measure"], trace["x"], sums, strict=True)
    ]
    frame = Frame(
        EDGE + LETTER * max(map(len, trace["y"])) + TICK, WIDTH - EDGE, EDGE, chart.height_px - 2.6 * LINE
    )
    low, high = chart.layout["xaxis"]["range"]
    axis = Axis(low, high, frame.left, frame.right)
    parts = [_across(axis, frame, chart.layout["xaxis"]["title"]["text"])]
    room = (frame.bottom - frame.top) / len(ends)
    for place, ((start, end), name, figure) in enumerate(zip(ends, trace["y"], trace["text"], strict=True)):
        middle = frame.top + (place + 0.5) * room
        colour = _step_colour(trace, trace["measure"][place], end - start)
        near, far = sorted((axis.at(start), axis.at(end)))
        parts.append(_box(near, middle - room * BAR_SHARE / 2, far - near, room * BAR_SHARE, colour))
        parts.append(_text(frame.left - TICK, middle, name, "end"))
        outward = end < start
        parts.append(
            _text(near - TICK if outward else far + TICK, middle, figure, "end" if outward else "start")
        )
    return "".join(parts)


def _step_colour(trace: dict[str, Any], measure: str, change: float) -> str:
    """Of a total, a step down, a step up."""
    kind = "totals" if measure != "relative" else "decreasing" if change < 0 else "increasing"
    colour: str = trace[kind]["marker"]["color"]
    return colour


def _columns(chart: Chart) -> str:
    """Stacked bars upwards and downwards along categories or numbers, with lines over them and a legend above."""
    layout = chart.layout
    places = list(dict.fromkeys(x for trace in chart.traces for x in trace["x"]))
    bars = [trace for trace in chart.traces if trace["type"] == "bar"]
    stacks = _stacked(bars, len(places))
    heights = [edge for stack in stacks for pair in stack for edge in pair]
    heights += [y for trace in chart.traces if trace["type"] == "scatter" for y in trace["y"]]
    legend, rows = _legend(chart.traces)
    title = layout["yaxis"]["title"]["text"]
    frame = Frame(
        EDGE + 3.2 * LINE,
        WIDTH - EDGE,
        EDGE + (rows + 0.7) * LINE,
        chart.height_px - (2.6 if "title" in layout["xaxis"] else 1.4) * LINE,
    )
    up = Axis(min(0.0, *heights), max(0.0, *heights) or 1.0, frame.bottom, frame.top)
    room = (frame.right - frame.left) / len(places)
    along = {x: frame.left + (place + 0.5) * room for place, x in enumerate(places)}
    parts = [
        legend,
        _upwards(up, frame, title, layout["yaxis"].get("nticks", 5)),
        _below(chart, frame, along),
    ]
    width = room * (1.0 if layout.get("bargap") == 0 else BAR_SHARE)
    for trace, stack in zip(bars, stacks, strict=True):
        colour = trace["marker"]["color"]
        boxes = [
            _path_of(along[x] - width / 2, up.at(high), width, up.at(low) - up.at(high))
            for x, (low, high) in zip(places, stack, strict=True)
            if high > low
        ]
        parts.append(f'<path d="{"".join(boxes)}" style="fill:{_ink(colour)}"/>')
    for trace in chart.traces:
        if trace["type"] == "scatter":
            points = [(along[x], up.at(y)) for x, y in zip(trace["x"], trace["y"], strict=True)]
            parts.append(_line(points, trace["line"]))
            parts += [
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" style="fill:{_ink(trace["line"]["color"])}"/>'
                for x, y in points
            ]
    return "".join([*parts, *_marks(layout, frame, along)])


def _stacked(bars: Sequence[dict[str, Any]], count: int) -> list[list[tuple[float, float]]]:
    """Lower and upper edge of every bar: what is above zero piled upwards, what is below it downwards."""
    above, below = [0.0] * count, [0.0] * count
    made = []
    for trace in bars:
        stack = []
        for place, value in enumerate(trace["y"]):
            pile = above if value >= 0 else below
            stack.append((min(pile[place], pile[place] + value), max(pile[place], pile[place] + value)))
            pile[place] += value
        made.append(stack)
    return made


def _legend(traces: Sequence[dict[str, Any]]) -> tuple[str, int]:
    """Names with their colours, in as many rows as they need."""
    parts, x, row = [], float(EDGE), 0
    for trace in traces:
        wide = LEGEND_MARK + LETTER * len(trace["name"]) + 3 * EDGE
        if x + wide > WIDTH and x > EDGE:
            x, row = float(EDGE), row + 1
        middle = EDGE + row * LINE
        if trace["type"] == "scatter":
            parts.append(_line([(x, middle), (x + LEGEND_MARK, middle)], trace["line"]))
        else:
            parts.append(_box(x, middle - 5, 10, 10, trace["marker"]["color"]))
        parts.append(_text(x + LEGEND_MARK + TICK, middle, trace["name"], "start"))
        x += wide
    return "".join(parts), row + 1


def _across(axis: Axis, frame: Frame, title: str) -> str:
    """Ticks and title of an axis that lies below."""
    parts = [_text((frame.left + frame.right) / 2, frame.bottom + 2.0 * LINE, title, "middle")]
    for tick in axis.ticks(6):
        x = axis.at(tick)
        parts.append(_rule(x, frame.top, x, frame.bottom, "rule" if tick == 0 else "grid"))
        parts.append(_text(x, frame.bottom + 0.8 * LINE, _short(tick), "middle", "quiet"))
    return "".join(parts)


def _upwards(axis: Axis, frame: Frame, title: str, most: int) -> str:
    """Ticks and title of an axis that stands on the left."""
    parts = [_text(EDGE, frame.top - 0.2 * LINE, title, "start", "quiet")]
    for tick in axis.ticks(most):
        y = axis.at(tick)
        parts.append(_rule(frame.left, y, frame.right, y, "quiet" if tick == 0 else "grid"))
        parts.append(_text(frame.left - TICK, y, _short(tick), "end", "quiet"))
    return "".join(parts)


def _below(chart: Chart, frame: Frame, along: dict[Any, float]) -> str:
    """What stands below the bars: the layout's own words, or every so many of the places."""
    axis = chart.layout["xaxis"]
    if "tickvals" in axis:
        told = list(zip(axis["tickvals"], axis["ticktext"], strict=True))
    else:
        every = math.ceil(len(along) / axis.get("nticks", 9))
        told = [(x, str(x)) for x in list(along)[::every]]
    parts = [_text(along[x], frame.bottom + 0.8 * LINE, words, "middle", "quiet") for x, words in told]
    if "title" in axis:
        middle = (frame.left + frame.right) / 2
        parts.append(_text(middle, frame.bottom + 2.0 * LINE, axis["title"]["text"], "middle"))
    return "".join(parts)


def _marks(layout: dict[str, Any], frame: Frame, along: dict[Any, float]) -> list[str]:
    """Upright lines and the words beside them, at numbers between the places."""
    numbers = [x for x in along if isinstance(x, int | float)]
    if not numbers:
        return []
    across = Axis(numbers[0], numbers[-1], along[numbers[0]], along[numbers[-1]])
    parts = []
    for shape in layout.get("shapes", ()):
        x = across.at(shape["x0"])
        parts.append(_line([(x, frame.top), (x, frame.bottom)], shape["line"]))
    for note in layout.get("annotations", ()):
        x = across.at(note["x"])
        fits = x - LETTER * len(note["text"]) > frame.left
        end = (-TICK, "end") if fits else (TICK, "start")
        parts.append(_text(x + end[0], frame.top + LINE / 2, note["text"], end[1]))
    return parts


def _short(value: float) -> str:
    """A tick's figure: thousands as k."""
    if abs(value) >= 10_000:
        return f"{number(value / 1000, 0)}k"
    return f"{round(value, 9):,g}".replace("-", MINUS)


def _ink(colour: str) -> str:
    """A colour of the style sheet's."""
    return f"var(--{colour.removeprefix('@')})"


def _box(x: float, y: float, width: float, height: float, colour: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" style="fill:{_ink(colour)}"/>'


def _path_of(x: float, y: float, width: float, height: float) -> str:
    return f"M{x:.1f} {y:.1f}h{width:.1f}v{height:.1f}h{-width:.1f}z"


def _rule(x: float, y: float, x2: float, y2: float, colour: str) -> str:
    return f'<path d="M{x:.1f} {y:.1f}L{x2:.1f} {y2:.1f}" style="stroke:{_ink(colour)}"/>'


def _line(points: Sequence[tuple[float, float]], line: dict[str, Any]) -> str:
    d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    dash = DASHES[line.get("dash", "solid")]
    more = f";stroke-dasharray:{dash}" if dash else ""
    return (
        f'<path d="{d}" style="fill:none;stroke:{_ink(line["color"])};stroke-width:{line["width"]}{more}"/>'
    )


def _text(x: float, y: float, words: str, anchor: str, colour: str = "ink") -> str:
    shown = escape(html.unescape(words))  # names of traces are written for a library that reads HTML
    return f'<text x="{x:.1f}" y="{y + 4.5:.1f}" text-anchor="{anchor}" style="fill:{_ink(colour)}">{shown}</text>'
