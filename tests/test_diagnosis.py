"""Planted causes: each must be named with the right limit, step and amount.

Every expected amount is worked by hand beside its case from ratings and efficiencies (arithmetic of the
planted case, no source needed), and confirmed by solving: moved by 1 % more the limit lets the scenario be
solved, moved by 1 % less it does not. All sites are made up.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import write_site

import optimiser
from optimiser.engine.diagnosis import limits, supply, window
from optimiser.engine.diagnosis import search as diagnosis
from optimiser.errors import DriftError, InfeasibleError
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary

HEAD = """
title = "Made-up site"
invented = true
currency = "EUR"
[timeline]
start = 2025-01-01
days = 1
step_minutes = 60
zone = "UTC"
[tariff]
name = "flat"
zone = "UTC"
component = [{ kind = "energy_charge", rate_per_kwh = 0.3 }, { kind = "feed_in", rate_per_kwh = 0.05 }]
"""
INVERTER = """
[[site.inverter]]
name = "inv"
phase = "PHASE"
output_kw = 3.0
input_kw = 3.0
output_efficiency = 0.9
input_efficiency = 0.9
"""
BATTERY = """
[[storage]]
kind = "battery"
name = "bank"
unit_kwh = 10.0
charge_kw = 5.0
discharge_kw = 5.0
voltage_v = 50.0
start_fraction = START
end_fraction = END
"""
CAPACITORS = """
[[storage]]
kind = "capacitor_bank"
name = "bank"
unit_usable_kwh = 50.0
lowest_voltage_v = 38.0
highest_voltage_v = 52.0
charge_kw = 10.0
discharge_kw = 10.0
discharge_current_a = 50.0
start_fraction = 1.0
end_fraction = 0.0
"""


def one_phase(
    connection: str = "", load: str = '"data.load"', extra: str = "", inverter: str = "", bank: str = ""
) -> str:
    """A one-phase site; `connection` says its limits where they are not 10 and 5 kW."""
    limits = connection or "import_limit_kw = 10.0\nexport_limit_kw = 5.0"
    bank = bank or BATTERY
    bank = bank.replace("START", "0.5").replace("END", "0.0")
    return (
        f"{HEAD}[site]\nphases = 1\n{extra}\n[site.connection]\n{limits}\n[[site.load]]\npower_kw = {load}\n"
        f"{INVERTER.replace('PHASE', 'L1')}{inverter}\n{bank}"
    )


def three_phase(connection: str, registers: str = "netted", inverter: str = "") -> str:
    """A three-phase site with one inverter on L1."""
    loads = "".join(f'[[site.load]]\nphase = "L{n}"\npower_kw = "data.l{n}"\n' for n in (1, 2, 3))
    return (
        f'{HEAD}[site]\nphases = 3\nregisters = "{registers}"\n[site.connection]\nimport_limit_kw = 40.0\n'
        f"export_limit_kw = 10.0\n{connection}\n{loads}{INVERTER.replace('PHASE', 'L1')}{inverter}\n"
        f"{BATTERY.replace('START', '0.5').replace('END', '0.0')}"
    )


def dip(usual: float, step: int, then: float) -> list[float]:
    """A day's series with one other value."""
    return [then if index == step else usual for index in range(24)]


@dataclass
class Case:
    """A planted cause and what must be said of it."""

    text: str
    columns: dict[str, list[float]]
    rule: str
    step: int
    amount: float
    move: Callable[[float], dict[str, Any]] | None = None
    tolerance: float = 0.001
    start: str = "2025-01-01"
    words: list[str] = field(default_factory=list)


ZERO_IMPORT = "import_limit_kw = 0.0\nexport_limit_kw = 5.0"
FULL = BATTERY.replace("START", "1.0")
EMPTY = BATTERY.replace("START", "0.0")

# A bus that the grid hardly reaches: a large inverter behind a breaker of 1 A, so that only what is on the bus helps.
ISLAND = one_phase(
    extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]',
    inverter="dc_current_limit_a = 1\n",
    bank=BATTERY.replace("discharge_kw = 5.0", "discharge_kw = DISCHARGE")
    .replace("\ncharge_kw = 5.0", "\ncharge_kw = CHARGE")
    .replace("START", "STATE"),
).replace("input_kw = 3.0", "input_kw = 0.0556")
SUN = '[[site.solar_controller]]\nname = "field"\navailable_kw = "data.sun"\nefficiency = 1.0\n'

