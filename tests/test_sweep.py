"""Sweeps: cases, their storing and resuming, what goes wrong with them, and indices of sensitivity.

Indices are compared with the closed forms of two published test functions, passed through the sweep's own machinery
with the function in the scenario's place:

- Ishigami: T. Ishigami, T. Homma, "An importance quantification technique in uncertainty analysis for computer models"
  (1990), with a = 7, b = 0.1 as SALib documents it (SALib.test_functions.Ishigami).
- Sobol' G: I. M. Sobol', with a = (0, 1, 4.5, 9, 99, 99, 99, 99) as SALib documents it (SALib.test_functions.Sobol_G),
  whose own `total_sensitivity_index` and `sensitivity_index` are the closed forms.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import html
import json
import math
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from conftest import write_site
from scipy import stats

import optimiser
from optimiser.batch.sweep import sweep as road
from optimiser.batch.sweep.cases import CaseOutcome, Found, NoFigureError, figure
from optimiser.batch.sweep.findings import findings, order_of
from optimiser.batch.sweep.naming import recorded
from optimiser.batch.sweep.plan import read_plan
from optimiser.batch.sweep.pool import Cluster, LocalProcesses, WorkPool
from optimiser.cli import main
from optimiser.errors import InfeasibleError, OptimiserError, ScenarioError, UnprovenError
from optimiser.starter import write_starter
from optimiser.studies import without_foresight
from optimiser.words import MINUS, significant

ROOT = Path(__file__).parent.parent
TIGHT_KW = 9.0
RECORD = ["headline.ceiling_saving", "headline.ceiling_bill_after", "energy_kwh.import"]


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Path:
    """The starter of one phase, two days of it."""
    folder = tmp_path_factory.mktemp("sweep") / "site"
    write_starter(folder)
    path = folder / "scenario.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 "), encoding="utf-8")
    return folder


def grid(site: Path, **more) -> dict:
    """Two factors of that site, six cases."""
    return {
        "title": "Battery and limit (invented)",
        "scenario": str(site),
        "record": RECORD,
        "design": {"kind": "grid"},
        "factor": [
            {"name": "battery", "path": "storage.0.unit_kwh", "values": [5.0, 10.0, 15.0]},
            {
                "name": "export",
                "path": "site.connection.export_limit_kw",
                "low": 1.0,
                "high": 5.0,
                "steps": 2,
            },
        ],
        **more,
    }


def write(path: Path, keys: dict) -> Path:
    """A sweep file of some keys."""
    from conftest import toml

    path.write_text(toml(keys), encoding="utf-8")
    return path


class Serial(concurrent.futures.Executor):
    """An executor that does each task as it is handed in."""

    def submit(self, fn, /, *args, **kwargs):
        """Done at once."""
        future: concurrent.futures.Future = concurrent.futures.Future()
        future.set_result(fn(*args, **kwargs))
        return future


def figures(table: pd.DataFrame) -> pd.DataFrame:
    """A table without how long its cases took."""
    return table.drop(columns="seconds")


# What a sweep's cases are -----------------------------------------------------------------------


def test_a_grid_equals_runs_by_themselves_exactly(site):
    """From nothing, each case is to the last digit what `run` makes of the varied scenario."""
    table = optimiser.sweep(grid(site, start="nothing"), executor=Serial())
    assert [0, 1, 2, 3, 4, 5, 6] == table["case"].tolist()
    assert {"done"} == set(table["status"])
    base = optimiser.read_scenario(site)
    for row in table.to_dict("records")[1:]:
        changes = {"storage.0.unit_kwh": row["battery"], "site.connection.export_limit_kw": row["export"]}
        made = optimiser.run(optimiser.vary(base, changes), studies=())
        assert [figure(made.summary.as_dict(), path) for path in RECORD] == [row[path] for path in RECORD]
    assert [(5.0, 1.0), (5.0, 5.0), (10.0, 1.0)] == list(zip(table["battery"], table["export"], strict=True))[
        1:4
    ]


def test_cases_from_the_base_equal_runs_from_it_exactly(site):
    """Started from the scenario as it is, they are what `run` makes from there, and what a cold run proves."""
    table = optimiser.sweep(grid(site), executor=Serial())
    base = optimiser.run(site, studies=())
    assert base.summary.headline.ceiling_saving == table["headline.ceiling_saving"][0]
    for row in table.to_dict("records")[1:]:
        changes = {"storage.0.unit_kwh": row["battery"], "site.connection.export_limit_kw": row["export"]}
        scenario = optimiser.vary(base.scenario, changes)
        warm, cold = optimiser.run(scenario, start=base, studies=()), optimiser.run(scenario, studies=())
        assert warm.summary.headline.ceiling_saving == row["headline.ceiling_saving"]
        size = 2e-6 * abs(cold.summary.proof.settled) + 0.01  # the tie-break is no money
        assert cold.summary.headline.ceiling_saving == pytest.approx(row["headline.ceiling_saving"], abs=size)


def test_one_case_equals_run(site):
    """A list of one case."""
    keys = grid(site, start="nothing", design={"kind": "list"}, case=[{"battery": 12.0}])
    table = optimiser.sweep(keys, executor=Serial())
    made = optimiser.run(
        optimiser.vary(optimiser.read_scenario(site), {"storage.0.unit_kwh": 12.0}), studies=()
    )
    assert [figure(made.summary.as_dict(), path) for path in RECORD] == table.loc[1, RECORD].tolist()


def test_the_order_and_the_number_of_workers_do_not_matter(site, tmp_path):
    """Two processes, threads, one after the other backwards: the same table to the last digit."""
    keys = grid(site)
    processes = optimiser.sweep(keys, workers=2)
    with concurrent.futures.ThreadPoolExecutor(2) as executor:
        threads = optimiser.sweep(keys, executor=executor, workers=2)
    plan = read_plan(keys)
    with road.open_store(plan, None) as store:
        pool = WorkPool(Serial(), 1)
        for case in reversed(plan.cases):
            road.work_out(plan, store, pool, only=[case])
        backwards = road.table_of(plan, store)
    pd.testing.assert_frame_equal(figures(processes), figures(threads), check_exact=True)
    pd.testing.assert_frame_equal(figures(processes), figures(backwards), check_exact=True)


@pytest.mark.filterwarnings("default")
def test_a_cluster_gives_the_same(site):
    """A scheduler and two workers of Dask on this machine, by their address."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:
        found = optimiser.sweep(grid(site), cluster=cluster.scheduler_address)
    pd.testing.assert_frame_equal(
        figures(found), figures(optimiser.sweep(grid(site), executor=Serial())), check_exact=True
    )


@pytest.mark.filterwarnings("default")
def test_a_cluster_that_is_not_there_is_one_sentence():
    """An address at which nobody listens."""
    pytest.importorskip("distributed")
    with pytest.raises(OptimiserError, match="does not answer"):
        Cluster("tcp://127.0.0.1:9")


