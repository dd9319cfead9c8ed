"""The pattern repeated over the horizon with NumPy: one sparse matrix, step by step in time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from optimiser.engine.pattern import Body, Pattern, compile_pattern, evaluate
from optimiser.formulation import Stated
from optimiser.terms.line import ColumnFamily, FillOrder, Line, Pair, RowFamily
from optimiser.timeline import STEP, Grouping, Timeline


@dataclass(frozen=True)
class Problem:
    """A linear program: maximise `objective @ x + offset` with rows and columns within bounds.

    Attributes
    ----------
    matrix : csr_array of shape (rows, columns)
    row_lower, row_upper : array of shape (rows,)
    lower, upper : array of shape (columns,)
    objective : array of shape (columns,)
        Money a unit of each column brings. [currency]
    offset : float
        Money that no decision moves. [currency]
    by_line : csr_array of shape (lines, columns)
        The objective, line by line.
    line_offsets : array of shape (lines,)
    lines : tuple of Line
    """

    timeline: Timeline
    columns: dict[str, ColumnFamily]
    rows: tuple[RowFamily, ...]
    matrix: sparse.csr_array
    row_lower: np.ndarray
    row_upper: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    by_line: sparse.csr_array
    line_offsets: np.ndarray
    lines: tuple[Line, ...]
    pairs: dict[str, Pair]
    fill_orders: dict[str, FillOrder]
    places: dict[str, np.ndarray] = field(repr=False)
    row_places: dict[str, np.ndarray] = field(repr=False)

    @cached_property
    def objective(self) -> np.ndarray:
        """Money that a unit of each column brings, all lines together."""
        return np.asarray(self.by_line.sum(axis=0)).ravel()

    @property
    def offset(self) -> float:
        """Money that no decision moves."""
        return float(self.line_offsets.sum())

    @cached_property
    def step_columns(self) -> int:
        """Columns of one step; those of step t start at t times this number."""
        return sum(family.per == STEP for family in self.columns.values())

    @cached_property
    def step_rows(self) -> int:
        """Rows of one step; those of step t start at t times this number."""
        return sum(family.per == STEP for family in self.rows)

    def weighted(self, weights: np.ndarray) -> Problem:
        """The same program with each line of money counted so many times, of shape (lines,); itself where all are 1."""
        if (weights == 1.0).all():
            return self
        by_line = sparse.csr_array(sparse.diags_array(weights) @ self.by_line)
        return replace(self, by_line=by_line, line_offsets=weights * self.line_offsets)

    def split(self, x: np.ndarray) -> dict[str, np.ndarray]:
        """A solution's values by name of column."""
        return {name: x[place] for name, place in self.places.items()}

    def by_rule(self, y: np.ndarray) -> dict[str, np.ndarray]:
        """Numbers of the rows by name of rule; none where there are none."""
        return {name: y[place] for name, place in self.row_places.items()} if len(y) else {}

    def name_of_row(self, number: int) -> tuple[RowFamily, int]:
        """The rule that a row belongs to, and its step or group."""
        for family in self.rows:
            place = self.row_places[family.name]
            found = np.flatnonzero(place == number)
            if len(found):
                return family, int(found[0])
        raise KeyError(number)


def build_problem(scenario: Stated) -> Problem:
    """Compile and tile a scenario."""
    return tile(compile_pattern(scenario), scenario.timeline)


def tile(pattern: Pattern, timeline: Timeline) -> Problem:
    """Repeat a pattern over a timeline."""
    return _Tiler(pattern, timeline).problem()


