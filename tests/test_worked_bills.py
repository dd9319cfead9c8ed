"""Bills done by hand, through the case without a system as it is settled.

Where a published bill has a part that a tariff here cannot say, only the other parts are used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import table, write_site

from optimiser import read_scenario, settle, solve
from optimiser.settlement import Statement
from optimiser.timeline import Window

CENT = 0.005


def near(value: float) -> Any:
    """An amount to within half a cent."""
    return pytest.approx(value, abs=CENT, rel=0)


def bill(
    tmp_path: Path,
    components: Sequence[Mapping[str, Any]],
    load_kw: Any,
    *,
    step_minutes: int = 60,
    solar_kw: Any = None,
    columns: Mapping[str, Sequence[float]] | None = None,
    first: str = "2025-01-01",
    tax: Mapping[str, Any] | None = None,
    days: int = 1,
    zone: str = "UTC",
) -> Statement:
    """The statement of a load, and solar that is there already, without any storage.

    `first` is the first stamp of the data; its date starts the timeline.
    """
    given = {name: values for name, values in (("load", load_kw), ("solar", solar_kw)) if np.ndim(values)}
    given |= columns or {}
    site: dict[str, Any] = {
        "phases": 1,
        "connection": {"import_limit_kw": 1e6, "export_limit_kw": 1e6},
        "load": [{"power_kw": "data.load" if np.ndim(load_kw) else load_kw}],
    }
    if solar_kw is not None:
        available = "data.solar" if np.ndim(solar_kw) else solar_kw
        site["ac_solar"] = [{"name": "roof", "available_kw": available, "existing": True}]
    text = table(
        start=first[:10],
        days=days,
        step_minutes=step_minutes,
        zone=zone,
        site=site,
        components=components,
        tax_fraction=(tax or {}).get("tax_fraction", 0.0),
    )
    statement = settle(solve(read_scenario(write_site(tmp_path, text, given, step_minutes, first))))
    # Without a system the best schedule is the same bill.
    assert near(statement.bill_before) == statement.bill_after
    return statement


def amounts(statement: Statement) -> dict[str, float]:
    """What each line of the case before costs, positive."""
    before = statement.table.query("case == 'before'")
    return {name: float(-rows["amount"].sum()) for name, rows in before.groupby("line")}


def energy(rates: Sequence[tuple[str, float, Mapping[str, Any] | None]], **more: Any) -> dict[str, Any]:
    """An energy charge of named rates with their windows."""
    made: list[dict[str, Any]] = []
    for name, rate, when in rates:
        made.append({"name": name, "rate_per_kwh": rate} | ({"when": when} if when else {}))
    return {"kind": "energy_charge", "rates": made} | more


# --- published ---


@pytest.mark.parametrize(("tax_fraction", "total"), [(0.0, 129.60), (0.10, 142.56)])
def test_bill_of_a_demand_quarter(tmp_path, tax_fraction, total):
    """9.6 kW x 90 days x 15 c/kW/day = $129.60, with 10 % GST $142.56.

    Source: AGL's help text on demand charges as quoted on its forum (129.60); GST by hand. January to March
    2025 are 90 days and three billing periods; a rate here is per kW and period, so 15 c a day is 4.50 for 30
    days.
    """
    demand = [{"kind": "demand_charge", "rate_per_kw": 0.15 * 30}]
    statement = bill(tmp_path, demand, 9.6, days=90, tax={"tax_fraction": tax_fraction})
    assert near(total) == statement.bill_before


def test_bill_of_five_motors(tmp_path):
    """Five motors of 10 kW for 8 h at 10 c/kWh: 400 kWh, $40, a demand of 50 kW.

    Source: South Carolina Electric & Gas, business page on demand and energy.
    """
    charges = [
        {"kind": "energy_charge", "rate_per_kwh": 0.10, "name": "Energy"},
        {"kind": "demand_charge", "rate_per_kw": 1.0},
    ]
    statement = bill(tmp_path, charges, np.r_[np.zeros(8), np.full(8, 50.0), np.zeros(8)])
    before = statement.table.query("case == 'before'").set_index("line")
    assert pytest.approx(400) == before.loc["Energy", "quantity"]
    assert near(-40.00) == before.loc["Energy", "amount"]
    assert pytest.approx(50) == before.loc["Demand", "quantity"]


def test_demand_of_a_half_hour(tmp_path):
    """5 kWh in one half hour are a demand of 10 kW.

    Source: a retailer's help page, its unit corrected (title not recorded, read second hand): demand is energy over
    the length of the interval.
    """
    load = np.zeros(48)
    load[20] = 5 / 0.5
    demand = [{"kind": "demand_charge", "rate_per_kw": 1.0}]
    assert near(10.00) == bill(tmp_path, demand, load, step_minutes=30).bill_before


@pytest.mark.parametrize(("hour", "cost"), [(2, 1.33), (18, 3.57)])
def test_bill_of_a_charged_car(tmp_path, hour, cost):
    """7 kWh at 19 c off peak cost $1.33, at 51 c in the peak $3.57.

    Source: trade press on time-of-use rates. Hours of the peak, 15:00 to 21:00, are made up.
    """
    load = np.zeros(24)
    load[hour] = 7
    rates = energy([("peak", 0.51, {"from": "15:00", "to": "21:00"}), ("off-peak", 0.19, None)])
    assert near(cost) == bill(tmp_path, [rates], load).bill_before


@pytest.mark.parametrize(("factor", "price"), [(1.06, 31.80), (1.03, 30.90)])
def test_spot_price_at_a_connection(tmp_path, factor, price):
    """$30/MWh at the reference node is $31.80 at a loss factor of 1.06 and $30.90 at 1.03.

    Source: AEMO, Treatment of Loss Factors in the NEM, 1 July 2012, section 11.
    """
    load = np.r_[1000.0, np.zeros(23)]
    spot = [{"kind": "spot_charge", "price_per_mwh": 30.0, "transmission_loss_factor": factor}]
    assert near(price) == bill(tmp_path, spot, load).bill_before


def test_bill_of_three_loads_at_spot(tmp_path):
    """95, 20 and 40 MW at factors 1.05, 1.02 and 1.03 and $25/0.97 pay $2,570.88, 525.77 and 1,061.86 for an
    hour.

    Source: AEMO, Treatment of Loss Factors in the NEM, 1 July 2012, Table 4, printed to the dollar as 2,571,
    526 and 1,062; the factor 1.05 is inferred and the cents are recomputed with the price unrounded.
    """
    total = 0.0
    for load_mw, factor, printed, cents in (
        (95, 1.05, 2571, 2570.88),
        (20, 1.02, 526, 525.77),
        (40, 1.03, 1062, 1061.86),
    ):
        spot = {"kind": "spot_charge", "price_per_mwh": 25 / 0.97, "transmission_loss_factor": factor}
        load = np.r_[load_mw * 1000.0, np.zeros(23)]
        paid = bill(tmp_path / str(load_mw), [spot], load).bill_before
        assert near(cents) == paid
        assert printed == round(paid)
        total += paid
    assert 4159 == round(total)


def test_loss_factors_multiply(tmp_path):
    """Price at the site is the regional price x transmission factor x distribution factor, then fees per kWh.

    Source: AEMO, Treatment of Loss Factors in the NEM, 1 July 2012: nodal price = RRP x both factors. Figures
    made up: 2 MWh x 50 x 1.02 x 1.05 = 107.10, and 2,000 kWh x 0.03 = 60.00 of fees.
    """
    spot = {
        "kind": "spot_charge",
        "name": "Spot",
        "price_per_mwh": 50.0,
        "transmission_loss_factor": 1.02,
        "distribution_loss_factor": 1.05,
        "fee_per_kwh": 0.03,
    }
    paid = amounts(bill(tmp_path, [spot], np.r_[2000.0, np.zeros(23)]))
    assert near(107.10) == paid["Spot"]
    assert near(60.00) == paid["Spot, fees"]


# Half-hourly energies of 1 March 2005 in the sample of AEMO's meter data file format (NEM12), kWh from 00:00
# UTC+10.
SAMPLE_DAY_KWH = [0.0] * 12 + [
    *(0.461, 0.810, 0.568, 1.234, 1.353, 1.507, 1.344, 1.773, 0.848, 1.271, 0.895, 1.327),
    *(1.013, 1.793, 0.988, 0.985, 0.876, 0.555, 0.760, 0.938, 0.566, 0.512, 0.970, 0.760),
    *(0.731, 0.615, 0.886, 0.531, 0.774, 0.712, 0.598, 0.670, 0.587, 0.657, 0.345, 0.231),
]


def test_bill_of_a_published_meter_day(tmp_path):
    """The sample day of the meter data file format: 31.444 kWh, the highest half hour 1.793 kWh = 3.586 kW,
    12:30.

    Source: AEMO, Meter Data File Format specification, sample file, day 2005-03-01; sums by hand. Rates are
    made up: 20 c/kWh gives $6.29. Of it, values 26 and 27 (12:30 to 13:30) are 2.781 kWh.
    """
    charges = [
        energy([("noon", 1.0, {"from": "12:30", "to": "13:30"}), ("other", 0.20, None)]),
        {"kind": "demand_charge", "rate_per_kw": 1.0},
    ]
    load = np.array(SAMPLE_DAY_KWH) * 2
    statement = bill(
        tmp_path, charges, load, step_minutes=30, first="2005-03-01T00:00+10:00", zone="Australia/Brisbane"
    )
    assert pytest.approx(31.444) == statement.energy_kwh["load"]
    paid = amounts(statement)
    assert near(2.781) == paid["Energy imported noon"]
    assert near((31.444 - 2.781) * 0.20) == paid["Energy imported other"]
    assert near(3.586) == paid["Demand"]


# --- by hand, rates made up ---


def test_bill_of_a_time_of_use_week(tmp_path):
    """A week from Monday 6 January 2025, 2 kW always: 5 workdays x 6 h of peak = 60 kWh at 40 c, the rest at
    20 c.

    Energy 24.00 + (336 - 60) x 0.20 = 55.20; supply 7 x 1.10 = 7.70; GST 10 % of 86.90 = 8.69; total 95.59.
    """
    peak = {"days": ["workday"], "from": "15:00", "to": "21:00"}
    charges = [
        energy([("peak", 0.40, peak), ("off-peak", 0.20, None)]),
        {"kind": "daily_charge", "rate_per_day": 1.10},
    ]
    statement = bill(tmp_path, charges, 2.0, first="2025-01-06", days=7, tax={"tax_fraction": 0.10})
    paid = amounts(statement)
    assert near(24.00) == paid["Energy imported peak"]
    assert near(55.20) == paid["Energy imported off-peak"]
    assert near(7.70) == paid["Supply"]
    assert near(8.69) == paid["Tax"]
    assert near(95.59) == statement.bill_before


def test_tax_falls_on_taxed_lines_only(tmp_path):
    """10 kWh in at 30 c and 4 kWh out at 5 c: tax of 10 % on 3.00 and, by default, not on the credit of 0.20.

    3.00 + 0.30 - 0.20 = 3.10; with the credit taxed as well 3.08; with nothing taxed 2.80.
    """
    load, sun = np.r_[10.0, np.zeros(23)], np.r_[0.0, 4.0, np.zeros(22)]
    charge = {"kind": "energy_charge", "rate_per_kwh": 0.30}
    credit = {"kind": "feed_in", "rate_per_kwh": 0.05}
    for number, (charge_taxed, credit_taxed, total) in enumerate(
        [(True, False, 3.10), (True, True, 3.08), (False, False, 2.80)]
    ):
        charges = [charge | {"taxed": charge_taxed}, credit | {"taxed": credit_taxed}]
        made = bill(tmp_path / str(number), charges, load, solar_kw=sun, tax={"tax_fraction": 0.10})
        assert near(total) == made.bill_before


def test_before_and_after_may_be_on_two_contracts(tmp_path):
    """10 kWh at 30 c before; the contract of the system charges 25 c and 1.00 a day: 3.00 and 3.50."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": "data.load"}],
    }
    after = [{"kind": "energy_charge", "rate_per_kwh": 0.25}, {"kind": "daily_charge", "rate_per_day": 1.0}]
    before = {"name": "old", "zone": "UTC", "component": [{"kind": "energy_charge", "rate_per_kwh": 0.30}]}
    text = table(site=site, components=after, before_tariff=before)
    made = settle(solve(read_scenario(write_site(tmp_path, text, {"load": [10.0, *[0.0] * 23]}))))
    assert near(3.00) == made.bill_before
    assert near(3.50) == made.bill_after


