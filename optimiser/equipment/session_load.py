"""Energy by a deadline: a vehicle that is plugged in, a batch on a machine."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.equipment.connection import Phase, Place
from optimiser.equipment.waiting import SHORT_KWH, Flexible, Need, Wanted, needs_clock
from optimiser.fields import ClockMinutes, Component, Several, choice, quantity, zone_of
from optimiser.terms.data import InputData
from optimiser.timeline import Timeline, Window

MOST_SHOWN = 3  # sessions of a load that a fault names


@dataclass(frozen=True)
class Span:
    """A session on a timeline: its steps, what it needs, and how people name it."""

    first: int
    stop: int
    need_kwh: float
    words: str
    arrival: pd.Timestamp
    departure: pd.Timestamp


class Session(Component):
    """One session: it is there from arrival to departure, on the site's clock unless the stamps carry an offset."""

    arrival: datetime.datetime = Field(description="when it is plugged in, such as 2025-03-01T18:00:00")
    departure: datetime.datetime = Field(description="when it has to be done")
    energy_kwh: float = quantity("kWh", "energy that has to be stored by departure", at_least=0)


class Habit(Component):
    """Sessions by the calendar: on each of some days, from a clock time to the next departure."""

    when: Window | None = Field(default=None, description="days on which it is plugged in; left out: all")
    plugged_in: ClockMinutes = Field(description='clock time at which it is plugged in, "18:00"')
    departure: ClockMinutes = Field(
        description='clock time at which it has to be done, the next day if not later than plugged_in, "07:00"'
    )
    energy_kwh: float = quantity("kWh", "energy that has to be stored by departure", at_least=0)

    @model_validator(mode="after")
    def _whole_days(self) -> Habit:
        if self.when is not None and (self.when.from_, self.when.to) != (0, 24 * 60):
            raise ValueError(
                "when of a habit names days and seasons; give its hours as plugged_in and departure"
            )
        return self


class SessionLoad(Flexible):
    """Energy by a deadline: a vehicle that is charged while it is plugged in, a batch of a machine.

    A session needs its energy stored by departure, no more and no less; what is stored is `efficiency` of what is
    taken. It takes power in steps that lie wholly between arrival and departure. A session that is not over within the
    timeline is left out, of the case before too.

    On the DC bus what is taken is the bus's power. Before, a charger of its own stored the same energy from a phase,
    `before_efficiency` of what it took, at the same rate unless `before_power_kw` says otherwise; or it is new.

    References
    ----------
    .. [1] Charging of vehicles by a deadline as a linear program: common practice, no source.
    """

    kind: Literal["sessions"] = choice("sessions")
    power_kw: float = quantity("kW", "the most power that it takes on its phase or the bus", above=0)
    efficiency: float = quantity(
        "-", "energy stored over energy taken from the phase", default=1.0, above=0, at_most=1
    )
    habit: Several[Habit] = ()
    session: Several[Session] = ()
    sessions: StrictStr | None = Field(
        default=None, description="CSV file of sessions with the columns arrival, departure, energy_kwh"
    )
    before_mode: Literal["on arrival", "timer", "new"] = Field(
        alias="before",
        description='how it was charged before: "on arrival" at full power until done, "timer" from before_from on, or '
        '"new" if it was not there',
    )
    before_phase: Phase | None = choice("on the bus: phase that its charger before was on", default=None)
    before_efficiency: float | None = quantity(
        "-", "on the bus: energy stored over energy its charger before took", default=None, above=0, at_most=1
    )
    before_power_kw: float | None = quantity(
        "kW",
        "on the bus: the most that its charger before took; left out: the same rate",
        default=None,
        above=0,
    )
    before_from: ClockMinutes | None = Field(
        default=None, description='clock time from which the timer let it charge, "23:00"'
    )

    @model_validator(mode="after")
    def _said(self) -> SessionLoad:
        if not (self.habit or self.session or self.sessions):
            raise ValueError(
                "no session is given; add [[site.flexible_load.habit]], or sessions with a CSV file"
            )
        needs_clock(self.before_mode == "timer", self.before_from is not None, '"timer"', "before_from")
        keys = ("before_phase", "before_efficiency", "before_power_kw")
        given = [key for key in keys if getattr(self, key) is not None]
        own_charger = self.on_bus and self.before_mode != "new"
        if own_charger and not {"before_phase", "before_efficiency"} <= set(given):
            raise ValueError(
                'phase = "bus" needs before_phase and before_efficiency of the charger before, or before = "new"; add '
                "what is missing"
            )
        if given and not own_charger:
            raise ValueError(
                f'{" and ".join(given)} goes with phase = "bus" and a charger before only; remove it'
            )
        return self

    @property
    def phase_before(self) -> Place | None:
        """Phase that it was on in the case before."""
        return self.before_phase if self.on_bus else self.phase

    def need_before(self, data: InputData) -> Need:
        """The same energy by the same departures, through the charger that there was."""
        need = self.need(data)
        if self.before_efficiency is None:
            return need
        most_kw = self.before_power_kw or self.power_kw * self.efficiency / self.before_efficiency
        there = need.most_kw > 0
        return replace(
            need, gain=np.full(len(there), self.before_efficiency), most_kw=np.where(there, most_kw, 0.0)
        )

    def before_kw(self, data: InputData) -> np.ndarray:
        """Power that it took in the case before, of shape (steps,). [kW]"""
        if self.before_mode == "new":
            return np.zeros(data.timeline.steps)
        return super().before_kw(data)

    def spans(self, timeline: Timeline) -> list[Span]:
        """Its sessions within a timeline, in the order of their arrivals."""
        found = [span for one in self.session for span in _of_session(one, timeline)]
        found += [span for habit in self.habit for span in _of_habit(habit, timeline)]
        return sorted(found, key=lambda span: span.arrival)

    def need(self, data: InputData) -> Need:
        """Each session's energy by its departure; nothing between sessions."""
        steps, hours = data.timeline.steps, data.timeline.step_hours
        kept, most = np.ones(steps), np.zeros(steps)
        low, high = np.zeros(steps), np.zeros(steps)
        for span in self.spans(data.timeline):
            most[span.first : span.stop] = self.power_kw
            high[span.first : span.stop] = span.need_kwh
            low[span.stop - 1] = span.need_kwh
            if span.stop < steps:
                kept[span.stop] = 0.0
        return Need(kept, np.full(steps, self.efficiency), np.zeros(steps), low, high, most, 0.0, hours)

    def before(self, data: InputData, need: Need) -> Wanted:
        """Full power from arrival on, or from a clock time on; in time for departure in any case."""
        if self.before_from is None:
            return lambda step, stored: float(need.most_kw[step])
        timeline = data.timeline
        local = timeline.local()
        minute = np.asarray(local.hour * 60 + local.minute)
        free = np.zeros(timeline.steps, bool)
        for span in self.spans(timeline):
            inside = slice(span.first, span.stop)
            begun = np.flatnonzero(
                minute[inside] // timeline.step_minutes == self.before_from // timeline.step_minutes
            )
            free[span.first + (int(begun[0]) if len(begun) else 0) : span.stop] = True
        return lambda step, stored: float(need.most_kw[step]) if free[step] else 0.0

    def faults(self, data: InputData) -> Iterator[str]:
        """Deadlines before arrival, sessions that overlap, energy that the charger cannot give in time."""
        timeline, rate = data.timeline, self.power_kw * self.efficiency
        before_rate = (self.before_power_kw or math.inf) * (self.before_efficiency or 1.0)
        slow = []
        turned, late, over = [], [], []
        last: Span | None = None
        for span in self.spans(timeline):
            if span.departure <= span.arrival:
                turned.append(f"{span.words} departs before it arrives")
                continue
            most = max(0, span.stop - span.first) * timeline.step_hours * rate
            if span.need_kwh > most + SHORT_KWH:
                late.append(
                    f"{span.words} needs {span.need_kwh:g} kWh and gets {most:.4g} kWh at the most, "
                    f"{span.need_kwh - most:.4g} kWh are missing"
                )
            before = max(0, span.stop - span.first) * timeline.step_hours * before_rate
            if before + SHORT_KWH < span.need_kwh <= most + SHORT_KWH:
                slow.append(
                    f"{span.words} needs {span.need_kwh:g} kWh, of which the charger before gave {before:.4g} kWh at "
                    "the most"
                )
            if last is not None and span.first < last.stop:
                over.append(f"{span.words} begins before {last.words} is over")
            last = span
        yield from _several(turned, "Check both stamps.")
        yield from _several(late, "Raise power_kw, lengthen the session, or ask for less energy.")
        yield from _several(
            slow, "Raise before_power_kw, or check the session; both cases serve the same needs."
        )
        yield from _several(
            over, "Give each vehicle or machine a flexible load of its own, or part the sessions."
        )


