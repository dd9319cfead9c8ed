"""The few verbs that mean one thing to the linear program and the same thing to the books.

Rules and amounts of money are written once, on arrays. `LpTerms` runs them on arrays of Pyomo expressions and so
makes columns and rows; `SettledTerms` runs the same text on solved numbers and so replays rules and values lines.

`LpTerms` has two sizes. With `steps` given it holds a few steps only, every series is a symbol, and the last step
is the pattern that the engine tiles over the horizon. Without, it is the whole model with numbers in place: slow,
and the oracle that the tiled matrix is tested against.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pyomo.environ as pyo

from optimiser.errors import DriftError
from optimiser.timeline import STEP, Grouping, Groups, Timeline

Array = np.ndarray
Numbers = float | np.ndarray
Group = Literal[
    "energy in", "energy out", "demand", "fixed", "tax", "availability", "activation", "wear", "tie-break"
]


@dataclass(frozen=True)
class Line:
    """One amount of money, named.

    Attributes
    ----------
    name : str
        As it stands on the bill.
    group : str
        What it is part of.
    values : array
        Income positive, outgoings negative, one a step or one a group of `per`. [currency]
    per : Grouping
    cash : bool
        False for wear and tie-breaks, which steer the schedule and are on no bill.
    quantity : array or None
        What was multiplied by the rate, with the same shape; None where there is no single one.
    unit : str
        Unit of `quantity`.
    approximates : str
        A sentence where the LP can only come near what is settled.
    """

    name: str
    group: Group
    values: Array
    per: Grouping = STEP
    cash: bool = True
    quantity: Array | None = None
    unit: str = ""
    approximates: str = ""


@dataclass(frozen=True)
class ColumnFamily:
    """Decisions of one name, one a step or one a group, with finite bounds.

    `before` is the value it had in the steps before the horizon. A `helper` is held up by rows alone, so it is
    right only while money pushes it down. `whole` ones are whole numbers.
    """

    name: str
    per: Grouping
    lower: Array
    upper: Array
    before: float
    unit: str
    helper: bool = False
    whole: bool = False


@dataclass(frozen=True)
class RowFamily:
    """Rows of one name: the sum of `each` over the steps of a group, plus `once`, against zero.

    A row that holds both ways lies between `-width` and zero.
    """

    name: str
    per: Grouping
    sense: Literal["at_most", "equal"]
    each: Any
    once: Any
    unit: str = "kW"
    width: Any = np.inf


@dataclass(frozen=True)
class Pair:
    """Two columns of which only one may be above zero in a step, with the most that each can be there."""

    name: str
    forth: str
    back: str
    forth_most: Array
    back_most: Array


@dataclass(frozen=True)
class Sequel:
    """A column that may only be used once another is full."""

    name: str
    first: str
    then: str


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


class LpTerms(Terms):
    """The verbs on Pyomo expressions.

    Parameters
    ----------
    timeline : Timeline
    read : callable
        From a constant or "source.column" to its numbers on the timeline.
    steps : int or None
        Steps of the pattern, one more than the longest lag; None for the whole horizon.
    """

    def __init__(self, timeline: Timeline, read: Callable[[Any], Numbers], steps: int | None):
        super().__init__(timeline, read)
        self.pattern = steps
        self.model = pyo.ConcreteModel()
        self.columns: dict[str, ColumnFamily] = {}
        self.rows: dict[str, RowFamily] = {}
        self.pairs: dict[str, Pair] = {}
        self.sequels: dict[str, Sequel] = {}
        self.symbols: list[tuple[Any, Array, Grouping]] = []
        self._column_of: dict[int, str] = {}
        self._kept_alive: list[Array] = []

    def size(self, per: Grouping) -> int:
        """Elements of an array of `per` in this model."""
        return self.pattern or self.count(per)

    def series(self, numbers: Numbers, per: Grouping = STEP) -> Array:
        """Data, one number a step or a group; a symbol in the pattern unless it is one constant."""
        size = self.size(per)
        array = np.asarray(numbers, float)
        if array.ndim == 0:
            return np.full(size, float(array))
        if not self.pattern:
            return array
        symbol = pyo.Var(range(size))
        self.model.add_component(f"symbol_{len(self.symbols)}", symbol)
        self.symbols.append((symbol, array, per))
        return _objects([symbol[index] for index in range(size)])

    def column(
        self,
        name: str,
        *,
        at_most: Numbers,
        at_least: Numbers = 0.0,
        per: Grouping = STEP,
        before: float = 0.0,
        unit: str = "kW",
        helper: bool = False,
    ) -> Array:
        """A decision, one a step or a group, between finite bounds."""
        count = self.count(per)
        lower = np.broadcast_to(np.asarray(at_least, float), (count,))
        upper = np.broadcast_to(np.asarray(at_most, float), (count,))
        if name in self.columns:
            raise DriftError(f"two columns are named {name}")
        if not (np.isfinite(lower).all() and np.isfinite(upper).all()):
            raise DriftError(f"column {name} has a bound that is not finite")
        self.columns[name] = ColumnFamily(name, per, lower, upper, before, unit, helper)
        variable = pyo.Var(range(self.size(per)))
        self.model.add_component(f"column {name}", variable)
        array = _objects([variable[index] for index in range(self.size(per))])
        self._column_of[id(array)] = name
        self._kept_alive.append(array)
        return array

    def held_over(self, values: Array, per: Grouping) -> Array:
        """A group's value in each of its steps."""
        return values if self.pattern or per == STEP else values[self.groups(per).of_step]

    def previous(self, column: Array, lag: int = 1) -> Array:
        """A column's values `lag` steps earlier; before the horizon, the value it was declared with."""
        if lag == 0:
            return column
        family = self.columns[self._column_of[id(column)]]
        if self.pattern and lag >= self.pattern:
            raise DriftError(f"{family.name} is asked for {lag} steps back, the pattern has {self.pattern}")
        return _objects([family.before] * min(lag, len(column)) + list(column[:-lag]))

    def at_most(self, name: str, left: Any, right: Any, *, per: Grouping = STEP, unit: str = "kW") -> None:
        """The rule that `left` never exceeds `right`."""
        self._row(name, per, "at_most", None, left - right, unit)

    def between(self, name: str, low: Numbers, middle: Any, high: Numbers, *, unit: str = "kW") -> None:
        """The rule that `middle` stays between two series of numbers in every step."""
        width = np.broadcast_to(np.asarray(high, float) - np.asarray(low, float), (self.timeline.steps,))
        self._row(name, STEP, "at_most", None, middle - self.series(high), unit, width)

    def equal(self, name: str, left: Any, right: Any, *, per: Grouping = STEP, unit: str = "kW") -> None:
        """The rule that both sides are the same."""
        self._row(name, per, "equal", None, left - right, unit)

    def total(self, name: str, values: Array, *, per: Grouping, at_most: Numbers, unit: str = "kWh") -> Array:
        """The sum of a step series over each group."""
        total = self.column(name, at_most=at_most, per=per, unit=unit)
        self._row(name, per, "equal", values, -total, unit)
        return total

    def peak(
        self,
        name: str,
        values: Array,
        *,
        per: Grouping,
        slot: Grouping = STEP,
        at_most: Array,
        unit: str = "kW",
    ) -> Array:
        """The highest of a series in each group, of its mean over each `slot` where one is given.

        `at_most` is a step series that `values` never exceeds.
        """
        peak = self.column(
            name, at_most=np.maximum(self.groups(per).max(at_most), 0.0), per=per, unit=unit, helper=True
        )
        if slot == STEP:
            self._row(name, STEP, "at_most", None, values - self.held_over(peak, per), unit)
            return peak
        groups = self.groups(slot)
        share = self.series(1.0 / groups.sizes[groups.of_step])
        billed = peak if self.pattern else peak[self.groups(per).of_step[groups.first_step]]
        self._row(name, slot, "at_most", values * share, -billed, unit)
        return peak

    def one_direction(
        self, name: str, forth: str, back: str, forth_most: Numbers, back_most: Numbers
    ) -> None:
        """The rule that of two columns only one is above zero in a step."""
        steps = (self.timeline.steps,)
        self.pairs[name] = Pair(
            name, forth, back, np.broadcast_to(forth_most, steps), np.broadcast_to(back_most, steps)
        )

    def in_order(self, name: str, first: str, then: str) -> None:
        """The rule that a column is used only once another one is at its upper bound."""
        self.sequels[name] = Sequel(name, first, then)

    def whole(self, name: str) -> None:
        """The rule that a column is a whole number."""
        self.columns[name] = replace(self.columns[name], whole=True)

    def _row(
        self, name: str, per: Grouping, sense: Any, each: Any, once: Any, unit: str, width: Any = np.inf
    ) -> None:
        if name in self.rows:
            raise DriftError(f"two rules are named {name}")
        size = self.size(per)
        if self.pattern:
            pattern = (None if each is None else each[-1], once[-1])
            self.rows[name] = RowFamily(name, per, sense, *pattern, unit, width)
            return
        self.rows[name] = RowFamily(name, per, sense, None, None, unit, width)
        members: list[Any] = list(np.broadcast_to(np.asarray(once, dtype=object), (size,)))
        if each is not None:
            groups = self.groups(per)
            for step, group in enumerate(groups.of_step):
                members[group] = members[group] + each[step]
        block = pyo.Constraint(range(size))
        self.model.add_component(f"row {name}", block)
        for index, body in enumerate(members):
            if isinstance(body, (int, float, np.number)):
                continue
            if sense == "equal":
                block.add(index, body == 0)
            else:
                floor = -float(width[index]) if np.ndim(width) else None
                block.add(index, (floor, body, 0) if floor is not None else body <= 0)