CASES = {
    # 8 kW less 3 kW of inverter output less 3 kW of limit.
    "import limit falls in one step": Case(
        one_phase('import_limit_kw = "data.limit"\nexport_limit_kw = 5.0'),
        {"load": dip(2, 18, 8), "limit": dip(10, 18, 3)},
        "import limit of the connection",
        18,
        2.0,
        words=[
            "2025-01-01 18:00",
            "allows 3 kW",
            "load of 8 kW",
            "2 kW more",
            "site.connection.import_limit_kw",
            "5 kW",
        ],
    ),
    # 12 kW on L1 less 3 kW of its inverter less 8 kW.
    "import limit of a phase": Case(
        three_phase("import_limit_kw_per_phase = 8.0"),
        {"l1": dip(2, 7, 12), "l2": dip(1, 0, 1), "l3": dip(1, 0, 1)},
        "import limit of phase L1",
        7,
        1.0,
        lambda kw: {"site.connection.import_limit_kw_per_phase": 8.0 + kw},
    ),
    # 9.5 kW on L2, where no inverter is, less 8 kW; each phase has its registers.
    "import limit of a phase with registers of its own": Case(
        three_phase("import_limit_kw_per_phase = 8.0", registers="per_phase"),
        {"l1": dip(2, 0, 2), "l2": dip(1, 20, 9.5), "l3": dip(1, 0, 1)},
        "import limit of phase L2",
        20,
        1.5,
        lambda kw: {"site.connection.import_limit_kw_per_phase": 8.0 + kw},
    ),
    # 10 kW on L1 less 3 kW, against nothing on L2 and L3: 7 kW apart, 4 allowed.
    "imbalance limit": Case(
        three_phase("imbalance_limit_kw = 4.0"),
        {"l1": dip(2, 12, 10), "l2": dip(0, 0, 0), "l3": dip(0, 0, 0)},
        "imbalance limit between phases",
        12,
        3.0,
        lambda kw: {"site.connection.imbalance_limit_kw": 4.0 + kw},
    ),
    # Two hours of 3 kW x 0.9 from empty are 5.4 kWh; 8 kWh are kept from 01:00 on, at the end of that step.
    "reserve above what can be charged in time": Case(
        one_phase(bank=EMPTY + 'reserve = [{ fraction = 0.8, when = { from = "01:00" } }]\n'),
        {"load": [1.0] * 24},
        "reserve of bank",
        1,
        2.6,
        lambda kwh: {"storage.0.reserve.0.fraction": 0.8 - kwh / 10},
        words=[
            "asks for 8 kWh",
            "2025-01-01 01:00",
            "2.6 kWh more",
            "at most 5.4 kWh",
            "input rating of inverter inv",
        ],
    ),
    # The meter leaves 0.4 kW beside the load: 24 h x 0.4 kW x 0.9 = 8.64 kWh of the 10 asked for.
    "end state out of reach": Case(
        one_phase("import_limit_kw = 1.4\nexport_limit_kw = 5.0", bank=EMPTY.replace("END", "1.0")),
        {"load": [1.0] * 24},
        "end state of bank",
        23,
        1.36,
        lambda kwh: {"storage.0.end_fraction": 1 - kwh / 10},
    ),
    # 0.1 kW of standby and 0.4 kW of DC load for 24 h, less 5 kWh stored, through input at 0.9: 7 / 21.6 kW.
    "standby and DC load empty the store of a site that may not import": Case(
        one_phase(
            ZERO_IMPORT,
            load="0.0",
            extra='dc_load = [{ name = "racks", power_kw = 0.4, before = "new" }]',
            inverter="standby_w = 100\n",
        ),
        {},
        "import limit of the connection",
        23,
        7 / 21.6,
        lambda kw: {"site.connection.import_limit_kw": kw},
    ),
    # A load of 1 kW for 24 h; 10 kWh stored give 9 kWh, so 15 kWh are short: 0.625 kW throughout.
    "energy asked for at a site that may not import": Case(
        one_phase(ZERO_IMPORT, bank=FULL),
        {"load": [1.0] * 24},
        "import limit of the connection",
        23,
        0.625,
        lambda kw: {"site.connection.import_limit_kw": kw},
    ),
    # 20 A x 230 V = 4.6 kW; the load of 9 kW less 3 kW of output passes through.
    "pass-through current of an in-line inverter": Case(
        one_phase(inverter="pass_through_limit_a = 20\n"),
        {"load": dip(2, 9, 9)},
        "pass-through current of inverter inv",
        9,
        1.4,
        lambda kw: {"site.inverter.0.pass_through_limit_a": (4.6 + kw) * 1000 / 230},
        words=["26.09 A"],
    ),
    # A breaker of 25 A at 0.8 carries 20 A x 230 V = 4.6 kW of the same load, whatever may pass the inverter.
    "AC breaker of an in-line inverter": Case(
        one_phase(
            inverter="pass_through_limit_a = 40\nac_breaker_a = 25\nac_breaker_continuous_share = 0.8\n"
        ),
        {"load": dip(2, 9, 9)},
        "AC breaker of inverter inv",
        9,
        1.4,
        lambda kw: {"site.inverter.0.ac_breaker_a": (4.6 + kw) * 1000 / 230 / 0.8},
        words=["32.61 A"],
    ),
    # Beside the loads it carries what is taken in: 10 A at 0.8 are 1.84 kW, 2.5 kW of DC load take 2.5 / 0.9 kW.
    "AC breaker of an inverter beside the loads": Case(
        one_phase(
            extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]',
            bank="\n",
            inverter="ac_breaker_a = 10\nac_breaker_continuous_share = 0.8\n",
        ),
        {"load": [1.0] * 24, "dc": dip(1, 15, 2.5)},
        "AC breaker of inverter inv",
        15,
        2.5 / 0.9 - 1.84,
        lambda kw: {"site.inverter.0.ac_breaker_a": (1.84 + kw) * 1000 / 230 / 0.8},
    ),
    # 4 kW on the bus, of which 3 kW x 0.9 come through the inverter; there is no storage.
    "DC load above what the inverter's input can bring": Case(
        one_phase(extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]', bank="\n"),
        {"load": [1.0] * 24, "dc": dip(1, 15, 4)},
        "input rating of inverter inv",
        15,
        1.3 / 0.9,
        lambda kw: {"site.inverter.0.input_kw": 3.0 + kw},
    ),
    # The same load through a DC breaker of 40 A at 50 V: 2 kW.
    "DC current of the inverter": Case(
        one_phase(
            extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]\ndc_voltage_v = 50.0',
            bank="\n",
            inverter="dc_current_limit_a = 40\n",
        ),
        {"load": [1.0] * 24, "dc": dip(1, 15, 2.5)},
        "DC current of inverter inv, in",
        15,
        0.5,
        lambda kw: {"site.inverter.0.dc_current_limit_a": 40 + kw * 1000 / 50},
        words=["10 A"],
    ),
    # A tenth of 5 kWh is lost in a day and cannot be brought back.
    "energy that must be held while it leaks": Case(
        one_phase(
            ZERO_IMPORT,
            load="0.0",
            bank=BATTERY + "self_discharge_per_day = 0.1\nreserve = [{ fraction = 0.5 }]\n",
        ),
        {},
        "reserve of bank",
        23,
        0.5,
        lambda kwh: {"storage.0.reserve.0.fraction": 0.5 - kwh / 10},
    ),
    # A DC load of 8 kW for one hour draws a full bank of 50 kWh down to s = 0.84:
    # V = sqrt(38^2 + s (52^2 - 38^2)), from E = C V^2 / 2 (elementary circuit theory). Straight lines below
    # the curve cost up to 1 % of the voltage.
    "discharge current of a capacitor bank": Case(
        one_phase(
            extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]', bank=CAPACITORS
        ).replace("input_kw = 3.0", "input_kw = 0.0"),
        {"load": [1.0] * 24, "dc": dip(0, 12, 8)},
        "discharge current of bank",
        12,
        8 - 0.05 * math.sqrt(38**2 + 0.84 * (52**2 - 38**2)),
        tolerance=0.01,
    ),
    # A battery that gives 5 kW, an inverter that brings 2.7 kW, 9 kW asked for: either rating would help.
    "DC load above input and discharge together": Case(
        one_phase(extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]'),
        {"load": [1.0] * 24, "dc": dip(0, 3, 9)},
        "input rating of inverter inv",
        3,
        1.3 / 0.9,
        lambda kw: {"site.inverter.0.input_kw": 3.0 + kw},
        words=["discharge power of bank by 1.3 kW"],
    ),
    # 0.1 kW from a full store for 24 h are 2.4 kWh; 365 kWh a year are 1 kWh for the one day.
    "warranty": Case(
        one_phase(
            load="1.0",
            extra='dc_load = [{ name = "racks", power_kw = 0.1, before = "new" }]',
            bank=FULL
            + "[storage.life]\ncycle_life = 4000\ncalendar_life_years = 12\nwarranted_kwh_per_year = 365.0\n"
            + "keep_warranty = true\n",
        ).replace("input_kw = 3.0", "input_kw = 0.0"),
        {},
        "warranty of bank",
        23,
        1.4,
        lambda kwh: {"storage.0.life.warranted_kwh_per_year": 365 * (1 + kwh)},
        words=["allows 1 kWh", "1.4 kWh more", "keep_warranty", "input rating of inverter inv"],
    ),
    # 6 kW on the bus from a battery that gives 5; through a breaker of 1 A at 50 V the inverter brings 50 W, and
    # neither its rating alone nor the breaker alone is enough.
    "discharge power": Case(
        ISLAND.replace("DISCHARGE", "5.0").replace("CHARGE", "9.0").replace("STATE", "1.0") + SUN,
        {"load": [1.0] * 24, "dc": dip(0, 3, 6), "sun": [0.0] * 24},
        "discharge power of bank",
        3,
        1 - 0.05,
        lambda kw: {"storage.0.discharge_kw": 5 + kw},
    ),
    # An hour of 12 kW of sun, of which 5 can be charged, then 8 hours of 0.8 kW. 0.05 kW come through the
    # inverter, in the other hours before, too.
    "charge power": Case(
        ISLAND.replace("DISCHARGE", "9.0").replace("CHARGE", "5.0").replace("STATE", "0.0") + SUN,
        {"load": [1.0] * 24, "dc": [0.0] * 12 + [0.8] * 8 + [0.0] * 4, "sun": dip(0, 11, 12)},
        "charge power of bank",
        19,
        8 * 0.75 - 5 - 11 * 0.05,
        lambda kw: {"storage.0.charge_kw": 5 + kw},
    ),
    # The same through a controller of 100 A at 50 V.
    "current of a controller": Case(
        ISLAND.replace("DISCHARGE", "9.0").replace("CHARGE", "9.0").replace("STATE", "0.0")
        + SUN
        + "current_limit_a = 100\n",
        {"load": [1.0] * 24, "dc": [0.0] * 12 + [0.8] * 8 + [0.0] * 4, "sun": dip(0, 11, 12)},
        "current of controller field",
        19,
        8 * 0.75 - 5 - 12 * 0.05,
        lambda kw: {"site.solar_controller.0.current_limit_a": 100 + kw * 20},
        words=["site.solar_controller.0.current_limit_a"],
    ),
    # The same into a bank that takes 100 A at 50 V.
    "charge current": Case(
        ISLAND.replace("DISCHARGE", "9.0").replace("CHARGE", "9.0").replace("STATE", "0.0")
        + "charge_current_a = 100\n"
        + SUN,
        {"load": [1.0] * 24, "dc": [0.0] * 12 + [0.8] * 8 + [0.0] * 4, "sun": dip(0, 11, 12)},
        "charge current of bank",
        19,
        8 * 0.75 - 5 - 11 * 0.05,
        lambda kw: {"storage.0.charge_current_a": 100 + kw * 20},
    ),
    # Sun by day for 10 kWh at the most, 12 hours of 1 kW, of which 0.05 kW come through the inverter.
    "capacity": Case(
        ISLAND.replace("DISCHARGE", "9.0").replace("CHARGE", "9.0").replace("STATE", "0.0") + SUN,
        {"load": [1.0] * 24, "dc": [0.0] * 12 + [1.0] * 12, "sun": [3.0] * 12 + [0.0] * 12},
        "capacity of bank",
        23,
        12 * 0.95 - 10,
        lambda kwh: {"storage.0.unit_kwh": 10 + kwh},
    ),
    # 6 kW of sun less 0.5 kW of load against 10 A x 230 V.
    "existing solar through an in-line inverter": Case(
        one_phase(
            "import_limit_kw = 10.0\nexport_limit_kw = 10.0",
            inverter="pass_through_limit_a = 10\n"
            + '[[site.ac_solar]]\nname = "roof"\nphase = "L1"\navailable_kw = "data.sun"\nexisting = true\n',
        ).replace("input_kw = 3.0", "input_kw = 0.0"),
        {"load": [0.5] * 24, "sun": dip(0, 12, 6)},
        "pass-through current of inverter inv",
        12,
        5.5 - 2.3,
        lambda kw: {"site.inverter.0.pass_through_limit_a": (2.3 + kw) * 1000 / 230},
        words=["lower the output of roof by 3.2 kW (site.ac_solar.0.commandable)"],
    ),
    # The first case on a clock one hour ahead of UTC.
    "local time is told": Case(
        one_phase('import_limit_kw = "data.limit"\nexport_limit_kw = 5.0').replace(
            '"UTC"', '"Europe/Berlin"'
        ),
        {"load": dip(2, 18, 8), "limit": dip(10, 18, 3)},
        "import limit of the connection",
        18,
        2.0,
        start="2024-12-31T23:00:00+00:00",
        words=["2025-01-01 18:00"],
    ),
}


