"""What a practitioner would warn of before power is switched on: ratings, currents, phases, clocks."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import numpy as np

from optimiser.equipment.laws import current_a, power_kw, standby_kw
from optimiser.equipment.limits import CONTROLLER_CURRENT, IMBALANCE, Limit, Through
from optimiser.equipment.site import bank_on_bus
from optimiser.fields import Component, zone_of
from optimiser.flows import MeterFlows
from optimiser.services.offers import most_kw
from optimiser.terms.books import SettledTerms

CONTINUOUS_SHARE = 0.8  # of a breaker's rating, a common practice for continuous duty; local code governs
MOST_SUN_KW_PER_KWP = 1.3
MUCH_LOAD_KW = 1000.0
HOURS_A_YEAR = 8760
FORETOLD_SHARE = 0.9  # of the steps


def warnings(scenario: Any) -> list[str]:
    """Sentences on hardware, connection and data that deserve a second look; none stops a run.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    list of str
        Each names what was found with its numbers, and what to do.

    References
    ----------
    .. [1] Breakers loaded to 80 % of their rating in continuous duty: common practice, from memory; local
       code governs.
    """
    checks = (
        data_notes,
        _forecasts,
        _controllers,
        _breakers,
        _bank_currents,
        _connection,
        _phases,
        _pass_through,
        _ac_breakers,
        _export,
        _storage_power,
        _standby,
        _self_discharge,
        _life,
        _demand_intervals,
        _window_edges,
        _service_dates,
        _sellers,
        _crossing,
        _component_dates,
        _nothing_charged,
        _implausible,
        _strangled,
        _price_units,
        _load_units,
        _load_without_system,
        _sun_units,
    )
    return [words for check in checks for words in check(scenario)]


def _forecasts(scenario: Any) -> Iterator[str]:
    """Forecasts with issue times that leave steps out, for which plans fall back on the backcast."""
    starts = scenario.timeline.starts.as_unit("s").asi8
    for name, issued in scenario.issued.items():
        share = issued.share_foretold(starts)
        if share < FORETOLD_SHARE:
            yield (
                f"the forecast of {name} says something of {share:.0%} of the steps before they begin; for the others "
                "plans go by the backcast."
            )


def data_notes(scenario: Any) -> Iterator[str]:
    """What every data file says of itself (repairs, other years, guesses), and what was done to it on reading."""
    for name, table in scenario.tables.items():
        source = table.source
        for words in (*table.warnings, *table.notes):
            yield f"source.{name}: {words}"
        if source.redate != "none":
            own = table.starts.tz_convert(zone_of(source.zone))
            yield (
                f"source.{name}: data of {own[0]:%Y-%m-%d} to {own[-1]:%Y-%m-%d} re-dated to the timeline "
                "by season and weekday (each day takes the nearest day in season of the same weekday)."
            )
        if source.coarsen == "mean" and source.step_minutes < scenario.timeline.step_minutes:
            yield (
                f"source.{name}: {source.step_minutes} min values averaged to {scenario.timeline.step_minutes} min "
                "steps, which hides the spread of prices within a step."
            )


def _nothing_charged(scenario: Any) -> Iterator[str]:
    """A contract under which the most that can be imported costs as much as nothing imported."""
    data = scenario.data
    nothing = np.zeros(scenario.timeline.steps)
    most = data.values(scenario.site.connection.import_limit_kw) + nothing
    for key, contract in _tariffs(scenario):
        bills = []
        for drawn in (nothing, most):
            lines = contract.lines(
                MeterFlows(drawn, nothing, most, nothing, drawn), SettledTerms(scenario.data)
            )
            bills.append(sum(float(np.abs(line.values).sum()) for line in lines if line.cash))
        if most.any() and bills[0] == bills[1]:
            yield (
                f"{key}: nothing is charged on import: drawing all that the connection allows costs as much as "
                "drawing nothing. Add an energy or demand charge, or check the rates."
            )


def _implausible(scenario: Any) -> Iterator[str]:
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
                f"{place} ({words.partition(':')[0].partition(' [')[0]}) is {_shown(worst)} {unit}".rstrip()
                + f", which is hardly meant: {_shown(lowest)} to {_shown(highest)} is usual. {hint}"
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


SLOW_HOURS = (
    24.0  # a store that takes longer one way is held back by its current, not built so: common practice
)


def _strangled(scenario: Any) -> Iterator[str]:
    """Current limits at which a bank takes more than a day to fill or to empty."""
    for index, bank in enumerate(scenario.storage):
        for word, current in (("charge", bank.current(out=False)), ("discharge", bank.current(out=True))):
            if current is None:
                continue
            carried = current.most_kw(bank.voltages[1])
            hours = bank.capacity_kwh / carried
            if hours > SLOW_HOURS:
                yield (
                    f"storage.{index}.{current.limit.key} ({bank.name}): {_shown(current.amperes)} A in all carry "
                    f"{_shown(carried)} kW at the most, so its {_shown(bank.capacity_kwh)} kWh take {_shown(hours)} "
                    f"hours to {word}; the limit strangles the bank. Check the figure."
                )


def _shown(number: float) -> str:
    return f"{number:,.4g}" if abs(number) < 10_000 else f"{number:,.0f}"


def _bus_voltages(scenario: Any) -> tuple[float, float]:
    """Lowest and highest voltage of the DC bus, a battery's lowest voltage in use included. [V]"""
    bank = bank_on_bus(scenario.storage)
    if bank is None:
        volts = scenario.site.lowest_bus_voltage(scenario.storage)
        return volts, volts
    lowest, highest = bank.voltages
    return getattr(bank, "lowest_voltage_v", None) or lowest, highest