# What goes wrong --------------------------------------------------------------------------------

FUSE = """
title = "A load and its fuse (invented)"
invented = true
currency = "AUD"
timeline = { start = 2025-01-01, days = 1, step_minutes = 60, zone = "UTC" }
[site]
phases = 1
connection = { import_limit_kw = 20.0, export_limit_kw = 0.0 }
load = [{ power_kw = "data.load" }]
[tariff]
name = "flat (invented)"
zone = "UTC"
component = [{ kind = "energy_charge", rates = [{ name = "all", rate_per_kwh = 0.3 }] }]
"""


def test_failing_cases_are_recorded_and_the_rest_is_worked_out(tmp_path):
    """One case that no schedule can keep, one that the scenario refuses: each with its sentence, the others done."""
    folder = write_site(tmp_path / "fuse", FUSE, {"load": [5.0] * 24})
    keys = {
        "title": "Fuses (invented)",
        "scenario": str(folder),
        "record": ["headline.ceiling_bill_after"],
        "design": {"kind": "grid"},
        "factor": [
            {
                "name": "fuse",
                "unit": "kW",
                "path": "site.connection.import_limit_kw",
                "values": [20.0, 3.0, -1.0, 8.0],
            }
        ],
    }
    plan = read_plan(keys)
    assert ["fuse = -1.0 will be recorded as failed"] == [words.split(":")[0] for words in plan.warnings]
    with road.open_store(plan, None) as store:
        road.work_out(plan, store, WorkPool(Serial(), 1))
        table = road.table_of(plan, store)
        assert ["done", "done", "infeasible", "refused", "done"] == table["status"].tolist()
        assert [36.0] * 3 == pytest.approx(
            table["headline.ceiling_bill_after"].dropna().tolist()
        )  # 24 h x 5 kW x 0.3
        assert "site.connection.import_limit_kw" in table["message"][3]
        assert [] == road.missing(plan, store)
        assert [2, 3] == [case.number for case in road.missing(plan, store, retry=True)]
        paths = road.write_sweep(plan, table, tmp_path / "out", "optimiser sweep fuse.toml")
    page = paths["page"].read_text(encoding="utf-8")
    assert "2 cases without figures" in page
    assert "Traceback" not in page


def unproven(changes):
    """A model that fails in a way of its own for each case."""
    number = changes["storage.0.unit_kwh"]
    if number == 5.0:
        raise UnprovenError("nothing in time")
    if number == 10.0:
        return 1 / 0
    return Found("done", {"headline.ceiling_saving": number})


def lost(changes):
    """A model whose process dies at one case, as for want of memory."""
    if changes["storage.0.unit_kwh"] == 10.0:
        os.kill(os.getpid(), signal.SIGKILL)
    return Found("done", {"headline.ceiling_saving": changes["storage.0.unit_kwh"]})


def one_factor(site: Path) -> dict:
    """The battery alone."""
    return grid(
        site,
        record=["headline.ceiling_saving"],
        factor=[{"name": "battery", "path": "storage.0.unit_kwh", "values": [5.0, 10.0, 15.0]}],
    )


def test_a_defect_costs_its_case_alone(site):
    """An exception of any kind becomes a status."""
    plan = read_plan(one_factor(site))
    with road.open_store(plan, None) as store:
        road.work_out(plan, store, WorkPool(Serial(), 1), model=unproven)
        table = road.table_of(plan, store)
    assert ["no answer", "defect", "done"] == table["status"].tolist()
    assert table["message"][1].startswith("ZeroDivisionError: division by zero. This is a defect of the")


def test_a_lost_process_costs_its_case_alone(site):
    """The worker is killed at one case; that is found out, recorded, and the others are done by new processes."""
    plan = read_plan(one_factor(site))
    with road.open_store(plan, None) as store, road.pool_of(2, None, None) as pool:
        road.work_out(plan, store, pool, model=lost)
        table = road.table_of(plan, store)
    assert ["done", "process lost", "done"] == table["status"].tolist()


def command(*words: object) -> list[str]:
    """The command line in a process of its own."""
    return [sys.executable, "-c", "from optimiser.cli import main; main()", *map(str, words)]


