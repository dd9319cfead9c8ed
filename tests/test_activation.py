"""Activations replayed beside the schedule's rules: what holds, what a wrong plan shows, and what a call costs.

Sites are made up. The replay shares no rule with the linear program, so it can fail a schedule that is wrong.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import battery, inverter, table, write_site
from independent import as_scenario, random_site

from optimiser import read_scenario, solve
from optimiser.cli import main
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.plant.events import Call, Event, hardest, holdings, read_events, read_frequency
from optimiser.plant.replay import EventReplay
from optimiser.report.activation import cost_words
from optimiser.services.droop import Droop, Service, creditable
from optimiser.studies.activation import ActivationFigures, replay_events

ENERGY = {"kind": "energy_charge", "rates": [{"name": "all", "rate_per_kwh": 0.3}]}
FEED_IN = {"kind": "feed_in", "rate_per_kwh": 0.05}


def service(name: str, direction: str, sustain_hours: float, **more) -> dict:
    """A service that pays so much that all that can be offered is."""
    return {
        "name": name,
        "direction": direction,
        "sustain_hours": sustain_hours,
        "price": 1000.0,
        "price_unit": "per_mw_hour",
    } | more


def plan(tmp_path, *, services, bank, step_minutes=60, days=1, load_kw=1.0, limits=(1000.0, 1000.0), **site):
    """A solved day of one phase with a constant load."""
    parts = {
        "phases": 1,
        "connection": {"import_limit_kw": limits[0], "export_limit_kw": limits[1]},
        "load": [{"power_kw": load_kw}],
        "inverter": [inverter(100.0)],
    } | site
    words = table(
        site=parts,
        components=[ENERGY, FEED_IN],
        storage=[bank],
        service=services,
        step_minutes=step_minutes,
        days=days,
    )
    return solve(read_scenario(write_site(tmp_path, words, {})))


def wrong(dispatch, kw):
    """The same plan with larger offers than its rules allow."""
    larger = tuple(
        dataclasses.replace(o, offered_kw=np.full_like(np.asarray(o.offered_kw, float), kw))
        for o in dispatch.offers
    )
    return dataclasses.replace(dispatch, offers=larger)


def everything(dispatch, step, offset=0.0):
    """All holdings called in full from a moment of a step."""
    calls = tuple(Call(h, float(h.kw[step]), h.hours) for h in holdings(dispatch))
    return Event("all", "given", step * dispatch.scenario.timeline.step_hours + offset, calls)


def set_plan(dispatch, *, output_kw, input_kw):
    """Hold one inverter and its only bank at a power, whatever the schedule says."""
    flows = dispatch.flows
    one, bank = flows.inverters["main"], flows.banks["store"]
    ones = np.ones(dispatch.scenario.timeline.steps)
    inverters = {"main": dataclasses.replace(one, output_kw=output_kw * ones, input_kw=input_kw * ones)}
    banks = {
        "store": dataclasses.replace(
            bank,
            charge_kw=input_kw * ones,
            discharge_kw=output_kw * ones,
            filling_kw=0 * ones,
            draining_kw=0 * ones,
            start_kwh=500 * ones,
            kept_kwh=500 * ones,
            end_kwh=500 * ones,
        )
    }
    return dataclasses.replace(dispatch, flows=dataclasses.replace(flows, inverters=inverters, banks=banks))


@pytest.mark.parametrize(("output_kw", "input_kw", "raise_kw"), [(60.0, 0.0, 40.0), (0.0, 60.0, 160.0)])
def test_a_charging_battery_gives_its_charge_and_its_discharge(tmp_path, output_kw, input_kw, raise_kw):
    """100 kW both ways: 40 kW up while discharging 60, 160 kW while charging 60, and not a kW more.

    Source: joint capacity constraints of AEMO, FCAS Model in NEMDE, 2017, section 6.2, with slopes of 1.
    """
    bank = battery(1000.0, 100.0)
    dispatch = plan(tmp_path, services=[service("raise", "up", 1 / 6)], bank=bank)
    held = set_plan(dispatch, output_kw=output_kw, input_kw=input_kw)
    fits = EventReplay(wrong(held, raise_kw)).walk(everything(wrong(held, raise_kw), 3))
    assert (True, pytest.approx(raise_kw)) == (fits.kept, fits.delivered_kw)
    beyond = EventReplay(wrong(held, raise_kw + 5)).walk(everything(wrong(held, raise_kw + 5), 3))
    assert (False, pytest.approx(5.0)) == (beyond.kept, beyond.short_kw)


def test_ten_minutes_of_40_kw_take_7_018_kwh(tmp_path):
    """40 kW for ten minutes are 6.667 kWh on the AC side and, at 95 % out of store, 7.018 kWh stored.

    Source: energy = power x time; AEMO's ten minutes for the delayed service.
    """
    bank = battery(1000.0, 100.0, charge_efficiency=0.95, discharge_efficiency=0.95)
    dispatch = plan(
        tmp_path, services=[service("raise", "up", 1 / 6, most_kw=40.0)], bank=bank, step_minutes=5
    )
    found = EventReplay(dispatch).walk(everything(dispatch, 30))
    assert found.kept
    assert pytest.approx(40 / 6, abs=1e-6) == found.given_kwh
    assert pytest.approx(-40 / 6 / 0.95, abs=1e-6) == found.stored_kwh
    assert pytest.approx(7.018, abs=5e-4) == -found.stored_kwh


def test_a_chain_longer_than_a_step_lasts_to_its_end(tmp_path):
    """Ten minutes at five-minute steps from a bank near its floor: every start of a call is delivered, and the money is
    the energy's.
    """
    bank = battery(10.0, 20.0, start_fraction=0.1, reserve=[{"fraction": 0.05}])
    dispatch = plan(tmp_path, services=[service("raise", "up", 1 / 6)], bank=bank, step_minutes=5)
    found = replay_events(dispatch, hardest(dispatch, tight=5, random=20))
    assert 0 == found.summary["short"], found.tables["events"]
    first = EventReplay(dispatch).walk(everything(dispatch, 0))
    assert first.event.hours > dispatch.scenario.timeline.step_hours
    assert first.kept


def test_an_offer_beyond_what_is_stored_is_caught(tmp_path):
    """The rules are not asked: ten kW for two hours from five kWh run dry, by fifteen kWh."""
    bank = battery(10.0, 20.0, start_fraction=0.5)
    dispatch = plan(tmp_path, services=[service("raise", "up", 2.0, most_kw=0.01)], bank=bank, load_kw=0.0)
    planted = wrong(dispatch, 10.0)
    found = replay_events(planted, [everything(planted, 0)])
    row = found.tables["events"].iloc[0]
    assert ("short", "stored energy") == (row["verdict"], row["limited_by"])
    assert pytest.approx(15.0, abs=0.1) == row["short_kwh"]
    assert "want of stored energy" in found.warnings[0]


def test_an_offer_beyond_the_connection_is_caught(tmp_path):
    """A site that may export 2 kW and uses 1 cannot give 10; three can be given."""
    bank = battery(100.0, 20.0)
    dispatch = plan(
        tmp_path, services=[service("raise", "up", 0.5, most_kw=0.01)], bank=bank, limits=(50.0, 2.0)
    )
    net = float(dispatch.flows.connection.net_import_kw[0])
    planted = wrong(dispatch, 10.0)
    found = EventReplay(planted).walk(everything(planted, 0))
    assert (False, "connection") == (found.kept, found.limited_by)
    assert pytest.approx(10 - (2 + net), abs=1e-6) == found.short_kw
    assert pytest.approx(0.0, abs=1e-9) == found.margins["connection_kw"]


def test_a_phase_is_caught_where_the_sum_fits(tmp_path):
    """Three inverters of 5 kW, two kW of export a phase: 6 kW fit, whatever the connection carries in all."""
    site = {
        "phases": 3,
        "registers": "netted",
        "connection": {"import_limit_kw": 60.0, "export_limit_kw": 60.0, "export_limit_kw_per_phase": 2.0},
        "load": [],
        "inverter": [inverter(5.0, name=f"i{p}", phase=f"L{p}") for p in (1, 2, 3)],
    }
    bank = battery(100.0, 50.0)
    dispatch = plan(tmp_path, services=[service("raise", "up", 0.5, most_kw=0.01)], bank=bank, **site)
    planted = wrong(dispatch, 12.0)
    found = EventReplay(planted).walk(everything(planted, 23))
    net = sum(float(dispatch.flows.phases[p].net_import_kw[23]) for p in ("L1", "L2", "L3"))
    assert (False, "phase of the connection") == (found.kept, found.limited_by)
    assert pytest.approx(12 - 6 - net, abs=1e-6) == found.short_kw


def test_a_call_is_measured_against_the_current_that_passes_an_inverter(tmp_path):
    """18 A at 230 V are 4.14 kW through an inverter in line; of the load of 2 kW a quarter is wired before it.

    With the store idle 1.5 kW pass inwards. A call of 3 kW turns that to 1.5 kW outwards, 6.522 A: 11.478 A are left.
    A call of 9 kW is stopped when 4.14 kW pass outwards, which leaves nothing. P = V I, elementary circuit theory.
    """
    in_line = inverter(100.0) | {"pass_through_limit_a": 18.0, "backed_up_share": 0.75}
    bank = battery(100.0, 50.0, start_fraction=1.0)
    dispatch = plan(
        tmp_path,
        services=[service("raise", "up", 0.5, most_kw=0.01)],
        bank=bank,
        load_kw=2.0,
        inverter=[in_line],
    )
    given = float(EventReplay(dispatch).plant.inverter_kw["main"][2])
    for kw, left_a in ((3.0 - given, 18 - 1500 / 230), (9.0 - given, 0.0)):
        planted = wrong(dispatch, kw)
        found = replay_events(planted, [everything(planted, 2)]).tables["events"]
        assert left_a == pytest.approx(found["margin_pass_through_a"].iloc[0], abs=1e-5)
    assert "current passed through an inverter" == found["limited_by"].iloc[0]


@pytest.mark.parametrize("sustain_hours", [0.25, 1.0])
def test_what_is_offered_behind_an_ac_breaker_is_there(tmp_path, sustain_hours):
    """50 A at 0.8 and 230 V carry 9.2 kW to and from an inverter of 100 kW beside the loads: P = V I.

    Turned round, it offers up to twice that; every call is delivered and the breaker carries no more.
    """
    behind = inverter(100.0, ac_breaker_a=50.0, ac_breaker_continuous_share=0.8)
    services = [service("raise", "up", sustain_hours), service("lower", "down", sustain_hours)]
    dispatch = plan(tmp_path, services=services, bank=battery(40.0, 50.0), inverter=[behind])
    offered = [np.asarray(offer.offered_kw, float) for offer in dispatch.offers]
    assert max(kw.max() for kw in offered) <= 2 * 9.2 + 1e-6
    assert 2 * 9.2 == pytest.approx(sum(offered).max(), rel=1e-6)
    found = replay_events(dispatch, hardest(dispatch))
    assert 0 == found.summary["short"]
    least = found.tables["events"]["margin_ac_breaker_a"].min()
    assert 0.0 == pytest.approx(least, abs=1e-4)


CAPACITORS = {
    "kind": "capacitor_bank",
    "name": "store",
    "unit_usable_kwh": 6.0,
    "lowest_voltage_v": 24.0,
    "highest_voltage_v": 54.0,
    "charge_kw": 10.0,
    "discharge_kw": 10.0,
    "charge_current_a": 150.0,
    "discharge_current_a": 150.0,
    "start_fraction": 0.6,
}


def test_a_capacitor_bank_keeps_its_current_as_it_empties(tmp_path):
    """Voltage falls with the stored energy: the plan's offers hold, twice as much is stopped by current or energy."""
    dispatch = plan(tmp_path, services=[service("raise", "up", 0.5)], bank=CAPACITORS, step_minutes=30)
    found = replay_events(dispatch, hardest(dispatch, tight=5, random=10))
    assert 0 == found.summary["short"]
    assert found.tables["events"]["margin_storage_a"].min() > -1e-3
    kw = float(np.asarray(dispatch.offers[0].offered_kw)[2])
    planted = wrong(dispatch, 2 * kw)
    caught = EventReplay(planted).walk(everything(planted, 2))
    assert not caught.kept
    assert caught.limited_by in ("storage current", "stored energy")


