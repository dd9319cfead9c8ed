"""Files of a run are all new or all old."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from optimiser.writing import all_or_nothing


def writers(folder: Path, words: str):
    """Two files of these words."""
    return {folder / name: lambda path: path.write_text(words) for name in ("a.txt", "b.txt")}


def test_a_folder_in_the_way_leaves_all_as_it_was(tmp_path):
    """Seen before anything is moved."""
    (tmp_path / "a.txt").write_text("old")
    (tmp_path / "b.txt").mkdir()
    with pytest.raises(OSError, match=r"b\.txt in it is a folder"):
        all_or_nothing(writers(tmp_path, "new"))
    assert "old" == (tmp_path / "a.txt").read_text()
    assert ["a.txt", "b.txt"] == sorted(path.name for path in tmp_path.iterdir())


@pytest.mark.parametrize("before", ["old", None])
def test_a_move_that_fails_is_taken_back(tmp_path, monkeypatch, before):
    """The second move fails: the first file is the old one again, or gone where there was none."""
    if before:
        (tmp_path / "a.txt").write_text(before)
    true_replace = os.replace

    def fails(one, other):
        if Path(other).name == "b.txt":
            raise OSError(28, "No space left on device")
        true_replace(one, other)

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="No space"):
        all_or_nothing(writers(tmp_path, "new"))
    expected = {"a.txt": before} if before else {}
    assert expected == {path.name: path.read_text() for path in tmp_path.iterdir()}


def test_parts_of_a_dead_process_are_removed(tmp_path):
    """Those of the same files; of a process at work, or of another name, they stay."""
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    dead = f".{gone.pid}-"
    for name in (
        f"{dead}a.txt",
        f"{dead}{dead}a.txt",
        f"{dead}b.txt.was",
        f"{dead}mine",
        f".{os.getppid()}-a.txt",
    ):
        (tmp_path / name).write_text("part")
    all_or_nothing(writers(tmp_path, "new"))
    left = {f"{dead}mine", f".{os.getppid()}-a.txt", "a.txt", "b.txt"}
    assert left == {path.name for path in tmp_path.iterdir()}