def kept(path: Path) -> int:
    """How many cases a store has."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute("select count(*) from cases").fetchone()[0]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this platform")
def test_killed_and_resumed_equals_uninterrupted(site, tmp_path):
    """kill -9 in the middle: what was done is there, workers end too, the rest is done by the same command."""
    keys = grid(site, scenario="site")
    keys["factor"][0]["values"] = [float(size) for size in range(4, 24)]
    (tmp_path / "site").symlink_to(site)
    file = write(tmp_path / "sweep.toml", keys)
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    call = command("sweep", file, "--out", tmp_path / "out", "--workers", 2)
    with subprocess.Popen(
        call, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    ) as child:
        for line in child.stderr:
            if "5 of 40 cases" in line:
                break
        workers = subprocess.run(
            ["pgrep", "-P", str(child.pid)], capture_output=True, text=True
        ).stdout.split()
        child.kill()
        child.wait()
    store = tmp_path / "out" / "cases.sqlite"
    done = kept(store)
    assert 6 <= done < 41  # with the scenario as it is
    assert 2 <= len(workers)
    deadline = time.monotonic() + 60
    while any(map(alive, workers)) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert [] == [Path(f"/proc/{pid}/cmdline").read_bytes() for pid in workers if alive(pid)]
    again = subprocess.run(call, env=environment, capture_output=True, text=True, timeout=300)
    assert 0 == again.returncode, again.stderr
    assert f"40 cases, grid; {41 - done} to work out" in again.stdout
    resumed = pd.read_parquet(tmp_path / "out" / "cases.parquet")
    whole = optimiser.sweep(file, executor=Serial())
    pd.testing.assert_frame_equal(figures(resumed), figures(whole), check_exact=True, check_dtype=False)


def alive(pid: str) -> bool:
    """Whether a process is there and not a zombie."""
    try:
        return " Z " not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False


def test_a_store_of_another_sweep_is_refused(site, tmp_path):
    """What was recorded changed, or the scenario: results are never mixed. More cases of the same are no change."""
    path = tmp_path / "cases.sqlite"
    optimiser.sweep(one_factor(site), executor=Serial(), store=path)
    told = []
    more = one_factor(site)
    more["factor"][0]["values"] = [5.0, 7.5, 10.0, 15.0]
    optimiser.sweep(more, executor=Serial(), store=path, progress=told.append)
    assert ["1 cases"] == told
    with pytest.raises(
        OptimiserError, match=r"results of another sweep: record changed since\. Name another"
    ):
        optimiser.sweep(
            one_factor(site) | {"record": ["headline.ceiling_bill_after"]}, executor=Serial(), store=path
        )
    (tmp_path / "text.sqlite").write_text("no database at all, but long enough to be looked at " * 20)
    with pytest.raises(OptimiserError, match="is no file of a sweep"):
        optimiser.sweep(one_factor(site), executor=Serial(), store=tmp_path / "text.sqlite")


def test_two_sweeps_do_not_share_a_store(site, tmp_path):
    """The second is told that the first is at work."""
    plan = read_plan(one_factor(site))
    with (
        road.open_store(plan, tmp_path / "cases.sqlite"),
        pytest.raises(OptimiserError, match="Another sweep is at work on it"),
    ):
        subprocess_open(plan, tmp_path / "cases.sqlite")


def subprocess_open(plan, path) -> None:
    """A second connection to the same file."""
    with road.open_store(plan, path):
        pass


# Faults of the file -----------------------------------------------------------------------------


def test_every_fault_of_a_file_at_once(site, tmp_path):
    """Place, rule, value, way out, of each."""
    keys = grid(site, scenario=str(site), design={"kind": "sobol", "base_cases": 100})
    keys["factor"] = [
        {"name": "battery", "path": "storage.0.unit_kwh", "values": [5.0], "low": 1.0, "high": 2.0},
        {"name": "battery", "path": "storage.0.unit_kwh", "low": 3.0, "high": 2.0},
        {"name": "case", "paths": ["storage.0.unit_kwh"], "path": "storage.0.units", "low": 1.0},
    ]
    keys["studies"] = ["patern"]
    file = write(tmp_path / "sweep.toml", keys)
    with pytest.raises(ScenarioError) as caught:
        read_plan(file)
    words = str(caught.value)
    for part in (
        "factor.0 must have one of values, low and high, files, or choice, got values and low and high. Keep one.",
        "factor.1 low must be below high, got 3 and 2. Swap them.",
        "factor.1.name is 'battery', like factor.0. Give each its own name.",
        "factor.2 must have one of path, paths",
        "factor.2 has one end of a range. Give both low and high.",
        'factor.2 name "case" is a column of the results.',
        "design.base_cases must be a power of 2, got 100. Use 64 or 128.",
        "studies: there is no study patern. Did you mean patterns?",
    ):
        assert part in words


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"factor": [{"name": "x", "path": "storage.0.unit_kw", "values": [5.0]}]}, "is not known here"),
        (
            {"factor": [{"name": "x", "path": "storage.7.unit_kwh", "values": [5.0]}]},
            "is no path in this scenario",
        ),
        (
            {"factor": [{"name": "x", "path": "title", "values": [2.0], "change": "times"}]},
            "no number to change",
        ),
        ({"factor": [{"name": "x", "path": "tariff", "files": ["nothing.toml"]}]}, "does not exist"),
        ({"record": ["headline.savings"]}, "there is no savings in headline; there are bill_before"),
        ({"record": ["headline"]}, "headline is a table. Go on to one of its figures"),
        ({"design": {"kind": "list"}}, "needs [[case]] tables"),
        ({"design": {"kind": "list"}, "case": [{"batery": 1}]}, "case.0.batery is no factor here"),
        ({"design": {"kind": "grids"}}, "design.kind must be one of"),
        (
            {"design": {"kind": "morris", "paths": 4, "levels": 5}},
            "design.levels must be even, got 5. Use 6.",
        ),
    ],
)
def test_faults_are_sentences(site, change, words):
    """Each names its place."""
    with pytest.raises(ScenarioError) as caught:
        optimiser.sweep(grid(site) | change, executor=Serial())
    assert words in str(caught.value)


def test_figures_are_found_by_name_or_number():
    """A list's entry by its name; what is not there is None, or a sentence."""
    summary = {"services": [{"name": "raise", "paid": 5.0}], "headline": {"ceiling_npv": math.nan}}
    assert 5.0 == figure(summary, "services.raise.paid") == figure(summary, "services.0.paid")
    assert figure(summary, "services.lower.paid") is None
    assert figure(summary, "headline.ceiling_npv") is None
    with pytest.raises(NoFigureError, match="there is no lower in services; there are raise"):
        figure(summary, "services.lower.paid", strict=True)


# Factors of every kind --------------------------------------------------------------------------


def test_tariff_files_choices_multiples_and_pairs(site, tmp_path):
    """Another tariff from a file, named choices of several paths, a multiple of a rate, two factors as one."""
    folder = tmp_path / "site"
    folder.mkdir()
    for path in site.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "flat.toml").write_text(
        'name = "Flat (invented)"\nzone = "UTC"\n[[component]]\nkind = "energy_charge"\n'
        'rates = [{ name = "all", rate_per_kwh = 0.3 }]\n',
        encoding="utf-8",
    )
    keys = grid(folder)
    keys["factor"] = [
        {"name": "tariff", "path": "tariff", "files": ["flat.toml"]},
        {
            "name": "kit",
            "choice": [
                {
                    "label": "small",
                    "set": {"storage.0.unit_kwh": 5.0, "site.connection.export_limit_kw": 2.0},
                },
                {"label": "large", "set": {"storage.0.unit_kwh": 20.0}},
            ],
        },
        {
            "name": "in",
            "path": "storage.0.charge_kw",
            "change": "times",
            "values": [0.5, 1.0],
            "together": "power",
        },
        {
            "name": "out",
            "path": "storage.0.discharge_kw",
            "change": "times",
            "values": [0.5, 1.0],
            "together": "power",
        },
    ]
    plan = read_plan(keys)
    assert 4 == len(plan.cases)
    assert [("flat", "small", 0.5, 0.5), ("flat", "small", 1.0, 1.0)] == [
        tuple(c.values.values()) for c in plan.cases[:2]
    ]
    table = optimiser.sweep(keys, executor=Serial())
    assert {"done"} == set(table["status"])
    own = optimiser.read_scenario(folder).raw["storage"][0]
    changes = plan.cases[0].changes
    assert own["charge_kw"] / 2 == changes["storage.0.charge_kw"]
    made = optimiser.run(optimiser.vary(plan.base, changes), start=optimiser.run(folder), studies=())
    assert made.summary.headline.ceiling_saving == table["headline.ceiling_saving"][1]


