"""What was there before the system: a DC load and what fed it, solar that gives way by itself, phases without a limit.

Expected values are arithmetic of the made-up sites, written beside each; both cases serve the same needs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.accounts.settlement import settle
from optimiser.control.own_use import OwnUse
from optimiser.dispatch import solve
from optimiser.errors import ScenarioError
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.plant.executed import executed
from optimiser.plant.walk import Plant
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary

FLAT = [{"kind": "energy_charge", "rate_per_kwh": 0.30}, {"kind": "feed_in", "rate_per_kwh": 0.05}]


def near(value: float, tolerance: float = 1e-6) -> Any:
    return pytest.approx(value, abs=tolerance)


def fed(tmp_path: Path, dc_load: dict[str, Any], days: int = 28) -> Scenario:
    """A site with a DC load, an inverter that loses nothing and a store that does nothing."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 10.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 1.0}],
        "dc_load": [{"name": "racks", **dc_load}],
        "inverter": [inverter(2.0)],
    }
    text = table(days=days, site=site, components=FLAT, storage=[battery(1.0, 1.0)])
    return read_scenario(write_site(tmp_path, text, {}))


RECTIFIER = {"before": "rectifier", "before_efficiency": 0.9, "before_phase": "L1"}


def test_a_rectifier_fed_the_dc_load_before(tmp_path):
    """Check 103: 0.2 kW for 28 days through 0.9 are 0.2 x 672 / 0.9 = 149.33 kWh more on the bill before.

    After, the inverter brings the 134.4 kWh without loss, so the system spares 14.93 kWh at 0.30.
    """
    new = settle(solve(fed(tmp_path / "new", {"power_kw": 0.2, "before": "new"})))
    old = settle(solve(fed(tmp_path / "old", {"power_kw": 0.2, **RECTIFIER})))
    bought = [
        s.table.query("case == 'before' and group == 'energy in'")["quantity"].sum() for s in (new, old)
    ]
    assert near(149.333333) == bought[1] - bought[0]
    assert near(672.0) == bought[0]
    assert near(0.30 * (149.333333 - 134.4)) == old.saving
    assert near(-0.30 * 134.4) == new.saving
    assert near(new.bill_after) == old.bill_after
    assert near(149.333333) == old.energy_kwh["taken for the DC load before"]


@pytest.mark.parametrize(("phase", "expected"), [("L2", [1.0, 2.0, 1.0]), ("all", [4 / 3, 4 / 3, 4 / 3])])
def test_the_rectifier_is_on_its_phase(tmp_path, phase, expected):
    """1 kW of AC load a phase; 0.9 kW through 0.9 is 1 kW more on the rectifier's phase, or a third on each."""
    site = {
        "phases": 3,
        "registers": "per_phase",
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 3.0}],
        "dc_load": [{"name": "racks", "power_kw": 0.9, **RECTIFIER, "before_phase": phase}],
        "inverter": [inverter(2.0)],
    }
    read = read_scenario(
        write_site(tmp_path, table(site=site, components=FLAT, storage=[battery(1.0, 1.0)]), {})
    )
    dispatch = solve(read)
    data = read.data
    assert expected == [pytest.approx(read.site.needs_before_kw(data, p)[0]) for p in ("L1", "L2", "L3")]
    assert near(4.0) == settle(dispatch).before_flows.import_kw[0]


@pytest.mark.parametrize(
    ("dc_load", "words"),
    [
        ({"power_kw": 0.2}, ["dc_load.0.before is required"]),
        ({"power_kw": 0.2, "before": "rectifier"}, ["before_efficiency and before_phase"]),
        (
            {"power_kw": 0.2, "before": "rectifier", "before_phase": "L1"},
            ["before_efficiency and before_phase"],
        ),
        ({"power_kw": 0.2, "before": "new", "before_phase": "L1"}, ["goes without before_phase"]),
        ({"power_kw": 0.2, **RECTIFIER, "before_phase": "L2"}, ["dc_load.0.before_phase is L2", "one phase"]),
    ],
)
def test_a_dc_load_says_what_fed_it(tmp_path, dc_load, words):
    with pytest.raises(ScenarioError) as caught:
        fed(tmp_path, dc_load)
    for word in words:
        assert word in str(caught.value)


