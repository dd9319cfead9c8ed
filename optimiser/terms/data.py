"""What a scenario's data say on its timeline, with nothing solved."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from optimiser.fields import Column
from optimiser.timeline import Grouping, Groups, Timeline

Array = npt.NDArray[np.float64]
Numbers = float | Array


class InputData:
    """A timeline, and the numbers on it.

    Parameters
    ----------
    timeline : Timeline
    read : callable
        From a constant or "source.column" to its numbers on the timeline.
    """

    def __init__(self, timeline: Timeline, read: Callable[[Column], Numbers]):
        self.timeline = timeline
        self.read = read

    @property
    def step_hours(self) -> float:
        """Length of a step. [h]"""
        return self.timeline.step_hours

    def groups(self, per: Grouping) -> Groups:
        """The groups of the timeline under `per`."""
        return self.timeline.groups(per)

    def count(self, per: Grouping) -> int:
        """How many groups `per` makes."""
        return self.groups(per).count

    def values(self, reference: Column) -> Array:
        """The numbers behind a constant or "source.column", of shape (steps,)."""
        return np.broadcast_to(np.asarray(self.read(reference), float), (self.timeline.steps,))