def test_one_at_a_time_and_a_latin_hypercube(site):
    """One: each factor's levels with the others as they are. The other: one case in each of n parts of a range."""
    alone = read_plan(grid(site, design={"kind": "one_at_a_time"}))
    assert [{"storage.0.unit_kwh"}] * 3 + [{"site.connection.export_limit_kw"}] * 2 == [
        set(c.changes) for c in alone.cases
    ]
    spread = read_plan(
        grid(
            site,
            design={"kind": "latin_hypercube", "cases": 20, "seed": 3},
            factor=[
                {"name": "a", "path": "storage.0.unit_kwh", "low": 10.0, "high": 20.0},
                {"name": "b", "path": "storage.0.units", "low": 1.0, "high": 4.0, "whole": True},
                {"name": "c", "path": "storage.0.charge_kw", "low": 1.0, "high": 100.0, "scale": "log"},
            ],
        )
    )
    values = pd.DataFrame([case.values for case in spread.cases])
    assert list(range(20)) == sorted(((values["a"] - 10) * 2).astype(int))
    assert {1: 5, 2: 5, 3: 5, 4: 5} == values["b"].value_counts().to_dict()
    assert 10 == (values["c"] < 10).sum()
    again = read_plan(spread.path or grid_of(spread, site))
    assert [case.key for case in again.cases] == [case.key for case in spread.cases]


def grid_of(plan, site: Path) -> dict:
    """The keys that a plan was read from."""
    return plan.file.model_dump() | {"scenario": str(site)}


# Indices ----------------------------------------------------------------------------------------


def plane(x):
    """Three slopes."""
    return x @ np.array([3.0, -2.0, 0.5]) + 7


class Stub:
    """A function of the factors' places between their ends, in the scenario's place."""

    def __init__(self, function, low: float, high: float):
        self.function, self.low, self.high = function, low, high

    def __call__(self, changes):
        """One evaluation."""
        unit = np.array(list(changes.values()), float) - 1.0
        x = self.low + unit * (self.high - self.low)
        return Found("done", {"headline.ceiling_saving": float(self.function(x[None, :])[0])})


def swept_stub(site: Path, factors: int, design: dict, function, low: float, high: float):
    """The findings of a function passed through plan, pool, store and table."""
    sizes = ["unit_kwh", "charge_kw", "discharge_kw"]
    places = [f"storage.0.{name}" for name in sizes] + [
        "site.connection.import_limit_kw",
        "site.connection.export_limit_kw",
    ]
    places += ["cost.capital", "cost.yearly", "site.inverter.0.standby_w"]
    keys = grid(site, record=["headline.ceiling_saving"], design=design)
    keys["factor"] = [{"name": f"x{k}", "path": places[k], "low": 1.0, "high": 2.0} for k in range(factors)]
    plan = read_plan(keys)
    with road.open_store(plan, None) as store:
        road.work_out(plan, store, WorkPool(Serial(), 1), model=Stub(function, low, high))
        store.keep(CaseOutcome(plan.as_it_is.key, "done", "", 0.0, {"headline.ceiling_saving": 0.0}))
        table = road.table_of(plan, store)
    return plan, table, findings(plan, table)[0]


def test_sobol_indices_of_ishigami(site):
    """Closed forms with a = 7, b = 0.1: S = (0.3139, 0.4424, 0), T = (0.5576, 0.4424, 0.2437).

    Intervals are those of SciPy's own bootstrap of the same cases, apart from its chance, and the same each time.
    """
    functions = pytest.importorskip("SALib.test_functions.Ishigami")
    design = {"kind": "sobol", "base_cases": 2048, "seed": 5}
    swept = swept_stub(site, 3, design, functions.evaluate, -math.pi, math.pi)
    found = swept[2]
    assert 2048 * 5 + 1 == len(swept[1])
    a, b = 7.0, 0.1
    one, both = 0.5 * (1 + b * math.pi**4 / 5) ** 2, 8 * b**2 * math.pi**8 / 225
    variance = one + a**2 / 8 + both
    first = [one / variance, a**2 / 8 / variance, 0.0]
    total = [(one + both) / variance, a**2 / 8 / variance, both / variance]
    assert [0.3139, 0.4424, 0.0] == pytest.approx(first, abs=1e-4)
    assert first == pytest.approx(found["sobol"]["first_order"].tolist(), abs=0.02)
    assert total == pytest.approx(found["sobol"]["total"].tolist(), abs=0.02)
    again = findings(*swept[:2])[0]["sobol"]
    pd.testing.assert_frame_equal(found["sobol"], again, check_exact=True)
    own = stats.sobol_indices(func=halves(swept[1]), n=2048).bootstrap(n_resamples=400)
    for kind, interval in (("first_order", own.first_order), ("total", own.total_order)):
        for end in ("low", "high"):
            theirs = np.ravel(getattr(interval.confidence_interval, end))
            assert list(theirs) == pytest.approx(found["sobol"][f"{kind}_{end}"].tolist(), abs=0.02)
    inside = found["sobol"]["total_low"].to_numpy() <= np.array(total) + 0.01
    assert inside.all()
    assert (found["sobol"]["total_high"].to_numpy() >= np.array(total) - 0.01).all()


def halves(table: pd.DataFrame) -> dict[str, np.ndarray]:
    """The cases of a Sobol' table with three factors as scipy.stats.sobol_indices takes them."""
    blocks = table[table["case"] > 0]["headline.ceiling_saving"].to_numpy().reshape(-1, 5)
    return {"f_A": blocks[:, 0][None], "f_B": blocks[:, 1][None], "f_AB": blocks[:, 2:].T[:, None, :]}


def test_sobol_indices_of_g(site):
    """The closed forms of the documented function with its eight coefficients."""
    functions = pytest.importorskip("SALib.test_functions.Sobol_G")
    coefficients = np.array([0, 1, 4.5, 9, 99, 99, 99, 99])
    _, _, found = swept_stub(site, 8, {"kind": "sobol", "base_cases": 1024}, functions.evaluate, 0.0, 1.0)
    first = functions.sensitivity_index(coefficients)
    total = functions.total_sensitivity_index(coefficients)
    assert list(first) == pytest.approx(found["sobol"]["first_order"].tolist(), abs=0.03)
    assert list(total) == pytest.approx(found["sobol"]["total"].tolist(), abs=0.03)


def test_morris_effects_of_a_plane_and_of_ishigami(site):
    """Of a plane, each effect is its slope times the range and has no scatter (by definition, Morris 1991, section 3);
    of Ishigami, what SALib's own sampler and analysis give for the same seed."""
    pytest.importorskip("SALib")
    from SALib.analyze.morris import analyze
    from SALib.sample.morris import sample
    from SALib.test_functions import Ishigami

    design = {"kind": "morris", "paths": 10, "seed": 4}
    _, _, found = swept_stub(site, 3, design, plane, 0.0, 1.0)
    assert [3.0, 2.0, 0.5] == pytest.approx(found["morris"]["mean_size"].tolist())
    assert [3.0, -2.0, 0.5] == pytest.approx(found["morris"]["mean"].tolist())
    assert [0.0] * 3 == pytest.approx(found["morris"]["scatter"].tolist(), abs=1e-9)
    _, _, found = swept_stub(site, 3, design | {"paths": 50}, Ishigami.evaluate, -math.pi, math.pi)
    problem = {"num_vars": 3, "names": ["a", "b", "c"], "bounds": [[-math.pi, math.pi]] * 3}
    x = sample(problem, N=50, num_levels=4, seed=4)
    own = analyze(problem, x, Ishigami.evaluate(x), num_levels=4, seed=4)
    # SALib takes steps in the unit cube too, so both are per whole range.
    assert list(own["mu_star"]) == pytest.approx(found["morris"]["mean_size"].tolist(), rel=1e-9)
    assert list(own["sigma"]) == pytest.approx(found["morris"]["scatter"].tolist(), rel=1e-9)