class _Tiler:
    """Numbers of columns and rows, and the samples of symbols at them."""

    def __init__(self, pattern: Pattern, timeline: Timeline):
        self.pattern, self.timeline = pattern, timeline
        self.places = self._number(list(pattern.columns.values()))
        self.row_places = self._number([row.family for row in pattern.rows])
        self._samples: dict[tuple[object, ...], np.ndarray] = {}

    def _number(self, families: list[Any]) -> dict[str, np.ndarray]:
        """Places of families: those of steps side by side in every step, those of groups after them all."""
        per_step = [family.name for family in families if family.per == STEP]
        steps = np.arange(self.timeline.steps)
        places = {name: steps * len(per_step) + number for number, name in enumerate(per_step)}
        total = self.timeline.steps * len(per_step)
        for family in families:
            if family.per != STEP:
                count = self.timeline.groups(family.per).count
                places[family.name] = total + np.arange(count)
                total += count
        return places

    def _count(self, places: dict[str, np.ndarray]) -> int:
        return sum(len(place) for place in places.values())

    def _lookup(self, base: Grouping) -> Callable[[Any], Any]:
        """From a symbol to its numbers at each step or group of `base`."""

        def look_up(symbol: Any) -> Any:
            if id(symbol) not in self.pattern.symbol_of:
                return 0.0  # a column whose coefficients cancel
            key = (id(symbol), base)
            if key not in self._samples:
                number, index = self.pattern.symbol_of[id(symbol)]
                data = self.pattern.symbols[number]
                self._samples[key] = data.numbers[
                    self._members(data.per, base, self.pattern.steps - 1 - index)
                ]
            return self._samples[key]

        return look_up

    def _members(self, own: Grouping, base: Grouping, lag: int) -> np.ndarray:
        """Which step or group of `own` stands at each step or group of `base`, at least the first."""
        groups = self.timeline.groups(base)
        if own == base:
            return np.maximum(np.arange(groups.count) - lag, 0)
        return self.timeline.groups(own).of_step[groups.first_step]

    def _entries(self, body: Body, base: Grouping) -> list[tuple[np.ndarray, np.ndarray, float]]:
        """Column places (-1 before the horizon), values and value before the horizon, of each entry."""
        count = self.timeline.groups(base).count
        look_up = self._lookup(base)
        made = []
        for entry in body.entries:
            family = self.pattern.columns[entry.column]
            places = self.places[entry.column][self._members(family.per, base, entry.lag)]
            if entry.lag:
                places = places.copy()
                places[: entry.lag] = -1
            values = np.broadcast_to(evaluate(entry.worth, look_up), (count,))
            made.append((places, values, family.before))
        return made

    def _constant(self, body: Body, base: Grouping) -> np.ndarray:
        constant = evaluate(body.constant, self._lookup(base))
        return np.broadcast_to(constant, (self.timeline.groups(base).count,))

    def problem(self) -> Problem:
        """The whole linear program."""
        step_rows = [row for row in self.pattern.rows if row.family.per == STEP]
        group_rows = [row for row in self.pattern.rows if row.family.per != STEP]
        columns, rows = self._count(self.places), self._count(self.row_places)
        right = np.zeros(rows)
        matrix = self._step_matrix(step_rows, columns, right)
        if group_rows:
            first = self.timeline.steps * len(step_rows)
            matrix = sparse.vstack(
                [matrix, self._group_matrix(group_rows, columns, rows - first, first, right)], format="csr"
            )
        left = np.full(rows, -np.inf)
        for row in self.pattern.rows:
            place = self.row_places[row.family.name]
            left[place] = right[place] - (0.0 if row.family.sense == "equal" else row.family.width)
        by_line, offsets = self._lines(columns)
        lower, upper = np.zeros(columns), np.zeros(columns)
        for name, family in self.pattern.columns.items():
            lower[self.places[name]], upper[self.places[name]] = family.lower, family.upper
        return Problem(
            self.timeline,
            self.pattern.columns,
            tuple(row.family for row in self.pattern.rows),
            sparse.csr_array(matrix),
            left,
            right,
            lower,
            upper,
            by_line,
            offsets,
            tuple(item.line for item in self.pattern.lines),
            self.pattern.pairs,
            self.pattern.fill_orders,
            self.places,
            self.row_places,
        )

    def _step_matrix(self, rows: list[Any], columns: int, right: np.ndarray) -> sparse.csr_array:
        """Rows of single steps: already in order of step and row, so nothing is sorted."""
        steps = self.timeline.steps
        made = []
        for row in rows:
            place = self.row_places[row.family.name]
            right[place] -= self._constant(row.once, STEP)
            for places, values, before in self._entries(row.once, STEP):
                outside = places < 0
                right[place[outside]] -= values[outside] * before
                made.append((place, places, values))
        if not made:
            return sparse.csr_array((steps * len(rows), columns))
        shape = (steps, len(made))
        index, value, number = np.empty(shape, np.int32), np.empty(shape), np.empty(shape, np.int32)
        for position, (place, places, values) in enumerate(made):
            number[:, position], index[:, position], value[:, position] = place, places, values
        keep = (index >= 0) & (value != 0)
        counts = np.bincount(number[keep], minlength=steps * len(rows))
        start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
        return sparse.csr_array((value[keep], index[keep], start), shape=(steps * len(rows), columns))

    def _group_matrix(
        self, rows: list[Any], columns: int, count: int, first: int, right: np.ndarray
    ) -> sparse.csr_array:
        """Rows of groups: sums over their steps."""
        numbers, indices, amounts = [], [], []
        for row in rows:
            place = self.row_places[row.family.name]
            groups = self.timeline.groups(row.family.per)
            right[place] -= self._constant(row.once, row.family.per)
            right[place] -= groups.sum(self._constant(row.each, STEP))
            made = [(place[groups.of_step], *entry) for entry in self._entries(row.each, STEP)]
            made += [(place, *entry) for entry in self._entries(row.once, row.family.per)]
            for number, places, values, before in made:
                outside = places < 0
                np.subtract.at(right, number[outside], values[outside] * before)
                numbers.append(number[~outside] - first)
                indices.append(places[~outside])
                amounts.append(values[~outside])
        matrix = sparse.coo_array(
            (np.concatenate(amounts), (np.concatenate(numbers), np.concatenate(indices))),
            shape=(count, columns),
        ).tocsr()
        matrix.eliminate_zeros()
        return matrix

    def _lines(self, columns: int) -> tuple[sparse.csr_array, np.ndarray]:
        numbers, indices, amounts = [], [], []
        offsets = np.zeros(len(self.pattern.lines))
        for number, item in enumerate(self.pattern.lines):
            offsets[number] = self._constant(item.body, item.line.per).sum()
            for places, values, before in self._entries(item.body, item.line.per):
                outside = places < 0
                offsets[number] += (values[outside] * before).sum()
                inside = ~outside & (values != 0)
                numbers.append(np.full(int(inside.sum()), number))
                indices.append(places[inside])
                amounts.append(values[inside])
        shape = (len(self.pattern.lines), columns)
        if not numbers:
            return sparse.csr_array(shape), offsets
        entries = (np.concatenate(amounts), (np.concatenate(numbers), np.concatenate(indices)))
        return sparse.csr_array(sparse.coo_array(entries, shape=shape)), offsets
