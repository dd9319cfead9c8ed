"""The appraisal: wear, items, price changes, tax and loan, later years, price years and the workbook, against
standards, handbook figures and other libraries.
"""

from __future__ import annotations

import json
import math
import warnings
from datetime import date

import numpy as np
import numpy_financial
import openpyxl
import pandas as pd
import pytest
import pyxirr
from conftest import battery, inverter, table, write_site
from hypothesis import assume, given
from hypothesis import strategies as st

import optimiser
from optimiser import appraise, read_scenario, settle, solve, vary
from optimiser.equipment.warranty import Warranty
from optimiser.errors import ScenarioError
from optimiser.finance import (
    capital_recovery,
    discounted,
    internal_rates,
    levelised,
    modified_rate,
    net_present_value,
    payback,
)
from optimiser.finance.ageing import BankLife, Course, bank_lives, cycles, wear_price
from optimiser.finance.appraisal import AppraisedYear
from optimiser.finance.cash import Shift, cash_flow, totals
from optimiser.finance.yearly import saving_by_group
from optimiser.results.run import run
from optimiser.results.workbook import write_workbook
from optimiser.results.write import write_results
from optimiser.scenario.cost import MACRS, Cost
from optimiser.studies.life import later_years
from optimiser.studies.price_years import price_years, spread

CENT = 0.005
NO_SAVING = {"energy_in": 0.0, "energy_out": 0.0, "demand": 0.0, "fixed": 0.0, "services": 0.0}


def flat(amount: float, fade: float = 0.0):
    """A saving on imported energy that falls by a share each year."""
    return lambda year: {**NO_SAVING, "energy_in": amount * (1 - fade) ** (year - 1)}


def flows_of(saving, banks=(), shift=None, **cost):
    """Yearly sums of the cash flow of a cost table."""
    return totals(cash_flow(Cost(**cost), saving, banks, shift))


def by_name(saving, banks=(), **cost):
    """Amounts of each item of a cost table."""
    return {item.name: item.amounts for item in cash_flow(Cost(**cost), saving, banks)}


# --- Formulas ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flows", "rates"),
    [
        # numpy-financial's documentation of `irr`, its first root; the others by the polynomial's roots.
        ((-100, 39, 59, 55, 20), (0.280948,)),
        ((-100, 0, 0, 74), (-0.0955,)),
        ((-100, 100, 0, -7), (-0.6789, -0.0833)),
        ((-5, 10.5, 1, -8, 1), (-0.8702, 0.0886, 0.7096)),
        # Microsoft's example of the spreadsheet function IRR, after four and after five years.
        ((-70000, 12000, 15000, 18000, 21000), (-0.021245,)),
        ((-70000, 12000, 15000, 18000, 21000, 26000), (0.086631,)),
        ((-100, -10, -10), ()),
        ((0, 0), ()),
        ((100, -50, 80), ()),
    ],
)
def test_every_internal_rate_is_found(flows, rates):
    """One, several or none, as published."""
    assert pytest.approx(rates, abs=6e-5) == internal_rates(flows)


@given(st.floats(-1e6, -100), st.lists(st.floats(1, 1e5), min_size=2, max_size=30))
def test_a_single_internal_rate_is_that_of_pyxirr(capital, income):
    """Capital first and income after it: one rate, that of `pyxirr.irr`; at it nothing is left."""
    flows = [capital, *income]
    expected = pyxirr.irr(flows)
    assume(expected is not None and -0.9 < expected < 100)
    (rate,) = internal_rates(flows)
    assert pytest.approx(expected, abs=1e-7, rel=1e-6) == rate
    assert pytest.approx(0, abs=1e-6 * sum(map(abs, flows))) == net_present_value(flows, rate)


DATED = {  # check 77: Microsoft's example of the spreadsheet functions XNPV and XIRR
    date(2008, 1, 1): -10_000, date(2008, 3, 1): 2750, date(2008, 10, 30): 4250, date(2009, 2, 15): 3250,
    date(2009, 4, 1): 2750,
}  # fmt: skip


def test_flows_of_any_day_are_discounted_as_spreadsheets_do():
    """Days since the first over 365; the figures that are printed, and those of pyxirr."""
    days, flows = list(DATED), list(DATED.values())
    years = [(day - days[0]).days / 365 for day in days]
    worth = net_present_value(flows, 0.09, years)
    assert pytest.approx(2086.65, abs=CENT) == worth
    assert pytest.approx(pyxirr.xnpv(0.09, days, flows)) == worth
    assert pytest.approx(worth) == discounted(flows, 0.09, years).sum()
    (rate,) = internal_rates(flows, years)
    assert pytest.approx(0.37336, abs=5e-6) == rate
    assert pytest.approx(pyxirr.xirr(days, flows), abs=1e-7) == rate


def test_the_modified_rate_is_that_of_spreadsheets():
    """Check 78: five years at 10 % to borrow and 12 % to reinvest; from memory of a spreadsheet's own example.

    The reference is numpy-financial's mirr.
    """
    flows = [-120_000, 39_000, 30_000, 21_000, 37_000, 46_000]
    assert modified_rate(flows, 0.10, 0.12) == pytest.approx(0.1261, abs=5e-5)
    assert modified_rate(flows, 0.10, 0.12) == pytest.approx(
        numpy_financial.mirr(flows, 0.10, 0.12), rel=1e-12
    )
    assert modified_rate([100, 20], 0.1, 0.1) is None
    assert modified_rate([-100, -20], 0.1, 0.1) is None


