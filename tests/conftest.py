"""The smallest things that work: a folder with a scenario and its data, a toy store, and a bakery's day.

All of it is made up; what is taken from outside stands in the tests with its source.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import settings
from scipy import optimize, sparse

from optimiser.engine.solver import Highs
from optimiser.engine.tiling import Problem

# A busy machine must not fail a test by its clock, and the same examples come on every machine.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")


def write_site(
    tmp_path: Path,
    toml_text: str,
    columns: Mapping[str, Sequence[float]],
    step_minutes: int = 60,
    start: str = "2025-01-01",
) -> Path:
    """Write scenario.toml and data.csv, declared as the source `data`, into a folder and name the folder.

    `start` is the first stamp, in UTC unless it carries an offset; without columns there is no data file.
    """
    tmp_path.mkdir(parents=True, exist_ok=True)
    if columns:
        frame = pd.DataFrame({name: np.asarray(values, float) for name, values in columns.items()})
        first = pd.Timestamp(start)
        first = first.tz_localize("UTC") if first.tz is None else first.tz_convert("UTC")
        stamps = pd.date_range(first, periods=len(frame), freq=pd.Timedelta(minutes=step_minutes))
        frame.insert(0, "interval_start", stamps.strftime("%Y-%m-%dT%H:%M:%SZ"))
        frame.to_csv(tmp_path / "data.csv", index=False)
        toml_text += f'\n[source.data]\nfile = "data.csv"\nstamps = "start"\nstep_minutes = {step_minutes}\n'
    (tmp_path / "scenario.toml").write_text(toml_text, encoding="utf-8")
    return tmp_path


def toml(table: Mapping[str, Any]) -> str:
    """A nested dict of plain values as TOML, tables inline."""

    def written(value: Any) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, datetime.date):
            return value.isoformat()
        if isinstance(value, str):
            return value if value.startswith("date:") else f'"{value}"'
        if isinstance(value, Mapping):
            return "{ " + ", ".join(f"{key} = {written(item)}" for key, item in value.items()) + " }"
        if isinstance(value, (list, tuple)):
            return "[" + ", ".join(map(written, value)) + "]"
        return repr(float(value)) if isinstance(value, np.floating) else repr(value)

    return "".join(f"{key} = {written(value)}\n" for key, value in table.items()).replace("date:", "")


def table(
    *,
    start: str = "2025-01-01",
    days: int = 1,
    step_minutes: int = 60,
    zone: str = "UTC",
    site: Mapping[str, Any],
    components: Sequence[Mapping[str, Any]],
    tax_fraction: float = 0.0,
    contract: Mapping[str, Any] | None = None,
    **more: Any,
) -> str:
    """The text of a scenario without a tie-break: its site, a tariff of `components` (of none: one that charges
    nothing, since a contract has at least one), and any other tables.
    """
    return toml(
        {
            "title": "Made-up case",
            "invented": True,
            "currency": "AUD",
            "timeline": {"start": f"date:{start}", "days": days, "step_minutes": step_minutes, "zone": zone},
            "solve": {"tie_break_per_kwh": 0.0, "gap_tolerance": 1e-6},
            "site": site,
            "tariff": {
                "name": "made up",
                "zone": zone,
                "tax_fraction": tax_fraction,
                **(contract or {}),
                "component": list(components) or [{"kind": "daily_charge", "rate_per_day": 0.0}],
            },
            **more,
        }
    )


def inverter(power_kw: float = 1000.0, efficiency: float = 1.0, **more: Any) -> dict[str, Any]:
    """An inverter of one phase with the same rating and efficiency both ways."""
    return {
        "name": "main",
        "phase": "all",
        "output_kw": power_kw,
        "input_kw": power_kw,
        "output_efficiency": efficiency,
        "input_efficiency": efficiency,
    } | more


def battery(
    unit_kwh: float = 1000.0, power_kw: float = 1000.0, efficiency: float = 1.0, **more: Any
) -> dict[str, Any]:
    """A battery at 50 V with the same power limit and efficiency both ways."""
    return {
        "kind": "battery",
        "name": "store",
        "unit_kwh": unit_kwh,
        "charge_kw": power_kw,
        "discharge_kw": power_kw,
        "charge_efficiency": efficiency,
        "discharge_efficiency": efficiency,
        "voltage_v": 50.0,
    } | more


SPOT = (
    {"kind": "spot_charge", "price_per_mwh": "data.price"},
    {"kind": "spot_feed_in", "price_per_mwh": "data.price"},
)

BAKERY = """
title = "A bakery's day (invented)"
invented = true
currency = "AUD"
timeline = { start = 2025-01-01, days = 1, step_minutes = 60, zone = "UTC" }
solve = { tie_break_per_kwh = 0.0 }

[site]
phases = 1
connection = { import_limit_kw = 40.0, export_limit_kw = 8.0 }

[[site.load]]
power_kw = "data.load_kw"

[[site.solar_controller]]
name = "roof"
available_kw = "data.solar_kw"

[[site.inverter]]
name = "main"
phase = "all"
output_kw = 6.0
input_kw = 5.0
standby_w = 14.0

