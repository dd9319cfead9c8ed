"""What a step by itself can do with one store: the rows of a step, between the energy it starts and ends with.

The program of a year with one bank is a chain: a step knows of the others only the energy stored when it begins and
ends. Of a figure that it shares with others (a peak, a block) it gets a copy of its own, at a price. Rows that join a
step to more than that (a second bank, a sum) are left out at a price.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from optimiser.columns import of_load_that_waits
from optimiser.engine import proof
from optimiser.engine.tiling import Problem
from optimiser.timeline import STEP

MOST_KINDS = 64


@dataclass(frozen=True)
class Kind:
    """The coefficients of a step's rows, shared by many steps.

    Attributes
    ----------
    own : array of shape (rows, columns)
        Of the step's columns, all but the stored energy, then of its copies.
    start, end : array of shape (rows,)
        Of the energy stored when the step begins and ends. [1/kWh]
    steps : int array
        Steps that have them.
    """

    own: np.ndarray
    start: np.ndarray
    end: np.ndarray
    steps: np.ndarray


@dataclass(frozen=True, eq=False)
class Priced:
    """What a step's columns bring when the rows that join steps are paid for.

    Attributes
    ----------
    money : array of shape (steps, columns)
    end_money : array of shape (steps,)
        What a stored kWh at the end of the step brings by itself. [currency/kWh]
    outside : array of shape (group columns,)
        What columns of groups bring beyond what their copies pay. [currency per unit]
    constant : float
        What the rows that are left out bring. [currency]
    """

    money: np.ndarray
    end_money: np.ndarray
    outside: np.ndarray
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
    shared : int array of shape (copies, steps)
        Places of the columns of groups that each step has copies of.
    copied : triple of int arrays and array of shape (entries,)
        Row, column and coefficient of every entry of such columns in steps' rows.
    inner : int array of shape (rows,)
        Places, among a step's rows, of those that concern the step, its copies and its stored energy alone.
    kinds : tuple of Kind
    """

    problem: Problem
    state: int
    columns: np.ndarray
    shared: np.ndarray
    copied: tuple[np.ndarray, np.ndarray, np.ndarray]
    inner: np.ndarray
    kinds: tuple[Kind, ...]

    @property
    def steps(self) -> int:
        """Steps of the horizon."""
        return self.problem.timeline.steps

    @property
    def joined(self) -> bool:
        """Whether steps have more to do with each other than the energy stored."""
        return bool(len(self.shared) or self.joining.any())

    def _of_steps(self, numbers: np.ndarray) -> np.ndarray:
        """Numbers of the steps' columns, of shape (steps, columns of a step)."""
        wide = self.problem.step_columns
        return numbers[: self.steps * wide].reshape(self.steps, wide)

    def _of_stage(self, numbers: np.ndarray) -> np.ndarray:
        """Numbers of the columns that stages have, copies among them, of shape (steps, columns)."""
        return np.hstack([self._of_steps(numbers)[:, self.columns], numbers[self.shared].T])

    @property
    def groups(self) -> slice:
        """Where columns of groups stand."""
        return slice(self.steps * self.problem.step_columns, None)

    @cached_property
    def lower(self) -> np.ndarray:
        """Least of each column, of shape (steps, columns)."""
        return self._of_stage(self.problem.lower)

    @cached_property
    def upper(self) -> np.ndarray:
        """Most of each column, of shape (steps, columns)."""
        return self._of_stage(self.problem.upper)

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
        """What steps bring at some prices of the rows that join them; any prices give a bound.

        A copy brings what the step's rows would gain by one more unit of it.
        """
        problem, start = self.problem, self.groups.start
        left_out = np.where(self.joining, proof.usable(y, problem.row_lower, problem.row_upper), 0.0)
        used = left_out != 0
        side = np.where(left_out > 0, problem.row_upper, problem.row_lower)
        prices = problem.objective - problem.matrix.T @ left_out if used.any() else problem.objective
        row, column, value = self.copied
        outside = prices[start:] - np.bincount(column - start, value * y[row], len(prices) - start)
        of_steps = self._of_steps(prices)
        of_copies = np.zeros((self.steps, len(self.shared)))
        for number, shared in enumerate(self.shared):
            step = row // problem.step_rows
            mine = shared[step] == column
            of_copies[:, number] = np.bincount(step[mine], (value * y[row])[mine], self.steps)
        money = np.hstack([of_steps[:, self.columns], of_copies])
        constant = problem.offset + float((left_out[used] * side[used]).sum())
        return Priced(money, np.ascontiguousarray(of_steps[:, self.state]), outside, constant)

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
        own = np.einsum("ij,ij->i", priced.money, self._of_stage(x))
        made: np.ndarray = own + priced.end_money * self.states(x)
        return made


