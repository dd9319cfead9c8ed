"""The verbs as a linear program: columns and rows of a Pyomo model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pyomo.environ as pyo

from optimiser.errors import DriftError
from optimiser.flows import Amount, Series
from optimiser.terms.data import Array, InputData, Numbers
from optimiser.terms.line import ColumnFamily, FillOrder, Pair, RowFamily
from optimiser.terms.verbs import EDGE, INNER_EDGE, TANGENTS, Terms
from optimiser.timeline import STEP, Grouping


class LpTerms(Terms):
    """The verbs on Pyomo expressions.

    Parameters
    ----------
    data : InputData
    steps : int or None
        Steps of the pattern, one more than the longest lag; None for the whole horizon.
    """

    def __init__(self, data: InputData, steps: int | None):
        super().__init__(data)
        self.pattern = steps
        self.model = pyo.ConcreteModel()
        self.columns: dict[str, ColumnFamily] = {}
        self.rows: dict[str, RowFamily] = {}
        self.pairs: dict[str, Pair] = {}
        self.fill_orders: dict[str, FillOrder] = {}
        self.integers: dict[str, ColumnFamily] = {}
        self.symbols: list[tuple[Any, Array, Grouping]] = []
        self._column_of: dict[int, str] = {}
        self._kept_alive: list[Series] = []

    def size(self, per: Grouping) -> int:
        """Elements of an array of `per` in this model."""
        return self.pattern or self.count(per)

    def series(self, numbers: Numbers, per: Grouping = STEP) -> Series:
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
        return objects([symbol[index] for index in range(size)])

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
    ) -> Series:
        """A decision, one a step or a group, between finite bounds."""
        count = self.count(per)
        lower = np.broadcast_to(np.asarray(at_least, float), (count,))
        upper = np.broadcast_to(np.asarray(at_most, float), (count,))
        if name in self.columns:
            raise DriftError(f"two columns are named {name}")
        if not (np.isfinite(lower).all() and np.isfinite(upper).all()):
            raise DriftError(f"column {name} has a bound that is not finite")
        self.columns[name] = ColumnFamily(
            name, per, lower, upper, before, unit, auxiliary, derived or auxiliary
        )
        variable = pyo.Var(range(self.size(per)))
        self.model.add_component(f"column {name}", variable)
        array = objects([variable[index] for index in range(self.size(per))])
        self._column_of[id(array)] = name
        self._kept_alive.append(array)
        return array

    def broadcast(self, values: Series, per: Grouping) -> Series:
        """A group's value in each of its steps."""
        return values if self.pattern or per == STEP else values[self.groups(per).of_step]

    def previous(self, column: Series, lag: int = 1) -> Series:
        """A column's values `lag` steps earlier; before the horizon, the value it was declared with."""
        if lag == 0:
            return column
        family = self.columns[self._column_of[id(column)]]
        if self.pattern and lag >= self.pattern:
            raise DriftError(f"{family.name} is asked for {lag} steps back, the pattern has {self.pattern}")
        return objects([family.before] * min(lag, len(column)) + list(column[:-lag]))

    def at_most(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """The rule that `left` never exceeds `right`."""
        self._row(name, per, "at_most", None, left - right, unit)

    def between(self, name: str, low: Numbers, middle: Series, high: Numbers, *, unit: str = "kW") -> None:
        """The rule that `middle` stays between two series of numbers in every step."""
        width = np.broadcast_to(np.asarray(high, float) - np.asarray(low, float), (self.timeline.steps,))
        self._row(name, STEP, "at_most", None, middle - self.series(high), unit, width)

    def equal(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """The rule that both sides are the same."""
        self._row(name, per, "equal", None, left - right, unit)

    def total(
        self, name: str, values: Series, *, per: Grouping, at_most: Numbers, unit: str = "kWh"
    ) -> Series:
        """The sum of a step series over each group."""
        total = self.column(name, at_most=at_most, per=per, unit=unit)
        self._row(name, per, "equal", values, -total, unit)
        return total

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
    ) -> Series:
        """The highest of a series in each group, of its mean over each `slot` where one is given."""
        whole = at_most if reactive is None else np.hypot(at_most, reactive)
        most = np.maximum(self.groups(per).max(whole), 0.0)
        peak = self.column(name, at_most=most, per=per, unit=unit, auxiliary=True)
        if highest == 1:
            self._reach(name, values, [(peak, per)], slot, unit, reactive)
            return peak
        # The sum of the n highest is the least of n threshold + sum of what lies above it, over all thresholds.
        threshold = self.column(f"{name}.threshold", at_most=most, per=per, unit=unit, auxiliary=True)
        over = slot
        if apart != STEP:
            over = apart
            best = self.column(
                f"{name}.best",
                at_most=np.maximum(self.groups(apart).max(whole), 0.0),
                per=apart,
                unit=unit,
                auxiliary=True,
            )
            self._reach(f"{name}.best", values, [(best, apart)], slot, unit, reactive)
        groups = self.groups(over)
        above = self.column(
            f"{name}.above", at_most=np.maximum(groups.max(whole), 0.0), per=over, unit=unit, auxiliary=True
        )
        if apart != STEP:
            self._row(
                f"{name}.above",
                apart,
                "at_most",
                None,
                best - self._lift(threshold, per, apart) - above,
                unit,
            )
        else:
            self._reach(f"{name}.above", values, [(threshold, per), (above, slot)], slot, unit, reactive)
        count = self.counted(highest, whole, slot, apart, per)
        share = 1.0 / groups.sizes[groups.of_step] / count[self.groups(per).of_step]
        each = self.broadcast(above, over) * self.series(share)
        self._row(f"{name} of the highest", per, "at_most", each, threshold - peak, unit)
        return peak

    def _reach(
        self,
        name: str,
        values: Series,
        columns: Sequence[tuple[Series, Grouping]],
        slot: Grouping,
        unit: str,
        reactive: Array | None,
    ) -> None:
        """Rows that hold the sum of some columns up to a series, or to its mean over each slot."""
        groups = self.groups(slot)
        held = [self._lift(column, per, slot) for column, per in columns]
        top = sum(held[1:], held[0])
        tangents = (0.0,) if reactive is None else TANGENTS
        for number, angle in enumerate(tangents):
            row = name if number == 0 else f"{name}, tangent {number}"
            part = values if reactive is None else values * float(np.cos(angle))
            beside: Any = 0.0
            if reactive is not None:
                mean = groups.sum(reactive) / groups.sizes
                beside = self.series(mean * np.sin(angle), per=slot)
            if slot == STEP:
                self._row(row, STEP, "at_most", None, part + beside - top, unit)
            else:
                share = self.series(1.0 / groups.sizes[groups.of_step])
                self._row(row, slot, "at_most", part * share, beside - top, unit)

    def _lift(self, column: Series, own: Grouping, per: Grouping) -> Series:
        """A group's value in each of the smaller groups `per` within it."""
        if self.pattern or own == per:
            return column
        return column[self.groups(own).of_step[self.groups(per).first_step]]

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
    ) -> Series:
        """A level that counts at least a fraction of the highest of the periods before, and at least `at_least`."""
        most = max([at_least, *past, float(np.max(at_most, initial=0.0))])
        billed = self.column(name, at_least=at_least, at_most=most, per=per, unit=unit, auxiliary=True)
        self.at_most(name, level, billed, per=per, unit=unit)
        if not fraction:
            return billed
        earlier = [0.0] * periods + list(past)
        memory = self.column(
            f"{name}.0", at_most=most, per=per, before=float(earlier[-1]), unit=unit, derived=True
        )
        self.equal(f"{name}.0", memory, level, per=per, unit=unit)
        for lag in range(1, periods + 1):
            last = memory
            before = float(earlier[-1 - lag]) if lag < periods else 0.0
            memory = self.column(
                f"{name}.{lag}", at_most=most, per=per, before=before, unit=unit, derived=True
            )
            self.equal(f"{name}.{lag}", memory, self.previous(last), per=per, unit=unit)
            self.at_most(f"{name}.{lag} counts", fraction * memory, billed, per=per, unit=unit)
        return billed

    def whole(self, name: str) -> None:
        """The rule that a column is a whole number; its relaxation lets it be anything between its bounds."""
        self.columns[name] = self.integers[name] = replace(self.columns[name], whole=True)

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
        sizes = [np.minimum(width, at_most) for width in widths] + [np.asarray(at_most, float)]
        parts = [
            self.column(f"{name}.block_{number}", at_most=size, per=per, unit=unit, derived=True)
            for number, size in enumerate(sizes, 1)
        ]
        self._row(name, per, "equal", values, -sum(parts[1:], parts[0]), unit)
        for number in range(1, len(parts)) if in_order else ():
            full = f"{name}.block_{number}_is_full"
            opened = self.column(full, at_most=1.0, per=per, unit="-", derived=True)
            self.whole(full)
            first, then = (self.series(size, per=per) for size in sizes[number - 1 : number + 1])
            self.at_most(full, first * opened, parts[number - 1], per=per, unit=unit)
            self.at_most(f"{full} before the next", parts[number], then * opened, per=per, unit=unit)
        return parts

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
        edges = [
            np.zeros(self.count(per)),
            *(np.minimum(top, at_most) for top in tops),
            np.asarray(at_most, float),
        ]
        parts, chosen = [], []
        for number in range(1, len(edges)):
            part = self.column(f"{name}.band_{number}", at_most=at_most, per=per, unit=unit, derived=True)
            choice = f"{name}.in_band_{number}"
            inside = self.column(choice, at_most=1.0, per=per, unit="-", derived=True)
            self.whole(choice)
            low = self.series(np.maximum(edges[number - 1] - INNER_EDGE, 0.0), per=per)
            high = self.series(edges[number] + INNER_EDGE, per=per)
            self.at_most(f"{choice}, from", low * inside, part, per=per, unit=unit)
            self.at_most(f"{choice}, to", part, high * inside, per=per, unit=unit)
            parts.append(part)
            chosen.append(inside)
        self._row(name, per, "equal", values, -sum(parts[1:], parts[0]), unit)
        self.equal(
            f"{name} in one band", sum(chosen[1:], chosen[0]), self.series(1.0, per=per), per=per, unit="-"
        )
        return parts

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
        """1 for the lowest step that a level fits under, 0 for the others; between whole numbers, shares of several."""
        chosen = []
        for number in range(1, len(tops) + 1):
            chosen.append(self.column(f"{name}.step_{number}", at_most=1.0, per=per, unit="-", derived=True))
            self.whole(f"{name}.step_{number}")
        # Less than the books allow by a tenth of an edge, either way.
        slack = INNER_EDGE if top_included else INNER_EDGE - 2 * EDGE
        room = [*(top + slack for top in tops[:-1]), tops[-1] + INNER_EDGE]
        parts = [top * share for top, share in zip(room, chosen, strict=True)]
        self.at_most(f"{name} fits its step", level, sum(parts[1:], parts[0]), per=per, unit=unit)
        self.equal(
            f"{name} has one step", sum(chosen[1:], chosen[0]), self.series(1.0, per=per), per=per, unit="-"
        )
        return chosen

    def shortfall(
        self,
        name: str,
        parts: Sequence[tuple[Series, Grouping]],
        *,
        at_least: Array,
        per: Grouping,
        at_most: Array,
        unit: str = "currency",
    ) -> Series:
        """How far the sum of some parts, each with its own groups, stays below a number in each group of `per`."""
        short = self.column(name, at_most=at_most, per=per, unit=unit, auxiliary=True)
        each, once = None, self.series(at_least, per=per) - short
        for values, own in parts:
            if own == per:
                once = once - values
            else:
                groups = self.groups(own)
                spread = self.broadcast(values, own) * self.series(1.0 / groups.sizes[groups.of_step])
                each = -spread if each is None else each - spread
        self._row(name, per, "at_most", each, once, unit)
        return short

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
        """The rule that `left` is `factor` times the square of `value` over `over`, both linear, near enough."""
        cuts = [0.0, *((a + b) / 2 for a, b in pairwise(touching)), most[0]]
        above = []
        for number, ratio in enumerate(cuts[1:-1], 1):
            # Of one width, so that whichever is larger says on which side of the ratio the value is.
            width = max(ratio, most[0] - ratio) * most[1]
            names = (f"{name}.below_{number}", f"{name}.above_{number}")
            below, over_it = (self.column(each, at_most=width, unit=unit, derived=True) for each in names)
            self.equal(f"{name}, ratio {number}", over_it - below, value - over * ratio, unit=unit)
            self.one_direction(f"{name}, ratio {number}", *names, width, width)
            above.append(over_it)
        lowest = [2 * ratio for ratio in touching]
        highest = [low + high for low, high in pairwise(cuts)]
        for words, slopes in (("at least", lowest), ("at most", highest)):
            law = factor * slopes[0] * value
            for part, (flat, steep) in zip(above, pairwise(slopes), strict=True):
                law = law + factor * (steep - flat) * part
            both = (law, left) if words == "at least" else (left, law)
            self.at_most(f"{name}, {words}", *both, unit=unit)

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
        self.fill_orders[name] = FillOrder(name, first, then)

    def _row(
        self, name: str, per: Grouping, sense: Any, each: Any, once: Any, unit: str, width: Any = np.inf
    ) -> None:
        if name in self.rows:
            raise DriftError(f"two rules are named {name}")
        size = self.size(per)
        if each is not None and per == STEP:
            each, once = None, each + once  # every group has one step
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


def objects(items: Sequence[Any]) -> npt.NDArray[np.object_]:
    """An array that holds what it is given, whatever that is."""
    array = np.empty(len(items), dtype=object)
    array[:] = items
    return array
