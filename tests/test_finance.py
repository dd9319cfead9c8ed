"""Money over the life against published worked figures and numpy-financial."""

from __future__ import annotations

import numpy_financial
import pytest
from conftest import bakery_columns, table, write_site
from hypothesis import given
from hypothesis import strategies as st

from optimiser import appraise, read_scenario, settle, solve, vary
from optimiser.finance import net_present_value, payback

MONEY = 0.005

# Source of each: (1) numpy-financial documentation, example of `npv` and `irr`; (2) an example of a finance
# library,
# from memory; (3) the flows of Microsoft's example of the spreadsheet function NPV, with year 0 undiscounted
# here.
NPV = [
    (0.281, (-100, 39, 59, 55, 20), -0.00848, 5e-6),
    (0.08, (-40000, 5000, 8000, 12000, 30000), 3065.22, MONEY),
    (0.10, (-10000, 3000, 4200, 6800), 1307.29, MONEY),
]


@pytest.mark.parametrize(("rate", "flows", "worth", "tolerance"), NPV)
def test_npv_of_published_flows(rate, flows, worth, tolerance):
    """Year 0 is not discounted."""
    assert pytest.approx(worth, abs=tolerance, rel=0) == net_present_value(flows, rate)
    assert pytest.approx(numpy_financial.npv(rate, flows)) == net_present_value(flows, rate)


def test_npv_of_the_spreadsheet_is_a_year_late():
    """The spreadsheet function puts the first flow at the end of year 1: 1,188.44 of the same flows at 10 %.

    Source: Microsoft, example of the function NPV.
    """
    late = (0, -10000, 3000, 4200, 6800)
    assert pytest.approx(1188.44, abs=MONEY, rel=0) == net_present_value(late, 0.10)


def test_npv_is_zero_at_the_internal_rate():
    """At the rate that numpy-financial calls internal nothing is left: 28.0948 % of its documentation's
    example.
    """
    flows = (-100, 39, 59, 55, 20)
    rate = numpy_financial.irr(flows)
    assert pytest.approx(0.280948, abs=1e-6) == rate
    assert pytest.approx(0, abs=1e-8) == net_present_value(flows, rate)


@given(
    st.lists(st.floats(-1e5, 1e5), min_size=1, max_size=30),
    st.floats(0, 0.5),
)
def test_npv_is_that_of_numpy_financial(flows, rate):
    """Any flows at any rate: the reference is `numpy_financial.npv`, which does not discount year 0
    either.
    """
    assert pytest.approx(numpy_financial.npv(rate, flows), rel=1e-9, abs=1e-6) == net_present_value(
        flows, rate
    )


def test_payback_of_an_even_saving():
    """10,000 that save 2,500 a year are back after 4.0 years (by hand)."""
    assert pytest.approx(4.0) == payback((-10000, *[2500] * 10))


@pytest.mark.parametrize(
    ("flows", "years"),
    [
        ((-10000, 3000, 3000, 3000, 3000), 3 + 1 / 3),
        ((-1000, 500), None),
        ((-1000, *[-10] * 20), None),
        ((-1000, 0, 0, 2000), 2.5),
        ((0, 100), 0.0),
        ((-1000, 1000), 1.0),
        # A loan pays at first, new cells drag the sum below zero, and it comes up again, or never does.
        ((200, 300, -1000, 250, 500), 3.5),
        ((200, 300, -1000, 250), None),
    ],
)
def test_payback_within_a_year_and_never(flows, years):
    """A straight line inside the year; None where the money never comes back (by hand)."""
    made = payback(flows)
    assert (made is None) if years is None else pytest.approx(years) == made


def priced(tmp_path, days: int = 365):
    """A site whose second contract saves 2,500 in 365 days: 10 kW always at 15 c less."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 10.0}],
    }
    rate = 2500 / (365 * 24 * 10)
    text = table(
        days=days,
        site=site,
        components=[{"kind": "energy_charge", "rate_per_kwh": 0.30 - rate}],
        before_tariff={
            "name": "before",
            "zone": "UTC",
            "component": [{"kind": "energy_charge", "rate_per_kwh": 0.30}],
        },
        cost={"capital": 10000.0, "life_years": 10, "discount_rate_fraction": 0.08},
    )
    return read_scenario(write_site(tmp_path, text, {}))


@pytest.mark.parametrize("days", [365, 73])
def test_appraisal_of_an_even_saving(tmp_path, days):
    """10,000 that save 2,500 a year over 10 years at 8 %: back in 4.0 years, present value 6,775.20.

    By hand: 2,500 x 6.7101 - 10,000, with 6.7101 the annuity factor of standard tables. A fifth of a year is
    scaled.
    """
    made = appraise(settle(solve(priced(tmp_path, days))))
    assert pytest.approx(2500) == made.yearly_saving
    assert (days != 365) == made.scaled
    assert pytest.approx(4.0) == made.payback_years
    assert pytest.approx(6775.20, abs=MONEY, rel=0) == made.npv
    assert pytest.approx(numpy_financial.npv(0.08, [-10000, *[2500] * 10])) == made.npv
    assert 11 == len(made.flows)


def test_appraisal_takes_yearly_costs_off(tmp_path):
    """Yearly costs of 500 leave 2,000 a year: back in 5 years; of 2,500 nothing: never."""
    case = priced(tmp_path, 73)
    assert pytest.approx(5.0) == appraise(settle(solve(vary(case, {"cost.yearly": 500.0})))).payback_years
    assert appraise(settle(solve(vary(case, {"cost.yearly": 2501.0})))).payback_years is None


def test_a_leap_year_is_a_year(tmp_path):
    """366 days of 2024 are taken as they are, not scaled to 365."""
    case = priced(tmp_path)
    leap = vary(
        case, {"timeline.start": case.raw["timeline"]["start"].replace(year=2024), "timeline.days": 366}
    )
    made = appraise(settle(solve(leap)))
    assert not made.scaled
    assert pytest.approx(2500 * 366 / 365) == made.yearly_saving


def test_appraisal_needs_costs(bakery):
    """Without costs there is nothing to appraise."""
    assert len(bakery_columns()["price"]) == 24
    assert appraise(settle(solve(read_scenario(bakery)))) is None