def test_indices_leave_out_what_has_no_answer_and_say_so(site):
    """Two cases lost out of 64 base cases: the indices are of the 32 first whole ones."""
    plan, table, _ = swept_stub(site, 3, {"kind": "sobol", "base_cases": 64}, plane, 0.0, 1.0)
    table.loc[table["case"].isin([7, 200]), ["status", "headline.ceiling_saving"]] = ["infeasible", np.nan]
    found, notes = findings(plan, table)
    assert 32 == found["sobol"]["base_cases"].iloc[0]
    assert "2 base cases have a case without an answer; indices are of 32 whole ones" in notes[0]


def test_a_latin_hypercube_of_few_cases_has_parts_of_four_and_leads_with_ranks(site, tmp_path):
    """Twelve cases: three parts of four, ordered as the slopes are; five: none, and the cases themselves are drawn.

    Student's t of 10 degrees of freedom is 2.228 (NIST/SEMATECH e-Handbook, 1.3.6.7.2, from memory), so ranks of
    twelve unrelated pairs reach 2.228 / sqrt(10 + 2.228**2) = 0.576 once in twenty times.
    """
    design = {"kind": "latin_hypercube", "cases": 12, "seed": 1}
    plan, table, found = swept_stub(site, 3, design, plane, 0.0, 1.0)
    assert {4} == set(found["responses"]["cases"])
    assert {3} == set(found["responses"].groupby("factor").size())
    assert {4} == set(found["spreads"]["fewest_cases"])
    first = found["responses"].iloc[0]
    own = table[table["case"] > 0]
    inside = own[own["x0"].rank() <= 4]
    assert inside["headline.ceiling_saving"].mean() == pytest.approx(first["mean"])
    assert f"{inside['x0'].min():.4g} to {inside['x0'].max():.4g}" == first["level"]
    assert [0.576] * 3 == pytest.approx(found["ranks"]["chance_below"].tolist(), abs=5e-4)
    ranks = [own[f"x{k}"].rank().corr(own["headline.ceiling_saving"].rank()) for k in range(3)]
    assert ranks == pytest.approx(found["ranks"]["rank_correlation"].tolist())
    assert ["x0", "x1", "x2"] == order_of(plan, found, "headline.ceiling_saving")
    assert "pairs" not in found
    page, charts = page_of(plan, table, tmp_path / "twelve")
    assert "it goes most closely with x0. Rank correlations: x0 +0." in page
    assert "with 12 cases, what is nearer to 0 than 0.58 may be chance" in page
    assert "holds 4 cases, which differ in the other factors too" in page
    assert own["headline.ceiling_saving"].tolist() == charts["chart-pair-0"]["data"][0]["marker"]["color"]
    design["cases"] = 5
    plan, table, found = swept_stub(site, 3, design, plane, 0.0, 1.0)
    assert {"ranks"} == set(found)
    page, charts = page_of(plan, table, tmp_path / "five")
    assert "too few for means of parts" in page
    assert 5 == len(charts["chart-response-0"]["data"][0]["x"])
    assert {"chart-response-0", "chart-pair-2"} <= set(charts)
    assert not any(name.startswith("chart-spread") for name in charts)
    design["cases"] = 3
    plan, table, found = swept_stub(site, 3, design, plane, 0.0, 1.0)
    assert {} == found
    words = "3 cases are too few to tell which factor moves it most. Set cases to 12 or more."
    assert words in page_of(plan, table, tmp_path / "three")[0]


def test_factors_in_words_are_beside_the_ranks(site, tmp_path):
    """Eight cases of either of two words have means, three of each of five not; both are said."""
    words = [{"label": word, "set": {"storage.0.charge_kw": size}} for size, word in enumerate("abcde", 1)]
    keys = grid(
        site,
        record=["headline.ceiling_saving"],
        design={"kind": "latin_hypercube", "cases": 16, "seed": 1},
        factor=[
            {"name": "battery", "path": "storage.0.unit_kwh", "low": 5.0, "high": 20.0},
            {"name": "kit", "choice": words[:2]},
            {"name": "weather", "choice": words},
        ],
    )
    plan = read_plan(keys)
    rows = [
        {
            "case": c.number,
            **c.values,
            "headline.ceiling_saving": 9.0 if c.values["kit"] == "b" else 4.0,
            "status": "done",
        }
        for c in (plan.as_it_is, *plan.cases)
    ]
    table = pd.DataFrame(rows).assign(message="", seconds=1.0)
    found = findings(plan, table)[0]
    assert {"battery": 4, "kit": 8} == found["responses"].groupby("factor")["cases"].min().to_dict()
    page, charts = page_of(plan, table, tmp_path)
    assert "no factor that is a number stands out. Rank correlations: battery" in page
    assert "; means over kit lie 5 apart; weather has no rank and too few cases a level." in page
    assert "category" == charts["chart-response-2"]["layout"]["xaxis"]["type"]
    assert ", and of some at one place the last is seen" in page  # two words by five


def test_many_sampled_cases_have_means_of_parts_and_pairs(site):
    """A hundred cases: ten parts of ten, and nine cells a pair; no cell or part of a single case says anything."""
    design = {"kind": "latin_hypercube", "cases": 100, "seed": 1}
    _, _, found = swept_stub(site, 3, design, plane, 0.0, 1.0)
    assert {10} == set(found["responses"]["cases"])
    assert 27 == len(found["pairs"])
    assert 300 == found["pairs"]["cases"].sum()


def test_few_base_cases_are_said_to_be_too_few(site, tmp_path):
    """Four: total indices lead, no means of levels contradict them, and a warning names the way out; 256 has none."""
    plan, table, found = swept_stub(site, 3, {"kind": "sobol", "base_cases": 4, "seed": 1}, plane, 0.0, 1.0)
    assert {"sobol"} == set(found)
    (note,) = findings(plan, table)[1]
    assert note.startswith(
        "4 base cases are too few for Sobol' indices to be relied on (Ceiling saving over 2 days, EUR): "
    )
    assert note.endswith("Set base_cases to 64 or more.")
    widths = [
        found["sobol"][f"{kind}_high"] - found["sobol"][f"{kind}_low"] for kind in ("first_order", "total")
    ]
    assert f"95 % intervals are up to {pd.concat(widths).max():.2f} wide" in note
    page, _ = page_of(plan, table, tmp_path)
    assert "Total index of each" in page
    lowest = found["sobol"]["first_order_low"].min()
    assert lowest < 0
    assert f"{MINUS}{-lowest:.3f} to " in page
    assert f"-{-lowest:.3f}" not in page.split("<main")[1]
    plan, table, found = swept_stub(site, 3, {"kind": "sobol", "base_cases": 256}, plane, 0.0, 1.0)
    assert [] == findings(plan, table)[1]
    assert ["x0", "x1", "x2"] == order_of(plan, found, "headline.ceiling_saving")
    assert ["x0", "x1", "x2"] == found["spreads"]["factor"].tolist()
    assert 100 < found["spreads"]["fewest_cases"].min()