@given(st.lists(st.integers(-100, 100), min_size=3, max_size=9))
def test_internal_rates_are_the_roots_of_the_polynomial(flows):
    """Wherever numpy's roots are real, apart and above -99 %, they are the rates."""
    roots = np.roots(np.trim_zeros(flows)[::-1]) if any(flows) else np.array([])
    rates = 1 / roots[np.abs(roots) > 1e-9] - 1
    real = np.sort(rates[np.abs(rates.imag) < 1e-7].real)
    near = np.abs(rates.imag) < 1e-2 * np.abs(1 + rates)
    assume(near.sum() == len(real))
    assume((np.diff(real) > 0.05 * np.abs(1 + real[1:])).all())
    real = real[(real > -0.98) & (real < 9e3)]
    assume(not ((real > -1) & (real < -0.98)).any())
    found = [rate for rate in internal_rates(flows) if -0.98 < rate < 9e3]
    assert pytest.approx(list(real), rel=1e-5, abs=1e-6) == found


@pytest.mark.parametrize(
    ("rate", "years", "factor"),
    [(0.10, 20, 0.117460), (0.08, 20, 0.101852), (0.08, 10, 0.149029), (0.07, 10, 0.142378)],
)
def test_capital_recovery_factors(rate, years, factor):
    """Standard tables of engineering economy (from memory); `numpy_financial.pmt` agrees."""
    assert pytest.approx(factor, abs=5e-7) == capital_recovery(rate, years)
    assert pytest.approx(-numpy_financial.pmt(rate, years, 1)) == capital_recovery(rate, years)


@pytest.mark.parametrize(
    ("rate", "years", "factor"),
    [(0.10, 5, 3.7908), (0.08, 10, 6.7101), (0.03, 20, 14.8775), (0.05, 15, 10.3797)],
)
def test_present_worth_of_an_annuity(rate, years, factor):
    """Standard tables of engineering economy, by hand from the formula."""
    assert pytest.approx(factor, abs=5e-5) == net_present_value([0, *[1] * years], rate)
    assert pytest.approx(factor, abs=5e-5) == 1 / capital_recovery(rate, years)


def test_discounted_payback():
    """10,000 that save 2,500 a year at 8 %: 5.012 years with a straight line inside the year (by hand)."""
    assert pytest.approx(5.012, abs=5e-4) == payback(discounted([-10000, *[2500] * 10], 0.08).tolist())


@pytest.mark.parametrize(("fade", "price"), [(0.0, 0.5301), (0.02, 0.5723)])
def test_levelised_cost(fade, price):
    """10,000 and 100 a year for 3,000 kWh a year, 10 years at 8 %, with and without fade (by hand)."""
    energy = [0, *(3000 * (1 - fade) ** year for year in range(10))]
    assert pytest.approx(price, abs=5e-5) == levelised([10000, *[100] * 10], energy, 0.08)
    assert levelised([1.0], [0.0], 0.08) is None


# --- Items -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fade", "more", "npv", "rate"),
    [
        (0.0, {}, 6775.20, 0.21406),
        (0.02, {}, 5538.43, 0.19585),
        (0.02, {"replacement": ({"name": "unit", "amount": 3000.0, "every_years": 6},)}, 3647.92, 0.16250),
    ],
)
def test_fade_and_replacement_in_the_flows(fade, more, npv, rate):
    """10,000 that save 2,500 in year 1, over 10 years at 8 % (by hand; each is one formula)."""
    flows = flows_of(flat(2500, fade), capital=10000.0, life_years=10, **more)
    assert pytest.approx(npv, abs=CENT) == net_present_value(flows, 0.08)
    assert pytest.approx((rate,), abs=5e-6) == internal_rates(flows)


def test_escalation_is_that_of_the_handbook():
    """Factor 18.0812 for 20 years at 3 %, 2 % a year more each year, the first already raised.

    Source: modified uniform present value factor of NIST Handbook 135, from memory.
    """
    flows = flows_of(flat(1.02), capital=0.0, life_years=20, escalation={"energy_in": 0.02})
    assert pytest.approx(18.0812, abs=5e-5) == net_present_value(flows, 0.03)


@given(st.floats(0, 0.2), st.floats(0, 0.1))
def test_real_and_nominal_agree(real, inflation):
    """Everything at inflation, discounted at the nominal rate, is a flat flow at the real one."""
    cost = {"capital": 1000.0, "inflation_fraction": inflation, "discount_rate_fraction": real}
    nominal = Cost(**cost, discount_rate_is="real").nominal_rate
    assert pytest.approx(real) == Cost(**cost, discount_rate_is="real").real_rate
    flows = flows_of(flat(100.0 * (1 + inflation)), **cost)
    assert pytest.approx(net_present_value([-1000, *[100] * 15], real)) == net_present_value(flows, nominal)


def test_real_rate_of_a_nominal_one():
    """8 % with 2.5 % inflation is 5.366 % real (Fisher relation, by hand)."""
    assert (
        pytest.approx(0.05366, abs=5e-6)
        == Cost(capital=1.0, discount_rate_fraction=0.08, inflation_fraction=0.025).real_rate
    )


def test_every_item_in_its_year():
    """Purchases, incentives, upkeep, replacement and end value, by hand with 10 % inflation."""
    made = by_name(
        flat(1000.0),
        capital=5000.0,
        yearly=10.0,
        life_years=4,
        inflation_fraction=0.10,
        end_value=100.0,
        item=({"name": "cables", "amount": 200.0}, {"name": "meter", "amount": 50.0, "year": 2}),
        incentive=(
            {"name": "grant", "amount": 300.0, "year": 1},
            {"name": "credit", "capital_fraction": 0.3},
        ),
        upkeep=({"name": "fee", "amount": 20.0, "change_fraction": 0.0, "last_year": 3},),
        replacement=({"name": "fan", "amount": 30.0, "every_years": 2, "change_fraction": -0.1},),
        escalation={"energy_in": 0.0},
    )
    expected = {
        "Saving, energy in": (0, 1000, 1000, 1000, 1000),
        "Capital": (-5000, 0, 0, 0, 0),
        "cables": (-200, 0, 0, 0, 0),
        "meter": (0, 0, -60.5, 0, 0),
        "grant": (0, 300, 0, 0, 0),
        "credit": (1560, 0, 0, 0, 0),
        "Upkeep": (0, -10, -11, -12.1, -13.31),
        "fee": (0, -20, -20, -20, 0),
        "fan": (0, 0, -24.3, 0, 0),
        "End value": (0, 0, 0, 0, 146.41),
    }
    assert list(expected) == list(made)
    for name, amounts in expected.items():
        assert pytest.approx(amounts) == made[name], name


