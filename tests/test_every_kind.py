"""The common checks, over every kind of tariff component, bank and product.

A new kind needs an entry in SMALLEST and passes, or says what it does wrong. All figures are made up.
"""

from __future__ import annotations

import copy
import dataclasses
import datetime
import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from conftest import battery, exact, inverter, random_schedule, table, write_site
from pydantic import BaseModel

from optimiser import ScenarioError, read_scenario, tariff, vary
from optimiser.engine.solver import Highs
from optimiser.engine.tiling import build_problem
from optimiser.equipment import storage
from optimiser.equipment.battery import Battery
from optimiser.formulation import formulate
from optimiser.scenario.file import Scenario
from optimiser.services import product as services
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line

MODULES = {"tariff": tariff, "storage": storage, "services": services}


def kind_of(model: type[BaseModel]) -> str:
    """The word that a file names a kind by."""
    return get_args(model.model_fields["kind"].annotation)[0]


EVERY = [(module, kind) for module in MODULES.values() for kind in module.KINDS]
every_kind = pytest.mark.parametrize(("module", "kind"), EVERY, ids=[kind_of(kind) for _, kind in EVERY])

SMALLEST: dict[str, dict[str, Any]] = {
    "energy_charge": {"rate_per_kwh": 0.3},
    "feed_in": {"rate_per_kwh": 0.05},
    "spot_charge": {"price_per_mwh": 80.0},
    "spot_feed_in": {"price_per_mwh": 60.0},
    "demand_charge": {"rate_per_kw": 9.0},
    "block_charge": {"blocks": [{"rate_per_kwh": 0.3}]},
    "volume_charge": {"blocks": [{"rate_per_kwh": 0.3}]},
    "controlled_load": {"load_kw": 1.5, "rate_per_kwh": 0.15},
    "tiered_feed_in": {"blocks": [{"rate_per_kwh": 0.1}]},
    "subscribed_capacity": {"subscribed_kw": 1.0, "rate_per_kw": 5.0, "excess_rate_per_kwh": 0.5},
    "export_charge": {"rate_per_kwh": 0.02},
    "apparent_demand_charge": {"rate_per_kva": 9.0, "power_factor": 0.9},
    "capacity_fee": {"steps": [{"fee": 20.0}]},
    "daily_charge": {"rate_per_day": 1.1},
    "period_charge": {"rate_per_period": 25.0},
    "minimum_charge": {"at_least_per_period": 30.0},
    "battery": {"name": "bank", "unit_kwh": 6.0, "charge_kw": 3.0, "discharge_kw": 3.0, "voltage_v": 50.0},
    "capacitor_bank": {
        "name": "bank",
        "unit_usable_kwh": 4.0,
        "charge_kw": 3.0,
        "discharge_kw": 3.0,
        "lowest_voltage_v": 42.0,
        "highest_voltage_v": 54.0,
    },
    "availability": {
        "name": "raise",
        "direction": "up",
        "sustain_hours": 0.5,
        "price": 12.0,
        "price_unit": "per_mw_hour",
    },
}

