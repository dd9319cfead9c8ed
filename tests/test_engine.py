"""The proof, the solver's words, the refusals and the windows of the engine.

References from outside: weak duality of linear programming (Chvatal, "Linear Programming", Freeman 1983,
chapter 5; from memory), and SciPy's `linprog` for optima. All data are invented.
"""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import highspy
import numpy as np
import pytest
import test_oracle
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import linprog
from test_oracle import SPRING, base, blocks, case, compare, demand, made, peaks, spot, tiled, up

from optimiser import dispatch, formulation
from optimiser.engine import pattern, proof, solver
from optimiser.engine.solver import Extra, Highs
from optimiser.engine.tiling import Problem
from optimiser.errors import DriftError, InfeasibleError, UnprovenError
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.program import LpTerms
from optimiser.timeline import STEP, Grouping


def bare(
    matrix: Any, row_lower: Any, row_upper: Any, lower: Any, upper: Any, objective: Any, offset: float = 0.0
) -> Problem:
    """A problem of numbers alone, its timeline of no meaning."""
    return Problem(
        timeline=SPRING,
        columns={},
        rows=(),
        matrix=sparse.csr_array(np.atleast_2d(np.asarray(matrix, float))),
        row_lower=np.asarray(row_lower, float),
        row_upper=np.asarray(row_upper, float),
        lower=np.asarray(lower, float),
        upper=np.asarray(upper, float),
        by_line=sparse.csr_array(np.atleast_2d(np.asarray(objective, float))),
        line_offsets=np.array([offset]),
        lines=(),
        pairs={},
        fill_orders={},
        places={},
        row_places={},
    )


