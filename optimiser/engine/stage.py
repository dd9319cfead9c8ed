"""What a step by itself can do with one store: the rows of a step, between the energy it starts and ends with.

The program of a year with one bank is a chain: a step knows of the others only the energy stored when it begins and
ends. Rows that join a step to more than that (a peak, a block, a second bank) are left out at a price.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from optimiser.engine import proof
from optimiser.engine.tiling import Problem

MOST_KINDS = 64


@dataclass(frozen=True)
class Kind:
    """The coefficients of a step's rows, shared by many steps.

    Attributes
    ----------
    own : array of shape (rows, columns)
        Of the step's columns, all but the stored energy.
    start, end : array of shape (rows,)
        Of the energy stored when the step begins and ends. [1/kWh]
    steps : int array
        Steps that have them.
    """

    own: np.ndarray
    start: np.ndarray
    end: np.ndarray
    steps: np.ndarray


@dataclass(frozen=True)
class Priced:
    """What a step's columns bring when the rows that join steps are paid for.

    Attributes
    ----------
    money : array of shape (steps, columns)
    end_money : array of shape (steps,)
        What a stored kWh at the end of the step brings by itself. [currency/kWh]
    constant : float
        The most that everything outside the steps brings. [currency]
    """

    money: np.ndarray
    end_money: np.ndarray
    constant: float


@dataclass(frozen=True)
class Stage:
    """The steps of a problem taken apart.

    Attributes
    ----------
    problem : Problem
    state : int
        Place of the stored energy among a step's columns.
    columns : int array of shape (columns,)
        Places of a step's other columns.
    inner : int array of shape (rows,)
        Places, among a step's rows, of those that concern the step and its stored energy alone.
    kinds : tuple of Kind
    """

    problem: Problem
    state: int
    columns: np.ndarray
    inner: np.ndarray
    kinds: tuple[Kind, ...]

    @property
    def steps(self) -> int:
        """Steps of the horizon."""
        return self.problem.timeline.steps

    def _of_steps(self, numbers: np.ndarray) -> np.ndarray:
        """Numbers of the steps' columns, of shape (steps, columns of a step)."""
        wide = self.problem.step_columns
        return numbers[: self.steps * wide].reshape(self.steps, wide)

    @cached_property
    def lower(self) -> np.ndarray:
        """Least of each column, of shape (steps, columns)."""
        return np.ascontiguousarray(self._of_steps(self.problem.lower)[:, self.columns])

    @cached_property
    def upper(self) -> np.ndarray:
        """Most of each column, of shape (steps, columns)."""
        return np.ascontiguousarray(self._of_steps(self.problem.upper)[:, self.columns])

    @cached_property
    def stored(self) -> tuple[np.ndarray, np.ndarray]:
        """Least and most stored at the end of each step, each of shape (steps,). [kWh]"""
        problem = self.problem
        low = np.ascontiguousarray(self._of_steps(problem.lower)[:, self.state])
        return low, np.ascontiguousarray(self._of_steps(problem.upper)[:, self.state])

    @cached_property
    def sides(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper side of each row, each of shape (steps, rows)."""
        count, tall = self.steps, self.problem.step_rows
        both = (self.problem.row_lower, self.problem.row_upper)
        low, high = (side[: count * tall].reshape(count, tall)[:, self.inner] for side in both)
        return np.ascontiguousarray(low), np.ascontiguousarray(high)

    @cached_property
    def joining(self) -> np.ndarray:
        """True for rows that are left out at a price, of shape (rows of the problem,)."""
        tall = self.problem.step_rows
        of_step = np.ones(tall, bool)
        of_step[self.inner] = False
        beyond = len(self.problem.row_upper) - self.steps * tall
        return np.concatenate([np.tile(of_step, self.steps), np.ones(beyond, bool)])

    def priced(self, y: np.ndarray) -> Priced:
        """What steps bring at some prices of the rows that join them; any prices give a bound."""
        problem = self.problem
        y = np.where(self.joining, proof.usable(y, problem.row_lower, problem.row_upper), 0.0)
        used = y != 0
        side = np.where(y > 0, problem.row_upper, problem.row_lower)
        prices = problem.objective - problem.matrix.T @ y if used.any() else problem.objective
        groups = slice(self.steps * problem.step_columns, None)
        outside = np.maximum(prices[groups] * problem.lower[groups], prices[groups] * problem.upper[groups])
        constant = problem.offset + float((y[used] * side[used]).sum() + outside.sum())
        of_steps = self._of_steps(prices)
        money = np.ascontiguousarray(of_steps[:, self.columns])
        return Priced(money, np.ascontiguousarray(of_steps[:, self.state]), constant)

    def may_hold(self, steps: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
        """False where bounds alone keep a row of a step from holding, whatever is stored.

        `lower` and `upper` are those of the columns in some steps, of shape (steps, columns).
        """
        possible = np.asarray((lower <= upper).all(axis=1))
        stored = np.array([self.stored[0].min(), self.stored[1].max()])
        kind_of_step = np.zeros(self.steps, int)
        for number, kind in enumerate(self.kinds):
            kind_of_step[kind.steps] = number
        for number, kind in enumerate(self.kinds):
            mine = np.flatnonzero(kind_of_step[steps] == number)
            more, less = np.maximum(kind.own, 0.0).T, np.minimum(kind.own, 0.0).T
            high, low = upper[mine] @ more + lower[mine] @ less, lower[mine] @ more + upper[mine] @ less
            for coefficient in (kind.start, kind.end):
                both = np.outer(stored, coefficient)
                high, low = high + both.max(axis=0), low + both.min(axis=0)
            fits = (high >= self.sides[0][steps[mine]] - 1e-9) & (low <= self.sides[1][steps[mine]] + 1e-9)
            possible[mine] &= fits.all(axis=1)
        return possible

    def states(self, x: np.ndarray) -> np.ndarray:
        """Energy stored at the end of each step of a schedule. [kWh]"""
        return self._of_steps(x)[:, self.state]

    def made(self, priced: Priced, x: np.ndarray) -> np.ndarray:
        """Money that a schedule makes in each step at some prices, of shape (steps,). [currency]"""
        own = np.einsum("ij,ij->i", priced.money, self._of_steps(x)[:, self.columns])
        return own + priced.end_money * self.states(x)


def stage_of(problem: Problem) -> Stage | None:
    """The steps of a problem taken apart; None where no store joins them, or its rows hardly ever repeat.

    Of several stores the largest is followed; the balances of the others are left out at a price.
    """
    entries = _Entries.of(problem)
    states = entries.states()
    if not len(states):
        return None
    wide = problem.step_columns
    most = problem.upper[: problem.timeline.steps * wide].reshape(-1, wide).max(axis=0)
    state = int(states[np.argmax(most[states])])
    inner = entries.inner(state)
    kinds = entries.kinds(state, inner)
    if kinds is None:
        return None
    return Stage(problem, state, np.delete(np.arange(wide), state), inner, kinds)


@dataclass(frozen=True)
class _Entries:
    """Every entry of the steps' rows: its step, its row and its column as seen from the step."""

    problem: Problem
    step: np.ndarray
    family: np.ndarray
    column: np.ndarray
    value: np.ndarray
    group: np.ndarray

    @classmethod
    def of(cls, problem: Problem) -> _Entries:
        steps, wide, tall = problem.timeline.steps, problem.step_columns, problem.step_rows
        start = problem.matrix.indptr[: steps * tall + 1]
        row = np.repeat(np.arange(steps * tall), np.diff(start))
        index = problem.matrix.indices[: start[-1]].astype(np.int64)
        step = row // tall
        return cls(
            problem,
            step,
            row % tall,
            index - step * wide,
            problem.matrix.data[: start[-1]],
            index >= steps * wide,
        )

    def states(self) -> np.ndarray:
        """Places of columns that a balance carries over from the step before."""
        wide, tall = self.problem.step_columns, self.problem.step_rows
        second = slice(tall, 2 * tall)
        equal = self.problem.row_lower[second] == self.problem.row_upper[second]
        mine = (self.step == 1) & ~self.group
        mine &= equal[self.family] if len(equal) == tall else False
        before = mine & (self.column < 0) & (self.column >= -wide)
        now = mine & (self.column >= 0)
        carried = np.column_stack([self.family[before], self.column[before] + wide])
        there = {tuple(pair) for pair in np.column_stack([self.family[now], self.column[now]]).tolist()}
        return np.unique([pair[1] for pair in carried.tolist() if tuple(pair) in there]).astype(int)

    def inner(self, state: int) -> np.ndarray:
        """Places of rows that touch nothing but their step and the stored energy it starts with."""
        tall, wide = self.problem.step_rows, self.problem.step_columns
        other = self.group | ((self.column < 0) & (self.column != state - wide))
        joining = np.zeros(tall, bool)
        joining[self.family[other]] = True
        return np.flatnonzero(~joining)

    def kinds(self, state: int, inner: np.ndarray) -> tuple[Kind, ...] | None:
        """Steps by the coefficients of their inner rows; None where there are too many kinds."""
        steps, wide = self.problem.timeline.steps, self.problem.step_columns
        place = np.full(self.problem.step_rows, -1)
        place[inner] = np.arange(len(inner))
        kept = place[self.family] >= 0
        cell = place[self.family[kept]] * (wide + 1) + np.where(
            self.column[kept] < 0, wide, self.column[kept]
        )
        value = self.value[kept]
        edges = np.searchsorted(self.step[kept], np.arange(steps + 1))
        found: dict[bytes, list[int]] = {}
        for step in range(steps):
            mine = slice(edges[step], edges[step + 1])
            found.setdefault(cell[mine].tobytes() + value[mine].tobytes(), []).append(step)
            if len(found) > MOST_KINDS:
                return None
        made = []
        for members in found.values():
            mine = slice(edges[members[0]], edges[members[0] + 1])
            matrix = np.zeros((len(inner), wide + 1))
            matrix.ravel()[cell[mine]] = value[mine]
            own = np.delete(matrix[:, :wide], state, axis=1)
            made.append(Kind(own, matrix[:, wide], matrix[:, state], np.array(members)))
        return tuple(made)


def stacked_blocks(block: np.ndarray, count: int) -> sparse.csr_array:
    """A block so many times along the diagonal."""
    return sparse.csr_array(sparse.kron(sparse.eye_array(count), sparse.csr_array(block)))
