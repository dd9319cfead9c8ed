"""One direction at a time, exactly: windows searched by branching, a final linear program, a bound over both.

A linear program imports and exports at once where that pays. Rows that hold either way round tighten it first. Where
its schedule still breaks a decision, the steps around become a window that is solved exactly by itself, with the rows
that join it to the rest priced by the duals of a linear program; the sum of all parts bounds what any schedule can
make (Lagrangian relaxation). The windows' decisions are then fixed and the linear program solved again; its duals
price the next round. When that leads no further, prices in between those tried are taken where the bound is least;
when they are used up too, the windows that still promise more are widened.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from optimiser.columns import alike, of_bank
from optimiser.engine import path, proof, wholes
from optimiser.engine.branching import Part, WindowOptimum, take
from optimiser.engine.decisions import (
    ORDER,
    PAIR,
    WHOLE,
    Better,
    Decisions,
    SearchOutcome,
    counted,
    decisions,
    implied_rows,
    so_far,
)
from optimiser.engine.leaning import leaning
from optimiser.engine.solver import Basis, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Periods, at_once
from optimiser.errors import UnprovenError
from optimiser.progress import Countdown, Say

ROUNDS = 80
FIRST_MARGIN_HOURS = 4.0
LONG_HOURS = 48
FIRST_NODES = 60
MOST_PRICES = 8
MOST_WIDENED = 12
MOST_TRIES = 12
MOST_ROWS_KEPT = 400_000
FEWEST_ROWS_LEANT = 40_000  # smaller problems have their first schedule in a moment anyway
NONE_FOUND = (
    "no schedule was found that keeps every decision, such as one direction at a time; "
    "give solve.time_limit_s more time"
)

Span = tuple[int, int]


def keep_one_direction(
    problem: Problem,
    relaxed: Solution,
    highs: Highs | Periods,
    gap: float,
    deadline: float,
    say: Callable[[str], None],
    better: Better = lambda found: None,
    most_rounds: int | None = None,
    *,
    soon: bool = False,
) -> SearchOutcome:
    """Make a relaxed schedule keep every decision, with a proven gap.

    Parameters
    ----------
    problem : Problem
    relaxed : Solution
        Optimal without the decisions.
    highs : Highs or Periods
        What holds the problem, with the basis of `relaxed`; it is given more rows.
    gap : float
        Gap at which to stop, a share of the turnover.
    deadline : float
        `time.perf_counter()` at which to stop with what there is.
    say : callable
    better : callable, optional
        Handed the best so far whenever a round has ended.
    most_rounds : int, optional
        Rounds after which to stop with what there is, instead of the deadline where that is infinite.
    soon : bool
        Whether to hand over a first schedule before any round of a large problem, however far it is from the best.

    Raises
    ------
    UnprovenError
        If no schedule is found that keeps every decision.
    """
    every = decisions(problem)
    bound = proof.upper_bound(problem, relaxed.row_dual)
    broken = every.broken(problem, relaxed.x)
    if not broken.any():
        return SearchOutcome(relaxed, bound, broken)
    first: Solution | None = None
    if soon and len(problem.row_upper) > FEWEST_ROWS_LEANT:
        say("one direction at a time: a first schedule, as the linear program leans")
        first = leaning(problem, every, relaxed, highs)
        if first is not None:
            wide = proof.relative_gap(bound, first.objective, proof.turnover(problem, first.x))
            say(so_far("a first schedule", wide, gap, deadline))
            better(SearchOutcome(first, bound, broken, [wide], "directions as the linear program leans"))
    known = path.search(problem, every, broken, relaxed, highs, gap, deadline, say, better, most_rounds)
    if known is not None and (known.done or time.perf_counter() > deadline or len(known.gaps) == most_rounds):
        return known
    say("tightening the linear program where prices invite both directions at once")
    search = _Search(problem, every, broken, highs, say)
    relaxed = search.relax()
    bound = min(bound, proof.upper_bound(search.problem, relaxed.row_dual))
    if not search.broken.any() and (known is None or relaxed.objective >= known.solution.objective):
        return SearchOutcome(_in_rows_of(problem, relaxed), bound, broken)
    best = None if known is None else _in_rows_of(search.problem, known.solution)
    bound = bound if known is None else min(bound, known.bound)
    y = relaxed.row_dual
    gaps: list[float] = []
    most_nodes = FIRST_NODES if search.size <= MOST_ROWS_KEPT else FIRST_NODES // 6
    rounds = ROUNDS if most_rounds is None else most_rounds - (0 if known is None else known.rounds)
    turnover = 0.0 if best is None else proof.turnover(problem, best.x)
    branched: SearchOutcome | None = None
    by_branches = True
    for _ in range(rounds):
        spare = gap * max(1.0, abs(bound), turnover) / 2
        try:
            view = search.price(y, best, spare, most_nodes, deadline)
        except UnprovenError:
            break  # no schedule of a window in the time that was left
        bound = min(bound, view.bound)
        solution = search.fixed(view)
        if solution is None and best is None:
            solution = search.rounded(relaxed)
        found = solution is not None and (best is None or solution.objective > best.objective + 0.02 * spare)
        if found:
            best = solution
        turnover = 0.0 if best is None else proof.turnover(problem, best.x)
        gaps.append(np.inf if best is None else proof.relative_gap(bound, best.objective, turnover))
        words = f"round {len(gaps)}, {len(view.contested)} of {len(search.spans)} windows contested"
        say(so_far(words, gaps[-1], gap, deadline))
        if best is not None:
            better(_outcome(problem, known, branched, best, bound, search.broken, gaps))
        if gaps[-1] <= gap or time.perf_counter() > deadline or len(gaps) == rounds:
            break
        # Windows are searched no deeper than the prices deserve: the first ones are far off.
        shallow = view.unfinished > (spare if best is None else 0.25 * (bound - best.objective))
        if by_branches and (shallow or best is None or len(gaps) > 2):
            # Windows that are not soon done with hold whole months, or many steps that are alike.
            by_branches = False
            branched = wholes.search(problem, every, search.broken, best, bound, gap, deadline, say, better)
            if branched is not None:
                best, bound = _in_rows_of(search.problem, branched.solution), branched.bound
                turnover = proof.turnover(problem, best.x)
                gaps += branched.gaps[-1:]
                if gaps[-1] <= gap or time.perf_counter() > deadline:
                    break
                shallow = False
        if shallow:
            most_nodes *= 4
        if solution is not None and found:
            y = solution.row_dual
            if len(gaps) == 1:
                # The first prices came from a schedule that broke decisions; what they said is too far away to mix.
                search.forget_prices()
        elif best is None and not shallow:
            # The windows' decisions cannot be kept together: wider ones know more of each other.
            if not search.widen(view.x):
                break
        elif best is not None and not shallow:
            # A few windows are cheaper to widen; many mean that the prices are off.
            few = len(view.contested) <= MOST_WIDENED
            between = None if few else search.between(bound, 0.1 * spare)
            if between is None and not search.widen(best.x):
                break
            y = best.row_dual if between is None else between
    if time.perf_counter() < deadline and (not gaps or gaps[-1] > gap) and most_rounds is None:
        # Where windows lead no further, a small problem is still one integer program.
        last = wholes.at_once(problem, every, best, bound, gap, deadline)
        if last is not None:
            best, bound = _in_rows_of(search.problem, last.solution), last.bound
            gaps += last.gaps
    if best is None:
        # However far it is from the best, one that keeps every decision is worth more than none.
        first = leaning(problem, every, relaxed, highs) if first is None else first
        if first is None:
            raise UnprovenError(NONE_FOUND)
        best, gaps = first, []
    if not gaps:
        gaps.append(proof.relative_gap(bound, best.objective, proof.turnover(problem, best.x)))
    return _outcome(problem, known, branched, best, bound, search.broken, gaps)


def _outcome(
    problem: Problem,
    known: SearchOutcome | None,
    branched: SearchOutcome | None,
    best: Solution,
    bound: float,
    flagged: np.ndarray,
    gaps: list[float],
) -> SearchOutcome:
    """The best so far, after paths where they went before, and with branches of whole numbers beside the windows."""
    windows = len(gaps) - (0 if branched is None else 1)
    words = f"{counted(windows)} of windows for one direction at a time"
    if branched is not None:
        words = f"{words}, {branched.words}"
    if known is not None:
        words = f"{known.words}, then {words}"
    rounds = len(gaps) + (0 if known is None else known.rounds)
    return SearchOutcome(_in_rows_of(problem, best), bound, flagged, list(gaps), words, rounds=rounds)


@dataclass(frozen=True)
class _View:
    """What one set of prices shows.

    Attributes
    ----------
    bound : float
        No schedule makes more. [currency]
    y : array of shape (rows,)
        The prices.
    x : array of shape (columns,)
        What each part would do at these prices.
    constant : float
    slope : array of shape (rows,)
        At other prices p, no bound is below `constant + slope @ p`.
    contested : tuple of Span
        Windows that promise more than the best schedule makes in them.
    unfinished : float
        Money between bound and schedule of windows that were not searched to the end.
    """

    bound: float
    y: np.ndarray
    x: np.ndarray
    constant: float
    slope: np.ndarray
    contested: tuple[Span, ...]
    unfinished: float


class _Search:
    """What the rounds share: the tightened problem, the windows, what they made, the prices tried."""

    def __init__(
        self, problem: Problem, every: Decisions, broken: np.ndarray, highs: Highs | Periods, say: Say
    ):
        self.every, self.broken, self._say = every, broken, say
        steps = np.zeros(problem.timeline.steps, bool)
        steps[every.step[broken | every.tempting]] = True
        matrix, upper = implied_rows(problem, every, np.flatnonzero(steps[every.step]))
        self.problem = replace(
            problem,
            matrix=sparse.csr_array(sparse.vstack([problem.matrix, matrix], format="csr")),
            row_lower=np.append(problem.row_lower, np.full(len(upper), -np.inf)),
            row_upper=np.append(problem.row_upper, upper),
        )
        self._highs = highs
        highs.add_rows(self.problem)
        # Without a store, steps hardly know of each other.
        hours = FIRST_MARGIN_HOURS if _stored(problem) else 0.0
        first = round(hours / problem.timeline.step_hours)
        self._margin = np.full(problem.timeline.steps, max(1, first) if hours else 0)
        self.spans: list[Span] = []
        self._parts: dict[Span, Part] = {}
        self._known: dict[Span, tuple[np.ndarray, WindowOptimum]] = {}
        self._views: list[_View] = []
        self._tried: set[bytes] = set()

    def relax(self) -> Solution:
        """The tightened linear program; where it still breaks decisions the first windows are drawn."""
        solution = self._highs.solve()
        self._basis: Basis = self._highs.basis()
        still = self.every.broken(self.problem, solution.x)
        if still.any():
            self.broken = self.broken | still
            self._draw(solution.x)
        else:
            self.broken = still
        return solution

    @property
    def size(self) -> int:
        """Rows of all windows together."""
        return int(np.count_nonzero(self._owner >= 0))

    # Windows -----------------------------------------------------------------------------------------------------

    def _draw(self, x: np.ndarray) -> None:
        """Spans of steps around broken decisions, cut where storage is full or empty if that is near.

        Across such a cut the two sides hardly bargain: more stored energy is of no use, or there is none to give.
        """
        problem, steps = self.problem, self.problem.timeline.steps
        cut = np.zeros(steps, bool)
        for name in _stored(problem):
            family, stored = problem.columns[name], x[problem.places[name]]
            slack = np.minimum(stored - family.lower, family.upper - stored)
            cut |= slack <= 1e-6 * np.maximum(1, family.upper)
        cuts = np.flatnonzero(cut) + 1
        every = self.every
        length = every.last - every.step
        long = self._long_spans(length * problem.timeline.step_hours > LONG_HOURS)
        covered = np.zeros(steps + 1, bool)
        for first, stop in long:
            covered[first:stop] = True
        spans: list[Span] = []
        short = np.flatnonzero(self.broken & ~covered[every.step])
        for step, last in np.unique(np.column_stack([every.step[short], every.last[short]]), axis=0):
            margin = self._margin[step]
            before = cuts[(cuts <= step - margin) & (cuts > step - 4 * margin)]
            after = cuts[(cuts > last + margin) & (cuts <= last + 4 * margin)]
            first = int(before[-1]) if len(before) else int(max(0, step - margin))
            stop = int(after[0]) if len(after) else int(min(steps, last + margin + 1))
            taken = np.flatnonzero(covered[first:stop]) + first
            first = int(max([first, *(taken[taken < step] + 1)]))
            stop = int(min([stop, *taken[taken > step]]))
            # One that was widened may reach back over several: no step is in two windows.
            while spans and first < spans[-1][1]:
                before_it = spans.pop()
                first, stop = min(first, before_it[0]), max(stop, before_it[1])
            spans.append((first, stop))
        spans = sorted(spans + long)
        self.spans = spans
        self._parts = {span: part for span, part in self._parts.items() if span in spans}
        self._known = {span: known for span, known in self._known.items() if span in spans}
        self._views = []
        self._own()

    def _long_spans(self, long: np.ndarray) -> list[Span]:
        """Spans of broken decisions about days or months, joined where they overlap."""
        every = self.every
        places = np.flatnonzero(self.broken & long)
        spans: list[Span] = []
        for place in places[np.argsort(every.step[places], kind="stable")]:
            first, stop = int(every.step[place]), int(every.last[place]) + 1
            if spans and first < spans[-1][1]:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
            else:
                spans.append((first, stop))
        return spans

    def _own(self) -> None:
        """Give each row and column to the window that holds all of what it touches, or to none (-1).

        A row that joins a window to columns of groups alone (a peak, a block) is the window's: it gets a copy of
        those columns, priced by what the row is worth.
        """
        problem, wide = self.problem, self.problem.step_columns
        inside = np.full(len(problem.lower), -1)
        for number, (first, stop) in enumerate(self.spans):
            inside[first * wide : stop * wide] = number
        start, matrix = problem.timeline.steps * wide, problem.matrix
        known = np.arange(len(inside)) < start
        low, high = _range_of_rows(matrix, inside, known)
        # A group's column is a window's if that one alone has it in rows with steps, or with columns of its own.
        by_column = sparse.csc_array(matrix[:, start:])
        filled = np.flatnonzero(np.diff(by_column.indptr))
        while len(filled):
            least, most = _range_of_columns(by_column, filled, low, high)
            settled = least <= most
            inside[start + filled] = np.where(settled & (least == most), least, -1)
            known[start + filled[settled]] = True
            if settled.all() or not settled.any():
                break
            filled = filled[~settled]
            low, high = _range_of_rows(matrix, inside, known)
        owner = np.where(low == high, low, -1)
        # Rows of groups alone belong to the window of all their groups.
        alone = np.flatnonzero(
            _range_of_rows(matrix, inside, np.arange(len(inside)) < start)[0] > len(self.spans)
        )
        if len(alone):
            one, most_of_all = _range_of_rows(
                sparse.csr_array(matrix[alone]), inside, np.ones(len(inside), bool)
            )
            owner[alone] = np.where(one == most_of_all, one, -1)
        self._inside, self._owner = inside, owner

    def widen(self, x: np.ndarray) -> bool:
        """Look twice as far around the windows that still promise more than a schedule makes in them.

        False if that leaves the windows as they were. Windows that were redrawn meanwhile are looked at first.
        """
        if not self._views:
            return True
        before, steps = self.spans, self.problem.timeline.steps
        for first, stop in self._views[-1].contested or self.spans:
            self._margin[first:stop] = np.clip(2 * self._margin[first:stop], 1, steps)
        self._draw(x)
        return self.spans != before

    def _part(self, span: Span, number: int, rows: np.ndarray) -> Part:
        # Where its neighbours were redrawn, rows and columns of groups may have come to a window or left it.
        columns = np.union1d(np.flatnonzero(self._inside == number), self._groups_of(rows))
        part = self._parts.get(span)
        if part is None or not (np.array_equal(part.rows, rows) and np.array_equal(part.columns, columns)):
            within = np.flatnonzero((self.every.step >= span[0]) & (self.every.step < span[1]))
            within = within[self._inside[self.every.first[within]] == number]
            part = self._parts[span] = Part(self.problem, columns, rows, self.every, within, self._basis)
            self._known.pop(span, None)
        return part

    def _groups_of(self, rows: np.ndarray) -> np.ndarray:
        """Columns of groups in some rows."""
        touched = np.unique(self.problem.matrix[rows].indices)
        return touched[touched >= self.problem.timeline.steps * self.problem.step_columns]

    # Prices ------------------------------------------------------------------------------------------------------

    def price(
        self, y: np.ndarray, best: Solution | None, spare: float, most_nodes: int, deadline: float
    ) -> _View:
        """Solve each window at some prices of the rows that join it to the rest."""
        problem, inside, owner = self.problem, self._inside, self._owner
        y = np.where(owner < 0, proof.usable(y, problem.row_lower, problem.row_upper), y)
        joining = np.where(owner < 0, y, 0.0)
        owned = y - joining
        one_sided = np.where(np.isfinite(problem.row_upper), problem.row_upper, problem.row_lower)
        side = np.select([joining > 0, joining < 0], [problem.row_upper, problem.row_lower], one_sided)
        of_copies = problem.matrix.T @ owned
        prices = problem.objective - problem.matrix.T @ joining
        outside = np.where(inside < 0, prices - of_copies, 0.0)
        x = np.where(outside > 0, problem.upper, problem.lower)
        bound = problem.offset + joining @ side + outside @ x

        rows_by_window = _by_number(owner, len(self.spans))
        share = spare / len(self.spans)
        many_rows = self.size > MOST_ROWS_KEPT
        countdown = Countdown(self._say, "one direction at a time: window", len(self.spans))

        def solve(number: int) -> tuple[Part, np.ndarray, WindowOptimum]:
            span = self.spans[number]
            part = self._part(span, number, rows_by_window[number])
            of_part = np.where(
                inside[part.columns] == number,
                prices[part.columns],
                part.matrix.T @ owned[part.rows],
            )
            known = self._known.get(span)
            finished = known is not None and known[1].bound <= known[1].objective + share
            if known is None or not finished or not np.array_equal(known[0], of_part):
                start = None if best is None else best.x[part.columns]
                known = (of_part, part.best(of_part, start, share, most_nodes, deadline))
                self._known[span] = known
                if many_rows:
                    part.release()
            countdown.step()
            return part, of_part, known[1]

        results = at_once(solve, range(len(self.spans)))
        contested, unfinished = [], 0.0
        difference = np.zeros(len(problem.row_upper))
        for number, (part, of_part, result) in enumerate(results):
            bound += result.bound
            unfinished += max(0.0, result.bound - result.objective - share)
            if result.x is None:
                raise UnprovenError(NONE_FOUND)
            if best is not None and result.bound > of_part @ best.x[part.columns] + share:
                contested.append(self.spans[number])
            mine = inside[part.columns] == number
            x[part.columns[mine]] = result.x[mine]
            # What the window's copies of shared columns do apart from the shared columns themselves.
            apart = np.where(mine, 0.0, result.x - x[part.columns])
            difference[part.rows] = part.matrix @ apart
        slope = np.where(owner < 0, side - problem.matrix @ x, difference)
        constant = problem.offset + float(problem.objective @ x)
        view = _View(float(bound), y, x, constant, slope, tuple(contested), unfinished)
        self._views = [*self._views[-(MOST_PRICES - 1) :], view]
        return view

    def forget_prices(self) -> None:
        """Prices tried so far are not mixed with later ones."""
        self._views = []

    def between(self, bound: float, enough: float) -> np.ndarray | None:
        """Prices in between those tried in these windows, where the bound may be lower by `enough`; else None.

        Each view is a straight line below every bound; the least of their maximum is a small linear program over
        mixtures of the prices tried (cutting planes).
        """
        if len(self._views) < 2:
            return None
        heights = np.array([[v.constant + v.slope @ at.y for at in self._views] for v in self._views])
        count = len(self._views)
        found = linprog(
            np.append(np.zeros(count), 1.0),
            A_ub=np.hstack([heights - bound, np.full((count, 1), -1.0)]),
            b_ub=np.zeros(count),
            A_eq=np.append(np.ones(count), 0.0)[None, :],
            b_eq=[1.0],
            bounds=[(0, None)] * count + [(None, None)],
        )
        if not found.success or found.fun > -enough:
            return None
        made: np.ndarray | None = np.sum(
            [share * view.y for share, view in zip(found.x[:count], self._views, strict=True)], axis=0
        )
        return made

    # Schedules ---------------------------------------------------------------------------------------------------

    def fixed(self, view: _View) -> Solution | None:
        """The linear program with the windows' decisions taken; None if they were tried or cannot be kept."""
        problem, every = self.problem, self.every
        inside = self._inside[every.first] >= 0
        second = every.seconds(problem, view.x)
        whole = every.kind == WHOLE
        number = np.where(whole, np.round(view.x[every.first]), 0.0)
        # Pairs that were never broken and invite nothing, and orders, are left free until they break.
        held = inside & (every.kind != ORDER) & (every.tempting | self.broken)
        pattern = np.packbits(held).tobytes() + np.packbits(second & inside).tobytes()
        pattern += number[whole & inside].tobytes()
        if pattern in self._tried:
            return None
        self._tried.add(pattern)
        return self._settled(held, second, number)

    def rounded(self, relaxed: Solution) -> Solution | None:
        """The linear program with each decision taken as a relaxed schedule leans; None if that leads nowhere.

        Not the best, but soon there: branches that promise less need not be looked at.
        """
        problem, every = self.problem, self.every
        one, other = relaxed.x[every.first], relaxed.x[every.second]
        used = np.maximum(one, other) > 1e-6
        held = every.broken(problem, relaxed.x) | (every.tempting & used & (every.kind == PAIR))
        return self._settled(held, every.seconds(problem, relaxed.x), np.round(one))

    def _settled(self, held: np.ndarray, second: np.ndarray, number: np.ndarray) -> Solution | None:
        """The linear program with some decisions taken, and those that break then, until none does."""
        problem, every = self.problem, self.every
        inside = self._inside[every.first] >= 0
        whole = every.kind == WHOLE
        for _ in range(MOST_TRIES):
            lower, upper = problem.lower.copy(), problem.upper.copy()
            either, exact = held & ~whole, held & whole
            first, then = every.first[either], every.second[either]
            take(lower, upper, first, then, every.kind[either], second[either], 0.0)
            lower[every.first[exact]] = upper[every.first[exact]] = number[exact]
            self._highs.change_column_bounds(np.arange(len(lower)), lower, upper)
            solution = self._highs.solve()
            if solution.verdict == "infeasible":
                return None
            broken = every.broken(problem, solution.x) & ~held
            if not broken.any():
                if (self.broken & ~inside).any():
                    # What broke outside all windows gets one of its own.
                    self._draw(solution.x)
                return solution
            new = broken & ~inside
            second = np.where(new, every.seconds(problem, solution.x), second)
            number = np.where(new & whole, np.round(solution.x[every.first]), number)
            held = held | broken
            self.broken = self.broken | broken
        return None


