"""Charges that the program has to weigh, against the same written a second time and solved by SCIP.

The reference is `independent.py`: blocks and steps with binaries, apparent power as a cone, the mean of the highest
by a row for every choice. Where the package only relaxes a charge, its own program is solved here with the whole
numbers that it declares, by SciPy's integer solver. Sites are invented; import is always dearer than export, so that
no answer needs the one-direction rule.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import exact
from independent import as_scenario, solve_reference

import optimiser
from optimiser.engine.tiling import build_problem
from optimiser.formulation import formulate
from optimiser.terms.books import SettledTerms

CONVEX: dict[str, list[dict[str, Any]]] = {
    "blocks that get dearer": [{"what": "blocks", "ends_kwh": [20, 45], "rates": [0.02, 0.1, 0.3]}],
    "blocks in hours": [
        {"what": "blocks", "ends_kwh": [10.0], "rates": [0.0, 0.2], "hours": (8, 20)},
        {"what": "blocks", "ends_kwh": [30.0], "rates": [0.0, 0.1]},
    ],
    "tiers that pay less": [{"what": "tiers", "ends_kwh": [3.0, 6.0], "rates": [0.05, 0.02, 0.0]}],
    "export level": [{"what": "export_level", "free_kwh": 4.0, "rate": 0.04, "hours": (10, 15)}],
    "three highest": [{"what": "highest", "count": 3, "rate": 4.0, "slot_steps": 4, "days_apart": False}],
    "highest of days": [{"what": "highest", "count": 2, "rate": 4.0, "slot_steps": 2, "days_apart": True}],
    "ratchet": [
        {"what": "ratchet", "rate": 3.0, "fraction": 0.9, "past_kw": [1.0, 5.0, 0.5], "at_least_kw": 2.0}
    ],
    "ratchet from the second day": [
        {
            "what": "ratchet",
            "rate": 6.0,
            "fraction": 0.9,
            "past_kw": [1.0, 2.5],
            "at_least_kw": 0.5,
            "valid": (datetime.date(2025, 1, 31), datetime.date(2026, 1, 1)),
        }
    ],
    "rate that changes": [
        {
            "what": "highest",
            "count": 2,
            "rate": rate,
            "slot_steps": 2,
            "days_apart": False,
            "valid": (
                datetime.date(2025, 1, first),
                datetime.date(2025, 1, first) + datetime.timedelta(days=1),
            ),
        }
        for rate, first in ((8.0, 30), (3.0, 31))
    ]
    + [{"what": "blocks", "ends_kwh": [25.0], "rates": [0.0, 0.15]}],
    "subscribed capacity": [{"what": "subscribed", "kw": 1.5, "rate": 3.0, "excess_rate": 0.2}],
    "subscribed in hours that cut a slot": [
        {"what": "subscribed", "kw": 1.0, "rate": 3.0, "excess_rate": 0.3, "slot_steps": 2, "hours": (7, 20)},
        {"what": "highest", "count": 1, "rate": 2.0, "slot_steps": 4, "days_apart": False},
    ],
    "several at once": [
        {"what": "blocks", "ends_kwh": [25.0], "rates": [0.0, 0.15]},
        {"what": "highest", "count": 2, "rate": 2.0, "slot_steps": 4, "days_apart": True},
        {"what": "ratchet", "rate": 2.0, "fraction": 0.8, "past_kw": [4.0], "at_least_kw": 0.0},
    ],
    "least bill": [
        {"what": "blocks", "ends_kwh": [25.0], "rates": [0.0, 0.15]},
        {"what": "highest", "count": 1, "rate": 2.0, "slot_steps": 4, "days_apart": False},
        {"what": "least", "least": 22.0},
    ],
}
RELAXED: dict[str, list[dict[str, Any]]] = {
    "blocks that get cheaper": [{"what": "blocks", "ends_kwh": [25, 60], "rates": [0.3, 0.1, 0.02]}],
    "blocks up and down": [{"what": "blocks", "ends_kwh": [15, 35], "rates": [0.1, 0.3, 0.05]}],
    "rebate": [{"what": "volume", "ends_kwh": [20.0, 50.0], "rates": [-0.15, -0.05, 0.0]}],
    "dearer by volume": [{"what": "volume", "ends_kwh": [40.0], "rates": [0.0, 0.2]}],
    "tiers that pay more": [{"what": "tiers", "ends_kwh": [2.0], "rates": [0.0, 0.06]}],
    "stepped fee": [{"what": "steps", "ends_kw": [2.0, 3.5, 6.0], "fees": [1, 4, 9, 25], "slot_steps": 2}],
    "next fee at the end": [
        {
            "what": "steps",
            "ends_kw": [2.0, 3.5, 6.0],
            "fees": [1, 4, 9, 25],
            "slot_steps": 2,
            "next_at_end": True,
        }
    ],
    "all of them": [
        {"what": "blocks", "ends_kwh": [30.0], "rates": [0.2, 0.05]},
        {"what": "volume", "ends_kwh": [40.0], "rates": [-0.1, 0.0]},
        {"what": "steps", "ends_kw": [2.5, 5.0], "fees": [0, 5, 15], "slot_steps": 1},
        {"what": "least", "least": 12.0},
    ],
}
SEEDS = (1, 2, 3)
RELATIVE = 1e-6
# The package counts a watt and a watt-hour beyond an edge as inside; what that is worth is less.
CENT = 0.005


def site_with(charges: list[dict[str, Any]], seed: int) -> dict[str, Any]:
    """Two days across the end of a month; a store, a roof, prices by the hour."""
    random = np.random.default_rng(seed)
    steps = 48
    hour = np.arange(steps) % 24
    sun = np.maximum(0, np.cos((hour - 12) * np.pi / 12)) * random.uniform(1, 5, steps)
    price = np.where((hour >= 16) & (hour < 21), 0.45, 0.2) + random.uniform(0, 0.05, steps)
    least = any(charge["what"] == "least" for charge in charges)
    return {
        "step_hours": 1.0,
        "steps": steps,
        "phases": ["L1"],
        "load_kw": {"L1": random.uniform(0.3, 4.0, steps).round(4)},
        "ac_solar": [{"phase": "L1", "available_kw": sun.round(4)}],
        "registers": "netted",
        "import_limit_kw": 12.0,
        # A bill that is topped up to a least leaves import free, which an export price would then pay for.
        "export_limit_kw": 0.0 if least else 5.0,
        "inverters": [
            {
                "phase": "L1",
                "output_kw": 3.0,
                "input_kw": 3.0,
                "output_efficiency": 0.95,
                "input_efficiency": 0.95,
            }
        ],
        "banks": [
            {
                "kind": "battery",
                "capacity_kwh": 9.0,
                "charge_kw": 3.0,
                "discharge_kw": 3.0,
                "charge_efficiency": 0.96,
                "discharge_efficiency": 0.96,
                "start_kwh": 3.0,
                "voltage_v": 50.0,
            }
        ],
        "import_price": price.round(5),
        "export_price": np.full(steps, 0.05),
        "wear_per_kwh": 0.01,
        "first_day": datetime.date(2025, 1, 31),
        "charges": charges,
    }


def scaled(charges: list[dict[str, Any]], share: float) -> list[dict[str, Any]]:
    """Volumes, subscriptions and least sums of a whole billing period, of which the run has a share of days."""
    made = []
    for charge in charges:
        charge = dict(charge)
        if charge["what"] in ("blocks", "volume"):
            charge["ends_kwh"] = [end / share for end in charge["ends_kwh"]]
        if charge["what"] == "subscribed":
            charge["rate"] = charge["rate"] / share
        for key in ("free_kwh", "least"):
            if key in charge:
                charge[key] = charge[key] / share
        made.append(charge)
    return made


def both(charges: list[dict[str, Any]], seed: int, folder: Path) -> tuple[Any, float]:
    """The package's scenario and what the reference makes of it.

    Both days lie in January, so its volumes count by 2 / 31; reads of the meter would count them as they are.
    """
    site = site_with(charges, seed) | {"first_day": datetime.date(2025, 1, 30)}
    package = site | {"charges": scaled(charges, 2 / 31)}
    return optimiser.read_scenario(as_scenario(package, folder)), solve_reference(site)["money"]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", CONVEX)
def test_convex_charges_are_solved_to_the_reference(name, seed, tmp_path):
    """The package's own answer, its bound closed."""
    scenario, reference = both(CONVEX[name], seed, tmp_path)
    proof = optimiser.solve(scenario).proof
    assert proof.settled == pytest.approx(reference, rel=RELATIVE, abs=RELATIVE)
    assert proof.bound == pytest.approx(reference, rel=RELATIVE, abs=RELATIVE)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", RELAXED)
