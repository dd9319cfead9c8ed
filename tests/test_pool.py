"""What happens to sweeps and fleets when disks are full, processes are lost, people interrupt or files are damaged.

What a person is owed then (one sentence, no traceback, what is finished kept) is common practice, no source.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import os
import pickle
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from optimiser.batch.fleet import solving as fleets
from optimiser.batch.fleet.file import read_fleet
from optimiser.batch.fleet.solving import solve_fleet
from optimiser.batch.sweep import store as stores
from optimiser.batch.sweep import sweep as road
from optimiser.batch.sweep.cases import CaseOutcome, Found
from optimiser.batch.sweep.plan import read_plan
from optimiser.batch.sweep.pool import WorkPool
from optimiser.cli import main
from optimiser.engine.solver import Basis
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.starter import write_starter

ROOT = Path(__file__).parent.parent
COMMAND = [sys.executable, "-c", "from optimiser.cli import main; main()"]
FLEET = """
title = "Homes (invented)"
invented = true

[[site]]
scenario = "site"
name = "home"
count = 8
spread = { "site.load.0.scale" = [0.5, 1.5] }
"""
SWEEP = """
title = "Battery (invented)"
record = ["headline.ceiling_saving"]
design = { kind = "grid" }

[[factor]]
name = "battery"
path = "storage.0.unit_kwh"
low = 5.0
high = 20.0
steps = 12
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A site of two days, a fleet of it and a sweep of it."""
    write_starter(tmp_path / "site")
    scenario = tmp_path / "site" / "scenario.toml"
    words = scenario.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 ")
    scenario.write_text(words, encoding="utf-8")
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    (tmp_path / "site" / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    return tmp_path


def start(size: int) -> road.Start:
    """A start of so many columns, and as many rows."""
    status = np.random.default_rng(1).integers(0, 5, (2, size)).astype(np.int8)
    return road.Start(Basis(status[0], status[1]))


def found(changes) -> Found:
    """A quick model, whose results are long enough to fill a small file."""
    return Found(
        "done", {"headline.ceiling_saving": float(changes["storage.0.unit_kwh"]), "words": "x" * 3000}
    )


@contextlib.contextmanager
def threads():
    """Work done by a thread of this process."""
    with ThreadPoolExecutor(1) as executor:
        yield WorkPool(executor, 1)


# Full disks -------------------------------------------------------------------------------------


def test_a_sweep_on_a_full_disk_keeps_what_is_finished(folder):
    """SQLite is allowed so many pages and then says what it says of a full disk; with more it goes on."""
    plan, path = read_plan(folder / "site" / "sweep.toml"), folder / "cases.sqlite"
    with road.open_store(plan, path) as store, threads() as pool:
        store._file.execute("pragma max_page_count = 14")
        with pytest.raises(
            OptimiserError, match=r"cases\.sqlite cannot be used: database or disk is full\. What"
        ):
            road.work_out(plan, store, pool, model=found)
        with pytest.raises(OptimiserError, match="is full"):
            store.keep_start(start(400_000))
    with road.open_store(plan, path) as store, threads() as pool:
        left = len(road.missing(plan, store))
        assert 0 < left < len(plan.cases)
        road.work_out(plan, store, pool, model=found)
        assert [] == road.missing(plan, store)


def test_a_fleet_on_a_full_disk_keeps_what_is_solved(folder, monkeypatch):
    """The third site's answer finds no room."""
    written, true = [], fleets.write_one

    def some(path, write):
        if len(written) == 2:
            raise OSError(28, "No space left on device")
        written.append(path)
        true(path, write)

    fleet = read_fleet(folder / "fleet.toml")
    monkeypatch.setattr(fleets, "write_one", some)
    with (
        ThreadPoolExecutor(1) as executor,
        pytest.raises(
            OptimiserError, match=r"sites cannot be written to: No space left on device\. Sites that are"
        ),
    ):
        solve_fleet(fleet, folder / "out", executor=executor)
    assert 2 == len(list((folder / "out" / "sites").glob("*.parquet")))


# Stores -----------------------------------------------------------------------------------------