@dataclass
class Replay:
    """What replaying a rule on solved numbers found.

    Attributes
    ----------
    name : str
    excess : array
        How far the rule is broken, one a step or a group; zero or below where it holds.
    per : Grouping
    unit : str
    """

    name: str
    excess: Array
    per: Grouping
    unit: str

    @property
    def worst(self) -> float:
        """The largest excess."""
        return float(self.excess.max(initial=0.0))


@dataclass
class SettledTerms(Terms):
    """The verbs on solved numbers: every rule is replayed, every helper is computed afresh.

    Parameters
    ----------
    timeline : Timeline
    read : callable
        From a constant or "source.column" to its numbers on the timeline.
    solved : dict of str to array
        Value of each column by name.
    """

    timeline: Timeline
    _read: Callable[[Any], Numbers]
    solved: dict[str, Array]
    replays: list[Replay] = field(default_factory=list)
    _before: dict[int, float] = field(default_factory=dict)

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
        helper: bool = False,
    ) -> Array:
        """A solved decision; its bounds are replayed."""
        values = self.solved[name]
        excess = np.maximum(values - at_most, at_least - values)
        self.replays.append(Replay(f"{name} within its bounds", excess, per, unit))
        self._before[id(values)] = before
        return values

    def held_over(self, values: Array, per: Grouping) -> Array:
        """A group's value in each of its steps."""
        return values[self.groups(per).of_step]

    def previous(self, column: Array, lag: int = 1) -> Array:
        """A column's values `lag` steps earlier."""
        if lag == 0:
            return column
        lag = min(lag, len(column))
        return np.concatenate([np.full(lag, self._before[id(column)]), column[: len(column) - lag]])

    def at_most(self, name: str, left: Any, right: Any, *, per: Grouping = STEP, unit: str = "kW") -> None:
        """Replay of the rule that `left` never exceeds `right`."""
        self.replays.append(Replay(name, np.asarray(left - right, float), per, unit))

    def between(self, name: str, low: Numbers, middle: Any, high: Numbers, *, unit: str = "kW") -> None:
        """Replay of the rule that `middle` stays between two series of numbers in every step."""
        self.replays.append(Replay(name, np.maximum(middle - high, low - middle), STEP, unit))

    def equal(self, name: str, left: Any, right: Any, *, per: Grouping = STEP, unit: str = "kW") -> None:
        """Replay of the rule that both sides are the same."""
        self.replays.append(Replay(name, np.abs(np.asarray(left - right, float)), per, unit))

    def total(self, name: str, values: Array, *, per: Grouping, at_most: Numbers, unit: str = "kWh") -> Array:
        """The sum of a step series over each group."""
        return self.groups(per).sum(values)

    def peak(
        self,
        name: str,
        values: Array,
        *,
        per: Grouping,
        slot: Grouping = STEP,
        at_most: Array,
        unit: str = "kW",
    ) -> Array:
        """The highest of a series in each group, of its mean over each `slot` where one is given."""
        if slot == STEP:
            return np.maximum(self.groups(per).max(values), 0.0)
        slots = self.groups(slot)
        means = slots.sum(values) / slots.sizes
        highest = np.zeros(self.count(per))
        np.maximum.at(highest, self.groups(per).of_step[slots.first_step], means)
        return highest

    def one_direction(
        self, name: str, forth: str, back: str, forth_most: Numbers, back_most: Numbers
    ) -> None:
        """Replay of the rule that of two columns only one is above zero in a step."""
        both = np.minimum(self.solved[forth], self.solved[back])
        self.replays.append(Replay(f"{name} in one direction", both, STEP, "kW"))

    def in_order(self, name: str, first: str, then: str) -> None:
        """The order of pieces is tested by the engine, which knows their widths."""

    def whole(self, name: str) -> None:
        """Replay of the rule that a column is a whole number."""
        values = self.solved[name]
        self.replays.append(Replay(f"{name} is whole", np.abs(values - np.round(values)), STEP, "-"))


def _objects(items: Sequence[Any]) -> Array:
    array = np.empty(len(items), dtype=object)
    array[:] = items
    return array
