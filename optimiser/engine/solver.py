"""A problem handed to HiGHS through highspy, and every verdict that is not optimal put into words."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import threading
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

LOWER, BASIC, UPPER = 0, 1, 2
_STATUSES = np.array([highspy.HighsBasisStatus(number) for number in range(5)], dtype=object)


@dataclass(frozen=True)
class Piece:
    """A linear program by itself: maximise `objective @ x + offset` with rows and columns within bounds.

    What a `Problem` says too, without the names of its columns and rows.
    """

    matrix: sparse.csr_array
    row_lower: np.ndarray
    row_upper: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    objective: np.ndarray
    offset: float = 0.0


# From a good basis a run is short: finding scale factors, or the exact weights of steepest edges, would take longer
# than the run itself, and presolve or perturbed costs would lead away from the basis.
WARM_OPTIONS = (
    ("presolve", "off"),
    ("dual_simplex_cost_perturbation_multiplier", 0.0),
    ("simplex_dual_edge_weight_strategy", 1),
    ("simplex_scale_strategy", 0),
)
COLD_OPTIONS = (
    ("presolve", "choose"),
    ("dual_simplex_cost_perturbation_multiplier", 1.0),
    ("simplex_dual_edge_weight_strategy", -1),
    ("simplex_scale_strategy", 2),
)
# Verdicts that say something of the problem; any other says that a run went wrong.
ANSWERS = (
    highspy.HighsModelStatus.kOptimal,
    highspy.HighsModelStatus.kInfeasible,
    highspy.HighsModelStatus.kUnboundedOrInfeasible,
    highspy.HighsModelStatus.kTimeLimit,
    highspy.HighsModelStatus.kSolutionLimit,
)


@dataclass(frozen=True)
class Solution:
    """What the solver returned.

    Attributes
    ----------
    verdict : str
        "optimal", "infeasible" or the solver's own words.
    x : array of shape (columns,)
    row_dual : array of shape (rows,)
        Money that one more unit of each row's right-hand side brings; empty for integer problems.
    objective : float
        The solver's objective, money to be made.
    bound : float
        The most that the solver says can be made.
    binaries : array
        Values of the binaries that were added.
    """

    verdict: str
    x: np.ndarray
    row_dual: np.ndarray
    objective: float
    bound: float
    binaries: np.ndarray


@dataclass(frozen=True)
class Extra:
    """Binaries and rows on top of a problem: one binary a column appended, rows over all columns.

    `matrix` has the problem's columns and then one for each binary; `wholes` are columns that are whole numbers.
    """

    binaries: int
    matrix: sparse.csr_array
    row_lower: np.ndarray
    row_upper: np.ndarray
    wholes: np.ndarray = field(default_factory=lambda: np.zeros(0, int))


@dataclass(frozen=True)
class Basis:
    """Status of each column and row as HiGHS numbers them: 0 lower, 1 basic, 2 upper, 3 zero, 4 nonbasic."""

    columns: np.ndarray
    rows: np.ndarray

    def fits(self, problem: Problem | Piece) -> bool:
        """Whether a problem has as many columns and rows."""
        return (len(self.columns), len(self.rows)) == (len(problem.lower), len(problem.row_upper))


class Highs:
    """One HiGHS instance that holds a problem.

    Parameters
    ----------
    problem : Problem or Piece
    extra : Extra or None
    time_limit_s : float
    absolute_gap : float
        Gap at which an integer solve may stop. [currency]
    most_nodes : int or None
        Nodes after which an integer solve stops; None: no limit.
    """

    def __init__(
        self,
        problem: Problem | Piece,
        extra: Extra | None = None,
        time_limit_s: float = 3600.0,
        absolute_gap: float = 1e-9,
        most_nodes: int | None = None,
    ):
        self.problem = problem
        self._extra = extra
        self._start: Basis | None = None
        self._highs = quiet_highs()
        self._set(
            (
                ("output_flag", False),
                ("threads", 1),
                # A kWh of a 5-minute step is worth a thousandth of a unit of money: duals need more digits than usual.
                ("dual_feasibility_tolerance", 1e-9),
                ("time_limit", float(time_limit_s)),
                ("mip_rel_gap", 0.0),
                ("mip_abs_gap", float(absolute_gap)),
                *((("mip_max_nodes", most_nodes),) if most_nodes is not None else ()),
            )
        )
        _accepted(self._highs.passModel(*_model(problem, extra)), "the model")

    def _run(self) -> None:
        """Run the solver so that Ctrl-C reaches the program while HiGHS, which cannot hear it, is at work."""
        if threading.current_thread() is not threading.main_thread():
            self._highs.run()
            return
        worker = threading.Thread(target=self._highs.run, daemon=True)
        worker.start()
        while worker.is_alive():
            worker.join(0.2)

    def solve(self) -> Solution:
        """Run, from the last basis if there is one.

        Raises
        ------
        UnprovenError
            If the solver stops without a verdict that can be used.
        """
        self._run()
        if self._start is not None and self._highs.getModelStatus() not in ANSWERS:
            self._run_otherwise()
        status = self._highs.getModelStatus()
        words = self._highs.modelStatusToString(status).lower()
        info = self._highs.getInfo()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return Solution("infeasible", np.zeros(0), np.zeros(0), np.nan, np.nan, np.zeros(0))
        have_point = info.primal_solution_status == 2
        if status != highspy.HighsModelStatus.kOptimal and not have_point:
            raise UnprovenError(f"the solver stopped without a schedule: {words}")
        solution = self._highs.getSolution()
        columns = len(self.problem.lower)
        values = np.array(solution.col_value)
        x = np.clip(values[:columns], self.problem.lower, self.problem.upper)
        verdict = "optimal" if status == highspy.HighsModelStatus.kOptimal else words
        row_dual = -np.array(solution.row_dual)[: len(self.problem.row_upper)]
        integers = self._extra is not None and self._extra.binaries + len(self._extra.wholes) > 0
        bound = -info.mip_dual_bound if integers else -info.objective_function_value
        return Solution(verdict, x, row_dual, -info.objective_function_value, bound, values[columns:])

    def add_rows(self, problem: Problem) -> None:
        """Go on with a problem that has more rows at its end; the basis is kept."""
        first = len(self.problem.row_upper)
        more = sparse.csr_array(problem.matrix[first:])
        _accepted(
            self._highs.addRows(
                more.shape[0],
                problem.row_lower[first:],
                problem.row_upper[first:],
                more.nnz,
                more.indptr[:-1].astype(np.int32),
                more.indices.astype(np.int32),
                more.data,
            ),
            "more rows",
        )
        self.problem = problem

    def change(self, problem: Problem | Piece, basis: Basis) -> bool:
        """Go on with another problem from a basis, by change calls; False, and nothing done, if its matrix is another.

        Rows that were added meanwhile are taken out again.
        """
        count, mine = len(problem.row_upper), self.problem.matrix
        if self._extra is not None or len(problem.lower) != len(self.problem.lower) or count > mine.shape[0]:
            return False
        last = int(mine.indptr[count])
        old = (mine.indptr[: count + 1], mine.indices[:last], mine.data[:last])
        new = (problem.matrix.indptr, problem.matrix.indices, problem.matrix.data)
        if not all(np.array_equal(one, other) for one, other in zip(old, new, strict=True)):
            return False
        columns, rows = np.arange(len(problem.lower)), np.arange(count, dtype=np.int32)
        if count < mine.shape[0]:
            added = np.arange(count, mine.shape[0], dtype=np.int32)
            _accepted(self._highs.deleteRows(len(added), added), "fewer rows")
        self.change_costs(columns, problem.objective)
        self.change_column_bounds(columns, problem.lower, problem.upper)
        _accepted(
            self._highs.changeRowsBounds(count, rows, problem.row_lower, problem.row_upper),
            "changed row bounds",
        )
        _accepted(self._highs.changeObjectiveOffset(-problem.offset), "a changed offset")
        self.problem = problem
        self.set_basis(basis)
        return True

    def change_column_bounds(self, columns: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> None:
        """New bounds for some columns; the basis is kept."""
        _accepted(
            self._highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper),
            "changed column bounds",
        )

    def change_costs(self, columns: np.ndarray, objective: np.ndarray) -> None:
        """New money that a unit of some columns brings; the basis is kept."""
        _accepted(
            self._highs.changeColsCost(len(columns), columns.astype(np.int32), -objective), "changed costs"
        )

    def set_basis(self, basis: Basis) -> None:
        """Start the next run from a basis, which need not be a perfect one."""
        given = highspy.HighsBasis()
        given.col_status = _STATUSES[basis.columns].tolist()
        given.row_status = _STATUSES[basis.rows].tolist()
        given.valid, given.alien = True, True
        _accepted(self._highs.setBasis(given), "a basis")
        self._set(WARM_OPTIONS)
        self._start = basis

    def _run_otherwise(self) -> None:
        """After a run that went wrong: from the same basis with perturbed costs, else from nothing."""
        start, self._start = self._start, None
        if start is not None and start.fits(self.problem):
            self.set_basis(start)
            self._set((("dual_simplex_cost_perturbation_multiplier", 1.0),))
            self._run()
            self._set(WARM_OPTIONS)
        if self._highs.getModelStatus() not in ANSWERS:
            _accepted(self._highs.clearSolver(), "a fresh start")
            self._set(COLD_OPTIONS)
            self._start = None
            self._run()

    def _set(self, options: tuple[tuple[str, Any], ...]) -> None:
        for name, value in options:
            _accepted(self._highs.setOptionValue(name, value), f"option {name}")

    def basis(self) -> Basis:
        """The basis of the last run.

        Reading a status for each column and row takes longer than a short run; which are basic is to be had at once,
        and what is not basic is at the side that its value says.
        """
        _, basic = self._highs.getBasicVariables()
        solution = self._highs.getSolution()
        lower, upper = self.problem.lower, self.problem.upper
        x = np.array(solution.col_value)[: len(lower)]
        activity = np.array(solution.row_value)[: len(self.problem.row_upper)]
        columns = np.where(upper - x < x - lower, UPPER, LOWER).astype(np.int8)
        at_lower = np.abs(activity - self.problem.row_lower) < np.abs(self.problem.row_upper - activity)
        rows = np.where(at_lower, LOWER, UPPER).astype(np.int8)
        columns[basic[basic >= 0]] = BASIC
        rows[-1 - basic[basic < 0]] = BASIC
        return Basis(columns, rows)


_first = threading.Lock()
_greeted = False


def quiet_highs() -> Any:
    """A HiGHS instance. The first of a process greets on standard output, where only results belong."""
    global _greeted
    with _first:
        if _greeted:
            return highspy.Highs()
        _greeted = True
        sys.stdout.flush()
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            return highspy.Highs()
        finally:
            _write_out()
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


def _write_out() -> None:
    """Let the C library write out what it holds back, under the name that the platform has for it."""
    with contextlib.suppress(OSError, TypeError, AttributeError):  # without it a greeting shows, no more
        ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None).fflush(None)


def _accepted(status: Any, what: str) -> None:
    if status == highspy.HighsStatus.kError:
        raise UnprovenError(f"the solver did not accept {what}")


def _model(problem: Problem | Piece, extra: Extra | None) -> tuple[Any, ...]:
    """What HiGHS takes for a model, in arrays: sizes, format and sense, then cost, bounds, matrix and kinds."""
    matrix, row_lower, row_upper = problem.matrix, problem.row_lower, problem.row_upper
    lower, upper, cost = problem.lower, problem.upper, -problem.objective
    kinds = np.zeros(len(lower), np.int32)
    if extra is not None:
        wide = sparse.csr_array(
            (matrix.data, matrix.indices, matrix.indptr), shape=(matrix.shape[0], extra.matrix.shape[1])
        )
        matrix = sparse.vstack([wide, extra.matrix], format="csr")
        row_lower, row_upper = np.r_[row_lower, extra.row_lower], np.r_[row_upper, extra.row_upper]
        lower, upper = np.r_[lower, np.zeros(extra.binaries)], np.r_[upper, np.ones(extra.binaries)]
        cost = np.r_[cost, np.zeros(extra.binaries)]
        kinds[extra.wholes] = 1
        kinds = np.r_[kinds, np.ones(extra.binaries, np.int32)]
    sizes = (len(lower), len(row_lower), matrix.nnz)
    form = (int(highspy.MatrixFormat.kRowwise), int(highspy.ObjSense.kMinimize), -problem.offset)
    starts, indices = matrix.indptr[:-1].astype(np.int32), matrix.indices.astype(np.int32)
    return *sizes, *form, cost, lower, upper, row_lower, row_upper, starts, indices, matrix.data, kinds