def _stored(problem: Problem) -> list[str]:
    """Columns of the energy stored."""
    return alike(problem.columns, of_bank, "stored_kwh")


def _in_rows_of(problem: Problem, solution: Solution) -> Solution:
    """A solution with the duals of the problem's own rows alone, none of them where it knew no such rows."""
    duals = np.zeros(len(problem.row_upper))
    duals[: len(solution.row_dual)] = solution.row_dual[: len(duals)]
    return replace(solution, row_dual=duals)


NONE_LEAST, NONE_MOST = np.iinfo(int).max, -2


def _range_of_rows(
    matrix: sparse.csr_array, inside: np.ndarray, counted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest window among each row's counted columns; least > greatest where there are none."""
    number, ours = inside[matrix.indices], counted[matrix.indices]
    filled = np.diff(matrix.indptr) > 0
    starts = matrix.indptr[:-1][filled]
    low, high = np.full(matrix.shape[0], NONE_LEAST), np.full(matrix.shape[0], NONE_MOST)
    if filled.any():
        low[filled] = np.minimum.reduceat(np.where(ours, number, NONE_LEAST), starts)
        high[filled] = np.maximum.reduceat(np.where(ours, number, NONE_MOST), starts)
    return low, high


def _range_of_columns(
    by_column: sparse.csc_array, columns: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest window among the rows of each column, none of which is empty."""
    rows = by_column[:, columns]
    starts = rows.indptr[:-1]
    return np.minimum.reduceat(low[rows.indices], starts), np.maximum.reduceat(high[rows.indices], starts)


def _by_number(owner: np.ndarray, count: int) -> list[np.ndarray]:
    """Places of each number from 0 to count - 1, rising."""
    order = np.argsort(owner, kind="stable")
    edges = np.searchsorted(owner[order], np.arange(count + 1))
    return [order[edges[number] : edges[number + 1]] for number in range(count)]