def test_a_current_is_power_over_the_voltage_that_is_left(tmp_path):
    """At 3.6 of 6 kWh the bank stands at sqrt(24^2 + 0.6 (54^2 - 24^2)) V, and 150 A carry that times 0.15 kW.

    Source: E = C V^2 / 2, elementary circuit theory.
    """
    dispatch = plan(
        tmp_path, services=[service("raise", "up", 1 / 60, most_kw=0.001)], bank=CAPACITORS, load_kw=0.0
    )
    planted = wrong(dispatch, 9.9)
    event = everything(planted, 0)
    plant = EventReplay(planted).plant
    volts = (24**2 + 0.6 * (54**2 - 24**2)) ** 0.5
    now = plant.respond(0.0, 1 / 3600, {"store": 0.0}, event.wanted_kw(0.0), 1 / 60, called=True)
    base = float(plant.bank_kw["store"][0])
    assert "storage current" == now.limited_by
    assert pytest.approx(0.15 * volts, rel=1e-6) == now.given_kw + base


def test_a_call_that_stops_a_discharge_still_fits(tmp_path):
    """Down from a store near full that is giving: what no longer leaves the bus is less at the meter, so more of the
    call is left to be taken in. The rule counts the inverter's losses both ways.
    """
    bank = battery(12.0, 12.0, start_fraction=1.0, end_fraction=0.0)
    site = {"inverter": [inverter(5.0, 0.9)]}
    dispatch = plan(
        tmp_path, services=[service("lower", "down", 0.5)], bank=bank, step_minutes=30, load_kw=5.0, **site
    )
    found = replay_events(dispatch, hardest(dispatch, tight=10, random=10))
    assert 0 == found.summary["short"], found.tables["events"][["start", "short_kwh", "limited_by"]]


