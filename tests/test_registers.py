"""Registers of the SunSpec storage-control model, against the alliance's own library and its definition of the model.

pysunspec2 is the alliance's reference library; the model's definition comes with it. The worked value is the open
standard's scale-factor rule: value times ten to the scale factor.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import sunspec2.device as device
import sunspec2.mdef as definition
from test_day_plan import forecast, site

from optimiser.control.modes import WORDS, Mode
from optimiser.daily.day_plan import plan_day, read_forecast, write_plan
from optimiser.daily.registers import LENGTH, MODEL, OFFSETS, SIGNED, registers, settings

__all__ = ["site"]


def test_offsets_and_signs_are_the_models():
    """Each point stands where the alliance's definition has it, counted in registers from the model's ID."""
    points = device.get_model_def(MODEL)["group"]["points"]
    place, found, signed = 0, {}, set()
    for point in points:
        found[point["name"]] = place
        signed |= {point["name"]} if point["type"] in ("int16", "sunssf") else set()
        place += int(point["size"])
    assert place - 2 == LENGTH
    assert {name: found[name] for name in OFFSETS} == OFFSETS
    assert signed & OFFSETS.keys() == SIGNED
    assert definition is not None


def test_charging_half_of_the_most():
    """2.5 kW of 5,000 W is 50 %: 5000 with a scale factor of -2 (SunSpec model 124: value x 10^SF, in %)."""
    made = registers(settings("charge from the grid", -2.5, 5.0, 5.0, 10.0, 1800), 5.0)
    assert (made["InWRte"], made["WChaMax"], made["InOutWRte_SF"]) == (5000, 5000, -2)
    assert (made["OutWRte"], made["StorCtl_Mod"], made["ChaGriSet"]) == (-5000, 3, 1)
    assert (made["MinRsvPct"], made["InOutWRte_RvrtTms"]) == (1000, 1800)


@pytest.mark.parametrize("mode", [m for m in Mode if m not in (Mode.CUT_PEAKS,)])
@pytest.mark.parametrize("rating_kw", [0.8, 5.0, 250.0])
def test_the_alliances_library_reads_what_is_meant(mode, rating_kw):
    """Encoded as 16-bit words and decoded by pysunspec2: watts and per cents come back as they were meant."""
    net = {Mode.CHARGE: -0.4, Mode.FEED_OUT: 0.25}.get(mode, 0.0) * rating_kw
    meant = settings(WORDS[mode], net, rating_kw, rating_kw, 12.5, 900)
    words = np.zeros(LENGTH + 2, dtype=">u2")
    words[:2] = MODEL, LENGTH
    for point, value in registers(meant, rating_kw).items():
        words[OFFSETS[point]] = value % 65_536
    read = device.Model(model_id=MODEL, data=words.tobytes(), model_len=LENGTH)
    values = {name: point.cvalue for name, point in read.points.items()}
    assert values["WChaMax"] == pytest.approx(1000 * rating_kw, rel=1e-3)
    for point, percent in (("InWRte", meant.charge_limit), ("OutWRte", meant.discharge_limit)):
        assert values[point] == pytest.approx(100.0 if percent is None else percent, abs=0.005)
    assert values["MinRsvPct"] == pytest.approx(12.5)
    assert bool(values["StorCtl_Mod"] & 1) == (meant.charge_limit is not None)
    assert bool(values["StorCtl_Mod"] & 2) == (meant.discharge_limit is not None)


def test_a_plan_is_written_as_registers_too(site, tmp_path):
    """Every stretch of the plan has every point for the inverter, with its length as the revert time."""
    made = plan_day(site, read_forecast(forecast(site, tmp_path), site), 0.5)
    paths = write_plan(made, tmp_path / "plan")
    table = pd.read_csv(paths["registers"])
    assert len(table) == len(made.orders) * len(site.site.inverter) * len(OFFSETS)
    lengths = [
        int((pd.Timestamp(row.interval_end_local) - pd.Timestamp(row.interval_start_local)).total_seconds())
        for row in made.orders.itertuples()
    ]
    reverts = table[table["point"] == "InOutWRte_RvrtTms"]["value"]
    assert list(reverts) == [min(seconds, 65_534) for seconds in lengths for _ in site.site.inverter]
    assert (table["register"] == table["value"] % 65_536).all()


def test_an_unknown_mode_is_refused():
    """The project's own contract."""
    with pytest.raises(ValueError, match="no registers for 'fly'"):
        settings("fly", 0.0, 1.0, 1.0, 0.0, 60)