# Richer tables of the same kinds, whose money is compared too.
RICHER: dict[str, dict[str, Any]] = {
    "energy_charge": {
        "rates": [
            {"name": "peak", "rate_per_kwh": 0.4, "when": {"days": ["mon"], "from": "22:00", "to": "06:00"}},
            {"rate_per_kwh": 0.2},
        ]
    },
    "feed_in": {
        "rates": [{"rate_per_kwh": -0.02, "when": {"from": "10:00", "to": "14:00"}}, {"rate_per_kwh": 0.06}]
    },
    "spot_charge": {"price_per_mwh": "data.price", "transmission_loss_factor": 1.03, "fee_per_kwh": 0.04},
    "spot_feed_in": {
        "price_per_mwh": "data.price",
        "distribution_loss_factor": 0.97,
        "fee_per_kwh": 0.01,
        "taxed": True,
    },
    "demand_charge": {
        "rate_per_kw": 9.0,
        "interval_minutes": 120,
        "when": {"from": "16:00", "to": "20:00"},
        "ratchet": {"fraction": 0.9, "past_peaks": [0.5]},
        "valid_from": datetime.date(2025, 4, 1),
    },
    "block_charge": {
        "blocks": [
            {"up_to_kwh": 150.0, "rate_per_kwh": 0.4},
            {"up_to_kwh": 400.0, "rate_per_kwh": 0.2},
            {"rate_per_kwh": 0.3},
        ],
        "ends_per": "30_days",
        "when": {"from": "06:00", "to": "22:00"},
    },
    "volume_charge": {
        "blocks": [
            {"up_to_kwh": 200.0, "rate_per_kwh": -0.172},
            {"up_to_kwh": 300.0, "rate_per_kwh": -0.162},
            {"rate_per_kwh": 0.02},
        ],
    },
    "controlled_load": {
        "load_kw": "data.load",
        "rates": [{"rate_per_kwh": 0.1, "when": {"from": "22:00", "to": "06:00"}}, {"rate_per_kwh": 0.2}],
        "rate_per_day": 0.05,
    },
    "subscribed_capacity": {
        "subscribed_kw": 1.5,
        "rate_per_kw": 0.2,
        "rate_basis": "day",
        "excess_rate_per_kwh": 1.0,
        "interval_minutes": 120,
        "when": {"from": "06:00", "to": "21:00"},
        "valid_from": datetime.date(2025, 4, 1),
    },
    "tiered_feed_in": {
        "blocks": [{"up_to_kwh": 8.0, "rate_per_kwh": 0.12}, {"rate_per_kwh": 0.04}],
        "taxed": True,
        "tax_included": True,
    },
    "export_charge": {
        "rate_per_kwh": 0.012,
        "free_kwh_per_day": 4.0,
        "when": {"from": "10:00", "to": "15:00"},
    },
    "apparent_demand_charge": {
        "rate_per_kva": 0.15,
        "rate_basis": "day",
        "reactive_kvar": "data.load",
        "interval_minutes": 120,
        "at_least_kva": 1.0,
        "peak_of": "own_days",
        "valid_until": datetime.date(2025, 4, 1),
    },
    "capacity_fee": {
        "steps": [{"up_to_kw": 2.0, "fee": 10.0}, {"up_to_kw": 5.0, "fee": 25.0}, {"fee": 45.0}],
        "interval_minutes": 60,
        "highest": 3,
        "distinct_days": True,
        "top_included": False,
    },
    "daily_charge": {"rate_per_day": 1.1, "taxed": False},
    "period_charge": {"rate_per_period": 25.0, "valid_from": datetime.date(2025, 4, 1), "tax_fraction": 0.2},
    "minimum_charge": {"at_least_per_period": 60.0, "compared_with": "bill"},
    "battery": SMALLEST["battery"]
    | {"resistance_ohm": 0.02, "self_discharge_per_day": 0.05, "wear_per_kwh": 0.03},
    "capacitor_bank": SMALLEST["capacitor_bank"]
    | {
        "units": 2,
        "charge_current_a": 50.0,
        "wear_per_kwh": 0.02,
        "measured_points": [
            {"power_kw": 1.0, "round_trip_efficiency": 0.98},
            {"power_kw": 3.0, "round_trip_efficiency": 0.94},
        ],
    },
    "availability": SMALLEST["availability"]
    | {
        "direction": "symmetric",
        "price": "data.price",
        "block_minutes": 240,
        "price_unit": "per_mw_block",
        "site_share": 0.8,
        "performance_factor": 0.9,
        "utilisation_net": 0.05,
        "utilisation_gross": 0.1,
        "delivered_energy": "price",
        "delivered_price_per_mwh": 40.0,
        "opposite_headroom_share": 0.1,
    },
}


