"""Studies: chosen by name, worked out beside the run, written with it."""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest
from click.testing import CliRunner

import optimiser
from optimiser.cli import main
from optimiser.errors import OptimiserError
from optimiser.starter import write_starter
from optimiser.studies import catalogue as studies
from optimiser.studies.catalogue import Entry
from optimiser.study import Study


@pytest.fixture
def two(monkeypatch):
    """A usual study and one that waits to be asked for; the second has nothing to say."""
    table = pd.DataFrame({"month": ["June"], "kwh": [1.5]})
    made = Study({"kwh": 1.5}, {"months": table}, ("Little came of it.",))
    listed = {
        "sums": Entry(lambda statement, say: made, usual=True),
        "more": Entry(lambda statement, say: None),
    }
    monkeypatch.setattr(studies, "STUDIES", listed)


def test_a_study_of_an_earlier_name_is_pointed_to_by_its_present_one():
    """The project's own contract: a fault for an old name tells the new one."""
    for old, new in (
        ("capture", "without_foresight"),
        ("ride_through", "outages"),
        ("programme", "timetable"),
    ):
        with pytest.raises(OptimiserError, match=f"there is no study {old}. Did you mean {new}"):
            studies.chosen([old], ())


def test_the_usual_ones_are_chosen_and_others_when_named(two):
    """Names add and take away; "all" means every one; a slip is answered with what was meant."""
    assert ("sums",) == studies.chosen((), ())
    assert ("sums", "more") == studies.chosen(("more",), ()) == studies.chosen(("all",), ())
    assert ("more",) == studies.chosen(("more",), ("all",))
    assert () == studies.chosen((), ("sums",))
    with pytest.raises(OptimiserError, match=r"no study sum\. Did you mean sums\?"):
        studies.chosen(("sum",), ())


def test_a_study_is_in_the_summary_and_in_a_file(two, tmp_path):
    """Its figures stand under its name, its table in a file of its own, its warning on the first screen."""
    write_starter(tmp_path / "site")
    scenario = optimiser.read_scenario(tmp_path / "site")
    made = optimiser.run(optimiser.vary(scenario, {"timeline.days": 2}), studies=studies.chosen(("all",), ()))
    paths = optimiser.write_results(made, tmp_path / "out")
    summary = json.loads(paths["summary"].read_text(encoding="utf-8"))
    assert {"sums": {"kwh": 1.5}} == summary["studies"]
    assert "Little came of it." in summary["warnings"]
    assert "month,kwh\nJune,1.5\n" == (tmp_path / "out" / "sums-months.csv").read_text(encoding="utf-8")


def test_a_study_asked_for_by_name_that_does_not_arise_is_said(tmp_path):
    """One line with the reason and an exit of 0; not where "all" were asked for or it was left out again."""
    write_starter(tmp_path / "site")
    file = tmp_path / "site" / "scenario.toml"
    file.write_text(
        re.sub(r"(?m)^days = .*$", "days = 1", file.read_text(encoding="utf-8")), encoding="utf-8"
    )
    words = ["run", str(tmp_path / "site"), "--no-study", "all", "--study", "price_years", "--quiet"]
    ran = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "out")])
    assert 0 == ran.exit_code, ran.output
    said = (
        "the study price_years is left out: no price years ([[price_year]]) or no costs ([cost]) are given."
    )
    assert 1 == ran.output.count(said)
    assert [] == list(studies.not_arising(("all",), {}))
    assert [] == list(studies.not_arising(("life",), {"life": Study({})}))
