"""The verbs in which amounts and limits are said, whatever reads them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np

from optimiser.timeline import STEP, Grouping, Groups, Timeline

# Angles of the tangents of a circle that apparent power is held above, and what counts as an edge of a tariff's step
# or band: a watt or watt-hour, finer than meters. The program keeps a tenth of it as room for its solver's tolerance,
# so that what it takes to be inside is inside for the books.
TANGENTS = tuple(np.radians(np.arange(0, 91, 10)))
EDGE = 1e-3
INNER_EDGE = 0.9 * EDGE


Array = np.ndarray


Numbers = float | np.ndarray


Group = Literal[
    "energy in", "energy out", "demand", "fixed", "tax", "availability", "activation", "wear", "tie-break"
]


class Terms:
    """What both readings share: the timeline and the data."""

    def __init__(self, timeline: Timeline, read: Callable[[Any], Numbers]):
        self.timeline = timeline
        self._read = read

    @property
    def step_hours(self) -> float:
        """Length of a step. [h]"""
        return self.timeline.step_hours

    def groups(self, per: Grouping) -> Groups:
        """The groups of the timeline under `per`."""
        return self.timeline.groups(per)

    def values(self, reference: Any) -> Array:
        """The numbers behind a constant or "source.column", of shape (steps,)."""
        return np.broadcast_to(np.asarray(self._read(reference), float), (self.timeline.steps,))

    def count(self, per: Grouping) -> int:
        """How many groups `per` makes."""
        return self.groups(per).count

    def counted(self, highest: int, at_most: Array, slot: Grouping, apart: Grouping, per: Grouping) -> Array:
        """How many peaks each group of `per` has, of the `highest` asked for: one an `apart` with something in it."""
        unit = self.groups(slot if apart == STEP else apart)
        there = unit.max(at_most) > 0
        of_unit = self.groups(per).of_step[unit.first_step]
        found = np.bincount(of_unit, weights=there, minlength=self.count(per))
        return np.clip(found, 1, highest)