@st.composite
def problems(draw: st.DrawFn) -> tuple[Problem, np.ndarray, np.ndarray]:
    """A boxed problem with rows of every sense, a schedule that keeps them, and any multipliers."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows, columns = draw(st.integers(1, 6)), draw(st.integers(1, 7))
    matrix = random.normal(size=(rows, columns)) * (random.random((rows, columns)) < 0.7)
    lower = random.normal(size=columns) * 3
    upper = lower + random.exponential(2, columns) * (random.random(columns) < 0.9)
    x = lower + random.random(columns) * (upper - lower)
    activity = matrix @ x
    kind = np.array(draw(st.lists(st.sampled_from("=<>-"), min_size=rows, max_size=rows)))
    slack = random.exponential(1, (2, rows))
    row_lower = np.where(kind == "=", activity, np.where(kind == "<", -np.inf, activity - slack[0]))
    row_upper = np.where(kind == "=", activity, np.where(kind == ">", np.inf, activity + slack[1]))
    objective = random.normal(size=columns)
    y = random.normal(size=rows) * draw(st.sampled_from([0.0, 1.0, 30.0]))
    return bare(matrix, row_lower, row_upper, lower, upper, objective, random.normal()), x, y


@settings(max_examples=150, deadline=None)
@given(problems())
def test_bound_is_above_every_schedule_for_any_multipliers(drawn):
    """Weak duality: whatever the multipliers, no schedule within rows and bounds makes more than the
    bound."""
    problem, x, y = drawn
    money = problem.objective @ x + problem.offset
    assert proof.violation(problem, x) < 1e-9
    assert np.isfinite(proof.upper_bound(problem, y))
    assert proof.upper_bound(problem, y) >= money - 1e-9 * max(1, np.abs(y).max()) * 100


@settings(max_examples=60, deadline=None)
@given(problems())
def test_bound_is_the_optimum_of_scipy_at_the_solvers_multipliers(drawn):
    """Strong duality: with the multipliers of the last solve the bound meets the optimum, which SciPy
    confirms."""
    problem, _, _ = drawn
    solution = Highs(problem).solve()
    dense = problem.matrix.toarray()
    up, down = np.isfinite(problem.row_upper), np.isfinite(problem.row_lower)
    by_scipy = linprog(
        -problem.objective,
        A_ub=np.vstack([dense[up], -dense[down]]),
        b_ub=np.concatenate([problem.row_upper[up], -problem.row_lower[down]]),
        bounds=np.column_stack([problem.lower, problem.upper]),
    )
    assert (by_scipy.status, solution.verdict) == (0, "optimal")
    optimum = problem.offset - by_scipy.fun
    assert solution.objective == pytest.approx(optimum, abs=1e-6)
    assert solution.bound == pytest.approx(optimum, abs=1e-6)
    assert proof.upper_bound(problem, solution.row_dual) == pytest.approx(optimum, abs=1e-6)


def test_bound_is_tight_on_a_site():
    """At the optimum of a small site the bound and the money agree to a billionth."""
    problem = tiled(case([demand, spot, up, blocks]))
    solution = Highs(problem).solve()
    assert proof.upper_bound(problem, solution.row_dual) == pytest.approx(solution.objective, rel=1e-9)
    assert proof.violation(problem, solution.x) < 1e-6


def test_multipliers_of_the_wrong_sign_are_projected():
    """max 3x, x <= 2 by a row, 0 <= x <= 5: by hand 6 at y = 3, 15 at y = 0, and a negative y counts as
    none."""
    problem = bare([[1.0]], [-np.inf], [2.0], [0.0], [5.0], [3.0])
    assert [proof.upper_bound(problem, np.array([y])) for y in (3.0, 0.0, -4.0)] == [6.0, 15.0, 15.0]


def test_row_dual_is_money_per_unit_of_the_right_hand_side():
    """max 3x under x <= 2: another unit of the right-hand side brings 3."""
    problem = bare([[1.0]], [-np.inf], [2.0], [0.0], [5.0], [3.0], offset=1.0)
    solution = Highs(problem).solve()
    assert solution.row_dual.tolist() == [3.0]
    assert (solution.objective, solution.x.tolist()) == (7.0, [2.0])


def test_violation_finds_the_worst_of_rows_and_bounds():
    """By hand: a row above by 1, a row below by 2, a bound broken by 3."""
    problem = bare(np.eye(3), [-np.inf, 0, -np.inf], [1, 9, 9], [-9, -9, 0], [9, 9, 4], [0, 0, 0])
    assert proof.violation(problem, np.array([1.0, 0.0, 4.0])) == 0
    assert proof.violation(problem, np.array([2.0, 0.0, 4.0])) == 1
    assert proof.violation(problem, np.array([2.0, -2.0, 4.0])) == 2
    assert proof.violation(problem, np.array([2.0, -2.0, 7.0])) == 3
    assert proof.violation(problem, np.array([2.0, -2.0, -3.0])) == 3


def test_gap_is_never_negative_and_a_share_of_the_turnover():
    """By hand: 1 of 400 paid either way, 0 where more was made than the bound, and absolute for small money."""
    assert (
        proof.relative_gap(100.0, 99.0, 400.0),
        proof.relative_gap(99.0, 100.0, 400.0),
        proof.relative_gap(0.25, 0.0, 0.5),
    ) == (0.0025, 0.0, 0.25)


# --- the pattern ------------------------------------------------------------------------------------------


def stated(monkeypatch: pytest.MonkeyPatch, rule: Any) -> Any:
    """A small scenario whose formulation says one thing more."""
    usual = formulation.formulate

    def more(scenario: Any, terms: Any) -> Any:
        said = usual(scenario, terms)
        lines = rule(terms, said)
        return dataclasses.replace(said, lines=said.lines + (lines or []))

    monkeypatch.setattr(pattern, "formulate", more)
    monkeypatch.setattr(dispatch, "formulate", more)
    return case([])


@pytest.mark.parametrize("lag", [1, 3])
def test_previous_takes_the_value_before_the_horizon(lag, monkeypatch):
    """`previous` of a column that held 2.5 before: rows of the first steps have the number, the others the
    column."""

    def rule(terms: Any, said: Any) -> None:
        column = terms.column("made up", at_most=9.0, before=2.5)
        terms.at_most("lagged", terms.previous(column, lag), column * 2)

    monkeypatch.setattr(pattern, "longest_lag", lambda products, hours: lag)
    problem = tiled(stated(monkeypatch, rule))
    rows, places = problem.row_places["lagged"], problem.places["made up"]
    dense = problem.matrix[rows].toarray()
    expected = np.zeros_like(dense)
    for step in range(len(rows)):
        expected[step, places[step]] = -2
        if step >= lag:
            expected[step, places[step - lag]] = 1
    assert np.array_equal(expected, dense)
    assert [-2.5] * lag + [0.0] * (len(rows) - lag) == problem.row_upper[rows].tolist()


def _total_of_net(terms: Any, said: Any) -> None:
    energy = said.flows.connection.net_import_kw * terms.step_hours
    terms.total("kWh of the month", energy, per=Grouping("month", terms.timeline.zone), at_most=1e5)


def _peak_of_net(terms: Any, said: Any) -> list[Line]:
    zone = terms.timeline.zone
    month, slot = Grouping("month", zone), Grouping("block", zone, 240)
    most = np.full(terms.timeline.steps, 30.0)
    net = said.flows.connection.net_import_kw
    return [Line("Net demand", "demand", -terms.peak("net", net, per=month, slot=slot, at_most=most), month)]


def _ratchet(terms: Any, said: Any) -> None:
    day = Grouping("day", terms.timeline.zone)
    held = terms.column("held", at_most=50.0, per=day, before=3.0)
    terms.at_most("falls by half at the most", terms.previous(held) * 0.5, held, per=day)
    terms.at_most("held power", said.flows.meter.import_kw, terms.broadcast(held, day))


def _seen_by_group(terms: Any, said: Any) -> None:
    day = Grouping("day", terms.timeline.zone)
    least = terms.series(np.linspace(1, 2, terms.count(day)), per=day)
    column = terms.column("daily", at_most=50.0, per=day)
    terms.at_most("least of the day", least, column * 2 + 1, per=day)
    terms.between("within", -1.0, said.flows.meter.import_kw - terms.broadcast(column, day), 7.0)


@pytest.mark.parametrize("rule", [_total_of_net, _peak_of_net, _ratchet, _seen_by_group])
def test_every_kind_of_rule_is_tiled_as_stated(rule, monkeypatch):
    """Kinds of rows that no component of today uses: sums with data in them, chains of groups, group data."""
    scenario = stated(monkeypatch, rule)
    monkeypatch.setattr(test_oracle, "formulate", pattern.formulate)
    compare(scenario)


def test_previous_further_back_than_the_pattern_is_refused():
    """A lag that the pattern has no step for is refused with the column's name."""
    terms = LpTerms(InputData(SPRING, lambda reference: reference), steps=2)
    column = terms.column("made up", at_most=1.0)
    with pytest.raises(DriftError, match="made up"):
        terms.previous(column, 2)


