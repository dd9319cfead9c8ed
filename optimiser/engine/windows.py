"""A long problem solved in windows of time: day by day with a look ahead, then one billing period at a time.

A window is a slice of the step columns and rows, with the groups (months, blocks, slots) that it touches. What lies
before it is known and goes to the right-hand side. What lies after it is left out where a day looks ahead, and held
as an earlier schedule has it where periods are solved, which may then be done in any order and fit together.
"""

from __future__ import annotations

import contextlib
import contextvars
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import sparse

from optimiser.engine import proof
from optimiser.engine.solver import BASIC, Basis, Highs, Piece, Solution
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError
from optimiser.progress import Countdown, Say

KEEP_HOURS, AHEAD_HOURS, MOST_AHEAD_HOURS = 24, (8, 48), 48
PERIOD_DAYS = (20, 30, 100)  # the fewest of a period, the most welcome, the most
WEEKS_FROM_STEPS_A_DAY = 96
JOINT_HOURS = 24

Span = tuple[int, int]


def cores() -> int:
    """Cores of this machine."""
    return os.cpu_count() or 1


_SHARE: contextvars.ContextVar[tuple[int, int] | None] = contextvars.ContextVar("share", default=None)


@contextlib.contextmanager
def sharing(chains: int, threads: int) -> Iterator[None]:
    """Within it, a year's days are cut into so many chains, and so many threads work.

    Left out, both are the cores of the machine. The cuts decide which of several best schedules is found, threads
    only how soon: with the first said, machines of any size find the same one.
    """
    token = _SHARE.set((chains, threads))
    try:
        yield
    finally:
        _SHARE.reset(token)


def is_shared() -> bool:
    """Whether it was said how the cores are to be shared."""
    return _SHARE.get() is not None


