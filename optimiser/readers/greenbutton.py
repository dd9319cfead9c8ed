"""Green Button files (ESPI, the NAESB REQ.21 standard): energy of intervals in XML, register by register.

References
----------
.. [1] North American Energy Standards Board, "REQ.21 Energy Services Provider Interface", schema `espi.xsd`: the
   meaning of elements and the lists of codes (codes from memory, compared with published samples).
.. [2] IEEE Std 2030.5, DstRuleType: the bits of a rule of daylight saving (from memory).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit
from xml.parsers import expat
from xml.sax.saxutils import escape

import numpy as np

from optimiser.errors import SeriesError
from optimiser.fields import MOST
from optimiser.readers.content import content_of, refuse, write_whole
from optimiser.readers.readings import (
    ACTUAL,
    ESTIMATED,
    MISSING,
    SUBSTITUTED,
    Channel,
    Kind,
    Readings,
    named_apart,
)

ESPI, ATOM = "http://naesb.org/espi", "http://www.w3.org/2005/Atom"

# Codes of the standard. A unit: what to multiply with for kW or kvar (power) or kWh or kvarh (energy).
ENERGY = {72: "kWh", 73: "kvarh"}
POWER = {38: "kWh", 63: "kvarh"}
UNIT_NAMES = {
    0: "no unit",
    5: "amperes",
    29: "volts",
    42: "cubic metres",
    61: "VA",
    65: "power factor",
    71: "VAh",
    119: "cubic feet",
    128: "US gallons",
    132: "British thermal units",
    134: "litres",
    169: "therms",
}
SERVICES = {0: "electricity", 1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage"}
ELECTRIC = {0, 1, 2}
DELTA = {None, 0, 4}
ACCUMULATIONS = {
    1: "bulk",
    2: "continuous cumulative",
    3: "cumulative",
    6: "indicating",
    9: "summation",
    12: "instant",
}
AVERAGE = 2
PLAIN = {None, 0, 2, 12}
QUALIFIERS = {8: "maximum", 9: "minimum"}
IMPORT, EXPORT, NET = 1, 19, 4
QUALITY_CODES = {
    0: (ACTUAL, "valid"),
    7: (SUBSTITUTED, "edited by hand"),
    8: (ESTIMATED, "estimated from a reference day"),
    9: (ESTIMATED, "estimated by interpolation"),
    10: (ESTIMATED, "questionable"),
    11: (SUBSTITUTED, "derived"),
    12: (ESTIMATED, "projected"),
    13: (SUBSTITUTED, "mixed"),
    14: (ACTUAL, "raw, not validated"),
    15: (SUBSTITUTED, "normalised for weather"),
    16: (SUBSTITUTED, "other"),
    17: (ACTUAL, "validated"),
    18: (ACTUAL, "verified"),
    19: (ACTUAL, "of billing quality"),
}
QUIET = {0, 17, 18, 19}
WRITTEN_QUALITY = {ACTUAL: 17, SUBSTITUTED: 7, ESTIMATED: 8}
LONGEST_S = 24 * 3600  # readings as long as a day are totals of a bill, of no use to a schedule
FIRST_S, LAST_S = 0, 4_102_444_800  # 1970 to 2100
_RESOURCES = {"UsagePoint", "MeterReading", "ReadingType", "IntervalBlock", "LocalTimeParameters"}


@dataclass(slots=True)
class _Reading:
    """One IntervalReading as text, with its line."""

    line: int
    text: dict[str, str] = field(default_factory=dict)
    qualities: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Resource:
    """One ESPI resource, with its own simple elements and the links of the entry around it."""

    kind: str
    line: int
    entry: _Entry
    text: dict[str, str] = field(default_factory=dict)
    readings: list[_Reading] = field(default_factory=list)
    number: int = 0


@dataclass(slots=True)
class _Entry:
    """The links and dates of an atom entry; empty for a resource that stands bare."""

    own: set[str] = field(default_factory=set)
    up: set[str] = field(default_factory=set)
    related: set[str] = field(default_factory=set)
    updated: str = ""
    title: str = ""


class _RefusedError(Exception):
    """A construct of XML that is refused, as a sentence."""


class _Reader:
    """Turns the events of the XML parser into resources; text within readings is kept flat."""

    def __init__(self) -> None:
        self.resources: list[_Resource] = []
        self.spaces: Counter[str] = Counter()
        self._path: list[str] = []
        self._entry = _Entry()
        self._resource: _Resource | None = None
        self._depth = 0
        self._reading: _Reading | None = None
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
                self._entry = _Entry()
            elif name == "link":
                self._link(attributes)
        elif space == ESPI:
            line = self.parser.CurrentLineNumber
            if name == "IntervalReading" and self._resource is not None:
                self._reading = _Reading(line)
                self._resource.readings.append(self._reading)
            elif name in _RESOURCES:
                self._resource = _Resource(name, line, self._entry, number=len(self.resources))
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
                self._entry = _Entry()
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


def _parsed(path: Path) -> _Reader:
    reader = _Reader()
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


def read_green_button(path: Path, unit: str | None = None) -> Readings:
    """Read a Green Button file: a feed of entries or bare resources, plain, gzip or alone in a zip archive.

    Energy is the value times ten to the `powerOfTenMultiplier`, in the `uom` of the reading type (72: Wh, 73: varh;
    38: W and 63: var where they are averages). `flowDirection` 1 is import, 19 export, 4 net. Starts are seconds of
    UTC since 1970. Readings of gas or water, counts of registers, maxima, and totals of a day or longer are left out
    and named in the notes.

    Parameters
    ----------
    path : Path
    unit : {"mWh", "Wh", "kWh"}, optional
        Of values that no reading type in the file describes; left out: such values are refused.

    Returns
    -------
    Readings
        One channel a meter reading and interval length. A reading without a value is MISSING, never zero.

    Raises
    ------
    SeriesError
        With every fault found, each with its line.
    """
    reader = _parsed(Path(path))
    if not reader.resources:
        refuse(path, [_nothing_of_ours(reader)])
    return _Feed(Path(path), reader.resources, unit).readings()


def _nothing_of_ours(reader: _Reader) -> str:
    spaces = ", ".join(space[:60] or "none" for space, _ in reader.spaces.most_common(3))
    return (
        f"it is XML without a resource of the namespace {ESPI}; its namespaces are: {spaces}. Ask the utility for a "
        "Green Button file of interval data."
    )


@dataclass(frozen=True)
class _Type:
    """What the values of a register mean."""

    unit: str
    scale: float  # kWh or kvarh of a value of 1, where the value is energy; kW or kvar where it is power
    is_power: bool
    kind: Kind
    length_s: int | None
    quality: int | None
    note: str = ""


class _Feed:
    """The resources of a file, joined by their links."""

    def __init__(self, path: Path, resources: Sequence[_Resource], unit: str | None):
        self.path, self.unit = path, unit
        self.faults: list[str] = []
        self.notes: list[str] = []
        self.of_kind: dict[str, list[_Resource]] = {kind: [] for kind in _RESOURCES}
        for resource in resources:
            self.of_kind[resource.kind].append(resource)

    def readings(self) -> Readings:
        """All channels, or every fault."""
        if not any(block.readings for block in self.of_kind["IntervalBlock"]):
            self.faults.append(
                "it holds no interval readings. Ask for interval data; a file of bills or of meter details has none."
            )
            refuse(self.path, self.faults)
        channels: list[Channel] = []
        for meter_reading, blocks in self._registers():
            channels += self._channels(meter_reading, blocks)
        if not channels and not self.faults:
            self.faults.append("nothing in it can be used: " + "; ".join(self.notes) + ".")
        refuse(self.path, self.faults)
        clocks = [_clock_words(parameters.text) for parameters in self.of_kind["LocalTimeParameters"]]
        return Readings(
            str(self.path),
            "Green Button",
            named_apart(channels),
            tuple(dict.fromkeys(clocks + self.notes)),
            _clock(self.of_kind["LocalTimeParameters"]),
        )

    def _registers(self) -> Iterator[tuple[_Resource | None, list[_Resource]]]:
        """Each meter reading with its interval blocks; without any, the blocks by the link that holds them."""
        blocks = [block for block in self.of_kind["IntervalBlock"] if block.readings]
        meter_readings = _once(self.of_kind["MeterReading"])
        if not meter_readings:
            homes: dict[str, list[_Resource]] = {}
            for block in blocks:
                homes.setdefault(min(block.entry.up, default=""), []).append(block)
            yield from ((None, own) for own in homes.values())
            return
        owned: dict[int, list[_Resource]] = {}
        for block in blocks:
            owners = [number for number, owner in enumerate(meter_readings) if _owns(owner, block)]
            if not owners and len(meter_readings) == 1:
                owners = [0]
            if len(owners) != 1:
                count = "no meter reading" if not owners else f"{len(owners)} meter readings"
                self.faults.append(
                    f"line {block.line}: the links of an IntervalBlock lead to {count} of {len(meter_readings)} in the "
                    "file, so its register is unknown. Ask for a file with complete links."
                )
                continue
            owned.setdefault(owners[0], []).append(block)
        for number, own in owned.items():
            yield meter_readings[number], own

    def _channels(self, meter_reading: _Resource | None, blocks: list[_Resource]) -> list[Channel]:
        name = _name(meter_reading, blocks[0])
        point = self._point(meter_reading, blocks[0])
        service = _code(point.text.get("ServiceCategory.kind")) if point else None
        if service not in (None, 0):
            self.notes.append(
                f"{name} is {SERVICES.get(service, f'service {service}')}, not electricity: left out"
            )
            return []
        meaning = self._type(name, meter_reading, blocks[0])
        if meaning is None:
            return []
        table = _Table(self.path, name, meaning)
        for block in blocks:
            table.take(block)
        self.faults += table.faults
        self.notes += table.left_out()
        return [] if table.faults else table.channels()

    def _point(self, meter_reading: _Resource | None, block: _Resource) -> _Resource | None:
        """The usage point of a register."""
        points = self.of_kind["UsagePoint"]
        child = meter_reading or block
        found = [point for point in points if _owns(point, child)]
        if not found and len(points) == 1:
            found = points
        return found[0] if len(found) == 1 else None

    def _type(self, name: str, meter_reading: _Resource | None, block: _Resource) -> _Type | None:
        """What a register's values mean, or None after a note or a fault."""
        types = self.of_kind["ReadingType"]
        links = meter_reading.entry.related if meter_reading else block.entry.related
        found = [item for item in types if item.entry.own & links]
        if not found and len(types) == 1 and len(_once(self.of_kind["MeterReading"])) <= 1:
            found = types
            self.notes.append(f"{name} is not linked to a reading type: the only one in the file is used")
        apart = {tuple(item.text.get(key) for key in _MEANING): item for item in found}
        if len(apart) > 1:
            apart = {key: item for key, item in apart.items() if not _not_energy(_codes(item))}
            if len(apart) != 1:
                self.faults.append(
                    f"line {block.line}: {name} is described by {len(found)} reading types that differ. Ask for a file "
                    "with one reading type a register."
                )
                return None
            self.notes.append(
                f"{name} is described by {len(found)} reading types: the only one of energy is used"
            )
            found = list(apart.values())
        if found:
            return self._meaning(name, found[0])
        if self.unit is not None:
            return self._declared(name)
        count = f"reading types ({len(types)}), but none that it is linked to" if types else "no reading type"
        self.faults.append(
            f"line {block.line}: the unit of {name} is unknown: the file holds {count}. Ask for a file with its "
            'ReadingType, or say the unit of its values, unit "mWh", "Wh" or "kWh".'
        )
        return None

    def _declared(self, name: str) -> _Type | None:
        scales = {"mWh": 1e-6, "Wh": 1e-3, "kWh": 1.0}
        if self.unit not in scales:
            self.faults.append(f'the unit must be "mWh", "Wh" or "kWh", got {self.unit!r}.')
            return None
        note = f"the unit of {name} is not in the file: taken as {self.unit}, as declared"
        return _Type("kWh", scales[self.unit], False, "unknown", None, None, note)

    def _meaning(self, name: str, found: _Resource) -> _Type | None:
        codes = _codes(found)
        before = len(self.faults)
        for key in _MEANING:
            word = found.text.get(key)
            if word is not None and codes[key] is None:
                self.faults.append(
                    f"line {found.line}: {key} of a ReadingType must be a whole number, got {word[:40]!r}. Fetch the "
                    "file again."
                )
        power_of_ten = codes["powerOfTenMultiplier"] or 0
        if not -12 <= power_of_ten <= 12:
            self.faults.append(
                f"line {found.line}: powerOfTenMultiplier must be between -12 and 12, got {power_of_ten}. Fetch the "
                "file again."
            )
        if len(self.faults) > before:
            return None
        uom = codes["uom"]
        if uom is None:
            self.faults.append(
                f"line {found.line}: the ReadingType of {name} has no uom, so the unit is unknown. "
                "Ask for a file with it."
            )
            return None
        reason = _not_energy(codes)
        if reason:
            self.notes.append(f"{name} {reason}: left out")
            return None
        unit = ENERGY.get(uom) or POWER[uom]
        kind = _direction(codes["flowDirection"], unit)
        note = "" if kind != "unknown" else f"{name} does not say which way its energy went"
        return _Type(
            unit,
            10.0**power_of_ten / 1000,
            uom in POWER,
            kind,
            codes["intervalLength"],
            codes["defaultQuality"],
            note,
        )