@pytest.mark.parametrize(
    ("name", "life", "balance"), [("macrs_5", 5, 2.0), ("macrs_7", 7, 2.0), ("macrs_15", 15, 1.5)]
)
def test_write_off_tables_are_their_declining_balance(name, life, balance):
    """Table A-1 of IRS Publication 946 (from memory) is made by 200 % (15 years: 150 %) declining balance with the
    half-year convention, changing to a straight line once that gives more; each printed figure within 0.01 %.
    """
    left, expected = 1.0, []
    for year in range(life + 1):
        share = 0.5 if year in (0, life) else 1.0
        straight = left / (life - max(year - 0.5, 0)) if year < life else left / 0.5
        expected.append(min(left, share * max(balance / life * left, straight)))
        left -= expected[-1]
    assert pytest.approx(1.0) == sum(MACRS[name])
    assert pytest.approx(expected, abs=1.01e-4) == list(MACRS[name])


def test_tax_and_loan_by_hand():
    """30 % tax, 5,000 written off over 5 years, a loan of 4,000 at 5 % over 4 years.

    The payment is `numpy_financial.pmt`, the interest of each year `numpy_financial.ipmt`.
    """
    made = by_name(
        flat(2000.0),
        capital=5000.0,
        life_years=6,
        tax={"rate_fraction": 0.3, "straight_line_years": 5},
        loan={"amount": 4000.0, "rate_fraction": 0.05, "years": 4},
    )
    payment = numpy_financial.pmt(0.05, 4, 4000)
    assert pytest.approx((4000, *[payment] * 4, 0, 0)) == made["Loan"]
    interest = [0, *(-numpy_financial.ipmt(0.05, year, 4, 4000) for year in range(1, 5)), 0, 0]
    written = [0, *[1000] * 5, 0]
    saving = [0, *[2000] * 6]
    expected = [-0.3 * (s - w - i) for s, w, i in zip(saving, written, interest, strict=True)]
    assert pytest.approx(expected) == list(made["Tax"])


def test_a_loan_that_outlives_the_appraisal_is_paid_off():
    """What is owed after the last year is paid in it: the loan's flows are worth nothing at its own rate."""
    made = by_name(
        flat(0.0), capital=5000.0, life_years=3, loan={"amount": 4000.0, "rate_fraction": 0.05, "years": 9}
    )
    assert pytest.approx(0, abs=1e-9) == net_present_value(made["Loan"], 0.05)


@given(st.floats(0.1, 10))
def test_doubling_everything_doubles_the_value(factor):
    """Capital, saving and upkeep times a factor: the value times it, the same payback."""
    shift = Shift(capital=factor, saving=factor, upkeep=factor)
    cost = {"capital": 9000.0, "yearly": 100.0, "upkeep": ({"name": "fee", "amount": 10.0},)}
    one, many = flows_of(flat(1200.0), **cost), flows_of(flat(1200.0), shift=shift, **cost)
    assert pytest.approx(factor * net_present_value(one, 0.05)) == net_present_value(many, 0.05)
    assert pytest.approx(payback(one)) == payback(many)


@pytest.mark.parametrize(
    ("cost", "words"),
    [
        ({}, "capital is required"),
        (
            {"capital": 1.0, "item": ({"name": "a", "amount": 1.0}, {"name": "a", "amount": 2.0})},
            "'a' stands there twice",
        ),
        ({"capital": 1.0, "item": ({"name": "Tax", "amount": 1.0},)}, "'Tax' stands there twice"),
        *(
            ({"capital": 1.0, "item": ({"name": name, "amount": 1.0},)}, f"'{name}' stands there twice")
            for name in ("Saving, demand", "year", "in the year", "running sum, discounted")
        ),
        ({"capital": 1.0, "incentive": ({"name": "a"},)}, "either amount or capital_fraction"),
        ({"capital": 1.0, "replacement": ({"name": "a", "amount": 1.0},)}, "give every_years"),
        ({"capital": 1.0, "life": {"load_growth_fraction": 0.01}}, "set resolve = true"),
        (
            {"capital": 1.0, "life_years": 5, "item": ({"name": "late", "amount": 1.0, "year": 6},)},
            "'late' is in year 6, after life_years = 5",
        ),
        (
            {"capital": 1.0, "upkeep": ({"name": "a", "amount": 1.0, "first_year": 3, "last_year": 2},)},
            "last_year 2 comes before first_year 3",
        ),
        ({"capital": 1.0, "life_years": 5, "life": {"ages": (7,)}}, "later than life_years"),
        (
            {"capital": 1.0, "loan": {"amount": 2.0, "rate_fraction": 0.1, "years": 3}},
            "more than the 1 laid out",
        ),
        (
            {
                "capital": 10.0,
                "incentive": ({"name": "a", "amount": 6.0},),
                "loan": {"amount": 5.0, "rate_fraction": 0.1, "years": 3},
            },
            "loan.amount of 5 is more than the 4 laid out in year 0 less incentives",
        ),
        (
            {
                "capital": 10.0,
                "incentive": ({"name": "a", "amount": 11.0},),
                "life_years": 5,
                "life": {"ages": (7,)},
            },
            "incentives come to 11, more than the 10 that is laid out; lower them; life.ages has 7",
        ),
    ],
)
def test_faults_of_a_cost_table(cost, words):
    """Each says what to do."""
    with pytest.raises(ValueError, match=words):
        Cost(**cost)