def test_charges_with_whole_numbers_are_solved_to_the_reference(name, seed, tmp_path):
    """Whole numbers kept by another solver or by the package's own search: the reference, in program and books."""
    scenario, reference = both(RELAXED[name], seed, tmp_path)
    problem = build_problem(scenario)
    x = exact(problem)
    assert problem.objective @ x + problem.offset == pytest.approx(reference, rel=RELATIVE, abs=CENT)
    terms = SettledTerms(scenario.data, problem.split(x))
    lines = formulate(scenario, terms).lines
    books = sum(float(line.values.sum()) for line in lines)
    assert books == pytest.approx(reference, rel=RELATIVE, abs=CENT)
    wholes = [replay.worst for replay in terms.replays if replay.name.endswith(" is whole")]
    assert max(wholes) < 1e-6
    proof = optimiser.solve(scenario).proof
    assert proof.settled == pytest.approx(reference, rel=RELATIVE, abs=CENT)
    assert proof.bound == pytest.approx(reference, rel=RELATIVE, abs=CENT)
    assert proof.verdict == "optimal"


@pytest.mark.parametrize("seed", SEEDS)
def test_apparent_power_is_within_its_tangents(seed, tmp_path):
    """SCIP keeps kVA^2 = kW^2 + kvar^2 itself; the package's bound is at most 0.4 % of the charge above it."""
    kvar = np.random.default_rng(seed).uniform(0.5, 3.0, 48).round(4)
    site = site_with([{"what": "apparent", "rate": 6.0, "kvar": kvar}], seed)
    site["first_day"] = datetime.date(2025, 1, 30)
    reference = solve_reference(site)
    proof = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path))).proof
    charge = -next(amount for name, amount in reference["lines"].items() if name.startswith("charge"))
    assert reference["money"] - 1e-4 <= proof.bound <= reference["money"] + 0.004 * charge
    assert reference["money"] - 0.004 * charge <= proof.settled <= reference["money"] + 1e-4


def test_a_month_that_ends_is_two_bills(tmp_path):
    """A ratchet across the end of a month: the second bill counts the first's peak."""
    charge = {"what": "ratchet", "rate": 5.0, "fraction": 0.8, "past_kw": [2.0], "at_least_kw": 0.0}
    site = site_with([charge], 4)
    proof = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path))).proof
    assert proof.settled == pytest.approx(solve_reference(site)["money"], rel=RELATIVE)


def test_a_ratchet_that_begins_later_counts_the_bill_before(tmp_path):
    """As above, charged from the second bill on: the first one's peak still counts."""
    charge = {"what": "ratchet", "rate": 5.0, "fraction": 0.8, "past_kw": [], "at_least_kw": 0.0}
    charge["valid"] = (datetime.date(2025, 2, 1), datetime.date(2026, 1, 1))
    site = site_with([charge], 4)
    proof = optimiser.solve(optimiser.read_scenario(as_scenario(site, tmp_path))).proof
    assert proof.settled == pytest.approx(solve_reference(site)["money"], rel=RELATIVE)
    assert solve_reference(site)["lines"]["charge 0, ratchet"] < 0