_MEANING = (
    *("uom", "powerOfTenMultiplier", "flowDirection", "commodity", "accumulationBehaviour"),
    *("dataQualifier", "intervalLength", "defaultQuality"),
)


def _codes(reading_type: _Resource) -> dict[str, int | None]:
    """The codes of a reading type, None where there is none or no whole number."""
    return {key: _code(reading_type.text.get(key)) for key in _MEANING}


def _not_energy(codes: dict[str, int | None]) -> str:
    """Why a register does not hold the energy of intervals of electricity; empty where it does."""
    uom, commodity = codes["uom"], codes["commodity"]
    if commodity is not None and commodity not in ELECTRIC:
        return f"is of commodity {commodity}, not electricity"
    if uom not in ENERGY and uom not in POWER:
        return f"is in {UNIT_NAMES.get(uom or 0, f'unit {uom}')}, not energy of electricity"
    if codes["accumulationBehaviour"] not in DELTA and not (
        uom in POWER and codes["dataQualifier"] == AVERAGE
    ):
        word = ACCUMULATIONS.get(codes["accumulationBehaviour"] or 0, str(codes["accumulationBehaviour"]))
        return f"is a count or a state ({word}), not energy of each interval"
    if codes["dataQualifier"] not in PLAIN:
        word = QUALIFIERS.get(codes["dataQualifier"] or 0, f"qualifier {codes['dataQualifier']}")
        return f"holds no plain values ({word})"
    if uom in POWER and codes["dataQualifier"] != AVERAGE:
        return "is power without a word that it is the average of its interval"
    return ""