def _controllers(scenario: Any) -> Iterator[str]:
    """Output current times bus voltage against what the array can bring."""
    lowest, highest = _bus_voltages(scenario)
    controllers = scenario.site.solar_controller
    for current in scenario.site.bus_currents(scenario.data):
        if current.limit.owner != CONTROLLER_CURRENT.owner:
            continue
        index = [controller.name for controller in controllers].index(current.part)
        controller = controllers[index]
        array_kw = controller.size_kwp
        if array_kw is None:
            array_kw = float(scenario.data.values(controller.available_kw).max())
        least, most = current.most_kw(lowest), current.most_kw(highest)
        if controller.efficiency * array_kw > least * (1 + 1e-9):
            verdict = (
                "even at the highest"
                if controller.efficiency * array_kw > most * (1 + 1e-9)
                else "at the lowest"
            )
            yield (
                f"site.solar_controller.{index} ({controller.name}): {_shown(current.amperes)} A carry "
                f"{_shown(least)} kW at {_shown(lowest)} V and {_shown(most)} kW at {_shown(highest)} V, "
                f"less than the array's {_shown(array_kw)} kW {verdict} bus voltage; expect curtailment, or "
                "spread the array over more controllers."
            )


def _breakers(scenario: Any) -> Iterator[str]:
    """The DC breaker at the lowest bus voltage against the inverter's rating, and its continuous duty."""
    lowest, _ = _bus_voltages(scenario)
    for index, inverter in enumerate(scenario.site.inverter):
        currents = inverter.bus_currents()
        if not currents:
            continue
        place = f"site.inverter.{index} ({inverter.name})"
        needed = max(current.unit_kw for current in currents)
        amperes = min(current.amperes for current in currents)
        carried = power_kw(amperes, lowest)
        if needed > carried * (1 + 1e-9):
            yield (
                f"{place}: its DC breaker of {_shown(amperes)} A carries {_shown(carried)} kW at "
                f"{_shown(lowest)} V, its rating needs {_shown(needed)} kW on the DC side; the schedule will "
                "stay below the rating when the bus is low. Fit a larger breaker if cables allow."
            )
        elif needed > CONTINUOUS_SHARE * carried * (1 + 1e-9):
            yield (
                f"{place}: full rating draws {_shown(current_a(needed, lowest))} A at {_shown(lowest)} V, more "
                f"than {CONTINUOUS_SHARE:.0%} of its DC breaker of {_shown(amperes)} A; breakers are "
                f"commonly loaded to {CONTINUOUS_SHARE:.0%} in continuous duty (local code governs). Check "
                "the derating, and give dc_current_limit_a after it."
            )


