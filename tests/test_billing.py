"""Bills of a load file under any tariff: against plain sums, laws of any bill, faults. All data are made up."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from conftest import toml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.accounts.billing import make_bills
from optimiser.cli import main
from optimiser.flows import MeterFlows
from optimiser.scenario.contract import read_tariff
from optimiser.tariff import Tariff
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.timeline import Timeline


def call(*words: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def load_file(
    folder: Path, columns: dict[str, Any], *, start: str = "2025-01-01", step_minutes: int = 60
) -> Path:
    """A tidy file of some columns, stamps in UTC."""
    frame = pd.DataFrame({name: np.asarray(values, float) for name, values in columns.items()})
    stamps = pd.date_range(start, periods=len(frame), freq=f"{step_minutes}min", tz="UTC")
    frame.insert(0, "interval_start", stamps.strftime("%Y-%m-%dT%H:%M:%SZ"))
    path = folder / "load.csv"
    frame.to_csv(path, index=False)
    return path


def tariff_file(folder: Path, components: list[dict[str, Any]], **more: Any) -> Path:
    """A file with a tariff's keys alone."""
    path = folder / "tariff.toml"
    path.write_text(
        toml({"name": "made up", "zone": "UTC", "component": components, **more}), encoding="utf-8"
    )
    return path


FLAT = [{"kind": "energy_charge", "rate_per_kwh": 0.3}, {"kind": "feed_in", "rate_per_kwh": 0.05}]


def test_bill_of_a_file_is_its_plain_sum(tmp_path):
    """Energy of each column times its rate, by pandas; a month each."""
    random = np.random.default_rng(1)
    columns = {"import_kw": random.uniform(0, 4, 59 * 24), "export_kw": random.uniform(0, 2, 59 * 24)}
    path = load_file(tmp_path, columns)
    made = make_bills(path, read_tariff(tariff_file(tmp_path, FLAT)), export_column="export_kw")
    plain = pd.DataFrame(columns, index=pd.date_range("2025-01-01", periods=59 * 24, freq="h"))
    month = plain.resample("MS").sum()
    expected = 0.3 * month["import_kw"] - 0.05 * month["export_kw"]
    got = made.table.groupby("billing_period")["to_pay"].sum()
    assert list(got.index) == ["2025-01", "2025-02"]
    np.testing.assert_allclose(got.to_numpy(), expected.to_numpy())
    np.testing.assert_allclose(made.total, expected.sum())
    np.testing.assert_allclose(made.year()["rate"].to_numpy(), [0.3, -0.05])
    assert made.notes == ()


def test_energy_of_an_interval_is_not_its_power(tmp_path):
    """5 kWh in half an hour are 10 kW: the file in kWh has twice the demand of the same numbers in kW.

    Source: a retailer's help page, its unit corrected (check value 29, read second hand).
    """
    demand = tariff_file(tmp_path, [{"kind": "demand_charge", "rate_per_kw": 1.0}])
    path = load_file(tmp_path, {"import_kwh": [0.0, 5.0, *[0.0] * 46]}, step_minutes=30)
    made = make_bills(path, read_tariff(demand), import_column="import_kwh", unit="kWh")
    assert pytest.approx(10.0) == made.total


def test_tariff_of_a_scenario_and_columns_of_the_load(tmp_path):
    """A tariff may name a column of the load file as load.column, and price series of its own sources."""
    prices = pd.DataFrame(
        {
            "interval_start": pd.date_range("2025-01-01", periods=24, freq="h").strftime("%Y-%m-%dT%H:%MZ"),
            "spot": np.arange(24.0),
        }
    )
    prices.to_csv(tmp_path / "prices.csv", index=False)
    components = [
        {"kind": "spot_charge", "price_per_mwh": "market.spot"},
        {"kind": "controlled_load", "load_kw": "load.heater_kw", "rate_per_kwh": 0.1},
    ]
    source = {"market": {"file": "prices.csv", "stamps": "start", "step_minutes": 60}}
    tariff = tariff_file(tmp_path, components, source=source, currency="AUD")
    path = load_file(tmp_path, {"import_kw": np.full(24, 2.0), "heater_kw": np.full(24, 1.0)})
    made = make_bills(path, read_tariff(tariff))
    assert pytest.approx(2 * np.arange(24).sum() / 1000 + 2.4) == made.total
    assert "AUD" == made.contract.currency


