"""Figures and series that are probably in another unit, or say less than they should."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import numpy as np

from optimiser.fields import Component
from optimiser.scenario.checks.contracts import tariffs_of
from optimiser.scenario.checks.words import shown
from optimiser.scenario.file import Scenario

MOST_SUN_KW_PER_KWP = 1.3
MUCH_LOAD_KW = 1000.0
FORETOLD_SHARE = 0.9  # of the steps


def forecasts(scenario: Scenario) -> Iterator[str]:
    """Forecasts with issue times that leave steps out, for which plans fall back on the backcast."""
    starts = scenario.timeline.starts.as_unit("s").asi8
    for name, issued in scenario.issued.items():
        share = issued.share_foretold(starts)
        if share < FORETOLD_SHARE:
            yield (
                f"the forecast of {name} says something of {share:.0%} of the steps before they begin; for the others "
                "plans go by the backcast."
            )


def implausible(scenario: Scenario) -> Iterator[str]:
    """Figures that a field can hardly have been meant to hold (`fields.PLAUSIBLE`)."""
    data = scenario.data
    for place, value, words, extra in _figures(scenario.file, ""):
        lowest, highest = extra["plausible"]
        values = data.values(value) if extra.get("series") else np.array([value], float)
        wrong = values[(values < lowest) | (values > highest)]
        if len(wrong):
            worst = float(wrong[np.abs(wrong).argmax()])
            hint = HINTS.get(extra["unit"], "Check the figure and its unit.")
            unit = extra["unit"].replace("currency", scenario.file.currency).replace("-", "")
            yield (
                f"{place} ({words.partition(':')[0].partition(' [')[0]}) is {shown(worst)} {unit}".rstrip()
                + f", which is hardly meant: {shown(lowest)} to {shown(highest)} is usual. {hint}"
            )


HINTS = {
    "currency/kWh": "If it is in cents divide it by 100, if per MWh by 1000.",
    "kW": "If it is in W divide it by 1000.",
    "kWp": "If it is in W divide it by 1000.",
    "V": "If it is in mV divide it by 1000.",
}


def _figures(part: Any, place: str) -> Iterator[tuple[str, Any, str, dict[str, Any]]]:
    """Every number or series of the file that has a plausible range: place, value, meaning, what its field says."""
    if isinstance(part, tuple):
        for number, one in enumerate(part):
            yield from _figures(one, f"{place}.{number}")
    if not isinstance(part, Component):
        return
    for key, info in type(part).model_fields.items():
        value, extra = getattr(part, key), info.json_schema_extra
        here = f"{place}.{key}" if place else key
        if isinstance(extra, dict) and "plausible" in extra:
            if value is not None:
                yield here, value, info.description or key, extra
        else:
            yield from _figures(value, here)


def price_units(scenario: Scenario) -> Iterator[str]:
    """Prices per MWh that look as if they were per kWh."""
    data = scenario.data
    for place, reference, unit in _prices(scenario):
        values = np.abs(data.values(reference))
        if 0 < values.max() < 1:
            yield (
                f"{place} has values of at most {shown(values.max())}, very low for currency per {unit}; "
                "if they are per kWh (or per kW), multiply them by 1000."
            )


def _prices(scenario: Scenario) -> Iterator[tuple[str, Any, str]]:
    """Every price that is per MW or MWh."""
    for key, contract in tariffs_of(scenario):
        for index, component in enumerate(contract.component):
            if hasattr(component, "price_per_mwh"):
                yield f"{key}.component.{index}.price_per_mwh", component.price_per_mwh, "MWh"
    for index, product in enumerate(scenario.service):
        if product.delivered_price_per_mwh is not None:
            yield f"service.{index}.delivered_price_per_mwh", product.delivered_price_per_mwh, "MWh"
        if product.price_unit == "per_mw_year":
            yield f"service.{index}.price", product.price, "MW and year"


def load_units(scenario: Scenario) -> Iterator[str]:
    """Loads far beyond the connection look like watts."""
    site, data = scenario.site, scenario.data
    limit = float(data.values(site.connection.import_limit_kw).max())
    loads = itertools.chain(
        ((f"site.load.{index}.power_kw", load.power_kw) for index, load in enumerate(site.load)),
        ((f"site.dc_load.{index}.power_kw", load.power_kw) for index, load in enumerate(site.dc_load)),
    )
    for place, reference in loads:
        peak = float(data.values(reference).max())
        if peak > MUCH_LOAD_KW and limit < MUCH_LOAD_KW:
            yield (
                f"{place} reaches {shown(peak)} kW at a connection of {shown(limit)} kW; if it is in W, "
                "divide it by 1000."
            )


def load_without_system(scenario: Scenario) -> Iterator[str]:
    """Load that the connection could not carry alone: the bill before then prices what cannot happen."""
    site, data = scenario.site, scenario.data
    load = sum(
        (site.needs_before_kw(data, phase) for phase in site.phase_names), np.zeros(scenario.timeline.steps)
    )
    excess = load - data.values(site.connection.import_limit_kw)
    if excess.max() > 1e-6:
        step = int(excess.argmax())
        yield (
            f"site.load: without the system the load passes the import limit in {(excess > 1e-6).sum():,} steps, "
            f"by up to {shown(float(excess.max()))} kW ({scenario.timeline.when(step)}); "
            "the bill before is reckoned as if the connection carried it. Check the limit, or the load."
        )


def sun_units(scenario: Scenario) -> Iterator[str]:
    """Sun per kWp beyond what an array can bring, or none."""
    site, data = scenario.site, scenario.data
    for word in ("ac_solar", "solar_controller"):
        for index, array in enumerate(getattr(site, word)):
            reference, place = array.available_kw_per_kwp, f"site.{word}.{index}"
            if reference is not None and (peak := float(data.values(reference).max())) > MOST_SUN_KW_PER_KWP:
                yield (
                    f"{place}.available_kw_per_kwp reaches {shown(peak)} kW per kWp, above "
                    f"{MOST_SUN_KW_PER_KWP:g}; an array rarely passes 1. If it is in W or kW, divide it by "
                    "1000 or use available_kw."
                )
            if not array.available(data).any():
                yield f"{place} ({array.name}) brings nothing in the whole timeline; check its column."
