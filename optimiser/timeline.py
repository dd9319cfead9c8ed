"""One time axis: steps in UTC, and the calendar questions that are asked of them in a named zone."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field, model_validator

from optimiser.fields import ClockMinutes, Component, several, zone_of

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "workday", "weekend", "holiday"]
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Window(Component):
    """Hours of the year in a zone's local clock: months, days and a daily window, all of which must hold.

    A window whose `from` is later than its `to` crosses midnight; its late part belongs to the day it starts
    on, and its early part to the day that follows (a clock rule: the day type is asked of each step's own day).
    """

    months: several(int) | None = Field(  # type: ignore[valid-type]
        default=None, description="months, 1 to 12; left out: all"
    )
    days: several(Day) | None = Field(  # type: ignore[valid-type]
        default=None,
        description="mon ... sun, workday (Monday to Friday, no holiday), weekend, holiday; left out: all",
    )
    from_: ClockMinutes = Field(default=0, alias="from", description='start of the daily window, "07:00"')
    to: ClockMinutes = Field(default=24 * 60, description='end of the daily window, "24:00" at the most')

    @model_validator(mode="after")
    def _check(self) -> Window:
        for month in self.months or ():
            if not 1 <= month <= 12:
                raise ValueError(f"months must be between 1 and 12, got {month}")
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
        return ", ".join(parts) or "always"


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@dataclass(frozen=True)
class Grouping:
    """A way of cutting the timeline into groups of steps, asked of the clock of a zone.

    `kind` is "step", "horizon", "month" (a billing period), "day" or "block"; a block is `minutes` long and
    the first of a local day starts at `anchor_minutes` after midnight. Short and long days of a clock change
    keep their block edges on the local clock, so the block that holds the change is an hour shorter or longer.
    """

    kind: Literal["step", "horizon", "month", "day", "block"] = "step"
    zone: str = "UTC"
    minutes: int = 0
    anchor_minutes: int = 0


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
        A name a group: "2025-03" for a month, a local time stamp otherwise.
    """

    of_step: np.ndarray
    count: int
    first_step: np.ndarray
    labels: tuple[str, ...]

    def sum(self, values: np.ndarray) -> np.ndarray:
        """Sum of a step series over each group, of shape (groups,)."""
        return np.bincount(self.of_step, weights=values, minlength=self.count)

    def max(self, values: np.ndarray) -> np.ndarray:
        """Highest value of a step series in each group, of shape (groups,)."""
        highest = np.full(self.count, -np.inf)
        np.maximum.at(highest, self.of_step, values)
        return highest

    @cached_property
    def sizes(self) -> np.ndarray:
        """Steps in each group, of shape (groups,)."""
        return np.bincount(self.of_step, minlength=self.count)


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
        clock = local.tz_localize(None)
        if grouping.kind == "month":
            key = np.asarray(local.year * 100 + local.month)
        elif grouping.kind == "day":
            key = np.asarray(local.year * 10000 + local.month * 100 + local.day)
        else:
            shifted = clock - pd.Timedelta(minutes=grouping.anchor_minutes)
            day = np.asarray(shifted.year * 10000 + shifted.month * 100 + shifted.day)
            minute = np.asarray(shifted.hour * 60 + shifted.minute)
            block = minute // grouping.minutes
            # The hour that the clock repeats in autumn is one piece of its block when the block is longer
            # than the change, and two blocks of the same name when it is not.
            key = day * 10_000 + block
        change = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
        of_step = np.cumsum(np.isin(np.arange(self.steps), change)) - 1
        pattern = {"month": "%Y-%m", "day": "%Y-%m-%d"}.get(grouping.kind, "%Y-%m-%d %H:%M%z")
        labels = tuple(
            clock[change].strftime(pattern) if pattern[-1] != "z" else local[change].strftime(pattern)
        )
        return Groups(of_step, len(change), change, labels)

    def mask(self, window: Window | None, zone: str, holidays: Sequence[datetime.date] = ()) -> np.ndarray:
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
        holiday = np.isin(
            np.asarray(local.normalize().tz_localize(None), "datetime64[D]"),
            list(map(np.datetime64, holidays)),
        )
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
