"""Real price and meter data beside the checkout, and scenario folders that read them where they lie.

The files are never copied into this repository: their publishers' terms are unverified. Prices: Australian Energy
Market Operator (AEMO), aggregated price and demand, and Electric Reliability Council of Texas (ERCOT), day-ahead
settlement point prices and clearing prices for capacity; TenNet TSO B.V.,
settlement prices of the Netherlands. Load and solar: Ausgrid, Solar Home Electricity Data,
customer 12, and half-hourly consumption of Australian homes in 2013. Tariff fees, plants and costs are invented.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from optimiser.making.made import Made, write
from optimiser.making.redate import redate
from optimiser.results.run import Run

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
SPOT_FILE = DATA / "nem-5min-2024" / "PRICE_AND_DEMAND_2024_SA1.csv.gz"
HOME_FILE = DATA / "ausgrid-home12-2011-12" / "home12_30min.csv.gz"
THREE_HOMES_FILE = DATA / "au-homes-2013" / "homes_2013_30min_kwh.csv.gz"
CAPACITY_FILE = DATA / "ercot-dam-2023" / "dam_as_clearing_prices_2023.csv.gz"
POINTS_FILE = DATA / "ercot-dam-2023" / "dam_settlement_point_prices_2023.csv.gz"
DUTCH_FILE = DATA / "nl-imbalance-2024" / "settlement_prices_2024.csv.gz"
FILES = (SPOT_FILE, DUTCH_FILE, HOME_FILE, THREE_HOMES_FILE, CAPACITY_FILE, POINTS_FILE)

# --- a home in South Australia at five-minute spot ----------------------------------------------------------------

TRANSMISSION_LOSS, DISTRIBUTION_LOSS = 0.99, 1.06
NETWORK_FEE_PER_KWH, EXPORT_FEE_PER_KWH, FLAT_RATE_PER_KWH, TAX = 0.11, 0.005, 0.28, 0.10

SPOT_IMPORT = f"""
[[tariff.component]]
kind = "spot_charge"
name = "Spot"
price_per_mwh = "spot.RRP"
transmission_loss_factor = {TRANSMISSION_LOSS}
distribution_loss_factor = {DISTRIBUTION_LOSS}
fee_per_kwh = {NETWORK_FEE_PER_KWH}
"""

FLAT_IMPORT = f"""
[[tariff.component]]
kind = "energy_charge"
name = "Flat"
rate_per_kwh = {FLAT_RATE_PER_KWH}
"""


HOME = f"""
[source.home]
file = "{HOME_FILE.as_posix()}"
time_column = "datetime"
stamps = "start"
zone = "UTC+10:00"
step_minutes = 30
redate = "season_and_weekday"

[site]
phases = 1
connection = {{ import_limit_kw = 14.0, export_limit_kw = 5.0 }}

[[site.load]]
power_kw = "home.GC"

[[site.ac_solar]]
name = "roof"
available_kw = "home.GG"
existing = true

[[site.inverter]]
name = "house"
phase = "all"
output_kw = 4.4
input_kw = 3.5
output_efficiency = 0.944
input_efficiency = 0.935
standby_w = 17

[[storage]]
kind = "battery"
name = "battery"
unit_kwh = 10.0
charge_kw = 5.0
discharge_kw = 5.5
charge_efficiency = 0.97
discharge_efficiency = 0.97
voltage_v = 51.2
self_discharge_per_day = 0.001
wear_per_kwh = 0.01
reserve = [{{ fraction = 0.10 }}]

"""


def home_scenario(
    folder: Path,
    import_component: str,
    start: str,
    days: int,
    gap_tolerance: float = 1e-6,
    spot_file: Path = SPOT_FILE,
) -> Path:
    """A single-phase home with solar, to which a battery comes, on 2024 spot prices of an Australian region.

    The clock is the market's, UTC+10 all year. The home's file says no clock; it is read as the same one, so in
    summer its days may be an hour off. Loss factors, fees, plant and flat rate are invented.
    """
    text = f"""