def test_a_refused_record_does_not_block_its_correction(folder):
    """Nothing was worked out by the first, so nothing can be mixed; once there are results, they are not."""
    sweep, path = folder / "site" / "sweep.toml", folder / "cases.sqlite"
    with ThreadPoolExecutor(1) as executor:
        sweep.write_text(SWEEP.replace("headline.ceiling_saving", "headline.savings"), encoding="utf-8")
        with pytest.raises(ScenarioError, match="there is no savings in headline"):
            road.sweep(sweep, executor=executor, store=path)
        sweep.write_text(SWEEP.replace("steps = 12", "steps = 2"), encoding="utf-8")
        assert 3 == len(road.sweep(sweep, executor=executor, store=path))
        sweep.write_text(SWEEP.replace("headline.ceiling_saving", "headline.ceiling_npv"), encoding="utf-8")
        with pytest.raises(OptimiserError, match="record changed since"):
            road.sweep(sweep, executor=executor, store=path)


def test_a_start_is_kept_exactly(folder):
    """Every status of every column and row."""
    plan, kept = read_plan(folder / "site" / "sweep.toml"), start(1000)
    with road.open_store(plan, folder / "cases.sqlite") as store:
        assert store.start() is None
        store.keep_start(kept)
    with road.open_store(plan, folder / "cases.sqlite") as store:
        again = store.start()
    assert np.array_equal(kept.basis.columns, again.basis.columns)
    assert np.array_equal(kept.basis.rows, again.basis.rows)
    assert np.int8 == again.basis.rows.dtype


def everything(store) -> tuple:
    """All that a sweep reads of its file."""
    return store.start(), list(store.outcomes()), store.settled("chains", 2)


class Mischief:
    """What runs when it is unpickled."""

    def __reduce__(self):
        return (os.mkdir, ("ran",))


def packed(**arrays) -> bytes:
    """Arrays as NumPy packs them."""
    file = io.BytesIO()
    np.savez(file, **arrays)
    return file.getvalue()


@pytest.mark.parametrize(
    ("statement", "value"),
    [
        ("update start set basis = ?", b"nothing of the kind"),
        ("update start set basis = ?", pickle.dumps(Mischief())),
        ("update start set basis = ?", packed(columns=np.array([Mischief()]), rows=np.zeros(3, np.int8))),
        ("update start set basis = ?", packed(columns=np.full(3, 9, np.int8), rows=np.zeros(3, np.int8))),
        ("update start set basis = ?", packed(columns=np.zeros(3, np.int8))),
        ("update start set basis = ?", "text"),
        ("update cases set results = ?", "{"),
        ("update cases set results = ?", "[1]"),
        ("update cases set seconds = ?", "soon"),
        ("update about set value = ? where name = 'chains'", "two"),
    ],
)
@pytest.mark.parametrize("forged", [False, True])
def test_a_damaged_store_is_one_sentence_and_runs_nothing(folder, monkeypatch, statement, value, forged):
    """Bytes cut, text for a number, pickles in a file that people share, with and without a checksum that fits them."""
    monkeypatch.chdir(folder)
    plan = read_plan(folder / "site" / "sweep.toml")
    with road.open_store(plan, Path("cases.sqlite")) as store:
        store.keep_start(start(10))
        store.settled("chains", 2)
        store.keep(CaseOutcome(plan.as_it_is.key, "done", "", 1.0, {"headline.ceiling_saving": 1.0}))
    with contextlib.closing(sqlite3.connect("cases.sqlite")) as connection, connection:
        assert 1 == connection.execute(statement, (value,)).rowcount
        if forged:
            forge(connection)
    with (
        pytest.raises(OptimiserError, match=r"cases\.sqlite is no whole file of a sweep: .* Move it away"),
        road.open_store(plan, Path("cases.sqlite")) as store,
    ):
        everything(store)
    assert not Path("ran").exists()


def forge(connection) -> None:
    """Give every row the checksum that fits it, as who writes the file on purpose would."""
    for table, wanted in (("about", "name, value"), ("start", "basis"), ("cases", None)):
        names = wanted or "key, status, message, seconds, results"
        for number, *row in connection.execute(f"select rowid, {names} from {table}").fetchall():
            fitting = stores._checksum(*row)
            connection.execute(f"update {table} set checksum = ? where rowid = ?", (fitting, number))