@pytest.mark.parametrize("seed", [101, 107, 113, 115, 120, 122, 139])
def test_schedules_of_random_sites_hold_what_they_promise(tmp_path, seed):
    """Whatever the rules promise is delivered, on sites drawn at random with services of many kinds."""
    dispatch = solve(read_scenario(as_scenario(random_site(seed), tmp_path)))
    events = hardest(dispatch, tight=3, random=5)
    assert events
    found = replay_events(dispatch, events)
    assert 0 == found.summary["short"], found.tables["events"]


def test_a_call_costs_the_energy_it_moves(tmp_path):
    """4 kW up for half an hour spare 2 kWh of import at 0.30; without losses the way back costs them again."""
    bank = battery(100.0, 20.0, end_fraction=0.0)
    dispatch = plan(
        tmp_path,
        services=[service("raise", "up", 0.5, most_kw=4.0)],
        bank=bank,
        load_kw=8.0,
        step_minutes=30,
    )
    step = int(np.flatnonzero(dispatch.flows.meter.import_kw > 4)[0])
    event = everything(dispatch, step)
    assert 4.0 == pytest.approx(event.calls[0].kw)
    found = EventReplay(dispatch).walk(event)
    assert pytest.approx(0.6, abs=1e-6) == found.energy_amount
    assert pytest.approx(0.0, abs=0.6 + 1e-6) == found.amount