def _bank_currents(scenario: Any) -> Iterator[str]:
    """The bank's current limits against all inverters together, at its lowest voltage."""
    bank = bank_on_bus(scenario.storage)
    if bank is None:
        return
    lowest, _ = _bus_voltages(scenario)
    site, index = scenario.site, scenario.storage.index(bank)
    for word, current, needed in (
        (
            "discharge",
            bank.current(out=True),
            sum(i.output_kw / i.output_efficiency for i in site.inverter),
        ),
        ("charge", bank.current(out=False), sum(i.input_kw * i.input_efficiency for i in site.inverter)),
    ):
        if current is None:
            continue
        amperes = current.amperes
        if current_a(needed, lowest) > amperes * (1 + 1e-9):
            yield (
                f"storage.{index} ({bank.name}): its {word} current limit of {_shown(amperes)} A in all "
                f"carries {_shown(current.most_kw(lowest))} kW at {_shown(lowest)} V, the inverters together "
                f"can move {_shown(needed)} kW on the DC side ({_shown(current_a(needed, lowest))} A); add "
                "units, or expect the inverters to run below their rating."
            )


def _connection(scenario: Any) -> Iterator[str]:
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
                f"site.connection.{word}_limit_kw is {_shown(limit.min())} kW at its lowest, the inverters "
                f"can {verb} {_shown(ratings)} kW together; the connection, not the inverters, will bind. "
                "Check the approval."
            )


def _phases(scenario: Any) -> Iterator[str]:
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
        shown = ", ".join(f"{phase} {_shown(kw)}" for phase, kw in output.items())
        yield (
            f"site.inverter: output ratings differ between phases ({shown} kW); the smaller phases limit "
            "what a balanced site can do. Check that each unit is on the phase meant."
        )
    total = sum(mean.values())
    if total and max(mean.values()) > 0.5 * total:
        phase = max(mean, key=lambda name: mean[name])
        yield (
            f"site.load: {mean[phase] / total:.0%} of the load's energy is on {phase} (mean "
            f"{_shown(mean[phase])} of {_shown(total)} kW); move circuits to the other phases or put more "
            "inverter there."
        )
    against = [float(net.most_in_kw.min()) for net in site.net_limits(data) if net.of_pair]
    if against and most - least > min(against):
        yield (
            f"{IMBALANCE.owner}.{IMBALANCE.key} is {_shown(min(against))} kW, inverter ratings differ by "
            f"{_shown(most - least)} kW between phases; the largest will be held back. Balance the ratings."
        )


def _pass_through(scenario: Any) -> Iterator[str]:
    """In-line pass-through current against the phase's import limit and its peak load."""
    site, data = scenario.site, scenario.data
    through = [line for phase in site.phase_names for line in site.through(data, phase) if line.in_line]
    for index, inverter in enumerate(site.inverter):
        own: dict[Limit, list[Through]] = {}
        for line in (line for line in through if line.inverter == inverter.name):
            own.setdefault(line.limit, []).append(line)
        for limit, lines in own.items():
            passes = lines[0].limit_kw
            place = f"site.inverter.{index}.{limit.key} ({inverter.name})"
            carried = f"{_shown(lines[0].amperes)} A pass {_shown(passes)} kW a phase"
            peak = max(float((site.load_kw(data, line.phase) - line.before_kw).max()) for line in lines)
            if peak > passes * (1 + 1e-9):
                yield (
                    f"{place}: {carried}, the load behind it peaks at {_shown(peak)} kW; without stored energy the "
                    "supply will trip. Move load off it."
                )
            reference = site.connection.import_limit_kw_per_phase
            if reference is None and site.phases == 1:
                reference = site.connection.import_limit_kw
            if reference is not None and (most := float(data.values(reference).max())) > passes * (1 + 1e-9):
                yield (
                    f"{place}: {carried}, less than the phase's import limit of {_shown(most)} kW; the inverter "
                    "binds before the connection does."
                )