def test_one_flipped_bit_never_makes_another_number(folder):
    """Of 300 flips anywhere in the file each is told of, or costs a case that is worked out again, or changes nothing.

    Flips are drawn evenly over the file with a fixed seed; the figures are drawn too.
    """
    plan, path = read_plan(folder / "site" / "sweep.toml"), folder / "cases.sqlite"
    rng = np.random.default_rng(7)
    kept = {
        f"{n:064x}": CaseOutcome(
            f"{n:064x}", "done", "", float(rng.random()), {"headline.saving": float(rng.random())}
        )
        for n in range(60)
    }
    with road.open_store(plan, path) as store:
        store.keep_start(start(200))
        store.settled("chains", 2)
        for outcome in kept.values():
            store.keep(outcome)
        statuses = store.start().basis.columns.copy()
    whole, told = path.read_bytes(), 0
    for place in rng.integers(0, 8 * len(whole), 300):
        damaged = bytearray(whole)
        damaged[place // 8] ^= 1 << (place % 8)
        for left in folder.glob("cases.sqlite*"):
            left.unlink()
        path.write_bytes(damaged)
        try:
            with road.open_store(plan, path) as store:
                found, first, chains = list(store.outcomes()), store.start(), store.settled("chains", 2)
        except OptimiserError:
            told += 1
            continue
        assert all(kept[outcome.key] == outcome for outcome in found), place
        assert first is None or np.array_equal(statuses, first.basis.columns), place
        assert chains == 2, place
    assert 50 < told < 300


# Lost processes and interruptions ---------------------------------------------------------------


def children(pid: int) -> list[int]:
    """Processes that a process has started."""
    listed = subprocess.run(["pgrep", "-P", str(pid), "-f", "spawn_main"], capture_output=True, text=True)
    return [int(word) for word in listed.stdout.split()]


def started(folder: Path, *words: str) -> subprocess.Popen:
    """A command in a session of its own, as soon as it has a worker process."""
    child = subprocess.Popen(
        [*COMMAND, *words, "--out", str(folder / "out"), "--workers", "2"],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # A shell's background job ignores Ctrl-C, and so would what it starts.
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL) if os.name != "nt" else None,
    )
    deadline = time.monotonic() + 60
    while not children(child.pid) and child.poll() is None and time.monotonic() < deadline:
        time.sleep(0.01)
    return child


on_unix = pytest.mark.skipif(os.name == "nt", reason="signals to groups of processes")


@on_unix
def test_a_fleet_survives_the_loss_of_a_worker(folder):
    """kill -9 of one: its sites are solved again."""
    child = started(folder, "fleet", "fleet.toml")
    lines = []
    for line in child.stderr:
        lines.append(line)
        if "1 of 8 sites" in line:
            os.kill(children(child.pid)[0], signal.SIGKILL)
            break
    _, told = child.communicate(timeout=120)
    assert (0, True, False) == (child.returncode, "8 of 8 sites" in told, "Traceback" in told), told


@on_unix
@pytest.mark.parametrize(
    "words", [("fleet", "fleet.toml"), ("sweep", "site/sweep.toml")], ids=lambda words: words[0]
)
def test_an_interruption_in_the_first_seconds_is_one_sentence(folder, words):
    """Ctrl-C goes to the whole group while workers are still importing: nothing of theirs is printed."""
    child = started(folder, *words)
    time.sleep(0.3)
    os.killpg(child.pid, signal.SIGINT)
    _, told = child.communicate(timeout=120)
    assert 130 == child.returncode, told
    assert told.endswith("Stopped. No file was left half written.\n")
    assert not [word for word in ("Traceback", "KeyboardInterrupt", "leaked") if word in told], told


# Faults of a file, all at once ------------------------------------------------------------------


def test_every_fault_of_a_fleet_at_once(folder):
    """A key that is wrong hides nothing that the others tell, nor does a site that cannot be read."""
    (folder / "fleet.toml").write_text(
        """
title = "Faults (invented)"
[[site]]
scenario = "nowhere"
count = 0
spread = { "storage.0.units" = [3, 1] }
[[site]]
scenario = 3
[[site]]
scenario = "site"
name = "a"
[[site]]
scenario = "site"
name = "a"
change = { "timeline.days" = 3 }
[[site]]
scenario = "site"
name = "b"
count = 2
change = { "service.0.sustain_hours" = 1.0 }
[[site]]
scenario = "site"
name = "b 2"
""",
        encoding="utf-8",
    )
    with pytest.raises(ScenarioError) as caught:
        read_fleet(folder / "fleet.toml")
    assert [fault.replace(str(folder), "").split(". ")[0] for fault in caught.value.faults] == [
        "site.0.count must be above 0, got 0.",
        "site.1.scenario must be text in quotes, got 3.",
        "site.0.spread of storage.0.units must be two numbers, the lower first, got [3, 1], and none beyond 1e+12",
        "site.0: /nowhere: the file does not exist",
        "site.3.name is 'a', which is taken by site.2",
        "site.3 has another timeline than site.2",
        "site.4 sells upward reserve by other rules than site.2",
        "site.5.name is 'b 2', which is taken by site.4",
    ]