# --- Wear --------------------------------------------------------------------------------------------------


def test_rainflow_counts_of_the_standard():
    """The course -2, 1, -3, 5, -1, 3, -4, 4, -2 of ASTM E1049-85: half cycles of range 3, 4, 8, 9 (0.5 each; 8: 1.0
    in all), one whole and one half of 4, and half of 6. Sum of range x count: 1.5 + 6 + 3 + 8 + 4.5 = 23.
    """
    course = np.array([-2, 1, -3, 5, -1, 3, -4, 4, -2], float)
    assert pytest.approx(0.5 * 3 + 1.5 * 4 + 0.5 * 6 + 1.0 * 8 + 0.5 * 9) == cycles(course)
    squares = 0.5 * 9 + 1.5 * 16 + 0.5 * 36 + 1.0 * 64 + 0.5 * 81
    assert pytest.approx(squares) == cycles(course, 2.0)


@given(st.lists(st.floats(0, 1), min_size=3, max_size=200))
def test_counted_cycles_are_all_movement_over_two(course):
    """With every depth in proportion, rainflow counting leaves out nothing of the movement up and down."""
    moved = np.abs(np.diff(course)).sum() / 2
    assert pytest.approx(moved, abs=1e-9) == cycles(np.array(course))


HOME = {
    "phases": 1,
    "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
    "load": [{"power_kw": "data.load_kw"}],
    "inverter": [inverter(20.0)],
}
TIMES = [
    {
        "kind": "energy_charge",
        "rates": [
            {"name": "peak", "rate_per_kwh": 0.60, "when": {"from": "12:00", "to": "24:00"}},
            {"name": "other", "rate_per_kwh": 0.10},
        ],
    },
    {"kind": "demand_charge", "rate_per_kw": 0.01},
    {"kind": "daily_charge", "rate_per_day": 1.0},
]


def home(tmp_path, *, days=10, store=None, cost=None, life=None, columns=None, components=TIMES, **more):
    """A load of 1 kW before noon and 3 kW after it, with a store of 10 kWh that runs once a day."""
    bank = battery(10.0, 5.0, start_fraction=0.0, **(store or {}))
    if life:
        bank["life"] = life
    text = table(
        days=days,
        site=HOME,
        storage=[bank],
        components=components,
        tax_fraction=0.1,
        cost=cost or {"capital": 10000.0, "life_years": 20},
        **more,
    )
    load = np.tile(np.r_[np.full(12, 1.0), np.full(12, 3.0)], days)
    return read_scenario(write_site(tmp_path, text, {"load_kw": load, **(columns or {})}))


LIFE = {"cycle_life": 3650.0, "calendar_life_years": 20.0, "fade": "larger"}


def test_equivalent_cycles_and_years(tmp_path):
    """A cycle a day of 10 kWh: 3,650 kWh and 365 cycles a year; 3,650 cycles last 10 years, 7,300 are capped by 12.

    By hand: equivalent full cycles are energy discharged over usable energy; life is cycles over cycles a year, capped
    by the calendar life.
    """
    statement = settle(solve(home(tmp_path, life=LIFE)))
    (bank,) = bank_lives(statement, statement.dispatch.scenario.file.cost)
    assert pytest.approx(3650, rel=1e-6) == bank.discharged_kwh
    assert pytest.approx(365, rel=1e-6) == bank.full_cycles
    assert pytest.approx(365, rel=1e-6) == bank.counted_cycles
    assert pytest.approx(10.0, rel=1e-6) == bank.years == bank.years_by_cycles
    assert pytest.approx([1.0, 0.98, 0.8]) == [bank.share_left(year) for year in (1, 2, 11)]
    other = vary(
        statement.dispatch.scenario,
        {"storage.0.life": LIFE | {"cycle_life": 7300.0, "calendar_life_years": 12.0}},
    )
    (capped,) = bank_lives(settle(solve(other)), other.file.cost)
    assert pytest.approx(12.0) == capped.years


@pytest.mark.parametrize(("more", "years"), [({}, 8.15), ({"fade": "sum"}, 8.15), ({"fade": "larger"}, 15.0)])
def test_years_and_cycles_add_up_unless_the_larger_is_asked_for(tmp_path, more, years):
    """15 years and 6,000 cycles at 336 a year: 1/15 + 336/6000 = 12.27 % a year, 8.15 years; 15 by the larger alone.

    Arithmetic by hand. A cycle a day of the home, 365 a year, is 1 / (1/15 + 365/6000) or 15 years.
    """
    life = {"cycle_life": 6000.0, "calendar_life_years": 15.0} | more
    assert years == pytest.approx(1 / Warranty.model_validate(life).worn_per_year(336.0), abs=0.005)
    scenario = home(tmp_path, life=life)
    (bank,) = bank_lives(settle(solve(scenario)), scenario.file.cost)
    assert bank.years == pytest.approx(15.0 if years == 15.0 else 1 / (1 / 15 + 365 / 6000), rel=1e-6)


def test_wear_price_of_the_handbook():
    """Capital of 200, 600 and 800 thousand per MWh, a cycle a day for 10 years: 54.79, 164.38, 219.18 per MWh.

    Source: method of Prakash's doctoral thesis (UNSW), chapter on storage scheduling; figures by hand.
    """
    for capital, price in ((200.0, 54.79), (600.0, 164.38), (800.0, 219.18)):
        assert pytest.approx(price, abs=CENT) == 1000 * wear_price(capital, 365.0, 10.0)
    assert wear_price(None, 365.0, 10.0) is None is wear_price(1.0, 0.0, 10.0)


def test_wear_price_of_a_bank(tmp_path):
    """4,000 for a new bank that discharges 3,650 kWh a year for 10 years: 0.1096 a kWh."""
    cost = {
        "capital": 9000.0,
        "replacement": [{"name": "new bank", "amount": 4000.0, "storage": "store"}],
    }
    (bank,) = appraise(settle(solve(home(tmp_path, life=LIFE, cost=cost)))).course.banks
    assert pytest.approx(4000 / 36500, rel=1e-6) == bank.wear_per_kwh


