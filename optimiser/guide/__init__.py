"""The guide: pages by topic for those who use the program, and how they are laid out in a terminal."""

from __future__ import annotations

import difflib
import re
import textwrap
from collections.abc import Iterator, Sequence
from importlib.resources import files

from optimiser.errors import OptimiserError

# In the order in which a stranger reads them; each is a Markdown file of this folder.
TOPICS = (
    *("start", "scenario", "plant", "dc", "flexible", "data", "tariff", "services"),
    *("foresight", "timetable", "outages", "appraisal", "studies"),
    *("compare", "size", "fleet", "sweep", "plan", "lookback"),
    *("results", "messages", "python", "solving", "years", "speed", "cautions"),
)

LEAST_COLUMN = 8  # narrower than this, words of a table would be cut


def topics() -> dict[str, str]:
    """Each topic with the first sentence of its page, in reading order."""
    return {topic: _first_sentence(page(topic)) for topic in TOPICS}


def page(topic: str) -> str:
    """The page of a topic, in Markdown.

    Parameters
    ----------
    topic : str
        One of `TOPICS`.

    Raises
    ------
    OptimiserError
        If there is no such topic; names the nearest one.
    """
    if topic not in TOPICS:
        near = difflib.get_close_matches(topic.lower(), TOPICS, 1, cutoff=0.5)
        way = f"Did you mean {near[0]}?" if near else f"The topics are {', '.join(TOPICS)}."
        raise OptimiserError(f"The guide has no topic {topic!r}. {way}")
    return files(__package__).joinpath(f"{topic}.md").read_text(encoding="utf-8")


def see(topic: str) -> str:
    """The sentence that sends a reader of a result to a page of the guide.

    Parameters
    ----------
    topic : str
        One of `TOPICS`; another is refused here, where the sentence is made, rather than met by the reader.
    """
    page(topic)
    return f"More: optimiser guide {topic}."


def plain(text: str, width: int = 100) -> str:
    """Markdown as plain text of a given width, for a terminal.

    Parameters
    ----------
    text : str
        Headings, paragraphs, lists, fenced blocks and tables: what the pages are made of.
    width : int
        Characters a line; fenced blocks keep their lines, so that they can be copied.
    """
    return "\n".join(line.rstrip() for line in _laid_out(text.splitlines(), width)) + "\n"


def _first_sentence(text: str) -> str:
    paragraph = text.split("\n\n")[1].replace("\n", " ")
    return re.split(r"(?<=[.?])\s", paragraph, maxsplit=1)[0]


def _laid_out(lines: Sequence[str], width: int) -> Iterator[str]:
    """The lines of a page, block by block."""
    at = 0
    while at < len(lines):
        line, end = lines[at], at + 1
        if line.startswith("```"):
            end = next(number for number in range(at + 1, len(lines)) if lines[number].startswith("```")) + 1
            yield from (f"  {inner}" for inner in lines[at + 1 : end - 1])
        elif heading := re.match(r"(#+) (.*)", line):
            words = _unmarked(heading[2])
            yield from (words, ("=" if len(heading[1]) == 1 else "-") * len(words))
        elif line.startswith("|"):
            while end < len(lines) and lines[end].startswith("|"):
                end += 1
            yield from _table([_cells(row) for row in lines[at:end]], width)
        elif line:
            while end < len(lines) and lines[end] and not re.match(r"(- |\d+\. |\||```|#)", lines[end]):
                end += 1
            mark = re.match(r"- |\d+\. |", line)
            words = _unmarked(" ".join(part.strip() for part in lines[at:end]))
            hang = " " * len(mark[0]) if mark else ""
            yield from textwrap.wrap(
                words, width, subsequent_indent=hang, break_on_hyphens=False, break_long_words=False
            )
        else:
            yield ""
        at = end


def _unmarked(words: str) -> str:
    """Text without the marks of emphasis and of links; code keeps its quotes."""
    return re.sub(r"\*\*(.+?)\*\*", r"\1", re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", words))


def _cells(row: str) -> list[str]:
    return [_unmarked(cell.strip()).replace("`", "") for cell in row.strip().strip("|").split("|")]


def _table(rows: list[list[str]], width: int) -> Iterator[str]:
    """Columns side by side, long cells over several lines."""
    head, body = rows[0], rows[2:]
    widths = _widths([head, *body], width)
    yield from _row(head, widths)
    yield "  ".join("-" * wide for wide in widths)
    for row in body:
        yield from _row(row, widths)


def _widths(rows: list[list[str]], width: int) -> list[int]:
    """As wide as the longest cell; where the page is narrower, the widest give way first."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    least = [
        max(LEAST_COLUMN, *(len(word) for cell in column for word in cell.split() or [""]))
        for column in zip(*rows, strict=True)
    ]
    while sum(widths) + 2 * (len(widths) - 1) > width:
        can = [at for at, wide in enumerate(widths) if wide > least[at]]
        if not can:
            break
        widths[max(can, key=lambda at: widths[at])] -= 1
    return widths


def _row(cells: list[str], widths: list[int]) -> Iterator[str]:
    wrapped = [
        textwrap.wrap(cell, wide, break_on_hyphens=False, break_long_words=False) or [""]
        for cell, wide in zip(cells, widths, strict=True)
    ]
    for number in range(max(map(len, wrapped))):
        parts = [lines[number] if number < len(lines) else "" for lines in wrapped]
        yield "  ".join(part.ljust(wide) for part, wide in zip(parts, widths, strict=True))
