"""Real prices, load and solar through the whole road, checked against the publishers' files by a few lines of pandas.

The data lie beside the checkout and are not part of it; without them these tests skip. What is recomputed here reads
the files by the order of their rows, not by their stamps, so that it shares nothing with the package. Run with -s for
a table of figures. Sources of the data are named in real_data.py.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import real_data as real

import optimiser
from optimiser.results.run import Run

pytestmark = pytest.mark.skipif(
    not all(file.is_file() for file in real.FILES), reason=f"the real data are not in {real.DATA}"
)
# A whole year at five minutes takes minutes: it runs with -m benchmark only.
year_at_five_minutes = [pytest.mark.slow, pytest.mark.benchmark, pytest.mark.timeout(3000)]


@dataclass(frozen=True)
class Outcome:
    """A run, the dispatch table as it was exported, and the report's text."""

    made: Run
    table: pd.DataFrame
    report: str


def walk(title: str, folder: Path) -> Outcome:
    """Run a scenario folder, write its results, print its figures, and hold what every run must hold."""
    began, cpu = time.perf_counter(), time.process_time()
    made = optimiser.run(folder)
    seconds, cpu_seconds = time.perf_counter() - began, time.process_time() - cpu
    paths = optimiser.write_results(made, folder / "results")
    print(f"\n{title}\n{real.HEADING}\n{real.figures(made, seconds, cpu_seconds)}")
    proof = json.loads(paths["summary"].read_text())["proof"]
    assert proof["gap_relative"] <= made.scenario.solve.gap_tolerance
    assert proof["verdict"] == "optimal"
    assert proof["direction"]["remaining_violations"] == 0
    table = pd.read_parquet(paths["dispatch_parquet"])
    for one, other in (("meter.import_kw", "meter.export_kw"), ("site.charge_kw", "site.discharge_kw")):
        assert np.minimum(table[one], table[other]).max() < 1e-5
    return Outcome(made, table, paths["report"].read_text(encoding="utf-8"))


# --- a home at five-minute spot -----------------------------------------------------------------------------------


def spot_prices(first_day: str, days: int) -> np.ndarray:
    """Prices of some days of 2024: row by row, 288 a day, the first row ending at 00:05 on 1 January. [AUD/MWh]"""
    raw = pd.read_csv(real.SPOT_FILE)
    first = raw.index[raw["SETTLEMENTDATE"] == f"{first_day} 00:05:00"][0]
    return raw["RRP"].to_numpy()[first : first + 288 * days]


def hold_home(outcome: Outcome, prices: np.ndarray, flat: bool) -> None:
    """The bills, recomputed from the price file's rows and the exported dispatch; the data notes."""
    made, table = outcome.made, outcome.table
    at_site = prices * real.TRANSMISSION_LOSS * real.DISTRIBUTION_LOSS / 1000
    before_tax = np.full(len(prices), real.FLAT_RATE_PER_KWH) if flat else at_site + real.NETWORK_FEE_PER_KWH
    pays, gets = before_tax * (1 + real.TAX), at_site - real.EXPORT_FEE_PER_KWH
    after = (pays @ table["meter.import_kw"] - gets @ table["meter.export_kw"]) / 12
    net = table["site.load_kw"] - table["site.solar_available_kw"]
    before = (pays @ net.clip(lower=0) - gets @ (-net).clip(lower=0)) / 12
    assert after == pytest.approx(made.statement.bill_after, abs=1e-4)
    assert before == pytest.approx(made.statement.bill_before, abs=1e-4)
    assert made.dispatch.proof.inverted_steps == np.sum(gets > pays)
    assert any("home" in note and "re-dated" in note for note in made.summary.data_notes)
    assert "re-dated to the timeline by season and weekday" in outcome.report


def hold_redated(table: pd.DataFrame, here: str, there: str) -> None:
    """A day's load is that of the nearest day in season of the same weekday, found in a calendar."""
    home = pd.read_csv(real.HOME_FILE, index_col="datetime", parse_dates=True)
    # The market's day begins 10 h before that of UTC.
    stamps = table.index.tz_convert("UTC") + pd.Timedelta(hours=10)
    day = table["site.load_kw"].to_numpy()[stamps.strftime("%Y-%m-%d") == here]
    np.testing.assert_allclose(day, np.repeat(home.loc[there, "GC"].to_numpy(), 6), atol=1e-9)


