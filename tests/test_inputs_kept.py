"""Results never take the place of what they were made from."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

import optimiser
from optimiser.cli import main
from optimiser.errors import OptimiserError
from optimiser.starter import write_starter

HOME = Path(__file__).resolve().parents[1] / "scenarios" / "single-phase-home"


def short(folder: Path) -> Path:
    """The shipped home, two days of it."""
    shutil.copytree(HOME, folder)
    file = folder / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("days = 365", "days = 2"), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    "words",
    [
        ("run", "."),
        ("sweep", "sweep.toml"),
        ("compare", "variants.toml"),
        ("size", ".", "--choices", "sizes.toml"),
        ("timetable", "."),
        ("plan", ".", "--forecast", "site.parquet", "--stored", "50"),
        ("lookback", ".", "--log", "site.parquet"),
    ],
)
def test_results_are_not_put_among_inputs(words, tmp_path, monkeypatch):
    """One sentence and an exit of 2 before the work; nothing is written."""
    monkeypatch.chdir(short(tmp_path / "home"))
    before = {path.name: path.read_bytes() for path in Path().iterdir()}
    ran = CliRunner().invoke(main, [*words, "--out", "."])
    assert ran.exit_code == 2, ran.output
    assert "results could be written over it. Choose another folder with --out." in ran.output
    assert {path.name: path.read_bytes() for path in Path().iterdir()} == before


def test_data_of_the_scenario_in_the_folder_of_results_is_not_written_over(tmp_path):
    """A series named like a table of results, in a folder that is not the scenario's own."""
    write_starter(tmp_path / "site")
    scenario = tmp_path / "site" / "scenario.toml"
    text = scenario.read_text(encoding="utf-8")
    (tmp_path / "site" / "out").mkdir()
    name = next(path.name for path in (tmp_path / "site").glob("*.csv"))
    shutil.move(tmp_path / "site" / name, tmp_path / "site" / "out" / "dispatch.csv")
    scenario.write_text(text.replace(f'"{name}"', '"out/dispatch.csv"'), encoding="utf-8")
    data = (tmp_path / "site" / "out" / "dispatch.csv").read_bytes()
    made = optimiser.run(optimiser.vary(optimiser.read_scenario(scenario), {"timeline.days": 1}), studies=())
    with pytest.raises(OptimiserError, match=r"dispatch.csv is data of the scenario and is not written over"):
        optimiser.write_results(made, tmp_path / "site" / "out")
    assert (tmp_path / "site" / "out" / "dispatch.csv").read_bytes() == data