def test_a_morris_design_leads_with_the_mean_size_of_effects(site, tmp_path):
    """Nothing on its page is of levels, which its cases do not meet evenly."""
    pytest.importorskip("SALib")
    plan, table, found = swept_stub(site, 3, {"kind": "morris", "paths": 10, "seed": 4}, plane, 0.0, 1.0)
    assert {"morris"} == set(found)
    page, _ = page_of(plan, table, tmp_path)
    assert "x0 moves it most. Mean size of what going through its whole range does, with its 95" in page
    assert "interval, EUR: x0 3 (±" in page
    assert "40 cases, at the ends of long steps." in page


def test_a_list_has_means_only_of_levels_that_meet_the_others_alike(site, tmp_path):
    """Three cases that differ in both factors tell them not apart; a table of two by two does."""
    cases = [{"battery": size, "export": limit} for size, limit in ((5.0, 1.0), (10.0, 2.0), (15.0, 4.0))]
    alone = listed_stub(site, cases)
    assert "spreads" not in alone[2]
    assert "cases are too few to tell which factor moves it most" in page_of(*alone[:2], tmp_path)[0]
    square = [{"battery": size, "export": limit} for size in (5.0, 10.0) for limit in (1.0, 4.0)]
    found = listed_stub(site, square)[2]
    assert ["battery", "export"] == found["spreads"]["factor"].tolist()
    assert [5.0, 3.0] == found["spreads"]["spread"].tolist()


def listed_stub(site: Path, cases: list):
    """The findings of a list of cases, whose saving is the battery and the limit together."""
    keys = grid(site, record=["headline.ceiling_saving"], design={"kind": "list"}, case=cases)
    plan = read_plan(keys)
    rows = [
        {
            "case": c.number,
            **c.values,
            "headline.ceiling_saving": c.values["battery"] + c.values["export"],
            "status": "done",
        }
        for c in (plan.as_it_is, *plan.cases)
    ]
    table = pd.DataFrame(rows).assign(message="", seconds=1.0)
    return plan, table, findings(plan, table)[0]


def page_of(plan, table: pd.DataFrame, folder: Path) -> tuple[str, dict]:
    """The page of a table, and its charts by key."""
    page = road.write_sweep(plan, table, folder, "optimiser sweep x")["page"].read_text("utf-8")
    parts = page.split('data-chart="')[1:]
    return html.unescape(page), {
        part.split('"', 1)[0]: json.loads(part.split(">", 1)[1].split("</script>")[0]) for part in parts
    }


# The page and the command -----------------------------------------------------------------------


def test_every_figure_of_the_page_comes_from_the_table(site, tmp_path):
    """Marks, means, spreads and cells are worked out again from cases.csv alone."""
    plan = read_plan(grid(site))
    with road.open_store(plan, None) as store:
        road.work_out(plan, store, WorkPool(Serial(), 1))
        paths = road.write_sweep(
            plan, road.table_of(plan, store), tmp_path / "out", "optimiser sweep file.toml"
        )
    cases = pd.read_csv(paths["cases_csv"])
    own = cases[cases["case"] > 0]
    means = own.groupby("battery")["headline.ceiling_saving"].mean()
    spreads = (
        pd.read_csv(paths["spreads"])
        .set_index(["figure", "factor"])
        .loc[("headline.ceiling_saving", "battery")]
    )
    assert (means.min(), means.max()) == pytest.approx((spreads["lowest"], spreads["highest"]))
    cells = pd.read_csv(paths["pairs"])
    for cell in cells.to_dict("records"):
        row = own[own["case"] == cell["case"]].iloc[0]
        assert row["headline.ceiling_saving"] == pytest.approx(cell["mean"])
        assert {str(cell["first_level"]), str(cell["second_level"])} == {
            f"{row[n]:g}" for n in ("battery", "export")
        }
    page = paths["page"].read_text(encoding="utf-8")
    charts = {
        part.split('"', 1)[0]: json.loads(part.split(">", 1)[1].split("</script>")[0])
        for part in page.split('data-chart="')[1:]
    }
    marks = charts["chart-response-0"]["data"][0]
    assert sorted(own["headline.ceiling_saving"]) == pytest.approx(sorted(marks["y"]))
    assert means.tolist() == pytest.approx(charts["chart-response-0"]["data"][1]["y"])
    commands = [words.rpartition("<br>")[2] for words in marks["customdata"]]
    assert [f"optimiser sweep file.toml --case {number}" for number in own["case"]] == commands
    assert "put its number for N: optimiser sweep file.toml --case N<" in page
    assert "To make it again" not in page
    assert "//" not in page.split("<script>")[0]


def call(*words: object):
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def test_the_command_plans_goes_on_and_runs_a_case(site, tmp_path):
    """A plan with its cost, whose cases are kept; the rest; one case with its report and the sweep's own figures."""
    keys = grid(site, scenario="site")
    (tmp_path / "site").symlink_to(site)
    file = write(tmp_path / "sweep.toml", keys)
    planned = call("sweep", file, "--out", tmp_path / "out", "--plan", "--workers", 1)
    assert 0 == planned.exit_code, planned.output
    assert "Battery and limit (invented): 6 cases, grid; 6 to work out." in planned.stdout
    assert "4 cases tried and kept" in planned.stdout
    assert "The 2 cases that are left will take about" in planned.stdout
    rest = call("sweep", file, "--out", tmp_path / "out", "--workers", 1)
    assert "2 to work out" in rest.stdout
    assert "6 done." in rest.stdout
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert {
        "sweep.html",
        "cases.csv",
        "cases.parquet",
        "sweep.json",
        "cases.sqlite",
        "responses.csv",
    } <= written
    one = call("sweep", file, "--out", tmp_path / "out", "--case", 3)
    assert 0 == one.exit_code, one.output
    assert "storage.0.unit_kwh = 10.0" in one.stdout
    assert "the sweep has" not in one.stdout
    table = pd.read_csv(tmp_path / "out" / "cases.csv")
    assert str(table["headline.ceiling_saving"][3]) in one.stdout
    assert (tmp_path / "out" / "case-3" / "report.html").is_file()
    taken = call("sweep", file, "--out", file)
    assert (2, True) == (taken.exit_code, "is a file. Choose another folder" in taken.stderr)
    other = call("sweep", file, "--out", tmp_path / "out", "--case", 7)
    assert (2, True) == (other.exit_code, "there is no case 7" in other.stderr)