def test_groups_add_up_to_the_saving(tmp_path):
    """The saving of each group, tax with what is taxed, sums to the statement's; demand goes by months."""
    statement = settle(solve(home(tmp_path, days=31)))
    scale = 8760 / (31 * 24)
    found = saving_by_group(statement)
    rows = statement.table[statement.table["case"] == "after"].groupby("group")["amount"].sum()
    rows -= statement.table[statement.table["case"] == "before"].groupby("group")["amount"].sum()
    assert pytest.approx(1.1 * rows["energy in"] * scale) == found["energy_in"]
    assert pytest.approx(1.1 * rows["demand"] * 12) == found["demand"]
    assert pytest.approx(0, abs=1e-9) == found["fixed"]
    assert pytest.approx(rows.drop(["tie-break", "wear"], errors="ignore").sum()) == statement.saving


def test_an_unrenewed_bank_is_warned_of_and_a_renewed_one_is_new(tmp_path):
    """Ten years of life in twenty appraised: a warning; renewed at the end of year 10, it starts again."""
    scenario = home(tmp_path, life=LIFE)
    made = appraise(settle(solve(scenario)))
    assert any("reaches its end of life after 10.0 years" in words for words in made.warnings)
    assert pytest.approx(1 - 0.02 * 19) == made.course.scale(20)
    renewed = vary(
        scenario, {"cost.replacement": [{"name": "new bank", "amount": 4000.0, "storage": "store"}]}
    )
    made = appraise(settle(solve(renewed)))
    assert () == made.warnings
    (item,) = [item for item in made.items if item.name == "new bank"]
    assert {10: -4000.0} == {year: amount for year, amount in enumerate(item.amounts) if amount}
    assert pytest.approx([0.82, 1.0]) == [made.course.scale(10), made.course.scale(11)]


def test_warranty_is_warned_of_and_kept(tmp_path):
    """3,650 kWh a year against 2,000: a warning; held to it, January discharges 31/365 of 2,000 kWh and no more."""
    life = LIFE | {"warranted_kwh_per_year": 2000.0}
    scenario = home(tmp_path, days=31, life=life)
    assert any("its warranty covers 2,000" in words for words in appraise(settle(solve(scenario))).warnings)
    kept = settle(solve(vary(scenario, {"storage.0.life.keep_warranty": True})))
    assert pytest.approx(2000 * 31 / 365, rel=1e-6) == kept.energy_kwh["store discharge"]
    assert not any("warranty covers" in words for words in appraise(kept).warnings)


def test_replacement_of_a_bank_that_is_not_there(tmp_path):
    """Named with the banks there are; a bank without a life has no end."""
    for storage, words in (
        ("stoor", "which no bank is called. Use store"),
        ("store", "Add its life, or give every_years"),
    ):
        cost = {"capital": 1.0, "replacement": [{"name": "new", "amount": 1.0, "storage": storage}]}
        with pytest.raises(ScenarioError, match=words):
            home(tmp_path / storage, cost=cost)


# --- The whole appraisal -----------------------------------------------------------------------------------


def test_the_saving_of_later_years_falls_by_the_rule_or_is_solved(tmp_path):
    """The rule's saving is never above what the worn site really saves, and the study gives that to the cent.

    The expected figure is a run of the site with a smaller bank, made by hand.
    """
    cost = {"capital": 9000.0, "life_years": 10, "life": {"resolve": True, "ages": [6], "step_minutes": 60}}
    scenario = home(tmp_path, life=LIFE, cost=cost, store={"wear_per_kwh": 0.001})
    statement = settle(solve(scenario))
    by_rule = appraise(statement)
    said = []
    study = later_years(statement, said.append)
    assert said[0].startswith("later years to solve in 60 min steps: 1; about ")
    solved = appraise(statement, {"life": study})
    smaller = settle(solve(vary(scenario, {"storage.0.unit_kwh": 9.0})))
    expected = sum(saving_by_group(smaller).values())
    assert pytest.approx(expected, abs=CENT) == sum(solved.course.saving_in(6).values())
    assert sum(by_rule.course.saving_in(6).values()) <= expected + 1e-6
    assert solved.npv >= by_rule.npv - 1e-6
    made = run(scenario, studies=())
    assert {"life"} == set(made.studies)
    assert pytest.approx(solved.npv) == made.appraisal.npv


def test_load_growth_and_longer_steps_in_later_years(tmp_path):
    """The load grows 10 % a year; steps of 60 min stand for those of 30. A bill of the grown load is the reference."""
    cost = {
        "capital": 9000.0,
        "life_years": 3,
        "life": {"resolve": True, "ages": [3], "load_growth_fraction": 0.1},
    }
    text = table(
        days=3, step_minutes=30, site=HOME, storage=[battery(50.0, 5.0, start_fraction=0.0)], components=TIMES,
        cost=cost | {"life": cost["life"] | {"step_minutes": 60}},
    )  # fmt: skip
    load = np.tile(np.r_[np.full(24, 1.0), np.full(24, 3.0)], 3)
    scenario = read_scenario(write_site(tmp_path, text, {"load_kw": load}, step_minutes=30))
    statement = settle(solve(scenario))
    study = later_years(statement, lambda words: None)
    grown = write_site(tmp_path / "grown", text, {"load_kw": 1.21 * load}, step_minutes=30)
    expected = saving_by_group(settle(solve(read_scenario(grown))))
    first = saving_by_group(statement)
    (row,) = study.summary["ages"]
    assert 60 == study.summary["step_minutes"]
    assert pytest.approx(sum(expected.values()) - sum(first.values()), abs=CENT) == sum(
        row["change"].values()
    )