[[storage]]
kind = "battery"
name = "store"
unit_kwh = 10.0
charge_kw = 5.0
discharge_kw = 5.0
charge_efficiency = 0.955
discharge_efficiency = 0.965
voltage_v = 50.0
self_discharge_per_day = 0.01
wear_per_kwh = 0.01

[tariff]
name = "two parts (invented)"
zone = "UTC"
tax_fraction = 0.1

[[tariff.component]]
kind = "energy_charge"
rates = [
    { name = "peak", rate_per_kwh = 0.40, when = { from = "15:00", to = "21:00" } },
    { name = "other hours", rate_per_kwh = 0.20 },
]

[[tariff.component]]
kind = "feed_in"
rate_per_kwh = 0.05

[[tariff.component]]
kind = "demand_charge"
rate_per_kw = 0.5

[[tariff.component]]
kind = "daily_charge"
rate_per_day = 1.5

[[service]]
name = "raise"
direction = "up"
sustain_hours = 0.25
price = "data.price"
price_unit = "per_mw_hour"
"""


def bakery_columns(seed: int = 1) -> dict[str, np.ndarray]:
    """A day of a bakery: ovens from 03:00 to 10:00, sun from 06:00 to 18:00, a price for availability."""
    random = np.random.default_rng(seed)
    hour = np.arange(24)
    oven = np.where((hour >= 3) & (hour < 10), 9.0, 1.5)
    sun = np.maximum(0, np.sin((hour - 6) * np.pi / 12)) * 8
    return {
        "load_kw": np.round(oven + random.uniform(0, 2, 24), 3),
        "solar_kw": np.round(sun * random.uniform(0.5, 1, 24), 3),
        "price": np.round(random.uniform(0, 40, 24), 2),
    }


@pytest.fixture
def bakery(tmp_path: Path) -> Path:
    """The folder of a bakery's day on a two-part tariff, with solar, a battery and a reserve product."""
    return write_site(tmp_path / "bakery", BAKERY, bakery_columns())


def random_schedule(problem: Problem, seed: int) -> np.ndarray:
    """A schedule that keeps every row, found by asking for the best under random prices."""
    prices = sparse.csr_array(np.random.default_rng(seed).normal(size=(1, len(problem.lower))))
    found = Highs(dataclasses.replace(problem, by_line=prices, line_offsets=np.zeros(1))).solve()
    assert "optimal" == found.verdict
    return found.x


def xml_feed(
    rows: Sequence[tuple], length: int = 3600, meter: int = 1, head: str | None = None, **codes: int
) -> str:
    """A made-up Green Button feed of one register: rows of start, value and, if wanted, quality and length."""
    meaning = {
        "accumulationBehaviour": 4,
        "commodity": 1,
        "flowDirection": 1,
        "intervalLength": length,
        "powerOfTenMultiplier": 0,
        "uom": 72,
    } | codes
    types = "".join(f"<e:{key}>{value}</e:{key}>" for key, value in meaning.items())
    readings = []
    for start, value, *more in rows:
        quality, own = (more + [17, length][len(more) :])[:2]
        readings.append(
            f"<e:IntervalReading><e:ReadingQuality><e:quality>{quality}</e:quality></e:ReadingQuality>"
            f"<e:timePeriod><e:duration>{own}</e:duration><e:start>{start}</e:start></e:timePeriod>"
            + ("" if value is None else f"<e:value>{value}</e:value>")
            + "</e:IntervalReading>"
        )
    if head is None:
        head = (
            '<?xml version="1.0"?>\n<feed xmlns="http://www.w3.org/2005/Atom" xmlns:e="http://naesb.org/espi">\n'
            '<entry><link rel="self" href="UsagePoint/1"/><content><e:UsagePoint><e:ServiceCategory><e:kind>0</e:kind>'
            "</e:ServiceCategory></e:UsagePoint></content></entry>\n"
        )
    own = f"UsagePoint/1/MeterReading/{meter}"
    return (
        head
        + f'<entry><link rel="self" href="ReadingType/{meter}"/>\n<content><e:ReadingType>{types}</e:ReadingType>'
        f'</content></entry>\n<entry><link rel="self" href="{own}"/><link rel="up" href="UsagePoint/1/MeterReading"/>'
        f'<link rel="related" href="ReadingType/{meter}"/><content><e:MeterReading/></content></entry>\n'
        f'<entry><link rel="self" href="{own}/IntervalBlock/1"/><link rel="up" href="{own}/IntervalBlock"/>\n'
        "<content><e:IntervalBlock>\n"
        + "\n".join(readings)
        + "\n</e:IntervalBlock></content></entry>\n</feed>"
    )


def exact(problem: Problem, lower: np.ndarray | None = None, upper: np.ndarray | None = None) -> np.ndarray:
    """The best schedule with every column that is declared whole a whole number, by SciPy's integer solver."""
    whole = np.zeros(len(problem.lower))
    for family in problem.columns.values():
        whole[problem.places[family.name]] = family.whole
    found = optimize.milp(
        -problem.objective,
        integrality=whole,
        bounds=optimize.Bounds(
            problem.lower if lower is None else lower, problem.upper if upper is None else upper
        ),
        constraints=optimize.LinearConstraint(problem.matrix, problem.row_lower, problem.row_upper),
        options={"mip_rel_gap": 0.0},
    )
    assert 0 == found.status, found.message
    return found.x
