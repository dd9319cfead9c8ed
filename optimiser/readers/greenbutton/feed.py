"""A Green Button file read: its resources joined by their links, register by register."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from optimiser.readers.content import refuse
from optimiser.readers.greenbutton.clock import clock_of, clock_words
from optimiser.readers.greenbutton.codes import (
    ENERGY,
    MEANING,
    POWER,
    SERVICES,
    ReadingType,
    codes_of,
    direction_of,
    not_energy,
)
from optimiser.readers.greenbutton.register import Register
from optimiser.readers.greenbutton.resources import (
    ESPI,
    RESOURCES,
    Resource,
    XmlReader,
    once_each,
    owns,
    parsed,
    whole_number,
)
from optimiser.readers.readings import Channel, Readings, named_apart


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
    reader = parsed(Path(path))
    if not reader.resources:
        refuse(path, [_nothing_of_ours(reader)])
    return _Feed(Path(path), reader.resources, unit).readings()


def _nothing_of_ours(reader: XmlReader) -> str:
    spaces = ", ".join(space[:60] or "none" for space, _ in reader.spaces.most_common(3))
    return (
        f"it is XML without a resource of the namespace {ESPI}; its namespaces are: {spaces}. Ask the utility for a "
        "Green Button file of interval data."
    )


class _Feed:
    """The resources of a file, joined by their links."""

    def __init__(self, path: Path, resources: Sequence[Resource], unit: str | None):
        self.path, self.unit = path, unit
        self.faults: list[str] = []
        self.notes: list[str] = []
        self.of_kind: dict[str, list[Resource]] = {kind: [] for kind in RESOURCES}
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
        clocks = [clock_words(parameters.text) for parameters in self.of_kind["LocalTimeParameters"]]
        return Readings(
            str(self.path),
            "Green Button",
            named_apart(channels),
            tuple(dict.fromkeys(clocks + self.notes)),
            clock_of(self.of_kind["LocalTimeParameters"]),
        )

    def _registers(self) -> Iterator[tuple[Resource | None, list[Resource]]]:
        """Each meter reading with its interval blocks; without any, the blocks by the link that holds them."""
        blocks = [block for block in self.of_kind["IntervalBlock"] if block.readings]
        meter_readings = once_each(self.of_kind["MeterReading"])
        if not meter_readings:
            homes: dict[str, list[Resource]] = {}
            for block in blocks:
                homes.setdefault(min(block.entry.up, default=""), []).append(block)
            yield from ((None, own) for own in homes.values())
            return
        owned: dict[int, list[Resource]] = {}
        for block in blocks:
            owners = [number for number, owner in enumerate(meter_readings) if owns(owner, block)]
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

    def _channels(self, meter_reading: Resource | None, blocks: list[Resource]) -> list[Channel]:
        name = _name(meter_reading, blocks[0])
        point = self._point(meter_reading, blocks[0])
        service = whole_number(point.text.get("ServiceCategory.kind")) if point else None
        if service not in (None, 0):
            self.notes.append(
                f"{name} is {SERVICES.get(service, f'service {service}')}, not electricity: left out"
            )
            return []
        meaning = self._type(name, meter_reading, blocks[0])
        if meaning is None:
            return []
        table = Register(self.path, name, meaning)
        for block in blocks:
            table.take(block)
        self.faults += table.faults
        self.notes += table.left_out()
        return [] if table.faults else table.channels()

    def _point(self, meter_reading: Resource | None, block: Resource) -> Resource | None:
        """The usage point of a register."""
        points = self.of_kind["UsagePoint"]
        child = meter_reading or block
        found = [point for point in points if owns(point, child)]
        if not found and len(points) == 1:
            found = points
        return found[0] if len(found) == 1 else None

    def _type(self, name: str, meter_reading: Resource | None, block: Resource) -> ReadingType | None:
        """What a register's values mean, or None after a note or a fault."""
        types = self.of_kind["ReadingType"]
        links = meter_reading.entry.related if meter_reading else block.entry.related
        found = [item for item in types if item.entry.own & links]
        if not found and len(types) == 1 and len(once_each(self.of_kind["MeterReading"])) <= 1:
            found = types
            self.notes.append(f"{name} is not linked to a reading type: the only one in the file is used")
        apart = {tuple(item.text.get(key) for key in MEANING): item for item in found}
        if len(apart) > 1:
            apart = {key: item for key, item in apart.items() if not not_energy(codes_of(item))}
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

    def _declared(self, name: str) -> ReadingType | None:
        scales = {"mWh": 1e-6, "Wh": 1e-3, "kWh": 1.0}
        if self.unit not in scales:
            self.faults.append(f'the unit must be "mWh", "Wh" or "kWh", got {self.unit!r}.')
            return None
        note = f"the unit of {name} is not in the file: taken as {self.unit}, as declared"
        return ReadingType("kWh", scales[self.unit], False, "unknown", None, None, note)

    def _meaning(self, name: str, found: Resource) -> ReadingType | None:
        codes = codes_of(found)
        before = len(self.faults)
        for key in MEANING:
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
        reason = not_energy(codes)
        if reason:
            self.notes.append(f"{name} {reason}: left out")
            return None
        unit = ENERGY.get(uom) or POWER[uom]
        kind = direction_of(codes["flowDirection"], unit)
        note = "" if kind != "unknown" else f"{name} does not say which way its energy went"
        return ReadingType(
            unit,
            10.0**power_of_ten / 1000,
            uom in POWER,
            kind,
            codes["intervalLength"],
            codes["defaultQuality"],
            note,
        )


def _name(meter_reading: Resource | None, block: Resource) -> str:
    """Usage point and meter reading by the last parts of their links."""
    if meter_reading:
        own = min(meter_reading.entry.own, default="")
    else:
        own = re.sub("/?IntervalBlock.*$", "", min(block.entry.up, default=""))
    parts = own.split("/")
    names = [parts[at + 1] for at, part in enumerate(parts[:-1]) if part in ("UsagePoint", "MeterReading")]
    title = meter_reading.entry.title if meter_reading else ""
    return "/".join(names)[:80] or title[:80] or "meter"