def test_a_case_by_itself_agrees_with_a_sweep_whose_payback_is_a_ceiling(site, tmp_path):
    """Its figures are those of the sweep to the last digit; its report says that its own payback is forecast-driven."""
    (tmp_path / "site").symlink_to(site)
    record = ["headline.ceiling_payback_years", "headline.ceiling_npv", "headline.ceiling_saving"]
    file = write(tmp_path / "sweep.toml", grid(site, scenario="site", record=record))
    swept = call("sweep", file, "--out", tmp_path / "out", "--workers", 1)
    assert "All money, payback too, is a ceiling" in swept.stdout
    assert "All money, payback too, is a ceiling" in (tmp_path / "out" / "sweep.html").read_text("utf-8")
    one = call("sweep", file, "--out", tmp_path / "out", "--case", 3)
    assert (0, False) == (one.exit_code, "the sweep has" in one.stdout), one.output
    assert "The report's payback is forecast-driven" in one.stdout
    summary = json.loads((tmp_path / "out" / "case-3" / "summary.json").read_text("utf-8"))
    table = pd.read_csv(tmp_path / "out" / "cases.csv", index_col="case")
    assert summary["headline"]["ceiling_payback_years"] == table[record[0]][3]
    assert summary["headline"]["forecast_driven_payback_years"] > table[record[0]][3]
    driven = read_plan(
        write(tmp_path / "driven.toml", grid(site, scenario="site", studies=["without_foresight"]))
    )
    assert road.basis_of(driven).startswith(
        "Figures named forecast-driven are what each case earns without foresight"
    )


def test_a_payback_that_never_comes_leaves_no_mean(site, tmp_path):
    """A level of which one case is never paid back has no mean over the others; the page says how many."""
    path = "headline.forecast_driven_payback_years"
    plan = read_plan(grid(site, record=[path], studies=["without_foresight"]))
    rows = [
        {"case": case.number, **case.values, path: years, "status": "done", "message": "", "seconds": 1.0}
        for case, years in zip(
            (plan.as_it_is, *plan.cases), (7.0, 5.0, np.nan, 6.0, 9.0, np.nan, np.nan), strict=True
        )
    ]
    table = pd.DataFrame(rows)
    found, notes = findings(plan, table)
    means = found["responses"].set_index(["factor", "level"])
    assert [math.inf, 7.5, math.inf] == means.loc["battery", "mean"].tolist()
    assert [1, 0, 2] == means.loc["battery", "never"].tolist()
    assert (
        "Forecast-driven simple payback, years: never in 3 of 6 cases; a mean over such a case is given as never."
        in notes
    )
    page = road.write_sweep(plan, table, tmp_path, "optimiser sweep x")["page"].read_text("utf-8")
    assert "never in 1 of 2" in page
    assert "never in 2 of 2" in page
    assert "it never comes in 3 of 6 cases" in page
    assert "Infinity" not in page.split("<main")[1]
    table.loc[2, "message"] = "not run without foresight: it cannot be carried out within the limits."
    found, notes = findings(plan, table)
    means = found["responses"].set_index(["factor", "level"])
    assert [5.0, 7.5, math.inf] == means.loc["battery", "mean"].tolist()
    assert "never in 2 of 6 cases" in notes[0]
    page, _ = page_of(plan, table, tmp_path / "unknown")
    assert "Cases that could not be run without foresight: 1; cases.csv says why." in page


def test_the_page_says_how_long_the_run_is_and_what_is_scaled(site, tmp_path):
    """Two days: figures of the days by name, yearly ones as scaled; a whole year: money a year, nothing scaled."""
    record = [
        "headline.ceiling_saving_per_year",
        "headline.ceiling_saving",
        "energy_kwh.import",
        "headline.ceiling_npv",
    ]
    plan = read_plan(grid(site, record=record))
    names = recorded(plan)
    assert [
        "Ceiling saving scaled to a year, EUR a year",
        "Ceiling saving over 2 days, EUR",
        "Import over 2 days, kWh",
        "Ceiling net present value, EUR",
    ] == [names.name(path) for path in record]
    rows = [
        {"case": c.number, **c.values, **dict.fromkeys(record, 1000.0 + c.number), "status": "done"}
        for c in (plan.as_it_is, *plan.cases)
    ]
    page, _ = page_of(plan, pd.DataFrame(rows).assign(message="", seconds=1.0), tmp_path)
    local = plan.base.timeline.local()
    answer = page.split('id="answer"')[1].split("</section>")[0].replace("\u00a0", " ")
    assert (
        f"{local[0].day} {local[0]:%B %Y} to {local[-1].day} {local[-1]:%B %Y}, 96 30-minute steps" in answer
    )
    assert "are scaled up from 2 days, which know no other season" in answer
    assert "Ceiling saving over 2 days, EUR" in page
    years = grid(site, factor=[{"name": "days", "path": "timeline.days", "values": [1, 2]}], record=record)
    varied = recorded(read_plan(years))
    assert "Ceiling saving over its days, EUR" == varied.name("headline.ceiling_saving")
    assert "factors change its timeline (days)" in varied.covered()


def test_levels_on_the_page_have_four_digits(site, tmp_path):
    """Of a sampled range, in sentences, tables and axes; files keep all digits."""
    plan, table, _ = swept_stub(site, 3, {"kind": "latin_hypercube", "cases": 12, "seed": 1}, plane, 0.0, 1.0)
    page, charts = page_of(plan, table, tmp_path)
    words = re.sub(r"<script.*?</script>", "", page.split("<main")[1], flags=re.DOTALL)
    assert [] == re.findall(r"\d\.\d{4,}", words)
    assert [] == [
        text for text in charts["chart-response-0"]["data"][0]["customdata"] if re.search(r"\.\d{4}", text)
    ]
    kept = pd.read_csv(tmp_path / "cases.csv")["x0"]
    assert kept.tolist() == table["x0"].tolist()
    assert ["19.04", "1.3", "0.9736", "12,346", "0.001235", "0", f"{MINUS}7.94", "20"] == [
        significant(value)
        for value in (19.03941994, 1.3, 0.97358, 12345.678, 0.00123456, 0.0, -7.940078, 19.999999)
    ]