def test_the_former_key_names_the_new_form(tmp_path):
    """A figure alone cannot say whether the bill before held it."""
    text = (
        write_site(tmp_path, table(site={"phases": 1}, components=FLAT), {}) / "scenario.toml"
    ).read_text()
    text = text.replace("site = { phases = 1 }", "[site]\nphases = 1\ndc_load_kw = 0.2")
    text = text.replace("[site]", "", 1) if text.count("[site]") > 1 else text
    lines = [line for line in text.splitlines() if not line.startswith(("[site]", "phases", "dc_load_kw"))]
    lines += ["[site]", "phases = 1", "dc_load_kw = 0.2", "[site.connection]"]
    lines += ["import_limit_kw = 9.0", "export_limit_kw = 0.0"]
    (tmp_path / "scenario.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_scenario(tmp_path)
    for word in (
        "dc_load_kw",
        "[[site.dc_load]]",
        "power_kw",
        'before = "new"',
        "before_efficiency",
        "before_phase",
    ):
        assert word in str(caught.value)


# --- Solar that is there already ----------------------------------------


def sunny(
    tmp_path: Path,
    *,
    sun: list[float],
    out: list[float],
    limit: float,
    store: dict[str, Any],
    roof: dict[str, Any] | None = None,
    power_kw: float = 10.0,
) -> Scenario:
    """A site without load: an existing roof, an export limit, export prices by the hour, a store that starts empty."""
    hours = [*sun, *[0.0] * (24 - len(sun))]
    price = [*out, *[0.0] * (24 - len(out))]
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 20.0, "export_limit_kw": limit},
        "load": [{"power_kw": 0.0}],
        "ac_solar": [{"name": "roof", "available_kw": "data.sun", "existing": True} | (roof or {})],
        "inverter": [inverter(power_kw)],
    }
    components = [
        {"kind": "energy_charge", "rate_per_kwh": 0.50},
        {"kind": "spot_feed_in", "price_per_mwh": "data.price"},
    ]
    bank = battery(**store) | {"start_fraction": 0.0, "end_fraction": 0.0}
    text = table(site=site, components=components, storage=[bank])
    columns = {"sun": hours, "price": [1000.0 * p for p in price]}
    return read_scenario(write_site(tmp_path, text, columns))


SUN = [5.0, 1.0, 6.0, 0.0]
PRICES = [-0.10, -0.20, 0.05, 0.30]
TINY = {"unit_kwh": 1e-6, "power_kw": 1e-6}


def test_a_system_of_next_to_no_size_saves_nothing(tmp_path):
    """The old inverter feeds in at a negative price, and the new system cannot have it do less.

    Before: 2 kWh at -0.10, 1 at -0.20, 2 at 0.05 are -0.30.
    """
    scenario = sunny(tmp_path, sun=SUN, out=PRICES, limit=2.0, store=TINY, power_kw=1e-6)
    statement = settle(solve(scenario))
    assert near(0.30) == statement.bill_before
    assert near(0.0, 0.005) == statement.saving


def test_a_system_that_commands_old_solar_earns_by_it(tmp_path):
    """Commanded, it feeds nothing in at a negative price: 0.20 and 0.20 are spared."""
    scenario = sunny(
        tmp_path, sun=SUN, out=PRICES, limit=2.0, store=TINY, power_kw=1e-6, roof={"commandable": True}
    )
    assert near(0.40, 0.005) == settle(solve(scenario)).saving


def test_what_the_limit_held_back_may_be_stored(tmp_path):
    """5 kW of sun at a limit of 2: 3 kW are stored beside it, and sold an hour later at 0.30."""
    scenario = sunny(
        tmp_path, sun=[5.0, 0.0], out=[0.10, 0.30], limit=2.0, store={"unit_kwh": 2.0, "power_kw": 2.0}
    )
    dispatch = solve(scenario)
    assert near(4.0) == dispatch.values["ac_solar.roof.solar_kw"][0]
    assert near(2.0) == dispatch.flows.meter.export_kw[0]
    assert near(2.0 * 0.30) == settle(dispatch).saving


def test_the_limit_has_to_be_reached_before_old_solar_gives_way(tmp_path):
    """5 kW of sun at a limit of 2 and a price of -0.10: charging 4 kW leaves 1 kW to feed in, not nothing.

    The store holds 4 kWh, sold in two hours at 0.20 with 2 kW: 0.80 and 0.10 less paid.
    """
    scenario = sunny(
        tmp_path,
        sun=[5.0, 0.0, 0.0],
        out=[-0.10, 0.20, 0.20],
        limit=2.0,
        store={"unit_kwh": 4.0, "power_kw": 4.0},
    )
    dispatch = solve(scenario)
    assert near(5.0) == dispatch.values["ac_solar.roof.solar_kw"][0]
    assert near(1.0) == dispatch.flows.meter.export_kw[0]
    assert near(0.80 + 0.10) == settle(dispatch).saving


def test_storing_less_than_was_held_back_changes_no_export(tmp_path):
    """The same with a store of 1 kWh: 2 kW are fed in all the same, and nothing is spared at the negative price."""
    scenario = sunny(
        tmp_path, sun=[5.0, 0.0], out=[-0.10, 0.20], limit=2.0, store={"unit_kwh": 1.0, "power_kw": 1.0}
    )
    dispatch = solve(scenario)
    assert near(2.0) == dispatch.flows.meter.export_kw[0]
    assert near(0.20) == settle(dispatch).saving


def test_a_site_that_may_not_export_kept_that_before(tmp_path):
    """5 kW of sun, no load, no export: nothing before; 3 kWh stored after, which have nowhere to go either."""
    scenario = sunny(tmp_path, sun=[5.0], out=[-1.0], limit=0.0, store={"unit_kwh": 3.0, "power_kw": 3.0})
    statement = settle(solve(scenario))
    assert near(0.0) == statement.bill_before
    assert near(0.0) == statement.saving