def test_the_way_back_can_raise_a_demand_charge_and_is_counted(tmp_path):
    """4 kW given in the second half hour are charged again in the fourth, where nothing was drawn: 2 kW of demand more.

    By hand: half hours of 10 and 0 kW on the first day, of 0 and 10 kW on the second: every hour's average is 5 kW.
    The way back draws 4 kW beside 10, an average of 7 kW, at 3.00 a kW. Being available pays 1000 per MW and hour:
    192.00 for 4 kW and two days, in proportion to which the mean of a call is told.
    """
    words = table(
        days=2,
        step_minutes=30,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 100.0, "export_limit_kw": 100.0},
            "load": [{"power_kw": "data.load_kw"}],
            "inverter": [inverter(100.0)],
        },
        components=[ENERGY, {"kind": "demand_charge", "rate_per_kw": 3.0, "interval_minutes": 60}],
        storage=[battery(100.0, 20.0, wear_per_kwh=5.0)],
        service=[service("raise", "up", 0.5, most_kw=4.0)],
    )
    load = np.r_[np.tile([10.0, 0.0], 24), np.tile([0.0, 10.0], 24)]
    dispatch = solve(read_scenario(write_site(tmp_path, words, {"load_kw": load}, step_minutes=30)))
    assert pytest.approx(load, abs=1e-6) == dispatch.flows.meter.import_kw
    found = replay_events(dispatch, [everything(dispatch, 1)])
    row = found.tables["events"].iloc[0]
    assert pytest.approx(0.0, abs=1e-6) == row["of_which_demand_amount"]
    assert pytest.approx(-6.0, abs=1e-6) == row["recovery_of_which_demand_amount"]
    assert pytest.approx(-6.0 - 0.3 * 2, abs=1e-6) == row["recovery_amount"]
    assert (1, pytest.approx(192.0)) == (found.summary["raised_demand"], found.summary["availability_income"])
    assert pytest.approx(row["amount"]) == found.summary["mean_amount"] == pytest.approx(-6.6, abs=1e-6)
    assert any(
        "1 of 1 events raised a demand charge (1 of them only on the way" in w
        for w in found.summary["observations"]
    )
    said = cost_words("AUD", found.typed(ActivationFigures)).replace("\xa0", " ")
    assert said.startswith("A call costs AUD 6.60 on average")
    assert said.endswith("earns AUD 192.00 in the 2 days of the run: as much as 29 such calls cost.")