@pytest.fixture(params=CASES, ids=lambda name: name.replace(" ", "-"))
def planted(request: Any, tmp_path: Path) -> tuple[Case, Scenario]:
    """Each case and its scenario."""
    case = CASES[request.param]
    return case, read_scenario(write_site(tmp_path, case.text, case.columns, start=case.start))


def told(scenario: Scenario) -> InfeasibleError:
    """What is raised when a scenario is solved."""
    with pytest.raises(InfeasibleError) as caught:
        optimiser.solve(scenario)
    return caught.value


def test_solve_names_limit_step_and_amount(planted):
    """The planted cause is named, in its step, within 1 % of the amount."""
    case, scenario = planted
    error = told(scenario)
    assert len(error.findings) == 1
    finding = error.findings[0]
    assert case.rule == finding["rule"]
    assert case.step == finding["step"]
    assert f"2025-01-01 {case.step:02d}:00" == finding["when"]
    assert case.amount == pytest.approx(finding["amount"], rel=case.tolerance)
    for words in [case.rule, finding["when"], *case.words]:
        assert words in str(error)


def test_no_family_is_told_as_another(planted):
    """A site without services hears of none, and no limit is told under a key that is not its own."""
    case, scenario = planted
    error = told(scenario)
    assert "service" not in str(error)
    names = {limit.rule for limit in limits.limits_of(scenario, window.bare_problem(scenario))}
    assert any(case.rule.startswith(name.split(" {")[0]) for name in names)


