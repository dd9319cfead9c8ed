"""What one run writes: files that agree to the cent, follow a price by hand, and are whole or not there.

The amounts are worked out by hand beside each check; all data are invented.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet
import pytest
from conftest import table, write_site

import optimiser
from optimiser import OptimiserError, read_scenario, run, vary, write_results
from optimiser.starter import write_starter
from optimiser.writing import all_or_nothing

CENT = 0.005
COMPONENTS = (
    {"kind": "energy_charge", "name": "Energy", "rate_per_kwh": 0.30},
    {"kind": "daily_charge", "name": "Supply", "rate_per_day": 1.00},
)


def house(folder: Path, **site: Any) -> Path:
    """Two days of 2 kW, 96 kWh, without storage: 96 x 0.30 + 2 x 1.00 = 30.80 before tax."""
    connection = {"import_limit_kw": 10, "export_limit_kw": 0}
    site = {"phases": 1, "connection": connection, "load": [{"power_kw": "data.load_kw"}]} | site
    text = table(days=2, site=site, components=COMPONENTS, tax_fraction=0.1)
    return write_site(folder, text, {"load_kw": [2.0] * 48})


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One run of the starter's first three days, and the folder of its files."""
    folder = tmp_path_factory.mktemp("tables")
    write_starter(folder / "site")
    results = run(vary(read_scenario(folder / "site"), {"timeline.days": 3, "title": HOSTILE}))
    write_results(results, folder / "out")
    return results, folder / "out"


HOSTILE = "</title><script>alert('one')</script>\"><img src=x onerror=alert(2)>"


# --- agreement ---


def test_csv_and_parquet_hold_the_same(made):
    """Both dispatch files hold every step and column; the CSV is rounded to 6 places."""
    _, folder = made
    text = pd.read_csv(folder / "dispatch.csv", parse_dates=["interval_start"]).set_index("interval_start")
    whole = pd.read_parquet(folder / "dispatch.parquet")
    assert list(whole.columns) == list(text.columns)
    assert (144, 144) == (len(whole), len(text))
    assert list(whole["interval_start_local"]) == list(text["interval_start_local"])
    numbers = whole.drop(columns="interval_start_local")
    assert 5.1e-7 > (numbers - text[numbers.columns].to_numpy()).abs().max().max()


def test_statement_adds_up_to_the_headline(made):
    """Bill before, bill after, services and saving are sums of the statement's cash lines."""
    _, folder = made
    head = json.loads((folder / "summary.json").read_text())["headline"]
    lines = pd.read_csv(folder / "statement.csv")
    cash = lines[lines["cash"]]
    services = cash["group"].isin(["availability", "activation"])
    before, after = cash["case"] == "before", cash["case"] == "after"
    assert -cash[before]["amount"].sum() == pytest.approx(head["bill_before"], abs=CENT)
    assert -cash[after & ~services]["amount"].sum() == pytest.approx(head["ceiling_bill_after"], abs=CENT)
    assert cash[after & services]["amount"].sum() == pytest.approx(head["ceiling_services_income"], abs=CENT)
    assert head["ceiling_saving"] == pytest.approx(
        head["bill_before"] - head["ceiling_bill_after"] + head["ceiling_services_income"], abs=CENT
    )


def test_every_figure_says_in_its_name_on_what_it_rests(made):
    """A saving is a ceiling or forecast-driven by its name, and the bases say what that means.

    From the contract: one name, one basis.
    """
    _, folder = made
    head = json.loads((folder / "summary.json").read_text())["headline"]
    figures = [key for key in head if any(word in key for word in ("saving", "npv", "payback", "bill_after"))]
    assert figures
    assert all(key.startswith(("ceiling_", "forecast_driven_")) for key in figures)
    assert head["rests_on"] in head["bases"]
    assert (head["bases"]["forecast_driven"] is None) == (head["forecast_driven_saving"] is None)


def test_stamps_of_the_dispatch_file_are_utc(made):
    """As the file says by itself and as pandas reads it; a UTC timestamp is "isAdjustedToUTC" (Parquet format)."""
    _, folder = made
    field = pyarrow.parquet.read_schema(folder / "dispatch.parquet").field("interval_start")
    assert "UTC" == field.type.tz
    index = pd.read_parquet(folder / "dispatch.parquet").index
    assert isinstance(index.dtype, pd.DatetimeTZDtype)
    assert "UTC" == str(index.tz)


def test_dispatch_priced_by_hand_is_the_statement(made):
    """Import x rate (0.34 from 17:00 to 21:00, else 0.25), export x (spot - 0.005), half an hour each "
    "step."""
    _, folder = made
    steps, lines = pd.read_csv(folder / "dispatch.csv"), pd.read_csv(folder / "statement.csv")
    lines = lines[(lines["case"] == "after") & lines["cash"]]
    hour = steps["interval_start_local"].str[11:13].astype(int)
    rate = hour.map(lambda h: 0.34 if 17 <= h < 21 else 0.25)
    market = pd.read_csv(Path(optimiser.__file__).parent / "starter" / "market.csv")[: len(steps)]
    charged = (steps["meter.import_kw"] * rate).sum() / 2
    paid = (steps["meter.export_kw"] * (market["spot_per_mwh"] / 1000 - 0.005)).sum() / 2
    offered = (
        steps["service.upward reserve.offer_kw"] * market["reserve_up_per_mw_h"] / 1000 * 0.7
    ).sum() / 2
    for group, amount in (("energy in", -charged), ("energy out", paid), ("availability", offered)):
        assert amount == pytest.approx(lines[lines["group"] == group]["amount"].sum(), abs=CENT), group


