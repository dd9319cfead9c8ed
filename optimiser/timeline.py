"""One time axis: steps in UTC, and the calendar questions that are asked of them in a named zone."""

from __future__ import annotations

import datetime
import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from pydantic import BeforeValidator, Field, model_validator

from optimiser.fields import ClockMinutes, Component, Several, zone_of

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "workday", "weekend", "holiday"]
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_MONTH_DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def _as_season_day(value: Any) -> Any:
    """A day of every year, "11-01", as month times 100 plus day."""
    if isinstance(value, str) and (found := re.fullmatch("([01][0-9])-([0-3][0-9])", value)):
        month, day = int(found[1]), int(found[2])
        if 1 <= month <= 12 and 1 <= day <= _MONTH_DAYS[month - 1]:
            return month * 100 + day
    raise ValueError('must be a day of the year such as "11-01", month and day in quotes')


SeasonDay = Annotated[int, BeforeValidator(_as_season_day), Field(json_schema_extra={"type": "string"})]


class Window(Component):
    """Hours of the year in a zone's local clock: season, months, days and a daily window, all of which must hold.

    A season runs from its first day to its last, both included; where the first is later in the year than the
    last it crosses the new year. 29 February counts only in leap years, so "02-29" is the end of every February.

    A window whose `from` is later than its `to` crosses midnight; its late part belongs to the day it starts
    on, and its early part to the day that follows (a clock rule: the day type is asked of each step's own day).
    """

    months: Several[int] | None = Field(default=None, description="months, 1 to 12; left out: all")
    days: Several[Day] | None = Field(
        default=None,
        description="mon ... sun, workday (Monday to Friday, no holiday), weekend, holiday; left out: all",
    )
    first_day: SeasonDay | None = Field(
        default=None, description='first day of the season, "11-01" for 1 November'
    )
    last_day: SeasonDay | None = Field(
        default=None, description='last day of the season, itself included, "03-31" for 31 March'
    )
    from_: ClockMinutes = Field(default=0, alias="from", description='start of the daily window, "07:00"')
    to: ClockMinutes = Field(default=24 * 60, description='end of the daily window, "24:00" at the most')

    @model_validator(mode="after")
    def _check(self) -> Window:
        for month in self.months or ():
            if not 1 <= month <= 12:
                raise ValueError(f"months must be between 1 and 12, got {month}")
        if (self.first_day is None) != (self.last_day is None):
            raise ValueError("first_day and last_day belong together; give both or neither")
        if self.from_ == self.to:
            raise ValueError("from and to are the same clock time; leave both out for the whole day")
        return self

    def words(self) -> str:
        """The window in a few words, for tables and bills."""
        clock = f"{_clock(self.from_)}-{_clock(self.to)}"
        parts = [] if (self.from_, self.to) == (0, 24 * 60) else [clock]
        if self.days:
            parts.append(" ".join(self.days))
        if self.months:
            parts.append("months " + " ".join(map(str, self.months)))
        if self.first_day is not None and self.last_day is not None:
            parts.append(f"{_season_day(self.first_day)} to {_season_day(self.last_day)}")
        return ", ".join(parts) or "always"


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _season_day(day: int) -> str:
    return f"{day % 100} {datetime.date(2000, day // 100, 1):%b}"


@functools.cache
def public_holidays(region: str, years: tuple[int, ...]) -> dict[datetime.date, str]:
    """Public holidays of a country, or of a part of it, by date.

    Parameters
    ----------
    region : str
        ISO 3166 code, "DE" or "AU-SA".
    years : tuple of int

    Raises
    ------
    ValueError
        If there are no dates for that region.

    References
    ----------
    .. [1] The `holidays` library, which keeps the dates with their laws; check the year against the
       government's own list.
    """
    import holidays

    country, _, part = region.partition("-")
    try:
        found = holidays.country_holidays(country, subdiv=part or None, years=years)
    except (NotImplementedError, KeyError, AttributeError):
        raise ValueError(
            'must be a country or a part of one with known public holidays, such as "DE" or "AU-SA"'
        ) from None
    return {day: str(name) for day, name in sorted(found.items())}


