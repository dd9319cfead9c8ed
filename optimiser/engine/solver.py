"""A problem handed to HiGHS through highspy, and every verdict that is not optimal put into words."""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

INFINITY = highspy.kHighsInf


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
    purse : float
        The solver's objective, money to be made.
    bound : float
        The most that the solver says can be made.
    binaries : array
        Values of the binaries that were added.
    """

    verdict: str
    x: np.ndarray
    row_dual: np.ndarray
    purse: float
    bound: float
    binaries: np.ndarray


@dataclass(frozen=True)
class Extra:
    """Binaries and rows on top of a problem: one binary a column appended, rows over all columns.

    `matrix` has the problem's columns and then one for each binary.
    """

    binaries: int
    matrix: sparse.csr_array
    row_lower: np.ndarray
    row_upper: np.ndarray


@dataclass(frozen=True)
class Basis:
    """Status of each column and row as HiGHS numbers them: 0 lower, 1 basic, 2 upper, 3 zero, 4 nonbasic."""

    columns: np.ndarray
    rows: np.ndarray

    def fits(self, problem: Problem) -> bool:
        """Whether a problem has as many columns and rows."""
        return (len(self.columns), len(self.rows)) == (len(problem.lower), len(problem.row_upper))


class Highs:
    """One HiGHS instance that holds a problem.

    Parameters
    ----------
    problem : Problem
    extra : Extra or None
    time_limit_s : float
    absolute_gap : float
        Gap at which an integer solve may stop. [currency]
    """

    def __init__(
        self,
        problem: Problem,
        extra: Extra | None = None,
        time_limit_s: float = 3600.0,
        absolute_gap: float = 1e-9,
    ):
        self.problem = problem
        self._extra = extra
        self._highs = quiet_highs()
        for name, value in (
            ("output_flag", False),
            ("threads", 1),
            # A kWh of a 5-minute step is worth a thousandth of a unit of money: duals need more digits than usual.
            ("dual_feasibility_tolerance", 1e-9),
            ("time_limit", float(time_limit_s)),
            ("mip_rel_gap", 0.0),
            ("mip_abs_gap", float(absolute_gap)),
        ):
            _accepted(self._highs.setOptionValue(name, value), f"option {name}")
        _accepted(self._highs.passModel(_model(problem, extra)), "the model")

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
        status = self._highs.getModelStatus()
        words = self._highs.modelStatusToString(status).lower()
        info = self._highs.getInfo()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return Solution("infeasible", np.zeros(0), np.zeros(0), np.nan, np.nan, np.zeros(0))
        solution = self._highs.getSolution()
        have_point = info.primal_solution_status == 2
        if status != highspy.HighsModelStatus.kOptimal and not have_point:
            raise UnprovenError(f"the solver stopped without a schedule: {words}")
        columns = len(self.problem.lower)
        x = np.clip(np.array(solution.col_value)[:columns], self.problem.lower, self.problem.upper)
        verdict = "optimal" if status == highspy.HighsModelStatus.kOptimal else words
        all_values = np.array(solution.col_value)
        row_dual = -np.array(solution.row_dual)[: len(self.problem.row_upper)]
        bound = (
            -info.mip_dual_bound if self._extra and self._extra.binaries else -info.objective_function_value
        )
        return Solution(verdict, x, row_dual, -info.objective_function_value, bound, all_values[columns:])

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

    def change_column_bounds(self, columns: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> None:
        """New bounds for some columns; the basis is kept."""
        _accepted(
            self._highs.changeColsBounds(len(columns), columns.astype(np.int32), lower, upper),
            "changed column bounds",
        )

    def change_costs(self, columns: np.ndarray, purse: np.ndarray) -> None:
        """New money that a unit of some columns brings; the basis is kept."""
        _accepted(self._highs.changeColsCost(len(columns), columns.astype(np.int32), -purse), "changed costs")

    def set_basis(self, basis: Basis) -> None:
        """Start the next run from a basis, which need not be a perfect one."""
        given = highspy.HighsBasis()
        statuses = [highspy.HighsBasisStatus(number) for number in range(5)]
        given.col_status = [statuses[number] for number in basis.columns]
        given.row_status = [statuses[number] for number in basis.rows]
        given.valid, given.alien = True, True
        _accepted(self._highs.setBasis(given), "a basis")
        _accepted(self._highs.setOptionValue("presolve", "off"), "option presolve")
        _accepted(
            self._highs.setOptionValue("dual_simplex_cost_perturbation_multiplier", 0.0),
            "option perturbation",
        )

    def basis(self) -> Basis:
        """The basis of the last run."""
        held = self._highs.getBasis()
        return Basis(
            np.fromiter(map(int, held.col_status), np.int8), np.fromiter(map(int, held.row_status), np.int8)
        )


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
            ctypes.CDLL(None).fflush(None)
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


def _accepted(status: Any, what: str) -> None:
    if status == highspy.HighsStatus.kError:
        raise UnprovenError(f"the solver did not accept {what}")


def _model(problem: Problem, extra: Extra | None) -> Any:
    matrix, row_lower, row_upper = problem.matrix, problem.row_lower, problem.row_upper
    lower, upper, cost = problem.lower, problem.upper, -problem.purse
    if extra is not None:
        wide = sparse.csr_array(
            (matrix.data, matrix.indices, matrix.indptr), shape=(matrix.shape[0], extra.matrix.shape[1])
        )
        matrix = sparse.vstack([wide, extra.matrix], format="csr")
        row_lower, row_upper = np.r_[row_lower, extra.row_lower], np.r_[row_upper, extra.row_upper]
        lower, upper = np.r_[lower, np.zeros(extra.binaries)], np.r_[upper, np.ones(extra.binaries)]
        cost = np.r_[cost, np.zeros(extra.binaries)]
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = len(lower), len(row_lower)
    model.col_cost_, model.col_lower_, model.col_upper_ = cost, lower, upper
    model.row_lower_, model.row_upper_ = row_lower, row_upper
    model.offset_ = -problem.offset
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.num_col_, model.a_matrix_.num_row_ = len(lower), len(row_lower)
    model.a_matrix_.start_ = matrix.indptr.astype(np.int32)
    model.a_matrix_.index_ = matrix.indices.astype(np.int32)
    model.a_matrix_.value_ = matrix.data
    if extra is not None and extra.binaries:
        kinds = [highspy.HighsVarType.kContinuous] * len(problem.lower) + [
            highspy.HighsVarType.kInteger
        ] * extra.binaries
        model.integrality_ = kinds
    return model
