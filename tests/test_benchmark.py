"""Measured times, printed and never asserted: `pytest -m benchmark -s tests/test_benchmark.py`.

The case is the shipped bakery on three phases with eight services and a monthly demand charge, one year at 60 min; then
at 30 min as shipped, and at 5 min with noise put on its data. Peers get the same linear program on the same machine in
the same run, one thread, from nothing: HiGHS on the same matrix; Pyomo, which states the same formulation with numbers
in place and solves it through its own interface to HiGHS, on a part of the year; linopy and cvxpy, to which the matrix
is handed in arrays. They are left out where they are not installed.
"""

from __future__ import annotations

import gc
import importlib.metadata
import importlib.util
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from optimiser import read_scenario, vary
from optimiser.accounts.settlement import settle
from optimiser.dispatch import Dispatch, replay, solve
from optimiser.engine import directions, proof
from optimiser.engine.answer import Start
from optimiser.engine.pattern import compile_pattern
from optimiser.engine.solver import Basis, Highs
from optimiser.engine.tiling import Problem, build_problem, tile
from optimiser.engine.windows import Periods, Windows, by_days
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.formulation import formulate
from optimiser.report import write_report
from optimiser.report.results import Results
from optimiser.scenario.file import Scenario
from optimiser.summary.run import Summary
from optimiser.terms.program import LpTerms

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(3000)]

ROOT = Path(__file__).resolve().parents[1]
PYOMO_DAYS = 30
# Where one direction is decided in hundreds of steps, the last millionths of the gap take longer than all the rest.
GAP_TOLERANCE = 1e-4


class Stopwatch:
    """Wall and processor seconds of named parts, printed as they come. On a busy machine only the second compares."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def time(self, name: str, work: Callable[[], Any], times: float = 1.0, note: str = "") -> Any:
        """Do a piece of work; print its times, multiplied by `times` where it is a part of a whole."""
        gc.collect()
        wall, cpu = time.perf_counter(), time.process_time()
        result = work()
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        self.seconds[name] = wall * times
        print(f"{name:58s}{wall * times:9.2f}{cpu * times:9.2f}  {note}", flush=True)
        return result


def hourly_bakery(folder: Path) -> Path:
    """A copy of the shipped bakery at 60 min, its data averaged from 30 min, to be proven within GAP_TOLERANCE."""
    shutil.copytree(ROOT / "scenarios" / "three-phase-bakery", folder)
    file = folder / "scenario.toml"
    text = re.sub(
        r"(\[timeline\][^\[]*step_minutes = )\d+", r"\g<1>60", file.read_text(encoding="utf-8"), count=1
    )
    text = re.sub(r"(?m)^(\[source\..*\])$", r'\1\ncoarsen = "mean"', text)
    text = re.sub(r"(?m)^\[solve\](\n[^\[].*)*|^solve = .*$", "", text)
    file.write_text(f"solve = {{ gap_tolerance = {GAP_TOLERANCE} }}\n{text}", encoding="utf-8")
    return folder


def machine() -> str:
    """What the times were measured on."""
    model = platform.processor() or "unknown processor"
    information = Path("/proc/cpuinfo")
    if information.is_file():
        found = re.search(r"model name\s*: (.*)", information.read_text())
        model = found[1] if found else model
    busy = f", load average {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    names = ("highspy", "pyomo", "linopy", "cvxpy", "numpy", "scipy", "pandas")
    versions = ", ".join(f"{n} {importlib.metadata.version(n)}" for n in names if importlib.util.find_spec(n))
    return f"{os.cpu_count()} cores, {model}{busy}; Python {platform.python_version()}, {versions}"


def whole_command(folder: Path, out: Path) -> tuple[float, float, float]:
    """Wall and processor seconds and peak memory in MiB of the command as a user runs it, in a process of its own."""
    code = "from optimiser.cli import main; main()"
    paths = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
    began = time.perf_counter()
    command = [
        sys.executable,
        "-c",
        code,
        "run",
        str(folder),
        "--out",
        str(out),
        "--quiet",
        "--no-study",
        "all",
    ]
    with subprocess.Popen(
        command, env=os.environ | {"PYTHONPATH": paths}, stdout=subprocess.DEVNULL
    ) as child:
        _, status, usage = os.wait4(child.pid, 0)  # its own usage, not that of all children
        child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode in (0, 5)
    to_mib = 1024 if sys.platform != "darwin" else 1024**2
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / to_mib


RESOLVES = {
    "rate": {"tariff.component.0.rates.0.rate_per_kwh": 0.31},
    "capacity": {"storage.0.unit_usable_kwh": 6.0},
    "efficiency": {"site.inverter.0.output_efficiency": 0.93},
}


def again(highs: Highs, problem: Problem, basis: Basis) -> Highs:
    """The linear program from the answer to one of the same shape, proven, and the solver that now holds it."""
    if not highs.change(problem, basis):
        highs = Highs(problem)
        highs.set_basis(basis)
    solution = highs.solve()
    assert proof.upper_bound(problem, solution.row_dual) == pytest.approx(solution.objective, rel=1e-6)
    return highs


def by_windows(problem: Problem) -> tuple[Highs, Any]:
    """The linear program by the package's route: days, billing periods, then the whole from their basis."""

    def silent(words: str) -> None:
        pass

    windows = Windows(problem)
    spans = windows.periods()
    draft = by_days(problem, windows, spans, silent)
    assert draft is not None
    periods = Periods(problem, draft, windows, spans, silent)
    periods.solve()
    highs = Highs(problem)
    highs.set_basis(periods.basis())
    return highs, highs.solve()