def test_every_family_has_a_planted_cause():
    """Each rule that `limits_of` knows is named in some case, or can never be the only cause.

    Output ratings, breakers on the way out and export limits are cured by more import, less sun or less output first.
    """
    texts = [f"{case.rule} {' '.join(case.words)}" for case in CASES.values()]
    for words in (
        *(
            "import limit of the connection",
            "import limit of phase",
            "imbalance limit",
            "pass-through current",
            "AC breaker of inverter",
        ),
        *("input rating", "DC current of inverter inv, in", "current of controller", "warranty of"),
        *(
            "end state",
            "reserve of",
            "charge power",
            "discharge power",
            "charge current",
            "discharge current",
        ),
        *("capacity of", "output of roof"),
    ):
        assert any(words in text for text in texts), words


def test_a_warranty_is_told_in_the_month_that_runs_over_it(tmp_path):
    """Half hours of January to April: nights of 12 h at 0.1 kW, in March 0.2 kW; 730 kWh a year are 2 kWh a day.

    March discharges 31 x 2.4 kWh, of which 62 are covered: 12.4 too many. No week by itself is too much.
    """
    life = "[storage.life]\ncycle_life = 4000\ncalendar_life_years = 12\nwarranted_kwh_per_year = 730.0\n"
    text = one_phase(
        load="1.0",
        extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]',
        bank=BATTERY + life + "keep_warranty = true\n" + SUN,
    ).replace("input_kw = 3.0", "input_kw = 0.0")
    text = text.replace("days = 1", "days = 120").replace("step_minutes = 60", "step_minutes = 30")
    step = np.arange(120 * 48)
    day = (step % 48 >= 12) & (step % 48 < 36)
    march = (step >= 59 * 48) & (step < 90 * 48)
    columns = {"dc": np.where(day, 0.0, np.where(march, 0.2, 0.1)), "sun": np.where(day, 2.0, 0.0)}
    error = told(read_scenario(write_site(tmp_path, text + SERVICE, columns, step_minutes=30)))
    (finding,) = error.findings
    assert "warranty of bank" == finding["rule"]
    assert "2025-03-31" in finding["when"]
    assert finding["amount"] == pytest.approx(12.4, rel=0.001)
    assert "reserve block" not in str(error)