@dataclass(frozen=True)
class Grouping:
    """A way of cutting the timeline into groups of steps, asked of the clock of a zone.

    `kind` is "step", "horizon", "month", "reads", "day" or "block". A month group holds `months` calendar months,
    counted from `first_month`; groups of "reads" end at the midnight that starts each date of `reads`. A block is
    `minutes` long and the first of a local day starts at `anchor_minutes` after midnight. Blocks that a clock change
    is a whole number of run on through it: of an hour that is repeated, each pass has its own. Longer blocks keep
    their edges on the local clock, so the one that holds the change is shorter or longer by it; an edge that the clock
    shows twice counts the first time, as midnight does for days and bills.
    """

    kind: Literal["step", "horizon", "month", "reads", "day", "block"] = "step"
    zone: str = "UTC"
    minutes: int = 0
    anchor_minutes: int = 0
    months: int = 1
    first_month: int = 1
    reads: tuple[datetime.date, ...] = ()


STEP = Grouping()


@dataclass(frozen=True)
class Groups:
    """The groups of a timeline under one grouping.

    Attributes
    ----------
    of_step : int array of shape (steps,)
        Group of each step.
    count : int
        Number of groups.
    first_step : int array of shape (groups,)
    labels : tuple of str
        A name a group: "2025-03" for a month, "2025-01 to 2025-03" for three, dates for a day and between reads,
        a local time stamp otherwise.
    """

    of_step: npt.NDArray[np.intp]
    count: int
    first_step: npt.NDArray[np.intp]
    labels: tuple[str, ...]

    def sum(self, values: np.ndarray) -> npt.NDArray[np.float64]:
        """Sum of a step series over each group, of shape (groups,)."""
        return np.asarray(np.bincount(self.of_step, weights=values, minlength=self.count), float)

    def max(self, values: np.ndarray) -> npt.NDArray[np.float64]:
        """Highest value of a step series in each group, of shape (groups,)."""
        highest = np.full(self.count, -np.inf)
        np.maximum.at(highest, self.of_step, values)
        return highest

    @cached_property
    def sizes(self) -> npt.NDArray[np.intp]:
        """Steps in each group, of shape (groups,)."""
        return np.bincount(self.of_step, minlength=self.count)


def from_clock(
    wall: pd.DatetimeIndex,
    zone: str,
    group: np.ndarray | None = None,
    second: np.ndarray | None = None,
) -> tuple[pd.DatetimeIndex, dict[int, str]]:
    """Moments in UTC of the readings of a clock.

    The hour that autumn repeats is told by `second`, or else by order: of two equal readings the one that stands
    first in the direction in which the readings run is the earlier.

    Parameters
    ----------
    wall : DatetimeIndex of shape (rows,)
        Clock readings without a zone.
    zone : str
    group : int array of shape (rows,), optional
        Rows of different groups (regions, meters) may share a reading.
    second : bool array of shape (rows,), optional
        True where a row belongs to the second pass of a repeated hour.

    Returns
    -------
    moments : DatetimeIndex of shape (rows,)
        NaT where there is no such moment, or no telling which.
    faults : dict of int to str
        The reason, by row.
    """
    tz = zone_of(zone)
    count = len(wall)
    early = wall.tz_localize(tz, ambiguous=np.ones(count, bool), nonexistent="NaT")
    late = wall.tz_localize(tz, ambiguous=np.zeros(count, bool), nonexistent="NaT")
    there = np.asarray(early.notna())
    skipped = np.flatnonzero(np.asarray(wall.notna()) & ~there)
    faults = {int(row): "is skipped by the clock's change in spring" for row in skipped}
    twofold = np.flatnonzero(np.asarray(early != late) & there)
    is_late = np.zeros(count, bool)
    if second is not None:
        is_late[twofold] = second[twofold]
    elif len(twofold):
        steps = np.diff(wall.dropna().asi8)
        falling = (steps < 0).sum() > (steps > 0).sum()
        rows = twofold[::-1] if falling else twofold
        key = pd.DataFrame({"wall": wall[rows], "group": 0 if group is None else group[rows]})
        places = key.groupby(["wall", "group"])
        is_late[rows] = places.cumcount().to_numpy() == 1
        times = places["wall"].transform("size").to_numpy()
        for row, found in zip(rows[times != 2].tolist(), times[times != 2].tolist(), strict=True):
            words = "once" if found == 1 else f"{found} times"
            faults[row] = f"lies in the hour that the clock repeats in autumn and is there {words}, not twice"
    moments = np.where(is_late, late.tz_convert("UTC").asi8, early.tz_convert("UTC").asi8)
    moments[list(faults)] = pd.NaT.value
    return pd.DatetimeIndex(moments.view(f"datetime64[{early.unit}]")).tz_localize("UTC"), faults


