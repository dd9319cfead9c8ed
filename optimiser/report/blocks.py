"""The few shapes a section is made of; the page template knows how to draw each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, ClassVar

from markupsafe import Markup


@dataclass(frozen=True)
class Text:
    """A paragraph; tone is plain, quiet, or warning."""

    text: str
    tone: str = "plain"
    kind: ClassVar[str] = "text"


@dataclass(frozen=True)
class Heading:
    """A small heading inside a section."""

    text: str
    kind: ClassVar[str] = "heading"


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]
    tone: str = "plain"
    kind: ClassVar[str] = "points"


@dataclass(frozen=True)
class NamedValues:
    """Names with their values, one pair a line."""

    pairs: tuple[tuple[str, str], ...]
    kind: ClassVar[str] = "facts"


@dataclass(frozen=True)
class Column:
    """Heading of a table's column."""

    title: str
    numeric: bool = True


@dataclass(frozen=True)
class Row:
    """Cells of one table row; style is plain, group (a heading across the table), part or total."""

    cells: tuple[str, ...]
    style: str = "plain"


@dataclass(frozen=True)
class TableBlock:
    """A table of finished text; folded ones wait behind a summary line."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    folded: bool = False
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class Chart:
    """A chart's traces and layout, its words for those who cannot see it, and the table behind it.

    Colours are written as ``@name`` and become the colour of that name in the style sheet, light or dark.
    """

    key: str
    title: str
    description: str
    traces: tuple[dict[str, Any], ...]
    layout: dict[str, Any] = field(default_factory=dict)
    height_px: int = 360
    table: TableBlock | None = None
    kind: ClassVar[str] = "chart"

    @property
    def spec(self) -> dict[str, Any]:
        """What the page's script hands to the drawing library."""
        return {"data": list(self.traces), "layout": self.layout}


@dataclass(frozen=True)
class Drawing:
    """A finished drawing that needs no script, with its words for those who cannot see it."""

    title: str
    description: str
    svg: Markup
    kind: ClassVar[str] = "drawing"


@dataclass(frozen=True)
class Fact:
    """One large figure of the first screen, its name, and the sentence under it."""

    name: str
    figure: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Headline:
    """The large figures of the first screen."""

    facts: tuple[Fact, ...]
    kind: ClassVar[str] = "headline"


@dataclass(frozen=True)
class Panel:
    """One chart of the day explorer: which columns it draws and how; `apart` gives each its own strip."""

    key: str
    title: str
    unit: str
    description: str
    traces: tuple[dict[str, Any], ...]
    height_px: int = 260
    apart: bool = False


@dataclass(frozen=True)
class Explorer:
    """A day picker over panels drawn from the embedded series.

    `steered` names what the script reads to say which mode ran when and why: columns, and the words for their numbers.
    """

    panels: tuple[Panel, ...]
    picks: tuple[tuple[str, str], ...]
    first_day: str
    last_day: str
    chosen_day: str
    steered: Mapping[str, Any] | None = None
    kind: ClassVar[str] = "explorer"


@dataclass(frozen=True)
class HeatMap:
    """A map of one column, days across and hours of the local clock up, drawn from the embedded series."""

    key: str
    title: str
    description: str
    plus: str
    minus: str | None
    unit: str
    scale: str
    table: TableBlock | None = None
    kind: ClassVar[str] = "heatmap"


Block = Text | Heading | Points | NamedValues | TableBlock | Chart | Drawing | Headline | Explorer | HeatMap


@dataclass(frozen=True)
class Section:
    """A titled part of the page; the key is its anchor, the short title its place in the contents."""

    key: str
    short_title: str
    title: str
    blocks: tuple[Block, ...]


def label(text: str) -> str:
    """A name for a chart: the drawing library reads a little HTML in names, ours are words only."""
    return escape(text, quote=False)


def room_for_labels(values: list[float]) -> list[float]:
    """Ends of an axis that leave room for the figures written beside the bars."""
    lowest, highest = min([0.0, *values]), max([0.0, *values])
    room = 0.22 * (highest - lowest) or 1.0
    return [lowest - room if lowest < 0 else 0.0, highest + room if highest > 0 else 0.0]


def bars(
    names: Sequence[str], values: Sequence[float], figures: Sequence[str], axis: str, colours: str | list[str]
) -> dict[str, Any]:
    """Traces and layout of a bar a name, one below the other, with its figure beside it.

    Parameters
    ----------
    names, values, figures : sequence
        Of each bar: its name, its length, and that as people read it.
    axis : str
        What the lengths are, with their unit last: "Saved, EUR".
    colours : str or list of str
    """
    unit = axis.rpartition(", ")[2]
    trace = {
        "type": "bar",
        "orientation": "h",
        "y": [label(name) for name in names],
        "x": list(values),
        "text": list(figures),
        "textposition": "outside",
        "cliponaxis": False,
        "marker": {"color": colours},
        "hovertemplate": f"%{{y}}: %{{text}} {unit}<extra></extra>",
    }
    layout = {
        "showlegend": False,
        "xaxis": {"title": {"text": axis}, "zeroline": True, "range": room_for_labels(list(values))},
        "yaxis": {"automargin": True, "autorange": "reversed", "type": "category"},
    }
    return {"traces": (trace,), "layout": layout}


def text_column(title: str) -> Column:
    """A column of words, set to the left."""
    return Column(title, numeric=False)