def _several(faults: Sequence[str], way: str) -> Iterator[str]:
    """The first of like faults in one sentence each, and how many more there are."""
    for fault in faults[:MOST_SHOWN]:
        yield f": the session {fault}. {way}"
    if len(faults) > MOST_SHOWN:
        yield f": it has {len(faults) - MOST_SHOWN} more of them. {way}"


def _of_session(session: Session, timeline: Timeline) -> Iterator[Span]:
    zone = zone_of(timeline.zone)

    def moment(stamp: datetime.datetime) -> pd.Timestamp:
        made = pd.Timestamp(stamp)
        return made if made.tz else made.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")

    yield from _within(moment(session.arrival), moment(session.departure), session.energy_kwh, timeline)


def _of_habit(habit: Habit, timeline: Timeline) -> Iterator[Span]:
    zone = zone_of(timeline.zone)
    days, day, _ = timeline.slots()
    first = np.searchsorted(day, np.arange(len(days)))
    chosen = timeline.mask(habit.when, timeline.zone)[first] > 0
    later = habit.departure + (0 if habit.departure > habit.plugged_in else 24 * 60)

    def at(minutes: int) -> pd.DatetimeIndex:
        clock = days + pd.Timedelta(minutes=minutes)
        return clock.tz_localize(zone, ambiguous=np.ones(len(days), bool), nonexistent="shift_forward")

    for arrival, departure, taken in zip(at(habit.plugged_in), at(later), chosen, strict=True):
        if taken:
            yield from _within(arrival, departure, habit.energy_kwh, timeline)


def _within(arrival: Any, departure: Any, energy_kwh: float, timeline: Timeline) -> Iterator[Span]:
    """A session on the timeline's steps; none where it is not over within it."""
    step = pd.Timedelta(minutes=timeline.step_minutes)
    first = -(-(arrival - timeline.starts[0]) // step)
    stop = (departure - timeline.starts[0]) // step
    if first < 0 or stop > timeline.steps or (departure <= arrival and first >= timeline.steps):
        return
    local = [
        stamp.tz_convert(zone_of(timeline.zone)).strftime("%Y-%m-%d %H:%M") for stamp in (arrival, departure)
    ]
    yield Span(int(first), int(max(stop, first)), energy_kwh, f"{local[0]} to {local[1]}", arrival, departure)
