"""A timetable: a few timed rules for each season and kind of day, in the terms that inverters know.

At any time the first rule that holds counts; where none does, the plant covers its own load. A rule that charges takes
power from the grid until the store is so full, and then keeps it that full at least; one that discharges covers the
load and feeds out on top of it, down to so full a store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from optimiser.control.modes import ALL, Device, Mode, Told, share_of
from optimiser.plant.walk import Orders, Plant, State
from optimiser.scenario.file import Scenario
from optimiser.timeline import Window

DAY_MINUTES = 24 * 60
ALL_DAYS, WORKDAYS, OTHER_DAYS = "every day", "workdays", "other days"
MODE_OF = {"charge": Mode.CHARGE, "discharge": Mode.FEED_OUT}
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class TimedRule:
    """What an inverter is told for some hours of the day.

    Attributes
    ----------
    action : "charge" or "discharge"
    from_minutes, to_minutes : int
        Clock times, minutes after midnight; where the first is not below the second, the rule runs over midnight. The
        kind of day is that of each moment's own date.
    power_kw : float
        The most that is taken from the grid for the store, or fed out on top of the load, on the AC side in all. With
        0 nothing is taken: the store is kept for later.
    fraction : float
        Share of the usable energy at which it stops.
    phase : str
        The phase whose inverters it is for, where each phase has registers of its own; "all" for all of them.
    """

    action: Literal["charge", "discharge"]
    from_minutes: int
    to_minutes: int
    power_kw: float
    fraction: float
    phase: str = ALL

    def shares_a_phase(self, other: TimedRule) -> bool:
        """Whether there is an inverter that both are for."""
        return ALL in (self.phase, other.phase) or self.phase == other.phase

    def holds(self, minutes: np.ndarray) -> np.ndarray:
        """Whether it holds at clock times, minutes after midnight."""
        if self.from_minutes < self.to_minutes:
            return (minutes >= self.from_minutes) & (minutes < self.to_minutes)
        return (minutes >= self.from_minutes) | (minutes < self.to_minutes)

    def words(self) -> str:
        """The rule as it is typed in."""
        span = f"{clock(self.from_minutes)} to {clock(self.to_minutes)}"
        span += "" if self.phase == ALL else f" on {self.phase}"
        share = f"{100 * self.fraction:.0f} %"
        if self.action == "discharge":
            return f"{span}: feed out up to {self.power_kw:g} kW down to {share} full"
        if not self.power_kw:
            return f"{span}: keep the store at {share} full at least, take nothing from the grid for it"
        return f"{span}: take up to {self.power_kw:g} kW from the grid until {share} full, then keep it there"


@dataclass(frozen=True)
class Category:
    """The days that a set of rules is for."""

    season: str
    months: tuple[int, ...]
    days: str

    @property
    def words(self) -> str:
        """Season and kind of day."""
        return f"{self.season}, {self.days}"


@dataclass(frozen=True)
class Timetable:
    """Rules of each category.

    Attributes
    ----------
    categories : tuple of Category
    rules : tuple of tuple of TimedRule
        One tuple a category, in order of the clock.
    """

    categories: tuple[Category, ...]
    rules: tuple[tuple[TimedRule, ...], ...]

    def numbered(self) -> list[tuple[int, int, TimedRule]]:
        """Category, place in it and rule, of every rule."""
        return [(c, r, rule) for c, rules in enumerate(self.rules) for r, rule in enumerate(rules)]

    def without(self, category: int, place: int) -> Timetable:
        """The same with a rule left out."""
        return self.changed(category, _dropped(self.rules[category], place))

    def alone(self, category: int, place: int) -> Timetable:
        """That one rule and nothing else."""
        empty: list[tuple[TimedRule, ...]] = [()] * len(self.rules)
        empty[category] = (self.rules[category][place],)
        return Timetable(self.categories, tuple(empty))

    def changed(self, category: int, rules: Sequence[TimedRule]) -> Timetable:
        """The same with other rules in a category."""
        ordered = tuple(sorted(rules, key=lambda rule: rule.from_minutes))
        return Timetable(self.categories, (*self.rules[:category], ordered, *self.rules[category + 1 :]))


def empty_timetable(categories: tuple[Category, ...]) -> Timetable:
    """Plain self-consumption."""
    return Timetable(categories, ((),) * len(categories))


def make_categories(months_there: Sequence[int], seasons: int, day_types: bool) -> tuple[Category, ...]:
    """The seasons and kinds of day that rules are made for.

    Parameters
    ----------
    months_there : sequence of int
        Months, 1 to 12, that the timeline has.
    seasons : 1, 2 or 4
        The year as one; October to March and April to September; or quarters from December on.
    day_types : bool
        Whether workdays are told from other days.
    """
    first = {1: 1, 2: 10, 4: 12}[seasons]
    size = 12 // seasons
    made = []
    for number in range(seasons):
        months = tuple((first - 1 + number * size + i) % 12 + 1 for i in range(size))
        name = f"{MONTHS[months[0] - 1]} to {MONTHS[months[-1] - 1]}" if seasons > 1 else "all year"
        if set(months) & set(months_there):
            for days in (WORKDAYS, OTHER_DAYS) if day_types else (ALL_DAYS,):
                made.append(Category(name, months, days))
    return tuple(made)


def category_of(scenario: Scenario, categories: tuple[Category, ...]) -> np.ndarray:
    """The category of each step's date on the site's clock, of shape (steps,); workdays are the tariff's."""
    timeline, tariff = scenario.timeline, scenario.tariff
    holidays = tariff.holiday_dates(timeline)
    found = np.zeros(timeline.steps, int)
    for number, category in enumerate(categories):
        mask = timeline.mask(Window(months=category.months), timeline.zone) > 0
        if category.days != ALL_DAYS:
            work = timeline.mask(Window(days=("workday",)), timeline.zone, holidays) > 0
            mask &= work if category.days == WORKDAYS else ~work
        found[mask] = number
    return found


