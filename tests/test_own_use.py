"""Plain self-consumption against days worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from test_oracle import SPRING, base, made
from test_plant import SHIPPED, SINGLE_PHASE, first_days

from optimiser.control.own_use import OwnUse
from optimiser.plant.executed import executed
from optimiser.plant.walk import Plant
from optimiser.timeline import Timeline


def three_hours(load, sun, phases=1, registers=None, loads=None):
    """A lossless plant of 2 kW with a store of 2 kWh, empty, over three hours."""
    timeline = Timeline(SPRING.start, 60, 3, SPRING.zone)
    raw = base(timeline)
    columns = {"d.load": np.array(load, float), "d.sun": np.array(sun, float)}
    one = {"output_kw": 2.0, "input_kw": 2.0, "output_efficiency": 1.0, "input_efficiency": 1.0}
    raw["site"] = {
        "phases": phases,
        "connection": {"import_limit_kw": 50.0, "export_limit_kw": 50.0},
        "load": [{"phase": "L1", "power_kw": "d.load"}],
        "solar_controller": [{"name": "roof", "available_kw": "d.sun", "efficiency": 1.0}],
        "inverter": [{"name": "a", "phase": "L1", **one}],
    }
    if phases == 3:
        raw["site"]["registers"] = registers
        raw["site"]["load"] = [{"phase": f"L{n}", "power_kw": kw} for n, kw in enumerate(loads, 1)]
        raw["site"]["inverter"] = [{"name": f"i{n}", "phase": f"L{n}", **one} for n in (1, 2, 3)]
    raw["storage"] = [
        {
            "kind": "battery",
            "name": "s",
            "unit_kwh": 2.0,
            "charge_kw": 9.0,
            "discharge_kw": 9.0,
            "voltage_v": 50.0,
        }
        | {"start_fraction": 0.0}
    ]
    return made(raw, timeline, columns)


def test_sun_covers_the_load_fills_the_store_and_the_rest_is_fed_in():
    """Hour 1: 1.5 of sun, 0.5 of load, 1 stored. Hour 2: 3.5 of sun, 0.5 of load, 1 stored to full, 1.5 fed in (2
    rated). Hour 3: no sun, 2.5 of load: 2 from the store, 0.5 imported."""
    scenario = three_hours([0.5, 0.5, 2.5], [1.5, 3.5, 0.0])
    plant = Plant(scenario)
    walk = plant.walk(OwnUse(plant))
    assert walk.stored_kwh[:, 0, 0] == pytest.approx([1.0, 2.0, 0.0])
    assert walk.export_kw[:, 0] == pytest.approx([0.0, 1.5, 0.0])
    assert walk.import_kw[:, 0] == pytest.approx([0.0, 0.0, 0.5])
    executed(scenario, walk)


@pytest.mark.parametrize(("registers", "imported"), [("netted", 0.0), ("per_phase", 1.0)])
def test_phases_help_each_other_only_where_the_meter_nets_them(registers, imported):
    """3 kW on L1 and none elsewhere, inverters of 2 kW: netted, the others give the third; registered apart, it is
    imported."""
    scenario = three_hours([0] * 3, [9.0] * 3, 3, registers, loads=(3.0, 0.0, 0.0))
    plant = Plant(scenario)
    wanted = OwnUse(plant).wanted_kw
    assert wanted.sum(axis=1) == pytest.approx(3.0 - imported)
    assert wanted[:, 0] == pytest.approx(2.0)


@pytest.mark.parametrize("folder", SHIPPED, ids=lambda path: path.name)
def test_shipped_sites_run_on_it(folder):
    """Every rule of the formulation holds."""
    scenario = first_days(folder)
    plant = Plant(scenario)
    executed(scenario, plant.walk(OwnUse(plant)))


def test_spans_side_by_side_are_the_spans_alone():
    """Steps that lie apart, walked at once, give what each gives by itself."""
    scenario = first_days(SINGLE_PHASE)
    plant = Plant(scenario)
    own = OwnUse(plant)
    starts = np.array([0, 30])
    together = plant.walk(own, cases=2, steps=starts + np.arange(20)[:, None])
    for number, start in enumerate(starts):
        alone = plant.walk(own, steps=np.arange(start, start + 20))
        assert together.stored_kwh[:, number] == pytest.approx(alone.stored_kwh[:, 0])
