"""Published network tariffs on a year of load, against plain sums by pandas; skipped where the file is not beside.

Network tariffs of Australia 2015 to 2019 as collected by the CEEM of UNSW Sydney, with months, weekday and
weekend, and windows that may cross midnight. The file is not part of this repository. The load is invented.
"""

from __future__ import annotations

import functools
import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
from real_data import DATA

from optimiser.flows import MeterFlows
from optimiser.tariff import Tariff
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.timeline import Timeline

FILE = DATA / "tariffs" / "au_network_tariffs_2015_2019.json"
pytestmark = pytest.mark.skipif(not FILE.is_file(), reason=f"{FILE.name} is not beside this repository")
ZONE = "Australia/Brisbane"  # its clock never changes, so that plain sums are plain
ENDS = {"BlockQuarterly": 3, "BlockAnnual": 12, "BlockMonthly": 1}


@functools.cache
def published() -> list[dict[str, Any]]:
    """Every tariff of the file with its parameters for all network charges together."""
    tariffs = json.loads(FILE.read_text(encoding="utf-8"))[0]["Tariffs"]
    return [{"name": t["Name"], **t["Parameters"].get("NUOS", {})} for t in tariffs]


def load() -> pd.Series:
    """Power of a year in half-hours, invented."""
    index = pd.date_range("2018-01-01", "2019-01-01", freq="30min", inclusive="left", tz=ZONE)
    hour = index.hour + index.minute / 60
    evening = 1.5 * np.exp(-(((hour - 19) / 2.5) ** 2))
    return pd.Series(0.4 + evening + np.random.default_rng(5).gamma(1.0, 0.5, len(index)), index=index)


def windows(part: dict[str, Any]) -> list[dict[str, Any]]:
    """The windows of a part as a file here says them, one a time interval."""
    days = {(True, True): None, (True, False): "workday", (False, True): "weekend"}[
        (bool(part.get("Weekday", True)), bool(part.get("Weekend", True)))
    ]
    made = []
    for start, end in (part.get("TimeIntervals") or {"all": ["00:00", "24:00"]}).values():
        window: dict[str, Any] = {"months": sorted(set(part["Month"]))}
        if days:
            window["days"] = [days]
        if (start, end) not in (("00:00", "24:00"), ("00:00", "00:00")) and start != end:
            window |= {"from": start, "to": "24:00" if end == "00:00" else end}
        made.append(window)
    return made


def inside(part: dict[str, Any], index: pd.DatetimeIndex) -> np.ndarray:
    """The same by plain comparison of months, weekdays and clock times."""
    minute = index.hour * 60 + index.minute
    hours = np.zeros(len(index), bool)
    for start, end in (part.get("TimeIntervals") or {"all": ["00:00", "24:00"]}).values():
        a, b = (int(clock[:2]) * 60 + int(clock[3:]) for clock in (start, end))
        b = b or 1440
        hours |= (minute >= a) & (minute < b) if a < b else (minute >= a) | (minute < b) | (a == b)
    weekend = index.day_of_week >= 5
    days = (weekend & bool(part.get("Weekend", True))) | (~weekend & bool(part.get("Weekday", True)))
    return np.asarray(hours & days & index.month.isin(part["Month"]))