def test_previous_of_solved_numbers_agrees():
    """On numbers: the value before, then the column shifted."""
    terms = SettledTerms(InputData(SPRING, lambda reference: reference), {"made up": np.arange(29.0)})
    column = terms.column("made up", at_most=99.0, before=7.0)
    assert terms.previous(column, 2)[:4].tolist() == [7.0, 7.0, 0.0, 1.0]


def _single_step_in_a_group(terms: Any, said: Any) -> None:
    month = Grouping("month", terms.timeline.zone)
    terms.at_most("odd rule", said.flows.meter.import_kw, np.full(terms.size(month), 5.0), per=month)


def _group_before(terms: Any, said: Any) -> None:
    month = Grouping("month", terms.timeline.zone)
    column = terms.column("a month's", at_most=9.0, per=month)
    terms.at_most("odd rule", terms.previous(column), said.flows.meter.import_kw)


def _lag_within_a_sum(terms: Any, said: Any) -> None:
    month = Grouping("month", terms.timeline.zone)
    column = terms.column("a month's", at_most=9.0, per=month)
    terms.total("odd rule", terms.previous(column) + said.flows.meter.import_kw, per=month, at_most=1e6)


def _product_of_decisions(terms: Any, said: Any) -> None:
    terms.at_most("odd rule", said.flows.meter.import_kw * said.flows.meter.export_kw, np.full(2, 1.0))