def test_money_rests_on_what_is_earned_without_foresight(tmp_path):
    """A schedule that uses half the bank, beside the ceiling: its own saving, and later years in proportion."""
    cost = {"capital": 9000.0, "life_years": 10, "life": {"resolve": True, "ages": [6]}}
    scenario = home(tmp_path, life=LIFE, cost=cost)
    ceiling = settle(solve(scenario))
    half = settle(solve(vary(scenario, {"storage.0.discharge_kw": 0.4})))
    study = later_years(ceiling, lambda words: None)
    made = appraise(half, {"life": study}, ceiling)
    share = sum(saving_by_group(half).values()) / sum(saving_by_group(ceiling).values())
    assert pytest.approx(share) == made.realised_share
    assert pytest.approx(sum(saving_by_group(half).values())) == made.yearly_saving
    assert pytest.approx(sum(saving_by_group(ceiling).values())) == made.ceiling_saving
    change = sum(study.summary["ages"][0]["change"].values())
    assert pytest.approx(made.yearly_saving + share * change) == sum(made.course.saving_in(6).values())
    assert any(f"{100 * share:.1f} % of the ceiling" in words for words in made.notes)
    assert any("is the ceiling" in words for words in appraise(ceiling).notes)


def test_the_share_of_the_ceiling_is_that_of_the_yearly_sums(tmp_path):
    """Ten days with a demand charge: the share is the one yearly figure over the other, as both are shown.

    By hand, tax of 10 % in it. Ceiling: 10 kWh a day from 0.60 to 0.10 and 2.5 of 3 kW of the four hours that count,
    365 x 5.50 + 12 x 22.00 = 2271.50; with 0.4 kW of discharge 365 x 2.64 + 12 x 3.52 = 1005.84. Their share is
    44.28 %, that of the ten days' own sums (one month's demand) 38.86 %.
    """
    charge = {"kind": "demand_charge", "rate_per_kw": 8.0, "when": {"from": "17:00", "to": "21:00"}}
    scenario = home(tmp_path, components=[TIMES[0], charge])
    ceiling, half = settle(solve(scenario)), settle(solve(vary(scenario, {"storage.0.discharge_kw": 0.4})))
    made = appraise(half, ceiling=ceiling)
    assert pytest.approx((2271.50, 1005.84), abs=CENT) == (made.ceiling_saving, made.yearly_saving)
    assert pytest.approx(0.4428, abs=5e-5) == made.realised_share
    assert pytest.approx(0.3886, abs=5e-5) == half.saving / ceiling.saving
    assert any(", 44.3 % of the ceiling" in words for words in made.notes)


def test_cost_of_a_stored_kwh(tmp_path):
    """3,650 kWh a year charged at 0.11 with tax; 10,000 over 20 years at 6 %: by the annuity, 0.3488 (by hand)."""
    made = appraise(settle(solve(home(tmp_path))))
    expected = 10000 * capital_recovery(0.06, 20) / 3650 + 0.11
    assert pytest.approx(expected, abs=1e-4) == made.storage_cost_per_kwh
    assert "Levelised cost of a kWh discharged, all capital counted" == made.storage_cost_name
    marked = home(
        tmp_path / "marked",
        cost={
            "item": [
                {"name": "cells", "amount": 4000.0, "part": "storage"},
                {"name": "roof", "amount": 6000.0},
            ],
            "life_years": 20,
        },
    )
    made = appraise(settle(solve(marked)))
    assert (
        pytest.approx(4000 * capital_recovery(0.06, 20) / 3650 + 0.11, abs=1e-4) == made.storage_cost_per_kwh
    )
    assert "cells" in made.storage_cost_words
    assert "Levelised cost of storage" == made.storage_cost_name


def test_sensitivities_are_the_appraisal_of_a_changed_file(tmp_path):
    """Each is what the changed scenario gives, changed in its file."""
    scenario = home(
        tmp_path, cost={"capital": 9000.0, "yearly": 50.0, "life_years": 12, "discount_rate_fraction": 0.07}
    )
    found = {one.name: one for one in appraise(settle(solve(scenario))).sensitivities}
    cases = {
        "Capital and replacements": ({"cost.capital": 7200.0}, {"cost.capital": 10800.0}),
        "Upkeep": ({"cost.yearly": 40.0}, {"cost.yearly": 60.0}),
        "Discount rate": ({"cost.discount_rate_fraction": 0.05}, {"cost.discount_rate_fraction": 0.09}),
        "Life": ({"cost.life_years": 7}, {"cost.life_years": 17}),
        "Price changes": tuple(
            {"cost.escalation": dict.fromkeys(NO_SAVING, change)} for change in (-0.02, 0.02)
        ),
    }
    for name, (low, high) in cases.items():
        for side, changes in (("low", low), ("high", high)):
            made = appraise(settle(solve(vary(scenario, changes))))
            assert pytest.approx(made.npv) == getattr(found[name], f"{side}_npv"), name
            assert pytest.approx(made.payback_years) == getattr(found[name], f"{side}_payback_years"), name
    swings = [abs(one.high_npv - one.low_npv) for one in found.values()]
    assert sorted(swings, reverse=True) == swings


@pytest.mark.parametrize(
    ("life_years", "replacement", "longest"),
    [
        (15, (), 15),
        (12, (), 15),
        (18, (), 18),
        (15, ({"name": "new", "amount": 900.0, "storage": "store"},), 20),
    ],
)
def test_the_life_is_not_tried_beyond_the_end_of_a_bank(life_years, replacement, longest, tmp_path):
    """A bank of 15 years that is never bought again earns nothing in year 20: the longer life stops where it ends.

    Common practice, no source: what is appraised lasts as long as what earns.
    """
    cost = {"capital": 9000.0, "life_years": life_years, "replacement": list(replacement)}
    life = {"cycle_life": 100000.0, "calendar_life_years": 15.0, "fade": "larger"}
    scenario = home(tmp_path, life=life, cost=cost)
    made = appraise(settle(solve(scenario)))
    (found,) = (one for one in made.sensitivities if one.name == "Life")
    assert f"{life_years - 5} years" == found.low_words
    more = "" if replacement else ", no longer: store ends after 15.0"
    assert f"{longest} years{more}" == found.high_words
    longer = appraise(settle(solve(vary(scenario, {"cost.life_years": longest}))))
    assert pytest.approx(longer.npv) == found.high_npv