title = "Home on five-minute spot prices"
description = "Spot prices of an Australian region in 2024; load and solar of a New South Wales home in 2011-12."
currency = "AUD"
outside_folders = ["{spot_file.parent.as_posix()}", "{HOME_FILE.parent.as_posix()}"]
solve = {{ gap_tolerance = {gap_tolerance} }}

[timeline]
start = {start}
days = {days}
step_minutes = 5
zone = "UTC+10:00"

[source.spot]
file = "{spot_file.as_posix()}"
time_column = "SETTLEMENTDATE"
stamps = "end"
zone = "UTC+10:00"
step_minutes = 5

{HOME}[tariff]
name = "Spot passed through, fees invented"
zone = "UTC+10:00"
tax_fraction = {TAX}
tax_name = "GST"
{import_component}
[[tariff.component]]
kind = "spot_feed_in"
name = "Export"
price_per_mwh = "spot.RRP"
transmission_loss_factor = {TRANSMISSION_LOSS}
distribution_loss_factor = {DISTRIBUTION_LOSS}
fee_per_kwh = {EXPORT_FEE_PER_KWH}
"""
    return _written(folder, text)


NEM_SERVICES = tuple(
    f"{way} {speed}" for way in ("raise", "lower") for speed in ("1 s", "6 s", "60 s", "5 min", "regulation")
)


def ten_services_scenario(folder: Path, start: str, days: int, gap_tolerance: float = 1e-4) -> Path:
    """The home at five-minute spot both ways, and all ten services of its market.

    No open full year of prices of these services was found: they are invented here, from a seed, skewed like prices of
    scarce things. Rules are those of the shipped product set.
    """
    path = home_scenario(folder, SPOT_IMPORT, start, days, gap_tolerance)
    stamps = pd.date_range(f"{start}T00:00+10:00", periods=288 * days, freq="5min").tz_convert("UTC")
    random = np.random.default_rng(10)
    prices = {
        name.replace(" ", "_"): np.round(random.lognormal(0.5, 1.5, len(stamps)), 2) for name in NEM_SERVICES
    }
    table = pd.DataFrame({"interval_start": stamps, **prices})
    table.to_parquet(path / "invented-services.parquet", index=False)
    text = (path / "scenario.toml").read_text(encoding="utf-8")
    text += """
[source.services]
file = "invented-services.parquet"
stamps = "start"
step_minutes = 5
"""
    for name in NEM_SERVICES:
        column = name.replace(" ", "_")
        text += f"""
[[service]]
product = "nem/{name}"
price = "services.{column}"
site_share = 0.7
"""
    (path / "scenario.toml").write_text(text, encoding="utf-8")
    return path


def region_file(region: str) -> Path:
    """Prices of 2024 of a region, such as "NSW1"."""
    return SPOT_FILE.with_name(f"PRICE_AND_DEMAND_2024_{region}.csv.gz")


def passed_through(charge: str, pays: str, fee_per_kwh: float, feed_in: str, gets: str) -> str:
    """Import and export at two columns of prices, with a fee on import."""
    return f"""
[[tariff.component]]
kind = "spot_charge"
name = "{charge}"
price_per_mwh = "{pays}"
fee_per_kwh = {fee_per_kwh}

[[tariff.component]]
kind = "spot_feed_in"
name = "{feed_in}"
price_per_mwh = "{gets}"
"""


# --- the same home at Dutch imbalance prices ----------------------------------------------------------------------

BALANCE_FEE_PER_KWH = 0.02


def dutch_prices() -> pd.DataFrame:
    """Prices of 2024 for being short and long, by UTC start; the file's rows are in order of time. [EUR/MWh]"""
    raw = pd.read_csv(DUTCH_FILE, sep=";")
    starts = pd.date_range("2023-12-31T23:00Z", periods=len(raw), freq="15min", name="interval_start")
    return raw[["Price Shortage", "Price Surplus"]].set_axis(["short", "long"], axis=1).set_index(starts)