def _ac_breakers(scenario: Any) -> Iterator[str]:
    """What the AC supply of an inverter beside the loads carries against its ratings."""
    site, data = scenario.site, scenario.data
    for index, inverter in enumerate(site.inverter):
        lines = [line for phase in site.phase_names for line in site.through(data, phase)]
        own = {line.limit: line for line in lines if line.inverter == inverter.name and not line.in_line}
        rating = max(inverter.output_kw, inverter.input_kw)
        for limit, line in own.items():
            if rating > line.own_kw * (1 + 1e-9):
                yield (
                    f"site.inverter.{index}.{limit.key} ({inverter.name}): {_shown(line.amperes)} A carry "
                    f"{_shown(line.own_kw)} kW in all for hours, its rating is {_shown(rating)} kW; the schedule will "
                    "stay below the rating. Fit a larger breaker if cables allow."
                )


def _sun_kw(scenario: Any, arrays: tuple[Any, ...]) -> float:
    """Size of arrays, or the most that they bring where no size is given. [kW]"""
    data = scenario.data
    return sum(
        a.size_kwp if a.size_kwp is not None else float(data.values(a.available_kw).max()) for a in arrays
    )


def _export(scenario: Any) -> Iterator[str]:
    """Export limit against inverters and sun: curtailment is likely."""
    site, data = scenario.site, scenario.data
    sun, dc_sun = (
        _sun_kw(scenario, arrays)
        for arrays in ((*site.ac_solar, *site.solar_controller), site.solar_controller)
    )
    limit = float(data.values(site.connection.export_limit_kw).max())
    load = float(np.mean(sum(site.load_kw(data, phase) for phase in site.phase_names)))
    charge = sum(bank.charge_limit_kw for bank in scenario.storage)
    if sun > limit + load + charge:
        yield (
            f"site.connection.export_limit_kw is {_shown(limit)} kW at its highest; with a mean load of "
            f"{_shown(load)} kW and {_shown(charge)} kW of charging it cannot take the {_shown(sun)} kW of "
            "solar, so curtailment is likely on clear days. Compare a smaller array or more storage."
        )
    output = sum(i.output_kw for i in site.inverter)
    if dc_sun > output + charge and site.solar_controller:
        yield (
            f"site.solar_controller: {_shown(dc_sun)} kW of arrays on the DC bus against {_shown(output)} kW "
            f"of inverter output and {_shown(charge)} kW of charging; what is over is curtailed. Check the "
            "sizes."
        )


def _storage_power(scenario: Any) -> Iterator[str]:
    """Storage power against inverter power."""
    if not scenario.storage or not scenario.site.inverter:
        return
    site, banks = scenario.site, scenario.storage
    for word, inverters, bank_kw in (
        (
            "discharge",
            sum(i.output_kw / i.output_efficiency for i in site.inverter),
            sum(b.discharge_limit_kw for b in banks),
        ),
        (
            "charge",
            sum(i.input_kw * i.input_efficiency for i in site.inverter),
            sum(b.charge_limit_kw for b in banks),
        ),
    ):
        if bank_kw < inverters * 0.8:
            yield (
                f"storage: the banks {word} at most {_shown(bank_kw)} kW, the inverters move "
                f"{_shown(inverters)} kW on the DC side; part of the inverters' rating cannot be used from "
                "storage. Add units or smaller inverters."
            )
        elif bank_kw > inverters * 2 and inverters:
            yield (
                f"storage: the banks {word} up to {_shown(bank_kw)} kW, the inverters move only "
                f"{_shown(inverters)} kW on the DC side; the storage's power cannot be used. Check the "
                "ratings."
            )