@pytest.mark.parametrize("rule", [_single_step_in_a_group, _group_before, _lag_within_a_sum])
def test_rule_of_no_declared_kind_is_refused_by_name(rule, monkeypatch):
    """What tiling could not repeat is named and refused, never dropped."""
    with pytest.raises(DriftError, match="odd rule"):
        tiled(stated(monkeypatch, rule))


def test_rule_that_is_not_linear_is_refused(monkeypatch):
    """A product of two decisions does not compile."""
    with pytest.raises(DriftError, match="could not be compiled"):
        tiled(stated(monkeypatch, _product_of_decisions))


def test_names_are_used_once():
    """Two columns or two rules of one name are refused, and a column without a finite bound."""
    terms = LpTerms(InputData(SPRING, lambda reference: reference), steps=2)
    column = terms.column("made up", at_most=1.0)
    with pytest.raises(DriftError, match="made up"):
        terms.column("made up", at_most=1.0)
    with pytest.raises(DriftError, match="endless"):
        terms.column("endless", at_most=np.inf)
    terms.at_most("a rule", column, column)
    with pytest.raises(DriftError, match="a rule"):
        terms.at_most("a rule", column, column)


# --- the books --------------------------------------------------------------------------------------------


def test_rewarded_auxiliary_is_refused(monkeypatch):
    """A peak that pays is no peak: the program would push it to its bound, so it is refused before the
    solve."""

    def rule(terms: Any, said: Any) -> list[Line]:
        most = np.full(terms.timeline.steps, 20.0)
        peak = terms.peak("paid peak", said.flows.meter.import_kw, per=Grouping("month", "UTC"), at_most=most)
        return [Line("Reward", "demand", 0.5 * peak, Grouping("month", "UTC"))]

    with pytest.raises(DriftError, match="paid peak"):
        dispatch.solve(stated(monkeypatch, rule))


def test_line_whose_books_differ_is_refused(monkeypatch):
    """Books that read the peak a tenth too high disagree with the objective: the line and both figures are
    named."""
    usual = SettledTerms.peak
    monkeypatch.setattr(SettledTerms, "peak", lambda *given, **more: 1.1 * usual(*given, **more))
    with pytest.raises(DriftError, match=r"'slots' is -\d+\.\d+ in the objective and -\d+\.\d+ in the books"):
        dispatch.solve(case([demand]))


def test_a_relaxed_line_may_be_dearer_in_the_books_and_never_cheaper(monkeypatch):
    """A fee by steps whose books pick the dearest step: the gap holds the difference. None at all: refused."""

    def picked(number: int | None) -> Any:
        def step_of(
            self: Any, name: str, level: Any, *, tops: Any, per: Any, unit: str = "kW", **more: Any
        ) -> list[Any]:
            return [
                np.full(len(level), float(number is not None and k == number % len(tops)))
                for k in range(len(tops))
            ]

        return step_of

    usual = dispatch.solve(case([peaks]))
    monkeypatch.setattr(SettledTerms, "step_of", picked(-1))
    dearer = dispatch.solve(case([peaks]))
    assert dearer.proof.gap_absolute > usual.proof.gap_absolute + 1
    assert dearer.proof.bound == pytest.approx(usual.proof.bound)
    assert dearer.proof.verdict.startswith("best found")
    monkeypatch.setattr(SettledTerms, "step_of", picked(None))
    with pytest.raises(DriftError, match="Capacity"):
        dispatch.solve(case([peaks]))