def dutch_scenario(folder: Path, start: str, days: int, gap_tolerance: float = 1e-6) -> Path:
    """A home that pays the price of shortage for import and gets that of surplus for export, by quarter-hours.

    The home is that of New South Wales: its summer is the Dutch winter. What is looked at is two prices that part.
    """
    folder.mkdir(parents=True, exist_ok=True)
    dutch_prices().to_csv(folder / "prices.csv", date_format="%Y-%m-%dT%H:%M:%SZ")
    text = f"""
title = "Home on Dutch imbalance prices"
description = "Imbalance prices of the Netherlands in 2024; load and solar of a New South Wales home in 2011-12."
currency = "EUR"
outside_folders = ["{HOME_FILE.parent.as_posix()}"]
solve = {{ gap_tolerance = {gap_tolerance} }}

[timeline]
start = {start}
days = {days}
step_minutes = 15
zone = "Europe/Amsterdam"

[source.prices]
file = "prices.csv"
stamps = "start"
step_minutes = 15

{HOME}
[tariff]
name = "Imbalance prices passed through, fee invented"
zone = "Europe/Amsterdam"

{passed_through("Short", "prices.short", BALANCE_FEE_PER_KWH, "Long", "prices.long")}
"""
    return _written(folder, text)


# --- a three-phase site in Texas with five day-ahead services -----------------------------------------------------

FIRST_ECRS_DAY = "2023-06-10"
# Hours that an offer must be sustained: ERCOT Nodal Protocol Revision Request 1282 (2025) for regulation, responsive
# reserve and contingency reserve; non-spinning reserve from a report of the stakeholder meeting on it, second hand.
SUSTAIN_HOURS = {"REGUP": 0.5, "REGDN": 0.5, "RRS": 0.5, "NSPIN": 4.0, "ECRS": 1.0}
SITE_SHARE = 0.8
DELIVERY_FEE_PER_KWH = 0.045


def hour_starts(frame: pd.DataFrame) -> pd.DatetimeIndex:
    """UTC starts of the hours of an ERCOT table: local hours ending 01:00 to 24:00, a flag on the repeated one."""
    hour_ending = frame["Hour Ending"].str[:2].astype(int)
    local = pd.to_datetime(frame["Delivery Date"], format="%m/%d/%Y") + pd.to_timedelta(
        hour_ending - 1, unit="h"
    )
    first_of_two = (frame["Repeated Hour Flag"] == "N").to_numpy()
    return pd.DatetimeIndex(local).tz_localize("America/Chicago", ambiguous=first_of_two).tz_convert("UTC")


def capacity_prices() -> pd.DataFrame:
    """ERCOT's clearing prices for capacity, in the order of the file. [USD per MW and hour]"""
    return pd.read_csv(CAPACITY_FILE)


def _write_market(path: Path) -> None:
    """Energy and capacity prices as one tidy table; ECRS, which did not exist yet, is 0 before its first day."""
    points, capacity = pd.read_csv(POINTS_FILE), capacity_prices()
    keys = ["Delivery Date", "Hour Ending", "Repeated Hour Flag"]
    tidy = capacity.merge(points, on=keys, how="left", validate="one_to_one")
    tidy.index = hour_starts(tidy).rename("interval_start")
    new = tidy.index < pd.Timestamp(FIRST_ECRS_DAY, tz="America/Chicago")
    tidy.loc[new, "ECRS"] = tidy.loc[new, "ECRS"].fillna(0.0)
    tidy.drop(columns=keys).to_csv(path, date_format="%Y-%m-%dT%H:%M:%SZ")


HOME_OF_PHASE = {"l1": "h05", "l2": "h07", "l3": "h08"}


def three_homes() -> pd.DataFrame:
    """Energy of three homes in each half-hour of 2013, read as if on the clock of Texas. [kWh]"""
    homes = pd.read_csv(THREE_HOMES_FILE)
    clock = pd.DatetimeIndex(pd.to_datetime(homes[homes.columns[0]])).tz_localize("Etc/GMT+6")
    return homes[list(HOME_OF_PHASE.values())].set_index(clock.tz_convert("UTC"))


