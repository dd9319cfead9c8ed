"""What the parts of a scenario file ask of one another: names, combinations, references, constants."""

from __future__ import annotations

import datetime
import difflib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
from pydantic import BaseModel

from optimiser.errors import ScenarioError
from optimiser.fields import MOST, zone_of
from optimiser.scenario.file import Scenario, ScenarioFile, references_of
from optimiser.scenario.foresight import role_of
from optimiser.timeline import Timeline

MOST_STEPS = 600_000


def placed(path: Path, place: str, error: ScenarioError) -> list[str]:
    """The faults of a file that a scenario uses, with the place that names it."""
    where = "" if error.where == str(path) else f" {error.where}:"
    return [f"{place}:{where} {fault}" for fault in error.faults]


def timeline_of(file: ScenarioFile) -> Timeline | str:
    """The steps of a scenario, or what is wrong with them."""
    span = file.timeline
    if 60 % span.step_minutes:
        return f"timeline.step_minutes must divide 60, got {span.step_minutes}. Use 5, 10, 15, 30 or 60."
    last = span.start.toordinal() + span.days
    if span.start.year < 1970 or last > datetime.date(2200, 1, 1).toordinal():
        return f"timeline must lie between 1970 and 2199, got {span.days} days from {span.start}. Check start and days."
    zone = zone_of(span.zone)
    midnight = datetime.time()
    start = datetime.datetime.combine(span.start, midnight, zone)
    end = datetime.datetime.combine(datetime.date.fromordinal(last), midnight, zone)
    minutes = (end.astimezone(datetime.UTC) - start.astimezone(datetime.UTC)).total_seconds() / 60
    if minutes % span.step_minutes:
        return (
            f"timeline.step_minutes must divide the {minutes / 60:g} hours of the timeline, got {span.step_minutes}. "
            "Use a shorter step."
        )
    steps = round(minutes / span.step_minutes)
    if steps > MOST_STEPS:
        return f"timeline has {steps} steps, the most is {MOST_STEPS}. Shorten timeline.days."
    return Timeline(start, span.step_minutes, steps, span.zone)


class _Named(Protocol):
    """What has a name of its own in a list."""

    @property
    def name(self) -> str:
        """As it stands in the file."""


def name_faults(file: ScenarioFile) -> Iterator[str]:
    """Names that must differ."""
    lists: dict[str, Sequence[_Named]] = {
        "site.inverter": file.site.inverter,
        "site.solar_controller": file.site.solar_controller,
        "site.ac_solar": file.site.ac_solar,
        "site.dc_load": file.site.dc_load,
        "site.flexible_load": file.site.flexible_load,
        "storage": file.storage,
        "service": file.service,
    }
    for place, items in lists.items():
        seen: dict[str, int] = {}
        for index, item in enumerate(items):
            if item.name in seen:
                yield f"{place}.{index}.name is {item.name!r}, like {place}.{seen[item.name]}. Give each its own name."
            seen.setdefault(item.name, index)
            if not re.fullmatch(r"[\w -]{1,40}", item.name):
                yield f"{place}.{index}.name must be 1 to 40 letters, digits, spaces, - or _, got {item.name!r}."
    years = [year.name for year in file.price_year]
    for index, name in enumerate(years):
        if name in years[:index]:
            yield f"price_year.{index}.name is {name!r}, like another one. Give each its own name."
    for key in ("tariff", "before_tariff"):
        contract = getattr(file, key)
        if contract is not None:
            yield from (f"{key}.{fault}" for fault in contract.twins())


