"""Some steps of a problem by themselves, with a column a limit that moves it: what makes them possible."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import highspy
import numpy as np
from scipy import sparse

from optimiser.columns import EXPORT, IMPORT, alike, of_bank, of_giving_way, of_register
from optimiser.engine.diagnosis.limits import WARRANTED, Hold, MovableLimit
from optimiser.engine.solver import quiet_highs
from optimiser.engine.tiling import Problem, build_problem
from optimiser.scenario.file import Scenario


class DiagnosisWindow:
    """The problem of steps `first` to `stop` (left out), with one column a limit that moves it by so much.

    Parameters
    ----------
    problem : Problem
        Without services and money: only stored energy links its steps.
    limits : list of MovableLimit
    first, stop : int
    carried : array or None
        The most energy that each bank could hold before `first`; None: all that it can hold. [kWh]
    """

    def __init__(
        self, problem: Problem, limits: list[MovableLimit], first: int, stop: int, carried: np.ndarray | None
    ):
        self.problem, self.limits, self.first, self.stop = problem, limits, first, stop
        wide, tall = problem.step_columns, problem.step_rows
        self._before = max(first - 1, 0) * wide
        lower = problem.lower[self._before : stop * wide].copy()
        upper = problem.upper[self._before : stop * wide].copy()
        if first > 0:
            held = stored_places(problem, first - 1) - self._before
            lower[held] = 0.0
            if carried is not None:
                upper[held] = carried
        matrix = problem.matrix[first * tall : stop * tall, self._before : stop * wide].tocsr()
        low, high = (
            problem.row_lower[first * tall : stop * tall],
            problem.row_upper[first * tall : stop * tall],
        )
        totals, most = self._totals()
        low, high = np.r_[low, np.full(len(most), -np.inf)], np.r_[high, most]
        stacked = sparse.csr_array(sparse.vstack([matrix, totals], format="csr"))
        self._assemble(stacked, low, high, lower, upper)

    def _totals(self) -> tuple[sparse.csr_array, np.ndarray]:
        """Sums over months, of what this window has of each, as rows of their own, and the most of each."""
        problem, wide = self.problem, self.problem.step_columns
        own = slice(self.first * wide, self.stop * wide)
        ahead, parts, most = self.first * wide - self._before, [], [np.zeros(0)]
        count = (self.stop - self.first) * problem.step_rows
        self._total_rows: dict[str, np.ndarray] = {}
        for name in alike(problem.columns, of_bank, WARRANTED):
            groups = problem.timeline.groups(problem.columns[name].per)
            met = np.unique(groups.of_step[self.first : self.stop])
            rows = problem.matrix[problem.row_places[name][met]][:, own]
            parts.append(sparse.hstack([sparse.csr_array((len(met), ahead)), rows], format="csr"))
            most.append(problem.upper[problem.places[name][met]])
            self._total_rows[name] = count + np.arange(len(met))
            count += len(met)
        nothing = sparse.csr_array((0, self.stop * wide - self._before))
        return sparse.csr_array(sparse.vstack([nothing, *parts], format="csr")), np.concatenate(most)

    def _assemble(
        self, matrix: Any, low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray
    ) -> None:
        columns = len(lower)
        self.movers = columns + np.arange(len(self.limits))
        blocks, lows, highs = [], [], []
        for mover, limit in zip(self.movers, self.limits, strict=True):
            for hold in limit.holds:
                part, bound, local = self._held(hold, matrix, low, high, lower, upper)
                move = sparse.csr_array(
                    (
                        np.full(len(bound), -1.0 if hold.upper else 1.0),
                        (np.arange(len(bound)), np.full(len(bound), mover - columns)),
                    ),
                    shape=(len(bound), len(self.limits)),
                )
                blocks.append(sparse.hstack([part, move], format="csr"))
                lows.append(np.full(len(bound), -np.inf) if hold.upper else bound)
                highs.append(bound if hold.upper else np.full(len(bound), np.inf))
                self._loosen(hold, local, low, high, lower, upper)
        whole = sparse.csr_array(
            (matrix.data, matrix.indices, matrix.indptr), shape=(matrix.shape[0], columns + len(self.limits))
        )
        model = highspy.HighsLp()
        stacked = sparse.vstack([whole, *blocks], format="csr")
        model.num_col_, model.num_row_ = stacked.shape[1], stacked.shape[0]
        model.col_cost_ = np.zeros(stacked.shape[1])
        model.col_lower_ = np.r_[lower, np.zeros(len(self.limits))]
        model.col_upper_ = np.r_[upper, np.zeros(len(self.limits))]
        model.row_lower_, model.row_upper_ = np.concatenate([low, *lows]), np.concatenate([high, *highs])
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.num_col_, model.a_matrix_.num_row_ = stacked.shape[1], stacked.shape[0]
        model.a_matrix_.start_ = stacked.indptr.astype(np.int32)
        model.a_matrix_.index_ = stacked.indices.astype(np.int32)
        model.a_matrix_.value_ = stacked.data
        self._highs = quiet_highs()
        for option, value in (("output_flag", False), ("threads", 1), ("time_limit", 60.0)):
            self._highs.setOptionValue(option, value)
        self._highs.passModel(model)
        self._columns = columns

    def _held(
        self, hold: Hold, matrix: Any, low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray
    ) -> tuple[Any, np.ndarray, np.ndarray]:
        """Rows that say a hold once more, their bound, and the numbers of what they stand for."""
        if hold.place in self._total_rows:
            local = self._total_rows[hold.place]
            return matrix[local], high[local].copy(), local
        places = self.problem.places if hold.is_column else self.problem.row_places
        inside = places[hold.place][self.first : self.stop]
        if hold.steps is not None:
            inside = inside[hold.steps[self.first : self.stop]]
        if hold.is_column:
            local = inside - self._before
            one = (np.ones(len(local)), (np.arange(len(local)), local))
            part = sparse.csr_array(one, shape=(len(local), len(lower)))
            return part, (upper if hold.upper else lower)[local].copy(), local
        local = inside - self.first * self.problem.step_rows
        return matrix[local], (high if hold.upper else low)[local].copy(), local

    def _loosen(
        self,
        hold: Hold,
        local: np.ndarray,
        low: np.ndarray,
        high: np.ndarray,
        lower: np.ndarray,
        upper: np.ndarray,
    ) -> None:
        """Lift the original of a hold, which its movable copy now stands for."""
        if not hold.is_column or hold.place in self._total_rows:
            (high if hold.upper else low)[local] = np.inf if hold.upper else -np.inf
        elif hold.upper:
            upper[local] = np.inf
        else:
            lower[local] = 0.0

    def fullest(self, moved: dict[int, float] | None = None) -> np.ndarray | None:
        """The most energy that each bank can hold at the end; None if not every limit can be kept. [kWh]

        `moved` are amounts by which limits, by number, may be moved.
        """
        most = np.zeros(len(self.limits))
        for number, amount in (moved or {}).items():
            most[number] = amount
        fullest = []
        # Bank by bank: together they cannot hold more, so what is impossible from there is certainly so.
        for last in stored_places(self.problem, self.stop - 1) - self._before:
            costs = np.zeros(self._columns)
            costs[last] = -1.0
            self._price(costs, np.zeros(len(self.limits)), most)
            x = self._run()
            if x is None:
                return None
            fullest.append(x[last])
        if not fullest:
            self._price(np.zeros(self._columns), np.zeros(len(self.limits)), most)
            return None if self._run() is None else np.zeros(0)
        return np.array(fullest)

    def possible(self) -> bool:
        """Whether every limit can be kept."""
        nothing = np.zeros(len(self.limits))
        self._price(np.zeros(self._columns), nothing, nothing)
        return self._run() is not None

    def least(self, weights: dict[int, float]) -> np.ndarray | None:
        """The least moves of some limits, by number, that make a schedule possible; None if none do."""
        costs, most = np.zeros(len(self.limits)), np.zeros(len(self.limits))
        for number, weight in weights.items():
            costs[number], most[number] = weight, np.inf
        self._price(np.zeros(self._columns), costs, most)
        x = self._run()
        if x is None:
            return None
        self.x = x[: self._columns]
        made: np.ndarray | None = np.maximum(x[self.movers], 0.0)
        return made

    def _price(self, costs: np.ndarray, moves: np.ndarray, most: np.ndarray) -> None:
        every = np.arange(self._columns + len(self.limits), dtype=np.int32)
        self._highs.changeColsCost(len(every), every, np.r_[costs, moves])
        if len(most):
            self._highs.changeColsBounds(len(most), self.movers.astype(np.int32), np.zeros(len(most)), most)

    def _run(self) -> np.ndarray | None:
        self._highs.run()
        if self._highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        return np.array(self._highs.getSolution().col_value)

    def value(self, name: str, step: int) -> float:
        """A column's value in the last answer."""
        return float(self.x[self.problem.places[name][step] - self._before])


