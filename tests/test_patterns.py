"""Typical weeks and the worth of days add up to what the books and the dispatch table say."""

from __future__ import annotations

import numpy as np
import pytest

import optimiser
from optimiser.report import render
from optimiser.report.results import Results
from optimiser.starter import write_starter
from optimiser.studies.patterns import typical_weeks, worth_of_days


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The starter over two weeks that hold a change of clocks and of season."""
    folder = tmp_path_factory.mktemp("patterns") / "site"
    write_starter(folder)
    scenario = optimiser.read_scenario(folder)
    return optimiser.run(optimiser.vary(scenario, {"timeline.days": 7}))


def test_days_add_up_to_the_lines_of_single_steps(made):
    """The sum of all days is the saving by lines that are charged step by step; the starter's supply charge cancels."""
    days = worth_of_days(made.statement)
    assert days["saved"].sum() == pytest.approx(made.statement.saving, abs=1e-6)
    assert np.allclose(days["saved"], days.drop(columns=["day", "saved"]).sum(axis=1))
    assert 7 == len(days)


def test_weeks_hold_the_energy_of_the_run(made):
    """A run of one week is its own typical week: hourly means are its hourly energy."""
    weeks = typical_weeks(made.statement)
    assert 168 == len(weeks)
    assert weeks["import_kw"].sum() == pytest.approx(made.summary.energy_kwh["import"], abs=1e-6)
    assert weeks["solar_kw"].sum() == pytest.approx(made.summary.energy_kwh["solar used"], abs=1e-6)
    assert ["Monday", "Sunday"] == [weeks["day"].iloc[0], weeks["day"].iloc[-1]]


def test_page_shows_weeks_and_days(made):
    """The section is drawn from the study's tables, and left out without them."""
    tables = {
        f"{study}-{name}": table for study, own in made.studies.items() for name, table in own.tables.items()
    }
    page = render(Results(made.summary, made.dispatch_table, made.statement.table, tables))
    assert "A typical week" in page
    assert "Best days" in page
    assert "A mean week of 2\u00a0June\u00a02025 to 8\u00a0June\u00a02025" in page  # and not "June to August"
    found = made.summary.studies["patterns"]
    assert {"June to August": [["2025-06-02", "2025-06-08"]]} == found["covered"]
    assert (1, 1) == (len(found["best_days"]), len(found["worst_days"]))  # a quarter of the days at most
    without = {name: table for name, table in tables.items() if not name.startswith("patterns-")}
    assert "A typical week" not in render(
        Results(made.summary, made.dispatch_table, made.statement.table, without)
    )