def test_every_fault_of_a_sweeps_levels_at_once(folder):
    """Missing files of one factor, and of the next a level that names a missing source file."""
    sweep = folder / "site" / "sweep.toml"
    sweep.write_text(
        SWEEP.split("[[factor]]")[0]
        + """
[[factor]]
name = "contract"
path = "tariff"
files = ["flat.toml", "peaky.toml"]

[[factor]]
name = "year"
[[factor.choice]]
label = "windy"
set = { "source.site.file" = "windy.csv" }
[[factor.choice]]
label = "large"
set = { "storage.0.unit_kwh" = 20.0 }
""",
        encoding="utf-8",
    )
    with pytest.raises(ScenarioError) as caught:
        read_plan(sweep)
    assert [fault.replace(str(folder), "") for fault in caught.value.faults] == [
        'factor.0 (contract): use = "flat.toml" names a file that does not exist. Check the path.',
        'factor.0 (contract): use = "peaky.toml" names a file that does not exist. Check the path.',
        "factor.1 (year): windy is refused: source.site: /site/windy.csv: the file does not exist. "
        "Check source.site.file.",
    ]


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (
            '{ kind = "grid", cases = 3 }',
            'design.cases is not known here; remove it: kind = "grid" takes no other',
        ),
        ('{ kind = "sobol", base_cases = 8, x = 1 }', 'remove it: kind = "sobol" takes base_cases, seed.'),
        ('{ kind = "morris", paths = 8, level = 4 }', "design.level is not known here; did you mean levels?"),
    ],
)
def test_keys_of_a_design_are_those_of_its_kind(folder, design, words):
    """What another kind takes is no help."""
    sweep = folder / "site" / "sweep.toml"
    sweep.write_text(SWEEP.replace('{ kind = "grid" }', design), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_plan(sweep)
    assert words in str(caught.value)


# Answers that are not proven --------------------------------------------------------------------


def test_a_fleets_unproven_answers_are_named(folder, monkeypatch):
    """One in which 2 % and one in which 0.4 % are left, as a solve cut short leaves: labelled, widest first, exit 5."""
    true, left = fleets.solve, {2.0: 0.02, 1.0: 0.004}

    def cut_short(scenario):
        solved, gap = true(scenario), left.get(scenario.file.site.load[0].scale)
        if gap is None:
            return solved
        proof = dataclasses.replace(
            solved.proof, gap_relative=gap, verdict=f"best found, within {100 * gap:.2g} %"
        )
        return dataclasses.replace(solved, proof=proof)

    more = "".join(
        f'\n[[site]]\nscenario = "site"\nname = "x{scale}"\nchange = {{ "site.load.0.scale" = {scale} }}\n'
        for scale in left
    )
    (folder / "fleet.toml").write_text(FLEET.replace("count = 8", "count = 2") + more, encoding="utf-8")
    monkeypatch.setattr(fleets, "solve", cut_short)
    with threads() as pool:
        monkeypatch.setattr(fleets, "LocalProcesses", lambda workers: pool)
        made = CliRunner().invoke(main, ["fleet", str(folder / "fleet.toml"), "--out", str(folder / "out")])
    assert 5 == made.exit_code, made.output
    assert "warning: best found, within 2 %: x2.0, x1.0\n" in made.stderr
    summary = json.loads((folder / "out" / "fleet.json").read_text(encoding="utf-8"))
    assert "best found, within 2 %" == summary["verdict"]
    assert {"x2.0": "best found, within 2 %", "x1.0": "best found, within 0.4 %"} == summary["unproven"]
    sites = pd.read_csv(folder / "out" / "fleet-sites.csv").set_index("site")["verdict"].to_dict()
    assert {"home 1": "optimal", "home 2": "optimal", **summary["unproven"]} == sites
    page = (folder / "out" / "fleet.html").read_text(encoding="utf-8")
    assert "2 of 4 sites are not proven within tolerance" in page