def stated_by_pyomo(scenario: Scenario) -> Any:
    """The whole formulation as Pyomo expressions with numbers in place, and the money as objective."""
    import pyomo.environ as pyo

    terms = LpTerms(scenario.data, steps=None)
    lines = formulate(scenario, terms).lines
    money = sum((np.asarray(line.values, dtype=object).sum() for line in lines), 0.0)
    terms.model.money = pyo.Objective(expr=money, sense=pyo.maximize)
    for name, family in terms.columns.items():
        variables = terms.model.component(f"column {name}")
        for index in variables:
            variables[index].setlb(float(family.lower[index]))
            variables[index].setub(float(family.upper[index]))
    return terms.model


def solved_by_pyomo(model: Any) -> float:
    """The optimum through Pyomo's own interface to HiGHS."""
    from pyomo.contrib.appsi.solvers import Highs as PyomoHighs

    solver = PyomoHighs()
    solver.highs_options = {"threads": 1}
    return float(solver.solve(model).best_feasible_objective)


def stated_by_linopy(problem: Problem) -> Any:
    """The matrix in linopy's arrays: a block of variables, and rows padded to one width."""
    import linopy
    import xarray as xr

    model = linopy.Model()
    names = [("column", np.arange(len(problem.lower)))]
    x = model.add_variables(
        xr.DataArray(problem.lower, coords=names), xr.DataArray(problem.upper, coords=names), name="x"
    )
    label = x.labels.to_numpy()
    equal = problem.row_lower == problem.row_upper
    sides = (
        ("==", equal, problem.row_upper),
        ("<=", ~equal & np.isfinite(problem.row_upper), problem.row_upper),
        (">=", ~equal & np.isfinite(problem.row_lower), problem.row_lower),
    )
    for sign, chosen, side in sides:
        if chosen.any():
            numbers = np.flatnonzero(chosen)
            coefficients, places = _padded(problem.matrix[numbers])
            data = {
                "coeffs": (("row", "_term"), coefficients),
                "vars": (("row", "_term"), np.where(places < 0, -1, label[places])),
                "const": (("row",), np.zeros(len(numbers))),
            }
            expression = linopy.LinearExpression(xr.Dataset(data, coords={"row": numbers}), model)
            model.add_constraints(expression, sign, xr.DataArray(side[numbers], coords=[("row", numbers)]))
    model.add_objective((x * xr.DataArray(-problem.objective, coords=names)).sum())
    return model


def stated_by_cvxpy(problem: Problem) -> Any:
    """The matrix in cvxpy: one variable, equalities, and inequalities either way."""
    import cvxpy

    x = cvxpy.Variable(len(problem.lower), bounds=[problem.lower, problem.upper])
    equal = problem.row_lower == problem.row_upper
    most = ~equal & np.isfinite(problem.row_upper)
    least = ~equal & np.isfinite(problem.row_lower)
    rules = [
        problem.matrix[equal] @ x == problem.row_upper[equal],
        problem.matrix[most] @ x <= problem.row_upper[most],
    ]
    if least.any():
        rules.append(problem.matrix[least] @ x >= problem.row_lower[least])
    return cvxpy.Problem(cvxpy.Maximize(problem.objective @ x), rules)


def solved_by_cvxpy(model: Any) -> float:
    """The optimum through cvxpy's own interface to HiGHS."""
    return float(model.solve(solver="HIGHS", threads=1))