def test_schedule_that_breaks_a_rule_is_refused():
    """A schedule whose stored energy is moved by hand by 0.01 kWh: the replay names the rule."""
    scenario = case([])
    solved = dispatch.solve(scenario)
    values = {name: array.copy() for name, array in solved.values.items()}
    assert dispatch.replay(scenario, values)[1] < 1e-6
    values["storage.main.stored_kwh"][3] += 0.01
    with pytest.raises(DriftError, match=r"energy of main|stored_kwh within its bounds"):
        dispatch.replay(scenario, values)


def test_lines_sum_to_what_is_settled():
    """The proof's figure is the sum of the lines, and the bound is not below it."""
    solved = dispatch.solve(case([demand, spot, up]))
    total = sum(float(line.values.sum()) for line in solved.lines)
    assert total == pytest.approx(solved.proof.settled, rel=1e-12)
    assert solved.proof.bound >= total - 1e-6
    assert solved.proof.gap_relative <= 1e-6


# --- the solver -------------------------------------------------------------------------------------------


def test_infeasible_is_a_verdict():
    """x >= 2 and x <= 1: no schedule."""
    problem = bare([[1.0], [1.0]], [2.0, -np.inf], [np.inf, 1.0], [0.0], [5.0], [1.0])
    assert Highs(problem).solve().verdict == "infeasible"


def test_site_without_a_schedule_raises():
    """A load above the import limit and an empty store: an error of this package, in words."""
    raw = base(SPRING)
    raw["site"]["load"] = [{"power_kw": 40.0}]
    with pytest.raises(InfeasibleError, match=r"\w+ \w+"):
        dispatch.solve(made(raw, SPRING, {}))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("kTimeLimit", "time limit reached"),
        ("kIterationLimit", "iteration limit reached"),
        ("kUnknown", "unknown"),
    ],
)
def test_other_statuses_are_put_into_words(name, words, monkeypatch):
    """A stop without a schedule says why, in the words of HiGHS's `modelStatusToString`."""
    highs = Highs(tiled(case([])))
    inner = SimpleNamespace(
        run=lambda: None,
        getModelStatus=lambda: getattr(highspy.HighsModelStatus, name),
        modelStatusToString=highspy.Highs().modelStatusToString,
        getInfo=lambda: SimpleNamespace(primal_solution_status=0, objective_function_value=0.0),
        getSolution=lambda: SimpleNamespace(col_value=[], row_dual=[]),
    )
    monkeypatch.setattr(highs, "_highs", inner)
    with pytest.raises(UnprovenError, match=words):
        highs.solve()


def test_time_limit_stops_with_words():
    """A limit of no time at all stops the real solver."""
    with pytest.raises(UnprovenError, match="time limit"):
        Highs(tiled(case([demand, spot, up])), time_limit_s=0.0).solve()


def test_every_option_that_is_set_is_known_to_highs(monkeypatch):
    """HiGHS only returns an error for an unknown name: every one that is ever set must be accepted."""
    said: list[tuple[str, Any]] = []
    usual = highspy.Highs.setOptionValue

    def noted(self: Any, name: str, value: Any) -> Any:
        status = usual(self, name, value)
        said.append((name, status))
        return status

    monkeypatch.setattr(highspy.Highs, "setOptionValue", noted)
    highs = Highs(tiled(case([])))
    highs.solve()
    highs.set_basis(highs.basis())
    assert {"threads", "time_limit", "presolve"} <= {name for name, _ in said}
    assert [name for name, status in said if status != highspy.HighsStatus.kOk] == []


def test_refused_option_is_an_error(monkeypatch):
    """An option that HiGHS does not accept is named."""
    monkeypatch.setattr(highspy.Highs, "setOptionValue", lambda *given: highspy.HighsStatus.kError)
    with pytest.raises(UnprovenError, match="option"):
        Highs(bare([[1.0]], [0.0], [1.0], [0.0], [1.0], [1.0]))