def test_a_case_that_cannot_be_run_without_foresight_gives_no_ceiling_in_its_place(site, monkeypatch):
    """What rests on the run without foresight is empty, with the reason; what the ceiling says stands."""
    as_made = without_foresight.run_under

    def run_under(scenario, *rest):
        if scenario.site.connection.import_limit_kw == TIGHT_KW:
            raise InfeasibleError("the plan cannot be carried out within the limits")
        return as_made(scenario, *rest)

    monkeypatch.setattr(without_foresight, "run_under", run_under)
    keys = {
        "title": "Limits (invented)",
        "scenario": str(site),
        "record": [
            "headline.ceiling_saving",
            "headline.forecast_driven_saving_per_year",
            "headline.forecast_driven_saving",
            "headline.forecast_driven_npv",
        ],
        "studies": ["without_foresight"],
        "design": {"kind": "grid"},
        "start": "nothing",
        "factor": [
            {"name": "limit", "path": "site.connection.import_limit_kw", "values": [TIGHT_KW, 14.0]},
            {"name": "policy", "path": "foresight.headline", "values": ["backcast"]},
        ],
    }
    table = optimiser.sweep(keys, executor=Serial()).set_index("limit")
    tight, wide = table[table["case"] > 0].loc[TIGHT_KW], table[table["case"] > 0].loc[14.0]
    for path in keys["record"][1:]:
        assert pd.isna(tight[path])
        assert np.isfinite(wide[path])
    assert np.isfinite(tight["headline.ceiling_saving"])
    assert "not run without foresight: " in tight["message"]
    assert "cannot be carried out within the limits" in tight["message"]


def test_a_factor_of_one_level_stands_beside_sampled_ones(site):
    """It moves nothing, and the others are found all the same."""
    keys = grid(site, design={"kind": "latin_hypercube", "cases": 12}) | {
        "factor": [
            {"name": "days", "path": "timeline.days", "values": [1]},
            {"name": "battery", "path": "storage.0.unit_kwh", "low": 5.0, "high": 20.0},
        ]
    }
    plan = read_plan(keys)
    table = optimiser.sweep(keys, workers=1)
    found, _ = findings(plan, table)
    ranks = found["ranks"].set_index("factor")
    assert "battery" in ranks.index
    days = found["spreads"].loc[found["spreads"]["factor"] == "days", "spread"]
    assert (days.fillna(0.0) == 0.0).all()


def test_the_shipped_sweep_is_read():
    """Its file has no fault and the cases that it says; it leads with money a year."""
    plan = read_plan(ROOT / "scenarios" / "single-phase-home" / "sweep.toml")
    assert "Measured saving, AUD a year" == recorded(plan).name(plan.file.record[0])
    assert recorded(plan).covered().endswith("money in AUD.")
    assert 27 == len(plan.cases)
    assert "27 cases" in plan.file.description


def test_what_is_recorded_says_on_what_it_rests(site):
    """Without foresight first where the study makes it; never a column that no case can fill.

    From the contract: one name, one basis, in every table.
    """
    keys = {key: value for key, value in grid(site).items() if key != "record"}
    plain, driven = (read_plan(keys | {"studies": names}) for names in ([], ["without_foresight"]))
    assert "headline.ceiling_saving_per_year" == plain.file.record[0]
    assert "headline.forecast_driven_saving_per_year" == driven.file.record[0]
    for plan in (plain, driven):
        named = [path for path in plan.file.record if "saving" in path or "npv" in path or "payback" in path]
        assert all(path.split(".")[1].startswith(("ceiling_", "forecast_driven_")) for path in named)
    usual = read_plan(keys)
    assert ("measured_share",) == usual.file.studies
    assert "studies.measured_share.saving_per_year" == usual.file.record[0]
    with pytest.raises(ScenarioError, match="earned without foresight, which no case works out"):
        read_plan(grid(site, record=["headline.forecast_driven_npv"]))
    with pytest.raises(ScenarioError, match=r"measured_share.npv is earned without foresight.*ceiling_npv"):
        read_plan(grid(site, record=["studies.measured_share.npv"]))


def test_each_case_measures_its_own_share(site):
    """By default a case records what it earns without foresight: a share of its own ceiling."""
    keys = {key: value for key, value in one_factor(site).items() if key not in ("record", "studies")}
    table = optimiser.sweep(keys, executor=Serial())
    share = table["studies.measured_share.share_of_ceiling"]
    made = table["studies.measured_share.saving_per_year"]
    assert (share <= 1).all()
    assert share.nunique() > 1
    assert made.tolist() == pytest.approx((share * table["headline.ceiling_saving_per_year"]).tolist())


def test_workers_need_a_guarded_script(monkeypatch):
    """Where no process can start, one sentence says the usual reason."""

    class Broken(concurrent.futures.Executor):
        def submit(self, fn, /, *args, **kwargs):
            future: concurrent.futures.Future = concurrent.futures.Future()
            future.set_exception(concurrent.futures.BrokenExecutor())
            return future

    monkeypatch.setattr(LocalProcesses, "_pool", staticmethod(lambda workers: Broken()))
    with pytest.raises(OptimiserError, match="__name__ == '__main__'"):
        LocalProcesses(1)


def test_names_and_steps_of_a_sweep_are_checked_before_any_case(site):
    """A path recorded twice, a factor named like one, and more levels than can be meant."""
    factors = grid(site)["factor"]
    twice = grid(site, record=[*RECORD, RECORD[0]])
    like = grid(site, factor=[{**factors[0], "name": RECORD[0]}, factors[1]])
    many = grid(site, factor=[factors[0], {**factors[1], "steps": 1_000_000_000}])
    for keys, words in (
        (twice, "record.3 is 'headline.ceiling_saving' again"),
        (like, "like a recorded path"),
        (many, "factor.1.steps must be at most 100000"),
    ):
        with pytest.raises(ScenarioError, match=words):
            read_plan(keys)


def test_faults_of_all_factors_are_told_at_once(site):
    """A path without a number, and one whose every level is refused, though 1 and true are one key to Python."""
    first = {"name": "a", "path": "tariff.name", "change": "times", "values": [2.0]}
    second = {"name": "b", "path": "site.connection.export_limit_kw", "values": [-1, True]}
    third = {"name": "c", "path": "storage.0.nothing", "values": [1, True]}
    with pytest.raises(ScenarioError) as caught:
        read_plan(grid(site, factor=[first, second, third]))
    assert ["factor.0 (a)", "factor.1 (b)", "factor.2 (c)"] == [
        fault.partition(":")[0] for fault in caught.value.faults
    ]


def test_a_sweep_without_any_answer_ends_with_3(site, tmp_path):
    """Each level fits by itself and no case does: files are written, and the exit code says it."""
    keys = grid(site)
    keys["factor"] = [
        {"name": "voltage", "path": "storage.0.voltage_v", "values": [20.0]},
        {"name": "lowest", "path": "storage.0.lowest_voltage_v", "values": [30.0]},
    ]
    path = write(tmp_path / "sweep.toml", keys)
    made = CliRunner().invoke(main, ["sweep", str(path), "--out", str(tmp_path / "out"), "--workers", "1"])
    assert (3, True) == (made.exit_code, "No case has an answer" in made.stderr), made.output