def stored_places(problem: Problem, step: int) -> np.ndarray:
    """Places of the banks' stored energy at the end of a step."""
    names = alike(problem.places, of_bank, "stored_kwh")
    return np.array([problem.places[name][step] for name in names], int)


def bare_problem(scenario: Scenario) -> Problem:
    """The problem of a scenario without money and services, which never forbid a schedule.

    A register's bound is drawn tight by what its inverters can move; here it is the limit alone, so that
    moving a rating is not held back by what was derived from it.
    """
    tariff = scenario.file.tariff.model_copy(update={"component": ()})
    solve = scenario.file.solve.model_copy(update={"tie_break_per_kwh": 0.0})
    file = scenario.file.model_copy(update={"service": (), "tariff": tariff, "solve": solve})
    problem = build_problem(replace(scenario, file=file))
    lower, upper = problem.lower.copy(), problem.upper.copy()
    site, data = scenario.site, scenario.data
    limits = {
        IMPORT: data.values(site.connection.import_limit_kw),
        EXPORT: data.values(site.connection.export_limit_kw),
    }
    for quantity, most in zip(("import_kw", "export_kw"), site.phase_limits_kw(data), strict=True):
        limits |= {of_register(phase, quantity): kw for phase, kw in most.items()}
    for name, places in problem.places.items():
        if name in limits:
            upper[places] = limits[name]
        elif of_giving_way(name):
            # The limit stands in a rule of its own.
            lower[places], upper[places] = -np.inf, np.inf
    return replace(problem, lower=lower, upper=upper)
