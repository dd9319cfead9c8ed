"""What services are expected to be called for: it moves energy both ways, wears the store and runs both registers.

Every site is made up; expected values are arithmetic on its figures.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site

from optimiser import read_scenario, settle, solve
from optimiser.accounts.settlement import crossing_effect
from optimiser.equipment.battery import Battery
from optimiser.finance.ageing import bank_lives, course, cycles
from optimiser.flows import BankFlows
from optimiser.plant.events import hardest
from optimiser.scenario.cost import Cost
from optimiser.studies.activation import replay_events

IMPORT, EXPORT = 0.3, 0.05
RATES = [
    {"kind": "energy_charge", "rates": [{"name": "all", "rate_per_kwh": IMPORT}]},
    {"kind": "feed_in", "rate_per_kwh": EXPORT},
]
OFFER_KW, ACCEPTED, NET, GROSS, INVERTER = 4.0, 0.5, 0.1, 0.3, 0.9
# A kW offered gives half of gross plus net and takes half of gross less net, of what is accepted.
GIVEN_KW = OFFER_KW * ACCEPTED * (GROSS + NET) / 2
TAKEN_KW = OFFER_KW * ACCEPTED * (GROSS - NET) / 2


def day(folder, *, store=None, load_kw=8.0, **service):
    """A day at flat prices, at which nothing pays but one service; all of it is offered in every hour."""
    given = {"name": "both", "direction": "up", "sustain_hours": 0.25, "most_kw": OFFER_KW, "price": 1000.0}
    given |= {"price_unit": "per_mw_hour", "acceptance_share": ACCEPTED}
    given |= {"utilisation_net": NET, "utilisation_gross": GROSS} | service
    bank = battery(40.0, 20.0, wear_per_kwh=0.02, start_fraction=0.5) | (store or {})
    site = {"phases": 1, "connection": {"import_limit_kw": 60.0, "export_limit_kw": 60.0}}
    site |= {"load": [{"power_kw": load_kw}], "inverter": [inverter(20.0, INVERTER)]}
    words = table(days=1, site=site, components=RATES, storage=[bank], service=[given])
    return settle(solve(read_scenario(write_site(folder, words, {}))))


def line(statement, name):
    """A line's values and quantities over the run."""
    (found,) = [one for one in statement.dispatch.lines if one.name == name]
    return float(np.sum(found.values)), float(np.sum(found.quantity))


def test_what_is_given_wears_the_store(tmp_path):
    """0.4 kW given leave the bus as 0.4 / 0.9 kW: 10.67 kWh a day that no plan discharged, at 0.02 each."""
    statement = day(tmp_path)
    kwh = 24 * GIVEN_KW / INVERTER
    amount, quantity = line(statement, "Wear of store")
    assert (pytest.approx(kwh), pytest.approx(-0.02 * kwh)) == (quantity, amount)
    (life,) = bank_lives(statement, Cost(capital=1.0, life_years=10, discount_rate_fraction=0.0))
    assert pytest.approx(365 * kwh) == life.discharged_kwh
    assert pytest.approx(365 * kwh / 40) == life.full_cycles


def test_a_warranty_counts_what_is_given(tmp_path):
    """A bank of 40 kWh held to 73 cycles a year may give 8 kWh a day: 0.75 of the 10.67 kWh that whole offers move."""
    life = {"cycle_life": 5000.0, "calendar_life_years": 12.0, "warranted_cycles_per_year": 73.0}
    kept = day(tmp_path, store={"life": life | {"keep_warranty": True}})
    (offer,) = kept.dispatch.offers
    assert pytest.approx(24 * OFFER_KW * 0.75, rel=1e-6) == float(np.sum(offer.offered_kw))


@pytest.mark.parametrize("share", [1.0, 0.25, 0.0])
def test_calls_run_both_registers(tmp_path, share):
    """Of 0.4 kW given to a site that imports, the share that crosses is fed in at 0.05 and bought again at 0.30."""
    statement = day(tmp_path, crossing_share=share)
    crossing = share * GIVEN_KW
    assert statement.dispatch.flows.meter.export_kw == pytest.approx(np.full(24, crossing))
    effect = crossing_effect(statement)
    if not share:
        assert effect is None
    else:
        assert pytest.approx(24 * crossing) == effect["kwh"]
        assert pytest.approx(24 * crossing * (EXPORT - IMPORT)) == effect["amount"]


def test_calls_settled_elsewhere_leave_the_registers_alone(tmp_path):
    """Energy that the market settles itself is in no register; it moves the store all the same."""
    statement = day(tmp_path, delivered_energy="none")
    assert statement.dispatch.flows.meter.export_kw == pytest.approx(np.zeros(24))
    assert pytest.approx(24 * GIVEN_KW / INVERTER) == line(statement, "Wear of store")[1]


def test_the_larger_way_crosses_where_services_take(tmp_path):
    """A down service takes 0.4 kW and gives 0.2: at most the 0.4 can run through both registers."""
    statement = day(tmp_path, direction="down", store={"end_fraction": 0.0})
    assert statement.dispatch.flows.meter.crossing_kw == pytest.approx(np.full(24, max(GIVEN_KW, TAKEN_KW)))


@pytest.mark.parametrize(("exponent", "counted"), [(1.0, 0.2), (2.0, 0.02)])
def test_cycles_within_a_step_are_counted(exponent, counted):
    """1 kWh out and back in each of two steps, of 10 kWh: two cycles of depth 0.1.

    Source: rainflow counting of 5, 4, 5, 4, 5 by hand, ASTM E1049-85, section 5.4.4.
    """
    bank = Battery(kind="battery", name="b", unit_kwh=10.0, voltage_v=50.0, charge_kw=5.0, discharge_kw=5.0)
    at_rest, ones = np.zeros(2), np.ones(2)
    flow = BankFlows(*[at_rest] * 6, 5 * ones, 5 * ones, 5 * ones, ones, ones)
    share = course(bank, flow, 1.0) / 10
    assert share == pytest.approx([0.5, 0.4, 0.5, 0.4, 0.5])
    assert pytest.approx(counted) == cycles(share, exponent)


@pytest.mark.parametrize("minutes", [10, 60])
def test_a_full_store_offers_what_self_discharge_has_made_room_for_by_then(tmp_path, minutes):
    """A full store of 3 kWh losing 2 % a day has room for 3 (1 - 0.98 ^ (minutes / 1440)) kWh after some minutes.

    The whole hour's 0.0025 kWh was sold for a call of ten minutes. Source: the definition of self-discharge a day.
    """
    hours = minutes / 60
    bank = battery(3.0, 3.0, start_fraction=1.0, end_fraction=0.0, self_discharge_per_day=0.02)
    service = {"name": "lower", "direction": "down", "sustain_hours": hours, "price": 1000.0}
    site = {"phases": 1, "connection": {"import_limit_kw": 60.0, "export_limit_kw": 0.0}}
    site |= {"inverter": [inverter(20.0, 1.0)]}
    words = table(days=1, site=site, components=RATES, storage=[bank],
                  service=[service | {"price_unit": "per_mw_hour"}])  # fmt: skip
    dispatch = solve(read_scenario(write_site(tmp_path, words, {})))
    room_kwh = 3 * (1 - 0.98 ** (minutes / 1440))
    assert pytest.approx(room_kwh / hours, rel=1e-5) == float(dispatch.offers[0].offered_kw[0])
    found = replay_events(dispatch, hardest(dispatch, tight=24, random=0))
    assert 0 == found.summary["short"], found.tables["events"]