def _standby(scenario: Any) -> Iterator[str]:
    """Standby a year."""
    standby = standby_kw(scenario.site.inverter, scenario.storage)
    if standby:
        yield (
            f"standby of inverters and storage is {_shown(standby * 1000)} W, {_shown(standby * HOURS_A_YEAR)} "
            "kWh a year; switch units off in idle hours where they allow it."
        )
    elif scenario.site.inverter:
        yield (
            "standby of inverters and storage is 0 W, which real units do not have; give standby_w from the "
            "data sheets (three inverters at 20 W are 526 kWh a year)."
        )


def _self_discharge(scenario: Any) -> Iterator[str]:
    """Self-discharge of capacitors, high or forgotten."""
    for index, bank in enumerate(scenario.storage):
        rate, place = bank.self_discharge_per_day, f"storage.{index}.self_discharge_per_day ({bank.name})"
        if bank.kind == "capacitor_bank" and rate == 0:
            yield f"{place} is 0; capacitors leak a measurable share a day. Give the data sheet's figure."
        if rate > 0.02:
            yield (
                f"{place} is {rate:.1%}, up to {_shown(rate * bank.capacity_kwh)} kWh a day and "
                f"{_shown(rate * bank.capacity_kwh * 365)} kWh a year when kept full; check the figure, and "
                "that no reserve is kept for nothing."
            )


def _life(scenario: Any) -> Iterator[str]:
    """Which end of life comes first: cycles or years."""
    for index, bank in enumerate(scenario.storage):
        if bank.life is None:
            continue
        place, life = f"storage.{index}.life ({bank.name})", bank.life
        a_day = life.cycle_life / (life.calendar_life_years * 365)
        most_a_day = 24 / (bank.capacity_kwh * (1 / bank.charge_limit_kw + 1 / bank.discharge_limit_kw))
        if a_day > most_a_day:
            years = life.cycle_life / (most_a_day * 365)
            yield (
                f"{place}: {_shown(life.cycle_life)} cycles last {_shown(years)} years even at "
                f"{_shown(most_a_day)} full cycles a day, the most its power allows; the calendar life of "
                f"{_shown(life.calendar_life_years)} years counts for more. Appraise it on years, not on "
                "cycles."
            )
        elif a_day < 1:
            yield (
                f"{place}: {_shown(life.cycle_life)} cycles over {_shown(life.calendar_life_years)} years "
                f"are {_shown(a_day)} a day; a schedule with one cycle a day wears it out in "
                f"{_shown(life.cycle_life / 365)} years. Set wear_per_kwh."
            )


def _sellers(scenario: Any) -> Iterator[str]:
    """Services that a site of this standing or size may not sell."""
    for index, product in enumerate(scenario.service):
        place = f"service.{index} ({product.name})"
        if product.sellers and product.sold_as not in product.sellers:
            may = " and ".join(product.sellers)
            yield (
                f"{place} may be sold by {may} units only, this site sells it as {product.sold_as}: its income is not "
                f'to be had. Take it out, or set sold_as = "{product.sellers[0]}" if that is what the site is.'
            )
        least, most = product.least_registered_kw, most_kw(scenario.site, product)
        alone = product.bid_by == "site" or product.sold_as == "scheduled"
        if least is not None and alone and most < least:
            yield (
                f"{place} needs {_shown(least)} kW registered, this site by itself can turn round {_shown(most)} kW; "
                'join an aggregation (sold_as = "aggregated", bid_by = "aggregator") or take it out.'
            )


def _crossing(scenario: Any) -> Iterator[str]:
    """Calls through both registers, in steps where that earns instead of costing."""
    data = scenario.data
    called = [
        p.name for p in scenario.service if max(p.moved) * p.crossing_share and p.delivered_energy == "meter"
    ]
    if not called:
        return
    share = float((scenario.tariff.export_price(data) > scenario.tariff.import_price(data)).mean())
    if share > 0:
        yield (
            f"expected calls of {', '.join(called)} run through both registers, and in {share:.1%} of the steps export "
            "pays more than import costs, so that this earns money there. Set crossing_share = 0 to be safe."
        )