def test_the_report_shows_the_summary(made):
    """The headline's amounts stand in the page to the cent."""
    _, folder = made
    head = json.loads((folder / "summary.json").read_text())["headline"]
    page = re.sub(
        r"<[^>]+>", " ", (folder / "report.html").read_text(encoding="utf-8").replace("\u2212", "-")
    )
    numbers = {float(n.replace(",", "")) for n in re.findall(r"-?\d[\d,]*\.\d\d\b", page)}
    for name in ("bill_before", "ceiling_bill_after", "ceiling_services_income", "ceiling_saving"):
        assert {abs(round(head[name], 2)), round(head[name], 2)} & numbers, name


def test_a_hostile_title_stays_text(made):
    """Neither script nor tag of a title comes alive in the page."""
    _, folder = made
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert "&lt;script&gt;alert" in page
    assert HOSTILE == json.loads((folder / "summary.json").read_text())["title"]


# --- a price changed by hand ---


@pytest.mark.parametrize(
    ("place", "value", "line", "amount"),
    [
        # 2 days x 0.10 = 0.20, with 10 % tax 0.22
        ("tariff.component.1.rate_per_day", 1.10, "Supply", 0.20),
        # 48 kWh x 0.01 = 0.48, with 10 % tax 0.528
        ("tariff.component.0.rate_per_kwh", 0.31, "Energy", 0.48),
    ],
)
def test_a_price_moves_every_output_by_its_amount(tmp_path, place, value, line, amount):
    """Headline, table and summary move by the change worked out by hand, on 1 kW left by 1 kW of sun."""
    base = read_scenario(house(tmp_path / "house", ac_solar=[{"name": "roof", "available_kw": 1.0}]))
    sums = []
    for scenario in (base, vary(base, {place: value})):
        paths = write_results(run(scenario), tmp_path / "out")
        summary = json.loads(paths["summary"].read_text())
        lines = pd.read_csv(paths["statement_csv"])
        after = lines[lines["case"] == "after"]
        sums.append(
            (
                summary["headline"]["ceiling_bill_after"],
                -after["amount"].sum(),
                -after[after["line"] == line]["amount"].sum(),
                -sum(row["amount"] for row in summary["lines"] if row["case"] == "after"),
            )
        )
    (bill, total, own, listed), (bill_2, total_2, own_2, listed_2) = sums
    assert (48 * 0.30 + 2 * 1.00) * 1.1 == pytest.approx(bill, abs=1e-6)
    for moved in (bill_2 - bill, total_2 - total, listed_2 - listed):
        assert amount * 1.1 == pytest.approx(moved, abs=1e-5)
    assert amount == pytest.approx(own_2 - own, abs=1e-5)


def test_a_site_where_nothing_is_bought_keeps_its_bill(tmp_path):
    """Both bills are 30.80 and tax, nothing is saved, and the report says so."""
    paths = write_results(run(house(tmp_path / "house")), tmp_path / "out")
    head = json.loads(paths["summary"].read_text())["headline"]
    assert (33.88, 33.88, 0.0) == tuple(
        round(head[name], 6) for name in ("bill_before", "ceiling_bill_after", "ceiling_saving")
    )
    assert paths["report"].is_file()


# --- whole or not there ---


def test_a_failure_in_the_middle_leaves_the_old_file(tmp_path):
    """The old file stays as it was, and no other file is left."""
    path = tmp_path / "summary.json"
    path.write_text("old")

    def broken(target: Path) -> None:
        target.write_text("half of")
        raise OSError("the disk is full")

    with pytest.raises(OSError, match="full"):
        all_or_nothing({path: broken})
    assert "old" == path.read_text()
    assert ["summary.json"] == os.listdir(tmp_path)


def test_a_run_that_cannot_be_written_says_so(tmp_path, made):
    """A file in the folder's place, and a folder in a file's place."""
    results, _ = made
    (tmp_path / "file").write_text("mine")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(OptimiserError, match=r"cannot be written to: .*\. Choose another folder\."):
            write_results(results, folder)
    assert "mine" == (tmp_path / "file").read_text()
    (tmp_path / "out" / "report.html").mkdir(parents=True)
    with pytest.raises(OptimiserError, match="cannot be written to"):
        write_results(results, tmp_path / "out")
    assert not [name for name in os.listdir(tmp_path / "out") if name.startswith(".")]


def test_writing_again_replaces(tmp_path, made):
    """A second run takes the place of the first, file by file."""
    results, folder = made
    names = sorted(os.listdir(folder))
    (folder / "patterns-old.csv").write_text("a table that this run does not make")
    (folder / "mine.csv").write_text("not the program's")
    write_results(results, folder)
    assert sorted([*names, "mine.csv"]) == sorted(os.listdir(folder))
    always = {
        "appraisal.xlsx",
        "cash-flow.csv",
        "customer.html",
        "dispatch.csv",
        "dispatch.parquet",
        "report.html",
        "statement.csv",
        "summary.json",
    }
    assert always | {"patterns-days.csv", "patterns-weeks.csv"} <= set(names)
    (folder / "mine.csv").unlink()


def test_a_year_is_scaled_without_costs_too(tmp_path):
    """Two days of a site without [cost]: its saving of a year is 365 / 2 of what the days save, and so named."""
    days = {"timeline.days": 2, "cost": None}
    home = Path(__file__).resolve().parents[1] / "scenarios" / "single-phase-home"
    made = run(vary(read_scenario(home), days), studies=())
    head = made.summary.headline
    assert head.ceiling_saving_per_year == pytest.approx(head.ceiling_saving * 365 / 2)
    assert (head.rests_on, head.forecast_driven_saving_per_year) == ("ceiling", None)
    assert head.scaled_to_year
    page = write_results(made, tmp_path)["report"].read_text(encoding="utf-8")
    assert "Scaled to a year from 2 days" in page