@dataclass(frozen=True)
class Timeline:
    """Half-open steps `[start, end)` of one length.

    Parameters
    ----------
    start : datetime
        Start of the first step, aware of its zone.
    step_minutes : int
        Length of a step. [min]
    steps : int
        Number of steps.
    zone : str
        The zone of the site's clock.
    """

    start: datetime.datetime
    step_minutes: int
    steps: int
    zone: str
    _groups: dict[Grouping, Groups] = field(default_factory=dict, repr=False, compare=False)

    @property
    def step_hours(self) -> float:
        """Length of a step. [h]"""
        return self.step_minutes / 60

    @property
    def hours(self) -> float:
        """Length of the whole timeline. [h]"""
        return self.steps * self.step_hours

    @cached_property
    def starts(self) -> pd.DatetimeIndex:
        """Starts of the steps in UTC."""
        first = pd.Timestamp(self.start).tz_convert("UTC")
        return pd.date_range(first, periods=self.steps, freq=pd.Timedelta(minutes=self.step_minutes))

    def local(self, zone: str | None = None) -> pd.DatetimeIndex:
        """Starts of the steps on the clock of `zone` (left out: the site's)."""
        return self.starts.tz_convert(zone_of(zone or self.zone))

    def when(self, step: int) -> str:
        """Start of a step on the site's clock, for messages."""
        return self.local()[step].strftime("%Y-%m-%d %H:%M")

    def slice(self, first: int, stop: int) -> Timeline:
        """The steps `first` to `stop` (left out) as a timeline of their own."""
        start = self.starts[first].to_pydatetime()
        return Timeline(start, self.step_minutes, stop - first, self.zone)

    def groups(self, grouping: Grouping) -> Groups:
        """The groups of steps under `grouping`, computed once."""
        if grouping not in self._groups:
            self._groups[grouping] = self._group(grouping)
        return self._groups[grouping]

    def _group(self, grouping: Grouping) -> Groups:
        if grouping.kind == "step":
            every = np.arange(self.steps)
            return Groups(every, self.steps, every, ())
        if grouping.kind == "horizon":
            return Groups(np.zeros(self.steps, int), 1, np.zeros(1, int), ("horizon",))
        local = self.local(grouping.zone)
        if grouping.kind == "month":
            key = np.asarray(local.year * 12 + local.month - grouping.first_month) // grouping.months
        elif grouping.kind == "reads":
            key = np.searchsorted(
                np.array(sorted(grouping.reads), "datetime64[D]"), _dates(local), side="right"
            )
        elif grouping.kind == "day":
            key = np.asarray(local.year * 10000 + local.month * 100 + local.day)
        else:
            key = _block_number(local, grouping)
        if grouping.kind != "block" or grouping.minutes > _longest_repeat(local):
            key = np.maximum.accumulate(key)
        change = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
        of_step = np.cumsum(np.isin(np.arange(self.steps), change)) - 1
        return Groups(of_step, len(change), change, self._labels(grouping, local, change))

    def _labels(self, grouping: Grouping, local: pd.DatetimeIndex, first: np.ndarray) -> tuple[str, ...]:
        """A name for each group, from its first step."""
        if grouping.kind == "reads":
            days = _dates(local)
            last = days[np.r_[first[1:], self.steps] - 1]
            return tuple(f"{one} to {other}" for one, other in zip(days[first], last, strict=True))
        if grouping.kind == "month" and grouping.months > 1:
            begins = [_begin_of_months(stamp, grouping) for stamp in local[first].tz_localize(None)]
            ends = [begin + pd.DateOffset(months=grouping.months - 1) for begin in begins]
            return tuple(f"{one:%Y-%m} to {other:%Y-%m}" for one, other in zip(begins, ends, strict=True))
        pattern = {"month": "%Y-%m", "day": "%Y-%m-%d"}.get(grouping.kind, "%Y-%m-%d %H:%M%z")
        clock = local if pattern[-1] == "z" else local.tz_localize(None)
        return tuple(clock[first].strftime(pattern))

    def share_of_day(self, zone: str) -> npt.NDArray[np.float64]:
        """What part of its local day each step is, of shape (steps,); a day of 23 or 25 hours is one day."""
        day = self.groups(Grouping("day", zone))
        first = self.starts[day.first_step]
        # A midnight that the clock shows twice counts the first time, one that it skips as the next moment.
        hours = (at_clock_before(first, zone, -1, 0) - at_clock_before(first, zone, 0, 0)) / pd.Timedelta(
            hours=1
        )
        return (self.step_hours / np.asarray(hours, float))[day.of_step]

    def calendar_days(self, grouping: Grouping) -> npt.NDArray[np.float64]:
        """Days of each whole billing period, those outside the timeline included, of shape (groups,).

        A bill that lacks a read, before the first and after the last, is as long as the one beside it. A lone read
        tells of no length: its bills are the days that the timeline has.
        """
        groups, local = self.groups(grouping), self.local(grouping.zone)
        if grouping.kind == "month":
            begins = [_begin_of_months(s, grouping) for s in local[groups.first_step].tz_localize(None)]
            return np.array([(b + pd.DateOffset(months=grouping.months) - b).days for b in begins], float)
        if grouping.kind == "reads" and len(grouping.reads) > 1:
            reads = np.array(sorted(grouping.reads), "datetime64[D]")
            number = np.searchsorted(reads, _dates(local)[groups.first_step], side="right")
            between = np.diff(reads).astype(float)
            return between[np.clip(number - 1, 0, len(between) - 1)]
        return groups.sum(self.share_of_day(grouping.zone))

    def mask(
        self, window: Window | None, zone: str, holidays: Sequence[datetime.date] = ()
    ) -> npt.NDArray[np.float64]:
        """1.0 in the steps whose start lies in `window` on the clock of `zone`, else 0.0.

        Parameters
        ----------
        window : Window or None
            None: every step.
        zone : str
        holidays : sequence of date
            Public holidays; they are never workdays.
        """
        if window is None:
            return np.ones(self.steps)
        local = self.local(zone)
        inside = np.ones(self.steps, bool)
        if window.months:
            inside &= np.isin(np.asarray(local.month), window.months)
        if window.first_day is not None and window.last_day is not None:
            day = np.asarray(local.month * 100 + local.day)
            after, before = day >= window.first_day, day <= window.last_day
            inside &= after & before if window.first_day <= window.last_day else after | before
        if window.days:
            inside &= self._is_day(local, window.days, holidays)
        minute = np.asarray(local.hour * 60 + local.minute)
        if window.from_ < window.to:
            inside &= (minute >= window.from_) & (minute < window.to)
        else:
            inside &= (minute >= window.from_) | (minute < window.to)
        return inside.astype(float)

    def slots(self, zone: str | None = None) -> tuple[pd.DatetimeIndex, np.ndarray, np.ndarray]:
        """Local days, the day of each step, and its place in the day by the clock.

        A day on which the clock skips an hour lacks its places; one that repeats an hour has them twice.

        Returns
        -------
        DatetimeIndex of shape (days,)
            Midnights without a zone.
        int array of shape (steps,)
            Number of the day.
        int array of shape (steps,)
            Minutes since midnight on the clock, in whole steps.
        """
        clock = self.local(zone).tz_localize(None)
        days, number = np.unique(np.asarray(clock, "datetime64[D]"), return_inverse=True)
        return (
            pd.DatetimeIndex(days),
            number,
            np.asarray((clock.hour * 60 + clock.minute) // self.step_minutes),
        )

    def _is_day(
        self, local: pd.DatetimeIndex, days: Sequence[str], holidays: Sequence[datetime.date]
    ) -> np.ndarray:
        weekday = np.asarray(local.day_of_week)
        holiday = np.isin(_dates(local), np.array(list(holidays), "datetime64[D]"))
        found = np.zeros(self.steps, bool)
        for day in days:
            if day == "workday":
                found |= (weekday < 5) & ~holiday
            elif day == "weekend":
                found |= weekday >= 5
            elif day == "holiday":
                found |= holiday
            else:
                found |= weekday == _WEEKDAYS.index(day)
        return found

    def between(
        self, since: datetime.date | None, until: datetime.date | None, zone: str
    ) -> npt.NDArray[np.float64]:
        """1.0 in the steps of local days from `since` on and before `until`, else 0.0; None sets no end."""
        inside = np.ones(self.steps, bool)
        if since is None and until is None:
            return inside.astype(float)
        day = _dates(self.local(zone))
        if since is not None:
            inside &= day >= np.datetime64(since)
        if until is not None:
            inside &= day < np.datetime64(until)
        return inside.astype(float)


def same_clock_earlier(starts: pd.DatetimeIndex, zone: str, days: int) -> pd.DatetimeIndex:
    """The moments at which the clock of a zone showed the same some days before; NaT where it skipped that time.

    Parameters
    ----------
    starts : DatetimeIndex
        UTC.
    zone : str
    days : int
    """
    known = zone_of(zone)
    clock = starts.tz_convert(known).tz_localize(None) - pd.Timedelta(days=days)
    return (
        clock.tz_localize(known, ambiguous=np.ones(len(clock), bool), nonexistent="NaT")
        .tz_convert("UTC")
        .as_unit("s")
    )


def at_clock_before(starts: pd.DatetimeIndex, zone: str, days: int, minutes: int) -> pd.DatetimeIndex:
    """A clock time of the day that lies some days before each moment's own; one that was skipped counts as the next.

    Parameters
    ----------
    starts : DatetimeIndex
        UTC.
    zone : str
    days, minutes : int
        How many days before, and the clock time in minutes after midnight.

    Returns
    -------
    DatetimeIndex
        UTC.
    """
    known = zone_of(zone)
    midnight = starts.tz_convert(known).tz_localize(None).normalize()
    clock = midnight - pd.Timedelta(days=days) + pd.Timedelta(minutes=minutes)
    first = np.ones(len(clock), bool)
    return clock.tz_localize(known, ambiguous=first, nonexistent="shift_forward").tz_convert("UTC")


def _dates(local: pd.DatetimeIndex) -> np.ndarray:
    """Local dates of stamps."""
    return np.asarray(local.tz_localize(None), "datetime64[D]")


def _set_back(local: pd.DatetimeIndex) -> np.ndarray:
    """How far the clock has been set back as each step starts, since the one before; ahead is negative. [min]"""
    shown = np.asarray(local.tz_localize(None), "datetime64[m]").astype(int)
    passed = np.asarray(local.tz_convert("UTC").tz_localize(None), "datetime64[m]").astype(int)
    return np.diff(passed - shown, prepend=passed[0] - shown[0])


def _longest_repeat(local: pd.DatetimeIndex) -> int:
    """The longest time that the clock shows twice. [min]"""
    return int(_set_back(local).max())


def _block_number(local: pd.DatetimeIndex, grouping: Grouping) -> np.ndarray:
    """Number of the block that each step lies in, of blocks that begin anew with each local day from its anchor."""
    shown = np.asarray(local.tz_localize(None), "datetime64[m]").astype(int) - grouping.anchor_minutes
    day, minute = shown // 1440, shown % 1440
    back = _set_back(local)
    # Blocks run on through a change that is a whole number of them, on the same edges of the clock.
    extra = np.cumsum(np.where(back % grouping.minutes == 0, back // grouping.minutes, 0))
    made: np.ndarray = day * -(-1440 // grouping.minutes) + minute // grouping.minutes + extra
    return made


def _begin_of_months(stamp: pd.Timestamp, grouping: Grouping) -> pd.Timestamp:
    """First day of the group of calendar months that a local stamp lies in."""
    number = stamp.year * 12 + stamp.month - grouping.first_month
    first = number - number % grouping.months + grouping.first_month - 1
    return pd.Timestamp(first // 12, first % 12 + 1, 1)


def year_from(first_day: datetime.date, step_minutes: int, zone: str) -> Timeline:
    """The year that begins at midnight of a day on the clock of a zone: 365 or 366 local days.

    Raises
    ------
    ValueError
        If the step does not divide it.
    """
    last = datetime.date(
        first_day.year + 1, *((3, 1) if _is_leap_day(first_day) else first_day.timetuple()[1:3])
    )
    start, end = (
        datetime.datetime.combine(day, datetime.time(), zone_of(zone)).astimezone(datetime.UTC)
        for day in (first_day, last)
    )
    steps, rest = divmod(int((end - start).total_seconds()) // 60, step_minutes)
    if rest:
        raise ValueError(f"steps of {step_minutes} min do not divide the year from {first_day} in {zone}")
    return Timeline(start.astimezone(zone_of(zone)), step_minutes, steps, zone)


def _is_leap_day(day: datetime.date) -> bool:
    return (day.month, day.day) == (2, 29)


def whole_days(begin: pd.Timestamp, end: pd.Timestamp, zone: str) -> tuple[datetime.date, int]:
    """The first local day that begins at or after a moment, and how many whole ones there are until another.

    Parameters
    ----------
    begin, end : Timestamp
        Moments with a zone; `end` is outside.
    zone : str
        Of the local days.
    """
    first, last = begin.tz_convert(zone), end.tz_convert(zone)
    day = first.date() if first == first.normalize() else first.date() + datetime.timedelta(days=1)
    return day, max(0, (last.date() - day).days)
