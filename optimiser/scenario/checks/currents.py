"""Ratings of controllers, breakers and banks against the currents of the bus and of the phases."""

from __future__ import annotations

from collections.abc import Iterator

from optimiser.equipment.binding import Limit, Through
from optimiser.equipment.laws import current_a, power_kw
from optimiser.equipment.limits import CONTROLLER_CURRENT
from optimiser.equipment.storage import bank_on_bus
from optimiser.scenario.checks.words import shown
from optimiser.scenario.file import Scenario

CONTINUOUS_SHARE = 0.8  # of a breaker's rating, a common practice for continuous duty; local code governs


def bus_voltages(scenario: Scenario) -> tuple[float, float]:
    """Lowest and highest voltage of the DC bus, a battery's lowest voltage in use included. [V]"""
    bank = bank_on_bus(scenario.storage)
    if bank is None:
        volts = scenario.site.lowest_bus_voltage(scenario.storage)
        return volts, volts
    lowest, highest = bank.voltages
    return getattr(bank, "lowest_voltage_v", None) or lowest, highest


def controllers(scenario: Scenario) -> Iterator[str]:
    """Output current times bus voltage against what the array can bring."""
    lowest, highest = bus_voltages(scenario)
    controllers = scenario.site.solar_controller
    for current in scenario.site.bus_currents(scenario.data):
        if current.limit.owner != CONTROLLER_CURRENT.owner:
            continue
        index = [controller.name for controller in controllers].index(current.part)
        controller = controllers[index]
        array_kw = controller.size_kwp
        if array_kw is None:
            assert controller.available_kw is not None  # a controller has the one or the other
            array_kw = float(scenario.data.values(controller.available_kw).max())
        least, most = current.most_kw(lowest), current.most_kw(highest)
        if controller.efficiency * array_kw > least * (1 + 1e-9):
            verdict = (
                "even at the highest"
                if controller.efficiency * array_kw > most * (1 + 1e-9)
                else "at the lowest"
            )
            yield (
                f"site.solar_controller.{index} ({controller.name}): {shown(current.amperes)} A carry "
                f"{shown(least)} kW at {shown(lowest)} V and {shown(most)} kW at {shown(highest)} V, "
                f"less than the array's {shown(array_kw)} kW {verdict} bus voltage; expect curtailment, or "
                "spread the array over more controllers."
            )


def breakers(scenario: Scenario) -> Iterator[str]:
    """The DC breaker at the lowest bus voltage against the inverter's rating, and its continuous duty."""
    lowest, _ = bus_voltages(scenario)
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
                f"{place}: its DC breaker of {shown(amperes)} A carries {shown(carried)} kW at "
                f"{shown(lowest)} V, its rating needs {shown(needed)} kW on the DC side; the schedule will "
                "stay below the rating when the bus is low. Fit a larger breaker if cables allow."
            )
        elif needed > CONTINUOUS_SHARE * carried * (1 + 1e-9):
            yield (
                f"{place}: full rating draws {shown(current_a(needed, lowest))} A at {shown(lowest)} V, more "
                f"than {CONTINUOUS_SHARE:.0%} of its DC breaker of {shown(amperes)} A; breakers are "
                f"commonly loaded to {CONTINUOUS_SHARE:.0%} in continuous duty (local code governs). Check "
                "the derating, and give dc_current_limit_a after it."
            )


def bank_currents(scenario: Scenario) -> Iterator[str]:
    """The bank's current limits against all inverters together, at its lowest voltage."""
    bank = bank_on_bus(scenario.storage)
    if bank is None:
        return
    lowest, _ = bus_voltages(scenario)
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
                f"storage.{index} ({bank.name}): its {word} current limit of {shown(amperes)} A in all "
                f"carries {shown(current.most_kw(lowest))} kW at {shown(lowest)} V, the inverters together "
                f"can move {shown(needed)} kW on the DC side ({shown(current_a(needed, lowest))} A); add "
                "units, or expect the inverters to run below their rating."
            )


def pass_through(scenario: Scenario) -> Iterator[str]:
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
            carried = f"{shown(lines[0].amperes)} A pass {shown(passes)} kW a phase"
            peak = max(float((site.load_kw(data, line.phase) - line.before_kw).max()) for line in lines)
            if peak > passes * (1 + 1e-9):
                yield (
                    f"{place}: {carried}, the load behind it peaks at {shown(peak)} kW; without stored energy the "
                    "supply will trip. Move load off it."
                )
            reference = site.connection.import_limit_kw_per_phase
            if reference is None and site.phases == 1:
                reference = site.connection.import_limit_kw
            if reference is not None and (most := float(data.values(reference).max())) > passes * (1 + 1e-9):
                yield (
                    f"{place}: {carried}, less than the phase's import limit of {shown(most)} kW; the inverter "
                    "binds before the connection does."
                )


def ac_breakers(scenario: Scenario) -> Iterator[str]:
    """What the AC supply of an inverter beside the loads carries against its ratings."""
    site, data = scenario.site, scenario.data
    for index, inverter in enumerate(site.inverter):
        lines = [line for phase in site.phase_names for line in site.through(data, phase)]
        own = {line.limit: line for line in lines if line.inverter == inverter.name and not line.in_line}
        rating = max(inverter.output_kw, inverter.input_kw)
        for limit, line in own.items():
            if rating > line.own_kw * (1 + 1e-9):
                yield (
                    f"site.inverter.{index}.{limit.key} ({inverter.name}): {shown(line.amperes)} A carry "
                    f"{shown(line.own_kw)} kW in all for hours, its rating is {shown(rating)} kW; the schedule will "
                    "stay below the rating. Fit a larger breaker if cables allow."
                )