def test_a_defect_is_not_told_as_a_limit(tmp_path, monkeypatch):
    """A solver that finds nothing where every limit can be kept is no fault of services or site."""

    def nothing(*given: Any) -> None:
        raise InfeasibleError("no schedule keeps every limit")

    monkeypatch.setattr("optimiser.dispatch.answer", nothing)
    scenario = read_scenario(write_site(tmp_path, one_phase() + SERVICE, {"load": [1.0] * 24}))
    with pytest.raises(DriftError, match="every limit of site and storage can be kept"):
        optimiser.solve(scenario)


def test_explained_agrees_with_the_quick_check(planted):
    """Without the quick check, the walk over the days names the same limit, step and amount."""
    case, scenario = planted
    finding = diagnosis.explained(scenario).findings[0]
    assert (case.rule, case.step) == (finding["rule"], finding["step"])
    assert case.amount == pytest.approx(finding["amount"], rel=case.tolerance)


def test_amount_is_what_is_needed(planted):
    """Moved by 1 % more than the amount the limit lets the scenario be solved, by 1 % less it does not."""
    case, scenario = planted
    if case.move is None:
        pytest.skip("the limit is a series or falls with voltage")
    optimiser.solve(vary(scenario, case.move(case.amount * 1.01)))
    told(vary(scenario, case.move(case.amount * 0.99)))


