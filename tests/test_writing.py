"""Files of a run are all new or all old, whenever the process that writes them is stopped."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from optimiser import writing
from optimiser.errors import OptimiserError
from optimiser.writing import all_or_nothing, write_csv, write_files, write_one

NAMES = ("page.html", "steps.csv", "record.json")
MOVES = 12  # at least as many as one change of these files takes


def writers(folder: Path, words: str):
    """Two files of these words."""
    return {folder / name: lambda path: path.write_text(words) for name in ("a.txt", "b.txt")}


def run_of(folder: Path, words: str) -> None:
    """A page, a table and a record of one run, and with the words "old" a table that the next run does not have."""
    more = {folder / "study-x.csv": words} if words == "old" else {}
    files = {
        folder / "record.json": {"words": words},
        folder / "page.html": words,
        folder / "steps.csv": words,
    }
    write_files({**files, **more}, stale=["study-*.csv"])


def standing(folder: Path) -> dict[str, str]:
    """What a person sees in a folder, by name."""
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


def runs_in(folder: Path) -> set[str]:
    """Of which runs its files are."""
    found = standing(folder)
    return {json.loads(text)["words"] if name == "record.json" else text for name, text in found.items()}


KILLED = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from test_writing import run_of
moves, true = [0], os.replace
def counted(one, other):
    if moves[0] == {at}:
        os.kill(os.getpid(), signal.SIGKILL)
    moves[0] += 1
    true(one, other)
os.replace = counted
run_of(Path({folder!r}), "new")
"""


@pytest.mark.skipif(os.name == "nt", reason="needs signals")
def test_a_process_killed_at_any_move_never_leaves_two_runs(tmp_path):
    """Killed for good before each move in turn: the files are of one run, and all of it where its record is there.

    The next writer finds a folder as good as new. That a run is one, whole, is the contract's own word.
    """
    codes = []
    for at in range(MOVES):
        folder = tmp_path / str(at)
        run_of(folder, "old")
        code = KILLED.format(tests=str(Path(__file__).parent), at=at, folder=str(folder))
        ran = subprocess.run([sys.executable, "-c", code], check=False, timeout=120)
        codes.append(ran.returncode)
        assert len(runs_in(folder)) <= 1, at
        if (folder / "record.json").exists():
            record = json.loads((folder / "record.json").read_text())
            digests = {
                name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in record["files"]
            }
            assert record["files"] == digests
            assert set(record["files"]) == standing(folder).keys() - {"record.json"}
        # Another set of files in the same folder: what the dead process began is ended first.
        write_files({folder / "other.txt": "other"})
        found = standing(folder)
        assert "other" == found.pop("other.txt")
        assert found.keys() in ({*NAMES}, {*NAMES, "study-x.csv"})
        (folder / "other.txt").unlink()
        assert runs_in(folder) == {"old" if at == 0 or "study-x.csv" in found else "new"}
        assert not (folder / writing.STAGE).exists()
    assert codes[0] == -signal.SIGKILL
    assert codes[-1] == 0  # so every move has been met


@pytest.mark.parametrize("at", range(MOVES))
def test_a_move_that_fails_is_taken_back_wherever_it_is(tmp_path, monkeypatch, at):
    """Each move in turn fails once: the old run stands, whole, and nothing else is left in the folder."""
    run_of(tmp_path, "old")
    before, moves, true = standing(tmp_path), [0], os.replace

    def fails(one, other):
        moves[0] += 1
        if moves[0] == at + 1:
            raise OSError(28, "No space left on device")
        true(one, other)

    monkeypatch.setattr(os, "replace", fails)
    if at < MOVES - 3:
        with pytest.raises(OptimiserError, match="cannot be written to: No space left on device"):
            run_of(tmp_path, "new")
        assert before == standing(tmp_path)
    else:
        run_of(tmp_path, "new")
        assert {"new"} == runs_in(tmp_path)
    assert not (tmp_path / writing.STAGE).exists()