def _direction(code: int | None, unit: str) -> Kind:
    if unit == "kvarh":
        return {IMPORT: "reactive import", EXPORT: "reactive export"}.get(code or 0, "unknown")  # type: ignore[return-value]
    return {IMPORT: "import", EXPORT: "export", NET: "net"}.get(code or 0, "unknown")  # type: ignore[return-value]


def _once(meter_readings: list[_Resource]) -> list[_Resource]:
    """Meter readings without those whose entry has the links of an earlier one."""
    seen: dict[object, _Resource] = {}
    for item in meter_readings:
        links = frozenset(item.entry.own)
        seen.setdefault(links or item.number, item)
    return list(seen.values())


def _owns(parent: _Resource, child: _Resource) -> bool:
    """Whether the links of two entries say that one holds the other."""
    if parent.entry.related & (child.entry.up | child.entry.own):
        return True
    return any(up == own or up.startswith(own + "/") for own in parent.entry.own for up in child.entry.up)


def _name(meter_reading: _Resource | None, block: _Resource) -> str:
    """Usage point and meter reading by the last parts of their links."""
    if meter_reading:
        own = min(meter_reading.entry.own, default="")
    else:
        own = re.sub("/?IntervalBlock.*$", "", min(block.entry.up, default=""))
    parts = own.split("/")
    names = [parts[at + 1] for at, part in enumerate(parts[:-1]) if part in ("UsagePoint", "MeterReading")]
    title = meter_reading.entry.title if meter_reading else ""
    return "/".join(names)[:80] or title[:80] or "meter"