def test_limits_that_have_to_move_together_are_all_named(tmp_path):
    """A phase limit of 8 kW and a pass-through of 7.5 kW, both too low for 12 kW less 3 kW of output."""
    text = three_phase("import_limit_kw_per_phase = 8.0", inverter=f"pass_through_limit_a = {7500 / 230}\n")
    loads = {"l1": dip(2, 7, 12), "l2": dip(1, 0, 1), "l3": dip(1, 0, 1)}
    scenario = read_scenario(write_site(tmp_path, text, loads))
    # A larger output rating alone would do as well, were there anything stored or any way to charge.
    scenario = vary(scenario, {"storage.0.start_fraction": 0.0, "site.inverter.0.input_kw": 0.0})
    error = told(scenario)
    amounts = {finding["rule"]: finding["amount"] for finding in error.findings}
    assert {"import limit of phase L1", "pass-through current of inverter inv"} == set(amounts)
    # Nothing stored: all 12 kW come through the phase.
    assert amounts["import limit of phase L1"] == pytest.approx(4.0, rel=0.001)
    assert amounts["pass-through current of inverter inv"] == pytest.approx(4.5, rel=0.001)


def test_nothing_can_feed_the_bus(tmp_path):
    """A DC load with no storage and an inverter that cannot take power in: the input rating is named."""
    text = one_phase(
        extra='dc_load = [{ name = "racks", power_kw = "data.dc", before = "new" }]', bank="\n"
    ).replace("input_kw = 3.0", "input_kw = 0.0")
    error = told(read_scenario(write_site(tmp_path, text, {"load": [1.0] * 24, "dc": dip(0, 4, 0.9)})))
    assert error.findings[0]["rule"] == "input rating of inverter inv"
    assert error.findings[0]["amount"] == pytest.approx(1.0, rel=0.001)


def test_worst_step_leads_and_the_others_are_counted(tmp_path):
    """Of three steps beyond the limit, the one that lacks the most is named."""
    load = np.full(24, 2.0)
    load[[6, 12, 18]] = 14.0, 16.5, 15.0
    error = told(read_scenario(write_site(tmp_path, one_phase(), {"load": load})))
    assert error.findings[0]["step"] == 12
    assert error.findings[0]["amount"] == pytest.approx(3.5, rel=0.001)
    assert "3 steps cannot be served" in str(error)


SERVICE = """
[[service]]
name = "reserve block"
direction = "symmetric"
sustain_hours = 4.0
price = -5.0
price_unit = "per_mw_hour"
block_minutes = 240
"""