def repeated_by_hand(problem: Problem) -> sparse.csr_array:
    """The matrix as arrays written by hand would make it: one step's rows repeated along the year, nothing read.

    The least that any way of building can take. The year's own numbers are put in where the pattern has them.
    """
    wide, tall, steps = problem.step_columns, problem.step_rows, problem.timeline.steps
    one = sparse.csr_array(problem.matrix[(steps // 2) * tall : (steps // 2 + 1) * tall])
    shifts = np.repeat((np.arange(steps) - steps // 2) * wide, one.nnz)
    indices = np.tile(one.indices, steps) + np.where(np.tile(one.indices, steps) < steps * wide, shifts, 0)
    values = np.tile(one.data, steps)
    starts = np.concatenate([[0], np.cumsum(np.tile(np.diff(one.indptr), steps))])
    columns = problem.matrix.shape[1]
    return sparse.csr_array((values, np.clip(indices, 0, columns - 1), starts), shape=(steps * tall, columns))


def _padded(matrix: sparse.csr_array) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and columns of each row, filled up with nan and -1."""
    counts = np.diff(matrix.indptr)
    row = np.repeat(np.arange(len(counts)), counts)
    position = np.arange(len(row)) - matrix.indptr[row]
    coefficients = np.full((len(counts), counts.max()), np.nan)
    places = np.full(coefficients.shape, -1)
    coefficients[row, position], places[row, position] = matrix.data, matrix.indices
    return coefficients, places


def solved_by_linopy(model: Any) -> float:
    """The optimum through linopy's own interface to HiGHS."""
    model.solve(solver_name="highs", io_api="direct", output_flag=False, threads=1)
    return -float(model.objective.value)


@pytest.mark.skipif(not hasattr(os, "wait4"), reason="no peak memory of a process on this platform")
def test_bakery_year_at_sixty_minutes(tmp_path):
    """Each part of the road, then the whole command, then peers on the same linear program."""
    folder = hourly_bakery(tmp_path / "bakery")
    watch = Stopwatch()
    print(f"\n{machine()}\n{'':58s}{'wall s':>9s}{'CPU s':>9s}")
    scenario = watch.time("read", lambda: read_scenario(folder))
    pattern = watch.time("compile the pattern", lambda: compile_pattern(scenario))
    problem = watch.time("tile it over the year", lambda: tile(pattern, scenario.timeline))
    rows, columns = problem.matrix.shape
    print(
        f"    {rows:,} rows, {columns:,} columns, {problem.matrix.nnz:,} entries, {scenario.timeline.steps:,} steps"
    )
    watch.time("the floor: one step's arrays repeated by hand", lambda: repeated_by_hand(problem))
    highs, relaxed = watch.time("linear program, days, periods, the whole", lambda: by_windows(problem))
    basis = highs.basis()
    for name, change in RESOLVES.items():
        other = build_problem(vary(scenario, change))
        watch.time(f"the same from that answer, another {name}", partial(again, highs, other, basis))
        highs = again(highs, problem, basis)
    bound = proof.upper_bound(problem, relaxed.row_dual)
    gap, deadline = scenario.solve.gap_tolerance, time.perf_counter() + scenario.solve.most_seconds

    began = time.perf_counter()

    def say(words: str) -> None:
        print(f"    {time.perf_counter() - began:7.1f} s  {words}", flush=True)

    def one_direction() -> directions.Outcome:
        return directions.keep_one_direction(problem, relaxed, highs, gap, deadline, say)

    outcome = watch.time(f"one direction, {gap:g} proven", one_direction)
    decided = len(np.unique(directions.decisions(problem).step[outcome.flagged]))
    print(f"    {outcome.words}, {decided} steps decided, gaps {', '.join(f'{g:.1e}' for g in outcome.gaps)}")
    values = problem.split(outcome.solution.x)
    stated, _ = watch.time("replay every rule and line", lambda: replay(scenario, values))
    books = (tuple(stated.lines), stated.flows, tuple(stated.offers))
    watch.time(
        "settle", lambda: settle(Dispatch(scenario, values, *books, {}, cast(Any, None), {}, Start(basis)))
    )
    out = tmp_path / "results"
    wall, cpu, peak_mib = whole_command(folder, out)
    results = Results(
        Summary.model_validate_json((out / "summary.json").read_text(encoding="utf-8")),
        pd.read_parquet(out / "dispatch.parquet"),
        pd.read_csv(out / "statement.csv"),
    )
    watch.time("report", lambda: write_report(results, tmp_path / "report.html"))
    print(
        f"{'whole command without studies, by itself':58s}{wall:9.2f}{cpu:9.2f}  peak memory {peak_mib:.0f} MiB"
    )
    print(f"    of which {results.summary.provenance.seconds}")

    print("peers, on the same linear program, without the one-direction rule")
    cold = watch.time("HiGHS from nothing on the same matrix", lambda: Highs(problem).solve())
    assert cold.objective == pytest.approx(relaxed.objective, rel=1e-7)
    assert bound == pytest.approx(relaxed.objective, rel=1e-6)
    if importlib.util.find_spec("linopy"):
        model = watch.time("linopy, build from the matrix", lambda: stated_by_linopy(problem))
        found = watch.time("linopy, solve through its interface to HiGHS", lambda: solved_by_linopy(model))
        assert found + problem.offset == pytest.approx(relaxed.objective, rel=1e-6)
    if importlib.util.find_spec("cvxpy"):
        model = watch.time("cvxpy, build from the matrix", lambda: stated_by_cvxpy(problem))
        found = watch.time("cvxpy, solve through its interface to HiGHS", lambda: solved_by_cvxpy(model))
        assert found + problem.offset == pytest.approx(relaxed.objective, rel=1e-6)
    part = vary(scenario, {"timeline.days": PYOMO_DAYS})
    times = scenario.timeline.hours / part.timeline.hours
    note = f"measured on {PYOMO_DAYS} days, multiplied by {times:.2f}"
    model = watch.time("Pyomo, build the whole model", lambda: stated_by_pyomo(part), times, note)
    found = watch.time(
        "Pyomo, solve through its interface to HiGHS", lambda: solved_by_pyomo(model), times, note
    )
    assert found == pytest.approx(Highs(build_problem(part)).solve().objective, rel=1e-6)
    summarise(watch.seconds)


def summarise(seconds: dict[str, float]) -> None:
    """Build and linear program together, against the peers. Ratios of wall times."""
    parts = ("compile the pattern", "tile it over the year", "linear program, days, periods, the whole")
    own = sum(seconds[name] for name in parts)
    again = [amount for name, amount in seconds.items() if name.startswith("the same from that answer")]
    case = parts[1], sum(again) / len(again)
    print(f"build and linear program, this package: {own:.2f} s; again with other data: {case[1]:.2f} s")
    for peer in ("linopy", "cvxpy", "Pyomo"):
        other = sum(amount for name, amount in seconds.items() if name.startswith(peer))
        if other:
            print(
                f"build and linear program, {peer}: {other:.2f} s, {other / own:.1f} times as long; "
                f"against a case of a sweep: {other / case[1]:.0f} times"
            )


def five_minute_bakery(folder: Path) -> Path:
    """A copy of the shipped bakery at 5 min: loads and sun drawn out, prices held, noise on all of them."""
    shutil.copytree(ROOT / "scenarios" / "three-phase-bakery", folder)
    random = np.random.default_rng(7)
    for name, noise in (("site", 0.15), ("market", 0.2)):
        file = folder / f"{name}.parquet"
        coarse = pd.read_parquet(file)
        count = 6 * len(coarse)
        stamps = pd.date_range(coarse["interval_start"].iloc[0], periods=count, freq="5min")
        fine = {"interval_start": stamps}
        for column in coarse.columns[1:]:
            values = coarse[column].to_numpy()
            held = (
                np.repeat(values, 6)
                if name == "market"
                else np.interp(np.arange(count) / 6, np.arange(len(values)), values)
            )
            fine[column] = np.round(held * np.exp(noise * random.standard_normal(count)), 4)
        pd.DataFrame(fine).to_parquet(file)
    text = (folder / "scenario.toml").read_text(encoding="utf-8")
    (folder / "scenario.toml").write_text(
        text.replace("step_minutes = 30", "step_minutes = 5"), encoding="utf-8"
    )
    return folder


@pytest.mark.skipif(not hasattr(os, "wait4"), reason="no peak memory of a process on this platform")
@pytest.mark.parametrize("minutes", [30, 5])
def test_bakery_year_in_shorter_steps(minutes, tmp_path):
    """The whole command at 30 min and at 5 min, each with its default tolerance and time limit."""
    folder = ROOT / "scenarios" / "three-phase-bakery"
    if minutes == 5:
        folder = five_minute_bakery(tmp_path / "bakery")
    out = tmp_path / "results"
    print(f"\n{machine()}")
    wall, cpu, peak_mib = whole_command(folder, out)
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    print(
        f"whole command at {minutes} min: {wall:.1f} s wall, {cpu:.1f} s CPU, peak memory {peak_mib:.0f} MiB"
    )
    print(
        f"    {summary['proof']['verdict']}, {summary['proof']['route']}, {summary['provenance']['seconds']}"
    )


@pytest.mark.parametrize("name", ["single-phase-home", "three-phase-bakery"])
def test_a_year_of_daily_plans(name):
    """A year at 30 min, planned every day with a view of two days and carried out: rolling, then the backcast."""
    scenario = vary(read_scenario(ROOT / "scenarios" / name), {"solve.gap_tolerance": 1e-2})
    ceiling = solve(scenario)
    clock = Stopwatch()
    for policy in policies_of(scenario):
        executed = clock.time(f"{name}, {policy.name}", partial(run_under, scenario, policy, ceiling))
        assert executed.dispatch.proof.settled <= ceiling.proof.bound + 1e-6 * abs(ceiling.proof.bound)