# --- Price years -------------------------------------------------------------------------------------------


def dated(tmp_path, price_year):
    """A site at spot, its prices in one file and another year's in a second."""
    site = {**HOME, "load": [{"power_kw": 2.0}]}
    prices = np.tile(np.r_[np.full(12, 20.0), np.full(12, 300.0)], 3)
    text = table(
        days=3, site=site, storage=[battery(10.0, 5.0, start_fraction=0.0)],
        components=[{"kind": "spot_charge", "price_per_mwh": "data.price"}],
        cost={"capital": 3000.0, "life_years": 10}, price_year=price_year,
    )  # fmt: skip
    folder = write_site(tmp_path, text, {"price": prices})
    other = pd.read_csv(folder / "data.csv")
    other["price"] *= 2
    other.to_csv(folder / "other.csv", index=False)
    return folder


def test_price_years_are_solved_each(tmp_path):
    """Twice the prices, twice the saving, as a run of its own says."""
    folder = dated(tmp_path, [{"name": "dear", "source": {"data": {"file": "other.csv"}}}])
    statement = settle(solve(read_scenario(folder)))
    study = price_years(statement, lambda words: None)
    made = appraise(statement, {"price_years": study})
    own, dear = made.price_years
    assert (made.yearly_saving, made.npv, made.payback_years) == (
        own.yearly_saving,
        own.npv,
        own.simple_payback_years,
    )
    assert pytest.approx(10 * 0.28 * 365) == own.yearly_saving
    assert pytest.approx(2 * own.yearly_saving) == dear.yearly_saving
    assert pytest.approx(numpy_financial.npv(0.06, [-3000, *[dear.yearly_saving] * 10])) == dear.npv
    assert () == appraise(statement).price_years
    assert price_years(settle(solve(home(tmp_path / "none"))), lambda words: None) is None


def test_faults_of_price_years_are_told_before_any_run(tmp_path):
    """An unknown source, a missing file and a name twice."""
    for years, words in (
        ([{"name": "a", "source": {"spot": {"file": "other.csv"}}}], "price_year.0.source.spot is no source"),
        (
            [{"name": "a", "source": {"data": {"file": "gone.csv"}}}],
            r"price_year.0 \(a\): source.data: .* does not exist",
        ),
        (
            [{"name": "a", "source": {"data": {"file": "other.csv"}}}] * 2,
            "price_year.1.name is 'a', like another one",
        ),
    ):
        with pytest.raises(ScenarioError, match=words):
            read_scenario(dated(tmp_path, years))


def test_faults_of_price_years_stand_with_all_others(tmp_path):
    """The scenario's own fault once, the year's beside it."""
    folder = dated(tmp_path, [{"name": "a", "source": {"data": {"file": "gone.csv"}}}])
    file = folder / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("data.price", "data.prices"), encoding="utf-8")
    with pytest.raises(ScenarioError) as raised:
        read_scenario(folder)
    own, of_year = raised.value.faults
    assert "prices" in own
    assert of_year.startswith("price_year.0 (a): source.data: ")


def test_the_spread_orders_never_last():
    """Quantiles of money by numpy; a payback that never comes is the longest."""
    rows = [
        AppraisedYear("a year", saving, npv, back)
        for saving, npv, back in (
            (100.0, -50.0, None),
            (300.0, 10.0, 8.0),
            (200.0, 0.0, 9.0),
            (400.0, 90.0, 5.0),
        )
    ]
    found = spread(rows)
    assert {
        "lowest": 100.0,
        "lower quartile": 175.0,
        "middle": 250.0,
        "upper quartile": 325.0,
        "highest": 400.0,
    } == found["yearly_saving"]
    assert [5.0, 8.0, 9.0, None, None] == list(found["simple_payback_years"].values())


# --- Files -------------------------------------------------------------------------------------------------

RICH = {
    "capital": 9000.0,
    "yearly": 80.0,
    "life_years": 12,
    "discount_rate_fraction": 0.05,
    "discount_rate_is": "real",
    "inflation_fraction": 0.02,
    "end_value": 500.0,
    "item": [{"name": "=cables", "amount": 700.0}, {"name": "meter", "amount": 90.0, "year": 3}],
    "incentive": [{"name": "grant", "amount": 400.0, "year": 1}, {"name": "credit", "capital_fraction": 0.2}],
    "upkeep": [{"name": "fee", "amount": 30.0, "change_fraction": 0.04, "last_year": 9}],
    "replacement": [{"name": "new bank", "amount": 3000.0, "storage": "store", "change_fraction": -0.03}],
    "escalation": {"energy_in": 0.03},
    "tax": {"rate_fraction": 0.25, "schedule": "macrs_5", "depreciated_fraction": 0.9},
    "loan": {"amount": 5000.0, "rate_fraction": 0.06, "years": 15},
}


@pytest.fixture(scope="module")
def rich(tmp_path_factory):
    """A run with every kind of item at the ceiling, which uses the store, and its files."""
    folder = tmp_path_factory.mktemp("rich")
    made = run(home(folder / "site", life=LIFE, cost=RICH), studies=())
    return made, write_results(made, folder / "out")