def combination_faults(file: ScenarioFile, timeline: Timeline) -> Iterator[str]:
    """Rules that hold between parts of the file."""
    direct = [bank for bank in file.storage if bank.converter is None]
    if len(direct) > 1:
        yield (
            "storage has "
            + str(len(direct))
            + " banks directly on the DC bus, which would share one voltage. Join equal ones by `units`; give every "
            "other technology a converter."
        )
    if file.storage and not file.site.inverter:
        yield "site.inverter is empty but there is storage. Add the inverter that connects it."
    if file.site.solar_controller and not file.site.inverter:
        yield "site.inverter is empty but there are solar controllers on the DC bus. Add the inverter."
    if file.site.dc_load and not file.site.inverter:
        yield "site.dc_load is given but nothing feeds the DC bus from the grid. Add the inverter in site.inverter."
    if any(load.on_bus for load in file.site.flexible_load) and not file.site.inverter:
        yield "site.flexible_load has sessions on the DC bus and nothing feeds it. Add the inverter in site.inverter."
    if file.site.flexible_load and file.service and file.site.firm_load_fraction:
        yield (
            "site.firm_load_fraction lets services count on the load, and site.flexible_load is not there at any time. "
            "Set firm_load_fraction to 0, or leave out one of the two."
        )
    if file.service and not file.site.inverter:
        yield "service needs at least one inverter in site.inverter."
    limited = any(c.bus_currents() for c in file.site.solar_controller) or any(
        i.bus_currents() for i in file.site.inverter
    )
    if limited and not direct and file.site.dc_voltage_v is None:
        yield "site.dc_voltage_v is required: current limits are given, and no bank sits on the bus directly."
    if file.cost is not None:
        yield from (f"cost.{fault}" for fault in file.cost.faults(file.storage))
    for key in ("tariff", "before_tariff"):
        tariff = getattr(file, key)
        if tariff is None:
            continue
        yield from (f"{key}.{fault}" for fault in tariff.faults(timeline))
    met = {reference for place, reference, _ in references_of(file) if role_of(place) not in (None, "limit")}
    for index, told in enumerate(file.foresight.forecast):
        if told.of not in met:
            near = difflib.get_close_matches(told.of, sorted(met), 1, cutoff=0.5)
            way = f"did you mean {near[0]}?" if near else "name a price, load or solar of this file."
            yield f"foresight.forecast.{index}.of is {told.of!r}, which is no series that plans meet; {way}"
    prices = {reference for place, reference, _ in references_of(file) if role_of(place) == "price"}
    for index, known in enumerate(file.foresight.published):
        if known.of not in prices:
            near = difflib.get_close_matches(known.of, sorted(prices), 1, cutoff=0.5)
            way = f"did you mean {near[0]}?" if near else "name a series that the tariff takes prices from."
            yield f"foresight.published.{index}.of is {known.of!r}, which is no series of prices; {way}"
    if file.backup is not None:
        yield from (f"backup.{fault}" for fault in file.backup.faults(file.site))
    for index, product in enumerate(file.service):
        block, step = product.block_minutes, file.timeline.step_minutes
        if block is None:
            continue
        if (block % step and block > step) or 1440 % block:
            yield (
                f"service.{index}.block_minutes is {block}; it must divide a day and be whole steps of "
                f"{step} min."
            )
        elif product.price_unit == "per_mw_block" and block < step:
            yield (
                f"service.{index}.price_unit is per_mw_block and a step of {step} min holds "
                f"several blocks of {block} min. Use a shorter step, or a price per_mw_hour."
            )
    yield from _solar_groups(file)