def test_a_home_pays_and_gets_five_minute_spot(tmp_path):
    """February 2024: stamps that end intervals, in market time, both ways at spot; load of another year."""
    outcome = walk(
        "Home, spot both ways, February", real.home_scenario(tmp_path, real.SPOT_IMPORT, "2024-02-01", 29)
    )
    hold_home(outcome, spot_prices("2024/02/01", 29), flat=False)
    hold_redated(outcome.table, "2024-02-05", "2012-02-06")  # Mondays
    hold_redated(
        outcome.table, "2024-02-29", "2012-03-01"
    )  # Thursdays, the 60th and 61st days of their years


def test_a_home_exports_above_its_flat_rate(tmp_path):
    """February 2024 with a flat import rate: in many steps an exported kWh brings more than an imported one costs."""
    folder = real.home_scenario(tmp_path, real.FLAT_IMPORT, "2024-02-01", 29, gap_tolerance=1e-4)
    outcome = walk("Home, flat import and spot export, February", folder)
    hold_home(outcome, spot_prices("2024/02/01", 29), flat=True)
    assert outcome.made.dispatch.proof.inverted_steps > 50
    assert outcome.made.dispatch.proof.binding_steps > 50


@pytest.mark.parametrize("flat", [False, True], ids=["spot import", "flat import"])
@pytest.mark.parametrize("days", [pytest.param(366, marks=year_at_five_minutes)])
def test_a_home_through_the_leap_year(tmp_path, flat, days):
    """All 105,408 intervals of 2024."""
    component = real.FLAT_IMPORT if flat else real.SPOT_IMPORT
    folder = real.home_scenario(tmp_path, component, "2024-01-01", days, gap_tolerance=1e-3 if flat else 1e-4)
    outcome = walk(f"Home, {'flat' if flat else 'spot'} import, 2024", folder)
    assert len(outcome.table) == 105_408
    hold_home(outcome, spot_prices("2024/01/01", days), flat)
    hold_redated(outcome.table, "2024-01-01", "2012-01-02")  # Mondays


@pytest.mark.parametrize("days", [5, pytest.param(366, marks=year_at_five_minutes)])
def test_a_home_sells_ten_services_at_five_minute_spot(tmp_path, days):
    """Real spot of 2024 with invented prices of services: each is paid its price times what is held, share and all."""
    folder = real.ten_services_scenario(tmp_path, "2024-01-01", days)
    outcome = walk(f"Home, spot both ways and ten services, {days} days", folder)
    prices = pd.read_parquet(folder / "invented-services.parquet")
    paid = 0.0
    for name in real.NEM_SERVICES:
        offered = outcome.table[f"service.{name}.offer_kw"].to_numpy()
        paid += 0.7 * float(offered @ prices[name.replace(" ", "_")].to_numpy()) / 12 / 1000
    income = outcome.made.statement.services_income
    shares = {offer.product.paid_share for offer in outcome.made.dispatch.offers}
    assert shares == {0.7}
    assert income == pytest.approx(paid, abs=0.01)
    assert income > 0


@pytest.mark.parametrize("region", ["SA1", "NSW1", "VIC1"])
def test_a_week_of_each_region(tmp_path, region):
    """A week of September 2024, spot both ways; the bill is recomputed from the price file's rows."""
    folder = real.home_scenario(
        tmp_path, real.SPOT_IMPORT, "2024-09-09", 7, spot_file=real.region_file(region)
    )
    outcome = walk(f"Home, spot both ways, a week, {region}", folder)
    raw = pd.read_csv(real.region_file(region))
    first = raw.index[raw["SETTLEMENTDATE"] == "2024/09/09 00:05:00"][0]
    hold_home(outcome, raw["RRP"].to_numpy()[first : first + 288 * 7], flat=False)


@pytest.mark.parametrize("region", ["NSW1", "VIC1"])
@pytest.mark.parametrize("days", [pytest.param(366, marks=year_at_five_minutes)])
def test_a_home_through_the_leap_year_elsewhere(tmp_path, region, days):
    """The other regions, spot both ways."""
    spot_file = real.region_file(region)
    folder = real.home_scenario(tmp_path, real.SPOT_IMPORT, "2024-01-01", days, 1e-4, spot_file)
    outcome = walk(f"Home, spot import, 2024, {region}", folder)
    hold_home(outcome, pd.read_csv(spot_file)["RRP"].to_numpy()[: 288 * days], flat=False)