def stage_of(problem: Problem) -> Stage | None:
    """The steps of a problem taken apart; None where no store joins them, or its rows hardly ever repeat.

    Of several stores the largest is followed, never one behind a load that waits; the balances of the others are left
    out at a price.
    """
    entries = _Entries.of(problem)
    names = [name for name, family in problem.columns.items() if family.per == STEP]
    states = np.array([s for s in entries.states() if not of_load_that_waits(names[s])], int)
    if not len(states):
        return None
    wide = problem.step_columns
    most = problem.upper[: problem.timeline.steps * wide].reshape(-1, wide).max(axis=0)
    state = int(states[np.argmax(most[states])])
    inner = entries.inner(state)
    kinds = entries.kinds(state, inner)
    if kinds is None:
        return None
    columns, copied = np.delete(np.arange(wide), state), entries.copied(inner)
    return Stage(problem, state, columns, entries.shared, copied, inner, kinds)


@dataclass(frozen=True)
class _Entries:
    """Every entry of the steps' rows: its step, its row and its column as seen from the step.

    Columns of groups that steps may have copies of are numbered on from the step's own columns, by family; `shared`
    holds their places, of shape (families, steps). Other columns of groups are `elsewhere`.
    """

    problem: Problem
    step: np.ndarray
    family: np.ndarray
    column: np.ndarray
    value: np.ndarray
    index: np.ndarray
    shared: np.ndarray
    elsewhere: np.ndarray

    @classmethod
    def of(cls, problem: Problem) -> _Entries:
        steps, wide, tall = problem.timeline.steps, problem.step_columns, problem.step_rows
        start = problem.matrix.indptr[: steps * tall + 1]
        row = np.repeat(np.arange(steps * tall), np.diff(start))
        index = problem.matrix.indices[: start[-1]].astype(np.int64)
        step = row // tall
        column, elsewhere = index - step * wide, index >= steps * wide
        shared: list[np.ndarray] = []
        present = np.unique(index[elsewhere])
        for name, family in problem.columns.items():
            if family.per != STEP and len(np.intersect1d(problem.places[name], present)):
                place = problem.places[name][problem.timeline.groups(family.per).of_step]
                mine = place[step] == index
                column[mine], elsewhere[mine] = wide + len(shared), False
                shared.append(place)
        return cls(
            problem,
            step,
            row % tall,
            column,
            problem.matrix.data[: start[-1]],
            index,
            np.array(shared, int).reshape(len(shared), steps),
            elsewhere,
        )

    def copied(self, inner: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Row, column and coefficient of the entries of columns that steps have copies of, in the inner rows."""
        mine = (self.column >= self.problem.step_columns) & ~self.elsewhere & np.isin(self.family, inner)
        row = self.step[mine] * self.problem.step_rows + self.family[mine]
        return row, self.index[mine], self.value[mine]

    def states(self) -> np.ndarray:
        """Places of columns that a balance carries over from the step before."""
        wide, tall = self.problem.step_columns, self.problem.step_rows
        second = slice(tall, 2 * tall)
        equal = self.problem.row_lower[second] == self.problem.row_upper[second]
        mine = (self.step == 1) & ~self.elsewhere
        mine &= equal[self.family] if len(equal) == tall else False
        before = mine & (self.column < 0) & (self.column >= -wide)
        now = mine & (self.column >= 0) & (self.column < wide)
        carried = np.column_stack([self.family[before], self.column[before] + wide])
        there = {tuple(pair) for pair in np.column_stack([self.family[now], self.column[now]]).tolist()}
        return np.unique([pair[1] for pair in carried.tolist() if tuple(pair) in there]).astype(int)

    def inner(self, state: int) -> np.ndarray:
        """Places of rows that touch nothing but their step, its copies and the stored energy it starts with."""
        tall, wide = self.problem.step_rows, self.problem.step_columns
        other = self.elsewhere | ((self.column < 0) & (self.column != state - wide))
        joining = np.zeros(tall, bool)
        joining[self.family[other]] = True
        return np.flatnonzero(~joining)

    def kinds(self, state: int, inner: np.ndarray) -> tuple[Kind, ...] | None:
        """Steps by the coefficients of their inner rows; None where there are too many kinds."""
        steps, wide = self.problem.timeline.steps, self.problem.step_columns
        place = np.full(self.problem.step_rows, -1)
        place[inner] = np.arange(len(inner))
        kept, all_ = place[self.family] >= 0, wide + len(self.shared)
        column = np.where(self.column < 0, all_, self.column)
        cell = place[self.family[kept]] * (all_ + 1) + column[kept]
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
            matrix = np.zeros((len(inner), all_ + 1))
            matrix.ravel()[cell[mine]] = value[mine]
            own = np.delete(matrix[:, :all_], state, axis=1)
            made.append(Kind(own, matrix[:, all_], matrix[:, state], np.array(members)))
        return tuple(made)


def stacked_blocks(block: np.ndarray, count: int) -> sparse.csr_array:
    """A block so many times along the diagonal."""
    return sparse.csr_array(sparse.kron(sparse.eye_array(count), sparse.csr_array(block)))
