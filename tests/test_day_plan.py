"""The plan of a day: the schedule of its forecast, with reasons that fit the prices, and faults that are named."""

from __future__ import annotations

import json

import jsonschema
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.cli import main
from optimiser.daily.day_plan import _priced, forecast_scenario, plan_day, read_forecast, write_plan
from optimiser.errors import ScenarioError, SeriesError
from optimiser.report.day_plan import moment, steps_table
from optimiser.starter import write_starter
from optimiser.words import number


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
    assert made.steps["meter.import_kw"].to_numpy() == pytest.approx(
        alone.flows.meter.import_kw[:steps], abs=1e-6
    )
    assert len(made.steps) == steps == 36 * 60 // site.timeline.step_minutes
    bank = site.storage[0]
    kept = begun.timeline.steps - steps
    assert kept == 24 * 60 // site.timeline.step_minutes
    assert begun.storage[0].start_kwh == pytest.approx(0.6 * bank.capacity_kwh)
    assert made.steps["interval_start_local"].iloc[0].startswith("2025-06-03T11:00")


def test_reasons_fit_what_is_done(site, tmp_path):
    """Each step says one of a few acts, and the act agrees with the flows."""
    made = plan_day(site, read_forecast(forecast(site, tmp_path), site), 0.5)
    for row in made.steps.to_dict("records"):
        assert (row["does"] in ("charge from the grid", "save sun")) == (row["site.charge_kw"] > 0.01)
        if row["does"] in ("feed out", "cover own load"):
            assert row["site.discharge_kw"] > 0.01
        prices = (row["price.import_per_kwh"], row["price.export_per_kwh"])
        assert any(number(price, 2) in row["why"] for price in prices)
    assert {"save sun"} & set(made.steps["does"])


def edges(tmp_path, *more):
    """Days of 1 kW at 0.20, 0.15 from 23:00, 0.10 from 02:00 to 05:00, 0.50 from 18:00 to 21:00.

    The store of 4 kWh keeps 1, moves 1 kW, and wears by 0.11 a kWh: only the evening's three hours pay for it.
    """
    rates = [
        {"name": "night", "rate_per_kwh": 0.1, "when": {"from": "02:00", "to": "05:00"}},
        {"name": "evening", "rate_per_kwh": 0.5, "when": {"from": "18:00", "to": "21:00"}},
        {"name": "late", "rate_per_kwh": 0.15, "when": {"from": "23:00", "to": "02:00"}},
        {"name": "other", "rate_per_kwh": 0.2},
    ]
    text = table(
        days=3,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
            "load": [{"power_kw": "data.load_kw"}],
            "inverter": [inverter(5.0)],
        },
        storage=[battery(4.0, 1.0, reserve=[{"fraction": 0.25}], wear_per_kwh=0.11)],
        components=[{"kind": "energy_charge", "rates": rates}, *more],
    )
    write_site(tmp_path / "edges", text, {"load_kw": np.where(np.arange(72) % 24 == 10, 2.0, 1.0)})
    return optimiser.read_scenario(tmp_path / "edges")


def test_a_store_at_its_reserve_or_full_is_said_to_be(tmp_path):
    """Worked by hand: full until the evening, at its reserve after it, filled again in the three cheapest hours.

    A store at its reserve is not said to hold energy for later, one that is full wants no more, a row in which the
    price changes says both prices and when, and the date stands where it is another day's.
    """
    site = edges(tmp_path)
    made = plan_day(
        site, read_forecast(forecast(site, tmp_path, hours=24, begin="2025-01-01T08:00Z"), site), 1.0
    )
    told = {
        row["interval_start_local"][5:16]: f"{row['does']}: {row['why']}"
        for row in made.orders.to_dict("records")
    }
    assert "hold: the store is full, worth" in told["01-01T08:00"]
    assert "/kWh at 18:00, import costs 0.20" in told["01-01T08:00"]
    assert told["01-01T18:00"].startswith("cover own load: import costs 0.50, kept")
    rest = told["01-01T21:00"]
    assert rest.startswith(
        "hold: the store is at its reserve, import costs 0.20 (0.15 from 23:00), more would"
    )
    page = write_plan(made, tmp_path / "out")["page"].read_text(encoding="utf-8")
    assert "1 Jan 21:00 to 2 Jan 02:00" in page
    assert "charge from the grid: costs 0.10, worth" in told["01-02T02:00"]
    whole = made.orders
    assert whole["interval_end_local"].tolist()[:-1] == whole["interval_start_local"].tolist()[1:]
    assert whole["interval_end_local"].iloc[-1].startswith("2025-01-02T08:00")


