"""What a day's plan comes to in the registers of an open model of storage control: a file to look at, never sent.

The open SunSpec information model 124 (basic storage controls) knows limits, not orders: a most for charging and a
most for discharging, each in per cent of the device's own most. So a device is left to itself where it covers its own
load; charging or feeding out is forced by a negative limit on the other direction, which devices read as "at least so
much this way" (from memory: not in the model's own text; ask the device's maker). Limits fall back to the device's own
after the revert time, so that a lost connection ends no worse than plain self-consumption.

References
----------
.. [1] SunSpec Alliance, Device Information Model 124, "Basic Storage Controls", model definition json/model_124.json
   of the alliance's public repository of models. Read 2026-11-28.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from optimiser.columns import DOES, END_LOCAL, START_LOCAL, of_inverter
from optimiser.control.modes import WORDS, Mode
from optimiser.scenario.file import Scenario

MODEL, LENGTH = 124, 24  # registers after ID and L
# Points that a plan sets, with their place after the model's ID, and whether they are signed.
OFFSETS = {
    "WChaMax": 2,
    "StorCtl_Mod": 5,
    "MinRsvPct": 7,
    "OutWRte": 12,
    "InWRte": 13,
    "InOutWRte_WinTms": 14,
    "InOutWRte_RvrtTms": 15,
    "InOutWRte_RmpTms": 16,
    "ChaGriSet": 17,
    "WChaMax_SF": 18,
    "MinRsvPct_SF": 21,
    "InOutWRte_SF": 25,
}
SIGNED = {"OutWRte", "InWRte", "WChaMax_SF", "MinRsvPct_SF", "InOutWRte_SF"}
PERCENT_SF = -2
CHARGE_LIMITED, DISCHARGE_LIMITED = 1, 2  # bits 0 and 1 of StorCtl_Mod
FROM_SUN, FROM_GRID = 0, 1  # ChaGriSet
MOST_SECONDS = 65_534  # of an unsigned register; the last value means "not implemented"
COLUMNS = [START_LOCAL, "inverter", DOES, "point", "offset", "value", "register", "means"]


@dataclass(frozen=True)
class Settings:
    """What a device is set to for a stretch of time, as shares of its own most.

    Attributes
    ----------
    charge_limit, discharge_limit : float or None
        Per cent of the most; negative forces the other direction; None leaves it to the device.
    from_grid : bool
        Whether it may charge from the grid.
    floor_percent : float
        Stored energy below which it does not discharge. [%]
    seconds : int
        After which its own limits count again.
    """

    charge_limit: float | None
    discharge_limit: float | None
    from_grid: bool
    floor_percent: float
    seconds: int


def settings(
    does: str, net_kw: float, charge_kw: float, discharge_kw: float, floor_percent: float, seconds: int
) -> Settings:
    """What a stretch of a plan comes to on one device.

    Parameters
    ----------
    does : str
        As the plan's rows say it.
    net_kw : float
        Mean output less input of the device over the stretch. [kW AC]
    charge_kw, discharge_kw : float
        The device's most either way. [kW AC]
    floor_percent : float
    seconds : int
        Length of the stretch.
    """
    timed = min(max(seconds, 1), MOST_SECONDS)
    charge, give = None, None
    if does == WORDS[Mode.CHARGE]:
        charge, give = _percent(-net_kw, charge_kw), -_percent(-net_kw, discharge_kw)
    elif does == WORDS[Mode.FEED_OUT]:
        charge, give = -_percent(net_kw, charge_kw), _percent(net_kw, discharge_kw)
    elif does == WORDS[Mode.SAVE_SUN]:
        give = 0.0
    elif does == WORDS[Mode.EXPORT_FIRST]:
        charge = 0.0
    elif does == WORDS[Mode.HOLD]:
        charge, give = 0.0, 0.0
    elif does != WORDS[Mode.COVER_LOAD]:
        raise ValueError(f"no registers for {does!r}")
    return Settings(charge, give, does == WORDS[Mode.CHARGE], floor_percent, timed)


def _percent(kw: float, most_kw: float) -> float:
    return 100.0 * min(max(kw, 0.0) / most_kw, 1.0) if most_kw > 0 else 0.0


def registers(made: Settings, charge_kw: float) -> dict[str, int]:
    """The points of the model that settings come to, as whole numbers before two's complement.

    Parameters
    ----------
    made : Settings
    charge_kw : float
        The device's most when charging, of which the model's per cent are. [kW AC]
    """
    watts_sf = max(0, math.ceil(math.log10(max(charge_kw, 1e-3) * 1000 / MOST_SECONDS)))
    mode = CHARGE_LIMITED * (made.charge_limit is not None)
    mode |= DISCHARGE_LIMITED * (made.discharge_limit is not None)
    whole = 100.0 if made.charge_limit is None else made.charge_limit
    out = 100.0 if made.discharge_limit is None else made.discharge_limit
    return {
        "WChaMax": round(charge_kw * 1000 / 10**watts_sf),
        "StorCtl_Mod": mode,
        "MinRsvPct": round(made.floor_percent / 10**PERCENT_SF),
        "OutWRte": round(out / 10**PERCENT_SF),
        "InWRte": round(whole / 10**PERCENT_SF),
        "InOutWRte_WinTms": 0,
        "InOutWRte_RvrtTms": made.seconds,
        "InOutWRte_RmpTms": 0,
        "ChaGriSet": FROM_GRID if made.from_grid else FROM_SUN,
        "WChaMax_SF": watts_sf,
        "MinRsvPct_SF": PERCENT_SF,
        "InOutWRte_SF": PERCENT_SF,
    }


def register_table(scenario: Scenario, steps: pd.DataFrame, orders: pd.DataFrame) -> pd.DataFrame:
    """A row a stretch, inverter and point: the value, and the 16 bits that stand for it.

    Parameters
    ----------
    scenario : Scenario
    steps, orders : DataFrame
        Of a day's plan, on the same timeline's first steps.

    Returns
    -------
    DataFrame
        Start, inverter, what it does, point, offset (registers after the model's ID), value, register, means.
    """
    return pd.DataFrame(list(_rows(scenario, steps, orders)), columns=COLUMNS)


def _rows(scenario: Scenario, steps: pd.DataFrame, orders: pd.DataFrame) -> Iterator[tuple[Any, ...]]:
    starts = pd.to_datetime(steps[START_LOCAL], utc=True)
    floor = _floor_percent(scenario)[: len(steps)]
    for order in orders.to_dict("records"):
        begin, end = (pd.Timestamp(order[name]).tz_convert("UTC") for name in (START_LOCAL, END_LOCAL))
        inside = ((starts >= begin) & (starts < end)).to_numpy()
        for inverter in scenario.site.inverter:
            net = float(steps[of_inverter(inverter.name, "net_kw")][inside].mean())
            made = settings(
                order[DOES],
                net,
                inverter.input_kw,
                inverter.output_kw,
                float(floor[inside].max(initial=0.0)),
                int((end - begin).total_seconds()),
            )
            for point, value in registers(made, inverter.input_kw).items():
                yield (
                    order[START_LOCAL],
                    inverter.name,
                    order[DOES],
                    point,
                    OFFSETS[point],
                    value,
                    value % 65_536,
                    _means(point, value),
                )


def _floor_percent(scenario: Scenario) -> Any:
    """What is kept in store at least, as a share of what it holds. [%]"""
    floor = sum(scenario.site.floor_kwh(scenario.data, scenario.storage))
    return 100.0 * floor / sum(bank.capacity_kwh for bank in scenario.storage)


def _means(point: str, value: int) -> str:
    """A value in words."""
    if point == "StorCtl_Mod":
        limits = {0: "no limit", 1: "charging limited", 2: "discharging limited", 3: "both limited"}
        return limits[value]
    if point == "ChaGriSet":
        return "may charge from the grid" if value == FROM_GRID else "charges from the sun alone"
    if point in ("InWRte", "OutWRte"):
        way = "charging" if point == "InWRte" else "discharging"
        share = value * 10.0**PERCENT_SF
        if value < 0:
            return f"no {way}; at least {-share:g} % the other way"
        return f"{way} up to {share:g} %"
    if point == "MinRsvPct":
        return f"keeps {value * 10.0**PERCENT_SF:g} % of the store"
    if point == "InOutWRte_RvrtTms":
        return f"own limits again after {value} s"
    if point == "WChaMax":
        return "what per cent are of, W before its scale factor"
    if point.endswith("_SF"):
        return "power of ten"
    return "at once"