def test_services_alone_never_forbid_a_schedule(tmp_path):
    """Offers may be zero, so a four-hour product at a negative price on a full store still has a schedule."""
    text = one_phase(ZERO_IMPORT, bank=FULL) + SERVICE
    scenario = read_scenario(write_site(tmp_path, text, {"load": [0.3] * 24}))
    dispatch = optimiser.solve(scenario)
    assert dispatch.values["service.reserve block.offer_kw"].max() == pytest.approx(0, abs=1e-6)


def test_zero_export_never_forbids_a_schedule(tmp_path):
    """Sun may always be turned down, so a site that may not export has a schedule under any sun."""
    solar = '[[site.ac_solar]]\nname = "roof"\nphase = "L1"\navailable_kw = 50.0\n'
    text = one_phase("import_limit_kw = 10.0\nexport_limit_kw = 0.0", inverter=solar)
    optimiser.solve(read_scenario(write_site(tmp_path, text, {"load": [0.5] * 24})))


def test_check_supply_passes_what_can_be_solved(tmp_path):
    """Only certain conclusions: a site at the very edge of its limits passes."""
    text = one_phase('import_limit_kw = "data.limit"\nexport_limit_kw = 5.0')
    scenario = read_scenario(write_site(tmp_path, text, {"load": dip(2, 18, 8), "limit": dip(10, 18, 5)}))
    supply.check_supply(scenario)
    optimiser.solve(scenario)


def bakery(**changes: Any) -> Scenario:
    """The whole-year bakery of the scenarios folder, changed."""
    folder = Path(__file__).parents[1] / "scenarios" / "three-phase-bakery"
    return vary(read_scenario(folder), {key.replace("__", "."): value for key, value in changes.items()})


@pytest.mark.slow
def test_a_whole_year_is_explained_in_seconds():
    """A phase limit of 3 kW over a year of half hours: the worst step lacks load less 3 and 6.5 kW."""
    scenario = bakery(site__connection__import_limit_kw_per_phase=3.0)
    began = time.process_time()
    error = told(scenario)
    assert time.process_time() - began < 20
    loads = {
        phase: scenario.read(load.power_kw)
        for phase, load in zip(("L1", "L2", "L3"), scenario.site.load, strict=True)
    }
    phase = max(loads, key=lambda name: loads[name].max())
    step = int(loads[phase].argmax())
    assert f"import limit of phase {phase}" == error.findings[0]["rule"]
    assert step == error.findings[0]["step"]
    assert error.findings[0]["amount"] == pytest.approx(loads[phase][step] - 6.5 - 3.0, rel=0.01)
    assert scenario.timeline.when(step) in str(error)


@pytest.mark.slow
def test_one_step_of_a_year_is_found(tmp_path):
    """An import limit that falls for half an hour of a year: 8 kW less 3 kW of output less 3 kW of limit."""
    text = one_phase('import_limit_kw = "data.limit"\nexport_limit_kw = 5.0')
    text = text.replace("days = 1", "days = 365").replace("step_minutes = 60", "step_minutes = 30")
    load, limit = np.full(17520, 2.0), np.full(17520, 10.0)
    load[9001], limit[9001] = 8.0, 3.0
    scenario = read_scenario(write_site(tmp_path, text, {"load": load, "limit": limit}, step_minutes=30))
    began = time.process_time()
    for error in (told(scenario), diagnosis.explained(scenario)):
        finding = error.findings[0]
        assert finding["rule"] == "import limit of the connection"
        assert finding["step"] == 9001
        assert finding["when"] == "2025-07-07 12:30"
        assert finding["amount"] == pytest.approx(2.0, rel=0.001)
    assert time.process_time() - began < 20


@pytest.mark.slow
def test_a_year_that_runs_short_is_explained_in_seconds():
    """An import limit of 9 kW serves each step of the bakery but not its nights: the limit is named."""
    scenario = bakery(site__connection__import_limit_kw=9.0)
    began = time.process_time()
    error = told(scenario)
    assert time.process_time() - began < 20
    assert error.findings[0]["rule"] in ("import limit of the connection", "reserve of capacitors")
    assert "import limit of the connection" in str(error)
    assert error.findings[0]["amount"] > 0


@pytest.mark.slow
def test_a_year_with_a_schedule_is_walked_in_seconds():
    """Walking a whole year that has a schedule finds nothing to blame."""
    scenario = bakery()
    problem = window.bare_problem(scenario)
    began = time.process_time()
    assert diagnosis._first_impossible(problem) is None
    assert time.process_time() - began < 20
