"""The verbs on numbers: amounts reckoned from solved flows, rules replayed on them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from optimiser.flows import Amount, Series
from optimiser.terms.data import Array, InputData, Numbers
from optimiser.terms.line import RuleReplay
from optimiser.terms.verbs import EDGE, Terms
from optimiser.timeline import STEP, Grouping


class SettledTerms(Terms):
    """The verbs on solved numbers: every rule is replayed, every auxiliary is computed afresh.

    Parameters
    ----------
    data : InputData
    solved : dict of str to array
        Value of each column by name; left out: none, for amounts that flows alone tell.

    Attributes
    ----------
    replays : list of RuleReplay
        Rules that every schedule keeps, as far as they have been said.
    """

    def __init__(self, data: InputData, solved: dict[str, Array] | None = None):
        super().__init__(data)
        self.solved = {} if solved is None else solved
        self.replays: list[RuleReplay] = []
        self._before: dict[int, float] = {}

    def series(self, numbers: Numbers, per: Grouping = STEP) -> Array:
        """Data, one number a step or a group."""
        return np.broadcast_to(np.asarray(numbers, float), (self.count(per),))

    def column(
        self,
        name: str,
        *,
        at_most: Numbers,
        at_least: Numbers = 0.0,
        per: Grouping = STEP,
        before: float = 0.0,
        unit: str = "kW",
        auxiliary: bool = False,
        derived: bool = False,
    ) -> Array:
        """A solved decision; its bounds are replayed."""
        values = self.solved[name]
        excess = np.maximum(values - at_most, at_least - values)
        self.replays.append(RuleReplay(f"{name} within its bounds", excess, per, unit))
        self._before[id(values)] = before
        return values

    def broadcast(self, values: Series, per: Grouping) -> Array:
        """A group's value in each of its steps."""
        return values[self.groups(per).of_step]

    def previous(self, column: Series, lag: int = 1) -> Array:
        """A column's values `lag` steps earlier."""
        if lag == 0:
            return column
        lag = min(lag, len(column))
        return np.concatenate([np.full(lag, self._before[id(column)]), column[: len(column) - lag]])

    def at_most(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """Replay of the rule that `left` never exceeds `right`."""
        self.replays.append(RuleReplay(name, np.asarray(left - right, float), per, unit))

    def between(self, name: str, low: Numbers, middle: Series, high: Numbers, *, unit: str = "kW") -> None:
        """Replay of the rule that `middle` stays between two series of numbers in every step."""
        self.replays.append(RuleReplay(name, np.maximum(middle - high, low - middle), STEP, unit))

    def equal(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """Replay of the rule that both sides are the same."""
        self.replays.append(RuleReplay(name, np.abs(np.asarray(left - right, float)), per, unit))

    def total(
        self, name: str, values: Series, *, per: Grouping, at_most: Numbers, unit: str = "kWh"
    ) -> Array:
        """The sum of a step series over each group."""
        return self.groups(per).sum(values)

    def peak(
        self,
        name: str,
        values: Series,
        *,
        per: Grouping,
        slot: Grouping = STEP,
        at_most: Array,
        unit: str = "kW",
        reactive: Array | None = None,
        highest: int = 1,
        apart: Grouping = STEP,
    ) -> Array:
        """The highest of a series in each group, of its mean over each `slot` where one is given."""
        units = self.groups(slot)
        means = units.sum(values) / units.sizes
        whole = at_most
        if reactive is not None:
            means = np.hypot(means, units.sum(reactive) / units.sizes)
            whole = np.hypot(at_most, reactive)
        if highest == 1:
            return _highest(means, self.groups(per).of_step[units.first_step], self.count(per))
        if apart != STEP:
            days = self.groups(apart)
            means, units = _highest(means, days.of_step[units.first_step], days.count), days
        of_unit = self.groups(per).of_step[units.first_step]
        count = self.counted(highest, whole, slot, apart, per).astype(int)
        return np.array(
            [np.sort(means[of_unit == group])[::-1][:n].sum() / n for group, n in enumerate(count)]
        )

    def ratchet(
        self,
        name: str,
        level: Series,
        *,
        per: Grouping,
        fraction: float,
        periods: int,
        past: Sequence[float],
        at_least: float,
        at_most: Array,
        unit: str = "kW",
    ) -> Array:
        """A level that counts at least a fraction of the highest of the periods before, and at least `at_least`."""
        known = np.concatenate([np.zeros(periods), np.asarray(past, float), level])
        first = len(known) - len(level)
        before = [known[first + group - periods : first + group].max() for group in range(len(level))]
        return np.maximum(np.maximum(level, fraction * np.array(before)), at_least)

    def whole(self, name: str) -> None:
        """Replay of the rule that a column is a whole number."""
        values = self.solved[name]
        self.replays.append(RuleReplay(f"{name} is whole", np.abs(values - np.round(values)), STEP, "-"))

    def blocks(
        self,
        name: str,
        values: Series,
        *,
        widths: Sequence[Array],
        per: Grouping,
        at_most: Array,
        in_order: bool,
        unit: str = "kWh",
    ) -> list[Series]:
        """What of each group's sum falls into each of its blocks, filled one after the other; the last is open."""
        left, parts = self.groups(per).sum(values), []
        for number, width in enumerate(widths, 1):
            parts.append(np.minimum(left, width))
            left = left - parts[-1]
            self._whole_if_solved(f"{name}.block_{number}_is_full")
        return [*parts, left]

    def bands(
        self,
        name: str,
        values: Series,
        *,
        tops: Sequence[Array],
        worth: Sequence[float],
        per: Grouping,
        at_most: Array,
        unit: str = "kWh",
    ) -> list[Series]:
        """Each group's whole sum in the one band that it lies in, nothing in the others; the last band is open."""
        total = self.groups(per).sum(values)
        edges = [np.full(len(total), -np.inf), *tops, np.full(len(total), np.inf)]
        fits = np.array([(low - EDGE <= total) & (total <= high + EDGE) for low, high in pairwise(edges)])
        best = np.argmax(np.where(fits, np.asarray(worth, float)[:, None], -np.inf), axis=0)
        for number in range(1, len(edges)):
            self._whole_if_solved(f"{name}.in_band_{number}")
        return [np.where(best == number, total, 0.0) for number in range(len(fits))]

    def step_of(
        self,
        name: str,
        level: Series,
        *,
        tops: Sequence[float],
        per: Grouping,
        top_included: bool = True,
        unit: str = "kW",
    ) -> list[Series]:
        """1 for the lowest step that a level fits under, 0 for the others."""
        edge = EDGE if top_included else -EDGE
        fits = np.array([level <= top + edge for top in tops[:-1]] + [np.ones(len(level), bool)])
        lowest = np.argmax(fits, axis=0)
        for number in range(1, len(tops) + 1):
            self._whole_if_solved(f"{name}.step_{number}")
        return [(lowest == number).astype(float) for number in range(len(tops))]

    def shortfall(
        self,
        name: str,
        parts: Sequence[tuple[Series, Grouping]],
        *,
        at_least: Array,
        per: Grouping,
        at_most: Array,
        unit: str = "currency",
    ) -> Array:
        """How far the sum of some parts, each with its own groups, stays below a number in each group of `per`."""
        total = np.zeros(self.count(per))
        for values, own in parts:
            np.add.at(total, self.groups(per).of_step[self.groups(own).first_step], values)
        return np.maximum(at_least - total, 0.0)

    def _whole_if_solved(self, name: str) -> None:
        if name in self.solved:
            self.whole(name)

    def square_over(
        self,
        name: str,
        left: Series,
        value: Series,
        over: Series,
        *,
        factor: float,
        touching: Sequence[float],
        most: tuple[float, float],
        within: tuple[float, float],
        unit: str = "kW",
    ) -> None:
        """Replay of the rule that `left` is `factor` times the square of `value` over `over`, near enough."""
        law = factor * value**2 / over
        self.replays.append(RuleReplay(name, np.abs(left - law) - within[0] * law - within[1], STEP, unit))

    def one_direction(
        self, name: str, forth: str, back: str, forth_most: Numbers, back_most: Numbers
    ) -> None:
        """Replay of the rule that of two columns only one is above zero in a step."""
        both = np.minimum(self.solved[forth], self.solved[back])
        self.replays.append(RuleReplay(f"{name} in one direction", both, STEP, "kW"))

    def in_order(self, name: str, first: str, then: str) -> None:
        """The order of pieces is tested by the engine, which knows their widths."""


def _highest(values: Series, group: npt.NDArray[np.intp], count: int) -> Array:
    """The highest value of each group, at least zero."""
    highest = np.zeros(count)
    np.maximum.at(highest, group, values)
    return highest