def test_the_command_prints_and_writes_every_line(tmp_path):
    """Each bill and the sum, then a file whose rows add up to it; it is not written over."""
    path = load_file(tmp_path, {"import_kw": np.full(40 * 24, 1.0), "export_kw": np.zeros(40 * 24)})
    tariff = tariff_file(tmp_path, [*FLAT, {"kind": "daily_charge", "rate_per_day": 1.0}], tax_fraction=0.1)
    ran = call("bill", path, "--tariff", tariff, "--csv", tmp_path / "bills.csv")
    assert 0 == ran.exit_code, ran.output
    assert "2025-01\n" in ran.stdout
    assert "All 2 bills" in ran.stdout
    assert "note: 2025-02 is covered for 9 of its 28 days" in ran.stderr
    rows = pd.read_csv(tmp_path / "bills.csv")
    assert list(rows) == ["billing_period", "group", "line", "quantity", "unit", "rate", "to_pay"]
    assert pytest.approx((960 * 0.3 + 40) * 1.1) == rows["to_pay"].sum()
    assert f"{rows['to_pay'].sum():,.2f}" in ran.stdout.split("All 2 bills")[1]
    again = call("bill", path, "--tariff", tariff, "--csv", tmp_path / "bills.csv")
    assert 2 == again.exit_code
    assert "is not written over" in again.stderr


def test_the_sum_of_one_bill_goes_by_its_name(tmp_path):
    """With --year-only the bills are not repeated; one is no plural."""
    path = load_file(tmp_path, {"import_kw": np.full(24, 1.0)})
    ran = call("bill", path, "--tariff", tariff_file(tmp_path, FLAT), "--year-only")
    assert 0 == ran.exit_code, ran.output
    assert 1 == ran.stdout.count("2025-01\n")
    assert ("All" in ran.stdout, "amounts in the tariff's money" in ran.stdout) == (False, True)


def in_kw(folder: Path, **columns: Any) -> Path:
    """A day with the columns given."""
    return load_file(folder, {"import_kw": np.ones(24)} | columns)


@pytest.mark.parametrize(
    ("load", "components", "options", "words"),
    [
        ({"import_kw": [-1.0] * 24}, FLAT, [], "must be at least 0, got -1 in the step that starts"),
        ({}, FLAT, ["--import", "impot_kw"], "there is no column 'impot_kw'; did you mean import_kw?"),
        ({"x": [1.0] * 24}, FLAT, ["--import", "x"], "5 kWh in half an hour are 10 kW. Give --unit"),
        ({}, [{"kind": "spot_charge", "price_per_mwh": "market.spot"}], [], "names the source market"),
        (
            {},
            [{"kind": "energy_charge", "rate_per_kwh": "much"}],
            [],
            "  component.0.rate_per_kwh must be",
        ),
        ({}, [{"kind": "energy_charg", "rate_per_kwh": 0.1}], [], "Did you mean energy_charge?"),
        ({}, [FLAT[0], FLAT[0]], [], "has the kind and name of another one"),
        (
            {},
            [{"kind": "energy_charge", "rates": [{"rate_per_kwh": 0.1, "when": {"from": "01:00"}}]}],
            [],
            "leave Wed 2025-01-01 00:00 (UTC) without a rate",
        ),
        ({}, FLAT, ["--time", "when"], "there is no time column 'when'"),
        ({}, FLAT, ["--zone", "Mars/Base"], "must be a zone of the tz database"),
    ],
)
def test_faults_are_said_in_a_sentence(tmp_path, load, components, options, words):
    """Code 2 and a sentence with the place and the way out; no traceback."""
    ran = call("bill", in_kw(tmp_path, **load), "--tariff", tariff_file(tmp_path, components), *options)
    assert 2 == ran.exit_code, ran.output
    assert words in ran.stderr
    assert isinstance(ran.exception, SystemExit)


def test_files_that_are_not_there_or_not_in_step(tmp_path):
    """A missing file, another step than one that divides an hour, stamps off the clock's grid."""
    tariff = tariff_file(tmp_path, FLAT)
    assert "does not exist" in call("bill", tmp_path / "no.csv", "--tariff", tariff).stderr
    assert "does not exist" in call("bill", in_kw(tmp_path), "--tariff", tmp_path / "no.toml").stderr
    day = load_file(tmp_path, {"import_kw": np.ones(5)}, step_minutes=1440)
    assert "must divide an hour, got 1440 min" in call("bill", day, "--tariff", tariff).stderr
    odd = load_file(tmp_path, {"import_kw": np.ones(5)}, start="2025-01-01T00:07", step_minutes=30)
    assert "off the clock's grid of 30 min" in call("bill", odd, "--tariff", tariff).stderr


