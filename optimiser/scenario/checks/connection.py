"""Load, sun and phases against what the connection allows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from optimiser.equipment.limits import IMBALANCE
from optimiser.scenario.checks.words import shown
from optimiser.scenario.file import Scenario


def against_inverters(scenario: Scenario) -> Iterator[str]:
    """Connection limits against the inverters' total rating."""
    site, data = scenario.site, scenario.data
    for word, ratings in (
        ("import", sum(i.input_kw for i in site.inverter)),
        ("export", sum(i.output_kw for i in site.inverter)),
    ):
        limit = data.values(getattr(site.connection, f"{word}_limit_kw"))
        if ratings > limit.min() * (1 + 1e-9):
            verb = "take in" if word == "import" else "give out"
            yield (
                f"site.connection.{word}_limit_kw is {shown(limit.min())} kW at its lowest, the inverters "
                f"can {verb} {shown(ratings)} kW together; the connection, not the inverters, will bind. "
                "Check the approval."
            )


def phases(scenario: Scenario) -> Iterator[str]:
    """Balance of inverters and loads over the phases."""
    site, data = scenario.site, scenario.data
    if site.phases == 1:
        return
    output = {
        phase: sum(site.share(i, phase) * i.output_kw for i in site.inverter) for phase in site.phase_names
    }
    mean = {phase: float(site.load_kw(data, phase).mean()) for phase in site.phase_names}
    most, least = max(output.values()), min(output.values())
    if most > least * 1.25 + 1e-9:
        ratings = ", ".join(f"{phase} {shown(kw)}" for phase, kw in output.items())
        yield (
            f"site.inverter: output ratings differ between phases ({ratings} kW); the smaller phases limit "
            "what a balanced site can do. Check that each unit is on the phase meant."
        )
    total = sum(mean.values())
    if total and max(mean.values()) > 0.5 * total:
        phase = max(mean, key=lambda name: mean[name])
        yield (
            f"site.load: {mean[phase] / total:.0%} of the load's energy is on {phase} (mean "
            f"{shown(mean[phase])} of {shown(total)} kW); move circuits to the other phases or put more "
            "inverter there."
        )
    against = [float(net.most_in_kw.min()) for net in site.net_limits(data) if net.of_pair]
    if against and most - least > min(against):
        yield (
            f"{IMBALANCE.owner}.{IMBALANCE.key} is {shown(min(against))} kW, inverter ratings differ by "
            f"{shown(most - least)} kW between phases; the largest will be held back. Balance the ratings."
        )


def sun_kw(scenario: Scenario, arrays: tuple[Any, ...]) -> float:
    """Size of arrays, or the most that they bring where no size is given. [kW]"""
    data = scenario.data
    return sum(
        a.size_kwp if a.size_kwp is not None else float(data.values(a.available_kw).max()) for a in arrays
    )


def export(scenario: Scenario) -> Iterator[str]:
    """Export limit against inverters and sun: curtailment is likely."""
    site, data = scenario.site, scenario.data
    sun, dc_sun = (
        sun_kw(scenario, arrays)
        for arrays in ((*site.ac_solar, *site.solar_controller), site.solar_controller)
    )
    limit = float(data.values(site.connection.export_limit_kw).max())
    load = float(np.mean(sum(site.load_kw(data, phase) for phase in site.phase_names)))
    charge = sum(bank.charge_limit_kw for bank in scenario.storage)
    if sun > limit + load + charge:
        yield (
            f"site.connection.export_limit_kw is {shown(limit)} kW at its highest; with a mean load of "
            f"{shown(load)} kW and {shown(charge)} kW of charging it cannot take the {shown(sun)} kW of "
            "solar, so curtailment is likely on clear days. Compare a smaller array or more storage."
        )
    output = sum(i.output_kw for i in site.inverter)
    if dc_sun > output + charge and site.solar_controller:
        yield (
            f"site.solar_controller: {shown(dc_sun)} kW of arrays on the DC bus against {shown(output)} kW "
            f"of inverter output and {shown(charge)} kW of charging; what is over is curtailed. Check the "
            "sizes."
        )
