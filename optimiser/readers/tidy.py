"""Readings as one frame of kW columns on even steps, and what is to be told about it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from optimiser.errors import OptimiserError, SeriesError
from optimiser.fields import zone_of
from optimiser.readers.readings import POWER_OF, QUALITIES, Channel, Readings
from optimiser.readers.repair import Method, Repaired, gaps, repair

ENERGY_OF = {power: energy for energy, power in POWER_OF.items()}
MOST_YEARS = 30
ADDED = ("NEM12", "table")  # formats whose registers of one meter and kind are parts of a whole
_MINUTE = np.timedelta64(60, "s")


@dataclass(frozen=True)
class ColumnFacts:
    """What was found in a column.

    Attributes
    ----------
    name : str
    of : str
        The registers behind it.
    unit : str
        "kW", "kvar", "kVA", or nothing for a price.
    missing : int
        Steps without a value.
    gaps : tuple of (Timestamp, int)
        Start and length in steps of each run of them.
    total : float
        kWh (kvarh, kVAh) of a power, the mean of a price.
    months : tuple of (str, float)
        The same by month of the clock that days are cut on.
    peak, peak_at, lowest
        Highest and lowest value, and the start of the first step with the highest.
    """

    name: str
    of: str
    unit: str
    missing: int
    gaps: tuple[tuple[pd.Timestamp, int], ...]
    total: float
    months: tuple[tuple[str, float], ...]
    peak: float
    peak_at: pd.Timestamp | None
    lowest: float


@dataclass(frozen=True)
class Quality:
    """How many intervals of a channel are actual, substituted, estimated, missing; the days that are not all actual.

    `flags` counts the standard's own flags, with their reasons.
    """

    channel: str
    counts: dict[str, int]
    flags: tuple[tuple[str, str, int], ...]
    days: tuple[str, ...]


@dataclass(frozen=True)
class Tidy:
    """The frame to write and what is to be told about it.

    Attributes
    ----------
    form : str
        Of the files.
    frame : DataFrame
        Indexed by `interval_start` (UTC), columns of kW, kvar, kVA, or of prices; NaN where there is no value.
    step_minutes : int
    zone : str
        The clock that months and days are cut on.
    columns : tuple of ColumnFacts
    quality : tuple of Quality
    repaired : tuple of Repaired
    notes : tuple of str
    """

    form: str
    frame: pd.DataFrame
    step_minutes: int
    zone: str
    columns: tuple[ColumnFacts, ...]
    quality: tuple[Quality, ...]
    repaired: tuple[Repaired, ...]
    notes: tuple[str, ...]


def tidy(
    readings: Readings,
    channels: Sequence[str] = (),
    step_minutes: int | None = None,
    methods: Sequence[Method] = (),
    zone: str | None = None,
) -> Tidy:
    """Lay registers onto even steps, repair what is asked, and add up registers of one kind.

    Of one meter, `import_kw` is the sum of its import registers and `export_kw` that of its export registers. Check
    registers are never added, nor those of a Green Button feed, where one meter reading may hold what another holds.
    With several meters the meter stands before these names.

    Parameters
    ----------
    readings : Readings
    channels : sequence of str
        Names of channels or registers to take; left out: all.
    step_minutes : int, optional
        Left out: the step that all share. Longer: means, empty where an interval in them is. Shorter: energy is spread
        evenly. [min]
    methods : sequence of Method
        Repairs, in this order; left out: nothing is repaired.
    zone : str, optional
        The clock that months and days are cut on; left out: the file's.

    Raises
    ------
    SeriesError
        If a channel is not there or steps do not fit.
    OptimiserError
        If the step or the zone is none.
    """
    zone = checked_zone(zone or readings.clock)
    chosen = [c for name in channels for c in readings.chosen(name)] if channels else list(readings.channels)
    registers: dict[str, list[Channel]] = {}
    for channel in {channel.name: channel for channel in chosen}.values():
        registers.setdefault(channel.of_register, []).append(channel)
    step = _step(readings, registers) if step_minutes is None else checked_step(step_minutes)
    _check_span(readings, registers)
    leads = {name: own[0] for name, own in registers.items()}
    names = _names(leads)
    laid = {names[name]: _laid(readings, own, step) for name, own in registers.items()}
    parts, repaired = repair(_one_frame(readings, laid, step), methods, zone)
    frame, origins = _summed(parts, leads, names, readings.form in ADDED)
    units = {names[name]: POWER_OF[lead.unit] for name, lead in leads.items()}
    return Tidy(
        readings.form,
        frame,
        step,
        zone,
        tuple(
            _facts(frame[name], origins[name], units.get(name, "kW"), step, zone) for name in frame.columns
        ),
        tuple(_quality(channel, zone) for own in registers.values() for channel in own),
        tuple(repaired),
        tuple(dict.fromkeys([*_told(readings, registers), *_notes(readings, registers, step)])),
    )


def tidy_prices(
    prices: pd.DataFrame,
    form: str,
    columns: Sequence[str] = (),
    step_minutes: int | None = None,
    methods: Sequence[Method] = (),
    zone: str = "UTC",
) -> Tidy:
    """The same for a market's prices, which hold through their intervals: they can be laid on shorter steps only.

    Parameters
    ----------
    prices : DataFrame
        As `read_prices` gives it.
    form, columns, step_minutes, methods, zone
        As for `tidy`.

    Raises
    ------
    OptimiserError
        If a column is not there, or the step or the zone is none.
    """
    zone = checked_zone(zone)
    own = int(prices.attrs["step_minutes"])
    step = own if step_minutes is None else checked_step(step_minutes)
    if own % step:
        raise OptimiserError(
            f"--step {step} does not divide the prices' {own} min. Averaged prices hide spikes: keep their step, "
            "and say "
            'coarsen = "mean" in the scenario if a mean is meant.'
        )
    missing = [name for name in columns if name not in prices.columns]
    if missing:
        raise OptimiserError(
            f"--channel {missing[0]} is no column; there are {', '.join(map(str, prices.columns))}."
        )
    frame = prices[list(dict.fromkeys(columns))] if columns else prices
    whole = pd.date_range(frame.index[0], frame.index[-1], freq=f"{own}min")
    if whole[-1] - whole[0] > pd.Timedelta(days=MOST_YEARS * 366):
        raise OptimiserError(
            f"the prices run from {whole[0]:%Y-%m-%d} to {whole[-1]:%Y-%m-%d}, more than {MOST_YEARS} years. "
            "Correct the date that is wrong, or split the file."
        )
    frame = frame.reindex(whole)
    if step < own:
        index = pd.date_range(whole[0], periods=len(whole) * (own // step), freq=f"{step}min")
        frame = pd.DataFrame(np.repeat(frame.to_numpy(float), own // step, axis=0), index, frame.columns)
    frame, repaired = repair(frame, methods, zone)
    frame.index = pd.DatetimeIndex(frame.index).as_unit("s").rename("interval_start")
    facts = tuple(_facts(frame[name], "the table", "", step, zone) for name in frame.columns)
    return Tidy(form, frame, step, zone, facts, (), tuple(repaired), tuple(prices.attrs["notes"]))


def checked_zone(zone: str) -> str:
    """The zone, if it is one.

    Raises
    ------
    OptimiserError
    """
    try:
        zone_of(zone)
    except ValueError as problem:
        raise OptimiserError(f"--zone {zone}: {problem}.") from None
    return zone


def checked_step(step: int) -> int:
    """The step, if days can be cut into it. [min]

    Raises
    ------
    OptimiserError
    """
    if not 1 <= step <= 1440 or 1440 % step:
        raise OptimiserError(f"--step must be minutes that divide a day, got {step}.")
    return step


def _step(readings: Readings, registers: dict[str, list[Channel]]) -> int:
    """The step that all registers share."""
    steps = sorted({channel.step_minutes for own in registers.values() for channel in own})
    if len(steps) == 1:
        return steps[0]
    shortest = int(np.gcd.reduce(steps))
    ways = f"Say --step {steps[-1]} (means of the shorter ones) or --step {shortest} (the longer ones spread evenly)"
    changed = [
        f"{name} changes from {before.step_minutes} to {after.step_minutes} min intervals at "
        f"{pd.Timestamp(after.start[0], tz='UTC').tz_convert(zone_of(readings.clock)):%Y-%m-%d %H:%M} "
        f"({readings.clock}). {ways}."
        for name, own in registers.items()
        for before, after in pairwise(own)
    ]
    words = "; ".join(f"{name} {own[0].step_minutes} min" for name, own in registers.items())
    raise SeriesError(
        readings.file,
        changed
        or [
            f"its intervals are of different lengths: {words}. {ways}, or name those you need with --channel."
        ],
    )


def _check_span(readings: Readings, registers: dict[str, list[Channel]]) -> None:
    first = min(channel.start[0] for own in registers.values() for channel in own)
    last = max(channel.start[-1] for own in registers.values() for channel in own)
    if last - first > np.timedelta64(MOST_YEARS * 366, "D"):
        raise SeriesError(
            readings.file,
            [
                f"it holds intervals from {str(first)[:10]} to {str(last)[:10]}, more than {MOST_YEARS} years. "
                "Correct the date that is wrong, or split the file."
            ],
        )


def _laid(readings: Readings, own: list[Channel], step: int) -> pd.Series:
    """Mean power of a register on steps of one length; its channels must not share time."""
    start = np.concatenate([channel.start for channel in own]).astype("datetime64[s]")
    minutes = np.repeat([channel.step_minutes for channel in own], [len(channel.start) for channel in own])
    power = np.concatenate([channel.energy * (60 / channel.step_minutes) for channel in own])
    order = np.argsort(start, kind="stable")
    start, minutes, power = start[order], minutes[order], power[order]
    shared = np.flatnonzero(start[1:] < start[:-1] + minutes[:-1] * _MINUTE)
    if len(shared):
        moment = pd.Timestamp(start[shared[0] + 1], tz="UTC").tz_convert(zone_of(readings.clock))
        names = ", ".join(channel.name for channel in own)
        raise SeriesError(
            readings.file,
            [
                f"{own[0].of_register} has intervals of different lengths that share time, first at "
                f"{moment:%Y-%m-%d %H:%M} ({readings.clock}). Name one with --channel: {names}."
            ],
        )
    anchor = _anchor(start, minutes, step, readings.clock)
    return _means(start, minutes, power, anchor, step)


def _anchor(start: np.ndarray, minutes: np.ndarray, step: int, clock: str) -> np.datetime64:
    """A moment at which a step starts: an interval's own start where the step is that long, else a full step of the
    file's clock."""
    own = np.flatnonzero(minutes == step)
    if len(own):
        return np.datetime64(start[own[0]])
    moment = pd.Timestamp(start[0], tz="UTC").tz_convert(zone_of(clock))
    return np.datetime64(start[0] - (moment.hour * 60 + moment.minute) % step * _MINUTE)