# --- laws of any bill ---

RATES = st.floats(0.01, 1.0)
EVERY = settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
ZONE = "Australia/Sydney"


def lines_of(components: list[dict[str, Any]], kw: np.ndarray, **more: Any) -> tuple[float, Timeline]:
    """What a load costs, and its timeline of hours from 1 March 2025, a clock change within."""
    tariff = Tariff.model_validate({"name": "made up", "zone": ZONE, "component": components, **more})
    start = pd.Timestamp("2025-03-01", tz=ZONE).to_pydatetime()
    timeline = Timeline(start, 60, len(kw), ZONE)
    terms = SettledTerms(InputData(timeline, lambda value: value))
    flows = MeterFlows(kw, np.zeros_like(kw), kw, kw, kw)
    return -sum(float(line.values.sum()) for line in tariff.lines(flows, terms)), timeline


def a_load(seed: int, days: int = 61) -> np.ndarray:
    """Two months of hours; on the clock of Sydney they hold 61 x 24 + 1."""
    return np.random.default_rng(seed).uniform(0, 5, days * 24 + 1)


def priced(kind: str, rate: float) -> dict[str, Any]:
    """A component of a kind at a rate."""
    return {
        "energy_charge": {"rate_per_kwh": rate},
        "block_charge": {"blocks": [{"up_to_kwh": 900.0, "rate_per_kwh": rate}, {"rate_per_kwh": 0.2}]},
        "volume_charge": {"blocks": [{"up_to_kwh": 900.0, "rate_per_kwh": 0.1}, {"rate_per_kwh": rate}]},
        "demand_charge": {"rate_per_kw": rate, "highest": 3, "ratchet": {"fraction": 0.7}},
        "apparent_demand_charge": {"rate_per_kva": rate, "power_factor": 0.9},
        "capacity_fee": {"steps": [{"up_to_kw": 2.0, "fee": 0.0}, {"fee": rate}]},
        "subscribed_capacity": {"subscribed_kw": 2.0, "rate_per_kw": rate, "excess_rate_per_kwh": rate},
        "daily_charge": {"rate_per_day": rate},
        "period_charge": {"rate_per_period": rate},
        "minimum_charge": {"at_least_per_period": rate},
    }[kind] | {"kind": kind}


@EVERY
@given(low=RATES, more=RATES, seed=st.integers(0, 99))
@pytest.mark.parametrize(
    "kind",
    [
        "energy_charge",
        "block_charge",
        "volume_charge",
        "demand_charge",
        "apparent_demand_charge",
        "capacity_fee",
        "subscribed_capacity",
        "daily_charge",
        "period_charge",
        "minimum_charge",
    ],
)
def test_a_higher_rate_never_lowers_the_bill(kind, low, more, seed):
    """Of any component that charges, all else the same."""
    load = a_load(seed)
    assert lines_of([priced(kind, low)], load)[0] <= lines_of([priced(kind, low + more)], load)[0] + 1e-9


@EVERY
@given(seed=st.integers(0, 99), first=st.integers(2, 30), second=st.integers(31, 60))
def test_bills_between_reads_add_up(seed, first, second):
    """However the days are cut into bills, what is charged by the kWh and the day comes to the same."""
    load = a_load(seed)
    components = [
        {
            "kind": "energy_charge",
            "rates": [
                {"rate_per_kwh": 0.4, "when": {"from": "16:00", "to": "21:00", "days": ["workday"]}},
                {"rate_per_kwh": 0.2},
            ],
        },
        {"kind": "daily_charge", "rate_per_day": 1.1},
        {"kind": "demand_charge", "rate_per_kw": 0.0},
    ]
    day = datetime.date(2025, 3, 1)
    reads = tuple(day + datetime.timedelta(days=days) for days in (first, second))
    months, _ = lines_of(components, load)
    cut, _ = lines_of(components, load, billing={"read_dates": reads})
    assert pytest.approx(months) == cut