def test_the_same_calls_are_walked_once(tmp_path):
    """Two groups of which one offers at a time: all together is the one, named by it, and not repeated."""
    halves = ({"from": "00:00", "to": "12:00"}, {"from": "12:00", "to": "24:00"})
    services = [
        service(f"s{n}", "up", 0.5, response_group=f"g{n}", when=when, most_kw=2.0)
        for n, when in enumerate(halves)
    ]
    dispatch = plan(tmp_path, services=services, bank=battery(100.0, 20.0))
    events = hardest(dispatch, tight=2, random=4)
    what = [(event.start_hours, *((c.holding.group, c.kw) for c in event.calls)) for event in events]
    assert len(set(what)) == len(what)
    assert {"g0", "g1"} == {event.name for event in events}


def test_events_are_read_and_every_fault_is_told_by_line(tmp_path):
    """Stamps on the site's clock or with an offset; all faults at once."""
    dispatch = plan(tmp_path / "s", services=[service("raise", "up", 0.5)], bank=battery(10.0, 5.0))
    good = tmp_path / "events.csv"
    good.write_text(
        "start,minutes,service,share\n2025-01-01T03:30,10,raise,0.5\n2025-01-01T03:30+01:00,5,up,1\n"
    )
    half, whole = read_events(good, dispatch)
    assert (3.5, 2.5) == (half.start_hours, whole.start_hours)
    assert 0.5 * holdings(dispatch)[0].kw[3] == half.calls[0].kw
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "start,minutes,service,share\n2026-01-01,10,raise,1\n2025-01-01T05:00,x,raise,1\n"
        "2025-01-01T05:00,5,rise,2\nnever,5,raise,1\n"
    )
    with pytest.raises(ScenarioError) as told:
        read_events(bad, dispatch)
    words = str(told.value)
    assert "5 faults" in words
    for part in (
        "line 2: '2026-01-01' is outside",
        "line 3: minutes",
        "line 4: share",
        "line 4: service must",
        "line 5",
    ):
        assert part in words