def _tariffs(scenario: Any) -> Iterator[tuple[str, Any]]:
    for key in ("tariff", "before_tariff"):
        contract = getattr(scenario.file, key)
        if contract is not None:
            yield key, contract


def _demand_intervals(scenario: Any) -> Iterator[str]:
    """Demand metered on a finer clock than the steps."""
    step = scenario.timeline.step_minutes
    for key, contract in _tariffs(scenario):
        for index, component in enumerate(contract.component):
            minutes = getattr(component, "interval_minutes", None)
            if minutes is None:
                continue
            place = f"{key}.component.{index}.interval_minutes"
            if minutes < step:
                yield (
                    f"{place} is {minutes} min, steps are {step} min; the peak of a shorter interval is "
                    f"higher than the step's average, so the charge is understated. Use steps of {minutes} "
                    "min or less."
                )


def _window_edges(scenario: Any) -> Iterator[str]:
    """Clock times of windows that fall inside a step: the step counts by its start."""
    step = scenario.timeline.step_minutes
    for place, window in _windows(scenario):
        for word, minutes in (("from", window.from_), ("to", window.to)):
            if minutes % step:
                clock = f"{minutes // 60:02d}:{minutes % 60:02d}"
                yield (
                    f"{place}.{word} is {clock}, inside a step of {step} min; a step counts by its start, so "
                    f"up to {step - minutes % step} min are billed at the wrong rate. Use shorter steps."
                )


def _windows(scenario: Any) -> Iterator[tuple[str, Any]]:
    """Every window of the file, with its place."""
    for key, contract in _tariffs(scenario):
        yield from ((f"{key}.{place}", window) for place, window in contract.windows())
    for index, bank in enumerate(scenario.storage):
        for number, reserve in enumerate(bank.reserve):
            if reserve.when is not None:
                yield f"storage.{index}.reserve.{number}.when", reserve.when
    for index, product in enumerate(scenario.service):
        if product.when is not None:
            yield f"service.{index}.when", product.when


def _service_dates(scenario: Any) -> Iterator[str]:
    """Products that are never or only partly sold within the timeline."""
    terms, local = scenario.data, scenario.timeline.local()
    first, last = local[0].date(), local[-1].date()
    for index, product in enumerate(scenario.service):
        place = f"service.{index} ({product.name})"
        since, until = _span_of_rules(scenario.service, product)
        if (since is not None and since > last) or (until is not None and until <= first):
            yield (
                f"{place} is valid {_span(since, until)}, outside the timeline of {first} to {last}; it will "
                "never be sold. Correct the dates or remove it."
            )
        elif (since is not None and since > first) or (until is not None and until <= last):
            yield (
                f"{place} is valid {_span(since, until)}, which covers only part of the timeline of {first} "
                f"to {last}; its income is not a full period's. Check the dates."
            )
        elif not product.sold(terms).any():
            yield (
                f"{place} is sold in no step: no block lies wholly within its window. Check `when`, "
                "block_minutes and block_start."
            )


def _span_of_rules(services: Any, product: Any) -> tuple[Any, Any]:
    """Dates of validity, those of the version before and after of the same shipped product included."""
    since, until = product.valid_from, product.valid_until
    versions = [other for other in services if product.product and other.product == product.product]
    if since is not None and since in [other.valid_until for other in versions]:
        since = min((other.valid_from for other in versions if other.valid_from), default=None)
        since = None if any(other.valid_from is None for other in versions) else since
    if until is not None and until in [other.valid_from for other in versions]:
        until = max((other.valid_until for other in versions if other.valid_until), default=None)
        until = None if any(other.valid_until is None for other in versions) else until
    return since, until


