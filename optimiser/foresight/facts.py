"""What plans meet: when each is made and how far it sees, the series and their roles, and what a policy has to say."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from optimiser.scenario.file import Scenario
from optimiser.scenario.foresight import Role, role_of
from optimiser.timeline import Grouping, Timeline, Window

Columns = dict[str, np.ndarray]


@dataclass(frozen=True)
class Plans:
    """When plans are made, how far they see, how much of each is kept.

    Attributes
    ----------
    edges : int array of shape (windows + 1,)
        First step of each window, and the end; a plan is made as its window begins.
    seen : int
        Windows that a plan sees, its own among them.
    """

    edges: np.ndarray
    seen: int

    @classmethod
    def of(cls, timeline: Timeline, keep_hours: int, view_hours: float) -> Plans:
        """Windows that begin by the site's clock, the first at the start; of 23 or 25 hours where it changes."""
        first = timeline.groups(Grouping("block", timeline.zone, keep_hours * 60)).first_step
        edges = np.append(first, timeline.steps)
        return cls(edges, min(max(1, -(-round(view_hours * 60) // (keep_hours * 60))), len(edges) - 1))

    @property
    def count(self) -> int:
        """How many plans there are."""
        return len(self.edges) - 1

    def span(self, number: int) -> tuple[int, int]:
        """First step of a plan and the one after the last that it sees."""
        return int(self.edges[number]), int(self.edges[min(number + self.seen, self.count)])

    def moments(self, lead: int) -> np.ndarray:
        """For each step, the first step of the plan that sees it as its window number `lead`, of shape (steps,).

        Negative where there was no such plan yet.
        """
        window = np.repeat(np.arange(self.count), np.diff(self.edges))
        return np.where(window >= lead, self.edges[np.maximum(window - lead, 0)], -1)


@dataclass(frozen=True)
class Facts:
    """What happens: every series that plans meet, with its role.

    Attributes
    ----------
    scenario : Scenario
    roles : dict of str to str
        By "source.column": price, service_price, load, solar or limit.
    """

    scenario: Scenario
    roles: dict[str, Role]

    @classmethod
    def of(cls, scenario: Scenario) -> Facts:
        """The series of a scenario; one that stands in two places has the role of the first."""
        roles: dict[str, Role] = {}
        for place, reference in scenario.references():
            role = role_of(place)
            if role is not None:
                roles.setdefault(reference, role)
        return cls(scenario, roles)

    @property
    def timeline(self) -> Timeline:
        """The steps."""
        return self.scenario.timeline

    def foretold(self) -> list[str]:
        """Series that have to be foretold: all but limits, which are settings."""
        return [reference for reference, role in self.roles.items() if role != "limit"]

    @cached_property
    def days(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Day of each step, its place in the day by the clock, and whether each day is a workday."""
        timeline = self.timeline
        days, day, slot = timeline.slots()
        holidays: Sequence[datetime.date] = self.scenario.tariff.holiday_dates(timeline)
        workday = timeline.mask(Window(days=("workday",)), timeline.zone, holidays)
        first = np.searchsorted(day, np.arange(len(days)))
        return day, slot, workday[first] > 0


class Policy(Protocol):
    """What plans know."""

    @property
    def name(self) -> str:
        """As scenarios call it."""

    @property
    def words(self) -> str:
        """What it sees, for people."""

    @property
    def sure(self) -> bool:
        """Whether what it says always comes true."""

    def known(self, facts: Facts, plans: Plans, lead: int) -> Columns:
        """Every series of the facts as plans knew each step `lead` windows ahead, nan where they knew nothing."""