def test_demand_is_the_mean_of_six_five_minute_steps(tmp_path):
    """12 kW for 10 minutes of a clock half hour is 4 kW; across its edge, 12 kW for 5 + 5 minutes, only 2 kW.

    Demand over 30 minutes on the meter's clock grid, not a sliding mean: common practice, no source.
    """
    demand = [{"kind": "demand_charge", "rate_per_kw": 1.0, "interval_minutes": 30}]
    for first, kw in ((120, 4.0), (121, 4.0), (125, 2.0)):
        load = np.zeros(288)
        load[first : first + 2] = 12.0
        made = bill(tmp_path / str(first), demand, load, step_minutes=5)
        assert near(kw) == made.bill_before


def test_demand_within_a_window_and_of_each_month(tmp_path):
    """Workdays 16:00 to 21:00, rate 8: 30 and 31 January 2025 peak at 5 kW inside, February's first workday
    at 3 kW.

    30 January is a Thursday; 1 February a Saturday, on which 50 kW cost nothing, nor do 50 kW at 21:00. 8 x 5
    + 8 x 3 = 64.
    """
    load = np.ones((5, 24))
    load[0, 16], load[1, 20], load[1, 21] = 4, 5, 50
    load[2, 17] = 50  # Saturday
    load[4, 18] = 3  # Monday 3 February
    when = {"days": ["workday"], "from": "16:00", "to": "21:00"}
    demand = [{"kind": "demand_charge", "rate_per_kw": 8.0, "interval_minutes": 60, "when": when}]
    made = bill(tmp_path, demand, load.ravel(), first="2025-01-30", days=5)
    assert near(64.00) == made.bill_before
    months = made.table.query("case == 'before'").groupby("billing_period")["amount"].sum()
    assert {"2025-01": -40.0, "2025-02": -24.0} == pytest.approx(dict(months))


