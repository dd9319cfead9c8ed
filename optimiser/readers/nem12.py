"""NEM12 interval files of the Australian market: every value counted.

The clock is the market's, UTC+10 all year: a file has no summer time, wherever its meter is.

References
----------
.. [1] Australian Energy Market Operator, "Meter Data File Format Specification NEM12 & NEM13", version 1.06,
   1 December 2017 (records, quality flags; retailers' sample rows as published).
.. [2] Australian Energy Market Operator, "MSATS Procedures: National Metering Identifier", version 6.0, appendix on
   data stream suffixes (the letters' meaning here from memory) and check digit.
"""

from __future__ import annotations

import csv
import datetime
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from optimiser.fields import MOST
from optimiser.readers.content import content_of, first_few, refuse, text_of
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

CLOCK = "UTC+10:00"
_OFFSET = np.timedelta64(10, "h")
_QUALITY = re.compile(r"(?:[AEFNS](?:[0-9]{2})?|V)")
_QUALITY_OF = {
    "A": ACTUAL,
    "S": SUBSTITUTED,
    "F": SUBSTITUTED,
    "E": ESTIMATED,
    "N": MISSING,
    "V": SUBSTITUTED,
}
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,15}\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_NULLS = {"", "null"}
# Energies, and powers held through an interval (their energy is power times hours).
_SIZES = (("", 1e-3), ("k", 1.0), ("m", 1e3))
_ENERGIES = (("wh", "kWh"), ("varh", "kvarh"), ("vah", "kVAh"))
_UNITS = {
    **{f"{p}{word}": (unit, factor, False) for p, factor in _SIZES for word, unit in _ENERGIES},
    **{f"{p}{word[:-1]}": (unit, factor, True) for p, factor in _SIZES for word, unit in _ENERGIES},
}
_NO_ENERGY = frozenset(("v", "kv", "a", "ka", "pf", ""))
# From the network's view E and K go out of it, B and Q into it; A and D, J and P are the mean of two meters, C and F, R
# and L a check meter, N a net register (letters from memory, see [2]).
_KIND_OF: dict[str, Kind] = {
    **dict.fromkeys("EDF", "import"),
    **dict.fromkeys("BAC", "export"),
    **dict.fromkeys("KPL", "reactive import"),
    **dict.fromkeys("QJR", "reactive export"),
    "N": "net",
}
_CHECK = frozenset("CFRL")
_AVERAGE = {"D": "E", "A": "B", "J": "Q", "P": "K"}


@dataclass
class _Register:
    """A 200 record: what the days after it belong to."""

    place: str
    meter: str
    suffix: str
    unit: str
    scale: float
    is_power: bool
    minutes: int
    count: int


@dataclass
class _Day:
    """A 300 record and the 400 records under it; `values` are as written."""

    place: str
    register: _Register
    date: int
    values: list[float]
    flag: str
    reason: str
    updated: str
    ranges: list[tuple[int, int, str, str]] = field(default_factory=list)
    blanks: int = 0


def read_nem12(paths: Path | Sequence[Path]) -> Readings:
    """Read one NEM12 file, or several that belong together.

    A day that comes again replaces the earlier one when its update time is later; both are the same, or one has
    values where the other has none, are no conflict; anything else is a fault.

    Parameters
    ----------
    paths : path or sequence of path
        Text, or that text in gzip or zip.

    Returns
    -------
    Readings
        In kWh, kvarh and kVAh per interval.

    Raises
    ------
    SeriesError
        With every fault of the first file that has one: line, day, rule, what came.
    """
    several = [paths] if isinstance(paths, Path) else list(paths)
    days: list[_Day] = []
    notes: list[str] = []
    for path in several:
        label = f"{path.name}, " if several[1:] else ""
        found, remarks = _parse(path, text_of(path, content_of(path)), label)
        days += found
        notes += [f"{label}{words}" for words in remarks]
    where = several[0] if len(several) == 1 else Path(", ".join(path.name for path in several))
    return _assemble(where, days, notes)


