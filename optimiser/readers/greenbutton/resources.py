"""The XML of a Green Button file as resources with their links; what could hide in XML is refused."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit
from xml.parsers import expat

from optimiser.errors import SeriesError
from optimiser.readers.content import content_of

ESPI = "http://naesb.org/espi"
ATOM = "http://www.w3.org/2005/Atom"
RESOURCES = {"UsagePoint", "MeterReading", "ReadingType", "IntervalBlock", "LocalTimeParameters"}


@dataclass(slots=True)
class IntervalReading:
    """One IntervalReading as text, with its line."""

    line: int
    text: dict[str, str] = field(default_factory=dict)
    qualities: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Resource:
    """One ESPI resource, with its own simple elements and the links of the entry around it."""

    kind: str
    line: int
    entry: Entry
    text: dict[str, str] = field(default_factory=dict)
    readings: list[IntervalReading] = field(default_factory=list)
    number: int = 0


@dataclass(slots=True)
class Entry:
    """The links and dates of an atom entry; empty for a resource that stands bare."""

    own: set[str] = field(default_factory=set)
    up: set[str] = field(default_factory=set)
    related: set[str] = field(default_factory=set)
    updated: str = ""
    title: str = ""


class _RefusedError(Exception):
    """A construct of XML that is refused, as a sentence."""


class XmlReader:
    """Turns the events of the XML parser into resources; text within readings is kept flat."""

    def __init__(self) -> None:
        self.resources: list[Resource] = []
        self.spaces: Counter[str] = Counter()
        self._path: list[str] = []
        self._entry = Entry()
        self._resource: Resource | None = None
        self._depth = 0
        self._reading: IntervalReading | None = None
        self._words: list[str] = []
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._words.append
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype

    def _refuse_doctype(self, *_: object) -> None:
        raise _RefusedError(
            f"line {self.parser.CurrentLineNumber}: a document type is declared, which may hide entities that grow "
            "without bound. The standard has none: remove it, or fetch the file from its source."
        )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, name = tag.rpartition(" ")
        self.spaces[space] += 1
        self._words.clear()
        self._path.append(name)
        if len(self._path) > 200:
            raise _RefusedError(
                f"line {self.parser.CurrentLineNumber}: elements are nested deeper than 200. Fetch the file again."
            )
        if space == ATOM:
            if name == "entry":
                self._entry = Entry()
            elif name == "link":
                self._link(attributes)
        elif space == ESPI:
            line = self.parser.CurrentLineNumber
            if name == "IntervalReading" and self._resource is not None:
                self._reading = IntervalReading(line)
                self._resource.readings.append(self._reading)
            elif name in RESOURCES:
                self._resource = Resource(name, line, self._entry, number=len(self.resources))
                self._depth = len(self._path)
                self.resources.append(self._resource)

    def _link(self, attributes: dict[str, str]) -> None:
        target = _trail(attributes.get("href", ""))
        if not target:
            return
        places = {"self": self._entry.own, "up": self._entry.up, "related": self._entry.related}
        places.get(attributes.get("rel", "").lower(), set()).add(target)

    def _end(self, tag: str) -> None:
        space, _, name = tag.rpartition(" ")
        word = "".join(self._words).strip()
        self._words.clear()
        self._path.pop()
        if space == ATOM:
            if name == "updated":
                self._entry.updated = word
            elif name == "title" and not self._entry.title:
                self._entry.title = word
            elif name == "entry":
                self._entry = Entry()
        elif space == ESPI and self._resource is not None:
            if name == "IntervalReading":
                self._reading = None
            elif self._reading is not None:
                if name == "quality":
                    self._reading.qualities.append(word)
                elif word:
                    self._reading.text[name] = word
            elif len(self._path) + 1 == self._depth:
                self._resource = None
            elif word:
                parent = self._path[-1]
                key = name if len(self._path) == self._depth else f"{parent}.{name}"
                self._resource.text[key] = word


def _trail(href: str) -> str:
    """The path of a link, without host and slashes at its ends, so that links of both forms compare."""
    try:
        return urlsplit(href.strip()).path.strip("/")
    except ValueError:
        return href.strip().strip("/")


def parsed(path: Path) -> XmlReader:
    """The resources of a file.

    Raises
    ------
    SeriesError
        If it is not well-formed XML, or holds what is refused.
    """
    reader = XmlReader()
    try:
        reader.parser.Parse(content_of(path), True)
    except _RefusedError as problem:
        raise SeriesError(str(path), [str(problem)]) from None
    except expat.ExpatError as problem:
        words = expat.ErrorString(problem.code)
        raise SeriesError(
            str(path),
            [
                f"line {problem.lineno}, column {problem.offset + 1}: the file is not well-formed XML "
                f"({words}). It may be cut short or damaged: fetch it again."
            ],
        ) from None
    except (ValueError, LookupError) as problem:
        raise SeriesError(
            str(path), [f"the file is not XML that can be read: {problem}. Fetch it again."]
        ) from None
    return reader


def once_each(meter_readings: list[Resource]) -> list[Resource]:
    """Meter readings without those whose entry has the links of an earlier one."""
    seen: dict[object, Resource] = {}
    for item in meter_readings:
        links = frozenset(item.entry.own)
        seen.setdefault(links or item.number, item)
    return list(seen.values())


def owns(parent: Resource, child: Resource) -> bool:
    """Whether the links of two entries say that one holds the other."""
    if parent.entry.related & (child.entry.up | child.entry.own):
        return True
    return any(up == own or up.startswith(own + "/") for own in parent.entry.own for up in child.entry.up)


def whole_number(word: str | None) -> int | None:
    """A code or a count, None where there is none or it is no whole number."""
    return int(word) if word is not None and re.fullmatch(r"[+-]?[0-9]{1,18}", word) else None