def _code(word: str | None) -> int | None:
    return int(word) if word is not None and re.fullmatch(r"[+-]?[0-9]{1,18}", word) else None


_NUMBER = re.compile(r"[+-]?[0-9]{1,18}(?:\.[0-9]{1,12})?")


class _Table:
    """The readings of one register, row by row."""

    def __init__(self, path: Path, name: str, meaning: _Type):
        self.path, self.name, self.meaning = path, name, meaning
        self.faults: list[str] = []
        self.codes: Counter[int | None] = Counter()
        self.unknown: Counter[int] = Counter()
        self.long = 0
        self.rows: dict[int, list[tuple[int, float, int, str, int]]] = {}  # by length in seconds

    def take(self, block: _Resource) -> None:
        """Read all readings of a block, and note what is wrong with each."""
        timed = [("start" in reading.text) for reading in block.readings]
        placed = None if all(timed) else self._placed(block, any(timed))
        for number, reading in enumerate(block.readings):
            start = placed[number] if placed else self._start(reading)
            length = self._length(reading)
            energy = self._value(reading)
            if start is None or length is None or energy is None:
                continue
            if length >= LONGEST_S:
                self.long += 1
                continue
            if self.meaning.is_power:
                energy *= length / 3600
            quality = self._quality(reading) if np.isfinite(energy) else MISSING
            self.rows.setdefault(length, []).append(
                (start, energy, quality, block.entry.updated, reading.line)
            )

    def _placed(self, block: _Resource, some: bool) -> list[int] | None:
        """Starts of readings that carry none: one after the other from the start of their block."""
        first = _code(block.text.get("interval.start"))
        length, whole = self.meaning.length_s, _code(block.text.get("interval.duration"))
        fits = length is not None and whole == length * len(block.readings)
        if some or first is None or not length or not fits:
            self.faults.append(
                f"line {block.line}: readings without a start can only be placed where all {len(block.readings)} of a "
                "block have none and fill its interval. Ask for a file with timePeriod."
            )
            return None
        return [first + number * length for number in range(len(block.readings))]

    def _start(self, reading: _Reading) -> int | None:
        word = reading.text.get("start")
        if word is None:
            return None  # told once for the block
        start = _code(word)
        if start is None or not FIRST_S < start < LAST_S:
            self._fault(reading, "start", "be seconds since 1970 in UTC, before 2100", word)
            return None
        if start % 60:
            self._fault(reading, "start", "be on a whole minute", word)
            return None
        return start

    def _length(self, reading: _Reading) -> int | None:
        word = reading.text.get("duration")
        length = self.meaning.length_s if word is None else _code(word)
        if length is None or length <= 0 or length % 60:
            self._fault(reading, "duration", "be a whole number of minutes, in seconds", word or "nothing")
            return None
        return length

    def _value(self, reading: _Reading) -> float | None:
        word = reading.text.get("value")
        if word is None:
            return float("nan")
        if not _NUMBER.fullmatch(word):
            self._fault(reading, "value", "be a plain number", word)
            return None
        energy = float(word) * self.meaning.scale
        if abs(energy) > MOST:
            self._fault(
                reading, "value", f"be at most {MOST:g} {self.meaning.unit} after its multiplier", word
            )
            return None
        return energy

    def _quality(self, reading: _Reading) -> int:
        """The least trusted of the qualities given."""
        codes = [_code(word) for word in reading.qualities]
        if not codes:
            codes = [self.meaning.quality]
        worst = ACTUAL
        for code in codes:
            self.codes[code] += 1
            if code is not None:
                worst = max(worst, QUALITY_CODES.get(code, (ESTIMATED, ""))[0])
        return worst

    def _fault(self, reading: _Reading, what: str, rule: str, came: str) -> None:
        self.faults.append(
            f"line {reading.line}: {what} of a reading of {self.name} must {rule}, got {came[:40]!r}. Fetch the file "
            "again."
        )

    def left_out(self) -> list[str]:
        """What was read and not used."""
        count = f"{self.long} readings" if self.long > 1 else "1 reading"
        return [f"{count} of {self.name} of a day or longer left out"] if self.long else []

    def channels(self) -> list[Channel]:
        """One channel for each interval length."""
        made = [self._channel(length, rows) for length, rows in sorted(self.rows.items())]
        refuse(self.path, self.faults)
        return made

    def _channel(self, length: int, rows: list[tuple[int, float, int, str, int]]) -> Channel:
        rows.sort(key=lambda row: (row[0], row[3], row[4]))
        kept, repeats, replaced = self._unrepeated(rows)
        start = np.array([row[0] for row in kept], "int64")
        energy = np.array([row[1] for row in kept])
        quality = np.array([row[2] for row in kept], "int8")
        astray = np.flatnonzero((start - start[0]) % length)
        if len(astray):
            row = kept[int(astray[0])]
            self.faults.append(
                f"line {row[4]}: {len(astray)} readings of {self.name}, the first at {_when(row[0])}, are not a whole "
                f"number of {length // 60} min from the first at {_when(kept[0][0])}. Split the file where they shift."
            )
        kind, notes = self.meaning.kind, self._notes(repeats, replaced)
        below = int((energy < 0).sum())
        if below and kind in ("import", "export"):
            notes.append(
                f"{below} readings are below zero though the file calls them {kind}: taken as net {kind}"
            )
            energy, kind = (energy if kind == "import" else -energy), "net"
        return Channel(
            self.name,
            kind,
            self.meaning.unit,
            length // 60,
            start.astype("datetime64[s]"),
            energy,
            quality,
            tuple(notes),
        )

    def _unrepeated(
        self, rows: list[tuple[int, float, int, str, int]]
    ) -> tuple[list[tuple[int, float, int, str, int]], int, int]:
        """One row an interval, the newest; a repeat of the same date and another value is a fault."""
        kept, repeats, replaced = [rows[0]], 0, 0
        for row in rows[1:]:
            last = kept[-1]
            if row[0] != last[0]:
                kept.append(row)
                continue
            same = row[1] == last[1] or (np.isnan(row[1]) and np.isnan(last[1]))
            if same:
                repeats += 1
            elif row[3] > last[3]:
                replaced += 1
            else:
                self.faults.append(
                    f"line {row[4]}: the interval of {self.name} that starts {_when(row[0])} is there twice with "
                    f"different values (also line {last[4]}), neither of them newer. Remove one."
                )
            kept[-1] = row
        return kept, repeats, replaced

    def _notes(self, repeats: int, replaced: int) -> list[str]:
        notes = [self.meaning.note] if self.meaning.note else []
        if repeats:
            notes.append(f"{repeats} intervals repeated with the same value: counted once")
        if replaced:
            notes.append(f"{replaced} intervals given again later: the newer value is used")
        for code, count in sorted(self.codes.items(), key=lambda item: (item[0] is None, item[0] or 0)):
            if code is None:
                notes.append(f"{count} readings without a word on quality: taken as actual")
            elif code not in QUALITY_CODES:
                notes.append(
                    f"{count} readings of quality {code}, which the standard does not list: taken as estimated"
                )
            elif code not in QUIET:
                notes.append(f"{count} readings of quality {code} ({QUALITY_CODES[code][1]})")
        return notes