def test_a_record_says_which_run_it_is_and_what_belongs_to_it(tmp_path):
    """Two runs of the same figures are two; digests are those of the files (SHA-256, FIPS 180-4)."""
    runs = []
    for _ in range(2):
        write_files({tmp_path / "a.json": {"x": 1}, tmp_path / "b.txt": "words"})
        record = json.loads((tmp_path / "a.json").read_text())
        runs.append(record["run"])
        assert record["files"] == {"b.txt": hashlib.sha256(b"words").hexdigest()}
        assert record["x"] == 1
    assert runs[0] != runs[1]


@pytest.mark.skipif(os.name == "nt", reason="folders have no locks there")
def test_two_writers_take_turns(tmp_path, monkeypatch):
    """One that holds the folder too long is told of; one that ends lets the other in."""
    monkeypatch.setattr(writing, "LONGEST_WAIT_S", 0.1)
    with (
        writing._held(tmp_path),
        pytest.raises(OptimiserError, match="another command is writing to it"),
    ):
        write_files({tmp_path / "a.txt": "words"})
    began = time.monotonic()
    write_files({tmp_path / "a.txt": "words"})
    assert time.monotonic() - began < 60


def test_a_stage_that_someone_else_filled_moves_nothing_out_of_the_folder(tmp_path):
    """Names in it are names of this folder's files, never paths; one that is damaged is told of."""
    folder = tmp_path / "out"
    whole = folder / writing.STAGE / writing.WHOLE
    whole.mkdir(parents=True)
    (tmp_path / "mine.txt").write_text("mine")
    (whole / writing.ORDER).write_text(json.dumps({"names": [], "gone": ["../mine.txt"]}))
    write_files({folder / "a.txt": "words"})
    assert "mine" == (tmp_path / "mine.txt").read_text()
    whole.mkdir(parents=True)
    (whole / writing.ORDER).write_text("")
    with pytest.raises(
        OptimiserError, match=r"the folder \.writing in it is damaged and must be removed first"
    ):
        write_files({folder / "a.txt": "words"})


def test_a_folder_in_the_way_leaves_all_as_it_was(tmp_path):
    """Seen before anything is moved."""
    (tmp_path / "a.txt").write_text("old")
    (tmp_path / "b.txt").mkdir()
    with pytest.raises(OSError, match=r"b\.txt in it is a folder"):
        all_or_nothing(writers(tmp_path, "new"))
    assert "old" == (tmp_path / "a.txt").read_text()
    assert ["a.txt", "b.txt"] == sorted(path.name for path in tmp_path.iterdir())


def test_parts_of_a_dead_process_are_removed(tmp_path):
    """Those of the same file; of a process at work, or of another name, they stay."""
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    dead = f".{gone.pid}-"
    for name in (f"{dead}a.txt", f"{dead}mine", f".{os.getppid()}-a.txt"):
        (tmp_path / name).write_text("part")
    write_one(tmp_path / "a.txt", lambda path: path.write_text("new"))
    left = {f"{dead}mine", f".{os.getppid()}-a.txt", "a.txt"}
    assert left == {path.name for path in tmp_path.iterdir()}


def test_text_that_a_spreadsheet_takes_for_a_formula_is_made_plain(tmp_path):
    """Signs of OWASP, "CSV Injection": = + - @, tab, carriage return; numbers stay numbers, in cells and headings."""
    signs = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "\uff1d1"]
    plain = ["bakery", "-5", "+3.2e-5", "a=b", "2025-01-01T00:00:00+01:00", ""]
    frame = pd.DataFrame({"=head()": [*signs, *plain], "amount": [-1.5] * 15})
    write_files({tmp_path / "t.csv": frame})
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["'=head()", "amount"]
    assert [row[0] for row in rows[1:]] == ["'" + text.replace("\r", "\n") for text in signs] + plain
    assert {row[1] for row in rows[1:]} == {"-1.5"}
    assert "=head()" == frame.columns[0]  # the table itself stays as it was
    assert write_csv(pd.DataFrame({"a": [None, "=x"]})) == 'a\n""\n\'=x\n'
