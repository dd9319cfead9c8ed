"""The plan of a day: the schedule of its forecast, with reasons that fit the prices, and faults that are named."""

from __future__ import annotations

import pandas as pd
import pytest
from click.testing import CliRunner

import optimiser
from optimiser.cli import main
from optimiser.day_plan import forecast_scenario, plan_day, read_forecast, write_plan
from optimiser.errors import ScenarioError, SeriesError
from optimiser.report.day_plan import heading, moment
from optimiser.starter import write_starter


@pytest.fixture
def site(tmp_path):
    """The starter, which has a battery of one unit and a spot price for export."""
    write_starter(tmp_path / "site")
    return optimiser.read_scenario(tmp_path / "site")


def forecast(site, tmp_path, hours=36, begin="2025-06-03T09:00Z"):
    """What the starter's own series say of some hours, as a file of the user's."""
    frame = pd.DataFrame(dict(site.columns), index=site.timeline.starts)
    part = frame.loc[begin:].iloc[: hours * 60 // site.timeline.step_minutes]
    path = tmp_path / "forecast.csv"
    part.rename_axis("interval_start").to_csv(path)
    return path


def test_a_plan_is_the_best_schedule_of_its_forecast(site, tmp_path):
    """Beginning with what is stored now, at any hour."""
    table = read_forecast(forecast(site, tmp_path), site)
    made = plan_day(site, table, 0.6)
    begun, steps = forecast_scenario(site, table, 0.6)
    alone = optimiser.solve(begun)
    assert made.steps["import_kw"].to_numpy() == pytest.approx(alone.flows.meter.import_kw[:steps], abs=1e-6)
    assert len(made.steps) == steps == 36 * 60 // site.timeline.step_minutes
    bank = site.storage[0]
    kept = begun.timeline.steps - steps
    assert kept == 24 * 60 // site.timeline.step_minutes
    assert begun.storage[0].start_kwh == pytest.approx(0.6 * bank.capacity_kwh)
    assert made.steps["interval_start_local"].iloc[0].startswith("2025-06-03T11:00")


def test_reasons_fit_what_is_done(site, tmp_path):
    """Each step says one of a few acts, and the act agrees with the flows."""
    made = plan_day(site, read_forecast(forecast(site, tmp_path), site), 0.5)
    for row in made.steps.itertuples():
        assert row.does.startswith("charge") == (row.charge_kw > 0.01)
        if row.does in ("feed out", "cover own load"):
            assert row.discharge_kw > 0.01
        assert f"{row.import_price:.2f}" in row.why or f"{row.export_price:.2f}" in row.why
    assert {"charge from the sun"} & set(made.steps["does"])


def test_page_table_and_command(site, tmp_path):
    """The command writes all three, prints the changes, and the page holds each of them."""
    path = forecast(site, tmp_path)
    words = [
        "plan",
        str(tmp_path / "site"),
        "--forecast",
        str(path),
        "--stored",
        "50",
        "--out",
        str(tmp_path / "out"),
    ]
    result = CliRunner().invoke(main, words)
    assert 0 == result.exit_code, result.output
    table = pd.read_csv(tmp_path / "out" / "plan.csv")
    page = (tmp_path / "out" / "plan.html").read_text(encoding="utf-8")
    for act in set(table["does"]):
        assert act in page
        assert act in result.output
    made = plan_day(site, read_forecast(path, site), 0.5)
    assert set(write_plan(made, tmp_path / "again")) == {"page", "table", "summary"}


def test_faults_of_a_forecast_are_named(site, tmp_path):
    """A series that is missing, a hole, too short a span, a store below its reserve."""
    path = forecast(site, tmp_path)
    frame = pd.read_csv(path)
    missing = frame.drop(columns=frame.columns[1])
    missing.to_csv(path, index=False)
    with pytest.raises(SeriesError, match="there is no column"):
        forecast_scenario(site, read_forecast(path, site), 0.5)
    with pytest.raises(SeriesError, match="hours, at least 12 are needed"):
        forecast_scenario(site, read_forecast(forecast(site, tmp_path, hours=6), site), 0.5)
    hole = frame.copy()
    hole.iloc[3, 1] = None
    hole.to_csv(path, index=False)
    with pytest.raises(SeriesError, match="is empty or no number"):
        forecast_scenario(site, read_forecast(path, site), 0.5)
    frame.to_csv(path, index=False)
    with pytest.raises(ScenarioError, match="of its reserve"):
        forecast_scenario(site, read_forecast(path, site), 0.0)


def test_headings_and_moments_are_written_for_people():
    """A unit after a comma, and a month that no reader takes for a day."""
    assert ("house, kW", "charge, kW", "stored, %") == tuple(
        heading(name) for name in ("inverter.house.net_kw", "charge_kw", "stored_percent")
    )
    assert "2 Feb 18:30" == moment("2025-02-02T18:30:00+10:30")