def test_window_across_midnight(tmp_path):
    """22:00 to 06:00 of 1 kW are 8 kWh a day at 10 c, the other 16 at 30 c: 0.80 and 4.80."""
    rates = energy([("night", 0.10, {"from": "22:00", "to": "06:00"}), ("day", 0.30, None)])
    paid = amounts(bill(tmp_path, [rates], 1.0))
    assert near(0.80) == paid["Energy imported night"]
    assert near(4.80) == paid["Energy imported day"]


def test_window_across_midnight_asks_each_step_for_its_own_day(tmp_path):
    """Saturday 22:00 to 06:00 is Saturday's own 00:00 to 06:00 and 22:00 to 24:00: 8 h of 1 kW at 10 c.

    Friday 3 to Sunday 5 January 2025: 72 kWh less 8 at 30 c = 19.20.
    """
    when = {"days": ["sat"], "from": "22:00", "to": "06:00"}
    rates = energy([("night", 0.10, when), ("other", 0.30, None)])
    paid = amounts(bill(tmp_path, [rates], 1.0, first="2025-01-03", days=3))
    assert near(0.80) == paid["Energy imported night"]
    assert near(19.20) == paid["Energy imported other"]
    assert "22:00-06:00, sat" == Window.model_validate(when).words()


@pytest.mark.parametrize(
    ("zone", "first", "hours"),
    [
        ("Australia/Sydney", "2025-10-05T00:00+10:00", 23),
        ("Australia/Sydney", "2025-04-06T00:00+11:00", 25),
        ("Australia/Brisbane", "2025-10-05T00:00+10:00", 24),
        ("Europe/Berlin", "2025-03-30T00:00+01:00", 23),
        ("Europe/Berlin", "2025-10-26T00:00+02:00", 25),
    ],
)
def test_fixed_charge_of_a_clock_change_day(tmp_path, zone, first, hours):
    """A day of supply is a day, whatever its clock does; energy is of the hours it has (tz database).

    A window keeps to the local clock: 18:00 to 20:00 are two hours on each of these days.
    """
    charges = [
        {"kind": "daily_charge", "rate_per_day": 2.50},
        energy([("evening", 1.0, {"from": "18:00", "to": "20:00"}), ("other", 0.10, None)]),
    ]
    paid = amounts(bill(tmp_path, charges, np.ones(hours), first=first, zone=zone))
    assert near(2.50) == paid["Supply"]
    assert near(2.00) == paid["Energy imported evening"]
    assert near((hours - 2) * 0.10) == paid["Energy imported other"]


def test_fixed_charge_of_lord_howe(tmp_path):
    """A day of 23.5 hours is one day of supply (tz database, Australia/Lord_Howe, 5 October 2025)."""
    fixed = [{"kind": "daily_charge", "rate_per_day": 2.0}]
    made = bill(
        tmp_path,
        fixed,
        np.ones(47),
        step_minutes=30,
        first="2025-10-05T00:00+10:30",
        zone="Australia/Lord_Howe",
    )
    assert near(2.00) == made.bill_before
    assert pytest.approx(23.5) == made.energy_kwh["load"]