def test_cash_flow_file_summary_and_page_agree(rich):
    """Every amount of the table is the summary's to the cent, sums are sums, and the page shows them."""
    _made, paths = rich
    summary = json.loads(paths["summary"].read_text(encoding="utf-8"))
    frame = pd.read_csv(paths["cash_flow_csv"])
    names = [name.replace("=cables", "'=cables") for name in summary["appraisal"]["kinds"]]
    assert ["year", *names, "in the year", "running sum", "running sum, discounted"] == list(frame.columns)
    assert pytest.approx(frame[names].sum(axis=1).to_numpy(), abs=1e-5) == frame["in the year"].to_numpy()
    head = summary["headline"]
    npv = head[f"{head['rests_on']}_npv"]  # the cash flow's own basis
    assert pytest.approx(npv, abs=CENT) == frame["running sum, discounted"].iloc[-1]
    assert (
        pytest.approx(numpy_financial.npv(head["discount_rate_fraction"], frame["in the year"]), abs=CENT)
        == npv
    )
    page = paths["report"].read_text(encoding="utf-8").replace("\u2212", "-")
    for value in frame["in the year"]:
        assert f"{value:,.2f}" in page
    for words in (
        "Cycles in the run that the payback rests on",
        "Replacement price per kWh discharged, AUD",
        "Levelised cost of a kWh discharged, all capital counted",
    ):
        assert words in page


# Names that are the workbook's own words for rows, columns and inputs.
OWN_WORDS = {
    "item": [
        {"name": "In the year", "amount": 700.0},
        {"name": "Inflation a year", "amount": 90.0, "year": 3},
        {"name": "Paid back", "amount": 40.0},
    ],
    "incentive": [
        {"name": "Running sum", "amount": 400.0, "year": 1},
        {"name": "Loan owed", "capital_fraction": 0.2},
    ],
    "upkeep": [
        {"name": "Discounted", "amount": 30.0, "change_fraction": 0.04, "last_year": 9},
        {"name": "Year", "amount": 7.0},
    ],
    "replacement": [
        {"name": "Loan, interest", "amount": 3000.0, "storage": "store", "change_fraction": -0.03}
    ],
}


def test_the_workbook_does_not_hang_on_names(tmp_path):
    """Amounts that are called like the sheets' own rows and columns: every cell and check agrees all the same."""
    made = run(home(tmp_path / "site", life=LIFE, cost=RICH | OWN_WORDS), studies=())
    assert_workbook_agrees(made, write_results(made, tmp_path / "out"))


def test_workbook_formulas_give_our_figures(rich):
    """Every cell of the cash flow and every check, computed by the library `formulas`, agrees."""
    made, paths = rich
    flow = assert_workbook_agrees(made, paths)
    cell = next(cell for cell in flow[1] if cell.value == "=cables")
    assert ("s", True) == (cell.data_type, cell.quotePrefix)
    # In CSV a formula is text only behind an apostrophe: OWASP, "CSV Injection".
    assert "'=cables" in pd.read_csv(paths["cash_flow_csv"]).columns


def assert_workbook_agrees(made, paths):
    """The workbook computed by the library `formulas`; gives its cash flow."""
    formulas = pytest.importorskip("formulas")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        model = formulas.ExcelModel().loads(str(paths["appraisal"])).finish()
        solution = model.calculate()
    values = {
        key.upper(): ranges.value[0, 0]
        for key, ranges in solution.items()
        if hasattr(ranges, "value") and ranges.value.shape == (1, 1)
    }

    def at(sheet, cell):
        return values[f"'[APPRAISAL.XLSX]{sheet.upper()}'!{cell}"]

    book = openpyxl.load_workbook(paths["appraisal"])
    flow, checks = book["Cash flow"], book["Checks"]
    for column, item in enumerate(made.appraisal.items, 2):
        assert item.name == flow.cell(1, column).value
        for year, amount in enumerate(item.amounts):
            cell = flow.cell(year + 2, column).coordinate
            shown = flow[cell].value if not str(flow[cell].value).startswith("=") else at("Cash flow", cell)
            assert pytest.approx(amount, abs=CENT) == float(shown), (item.name, year)
    names = [checks.cell(row, 1).value for row in range(2, 6)]
    assert [
        "Net present value",
        "Sum of the cash flow",
        "Internal rate of return",
        "Simple payback, years",
    ] == names
    for row in range(2, 6):
        assert pytest.approx(checks.cell(row, 3).value, abs=CENT) == float(at("Checks", f"B{row}")), names[
            row - 2
        ]
        assert "agrees" == at("Checks", f"E{row}")
    return flow


def test_several_internal_rates_are_said(tmp_path, rich):
    """A flow that changes its sign twice: all rates in the summary, none in the workbook's checks."""
    made, _ = rich
    flows = (-100.0, 230.0, -132.0)
    assert pytest.approx((0.1, 0.2)) == internal_rates(flows)
    changed = made.appraisal.__class__(**{**vars(made.appraisal), "internal_rates": (0.1, 0.2)})
    write_workbook(changed, made.scenario.file.cost, made.summary, tmp_path / "a.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx")["Checks"]
    words = [str(cell.value) for row in sheet for cell in row]
    assert "There are 2 internal rates of return, so none is shown." in words
    assert "Internal rate of return" not in words


def test_course_of_a_site_without_storage():
    """Modules alone: the saving falls with their yield; with a faded bank, with the smaller share."""
    saving = dict.fromkeys(NO_SAVING, (100.0,))
    assert pytest.approx(0.995**4) == Course((), 0.005, (1,), saving).scale(5)
    bank = BankLife("b", 10.0, 0.0, 0.0, 0.0, None, 10.0, 10.0, 0.02, None)
    assert pytest.approx(0.92) == Course((bank,), 0.005, (1,), saving).scale(5)
    assert math.isclose(
        100.0, Course((bank,), 0.0, (1, 10), dict.fromkeys(NO_SAVING, (100.0, 100.0))).saving_in(9)["demand"]
    )


def test_public_names_reach_the_room():
    """`optimiser.appraise` is the room's."""
    assert optimiser.appraise is appraise