@EVERY
@given(seed=st.integers(0, 99), split=st.integers(1, 60))
def test_a_bill_by_parts_is_the_whole(seed, split):
    """A rate that only changes its name on a date charges the same as one that does not."""
    load, date = a_load(seed), datetime.date(2025, 3, 1) + datetime.timedelta(days=split)
    whole, _ = lines_of([{"kind": "energy_charge", "rate_per_kwh": 0.25}], load)
    parts, _ = lines_of(
        [
            {"kind": "energy_charge", "name": "a", "rate_per_kwh": 0.25, "valid_until": date},
            {"kind": "energy_charge", "name": "b", "rate_per_kwh": 0.25, "valid_from": date},
        ],
        load,
    )
    assert pytest.approx(whole) == parts


@EVERY
@given(seed=st.integers(0, 99))
def test_equal_rates_make_blocks_a_flat_rate(seed):
    """Blocks, and a rate picked by volume, of one rate cost what a flat rate costs."""
    load = a_load(seed)
    flat, _ = lines_of([{"kind": "energy_charge", "rate_per_kwh": 0.25}], load)
    blocks = [{"up_to_kwh": 300.0, "rate_per_kwh": 0.25}, {"rate_per_kwh": 0.25}]
    for kind in ("block_charge", "volume_charge"):
        for ends in ("billing_period", "day", "30_days"):
            made, _ = lines_of([{"kind": kind, "blocks": blocks, "ends_per": ends}], load)
            assert pytest.approx(flat) == made


def test_bills_that_are_cut_are_noted(tmp_path):
    """A read that is missing and a rate that changes are told beside the bill, with the same sums as in a run.

    By hand: 90 x 3/89 + 90 + 90 x 28/89, and 1 kW at 10 a kW in each of three bills, the second in two versions.
    """
    reads = [datetime.date(2025, 1, 4), datetime.date(2025, 4, 3)]
    demand = {"kind": "demand_charge", "rate_per_kw": 10.0, "interval_minutes": 60}
    change = datetime.date(2025, 2, 1)
    components = [
        {"kind": "period_charge", "rate_per_period": 90.0},
        demand | {"name": "old demand", "valid_until": change},
        demand | {"name": "new demand", "valid_from": change},
    ]
    path = load_file(tmp_path, {"import_kw": np.ones(120 * 24)})
    made = make_bills(path, read_tariff(tariff_file(tmp_path, components, billing={"read_dates": reads})))
    assert pytest.approx(90 * (3 / 89 + 1 + 28 / 89) + 30) == made.total
    told = " ".join(made.notes)
    assert "2025-01-01 to 2025-01-03 is covered for 3 of its 89 days" in told
    assert "A read is missing" in told
    assert "old demand holds on 28 of 89 days: it is charged for its share of the days" in told
    lone = read_tariff(tariff_file(tmp_path, components[:1], billing={"read_dates": reads[:1]}))
    assert "One read date tells of no length of a bill" in make_bills(path, lone).notes[0]


def test_a_meters_own_format_is_sent_to_the_import(tmp_path):
    """A NEM12 file is no table; the sentence says what to do first."""
    path = tmp_path / "meter.csv"
    path.write_text("100,NEM12,200506081149,SPANMDP,SPANMDP\n900\n", encoding="utf-8")
    ran = CliRunner().invoke(main, ["bill", str(path), "--tariff", "t.toml"])
    assert (2, True) == (ran.exit_code, "it is NEM12" in ran.output), ran.output
    assert f"optimiser import {path} --name home" in ran.output


def test_columns_are_looked_for_before_units_and_must_differ(tmp_path):
    """A column that is missing has no unit; one column is not both what comes in and what goes out."""
    load = load_file(tmp_path, {"import_kw": [1.0, 1.0]})
    tariff = tariff_file(tmp_path, FLAT)
    assert "there is no column 'nope'" in call("bill", load, "--tariff", tariff, "--import", "nope").stderr
    both = call("bill", load, "--tariff", tariff, "--export", "import_kw")
    assert (2, True) == (both.exit_code, "given both as import and as export" in both.stderr)


def test_a_tariff_charges_something(tmp_path):
    """A name and a zone are no contract."""
    path = tmp_path / "tariff.toml"
    path.write_text('name = "empty"\nzone = "UTC"\n', encoding="utf-8")
    told = call("bill", load_file(tmp_path, {"import_kw": [1.0, 1.0]}), "--tariff", path)
    assert (2, True) == (told.exit_code, "component is required but missing. Add it." in told.stderr)
    path.write_text('name = "odd"\nzone = "UTC"\ncomponent = [1, "x"]\n', encoding="utf-8")
    told = call("tariff", path).stderr
    assert "component.0 must be a table, got 1." in told
    assert "component.1 must be a table, got 'x'." in told
