"""The most that a step can make, between what is stored when it begins and ends: the least of some planes.

With directions taken, that is a concave function of two numbers. By weak duality any multipliers of the step's rows
give a plane above it, wherever they were found. A sample of steps is solved for all sorts of stored energies; the
bases at their optima give multipliers for every step of the year at its own prices, and of those planes the few that
are lowest somewhere are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit

from optimiser.engine.solver import BASIC, Highs, Piece
from optimiser.engine.stage import Kind, Priced, Stage, stacked_blocks

SAMPLES, FEWEST_SAMPLES = 3000, 300
AT_ONCE = 300
LEVELS = 9
CHUNK = 4096
STEEP = 1000.0
REACHES = (1.0, 0.3, 0.1, 0.03, 0.01)

# What a kW of each column brings by choice, what a kWh at the end does, and the price of breaking a row.
Money = tuple[np.ndarray, np.ndarray, float]


@dataclass(frozen=True)
class Choices:
    """Ways that steps may go: one or more a step, with the bounds that each leaves, in order of their steps.

    Attributes
    ----------
    step : int array of shape (choices,)
    lower, upper : array of shape (choices, columns)
    code : int array of shape (choices,)
        Which way each goes, for whoever made them.
    first : int array of shape (steps + 1,)
        Place of each step's first choice.
    """

    step: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    code: np.ndarray
    first: np.ndarray

    def of_steps(self, first: int, stop: int) -> Choices:
        """Those of some steps, with bounds of their own; steps keep their numbers."""
        mine = slice(self.first[first], self.first[stop])
        places = self.first[first : stop + 1] - self.first[first]
        return Choices(
            self.step[mine], self.lower[mine].copy(), self.upper[mine].copy(), self.code[mine], places
        )


@dataclass(frozen=True)
class Planes:
    """Planes `height + start * s + end * e` of each choice, by falling `end`.

    Attributes
    ----------
    height, start, end : array of shape (planes,)
    first : int array of shape (choices + 1,)
        Place of each choice's first plane.
    figures : array of shape (figures, planes)
        What one more unit of a figure that steps share brings, where bounds of it are not yet said; its money is not
        in `height` then.
    """

    height: np.ndarray
    start: np.ndarray
    end: np.ndarray
    first: np.ndarray
    figures: np.ndarray

    def within(self, lower: np.ndarray, upper: np.ndarray, levels: np.ndarray, near: np.ndarray) -> Planes:
        """The lowest of them with the figures between some bounds, looked at as `Envelopes.planes` does."""
        if not len(self.figures):
            return self
        form = (self.height, self.start, self.end, self.first, self.figures)
        made, first = _within(form, lower, upper, levels, near)
        return Planes(made[0], made[1], made[2], first, self.figures[:0])

    def most(self, choice: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """The most that some choices make between some stored energies. [currency]"""
        begin, count = self.first[choice], np.diff(self.first)[choice]
        owner = np.repeat(np.arange(len(choice)), count)
        place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + begin[owner]
        value = self.height[place] + self.start[place] * start[owner] + self.end[place] * end[owner]
        return np.minimum.reduceat(value, np.cumsum(count) - count)


@dataclass
class _Pool:
    """Bases of one kind of step, each by its rows that bind, its columns that are free, and the inverse between."""

    kind: Kind
    known: set[bytes]
    rows: list[np.ndarray]
    columns: list[np.ndarray]
    inverses: list[np.ndarray]

    def block(self) -> np.ndarray:
        """The rows of a step on its columns, and on two columns a row for what is off either way.

        What is off costs more than it could ever bring, so every choice has an answer at all stored energies.
        """
        count = self.kind.own.shape[0]
        return np.hstack([self.kind.own, np.eye(count), -np.eye(count)])

    def add(self, block: np.ndarray, basic: np.ndarray, binding: np.ndarray) -> None:
        """Keep the bases among some that are new, of shapes (bases, columns) and (bases, rows)."""
        for columns, rows in zip(basic, binding, strict=True):
            key = np.packbits(columns).tobytes() + np.packbits(rows).tobytes()
            if key in self.known or columns.sum() != rows.sum():
                continue
            self.known.add(key)
            square = block[np.ix_(rows, columns)]
            if np.linalg.cond(square) < 1e10:
                self.rows.append(np.flatnonzero(rows))
                self.columns.append(np.flatnonzero(columns))
                self.inverses.append(np.linalg.inv(square))

    def arrays(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Size, rows, columns and inverse of every basis, padded."""
        size = np.array([len(rows) for rows in self.rows])
        most = int(size.max(initial=1))
        rows, columns = (np.zeros((len(size), most), np.int64) for _ in range(2))
        inverse = np.zeros((len(size), most, most))
        for number, count in enumerate(size):
            rows[number, :count], columns[number, :count] = self.rows[number], self.columns[number]
            inverse[number, :count, :count] = self.inverses[number]
        return size, rows, columns, inverse