def _write_homes(path: Path) -> None:
    """Mean power of the homes, one for each phase, laid onto 2023 with each home's yearly energy kept. [kW]"""
    homes, columns, notes = three_homes(), {}, []
    for phase, home in HOME_OF_PHASE.items():
        laid = redate(homes[home] * 2, datetime.date(2023, 1, 1), "UTC-06:00", home)
        columns[f"load_{phase}_kw"] = laid.kw
        notes.append(f"{home}, {laid.words()}.")
    write(Made(laid.timeline, columns, tuple(notes), (), ""), path)


def texas_scenario(folder: Path, start: str, days: int) -> Path:
    """Three phases with a battery on day-ahead prices of Austin's load zone and five services of 2023.

    The load is of three Australian homes of 2013, laid on by season and weekday: another country and hemisphere.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _write_market(folder / "market.csv")
    _write_homes(folder / "homes.parquet")
    text = f"""
title = "Three phases on day-ahead prices with five services"
description = "Prices of ERCOT's day-ahead market in 2023; load of three Australian homes in 2013."
currency = "USD"

[timeline]
start = {start}
days = {days}
step_minutes = 60
zone = "America/Chicago"

[source.market]
file = "market.csv"
stamps = "start"
step_minutes = 60

[source.homes]
file = "homes.parquet"
stamps = "start"
step_minutes = 30
coarsen = "mean"

[site]
phases = 3
registers = "netted"
connection = {{ import_limit_kw = 40.0, export_limit_kw = 15.0, import_limit_kw_per_phase = 14.0 }}
load = [
    {{ phase = "L1", power_kw = "homes.load_l1_kw" }},
    {{ phase = "L2", power_kw = "homes.load_l2_kw" }},
    {{ phase = "L3", power_kw = "homes.load_l3_kw" }},
]

[[storage]]
kind = "battery"
name = "battery"
units = 3
unit_kwh = 10.0
charge_kw = 5.0
discharge_kw = 5.0
charge_efficiency = 0.97
discharge_efficiency = 0.97
voltage_v = 51.2
self_discharge_per_day = 0.001
wear_per_kwh = 0.01
reserve = [{{ fraction = 0.10 }}]

[tariff]
name = "Day-ahead price passed through, fees invented"
zone = "America/Chicago"

{passed_through("Day-ahead", "market.LZ_AEN", DELIVERY_FEE_PER_KWH, "Export", "market.LZ_AEN")}
"""
    for name, phase in (("a", "L1"), ("b", "L2"), ("c", "L3")):
        text += f"""
[[site.inverter]]
name = "{name}"
phase = "{phase}"
output_kw = 4.6
input_kw = 4.1
output_efficiency = 0.941
input_efficiency = 0.933
standby_w = 23
"""
    for name, hours in SUSTAIN_HOURS.items():
        text += f"""
[[service]]
name = "{name}"
direction = "{"down" if name == "REGDN" else "up"}"
sustain_hours = {hours}
price = "market.{name}"
price_unit = "per_mw_hour"
site_share = {SITE_SHARE}
"""
        text += f"valid_from = {FIRST_ECRS_DAY}\n" if name == "ECRS" else ""
    return _written(folder, text)


def _written(folder: Path, text: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    return folder


def figures(made: Run, seconds: float, cpu_seconds: float) -> str:
    """One line of a table of what a run came to."""
    head, proof = made.summary.headline, made.dispatch.proof
    money = (
        head.bill_before,
        head.ceiling_bill_after,
        head.ceiling_services_income,
        head.ceiling_saving,
    )
    words = "".join(f"{amount:11.2f}" for amount in money)
    words += f"  {proof.gap_relative:8.1e} {seconds:7.1f} {cpu_seconds:5.1f}"
    return words + f" {proof.inverted_steps:9d} {proof.binding_steps:8d}  {proof.route}"


HEADING = "     before      after   services     saving       gap seconds   CPU  inverted decided  route"


def money(made: Run, line: str) -> float:
    """What the statement says of a line of the case with the system, over all billing periods. [currency]"""
    rows = made.statement.table
    return float(np.sum(rows.loc[(rows["case"] == "after") & (rows["line"] == line), "amount"]))