def test_controllers_and_policies_keep_to_what_old_solar_does(tmp_path):
    """Every rule is replayed on what they did; none feeds in more or less than the ceiling's rule allows."""
    scenario = sunny(tmp_path, sun=SUN, out=PRICES, limit=2.0, store={"unit_kwh": 3.0, "power_kw": 2.0})
    plant = Plant(scenario)
    values, _ = executed(scenario, plant.walk(OwnUse(plant)))
    held = np.array(SUN) - values["ac_solar.roof.solar_kw"][:4]
    assert (np.minimum(held, 2.0 - values["meter.export_kw"][:4]) < 1e-6).all()
    ceiling = solve(scenario)
    for policy in policies_of(scenario):
        ran = run_under(scenario, policy, ceiling).dispatch
        assert ran.proof.settled <= ceiling.proof.bound + 1e-6
        held = np.array(SUN) - ran.values["ac_solar.roof.solar_kw"][:4]
        assert (np.minimum(held, 2.0 - ran.flows.meter.export_kw[:4]) < 1e-6).all()


def test_only_an_existing_system_asks_whether_it_is_commanded(tmp_path):
    with pytest.raises(ScenarioError, match="commandable goes with existing = true"):
        sunny(
            tmp_path,
            sun=SUN,
            out=PRICES,
            limit=2.0,
            store=TINY,
            roof={"existing": False, "commandable": False},
        )


def test_old_solar_keeps_the_limit_of_its_phase_and_of_the_whole(tmp_path):
    """Registers of their own: L1 gives 4 of 6 kW at 4 a phase, L2 3 kW, and both 5/7 of that at 5 in all."""
    site = {
        "phases": 3,
        "registers": "per_phase",
        "connection": {"import_limit_kw": 9.0, "export_limit_kw": 5.0, "export_limit_kw_per_phase": 4.0},
        "load": [{"power_kw": 0.0}],
        "ac_solar": [
            {"name": "one", "phase": "L1", "available_kw": 6.0, "existing": True},
            {"name": "two", "phase": "L2", "available_kw": 3.0, "existing": True},
        ],
        "inverter": [inverter(1e-6)],
    }
    text = table(site=site, components=FLAT, storage=[battery(1e-6, 1e-6)])
    statement = settle(solve(read_scenario(write_site(tmp_path, text, {}))))
    assert near(5.0) == statement.before_flows.export_kw[0]
    assert near(5.0 * 24 * 0.05) == -statement.bill_before
    assert near(0.0, 0.005) == statement.saving


# --- A phase without a limit of its own ----------------------------------------


@pytest.mark.parametrize("registers", ["netted", "per_phase"])
def test_a_phase_without_a_limit_carries_what_is_on_it(tmp_path, registers):
    """3,000 kW of load on L1, 2,500 kW of sun on L2, 600 kW of import: 500 kW flow in, L1 takes 3,000."""
    site = {
        "phases": 3,
        "registers": registers,
        "connection": {"import_limit_kw": 600.0, "export_limit_kw": 600.0},
        "load": [{"phase": "L1", "power_kw": 3000.0}],
        "ac_solar": [{"name": "field", "phase": "L2", "available_kw": 2500.0, "existing": True}],
        "inverter": [inverter(1.0, phase="L3")],
    }
    text = table(site=site, components=FLAT, storage=[battery(1.0, 1.0)])
    scenario = read_scenario(write_site(tmp_path, text, {}))
    dispatch = solve(scenario)
    assert near(3000.0, 1e-4) == dispatch.flows.phases["L1"].net_import_kw[0]
    assert near(500.0, 1.01) == dispatch.flows.connection.net_import_kw[0]
    for policy in policies_of(scenario):
        run_under(scenario, policy, dispatch)


@pytest.mark.parametrize("registers", ["netted", "per_phase"])
def test_a_large_phase_is_told_by_its_own_limit(tmp_path, registers):
    """300 MW of load on L1 less 299 MW of sun on L2 through 600 kW lack 400 kW, whatever the phases carry."""
    site = {
        "phases": 3,
        "registers": registers,
        "connection": {"import_limit_kw": 600.0, "export_limit_kw": 600.0},
        "load": [{"phase": "L1", "power_kw": 300000.0}],
        "ac_solar": [{"name": "field", "phase": "L2", "available_kw": 299000.0}],
        "inverter": [inverter(1.0, phase="L3", input_kw=0.0)],
    }
    text = table(
        site=site, components=FLAT, storage=[battery(0.5, 1.0, start_fraction=0.0, end_fraction=0.0)]
    )
    with pytest.raises(optimiser.InfeasibleError) as caught:
        solve(read_scenario(write_site(tmp_path, text, {})))
    (finding,) = caught.value.findings
    assert "import limit of the connection" == finding["rule"]
    assert near(400.0, 0.1) == finding["amount"]


def test_a_past_can_be_varied(tmp_path):
    """The keys are reached by sweeps like any other."""
    scenario = fed(tmp_path, {"power_kw": 0.2, **RECTIFIER}, days=1)
    more = vary(scenario, {"site.dc_load.0.power_kw": 0.4})
    assert near(2 * 0.2 * 24 / 0.9) == settle(solve(more)).energy_kwh["taken for the DC load before"]
