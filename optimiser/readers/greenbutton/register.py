"""The readings of one register: placed, measured, counted once, and told of."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import numpy as np

from optimiser.fields import MOST
from optimiser.readers.content import refuse
from optimiser.readers.greenbutton.codes import QUALITY_CODES, QUIET, ReadingType
from optimiser.readers.greenbutton.resources import IntervalReading, Resource, whole_number
from optimiser.readers.readings import ACTUAL, ESTIMATED, MISSING, Channel

LONGEST_S = 24 * 3600  # readings as long as a day are totals of a bill, of no use to a schedule
FIRST_S = 0  # 1970
LAST_S = 4_102_444_800  # 2100
_NUMBER = re.compile(r"[+-]?[0-9]{1,18}(?:\.[0-9]{1,12})?")


class Register:
    """The readings of one register, row by row."""

    def __init__(self, path: Path, name: str, meaning: ReadingType):
        self.path, self.name, self.meaning = path, name, meaning
        self.faults: list[str] = []
        self.codes: Counter[int | None] = Counter()
        self.unknown: Counter[int] = Counter()
        self.long = 0
        self.rows: dict[int, list[tuple[int, float, int, str, int]]] = {}  # by length in seconds

    def take(self, block: Resource) -> None:
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

    def _placed(self, block: Resource, some: bool) -> list[int] | None:
        """Starts of readings that carry none: one after the other from the start of their block."""
        first = whole_number(block.text.get("interval.start"))
        length, whole = self.meaning.length_s, whole_number(block.text.get("interval.duration"))
        fits = length is not None and whole == length * len(block.readings)
        if some or first is None or not length or not fits:
            self.faults.append(
                f"line {block.line}: readings without a start can only be placed where all {len(block.readings)} of a "
                "block have none and fill its interval. Ask for a file with timePeriod."
            )
            return None
        return [first + number * length for number in range(len(block.readings))]

    def _start(self, reading: IntervalReading) -> int | None:
        word = reading.text.get("start")
        if word is None:
            return None  # told once for the block
        start = whole_number(word)
        if start is None or not FIRST_S < start < LAST_S:
            self._fault(reading, "start", "be seconds since 1970 in UTC, before 2100", word)
            return None
        if start % 60:
            self._fault(reading, "start", "be on a whole minute", word)
            return None
        return start

    def _length(self, reading: IntervalReading) -> int | None:
        word = reading.text.get("duration")
        length = self.meaning.length_s if word is None else whole_number(word)
        if length is None or length <= 0 or length % 60:
            self._fault(reading, "duration", "be a whole number of minutes, in seconds", word or "nothing")
            return None
        return length

    def _value(self, reading: IntervalReading) -> float | None:
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

    def _quality(self, reading: IntervalReading) -> int:
        """The least trusted of the qualities given."""
        codes = [whole_number(word) for word in reading.qualities]
        if not codes:
            codes = [self.meaning.quality]
        worst = ACTUAL
        for code in codes:
            self.codes[code] += 1
            if code is not None:
                worst = max(worst, QUALITY_CODES.get(code, (ESTIMATED, ""))[0])
        return worst

    def _fault(self, reading: IntervalReading, what: str, rule: str, came: str) -> None:
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