def by_hand(t: dict[str, Any], kw: pd.Series) -> float:
    """The year's charge by plain sums."""
    kwh, total = kw / 2, 365 * t["Daily"]["Value"]
    if "FlatRate" in t:
        total += t["FlatRate"]["Value"] * kwh.sum()
    free = np.ones(len(kw), bool)
    for part in t.get("TOU", {}).values():
        holds = inside(part, kw.index) & free  # type: ignore[arg-type]
        total += part["Value"] * kwh[holds].sum()
        free &= ~holds
    for key, months in ENDS.items():
        for _, period in kwh.groupby((kwh.index.month - 1) // months) if key in t else ():  # type: ignore[attr-defined]
            used = start = 0.0
            for block in t[key].values():
                end = float(block["HighBound"])
                used = min(max(period.sum() - start, 0.0), end - start)
                total += block["Value"] * used
                start = end
    for part in t.get("Demand", {}).values():
        days = kw.index.days_in_month  # type: ignore[attr-defined]
        counted = kw.where(inside(part, kw.index), 0.0)  # type: ignore[arg-type]
        for month in sorted(set(part["Month"])):
            members = counted[kw.index.month == month]  # type: ignore[attr-defined]
            peak = members.sort_values(ascending=False).head(part["Number of Peaks"]).mean()
            factor = days[kw.index.month == month][0] if "Day" in part["Unit"] else 1  # type: ignore[attr-defined]
            total += part["Value"] * factor * max(peak, part["Min Demand (kW)"])
    return float(total)


def as_tariff(t: dict[str, Any]) -> Tariff:
    """The same tariff as a file here says it."""
    components: list[dict[str, Any]] = [{"kind": "daily_charge", "rate_per_day": float(t["Daily"]["Value"])}]
    if "FlatRate" in t:
        components.append({"kind": "energy_charge", "rate_per_kwh": float(t["FlatRate"]["Value"])})
    rates = [
        {"name": f"{name} {number}", "rate_per_kwh": float(part["Value"]), "when": window}
        for name, part in t.get("TOU", {}).items()
        for number, window in enumerate(windows(part))
    ]
    if rates:
        components.append({"kind": "energy_charge", "rates": [*rates, {"rate_per_kwh": 0.0}]})
    billing: dict[str, int] = {}
    for key, months in ENDS.items():
        if key in t:
            blocks = [
                {"rate_per_kwh": float(block["Value"])}
                | ({} if block["HighBound"] == float("inf") else {"up_to_kwh": float(block["HighBound"])})
                for block in t[key].values()
            ]
            billing = {"months": months}
            components.append({"kind": "block_charge", "blocks": blocks})
    for name, part in t.get("Demand", {}).items():
        (window,) = windows(part)
        components.append(
            {
                "kind": "demand_charge",
                "name": name,
                "rate_per_kw": float(part["Value"]),
                "rate_basis": "day" if "Day" in part["Unit"] else "billing_period",
                "highest": int(part["Number of Peaks"]),
                "when": window,
                "pro_rata": False,
                "at_least_kw": 0.0,
            }
        )
    return Tariff.model_validate(
        {"name": t["name"], "zone": ZONE, "billing": billing, "component": components}
    )


def usable(t: dict[str, Any]) -> bool:
    """Whether plain sums here say all that the tariff has."""
    demand = t.get("Demand", {}).values()
    return "Daily" in t and all(
        part["Demand Window Length"] == 1
        and not part["Day Average"]
        and not part["Min Demand (kW)"]
        and not part.get("Min Demand Charge ($)")
        and not part.get("Based on Network Peak")
        and len(part.get("TimeIntervals") or [1]) == 1
        for part in demand
    )


def test_most_of_the_file_is_compared():
    """At least sixty tariffs, among them each form."""
    chosen = [t for t in published() if usable(t)]
    assert len(chosen) >= 60
    for key in ("FlatRate", "TOU", "Demand", "BlockQuarterly", "BlockAnnual"):
        assert any(key in t for t in chosen), key


def test_published_tariffs_cost_their_plain_sums():
    """Each tariff's year to a thousandth of a cent, with the names of those that differ."""
    kw = load()
    timeline = Timeline(kw.index[0].to_pydatetime(), 30, len(kw), ZONE)  # type: ignore[attr-defined]
    numbers = kw.to_numpy()
    flows = MeterFlows(numbers, np.zeros_like(numbers), numbers, numbers, numbers)
    differing = {}
    for t in filter(usable, published()):
        terms = SettledTerms(InputData(timeline, lambda value: value))
        made = -sum(float(line.values.sum()) for line in as_tariff(t).lines(flows, terms))
        expected = by_hand(t, kw)
        if abs(made - expected) > 1e-5:
            differing[t["name"]] = (made, expected)
    assert differing == {}