def clock_minutes(scenario: Scenario) -> np.ndarray:
    """Minutes after midnight on the site's clock at the start of each step, of shape (steps,)."""
    local = scenario.timeline.local()
    return np.asarray(local.hour * 60 + local.minute, int)


class Timed:
    """A controller that follows timetables, one a case.

    Parameters
    ----------
    plant : Plant
    of_step : int array of shape (steps,)
        Category of each step.
    timetables : sequence of Timetable
        Of the same categories.
    """

    def __init__(self, plant: Plant, of_step: np.ndarray, timetables: Sequence[Timetable]):
        self.device, self.of_step = Device(plant), of_step
        minutes = clock_minutes(plant.scenario)
        slots, self.slot = np.unique(minutes, return_inverse=True)
        names, members = self.device.names, self.device.members
        shape = (len(timetables[0].categories), len(slots), len(timetables), len(names))
        self.mode, self.power, self.fraction = np.zeros(shape, int), np.zeros(shape), np.zeros(shape)
        ratings = {"charge": plant.input_kw @ members.T, "discharge": plant.output_kw @ members.T}
        for case, timetable in enumerate(timetables):
            for category, _, rule in reversed(timetable.numbered()):
                holds = rule.holds(slots)
                for group, name in enumerate(names):
                    if rule.phase in (ALL, name):
                        share = share_of(ratings[rule.action])[group] if rule.phase == ALL else 1.0
                        self.mode[category, holds, case, group] = MODE_OF[rule.action]
                        self.power[category, holds, case, group] = rule.power_kw * share
                        self.fraction[category, holds, case, group] = rule.fraction

    def __call__(self, step: np.ndarray | int, state: State) -> Orders:
        """What the rules of each case want in a step."""
        place: tuple[Any, ...] = (self.of_step[step], self.slot[step])
        if np.ndim(step):
            # Spans side by side: the timetables are repeated over the spans.
            place = (*place, np.arange(len(state.stored_fraction)) % self.mode.shape[2])
        return self.device.orders(
            step, state, Told(self.mode[place], self.power[place], self.fraction[place])
        )


def _dropped(rules: tuple[TimedRule, ...], place: int) -> tuple[TimedRule, ...]:
    return rules[:place] + rules[place + 1 :]


def clock(minutes: int) -> str:
    """A clock time, "24:00" for the end of the day."""
    minutes = minutes % DAY_MINUTES or (DAY_MINUTES if minutes else 0)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