def test_a_peak_that_is_kept_down_is_the_reason(tmp_path):
    """At 10:00 the load is twice the others': under a charge of 9 a kW it is covered, whatever the kWh costs."""
    site = edges(tmp_path, {"kind": "demand_charge", "rate_per_kw": 9.0})
    made = plan_day(
        site, read_forecast(forecast(site, tmp_path, hours=24, begin="2025-01-01T08:00Z"), site), 1.0
    )
    told = made.steps.set_index("interval_start_local")["why"]["2025-01-01T10:00:00+00:00"]
    assert told.startswith("import is held to ")
    assert "more would cost beyond its price of 0.20 (demand or a limit)" in told


def test_prices_of_a_stretch_are_written_as_they_are():
    """One; both where it changes once; the range where more often; a true minus, and none before nothing."""
    stamps = [f"2025-01-01T{hour:02}:00:00+00:00" for hour in (21, 22, 23)]
    assert "0.26" == _priced([0.26, 0.26, 0.26], stamps)
    assert "0.26 (\u22120.06 from 22:00)" == _priced([0.26, -0.06, -0.06], stamps)
    assert "\u22120.06 to 0.26" == _priced([0.26, -0.06, -0.001], stamps)
    assert "0.00" == _priced([-0.001, 0.0, 0.004], stamps)


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
    paths = write_plan(made, tmp_path / "again")
    assert set(paths) == {"page", "registers", "summary", "table"}
    told = CliRunner().invoke(main, ["schema", "plan"])
    jsonschema.Draft202012Validator(json.loads(told.output)).validate(
        json.loads(paths["summary"].read_text("utf-8"))
    )


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
    late = missing.copy()
    late.iloc[:, 0] = (pd.to_datetime(late.iloc[:, 0]) + pd.Timedelta(minutes=7)).map(pd.Timestamp.isoformat)
    late.to_csv(path, index=False)
    with pytest.raises(SeriesError) as raised:
        forecast_scenario(site, read_forecast(path, site), 0.5)
    off, gone = raised.value.faults
    assert "first step begins at 11:07:00, between the clock's steps of" in off
    assert "there is no column" in gone
    assert "add it." in gone


def test_headings_and_moments_are_written_for_people():
    """A unit after a comma, and a month that no reader takes for a day."""
    named = (
        "inverter.house.net_kw",
        *("site.charge_kw", "site.discharge_kw", "site.stored_percent", "meter.import_kw", "meter.export_kw"),
    )
    steps = pd.DataFrame([dict.fromkeys((*named, "service.raise.offer_kw"), 1.0)])
    steps = steps.assign(interval_start_local="2025-02-02T18:30:00+10:30", does="hold")
    made = steps_table(steps)
    assert [
        "house, kW",
        "charge, kW",
        "discharge, kW",
        "stored, %",
        "import, kW",
        "export, kW",
        "raise offer, kW",
    ] == [column.title for column in made.columns[1:-1]]
    assert ["2 Feb 18:30", *["1.00"] * 7, "hold"] == list(made.rows[0].cells)
    assert "2 Feb 18:30" == moment("2025-02-02T18:30:00+10:30")