def at_once(work: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
    """The results of some work on each item; HiGHS runs outside the interpreter's lock, so threads share the cores."""
    share = _SHARE.get()
    pool = ThreadPoolExecutor(share[1] if share else cores())
    try:
        return list(pool.map(work, items))
    finally:
        # After an interruption nobody waits for what is still at work.
        pool.shutdown(wait=False, cancel_futures=True)


@dataclass(frozen=True)
class StepWindow:
    """A part of a problem by itself, and the places of its columns and rows in the whole."""

    columns: np.ndarray
    rows: np.ndarray
    piece: Piece


class Windows:
    """Cuts windows out of a problem.

    Rows and columns of groups lie after those of the steps; their reach is the span of steps that they touch.
    `objective` says what columns bring where that is not the problem's own.
    """

    def __init__(self, problem: Problem, objective: np.ndarray | None = None):
        self.problem = problem
        self.wide, self.tall, self.steps = problem.step_columns, problem.step_rows, problem.timeline.steps
        self._objective = problem.objective if objective is None else objective
        self._auxiliary = np.zeros(len(problem.lower), bool)
        for family in problem.columns.values():
            if family.auxiliary:
                self._auxiliary[problem.places[family.name]] = True
        last_of_steps = problem.matrix.indptr[self.steps * self.tall]
        in_steps = problem.matrix.indices[:last_of_steps]
        self._in_steps = np.zeros(len(problem.lower), bool)
        self._in_steps[in_steps[in_steps >= self.steps * self.wide]] = True
        self._others = sparse.csr_array(problem.matrix[self.steps * self.tall :])
        self._row_reach = self._reach_of_rows()
        self._group_reach = self._reach_of_groups()
        alone = np.flatnonzero(self._row_reach[0] > self._row_reach[1])
        self._alone = alone + self.steps * self.tall
        self._alone_by_group = sparse.csc_array(self._others[alone][:, self.steps * self.wide :])

    def _reach_of_rows(self) -> tuple[np.ndarray, np.ndarray]:
        """First and last step in each row beyond the steps'; first > last where it holds groups alone."""
        others = self._others
        first, last = np.full(others.shape[0], self.steps), np.full(others.shape[0], -1)
        number = np.repeat(np.arange(others.shape[0]), np.diff(others.indptr))
        inside = others.indices < self.steps * self.wide
        step = others.indices[inside] // self.wide
        np.minimum.at(first, number[inside], step)
        np.maximum.at(last, number[inside], step)
        return first, last

    def _reach_of_groups(self) -> tuple[np.ndarray, np.ndarray]:
        """First and last step whose rows hold each group's column."""
        start = self.steps * self.wide
        count = len(self.problem.lower) - start
        first, last = np.full(count, self.steps), np.full(count, -1)
        entries = self.problem.matrix[:, start:].tocoo()
        row, group = entries.coords[0].astype(np.int64), entries.coords[1]
        other = row >= self.steps * self.tall
        begin, end = row // max(1, self.tall), row // max(1, self.tall)
        begin[other] = self._row_reach[0][row[other] - self.steps * self.tall]
        end[other] = self._row_reach[1][row[other] - self.steps * self.tall]
        np.minimum.at(first, group, begin)
        np.maximum.at(last, group, end)
        return first, last

    def periods(self) -> list[Span]:
        """Spans of about a month that cut as few groups as can be: billing periods, where the tariff has them."""
        crossed = np.zeros(self.steps + 2, int)
        for begin, end in (self._row_reach, self._group_reach):
            real = begin < end
            np.add.at(crossed, begin[real] + 1, 1)
            np.add.at(crossed, end[real] + 1, -1)
        crossed = np.cumsum(crossed)
        per_day = 24 * 60 // self.problem.timeline.step_minutes
        shortest, usual, longest = (count * per_day for count in PERIOD_DAYS)
        spans: list[Span] = []
        first = 0
        while self.steps - first > usual + shortest:
            places = np.arange(first + shortest, min(first + longest, self.steps - shortest) + 1)
            best = np.lexsort((np.abs(places - first - usual), crossed[places]))[0]
            spans.append((first, int(places[best])))
            first = spans[-1][1]
        return [*spans, (first, self.steps)]

    def weeks(self, spans: Sequence[Span]) -> list[Span]:
        """The spans in about weeks."""
        week = 7 * 24 * 60 // self.problem.timeline.step_minutes
        parts = []
        for first, stop in spans:
            edges = np.linspace(first, stop, max(1, round((stop - first) / week)) + 1).round().astype(int)
            parts += list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
        return parts

    def look_ahead(self, hours: float) -> int:
        """Steps that a day looks ahead: some hours, and to the end of every block that it commits to."""
        per_hour = 60 / self.problem.timeline.step_minutes
        length = self._group_reach[1] - self._group_reach[0] + 1
        blocks = length[length <= MOST_AHEAD_HOURS * per_hour]
        return max(round(hours * per_hour), int(blocks.max(initial=0)))

    def begun(self, window: StepWindow, step: int) -> np.ndarray:
        """Columns of groups in a window that begin before a step."""
        groups = window.columns[window.columns >= self.steps * self.wide]
        made: np.ndarray = groups[self._group_reach[0][groups - self.steps * self.wide] < step]
        return made

    def within(self, first: int, stop: int) -> tuple[np.ndarray, np.ndarray]:
        """Places of the columns and rows that begin in some steps."""
        groups = (self._group_reach[0] >= first) & (self._group_reach[0] < stop)
        others = (self._row_reach[0] >= first) & (self._row_reach[0] < stop)
        return (
            np.append(
                np.arange(first * self.wide, stop * self.wide),
                np.flatnonzero(groups) + self.steps * self.wide,
            ),
            np.append(
                np.arange(first * self.tall, stop * self.tall),
                np.flatnonzero(others) + self.steps * self.tall,
            ),
        )

    def ahead(self, first: int, stop: int, x: np.ndarray, seen: np.ndarray) -> StepWindow:
        """Some steps after others; groups that earlier steps have `seen` start from what those settled on."""
        window = self._cut(first, stop, x)[0]
        lower, upper = window.piece.lower, window.piece.upper
        settled = seen[window.columns]
        lower[settled] = x[window.columns[settled]]
        # A peak may rise and a sum goes on; what steps refer to directly is committed.
        fixed = settled & self._in_steps[window.columns] & ~self._auxiliary[window.columns]
        upper[fixed] = x[window.columns[fixed]]
        return window

    def held(self, first: int, stop: int, x: np.ndarray) -> tuple[StepWindow, np.ndarray]:
        """Some steps with all others held where a schedule has them, and which columns are held with those."""
        window, beyond = self._cut(first, stop, x)
        piece, start = window.piece, self.steps * self.wide
        group = window.columns[window.columns >= start] - start
        shared = (self._group_reach[0][group] < first) | (self._group_reach[1][group] >= stop)
        pinned = np.concatenate([self._looked_back_at(first, stop), shared])
        # A row that goes on beyond the window may use no more in it than the schedule does.
        others = window.rows >= self.steps * self.tall
        tied = sparse.csr_array(piece.matrix)[others] @ pinned.astype(float) != 0
        own = (piece.matrix @ x[window.columns])[others]
        alone = self._row_reach[0] > self._row_reach[1]
        bound = beyond[others] | (tied & alone[window.rows[others] - self.steps * self.tall])
        for side in (piece.row_lower, piece.row_upper):
            limits = side[others]
            side[others] = np.where(bound & np.isfinite(limits), own, limits)
        piece.lower[pinned] = piece.upper[pinned] = x[window.columns[pinned]]
        return window, pinned

    def priced(self, first: int, stop: int, reduced: np.ndarray, y: np.ndarray) -> StepWindow:
        """Some steps' own columns and the rows that touch nothing else, all other rows at their prices.

        `reduced` is what each column brings at the prices `y` of all rows.
        """
        problem = self.problem
        part = sparse.csr_array(problem.matrix[first * self.tall : stop * self.tall])
        low, high = first * self.wide, stop * self.wide
        outside = np.bincount(
            np.repeat(np.arange(part.shape[0]), np.diff(part.indptr)),
            weights=(part.indices < low) | (part.indices >= high),
            minlength=part.shape[0],
        )
        inner = np.flatnonzero(outside == 0)
        rows, columns = inner + first * self.tall, np.arange(low, high)
        own = part[inner]
        matrix = sparse.csr_array((own.data, own.indices - low, own.indptr), shape=(len(rows), high - low))
        piece = Piece(
            matrix,
            problem.row_lower[rows],
            problem.row_upper[rows],
            problem.lower[columns],
            problem.upper[columns],
            reduced[columns] + matrix.T @ y[rows],
        )
        return StepWindow(columns, rows, piece)

    def _looked_back_at(self, first: int, stop: int) -> np.ndarray:
        """Which columns of some steps later steps refer to."""
        used = np.zeros((stop - first) * self.wide, bool)
        a_day_on = min(self.steps, stop + 25 * 60 // self.problem.timeline.step_minutes)
        matrix = self.problem.matrix
        columns = matrix.indices[matrix.indptr[stop * self.tall] : matrix.indptr[a_day_on * self.tall]]
        columns = columns[columns < stop * self.wide] - first * self.wide
        used[columns[columns >= 0]] = True
        return used

    def _rows(self, first: int, stop: int) -> np.ndarray:
        """Rows that belong to some steps: their own, sums that they are part of, and rows of those sums' groups."""
        part = np.flatnonzero((self._row_reach[0] < stop) & (self._row_reach[1] >= first))
        rows = np.concatenate([np.arange(first * self.tall, stop * self.tall), part + self.steps * self.tall])
        if not len(self._alone):
            return rows
        groups = self._columns_of(rows)[self._columns_of(rows) >= self.steps * self.wide]
        touching = self._alone_by_group[:, np.unique(groups) - self.steps * self.wide].indices
        return np.concatenate([rows, self._alone[np.unique(touching)]])

    def _columns_of(self, rows: np.ndarray) -> np.ndarray:
        return np.unique(self.problem.matrix[rows].indices)

    def _cut(self, first: int, stop: int, x: np.ndarray) -> tuple[StepWindow, np.ndarray]:
        """The window of some steps, earlier ones known, and which rows hold steps outside it."""
        problem, wide, start = self.problem, self.wide, self.steps * self.wide
        rows = self._rows(first, stop)
        part = sparse.csr_array(problem.matrix[rows])
        column = part.indices
        group = column >= start
        before, after = column < first * wide, (column >= stop * wide) & ~group
        groups = np.unique(column[group])
        local = column - first * wide
        local[group] = (stop - first) * wide + np.searchsorted(groups, column[group])
        outside = before | after
        places = np.flatnonzero(outside)
        at = np.searchsorted(part.indptr, places, side="right") - 1
        beyond = np.zeros(len(rows), bool)
        beyond[at] = True
        known = np.bincount(
            at, weights=np.where(before, part.data * x[column], 0.0)[places], minlength=len(rows)
        )
        kept = ~outside
        starts = np.concatenate([[0], np.cumsum(kept)])[part.indptr]
        columns = np.concatenate([np.arange(first * wide, stop * wide), groups])
        matrix = sparse.csr_array((part.data[kept], local[kept], starts), shape=(len(rows), len(columns)))
        piece = Piece(
            matrix,
            problem.row_lower[rows] - known,
            problem.row_upper[rows] - known,
            problem.lower[columns],
            problem.upper[columns],
            self._objective[columns],
        )
        return StepWindow(columns, rows, piece), beyond


@dataclass
class Draft:
    """A schedule in the making, its duals, and the basis that they come from; `seen` marks groups with a value."""

    x: np.ndarray
    y: np.ndarray
    basis: Basis
    seen: np.ndarray = field(repr=False)

    @classmethod
    def of(cls, problem: Problem) -> Draft:
        """Nothing decided yet."""
        columns, rows = len(problem.lower), len(problem.row_upper)
        basis = Basis(np.full(columns, BASIC, np.int8), np.full(rows, BASIC, np.int8))
        return cls(np.zeros(columns), np.zeros(rows), basis, np.zeros(columns, bool))

    def of_window(self, window: StepWindow) -> Basis:
        """The basis of a window."""
        return Basis(self.basis.columns[window.columns], self.basis.rows[window.rows])

    def take(
        self, window: StepWindow, solution: Solution, basis: Basis, begun: np.ndarray | None = None
    ) -> None:
        """What was found for a window; a group keeps the status it had when it was decided."""
        self.x[window.columns], self.y[window.rows] = solution.x, solution.row_dual
        free = ~self.seen[window.columns]
        self.basis.columns[window.columns[free]] = basis.columns[free]
        self.basis.rows[window.rows] = basis.rows
        if begun is not None:
            self.seen[begun] = True


def by_days(problem: Problem, windows: Windows, spans: Sequence[Span], say: Say) -> Draft | None:
    """A first schedule, day after day with a look ahead; None if a day has no answer.

    The spans are shared out over the cores, each in one go of days. What comes first in time of each starts as the
    run does, storage at its floor where that is higher. Days that end too empty for what follows are given a longer
    look ahead.
    """
    share = _SHARE.get()
    count = min(share[0] if share else cores(), len(spans))
    ends = [spans[len(spans) * (number + 1) // count - 1][1] for number in range(count)]
    chains = list(zip([0, *ends[:-1]], ends, strict=True))
    for hours in AHEAD_HOURS:
        drafts = _chains(problem, windows, chains, windows.look_ahead(hours), say)
        if drafts is not None:
            return _joined(problem, windows, chains, drafts)
    return None


def _chains(
    problem: Problem, windows: Windows, chains: Sequence[Span], ahead: int, say: Say
) -> list[Draft] | None:
    """Each chain of days, all at once; None as soon as a day has no answer."""
    keep = KEEP_HOURS * 60 // problem.timeline.step_minutes
    days = sum(-(-(stop - first) // keep) for first, stop in chains)
    countdown, failed = Countdown(say, "first pass, day", days), threading.Event()
    drafts = at_once(lambda chain: _chain(problem, windows, chain, ahead, countdown, failed), chains)
    return None if failed.is_set() else drafts


def _joined(problem: Problem, windows: Windows, chains: Sequence[Span], drafts: Sequence[Draft]) -> Draft:
    """The drafts of all chains as one."""
    whole = drafts[0]
    for (first, stop), draft in zip(chains[1:], drafts[1:], strict=True):
        columns, rows = windows.within(first, stop)
        whole.x[columns], whole.basis.columns[columns] = draft.x[columns], draft.basis.columns[columns]
        whole.basis.rows[rows] = draft.basis.rows[rows]
        # A peak that two spans share is the higher of what they settled on.
        both = np.flatnonzero(whole.seen & draft.seen)
        whole.x[both] = np.maximum(whole.x[both], draft.x[both])
    whole.seen[:] = False
    for family in problem.columns.values():
        if family.auxiliary:
            whole.basis.columns[problem.places[family.name]] = BASIC
    return whole


def _chain(
    problem: Problem,
    windows: Windows,
    chain: Span,
    ahead: int,
    countdown: Countdown,
    failed: threading.Event,
) -> Draft:
    """Days one after the other; each starts from the basis that the last one's look ahead and its own day give."""
    keep = KEEP_HOURS * 60 // problem.timeline.step_minutes
    draft = Draft.of(problem)
    if chain[0]:
        _start_as_the_run_does(problem, windows, chain[0], draft)
    done = chain[0]
    for first in range(*chain, keep):
        stop = min(windows.steps, first + keep + ahead)
        window = windows.ahead(first, stop, draft.x, draft.seen)
        highs = Highs(window.piece)
        if first > chain[0]:
            as_a_day_before(windows, draft.basis, done, stop, keep)
            highs.set_basis(draft.of_window(window))
        solution = _optimum(highs)
        if solution is None:
            failed.set()
        if solution is None or failed.is_set():
            break
        draft.take(window, solution, highs.basis(), windows.begun(window, first + keep))
        done = stop
        countdown.step()
    return draft


def _optimum(highs: Highs) -> Solution | None:
    """What a run ends at if that is an optimum."""
    try:
        solution = highs.solve()
    except UnprovenError:
        return None
    return solution if solution.verdict == "optimal" else None


def _start_as_the_run_does(problem: Problem, windows: Windows, first: int, draft: Draft) -> None:
    for family in problem.columns.values():
        places = problem.places[family.name]
        if len(places) == windows.steps:
            before = slice(max(0, first - 25 * 60 // problem.timeline.step_minutes), first)
            draft.x[places[before]] = np.clip(family.before, family.lower[before], family.upper[before])


def as_a_day_before(windows: Windows, basis: Basis, first: int, stop: int, day: int) -> None:
    """Give steps without a basis yet that of the same hours a day before."""
    if stop <= first:
        return
    model = np.arange(first, stop) - day
    for statuses, per_step in ((basis.columns, windows.wide), (basis.rows, windows.tall)):
        places = (model[:, None] * per_step + np.arange(per_step)).ravel()
        statuses[first * per_step : stop * per_step] = statuses[places]


class Periods:
    """A problem solved one billing period at a time, with what joins them held as a first schedule has it.

    It takes the place of a `Highs` that holds the whole, in a fraction of the memory; its schedules are feasible for
    the whole, and its duals bound it. Where steps are short its weeks come first: a week costs little and joins its
    days, and what is left for a period of many steps is to join its weeks.
    """

    def __init__(self, problem: Problem, draft: Draft, windows: Windows, spans: Sequence[Span], say: Say):
        self.problem, self._draft, self._windows, self._spans = problem, draft, windows, spans
        self._say = say
        self._lower, self._upper = problem.lower, problem.upper
        short = problem.timeline.step_minutes * WEEKS_FROM_STEPS_A_DAY <= 24 * 60
        self._weeks = windows.weeks(spans) if short else []
        self._stale = np.ones(windows.steps, bool)

    def add_rows(self, problem: Problem) -> None:
        """Go on with a problem that has more rows at its end."""
        more = len(problem.row_upper) - len(self.problem.row_upper)
        draft = self._draft
        rows = np.append(draft.basis.rows, np.full(more, BASIC, np.int8))
        self._draft = Draft(
            draft.x, np.append(draft.y, np.zeros(more)), Basis(draft.basis.columns, rows), draft.seen
        )
        self.problem, self._windows = problem, Windows(problem)
        self._stale[:] = True

    def change_column_bounds(self, columns: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> None:
        """New bounds for some columns; spans without any are not solved again."""
        new_lower, new_upper = self._lower.copy(), self._upper.copy()
        new_lower[columns], new_upper[columns] = lower, upper
        changed = np.flatnonzero((new_lower != self._lower) | (new_upper != self._upper))
        of_steps = changed < self._windows.steps * self._windows.wide
        self._stale[changed[of_steps] // self._windows.wide] = True
        if not of_steps.all():
            self._stale[:] = True
        self._lower, self._upper = new_lower, new_upper

    def move(self, columns: np.ndarray, values: np.ndarray) -> None:
        """Have columns elsewhere, such as what is stored where periods join; every span is solved again."""
        self._draft.x[columns] = values
        self._stale[:] = True

    def solve(self) -> Solution:
        """Every span with something new in it, from its last basis; "infeasible" if a period is."""
        self._pass(self._weeks, "week")
        if not self._pass(self._spans, "billing period"):
            return Solution("infeasible", np.zeros(0), np.zeros(0), np.nan, np.nan, np.zeros(0))
        self._stale[:] = False
        self._join_prices()
        objective = float(self.problem.objective @ self._draft.x) + self.problem.offset
        return Solution("optimal", self._draft.x.copy(), self._draft.y.copy(), objective, np.inf, np.zeros(0))

    def _pass(self, spans: Sequence[Span], words: str) -> bool:
        """Solve spans each by itself; False if one has no answer, which leaves it as it was."""
        spans = [span for span in spans if self._stale[slice(*span)].any()]
        countdown = Countdown(self._say, words, len(spans))
        held, draft = self._draft.x.copy(), self._draft

        def solve(span: Span) -> tuple[StepWindow, Solution, Basis] | None:
            window, pinned = self._windows.held(*span, held)
            lower, upper = window.piece.lower, window.piece.upper
            lower[~pinned] = self._lower[window.columns[~pinned]]
            upper[~pinned] = self._upper[window.columns[~pinned]]
            highs = Highs(window.piece)
            highs.set_basis(draft.of_window(window))
            solution = _optimum(highs)
            countdown.step()
            if solution is None:
                return None
            basis = highs.basis()
            basis.columns[pinned] = BASIC
            return window, solution, basis

        found = at_once(solve, spans)
        for result in found:
            if result is not None:
                draft.take(*result)
        return all(result is not None for result in found)

    def _join_prices(self) -> None:
        """Agree on prices across each cut: on either side stored energy was worth what that side alone makes of it."""
        y, problem = self._draft.y, self.problem
        usable = proof.usable(y, problem.row_lower, problem.row_upper)
        reduced = problem.objective - problem.matrix.T @ usable
        margin = JOINT_HOURS * 60 // problem.timeline.step_minutes

        def join(cut: int) -> tuple[np.ndarray, np.ndarray]:
            span = (max(0, cut - margin), min(self._windows.steps, cut + margin))
            window = self._windows.priced(*span, reduced, usable)
            highs = Highs(window.piece)
            highs.set_basis(self._draft.of_window(window))
            return window.rows, highs.solve().row_dual

        for rows, row_dual in at_once(join, [stop for _, stop in self._spans[:-1]]):
            y[rows] = row_dual

    def basis(self) -> Basis:
        """The basis of the last run."""
        return Basis(self._draft.basis.columns.copy(), self._draft.basis.rows.copy())