def _parse(path: Path, text: str, label: str) -> tuple[list[_Day], list[str]]:
    faults: list[str] = []
    days: list[_Day] = []
    notes: list[str] = []
    register: _Register | None = None
    day: _Day | None = None
    headed = ended = False
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip(" ,\t\x1a"):
            continue
        place = f"line {number}"
        parts = line.split(",") if '"' not in line else _quoted(line)
        code = parts[0].strip()
        if code == "300":
            day = _day(place, parts, register, faults)
            if day is not None:
                day.place = label + place
                days.append(day)
        elif code == "400":
            _range(place, parts, day, faults)
        elif code == "200":
            register, day = _register(place, parts, faults), None
        elif code == "100":
            headed, register, day = True, None, None
            _header(place, parts, faults)
        elif code == "900":
            ended, register, day = True, None, None
        elif code != "500":
            _unknown(place, code, faults)
    if not days and not faults:
        faults.append("it holds no 300 record, so no values. Name a NEM12 file with interval data.")
    refuse(path, faults)
    if headed and not ended:
        notes.append("the file has no 900 record at its end: it may have been cut short.")
    return days, notes


def _quoted(line: str) -> list[str]:
    try:
        return next(csv.reader([line]))
    except (csv.Error, StopIteration):
        return line.split(",")


def _header(place: str, parts: list[str], faults: list[str]) -> None:
    version = parts[1].strip().upper() if len(parts) > 1 else ""
    if version == "NEM13":
        faults.append(
            f"{place} says NEM13: readings of whole billing periods, without intervals. Ask for NEM12."
        )
    elif version != "NEM12":
        faults.append(f"{place} must say NEM12 after 100, got {version[:20]!r}. Name a NEM12 file.")


def _unknown(place: str, code: str, faults: list[str]) -> None:
    if code in ("250", "550"):
        faults.append(f"{place} is a {code} record of NEM13: no interval data. Ask for NEM12.")
    else:
        faults.append(
            f"{place} begins with {code[:20]!r}, which is no record of NEM12 (100, 200, 300, 400, 500, 900). "
            "Correct the line or get the file again."
        )