def _when(seconds: int) -> str:
    return str(np.datetime64(seconds, "s")).replace("T", " ")[:16] + "Z"


# --- clock rules --------------------------------------------------------------------------------------------------

_DAYS = ("", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("", "January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_ORDINALS = {2: "first", 3: "second", 4: "third", 5: "fourth", 6: "fifth", 7: "last"}


def dst_rule_words(rule: str) -> str | None:
    """A rule of daylight saving of eight hexadecimal digits in words, or None where it is no such rule.

    From the lowest bit: seconds (12), hour (5), day of week (3, Monday is 1), day of month (5), operator (3: on the
    day of month, on or after it, the first to the last such weekday), month (4) [2]_ of the module.
    """
    if not re.fullmatch("[0-9A-Fa-f]{8}", rule):
        return None
    bits = int(rule, 16)
    seconds, hour, weekday = bits & 0xFFF, bits >> 12 & 0x1F, bits >> 17 & 0x7
    day, operator, month = bits >> 20 & 0x1F, bits >> 25 & 0x7, bits >> 28
    if not 1 <= month <= 12 or hour > 24 or seconds >= 3600:
        return None
    clock = f"{hour:02d}:{seconds // 60:02d}"
    if operator in _ORDINALS and weekday:
        return f"{_ORDINALS[operator]} {_DAYS[weekday]} of {_MONTHS[month]} at {clock}"
    if operator == 1 and weekday and day:
        return f"{_DAYS[weekday]} on or after {day} {_MONTHS[month]} at {clock}"
    if operator == 0 and day:
        return f"{day} {_MONTHS[month]} at {clock}"
    return None


def _clock_words(text: dict[str, str]) -> str:
    """The utility's local clock in words; starts are UTC, so it moves no reading."""
    offset, ahead = _code(text.get("tzOffset")), _code(text.get("dstOffset"))
    if offset is None:
        return "the file does not say its local clock; starts are UTC and need none"
    sign = "-" if offset < 0 else "+"
    zone = f"the file's local clock is UTC{sign}{abs(offset) // 3600:02d}:{abs(offset) % 3600 // 60:02d}"
    start, end = (dst_rule_words(text.get(key, "")) for key in ("dstStartRule", "dstEndRule"))
    if not ahead:
        return zone
    if start and end:
        return f"{zone}, {ahead // 60} min ahead from the {start} to the {end}"
    return f"{zone}, with a rule of daylight saving that cannot be read; starts are UTC and do not need it"


def _clock(parameters: Sequence[_Resource]) -> str:
    """The standard time of the first local clock that the file names, else UTC."""
    for resource in parameters:
        offset = _code(resource.text.get("tzOffset"))
        if offset is not None and abs(offset) <= 14 * 3600 and offset % 60 == 0:
            sign = "-" if offset < 0 else "+"
            return f"UTC{sign}{abs(offset) // 3600:02d}:{abs(offset) % 3600 // 60:02d}"
    return "UTC"


# --- writing ------------------------------------------------------------------------------------------------------

_POWER_OF_TEN = -6  # of Wh: finer than any meter, and 48 bits still hold 281 MWh an interval


def green_button_text(readings: Readings) -> str:
    """Readings as a Green Button feed of one usage point, energy to a millionth of a Wh.

    Raises
    ------
    SeriesError
        If an amount of energy does not fit into the standard's 48 bits.
    """
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<feed xmlns="{ATOM}" xmlns:espi="{ESPI}">',
        "<title>Interval readings</title>",
        _entry("UsagePoint/1", "UsagePoint", ["UsagePoint/1/MeterReading"], _USAGE_POINT),
    ]
    for number, channel in enumerate(readings.channels, 1):
        parts += _written(number, channel, readings.file)
    return "\n".join([*parts, "</feed>\n"])


def write_green_button(path: Path, readings: Readings, overwrite: bool = False) -> None:
    """Write readings as a Green Button file, whole or not at all.

    Raises
    ------
    SeriesError
        If the file is there already and `overwrite` is not set, or a value cannot be written.
    """
    write_whole(path, green_button_text(readings).encode(), overwrite)


_USAGE_POINT = (
    "<espi:UsagePoint><espi:ServiceCategory><espi:kind>0</espi:kind></espi:ServiceCategory></espi:UsagePoint>"
)
_FLOWS = {"import": 1, "export": 19, "net": 4, "reactive import": 1, "reactive export": 19, "unknown": 0}


def _entry(own: str, up: str, related: list[str], content: str, title: str = "") -> str:
    links = "".join(f'<link rel="related" href="{escape(item)}"/>' for item in related)
    return (
        f'<entry><link rel="self" href="{own}"/><link rel="up" href="{up}"/>{links}<title>{escape(title)}</title>'
        f"<content>{content}</content></entry>"
    )


def _written(number: int, channel: Channel, file: str) -> Iterator[str]:
    reading, kind = f"UsagePoint/1/MeterReading/{number}", f"ReadingType/{number}"
    uom = {unit: code for code, unit in ENERGY.items()}.get(channel.unit)
    if uom is None:
        raise SeriesError(file, [f"{channel.name} is in {channel.unit}, which is not written. Leave it out."])
    yield _entry(
        kind,
        "ReadingType",
        [],
        "<espi:ReadingType><espi:accumulationBehaviour>4</espi:accumulationBehaviour><espi:commodity>1</espi:commodity>"
        f"<espi:flowDirection>{_FLOWS[channel.kind]}</espi:flowDirection>"
        f"<espi:intervalLength>{channel.step_minutes * 60}</espi:intervalLength><espi:kind>12</espi:kind>"
        f"<espi:powerOfTenMultiplier>{_POWER_OF_TEN}</espi:powerOfTenMultiplier><espi:uom>{uom}</espi:uom>"
        "</espi:ReadingType>",
    )
    yield _entry(
        reading,
        "UsagePoint/1/MeterReading",
        [kind, f"{reading}/IntervalBlock"],
        "<espi:MeterReading/>",
        channel.name,
    )
    length = channel.step_minutes * 60
    starts = channel.start.astype("datetime64[s]").astype("int64")
    scaled = channel.energy * 10.0 ** (3 - _POWER_OF_TEN)
    if (np.abs(scaled[np.isfinite(scaled)]) >= 2.0**47).any():
        raise SeriesError(
            file, [f"an interval of {channel.name} holds more energy than the format can carry."]
        )
    rows = [
        f"<espi:interval><espi:duration>{int(starts[-1] - starts[0]) + length}</espi:duration>"
        f"<espi:start>{starts[0]}</espi:start></espi:interval>"
    ]
    for start, value, quality in zip(starts.tolist(), scaled.tolist(), channel.quality.tolist(), strict=True):
        known = quality != MISSING and np.isfinite(value)
        code = WRITTEN_QUALITY.get(quality, 0)
        mark = (
            f"<espi:ReadingQuality><espi:quality>{code}</espi:quality></espi:ReadingQuality>" if known else ""
        )
        figure = f"<espi:value>{round(value)}</espi:value>" if known else ""
        rows.append(
            f"<espi:IntervalReading>{mark}<espi:timePeriod><espi:duration>{length}</espi:duration>"
            f"<espi:start>{start}</espi:start></espi:timePeriod>{figure}</espi:IntervalReading>"
        )
    block = "<espi:IntervalBlock>" + "\n".join(rows) + "</espi:IntervalBlock>"
    yield _entry(f"{reading}/IntervalBlock/1", f"{reading}/IntervalBlock", [], block)