@pytest.mark.parametrize("days", [31, pytest.param(366, marks=pytest.mark.slow)])
def test_a_home_at_two_prices_by_quarter_hours(tmp_path, days):
    """Dutch prices of shortage and surplus, which part in 16.5 % of 2024; the bill is recomputed from the rows."""
    outcome = walk(
        f"Home, Dutch imbalance prices, {days} days", real.dutch_scenario(tmp_path, "2024-01-01", days, 1e-5)
    )
    prices, table = real.dutch_prices().iloc[: len(outcome.table)] / 1000, outcome.table
    assert (real.dutch_prices()["short"] != real.dutch_prices()["long"]).mean() == pytest.approx(
        0.165, abs=5e-4
    )
    pays, gets = prices["short"].to_numpy() + real.BALANCE_FEE_PER_KWH, prices["long"].to_numpy()
    after = (pays @ table["meter.import_kw"].to_numpy() - gets @ table["meter.export_kw"].to_numpy()) / 4
    assert after == pytest.approx(outcome.made.statement.bill_after, abs=1e-4)


# --- three phases with five services ------------------------------------------------------------------------------


def test_local_hours_with_a_repeated_one_are_a_year_without_gap():
    """ERCOT's clock: 23 hours on 12 March and 25 on 5 November 2023 (tz database, America/Chicago), none amiss."""
    starts = real.hour_starts(real.capacity_prices())
    assert len(starts) == 8760
    assert set(np.diff(starts.as_unit("s").asi8)) == {3600}
    per_day = pd.Series(1, index=starts.tz_convert("America/Chicago").date).groupby(level=0).sum()
    assert per_day[per_day != 24].tolist() == [23, 25]


def hold_homes(made: Run, table: pd.DataFrame) -> None:
    """A Monday of June 2023 has the hours of the nearest Monday of 2013, the 10th, but for the factor that keeps the
    yearly total, and the report's notes say so."""
    old = (
        real.three_homes()["h05"]
        .tz_convert("Etc/GMT+6")
        .loc["2013-06-10"]
        .to_numpy()
        .reshape(24, 2)
        .sum(axis=1)
    )
    new = table["phase.L1.load_kw"].tz_convert("Etc/GMT+6").loc["2023-06-12"].to_numpy()
    np.testing.assert_allclose(new / new.sum(), old / old.sum(), atol=1e-9)
    assert new.sum() == pytest.approx(old.sum(), rel=0.02)
    assert any("homes: h05, re-dated to the year from 2023-01-01" in note for note in made.summary.data_notes)


def hold_texas(outcome: Outcome, month: str) -> None:
    """Income of each service and the cost of energy, from the files' rows in their order."""
    made, table = outcome.made, outcome.table
    capacity, points = real.capacity_prices(), pd.read_csv(real.POINTS_FILE)
    capacity = capacity[capacity["Delivery Date"].str.startswith(month)]
    points = points[points["Delivery Date"].str.startswith(month)]
    assert len(table) == len(capacity) == len(points)
    for name in real.SUSTAIN_HOURS:
        income = np.nansum(capacity[name].to_numpy() * table[f"service.{name}.offer_kw"].to_numpy()) / 1000
        assert income * real.SITE_SHARE == pytest.approx(real.money(made, f"Availability, {name}"), abs=1e-4)
        assert income > 0
        print(
            f"  {name:6s} {table[f'service.{name}.offer_kw'].sum():12.1f} kW h {income * real.SITE_SHARE:10.2f} USD"
        )
    energy = points["LZ_AEN"].to_numpy() / 1000
    assert -(energy @ table["meter.import_kw"]) == pytest.approx(real.money(made, "Day-ahead"), abs=1e-4)
    assert energy @ table["meter.export_kw"] == pytest.approx(real.money(made, "Export"), abs=1e-4)
    hold_homes(made, table)
    not_yet = capacity["ECRS"].isna().to_numpy()
    assert table["service.ECRS.offer_kw"].to_numpy()[not_yet].max() == 0
    assert any("ECRS" in words for words in made.summary.warnings)


def test_five_services_of_a_month(tmp_path):
    """June 2023, in which ECRS began on the tenth."""
    outcome = walk("Three phases, five services, June", real.texas_scenario(tmp_path, "2023-06-01", 30))
    hold_texas(outcome, "06/")


@pytest.mark.slow
def test_five_services_of_a_year(tmp_path):
    """2023 with both clock changes."""
    outcome = walk("Three phases, five services, 2023", real.texas_scenario(tmp_path, "2023-01-01", 365))
    hold_texas(outcome, "")