def _register(place: str, parts: list[str], faults: list[str]) -> _Register | None:
    fields = [part.strip() for part in parts] + [""] * (10 - len(parts))
    meter, suffix, unit, minutes = fields[1], fields[4] or fields[3], fields[7], fields[8]
    found = len(faults)
    if not re.fullmatch(r"\w{1,11}", meter):
        faults.append(f"{place}: the NMI must be up to 11 letters and digits, got {meter[:20]!r}.")
    if not re.fullmatch(r"[\w-]{1,20}", suffix):
        faults.append(f"{place}: the register's suffix must be letters and digits, got {suffix[:20]!r}.")
    is_energy = suffix[:1].upper() in _KIND_OF
    if unit.lower() not in _UNITS and (unit.lower() not in _NO_ENERGY or (is_energy and not unit)):
        faults.append(
            f"{place}: the unit {unit[:20]!r} is not known; it must be one such as kWh, Wh, MWh, kVArh."
        )
    if not re.fullmatch("[0-9]{1,4}", minutes) or int(minutes) == 0 or 1440 % int(minutes):
        faults.append(
            f"{place}: the interval length must be minutes that divide a day, got {minutes[:20]!r}."
        )
    if len(faults) > found:
        return None
    name, scale, is_power = _UNITS.get(unit.lower(), (unit, 1.0, False))
    return _Register(place, meter, suffix, name, scale, is_power, int(minutes), 1440 // int(minutes))


def _day(place: str, parts: list[str], register: _Register | None, faults: list[str]) -> _Day | None:
    if register is None:
        if not faults:  # the 200 record above it had a fault that is told already
            faults.append(f"{place}: a 300 record without a 200 record before it. Get the whole file.")
        return None
    date = _date(parts[1].strip() if len(parts) > 1 else "")
    if date is None:
        faults.append(
            f"{place}: the day must be written CCYYMMDD, got {parts[1][:20] if parts[1:] else ''!r}."
        )
        return None
    stop = register.count + 2
    flag = parts[stop].strip() if len(parts) > stop else ""
    read = _plain_values(parts[2:stop]) if _QUALITY.fullmatch(flag) else None
    checked = (read, 0) if read is not None else _checked(place, parts, register, faults)
    if checked is None:
        return None
    values, blanks = checked
    after = [part.strip() for part in parts[stop + 1 : stop + 5]] + [""] * 4
    if any(part.strip() for part in parts[stop + 5 :]):
        faults.append(f"{place} ({parts[1].strip()}): there are fields after the last one of a 300 record.")
        return None
    if after[2] and not re.fullmatch(r"[0-9]{12}(?:[0-9]{2})?", after[2]):
        faults.append(
            f"{place} ({parts[1].strip()}): the update time must be 14 digits, got {after[2][:20]!r}."
        )
        return None
    reason = " ".join(filter(None, after[:2]))
    return _Day(
        place, register, date, values, flag, reason, after[2].ljust(14, "0") if after[2] else "", [], blanks
    )


def _plain_values(words: list[str]) -> list[float] | None:
    """A row's values at one go where all are ordinary numbers, else None: nan, 1_0 and the like are none."""
    try:
        values = list(map(float, words))
    except ValueError:
        return None
    joined = "".join(words)
    sane = max(values) <= MOST and min(values) >= -MOST and "_" not in joined and joined.isascii()
    return values if sane and not math.isnan(sum(values)) else None


def _checked(
    place: str, parts: list[str], register: _Register, faults: list[str]
) -> tuple[list[float], int] | None:
    """The values of a row that cannot be read at one go: blanks become NaN, anything else is a fault."""
    words = [part.strip() for part in parts[2:]]
    row = f"{place} ({parts[1].strip()})"
    count = next((at for at, word in enumerate(words) if _QUALITY.fullmatch(word)), None)
    if count is None:
        given = next((at for at, word in enumerate(words) if not _is_value(word)), len(words))
        after = f"{words[given][:10]!r}" if given < len(words) else "nothing"
        found = f"{given} values and then {after}"
    else:
        found = f"{count} values before the quality flag {words[count]!r}"
    if count != register.count:
        faults.append(
            f"{row}: a day of {register.minutes} min intervals must hold {register.count} values and then a quality "
            f"flag, got {found}. Get the file again; the row is cut, or spreads to another line."
        )
        return None
    wrong = [word for word in words[:count] if not _is_value(word)]
    if wrong:
        faults.append(
            f"{row}: the values must be numbers, got {wrong[0][:20]!r}; {len(wrong)} such in the row."
        )
        return None
    values = [math.nan if word.lower() in _NULLS else float(word) for word in words[:count]]
    if any(abs(value) > MOST for value in values):
        faults.append(f"{row}: a value is larger than {MOST:g}, which cannot be meant. Check the row.")
        return None
    return values, sum(word.lower() in _NULLS for word in words[:count])


def _is_value(word: str) -> bool:
    return word.lower() in _NULLS or _NUMBER.fullmatch(word) is not None


@lru_cache(maxsize=100_000)
def _date(word: str) -> int | None:
    """Days since 1970 of CCYYMMDD, or None."""
    if not re.fullmatch("[0-9]{8}", word):
        return None
    try:
        moment = datetime.date(int(word[:4]), int(word[4:6]), int(word[6:]))
    except ValueError:
        return None
    return (moment - datetime.date(1970, 1, 1)).days if 1970 <= moment.year <= 2200 else None


def _range(place: str, parts: list[str], day: _Day | None, faults: list[str]) -> None:
    if day is None:
        if not faults:
            faults.append(f"{place}: a 400 record without a 300 record before it. Get the whole file.")
        return
    fields = [part.strip() for part in parts] + [""] * (6 - len(parts))
    first, last, flag = fields[1], fields[2], fields[3]
    sound = re.fullmatch("[0-9]{1,4}", first) and re.fullmatch("[0-9]{1,4}", last)
    if not sound or not 1 <= int(first) <= int(last) <= day.register.count:
        faults.append(
            f"{place}: a 400 record must name intervals from 1 to {day.register.count} of the day on {day.place}, "
            f"got {first[:10]!r} to {last[:10]!r}."
        )
    elif not _QUALITY.fullmatch(flag) or flag == "V":
        faults.append(
            f"{place}: the quality flag must be A, E, F, N or S with its method, got {flag[:10]!r}."
        )
    else:
        day.ranges.append((int(first), int(last), flag, " ".join(filter(None, fields[4:6]))))


def _assemble(path: Path, days: list[_Day], notes: list[str]) -> Readings:
    faults: list[str] = []
    by_register: dict[tuple[str, str], list[_Day]] = {}
    for day in days:
        by_register.setdefault((day.register.meter, day.register.suffix), []).append(day)
    suffixes: dict[str, set[str]] = {}
    for meter, suffix in by_register:
        suffixes.setdefault(meter, set()).add(suffix)
    channels: list[Channel] = []
    for (meter, suffix), own in by_register.items():
        name = f"{meter}/{suffix}"
        _check_unit(name, own, faults)
        if own[0].register.unit.lower() in _NO_ENERGY:
            notes.append(f"{name} is in {own[0].register.unit or 'no unit'}, not energy: left out.")
            continue
        kept, remarks = _latest(name, own, faults)
        if not faults:
            channels += _channels(name, kept, suffixes[meter], remarks)
    if not channels and not faults:
        faults.append("nothing in it can be used: " + " ".join(notes))
    refuse(path, faults)
    notes += [
        f"The eleventh character of the NMI {meter} is not its check digit, {nmi_check_digit(meter[:10])}."
        for meter in suffixes
        if len(meter) == 11 and meter[10] != str(nmi_check_digit(meter[:10]))
    ]
    return Readings(str(path), "NEM12", named_apart(channels), tuple(notes), CLOCK)


def _check_unit(name: str, days: list[_Day], faults: list[str]) -> None:
    units = {day.register.unit: day.register.place for day in days}
    if len(units) > 1:
        words = ", ".join(f"{unit} on {place}" for unit, place in units.items())
        faults.append(f"{name} changes its kind of unit: {words}. Read its parts apart.")


def _kind(suffix: str, unit: str) -> Kind:
    kind = _KIND_OF.get(suffix[:1].upper(), "unknown")
    fits = unit == ("kvarh" if kind.startswith("reactive") else "kWh")
    return kind if fits else "unknown"


def _is_check(suffix: str, suffixes: set[str]) -> bool:
    """Whether a register measures again what another one does."""
    letter, number = suffix[:1].upper(), suffix[1:]
    return letter in _CHECK or f"{_AVERAGE.get(letter)}{number}" in suffixes


def _channels(name: str, days: list[_Day], suffixes: set[str], remarks: list[str]) -> Iterator[Channel]:
    """A register's channels, one for each length of its intervals."""
    suffix = name.rpartition("/")[2]
    for minutes in dict.fromkeys(day.register.minutes for day in days):
        own = [day for day in days if day.register.minutes == minutes]
        kind, unit = _kind(suffix, own[0].register.unit), own[0].register.unit
        start, energy, quality, marks, mark = _intervals(own)
        notes = [*remarks, *_remarks(own)]
        negative = int((energy < 0).sum())
        if negative and kind not in ("net", "unknown"):
            notes.append(
                f"{negative} values are below zero, which such a register should not have; they are kept."
            )
        yield Channel(
            name,
            kind,
            unit,
            minutes,
            start,
            energy,
            quality,
            tuple(notes),
            name,
            _is_check(suffix, suffixes),
            marks,
            mark,
        )


def _latest(name: str, days: list[_Day], faults: list[str]) -> tuple[list[_Day], list[str]]:
    """Each day once: of two, the later update, or what both say together; and sentences on what was done."""
    kept: dict[int, _Day] = {}
    replaced, repeated, joined = [], [], []
    for day in days:
        earlier = kept.get(day.date)
        if earlier is None:
            kept[day.date] = day
        elif _same(earlier, day):
            repeated.append(day)
            kept[day.date] = max(earlier, day, key=lambda entry: entry.updated)
        elif earlier.updated and day.updated and earlier.updated != day.updated:
            replaced.append(day)
            kept[day.date] = max(earlier, day, key=lambda entry: entry.updated)
        elif (both := _joined(earlier, day)) is not None:
            joined.append(day)
            kept[day.date] = both
        else:
            times = (
                "with the same update time"
                if earlier.updated == day.updated and day.updated
                else "without update times"
            )
            faults.append(
                f"{name}: the day {_text(day.date)} is on {earlier.place} and on {day.place} with other values, "
                f"{times}, so it is not known which holds. Remove one of them."
            )
    notes = []
    for found, words in (
        (replaced, "came again with another update time; the latest was kept"),
        (repeated, "came twice with the same values; once was kept"),
        (joined, "came in parts (values where the other row has none); the parts were joined"),
    ):
        if found:
            dates = sorted({day.date for day in found})
            some = "1 day" if len(dates) == 1 else f"{len(dates)} days"
            notes.append(f"{some} {words}: {first_few(map(_text, dates))}.")
    return [kept[date] for date in sorted(kept)], notes


def _same(one: _Day, other: _Day) -> bool:
    ours, theirs = one.register, other.register
    return (
        (ours.minutes, ours.scale, ours.is_power) == (theirs.minutes, theirs.scale, theirs.is_power)
        and (one.flag, one.ranges) == (other.flag, other.ranges)
        and np.array_equal(one.values, other.values, equal_nan=True)
    )


def _joined(one: _Day, other: _Day) -> _Day | None:
    """Two rows of a day (a meter was exchanged) as one, where no interval has a value in both."""
    ours, theirs = one.register, other.register
    if (ours.minutes, ours.scale, ours.is_power) != (theirs.minutes, theirs.scale, theirs.is_power):
        return None
    first, second = _without_nulls(one), _without_nulls(other)
    if (~np.isnan(first) & ~np.isnan(second)).any():
        return None
    ranges = [r for day in (one, other) for r in _all_ranges(day) if not r[2].startswith("N")]
    values = np.where(np.isnan(first), second, first)
    return _Day(
        one.place,
        one.register,
        one.date,
        values.tolist(),
        "V",
        one.reason,
        max(one.updated, other.updated),
        ranges,
    )


def _all_ranges(day: _Day) -> list[tuple[int, int, str, str]]:
    return day.ranges or [(1, day.register.count, day.flag, day.reason)]


def _without_nulls(day: _Day) -> np.ndarray:
    values = np.array(day.values)
    for first, last, flag, _ in _all_ranges(day):
        if flag.startswith("N"):
            values[first - 1 : last] = np.nan
    return values


def _text(date: int) -> str:
    return str(np.datetime64(date, "D"))


def _intervals(
    days: list[_Day],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, tuple[tuple[str, str], ...], np.ndarray]:
    """Starts, energies, qualities, the file's own words and their places, of days with intervals of one "
    "length."""
    count, minutes = days[0].register.count, days[0].register.minutes
    midnight = np.array([day.date for day in days], "datetime64[D]").astype("datetime64[s]") - _OFFSET
    start = (midnight[:, None] + np.arange(count) * minutes * np.timedelta64(60, "s")).ravel()
    factor = [day.register.scale * (minutes / 60 if day.register.is_power else 1.0) for day in days]
    energy = np.array([day.values for day in days]) * np.array(factor)[:, None]
    words: dict[tuple[str, str], int] = {}
    mark = np.repeat([words.setdefault((day.flag, day.reason), len(words)) for day in days], count)
    for row, day in enumerate(days):
        for first, last, flag, reason in day.ranges:
            place = words.setdefault((flag, reason or day.reason), len(words))
            mark[row * count + first - 1 : row * count + last] = place
    code = np.array([_QUALITY_OF[flag[0]] for flag, _ in words], "int8")
    values = np.where(code[mark] == MISSING, np.nan, energy.ravel())
    quality = np.where(np.isnan(values), MISSING, code[mark]).astype("int8")
    return start, values, quality, tuple(words), mark


def _remarks(days: list[_Day]) -> list[str]:
    """What a reader of figures should know about days."""
    notes = []
    uncovered = [day for day in days if day.flag == "V" and not _covered(day)]
    if uncovered:
        notes.append(
            f"{len(uncovered)} days are flagged V (quality varies) without 400 records for all their intervals, "
            f"first {_text(uncovered[0].date)} on {uncovered[0].place}; those intervals count as substituted."
        )
    blank = [day for day in days if day.blanks and day.flag[0] not in "NV"]
    if blank:
        notes.append(
            f"{sum(day.blanks for day in blank)} values are empty without a flag N, first on {blank[0].place} "
            f"({_text(blank[0].date)}); they count as missing, not as zero."
        )
    return notes


def _covered(day: _Day) -> bool:
    inside = np.zeros(day.register.count, bool)
    for first, last, _, _ in day.ranges:
        inside[first - 1 : last] = True
    return bool(inside.all())


def nmi_check_digit(nmi: str) -> int:
    """Check digit of a National Metering Identifier of ten characters.

    From the right, the ASCII code of every second character, beginning with the last, is doubled; the decimal digits
    of all codes are added, and the digit fills the sum up to tens [2]_.

    References
    ----------
    .. [2] Australian Energy Market Operator, "MSATS Procedures: National Metering Identifier", version 6.0.
    """
    total = 0
    for place, letter in enumerate(reversed(nmi.upper())):
        code = ord(letter) * (2 if place % 2 == 0 else 1)
        total += sum(map(int, str(code)))
    return -total % 10
