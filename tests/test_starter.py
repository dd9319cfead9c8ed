"""The examples that `start` writes: listed, commented, invented, and each works with the starter beside it."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

import optimiser
from optimiser.accounts.rates import draw
from optimiser.batch.compare import compare, read_plan
from optimiser.batch.fleet.file import read_fleet
from optimiser.batch.fleet.solving import solve_fleet
from optimiser.batch.sizing.file import read_choices
from optimiser.batch.sizing.sizes import find_sizes
from optimiser.batch.sweep.plan import read_plan as read_sweep
from optimiser.cli import main
from optimiser.guide import page
from optimiser.making.recipe import example
from optimiser.scenario.contract import read_tariff
from optimiser.scenario.read import read_scenario
from optimiser.starter import EXAMPLES


def start(*words: str | Path):
    """The command with these words."""
    return CliRunner().invoke(main, ["start", *map(str, words)])


def site(folder: Path, phases: str, *names: str) -> Path:
    """A day of a starter with examples beside it."""
    words = [word for name in names for word in ("--example", name)]
    assert 0 == start(folder, "--phases", phases, *words).exit_code
    path = folder / "scenario.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("days = 7 ", "days = 1 "), encoding="utf-8")
    return folder


def test_each_is_listed_with_its_line():
    """Also in the guide's page; a line fits a terminal."""
    lines = start("--list").stdout.splitlines()
    for name, one in EXAMPLES.items():
        (line,) = [line for line in lines if line.split()[:1] == [name]]
        assert line.endswith(one.words)
        assert len(line) <= 100
        assert name in page("start")


def test_a_new_folder_gets_the_scenario_too_and_nothing_is_written_over(tmp_path):
    """Examples into a new folder, then beside the scenario that is there, then refused, all reasons at once."""
    folder = tmp_path / "my site"
    made = start(folder, "--example", "variants")
    assert 0 == made.exit_code
    assert f"optimiser compare '{folder}'/variants.toml" in made.stdout
    assert (folder / "scenario.toml").is_file()
    (folder / "scenario.toml").write_text("mine", encoding="utf-8")
    assert 0 == start(folder, "--example", "sweep").exit_code
    assert "mine" == (folder / "scenario.toml").read_text(encoding="utf-8")
    (folder / "variants.toml").unlink()
    refused = start(folder, "--example", "variants", "--example", "swep", "--example", "sweep")
    assert 2 == refused.exit_code
    assert [
        "swep is no example. Did you mean sweep?",
        f"{folder / 'flat-tariff.toml'} exists and is not written over.",
        f"{folder / 'sweep.toml'} exists and is not written over.",
    ] == refused.stderr.splitlines()
    assert not (folder / "variants.toml").exists()


def test_a_folder_of_something_else_and_no_folder_are_refused(tmp_path):
    """Examples go with a scenario."""
    (tmp_path / "other").mkdir()
    refused = start(tmp_path / "other", "--example", "sizes")
    assert (2, []) == (refused.exit_code, list((tmp_path / "other").iterdir()))
    assert "holds no scenario.toml" in refused.stderr
    assert "Name a folder" in start().stderr
    assert "The examples are tariff, sun" in start(tmp_path / "other", "--example", "qqq").stderr


@pytest.mark.parametrize("name", EXAMPLES)
def test_each_says_what_it_is_for(name):
    """A comment at its head with the command that uses it; figures of our own invention say so."""
    one = EXAMPLES[name]
    head = one.texts()[one.files[0]].split("\n\n")[0]
    assert head.startswith("# ")
    if one.recipe:  # twelve totals or a place to be changed: `tests/test_loads.py` reads each recipe
        assert example(one.recipe) == one.texts()[one.files[0]]
        return
    assert f"{one.command.split(' FOLDER')[0]} " in head
    assert all("invented" in text for text in one.texts().values())
    assert re.findall("optimiser guide ([a-z]+)", head)


def test_the_sweep_works(tmp_path):
    """Every case of a day."""
    folder = site(tmp_path / "site", "1", "sweep")
    with ThreadPoolExecutor(1) as threads:
        table = optimiser.sweep(folder / "sweep.toml", store=tmp_path / "kept.sqlite", executor=threads)
    assert {"done"} == set(table["status"])
    assert 13 == len(table)  # twelve, and the scenario as it is


def test_the_sizes_work(tmp_path):
    """The best of nine, proven."""
    folder = site(tmp_path / "site", "1", "sizes")
    scenario = read_scenario(folder)
    made = find_sizes(scenario, read_choices(folder / "sizes.toml", scenario), share=0.8)
    assert "best" == made.summary.best.verdict


def test_the_variants_work(tmp_path):
    """All three."""
    folder = site(tmp_path / "site", "1", "variants")
    made = compare(read_plan([folder / "variants.toml"]))
    assert ["as it is", "two batteries", "flat contract"] == [row.variant for row in made.summary.variants]


def test_the_fleet_works(tmp_path):
    """Every site has an answer, and bids are whole."""
    folder = site(tmp_path / "site", "1", "fleet")
    with ThreadPoolExecutor(1) as threads:
        made = solve_fleet(read_fleet(folder / "fleet.toml"), tmp_path / "out", executor=threads)
    assert (10, {}) == (made.summary.sites, made.summary.failed)
    assert (made.bids.filter(like="bid").to_numpy() % 1 == 0).all()


def test_all_go_with_three_phases_too(tmp_path):
    """Their paths are there in the other starter, and what they make of it is a scenario."""
    folder = site(tmp_path / "site", "3", "sweep", "sizes", "variants", "fleet")
    assert 12 == len(read_sweep(folder / "sweep.toml").cases)
    assert 2 == len(read_choices(folder / "sizes.toml", read_scenario(folder)).choice)
    assert 3 == len(read_plan([folder / "variants.toml"]).variants)
    assert 10 == len(read_fleet(folder / "fleet.toml").members)


def test_the_tariff_works(tmp_path):
    """Drawn by itself, and in the scenario in place of its own."""
    folder = site(tmp_path / "site", "1", "tariff")
    contract = read_tariff(folder / "my-tariff.toml")
    assert "EUR" == contract.currency
    assert 2 == len(draw(contract, 2025).layers[0].seasons)
    path = folder / "scenario.toml"
    text = path.read_text(encoding="utf-8")
    begin, end = text.index("[tariff]"), text.index("# --- Ancillary services")
    path.write_text(text[:begin] + '[tariff]\nuse = "my-tariff.toml"\n' + text[end:], encoding="utf-8")
    used = read_scenario(folder)
    assert "Two seasons and demand (invented)" == used.tariff.name
    made = optimiser.run(used, studies=[])
    assert isinstance(made.statement.table, pd.DataFrame)
    assert "Demand" in set(made.statement.table["line"])