def case(tmp_path: Path, module: Any, kind: type[BaseModel], fields: dict[str, Any]) -> Scenario:
    """A day, the last of a month on UTC and the first of the next on the tariff's clock, that uses one
    kind.
    """
    random = np.random.default_rng(7)
    word = kind_of(kind)
    own = {"kind": word} | fields
    flat = {"kind": "energy_charge", "rate_per_kwh": 0.25}
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 15.0, "export_limit_kw": 9.0},
        "load": [{"power_kw": "data.load"}],
        "ac_solar": [{"name": "shed", "available_kw": "data.sun"}],
        "inverter": [inverter(5.0, 0.95)],
    }
    columns = {
        "load": random.uniform(0, 4, 48),
        "sun": np.tile(np.maximum(0, np.sin((np.arange(24) - 6) * np.pi / 12)) * 6, 2),
        "price": random.uniform(-100, 300, 48),
    }
    text = table(
        start="2025-03-31",
        days=2,
        site=site,
        components=[own] if module is tariff else [flat],
        tax_fraction=0.1,
        storage=[own if module is storage else battery(6.0, 3.0, 0.95)],
        **({"service": [own]} if module is services else {}),
    )
    return read_scenario(write_site(tmp_path, text, columns, start="2025-03-31"))


def place_of(module: Any) -> str:
    """Where the kind under test stands in the scenario."""
    return {tariff: "tariff.component.0", storage: "storage.0", services: "service.0"}[module]


def test_every_component_of_a_tariff_has_its_name_there():
    """Those who build a contract in Python find each kind in one place."""
    assert {kind.__name__ for kind in tariff.KINDS} <= set(tariff.__all__)


@every_kind
def test_docstring_names_a_source(module, kind):
    """Every kind says what it is and where that is from, or that there is no source."""
    words = inspect.getdoc(kind)
    assert len(words.splitlines()[0]) > 20
    _, _, references = words.partition("References\n----------\n")
    assert ".. [1]" in references
    assert len(references.split()) > 5


@every_kind
def test_fields_have_a_unit_and_a_meaning(module, kind):
    """Every number says its unit, every field but the lists what it is."""
    for name, info in kind.model_fields.items():
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        if info.annotation in (float, int, float | None, int | None) and name != "block_start":
            assert extra.get("unit"), name
            assert f"[{extra['unit']}]" in info.description
        if not isinstance(info.default, tuple) and not re.search(
            "Window|Converter|Warranty", str(info.annotation)
        ):
            assert info.description, name


@every_kind
def test_builds_from_its_smallest_table(module, kind, tmp_path):
    """The fields without a default are enough, and the same come back out."""
    word = kind_of(kind)
    assert word in SMALLEST, f"add the smallest table of {word} here"
    made = kind.model_validate({"kind": word} | SMALLEST[word])
    again = kind.model_validate(made.model_dump(by_alias=True, exclude_unset=True))
    assert made == again
    dumped = made.model_dump(by_alias=True, exclude_unset=True)
    assert {"kind": word} | SMALLEST[word] == {
        name: list(value) if isinstance(value, tuple) else value for name, value in dumped.items()
    }
    required = {name for name, info in kind.model_fields.items() if info.is_required() and name != "kind"}
    assert required <= set(SMALLEST[word])
    assert case(tmp_path, module, kind, SMALLEST[word])


@every_kind
def test_refuses_a_missing_field_by_name(module, kind, tmp_path):
    """Without a required field the message says which."""
    word = kind_of(kind)
    for name, info in kind.model_fields.items():
        if info.is_required() and name != "kind":
            less = {key: value for key, value in SMALLEST[word].items() if key != name}
            with pytest.raises(ScenarioError, match=rf"{re.escape(place_of(module))}\.{name} is required"):
                case(tmp_path / name, module, kind, less)


def beyond(model: type[BaseModel]) -> Iterator[tuple[str, Any]]:
    """Each field of a kind with a value out of its bounds or of the wrong type."""
    for name, info in model.model_fields.items():
        if name == "kind":
            continue
        whole = info.annotation in (int, int | None) and name != "block_start"
        step: Any = 1 if whole else 0.001
        for bound in info.metadata:
            if hasattr(bound, "ge"):
                yield name, type(step)(bound.ge) - step
            if hasattr(bound, "gt"):
                yield name, type(step)(bound.gt)
            if hasattr(bound, "le"):
                yield name, type(step)(bound.le) + step
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        if info.annotation in (float, float | None, int, int | None) and name != "block_start":
            yield name, "much"
            yield name, float("nan")
        if extra.get("series") and extra.get("at_least") is not None:
            yield name, float(extra["at_least"]) - 0.001
        if extra.get("series"):
            yield name, "nowhere.price"
            yield name, "data.nothing"