def test_a_frequency_calls_by_droop(tmp_path):
    """49.5 Hz at 1.7 % and 15 mHz call 57.06 % of what is offered up, 50.1 Hz nothing of it."""
    dispatch = plan(
        tmp_path / "s", services=[service("raise", "up", 0.5, most_kw=2.0)], bank=battery(10.0, 5.0)
    )
    file = tmp_path / "hz.csv"
    file.write_text("time,hz\n2025-01-01T04:00:00,49.5\n2025-01-01T04:05:00,50.1\n2025-01-01T04:10:00,50.0\n")
    (event,) = read_frequency(file, dispatch, Droop(1.7))
    assert pytest.approx(2 * 0.5706, abs=1e-4) == event.wanted_kw(0.01)
    assert 0.0 == event.wanted_kw(0.1)
    found = EventReplay(dispatch).walk(event)
    assert found.kept
    assert pytest.approx(2 * 0.485 / 0.85 / 12, rel=1e-6) == found.given_kwh


def test_droop_gives_the_published_share():
    """1.7 %, 0.015 Hz, 50 Hz: 57.06 % of the rating at 0.5 Hz and all of it at 0.865 Hz.

    Source: AEMO's droop of 1.7 % for small devices as quoted in 2025; share = (|df| - dead band)/(droop x 50 Hz).
    """
    setting = Droop(1.7)
    assert pytest.approx(0.5706, abs=5e-5) == float(setting.share(0.5))
    assert pytest.approx(0.865) == setting.full_hz
    assert pytest.approx([0.0, 0.0, 1.0, 1.0]) == setting.share(np.array([0.0, 0.015, 0.865, 2.0]))


def test_linear_reserve_is_a_droop():
    """20 MW of frequency containment reserve give 10 MW at 100 mHz, full at 200 mHz.

    Source: TenneT, FCR manual for BSPs, section 3.1.1: linear to 200 mHz.
    """
    assert pytest.approx(10.0) == creditable(20.0, Droop(0.4, 0.0), [Service("FCR", 0.1, 30)])[0].kw


def test_a_slow_ramp_limits_what_can_be_credited():
    """1 kW/s after 0.2 s stands at 0.8 kW after a second; figures that cannot be meant are all told."""
    (credit,) = creditable(5.0, Droop(1.7), [Service("1 s", 0.5, 1.0)], ramp_kw_per_second=1.0)
    assert ("ramp", pytest.approx(0.8)) == (credit.limited_by, credit.kw)
    with pytest.raises(OptimiserError, match=r"(?s)rating must.*droop must"):
        creditable(-1.0, Droop(0.0))


def test_the_commands_say_what_they_found(tmp_path):
    """A table and a page are written once; without services there is nothing to call."""
    plan(tmp_path / "s", services=[service("raise", "up", 0.5)], bank=battery(10.0, 5.0))
    csv, html = tmp_path / "out" / "activation.csv", tmp_path / "out" / "activation.html"
    words = [
        "activate",
        str(tmp_path / "s"),
        "--random",
        "2",
        "--tight",
        "1",
        "--out",
        str(tmp_path / "out"),
    ]
    ran = CliRunner().invoke(main, words)
    assert 0 == ran.exit_code, ran.output
    assert "4 of 4 events delivered in full" in ran.output
    assert 5 == len(csv.read_text().splitlines())
    assert "When services are called" in html.read_text()
    again = CliRunner().invoke(main, words)
    assert (2, True) == (again.exit_code, "not written over. Say --overwrite" in again.output)
    assert 0 == CliRunner().invoke(main, [*words, "--overwrite"]).exit_code
    droop = CliRunner().invoke(main, ["droop", "--rating-kw", "5", "--within", "6"])
    assert "2.853 kW" in droop.output


def test_a_call_of_nothing_is_not_called_delivered(tmp_path):
    """Where the plan offers nothing, an event says so."""
    words = service("raise", "up", 0.5, when={"from": "12:00", "to": "18:00"})
    dispatch = plan(tmp_path / "s", services=[words], bank=battery(10.0, 5.0))
    file = tmp_path / "e.csv"
    file.write_text("start,minutes,service\n2025-01-01T03:00,5,raise\n2025-01-01T13:00,5,raise\n")
    found = replay_events(dispatch, read_events(file, dispatch))
    assert ["nothing offered", "delivered"] == found.tables["events"]["verdict"].tolist()
    assert (1, 1) == (found.summary["delivered"], found.summary["nothing_offered"])