class Envelopes:
    """What steps can make, learnt from samples; more samples make it exact where it matters."""

    def __init__(self, stage: Stage):
        self._stage = stage
        self._pools = [_Pool(kind, set(), [], [], []) for kind in stage.kinds]
        self._kind_of_step = np.zeros(stage.steps, int)
        for number, kind in enumerate(stage.kinds):
            self._kind_of_step[kind.steps] = number
        low, high = stage.stored
        self.range_kwh = (float(low.min()), float(high.max()))

    @property
    def size(self) -> int:
        """Bases known."""
        return sum(len(pool.rows) for pool in self._pools)

    def sample(self, priced: Priced, choices: Choices, contested: np.ndarray) -> None:
        """Learn from a spread of choices, half of them from the `contested`, and of stored energies."""
        rng = np.random.default_rng(0)
        low, high = self.range_kwh
        for number, kind in enumerate(self._stage.kinds):
            mine = self._kind_of_step[choices.step] == number
            places, few = np.flatnonzero(mine), np.flatnonzero(mine & contested)
            count = min(SAMPLES, FEWEST_SAMPLES + 10 * len(kind.steps))
            chosen = rng.choice(places, count)
            if len(few):
                chosen[: count // 2] = rng.choice(few, count // 2)
            start = rng.uniform(low, high, count)
            reach = rng.choice(REACHES, count) * (high - low)
            end = np.clip(start + rng.uniform(-1, 1, count) * reach, low, high)
            lower, upper = choices.lower[chosen], choices.upper[chosen]
            # Of figures that steps share, half of the samples know the amounts, the others their bounds.
            copies = slice(len(self._stage.columns), None)
            spread = rng.uniform(0, 1, (count, len(self._stage.shared))) ** 2
            amount = lower[:, copies] + spread * (upper - lower)[:, copies]
            known = rng.random(count)[:, np.newaxis] < 0.5
            lower[:, copies] = np.where(known, amount, lower[:, copies])
            upper[:, copies] = np.where(known, amount, upper[:, copies])
            self.learn(priced, choices.step[chosen], (lower, upper), start, end)

    def learn(
        self,
        priced: Priced,
        step: np.ndarray,
        bounds: tuple[np.ndarray, np.ndarray],
        start: np.ndarray,
        end: np.ndarray,
    ) -> np.ndarray:
        """Solve some steps within bounds of their columns, between some stored energies, and keep the bases.

        Returns
        -------
        array of shape (steps, columns)
            The columns at each optimum; 0 where the solver ended without one.
        """
        x = np.zeros((len(step), bounds[0].shape[1]))
        for number, pool in enumerate(self._pools):
            block = pool.block()
            mine = np.flatnonzero(self._kind_of_step[step] == number)
            for first in range(0, len(mine), AT_ONCE):
                some = mine[first : first + AT_ONCE]
                piece = self._blocks(
                    pool.kind,
                    block,
                    priced,
                    step[some],
                    (bounds[0][some], bounds[1][some]),
                    (start[some], end[some]),
                )
                highs = Highs(piece)
                solution = highs.solve()
                if solution.verdict != "optimal":
                    continue
                x[some] = solution.x.reshape(len(some), -1)[:, : x.shape[1]]
                basis = highs.basis()
                basic = basis.columns.reshape(len(some), -1) == BASIC
                pool.add(block, basic, basis.rows.reshape(len(some), -1) != BASIC)
        return x

    def _blocks(
        self,
        kind: Kind,
        block: np.ndarray,
        priced: Priced,
        steps: np.ndarray,
        bounds: tuple[np.ndarray, np.ndarray],
        stored: tuple[np.ndarray, np.ndarray],
    ) -> Piece:
        """Some steps side by side in one linear program."""
        off = np.zeros((len(steps), 2 * len(kind.start)))
        lower, upper = np.hstack([bounds[0], off]), np.hstack([bounds[1], off + np.inf])
        objective = np.hstack([priced.money[steps], off - self._steep(priced)])
        given = np.outer(stored[0], kind.start) + np.outer(stored[1], kind.end)
        row_lower, row_upper = ((side[steps] - given).ravel() for side in self._stage.sides)
        matrix = stacked_blocks(block, len(steps))
        return Piece(matrix, row_lower, row_upper, lower.ravel(), upper.ravel(), objective.ravel())

    @staticmethod
    def _steep(priced: Priced) -> float:
        """More than a kW or kWh could ever bring."""
        return STEEP * max(float(np.abs(priced.money).max()), float(np.abs(priced.end_money).max()), 1e-3)

    def planes(
        self,
        priced: Priced,
        choices: Choices,
        near: np.ndarray,
        figures: np.ndarray | None = None,
        amounts: np.ndarray | None = None,
    ) -> Planes:
        """The lowest planes of every choice.

        Parameters
        ----------
        priced : Priced
        choices : Choices
        near : array of shape (steps,)
            Energies stored when steps begin that are looked at as well. [kWh]
        figures : int array of shape (figures,), optional
            Places of columns whose bounds are said later.
        amounts : array of shape (boxes, 2, figures), optional
            Bounds of those within which planes are looked at.
        """
        figures = np.zeros(0, np.int64) if figures is None else figures
        amounts = np.zeros((1, 2, len(figures))) if amounts is None else amounts
        stage, count = self._stage, len(choices.step)
        counts = np.zeros(count, np.int64)
        parts: list[tuple[np.ndarray, np.ndarray]] = []
        for number, pool in enumerate(self._pools):
            mine = np.flatnonzero(self._kind_of_step[choices.step] == number)
            matrix = np.column_stack([pool.kind.own, pool.kind.start, pool.kind.end])
            for first in range(0, len(mine), CHUNK):
                some = mine[first : first + CHUNK]
                steps = choices.step[some]
                made, total, of_each = _planes_of(
                    matrix,
                    pool.arrays(),
                    (priced.money[steps], priced.end_money[steps], self._steep(priced)),
                    (choices.lower[some], choices.upper[some]),
                    (stage.sides[0][steps], stage.sides[1][steps]),
                    steps,
                    self.levels,
                    near[steps],
                    (figures, amounts),
                )
                counts[some] = of_each
                parts.append((some, made[:, :total]))
        return _in_order(parts, counts, 3 + len(figures))

    @property
    def levels(self) -> np.ndarray:
        """Stored energies that planes are looked at from. [kWh]"""
        return np.linspace(*self.range_kwh, LEVELS)


def _in_order(parts: Sequence[tuple[np.ndarray, np.ndarray]], counts: np.ndarray, tall: int) -> Planes:
    """Planes of all choices one after the other, from those of parts of the choices."""
    first = np.concatenate([[0], np.cumsum(counts)])
    whole = np.empty((tall, first[-1]))
    for some, made in parts:
        of_each = counts[some]
        place = np.repeat(first[some] - np.cumsum(of_each) + of_each, of_each) + np.arange(of_each.sum())
        whole[:, place] = made
    return Planes(whole[0], whole[1], whole[2], first, whole[3:])


@njit(cache=True, nogil=True)
def _within(
    form: tuple[np.ndarray, ...], lower: np.ndarray, upper: np.ndarray, levels: np.ndarray, near: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The lowest planes of each choice with figures between some bounds, and the place of each choice's first."""
    height, start, end, first, figures = form
    made = np.empty((3, len(height)))
    places = np.zeros(len(first), np.int64)
    most = 0
    for choice in range(len(first) - 1):
        most = max(most, first[choice + 1] - first[choice])
    heights, starts, ends = np.empty(most), np.empty(most), np.empty(most)
    keep, total = np.zeros(most, np.bool_), 0
    for choice in range(len(first) - 1):
        begin, count = first[choice], first[choice + 1] - first[choice]
        order = np.empty(count, np.int64)
        for k in range(count):
            heights[k], starts[k], ends[k] = height[begin + k], start[begin + k], end[begin + k]
            for figure in range(len(figures)):
                money = figures[figure, begin + k]
                heights[k] += max(money * lower[figure], money * upper[figure])
            keep[k], order[k] = False, count - 1 - k
        for level in levels:
            _keep_lowest(heights, starts, level, ends, order, keep)
        _keep_lowest(heights, starts, near[choice], ends, order, keep)
        for k in range(count):
            if keep[k]:
                made[0, total], made[1, total], made[2, total] = heights[k], starts[k], ends[k]
                total += 1
        places[choice + 1] = total
    short = np.empty((3, total))
    for row in range(3):
        for k in range(total):
            short[row, k] = made[row, k]
    return short, places


@njit(cache=True, nogil=True)
def _planes_of(
    matrix: np.ndarray,
    pool: tuple[np.ndarray, ...],
    money: Money,
    bounds: tuple[np.ndarray, np.ndarray],
    sides: tuple[np.ndarray, np.ndarray],
    steps: np.ndarray,
    levels: np.ndarray,
    near: np.ndarray,
    asked: tuple[np.ndarray, np.ndarray],
) -> tuple[np.ndarray, int, np.ndarray]:
    """Planes of some choices of one kind, one choice after the other with room at the end; how many in all and each.

    By weak duality over boxed columns, from the multipliers of each basis at the prices of a choice's step.

    Loops in place of array expressions, which take seconds to compile.
    """
    count, bases, own = len(near), len(pool[0]), money[0].shape[1]
    counts = np.zeros(count, np.int64)
    figures, amounts = asked
    tall = 3 + len(figures)
    made = np.empty((tall, 24 * count + bases))
    height, start, end = np.empty(bases), np.empty(bases), np.empty(bases)
    by_rows, left, whole = np.empty(bases), np.empty((bases, own)), np.empty(bases)
    brings = np.empty((len(figures), bases))
    keep, order = np.zeros(bases, np.bool_), np.zeros(bases, np.int64)
    total = 0
    for number in range(count):
        if number == 0 or steps[number] != steps[number - 1]:
            # Choices of a step differ in the bounds of columns alone, so multipliers are found once for all of them.
            for basis in range(bases):
                by_rows[basis], start[basis], end[basis] = _multiplied(
                    matrix, pool, basis, money, sides, number, left
                )
                for k in range(len(figures)):
                    brings[k, basis] = left[basis, figures[k]]
                    left[basis, figures[k]] = 0.0
            order = np.argsort(end)
        for basis in range(bases):
            keep[basis], height[basis] = False, by_rows[basis]
            for column in range(own):
                rest = left[basis, column]
                if rest > 0:
                    height[basis] += rest * bounds[1][number, column]
                elif rest < 0:
                    height[basis] += rest * bounds[0][number, column]
        for box in range(len(amounts)):
            for k in range(bases):
                whole[k] = height[k]
                for f in range(len(figures)):
                    whole[k] += max(brings[f, k] * amounts[box, 0, f], brings[f, k] * amounts[box, 1, f])
            for level in levels:
                _keep_lowest(whole, start, level, end, order, keep)
            _keep_lowest(whole, start, near[number], end, order, keep)
        if total + bases > made.shape[1]:
            more = np.empty((tall, 2 * made.shape[1]))
            for row in range(tall):
                for k in range(total):
                    more[row, k] = made[row, k]
            made = more
        for place in range(bases - 1, -1, -1):
            basis = order[place]
            if keep[basis]:
                made[0, total], made[1, total], made[2, total] = height[basis], start[basis], end[basis]
                for row in range(3, tall):
                    made[row, total] = brings[row - 3, basis]
                total += 1
                counts[number] += 1
    return made, total, counts


@njit(cache=True, nogil=True)
def _multiplied(
    matrix: np.ndarray,
    pool: tuple[np.ndarray, ...],
    basis: int,
    money: Money,
    sides: tuple[np.ndarray, np.ndarray],
    number: int,
    left: np.ndarray,
) -> tuple[float, float, float]:
    """What the rows of a choice's step bring at the multipliers of one basis: money, and by a kWh of start and of end.

    What is left of each column's money when its rows are paid for is written to `left`.
    """
    size, rows, columns, inverse = pool
    own = money[0].shape[1]
    for column in range(own):
        left[basis, column] = money[0][number, column]
    height, start, end = 0.0, 0.0, money[1][number]
    for k in range(size[basis]):
        row, y = rows[basis, k], 0.0
        for j in range(size[basis]):
            column = columns[basis, j]
            if column < own:
                y += money[0][number, column] * inverse[basis, j, k]
            else:
                y -= money[2] * inverse[basis, j, k]
        side = sides[1][number, row] if y > 0 else sides[0][number, row]
        if y == 0.0 or not np.isfinite(side):
            continue
        height += y * side
        start -= y * matrix[row, own]
        end -= y * matrix[row, own + 1]
        for column in range(own):
            left[basis, column] -= y * matrix[row, column]
    return height, start, end


@njit(cache=True, nogil=True)
def _keep_lowest(
    height: np.ndarray,
    start: np.ndarray,
    level: float,
    slope: np.ndarray,
    order: np.ndarray,
    keep: np.ndarray,
) -> None:
    """Mark the lines in the end's energy that are lowest somewhere, for a step that begins at some level.

    `order` is by rising slope.
    """
    hull, line = np.empty(len(order), np.int64), np.empty(len(order))
    for k in range(len(line)):
        line[k] = height[k] + start[k] * level
    count = 0
    for place in range(len(order) - 1, -1, -1):
        new, useless = order[place], False
        while count > 0:
            last = hull[count - 1]
            fall = slope[last] - slope[new]
            if fall <= 1e-10:
                if line[new] >= line[last]:
                    useless = True
                    break
                count -= 1
                continue
            if count == 1:
                break
            before = hull[count - 2]
            if (line[new] - line[last]) / fall > (line[last] - line[before]) / (slope[before] - slope[last]):
                break
            count -= 1
        if not useless:
            hull[count] = new
            count += 1
    for k in range(count):
        keep[hull[k]] = True