def _means(
    start: np.ndarray, minutes: np.ndarray, power: np.ndarray, anchor: np.datetime64, step: int
) -> pd.Series:
    """Means over steps of what holds through intervals, NaN where a part of a step is not known."""
    places = (start - anchor) // _MINUTE
    grain = int(np.gcd.reduce(np.concatenate([[step], np.unique(minutes), np.unique(places % step)])))
    first, counts, ratio = places // grain, minutes // grain, step // grain
    begin = int(first.min()) // ratio * ratio
    length = -(-(int((first + counts).max()) - begin) // ratio) * ratio
    fine = np.full(length, np.nan)
    offset = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    fine[np.repeat(first - begin, counts) + offset] = np.repeat(power, counts)
    moment = pd.Timestamp(anchor + begin * grain * _MINUTE, tz="UTC")
    index = pd.date_range(moment, periods=length // ratio, freq=f"{step}min")
    means = fine.reshape(-1, ratio).mean(axis=1) if ratio > 1 else fine
    return pd.Series(means, index.as_unit("s"))


def _one_frame(readings: Readings, laid: dict[str, pd.Series], step: int) -> pd.DataFrame:
    """Series side by side, from the first step of any to the last."""
    minutes = {name: int(series.index[0].timestamp()) % (step * 60) for name, series in laid.items()}
    if len(set(minutes.values())) > 1:
        words = ", ".join(f"{name} at {series.index[0]:%H:%M}Z" for name, series in laid.items())
        raise SeriesError(
            readings.file, [f"its registers start at different minutes: {words}. Import them apart."]
        )
    frame = pd.DataFrame(laid)
    index = pd.date_range(frame.index[0], frame.index[-1], freq=f"{step}min").as_unit("s")
    return frame.reindex(index.rename("interval_start"))


def slug(words: str) -> str:
    """Words as a column's name: small letters, digits and underscores."""
    return re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_") or "register"


def _names(leads: dict[str, Channel]) -> dict[str, str]:
    """A column's name for each register; the only import or export register of a meter is named for that."""
    several = len({lead.meter for lead in leads.values()}) > 1
    names: dict[str, str] = {}
    for register, lead in leads.items():
        alike = [c for c in leads.values() if _sort(c) == _sort(lead)]
        sole = lead.kind in ("import", "export") and not lead.is_check and len(alike) == 1
        word = slug(register.rpartition("/")[2]).removesuffix("_kw")
        own = lead.kind if sole else (f"r{word}" if word[0].isdigit() else word)
        own = f"{own}_{POWER_OF[lead.unit].lower()}"
        own = f"m{slug(lead.meter)}_{own}" if several else own
        count, name = 1, own
        while name in names.values():
            count += 1
            name = f"{own}_{count}"
        names[register] = name
    return names


def _sort(channel: Channel) -> tuple[str, str, bool, str]:
    return channel.meter, channel.kind, channel.is_check, channel.unit


def _summed(
    parts: pd.DataFrame, leads: dict[str, Channel], names: dict[str, str], added: bool
) -> tuple[pd.DataFrame, dict[str, str]]:
    """The parts, and before them the sums of several registers of a kind."""
    origins = {names[register]: register for register in leads}
    meters = list(dict.fromkeys(lead.meter for lead in leads.values()))
    sums: dict[str, pd.Series] = {}
    for meter in meters:
        for kind in ("import", "export"):
            own = [register for register, lead in leads.items() if _sort(lead) == (meter, kind, False, "kWh")]
            if len(own) > 1 and added:
                name = f"m{slug(meter)}_{kind}_kw" if meters[1:] else f"{kind}_kw"
                sums[name] = parts[[names[register] for register in own]].sum(axis=1, skipna=False)
                origins[name] = " + ".join(own)
    return pd.concat([pd.DataFrame(sums, index=parts.index), parts], axis=1), origins


def _facts(series: pd.Series, of: str, unit: str, step: int, zone: str) -> ColumnFacts:
    values = series.to_numpy(float)
    local = pd.DatetimeIndex(series.index).tz_convert(zone_of(zone))
    by_month = series.groupby(local.strftime("%Y-%m").to_numpy())
    months = by_month.sum(min_count=1) * (step / 60) if unit else by_month.mean()
    there = values[~np.isnan(values)]
    total = float("nan")
    if len(there):
        total = float(there.sum()) * step / 60 if unit else float(there.mean())
    peak = int(np.nanargmax(values)) if len(there) else None
    return ColumnFacts(
        str(series.name),
        of,
        unit,
        len(values) - len(there),
        tuple((local[first], stop - first) for first, stop in gaps(values)),
        total,
        tuple((str(name), float(value)) for name, value in months.items()),
        float("nan") if peak is None else float(values[peak]),
        None if peak is None else local[peak],
        float(there.min()) if len(there) else float("nan"),
    )


def _quality(channel: Channel, zone: str) -> Quality:
    counts = np.bincount(channel.quality, minlength=len(QUALITIES)).tolist()
    marks = np.bincount(channel.mark, minlength=len(channel.marks)).tolist() if channel.marks else []
    flags = [
        (flag, reason, count) for (flag, reason), count in zip(channel.marks, marks, strict=True) if count
    ]
    odd = pd.DatetimeIndex(channel.start[channel.quality != 0], tz="UTC").tz_convert(zone_of(zone))
    days = tuple(dict.fromkeys(odd.strftime("%Y-%m-%d")))
    return Quality(channel.name, dict(zip(QUALITIES, counts, strict=True)), tuple(flags), days)


def _told(readings: Readings, registers: dict[str, list[Channel]]) -> list[str]:
    own = [
        f"{channel.name}: {note}" for part in registers.values() for channel in part for note in channel.notes
    ]
    return [*readings.notes, *own]


def _notes(readings: Readings, registers: dict[str, list[Channel]], step: int) -> list[str]:
    notes = []
    channels = [channel for own in registers.values() for channel in own]
    alike = Counter(_sort(own[0]) for own in registers.values() if own[0].kind in ("import", "export"))
    if readings.form not in ADDED and any(count > 1 for count in alike.values()):
        notes.append(
            "Several registers of a meter go the same way. They are not added, since one may hold what another "
            "holds: take what you need with --channel."
        )
    for channel in channels:
        if channel.step_minutes > step:
            notes.append(
                f"{channel.name}: its {channel.step_minutes} min values are spread evenly over {step} min steps."
            )
        elif channel.step_minutes < step:
            notes.append(
                f"{channel.name}: its {channel.step_minutes} min values are averaged to {step} min steps."
            )
        absent = _absent(channel)
        if absent:
            notes.append(
                f"{channel.name}: {absent} intervals are not in the file; they are missing, not zero."
            )
    checks = [name for name, own in registers.items() if own[0].is_check]
    if checks:
        notes.append(f"{', '.join(checks)}: they check another register, and are in no sum.")
    kinds = {channel.kind for channel in channels}
    if "net" in kinds:
        notes.append("A net register goes below zero where the site exports, and a load must not.")
    below = [c.name for c in channels if c.kind == "unknown" and c.unit == "kWh" and (c.energy < 0).any()]
    if below:
        notes.append(
            f"{', '.join(below)}: goes below zero, and a load must not: as the load of a scenario it is refused later."
        )
    if "export" in kinds:
        notes.append(
            "The meter registers export, so there is solar behind it: import_kw is what the grid delivered, less "
            "than the site used. Its own use is import - export + solar production: `optimiser make load` restores "
            "it from these two columns and the solar's (--example gross). With import_kw as the load, leave out "
            "the solar that is there."
        )
    return notes


def _absent(channel: Channel) -> int:
    """Intervals between the first and the last that the file does not hold at all."""
    span = int((channel.start[-1] - channel.start[0]) / (channel.step_minutes * _MINUTE)) + 1
    return span - len(channel.start)
