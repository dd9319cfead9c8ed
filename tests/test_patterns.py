"""Typical weeks and the worth of days add up to what the books and the dispatch table say."""

from __future__ import annotations

import numpy as np
import pytest

import optimiser
from optimiser.report import render
from optimiser.report.results import Results
from optimiser.starter import write_starter
from optimiser.studies.patterns import typical_weeks, worth_of_days
from optimiser.studies.without_foresight import paid_for


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
    """A run of one week is its own typical week: hourly means are the hourly energy of the schedule paid for."""
    paid = paid_for(made.statement, made.studies["without_foresight"])
    assert paid is not made.statement
    weeks = typical_weeks(paid)
    assert 168 == len(weeks)
    assert weeks.equals(made.studies["patterns"].tables["weeks"])
    assert weeks["import_kw"].sum() == pytest.approx(made.summary.energy_kwh["import"], abs=1e-6)
    assert weeks["solar_kw"].sum() == pytest.approx(made.summary.energy_kwh["solar used"], abs=1e-6)
    assert ["Monday", "Sunday"] == [weeks["day"].iloc[0], weeks["day"].iloc[-1]]


def test_the_page_shows_the_schedule_that_is_paid_for(made):
    """Energy, cycles and steps are of the headline's run; the ceiling's stored energy stands beside, and is named."""
    paid = paid_for(made.statement, made.studies["without_foresight"])
    assert made.summary.energy_kwh == paid.energy_kwh
    hours = made.scenario.timeline.step_hours
    assert made.paid_table["meter.import_kw"].sum() * hours == pytest.approx(paid.energy_kwh["import"])
    assert made.paid_table["ceiling.stored_kwh"].equals(made.dispatch_table["site.stored_kwh"])
    page = render(Results(made.summary, made.paid_table, made.statement.table, {}))
    assert "the schedule that the payback rests on" in page
    assert "Stored at the ceiling" in page


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
