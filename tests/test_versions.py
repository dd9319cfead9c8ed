"""What results depend on beside their data: results of other code or libraries are never mixed with them.

That a kept result is of the code that made it is the contract's own word; digests are SHA-256 (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
import re
import shutil
import subprocess
import sys
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import optimiser
from optimiser import versions
from optimiser.batch.fleet import answers
from optimiser.batch.fleet import solving as fleets
from optimiser.batch.fleet.file import read_fleet
from optimiser.batch.fleet.solving import solve_fleet
from optimiser.batch.sweep import plan as plans
from optimiser.batch.sweep import sweep as road
from optimiser.errors import OptimiserError
from optimiser.starter import write_starter

PACKAGE = Path(optimiser.__file__).parent
SWEEP = """
title = "Sizes (invented)"
scenario = "."
record = ["headline.ceiling_saving"]
design = { kind = "grid" }

[[factor]]
name = "battery"
path = "storage.0.unit_kwh"
values = [5.0, 8.0]
"""
FLEET = """
title = "Two (invented)"

[[site]]
scenario = "site"
count = 2
spread = { "storage.0.unit_kwh" = [5.0, 8.0] }
"""


@pytest.fixture
def folder(tmp_path):
    """A day of the starter, a sweep of it and a fleet."""
    write_starter(tmp_path / "site")
    file = tmp_path / "site" / "scenario.toml"
    file.write_text(re.sub(r"days = \\d+", "days = 1", file.read_text(encoding="utf-8")), encoding="utf-8")
    (tmp_path / "site" / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    return tmp_path


def digest_in(folder: Path) -> str:
    """The digest that a copy of the package gives of itself."""
    code = "from optimiser.versions import code_sha256; print(code_sha256())"
    env = os.environ | {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    ran = subprocess.run([sys.executable, "-c", code], env=env, cwd=folder, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return ran.stdout.strip()


@pytest.mark.parametrize(
    "name", ["storage.py", "services/__init__.py", "engine/proof.py", "report/style.css"]
)
def test_a_changed_file_is_another_code(tmp_path, name):
    """One more line in any file, or a file more, is told; caches and hidden files are not."""
    shutil.copytree(PACKAGE, tmp_path / "optimiser", ignore=shutil.ignore_patterns("__pycache__"))
    before = digest_in(tmp_path)
    assert before == versions.code_sha256()
    (tmp_path / "optimiser" / ".notes").write_text("mine")
    (tmp_path / "optimiser" / "__pycache__").mkdir()
    (tmp_path / "optimiser" / "__pycache__" / "storage.nbi").write_bytes(b"x")
    assert before == digest_in(tmp_path)
    with (tmp_path / "optimiser" / name).open("a", encoding="utf-8") as file:
        file.write("\n")
    assert before != digest_in(tmp_path)


def test_the_version_has_one_source():
    """The module says it; the project's file takes it from there."""
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    assert "version" in project["project"]["dynamic"]
    assert "version" not in project["project"]
    assert "optimiser/__init__.py" == project["tool"]["hatch"]["version"]["path"]
    assert optimiser.__version__ == versions.versions()["optimiser"]


DRAWING = {
    "plotly",
    "jinja2",
    "click",
    "rich",
    "openpyxl",
}  # pages, commands and cells: no figure goes through them


def test_libraries_are_those_that_are_installed():
    """The solver and what the figures go through, as the environment has them; none that is required is forgotten."""
    found = versions.versions()
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    required = {re.split(r"[<>=~ ]", words, maxsplit=1)[0] for words in project["dependencies"]}
    assert required - DRAWING == set(versions.LIBRARIES)
    for name in ("highspy", "pyomo", "numpy", "scipy", "pandas"):
        assert importlib.metadata.version(name) == found[name]


@pytest.mark.parametrize("what", ["code", "highspy", "numpy"])
def test_a_sweep_of_other_code_or_libraries_is_not_gone_on_with(folder, monkeypatch, what):
    """Same file, same data, same version: refused, and what changed is named."""
    with ThreadPoolExecutor(1) as executor:
        road.sweep(folder / "site" / "sweep.toml", executor=executor, store=folder / "cases.sqlite")
        other = versions.versions() | {what: hashlib.sha256(b"other").hexdigest()}
        monkeypatch.setattr(plans, "versions", lambda: other)
        with pytest.raises(OptimiserError, match=rf"holds results of another sweep: {what} changed since"):
            road.sweep(folder / "site" / "sweep.toml", executor=executor, store=folder / "cases.sqlite")


@pytest.mark.parametrize("what", ["code", "highspy", "numpy"])
def test_a_fleet_of_other_code_or_libraries_is_solved_again(folder, monkeypatch, what):
    """Every site, once more; with the same of all, none."""
    fleet, calls, true_solve = read_fleet(folder / "fleet.toml"), [], fleets.solve
    monkeypatch.setattr(fleets, "solve", lambda scenario: calls.append(1) or true_solve(scenario))
    with ThreadPoolExecutor(1) as executor:
        counts = []
        for other in ({}, {}, {what: "another"}):
            found = versions.versions() | other
            monkeypatch.setattr(answers, "versions", lambda found=found: found)
            solve_fleet(fleet, folder / "out", executor=executor)
            counts.append(len(calls))
    assert [2, 2, 4] == counts