@every_kind
def test_refuses_fields_out_of_bounds_by_name(module, kind, tmp_path):
    """Each bound is refused from outside, with the field's place in the message; so is a key that is not
    known.
    """
    base = case(tmp_path, module, kind, SMALLEST[kind_of(kind)])
    refused = 0
    for name, value in [*beyond(kind), ("no_such_key", 1)]:
        place = f"{place_of(module)}.{name}"
        with pytest.raises(ScenarioError) as fault:
            vary(base, {place: value})
        # Where two fields belong together the place is their table, and both are named in the sentence.
        named = re.compile(rf"{re.escape(place_of(module))}(\.|: .*\b){name}\b")
        assert any(named.match(words) for words in fault.value.faults), (place, value, fault.value.faults)
        refused += 1
    assert refused > 2


@every_kind
@pytest.mark.parametrize("tables", [SMALLEST, RICHER], ids=["smallest", "richer"])
def test_money_planned_is_money_settled(module, kind, tables, tmp_path):
    """On random flows pinned in the linear program, each line is worth there what it is worth in the
    books.
    """
    made = case(tmp_path, module, kind, tables[kind_of(kind)])
    problem = build_problem(made)
    for seed in (1, 2):
        x = random_schedule(problem, seed)
        # What the books reckon afresh is left to find its level; all else stays where it is, to a hair for rounding.
        lower, upper = np.maximum(problem.lower, x - 1e-9), np.minimum(problem.upper, x + 1e-9)
        for family in problem.columns.values():
            if family.derived:
                place = problem.places[family.name]
                lower[place], upper[place] = problem.lower[place], problem.upper[place]
        pinned = Highs(dataclasses.replace(problem, lower=lower, upper=upper)).solve()
        assert "optimal" == pinned.verdict
        whole = exact(problem, lower, upper)
        lines = formulate(made, SettledTerms(made.data, problem.split(whole))).lines
        settled = joined(lines, np.array([line.values.sum() for line in lines]))
        relaxed = joined(lines, problem.by_line @ pinned.x + problem.line_offsets)
        planned = joined(lines, problem.by_line @ whole + problem.line_offsets)
        # Tangents of apparent power lie up to 0.4 % below it.
        loose = 0.004 if kind is tariff.ApparentDemandCharge else 0.0
        np.testing.assert_allclose(planned, settled, atol=1e-6, rtol=loose)
        assert (relaxed >= settled - 1e-6).all()
        if not any(line.approximates for line in lines):
            np.testing.assert_allclose(relaxed, settled, atol=1e-6)
        assert np.abs(settled).sum() > 0.01


def joined(lines: list[Line], amounts: np.ndarray) -> np.ndarray:
    """Amounts of lines, those of joined lines summed."""
    sums: dict[str, float] = {}
    for number, line in enumerate(lines):
        key = line.joined or str(number)
        sums[key] = sums.get(key, 0.0) + float(amounts[number])
    return np.array(list(sums.values()))


@pytest.mark.parametrize(
    ("kind", "field"), [("energy_charge", "rate_per_kwh"), ("daily_charge", "rate_per_day")]
)
def test_a_charge_changes_sign_with_its_rate(kind, field, tmp_path):
    """A positive rate is paid by the site, a negative one is paid to it."""
    model = next(item for item in tariff.KINDS if kind_of(item) == kind)
    for rate in (0.2, -0.2):
        made = case(tmp_path / str(rate), tariff, model, {field: rate})
        problem = build_problem(made)
        x = random_schedule(problem, 1)
        lines = formulate(made, SettledTerms(made.data, problem.split(x))).lines
        assert all(np.sign(line.values.sum()) == -np.sign(rate) for line in lines if line.cash)


def test_an_unknown_kind_is_refused_with_the_nearest(tmp_path):
    """A slip in the kind is answered with the word that was meant."""
    base = case(tmp_path, storage, Battery, SMALLEST["battery"])
    wrong = copy.deepcopy(base.raw["storage"][0]) | {"kind": "batery"}
    with pytest.raises(ScenarioError, match="Did you mean battery"):
        vary(base, {"storage.0": wrong})