def _component_dates(scenario: Any) -> Iterator[str]:
    """Components of a tariff that the timeline never meets, and reads of the meter outside it."""
    local = scenario.timeline.local()
    first, last = local[0].date(), local[-1].date()
    for key, contract in _tariffs(scenario):
        for index, component in enumerate(contract.component):
            since, until = component.valid_from, component.valid_until
            if (since is not None and since > last) or (until is not None and until <= first):
                yield (
                    f"{key}.component.{index} ({component.name or component.kind}) holds {_span(since, until)}, "
                    f"outside the timeline of {first} to {last}; it is never charged. Check the dates."
                )
        reads = contract.billing.read_dates
        if reads and not any(first <= read <= last for read in reads):
            yield (
                f"{key}.billing.read_dates lie outside the timeline of {first} to {last}; it is one bill. "
                "Check the dates."
            )


def _span(since: Any, until: Any) -> str:
    words = [f"from {since}" if since else "", f"until {until}" if until else ""]
    return " ".join(filter(None, words))


def _price_units(scenario: Any) -> Iterator[str]:
    """Prices per MWh that look as if they were per kWh."""
    data = scenario.data
    for place, reference, unit in _prices(scenario):
        values = np.abs(data.values(reference))
        if 0 < values.max() < 1:
            yield (
                f"{place} has values of at most {_shown(values.max())}, very low for currency per {unit}; "
                "if they are per kWh (or per kW), multiply them by 1000."
            )


def _prices(scenario: Any) -> Iterator[tuple[str, Any, str]]:
    """Every price that is per MW or MWh."""
    for key, contract in _tariffs(scenario):
        for index, component in enumerate(contract.component):
            if hasattr(component, "price_per_mwh"):
                yield f"{key}.component.{index}.price_per_mwh", component.price_per_mwh, "MWh"
    for index, product in enumerate(scenario.service):
        if product.delivered_price_per_mwh is not None:
            yield f"service.{index}.delivered_price_per_mwh", product.delivered_price_per_mwh, "MWh"
        if product.price_unit == "per_mw_year":
            yield f"service.{index}.price", product.price, "MW and year"


def _load_units(scenario: Any) -> Iterator[str]:
    """Loads far beyond the connection look like watts."""
    site, data = scenario.site, scenario.data
    limit = float(data.values(site.connection.import_limit_kw).max())
    loads = itertools.chain(
        ((f"site.load.{index}.power_kw", load.power_kw) for index, load in enumerate(site.load)),
        [] if site.dc_load is None else [("site.dc_load.power_kw", site.dc_load.power_kw)],
    )
    for place, reference in loads:
        peak = float(data.values(reference).max())
        if peak > MUCH_LOAD_KW and limit < MUCH_LOAD_KW:
            yield (
                f"{place} reaches {_shown(peak)} kW at a connection of {_shown(limit)} kW; if it is in W, "
                "divide it by 1000."
            )


def _load_without_system(scenario: Any) -> Iterator[str]:
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
            f"by up to {_shown(float(excess.max()))} kW ({scenario.timeline.when(step)}); "
            "the bill before is reckoned as if the connection carried it. Check the limit, or the load."
        )


def _sun_units(scenario: Any) -> Iterator[str]:
    """Sun per kWp beyond what an array can bring, or none."""
    site, data = scenario.site, scenario.data
    for word in ("ac_solar", "solar_controller"):
        for index, array in enumerate(getattr(site, word)):
            reference, place = array.available_kw_per_kwp, f"site.{word}.{index}"
            if reference is not None and (peak := float(data.values(reference).max())) > MOST_SUN_KW_PER_KWP:
                yield (
                    f"{place}.available_kw_per_kwp reaches {_shown(peak)} kW per kWp, above "
                    f"{MOST_SUN_KW_PER_KWP:g}; an array rarely passes 1. If it is in W or kW, divide it by "
                    "1000 or use available_kw."
                )
            if not array.available(data).any():
                yield f"{place} ({array.name}) brings nothing in the whole timeline; check its column."