def peak_faults(scenario: Scenario) -> Iterator[str]:
    """Peak currents of DC loads that the bank on the bus cannot carry: however full it is, or as it starts."""
    site, banks, timeline = scenario.site, scenario.storage, scenario.timeline
    named = [
        f"site.dc_load.{n}.peak_a ({d.name})" for n, d in enumerate(site.dc_load) if d.peak_a is not None
    ]
    if not named:
        return
    peak, places = site.peak(scenario.data, banks), " and ".join(named)
    if peak is None:
        yield (
            f"{places} needs a bank directly on the DC bus, whose voltage the peak pulls down; storage has none. Give "
            "one bank no converter, or leave the peak out."
        )
        return
    number = [bank.converter is None for bank in banks].index(True)
    bank = banks[number]
    full_v, beyond = bank.voltages[1], np.isinf(peak.stored_kwh)
    if beyond.any():
        step = int(np.argmax(np.where(beyond, peak.open_v, 0.0)))
        short_v = float(peak.open_v[step]) - full_v
        yield (
            f"{places}: at {timeline.when(step)} {peak.amperes[step]:,.4g} A of peaks beside "
            f"{peak.beside_a[step]:,.4g} A of all else on the bus need "
            f"{peak.open_v[step]:.4g} V in {bank.name} with nothing flowing, so that "
            f"{peak.terminal_v[step]:.4g} V are left at its terminals to the end; full it has {full_v:.4g} V, "
            f"{short_v:.3g} V too little, and no stored energy can carry them. Lower the peak or its duration, add "
            f"units (storage.{number}.units), take a thicker cable (cable_ohm), limit the inverters' current beside it "
            "(dc_current_limit_a), or check least_terminal_v."
            if short_v > 1e-9
            else f"{places}: what the peaks take until their end is more than the {bank.capacity_kwh:.4g} kWh that "
            f"{bank.name} holds. Shorten peak_seconds, or add units (storage.{number}.units)."
        )
    elif bank.start_kwh < peak.stored_kwh[0] - 1e-9:
        share = float(peak.stored_kwh[0]) / bank.capacity_kwh
        yield (
            f"storage.{number}.start_fraction is {bank.start_fraction:g}, which holds {bank.start_kwh:.4g} kWh; "
            f"{places} needs {peak.stored_kwh[0]:.4g} kWh from the first step on. Start with at least {share:.4f}."
        )


def _solar_groups(file: ScenarioFile) -> Iterator[str]:
    """A group's kW come from solar for all of its products or for none."""
    first: dict[str, int] = {}
    for index, product in enumerate(file.service):
        if product.direction == "up":
            continue
        other = first.setdefault(product.group, index)
        if file.service[other].from_solar != product.from_solar:
            yield (
                f"service.{index}.from_solar differs from service.{other}, of the same response group "
                f"{product.group!r}. Set both alike."
            )


def least_of(file: ScenarioFile) -> dict[str, float | None]:
    """Every "source.column" of a file, with the least value that it may have anywhere it is used."""
    least: dict[str, float | None] = {}
    for _, reference, bound in references_of(file):
        known = least.get(reference)
        least[reference] = bound if known is None else known if bound is None else max(known, bound)
    return least


def no_source(place: str, reference: str, sources: list[str]) -> str:
    """The sentence for a reference to a source that the file does not have."""
    name = reference.partition(".")[0]
    near = difflib.get_close_matches(name, sources, 1)
    hint = f"did you mean {near[0]}?" if near else f"add [source.{name}] with its file."
    return f'{place} = "{reference}" names the source {name}, which is not declared; {hint}'


def constant_faults(model: BaseModel, root: str = "") -> list[str]:
    """Constants out of bounds that stand where a series may."""
    faults = []
    for place, value, least in _constants(model, root):
        if least is not None and value < least:
            faults.append(f"{place} must be at least {least:g}, got {value:g}. Check its sign.")
        elif abs(value) > MOST:
            faults.append(f"{place} must be at most {MOST:g}, got {value:g}. Check its unit.")
    return faults


def _constants(model: BaseModel, place: str = "") -> Iterator[tuple[str, float, float | None]]:
    """Constants that stand where a series may."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        here = f"{place}.{name}" if place else name
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        least = extra.get("at_least")
        if extra.get("series") and isinstance(value, (int, float)):
            yield here, value, least if isinstance(least, (int, float)) else None
        elif isinstance(value, BaseModel):
            yield from _constants(value, here)
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from _constants(item, f"{here}.{index}")