def test_solver_prints_nothing():
    """A library keeps its mouth shut: a first solve in a new process writes to neither stream."""
    code = "from test_engine import *; Highs(bare([[1.0]], [0.0], [1.0], [0.0], [1.0], [1.0])).solve()"
    here = Path(__file__).parent
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=here.parent,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(here), str(here.parent)])},
        timeout=120,
        check=True,
    )
    assert (ran.stdout, ran.stderr) == ("", "")


def test_integers_are_whole_and_their_bound_is_the_solvers():
    """max x + y, x + y <= 1.5, x <= b, y <= 1 - b with b binary: 1 by hand, where the program alone makes
    1.5."""
    problem = bare([[1.0, 1.0]], [-np.inf], [1.5], [0.0, 0.0], [1.0, 1.0], [1.0, 1.0])
    rows = sparse.csr_array(np.array([[1.0, 0.0, -1.0], [0.0, 1.0, 1.0]]))
    extra = Extra(1, rows, np.full(2, -np.inf), np.array([0.0, 1.0]))
    whole, relaxed = Highs(problem, extra).solve(), Highs(problem).solve()
    assert (relaxed.objective, pytest.approx(whole.objective)) == (1.5, 1.0)
    assert whole.bound == pytest.approx(1.0)
    assert whole.binaries.tolist() in ([0.0], [1.0])


def test_basis_round_trip_needs_no_iterations():
    """The basis of a finished solve, given to another instance, is optimal at once."""
    problem = tiled(case([demand, up]))
    first, second = Highs(problem), Highs(problem)
    best = first.solve().objective
    second.set_basis(first.basis())
    assert second.solve().objective == pytest.approx(best, rel=1e-9)
    assert second._highs.getInfo().simplex_iteration_count == 0


# --- windows ----------------------------------------------------------------------------------------------


def test_rows_are_found_by_number():
    """Each row's number leads back to its rule and step."""
    problem = tiled(case([demand]))
    for name, places in problem.row_places.items():
        family, index = problem.name_of_row(int(places[-1]))
        assert (name, len(places) - 1) == (family.name, index)
    with pytest.raises(KeyError):
        problem.name_of_row(len(problem.row_upper))
    assert problem.columns["meter.import_kw"].per == STEP


def test_the_gap_is_a_share_of_what_is_paid_either_way():
    """Turnover by hand: 30 earned and 50 paid are 80, whatever their difference; a gap of 0.4 is 0.5 % of that."""
    assert proof.relative_gap(-19.6, -20.0, 30.0 + 50.0) == pytest.approx(0.005)
    solved = dispatch.solve(case([demand, spot, up]))
    by_hand = sum(abs(value) for line in solved.lines if line.cash for value in np.asarray(line.values))
    assert by_hand == pytest.approx(solved.proof.turnover)
    assert solved.proof.gap_relative == pytest.approx(solved.proof.gap_absolute / max(1.0, by_hand))


def test_a_platform_without_a_nameless_c_library_can_solve(monkeypatch):
    """`ctypes.CDLL(None)` raises TypeError on Windows (documentation of ctypes: only POSIX systems load None as the
    program itself); there the library has a name, and where even that is missing a greeting shows, no more.
    """
    asked = []

    def load(name):
        asked.append(name)
        if name is None:
            raise TypeError("bad argument type for built-in operation")
        raise OSError("no such library")

    monkeypatch.setattr(solver.ctypes, "CDLL", load)
    monkeypatch.setattr(solver, "_greeted", False)
    assert solver.quiet_highs() is not None
    monkeypatch.setattr(solver.sys, "platform", "win32")
    monkeypatch.setattr(solver, "_greeted", False)
    assert solver.quiet_highs() is not None
    assert [None, "ucrtbase"] == asked
