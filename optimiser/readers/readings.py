"""What a meter recorded, register by register: energy of each interval, and how far each figure can be trusted."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError

Kind = Literal["import", "export", "reactive import", "reactive export", "net", "unknown"]
ACTUAL, SUBSTITUTED, ESTIMATED, MISSING = 0, 1, 2, 3
QUALITIES = ("actual", "substituted", "estimated", "missing")
POWER_OF = {"kWh": "kW", "kvarh": "kvar", "kVAh": "kVA"}


@dataclass(frozen=True)
class Channel:
    """One register of a meter, its intervals all of one length.

    Attributes
    ----------
    name : str
        As the file names it: meter and register, with a slash between.
    kind : str
        Which way the energy went, where the file says so; "import" is what the site took from the grid.
    unit : str
        "kWh", "kvarh" or "kVAh".
    step_minutes : int
    start : datetime64 array of shape (intervals,)
        UTC starts, rising, without repeats.
    energy : array of shape (intervals,)
        nan where missing; never zero for what was not recorded. [unit]
    quality : int8 array of shape (intervals,)
        ACTUAL, SUBSTITUTED, ESTIMATED or MISSING.
    notes : tuple of str
        What a person should know: late updates, repeated days, reasons given for substitutes.
    register : str
        What channels of one register and different steps have in common; empty: the name.
    is_check : bool
        Whether it measures what another register measures too, so that the two must not be added.
    marks : tuple of (str, str)
        The file's own flags and reasons, each once.
    mark : int array of shape (intervals,)
        Place of each interval's in `marks`; empty where the file has none.
    """

    name: str
    kind: Kind
    unit: str
    step_minutes: int
    start: np.ndarray
    energy: np.ndarray
    quality: np.ndarray = field(repr=False)
    notes: tuple[str, ...] = ()
    register: str = ""
    is_check: bool = False
    marks: tuple[tuple[str, str], ...] = field(default=(), repr=False)
    mark: np.ndarray = field(default_factory=lambda: np.zeros(0, int), repr=False)

    @property
    def of_register(self) -> str:
        """Meter and register without the words that tell steps apart."""
        return self.register or self.name

    @property
    def meter(self) -> str:
        """The metering point; empty where the file names none."""
        return self.of_register.rpartition("/")[0]

    def power(self) -> pd.Series:
        """Mean power of each interval from the first to the last, nan where nothing is known. [kW, kvar or "
        "kVA]"""
        index = pd.DatetimeIndex(self.start, tz="UTC")
        values = pd.Series(self.energy * (60 / self.step_minutes), index=index, name=self.name)
        whole = pd.date_range(index[0], index[-1], freq=f"{self.step_minutes}min")
        return values.reindex(whole)

    def table(self) -> pd.DataFrame:
        """One row an interval: `start` (UTC), `energy`, `quality`, and the file's own `flag` and `reason`."""
        own = self.marks if len(self.mark) else (("", ""),)
        mark = self.mark if len(self.mark) else np.zeros(len(self.start), int)
        return pd.DataFrame(
            {
                "start": pd.DatetimeIndex(self.start, tz="UTC"),
                "energy": self.energy,
                "quality": np.array(QUALITIES, dtype=object)[self.quality],
                "flag": np.array([flag for flag, _ in own], dtype=object)[mark],
                "reason": np.array([reason for _, reason in own], dtype=object)[mark],
            }
        )


@dataclass(frozen=True)
class Readings:
    """Everything that a file held; `clock` is the zone, or the fixed offset, by which the file cuts its "
    "days."""

    file: str
    form: str
    channels: tuple[Channel, ...]
    notes: tuple[str, ...] = ()
    clock: str = "UTC"

    def chosen(self, name: str) -> list[Channel]:
        """The channels of a name: a whole one, a register, or a register without its meter where one meter has it.

        Raises
        ------
        SeriesError
            If there is none, or the register is one of several meters.
        """
        keys: tuple[Callable[[Channel], str], ...] = (
            lambda c: c.name,
            lambda c: c.of_register,
            lambda c: c.of_register.rpartition("/")[2],
        )
        for key in keys:
            found = [channel for channel in self.channels if key(channel).lower() == name.lower()]
            if found and len({channel.of_register for channel in found}) == 1:
                return found
        known = ", ".join(channel.name for channel in self.channels)
        raise SeriesError(self.file, [f"{name!r} names no single channel. The channels are {known}."])

    def power_kw(self, name: str) -> pd.Series:
        """Mean power of a channel from its first interval to its last, nan where nothing is known; starts in UTC.

        Raises
        ------
        SeriesError
            If there is no such channel, or its intervals are of several lengths.
        """
        found = self.chosen(name)
        if len(found) > 1:
            steps = ", ".join(f"{channel.name!r}" for channel in found)
            raise SeriesError(self.file, [f"{name!r} has intervals of several lengths. Name one of {steps}."])
        return found[0].power()


def named_apart(channels: Iterable[Channel]) -> tuple[Channel, ...]:
    """Channels of one name told apart by their step, then by a number."""
    channels = list(channels)
    counts = Counter(channel.name for channel in channels)
    made: list[Channel] = []
    taken: set[str] = set()
    for channel in channels:
        name = channel.name
        if counts[name] > 1:
            name = f"{name} {channel.step_minutes} min"
        number, base = 2, name
        while name in taken:
            name, number = f"{base} ({number})", number + 1
        taken.add(name)
        register = channel.register or (channel.name if number == 2 else name)
        made.append(dataclasses.replace(channel, name=name, register=register))
    return tuple(made)


def joined(several: Sequence[Readings]) -> Readings:
    """The readings of several files as one; intervals that come twice must say the same.

    Raises
    ------
    SeriesError
        If a register has two values for an interval, or changes its unit or direction.
    """
    if len(several) == 1:
        return several[0]
    where = ", ".join(readings.file for readings in several)
    parts: dict[str, list[Channel]] = {}
    for readings in several:
        for channel in readings.channels:
            parts.setdefault(f"{channel.of_register}\n{channel.step_minutes}", []).append(channel)
    faults: list[str] = []
    channels = [_one_of(own, faults) for own in parts.values()]
    if faults:
        raise SeriesError(where, faults)
    notes = [note for readings in several for note in readings.notes]
    bare = [dataclasses.replace(channel, name=channel.of_register) for channel in channels]
    return Readings(where, several[0].form, named_apart(bare), tuple(dict.fromkeys(notes)), several[0].clock)


def _one_of(own: list[Channel], faults: list[str]) -> Channel:
    first = own[0]
    if len(own) == 1:
        return first
    if len({(channel.kind, channel.unit) for channel in own}) > 1:
        faults.append(
            f"{first.of_register} has another unit or direction from file to file. Import them apart."
        )
        return first
    tables = pd.concat([channel.table() for channel in own]).sort_values("start", kind="stable")
    repeats = tables[tables.duplicated("start", keep=False)]
    if len(repeats.drop_duplicates(["start", "energy"])) > repeats["start"].nunique():
        moment = repeats["start"].iloc[0]
        faults.append(
            f"{first.of_register} has two values for an interval, first at {moment:%Y-%m-%d %H:%M}Z. Leave one of "
            "the files out."
        )
        return first
    table = tables.drop_duplicates("start")
    words = list(zip(table["flag"], table["reason"], strict=True))
    marks = tuple(dict.fromkeys(words))
    places = {words: place for place, words in enumerate(marks)}
    return dataclasses.replace(
        first,
        start=table["start"].dt.tz_localize(None).to_numpy("datetime64[s]"),
        energy=table["energy"].to_numpy(float),
        quality=table["quality"].map(QUALITIES.index).to_numpy("int8"),
        notes=tuple(dict.fromkeys(note for channel in own for note in channel.notes)),
        marks=marks,
        mark=np.array([places[pair] for pair in words], int),
    )
