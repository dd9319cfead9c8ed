"""Whether each step can be supplied at all, whatever is stored: the quick check before any program is solved."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations

import numpy as np

from optimiser.engine.diagnosis.limits import TOLERANCE, limits_of
from optimiser.engine.diagnosis.search import MOST_COLUMNS_WHOLE, explained, told
from optimiser.engine.diagnosis.window import DiagnosisWindow, bare_problem
from optimiser.equipment.storage import bank_on_bus
from optimiser.scenario.file import Scenario
from optimiser.terms.data import InputData

CONTROLLERS = "site.solar_controller"


def check_supply(scenario: Scenario) -> None:
    """Compare, in every step by itself, what must be served with the most that could serve it.

    Only conclusions that are certain: banks are taken as full at their highest voltage, and all sun is used.

    Raises
    ------
    InfeasibleError
        If there is a step that no state of storage could serve (the worst is told, and how many there are),
        or if the banks run short of what they must hold however much is stored before.
    """
    missing = {name: excess for name, excess in _excesses(scenario) if excess.max(initial=0.0) > TOLERANCE}
    if not missing:
        if _runs_short(scenario):
            raise explained(scenario)
        return
    step = int(np.argmax(max(missing.values(), key=lambda excess: float(excess.max()))))
    problem = bare_problem(scenario)
    limits = limits_of(scenario, problem)
    count = int((np.max(list(missing.values()), axis=0) > TOLERANCE).sum())
    also = f"{count} steps cannot be served; this one lacks the most." if count > 1 else ""
    if (
        len(problem.lower) <= MOST_COLUMNS_WHOLE
        and not DiagnosisWindow(problem, [], 0, scenario.timeline.steps, None).possible()
    ):
        raise told(scenario, problem, limits, 0, scenario.timeline.steps, None, also)
    if DiagnosisWindow(problem, [], step, step + 1, None).possible():
        return
    raise told(scenario, problem, limits, step, step + 1, None, also)


def _excesses(scenario: Scenario) -> Iterator[tuple[str, np.ndarray]]:
    """How far what must be imported exceeds what may be, at the least, by rule. [kW]"""
    site, data = scenario.site, scenario.data
    bus_kw, outputs, inputs = (
        _bus_kw(scenario, data),
        _dc_limited(scenario, "out"),
        _dc_limited(scenario, "in"),
    )
    best_out = max((i.output_efficiency for i in site.inverter), default=1.0)
    best_in = max((i.input_efficiency for i in site.inverter), default=1.0)
    input_dc = sum(inputs[i.name] * i.input_efficiency for i in site.inverter)
    yield "DC bus", -bus_kw - input_dc
    lowest, highest = {}, {}
    phase_most, _ = site.phase_limits_kw(data)
    for phase in site.phase_names:
        load = site.load_kw(data, phase)
        solar = sum((site.share(s, phase) * s.available(data) for s in site.ac_solar), np.zeros(len(load)))
        output = sum(site.share(i, phase) * outputs[i.name] for i in site.inverter)
        helped = np.minimum(output, best_out * np.maximum(bus_kw + input_dc, 0))
        lowest[phase] = load - solar - helped
        into = sum(site.share(i, phase) * inputs[i.name] for i in site.inverter)
        highest[phase] = np.minimum(load + into, phase_most[phase])
    load_less_sun = sum(site.load_kw(data, phase) for phase in site.phase_names)
    load_less_sun = load_less_sun - sum((s.available(data) for s in site.ac_solar), np.zeros(len(bus_kw)))
    given = np.minimum(sum(outputs.values()), best_out * np.maximum(bus_kw, 0))
    taken = np.maximum(-bus_kw, 0) / best_in
    yield "import limit", load_less_sun - given + taken - data.values(site.connection.import_limit_kw)
    for phase in site.phase_names:
        for line in (line for line in site.through(data, phase) if line.in_line):
            yield line.rule, lowest[phase] - line.highest_net_kw
    for limit in site.net_limits(data):
        if limit.phase:
            yield limit.words, lowest[limit.phase] - limit.most_in_kw
        elif limit.of_pair:
            for one, other in permutations(limit.weights):
                yield f"imbalance {one} {other}", lowest[one] - highest[other] - limit.most_in_kw


def _runs_short(scenario: Scenario) -> bool:
    """Whether all banks together fall below what they must hold, with every loss taken at its least."""
    banks, data = scenario.storage, scenario.data
    if not banks:
        return False
    hours, timeline = data.step_hours, scenario.timeline
    floor = sum(scenario.site.floor_kwh(data, banks), np.zeros(timeline.steps))
    floor[-1] = max(floor[-1], sum(min(bank.end_kwh, bank.capacity_kwh) for bank in banks))
    kept = max(bank.kept(hours) for bank in banks)
    into = max(bank.best_efficiency[0] for bank in banks)
    out_of = max(bank.best_efficiency[1] for bank in banks)
    most_in = sum(bank.charge_limit_kw for bank in banks)
    net = (
        _bus_kw(scenario, data)
        - sum(bank.discharge_limit_kw for bank in banks)
        + _grid_to_bus_kw(scenario, data)
    )
    change = hours * np.where(net > 0, np.minimum(net, most_in) * into, net / out_of)
    stored, capacity = sum(bank.start_kwh for bank in banks), sum(bank.capacity_kwh for bank in banks)
    for rise, least in zip(change.tolist(), floor.tolist(), strict=True):
        stored = min(capacity, kept * stored + rise)
        if stored < least - TOLERANCE:
            return True
    return False


def _grid_to_bus_kw(scenario: Scenario, data: InputData) -> np.ndarray:
    """The most that inverters can bring to the bus, less what loads beyond the import limits take. [kW]"""
    site = scenario.site
    best_out = max((i.output_efficiency for i in site.inverter), default=1.0)
    best_in = max((i.input_efficiency for i in site.inverter), default=1.0)
    inputs = _dc_limited(scenario, "in")

    def brought(room_kw: np.ndarray, most_kw: float) -> np.ndarray:
        made: np.ndarray = best_in * np.clip(room_kw, 0, most_kw) - np.maximum(-room_kw, 0) / best_out
        return made

    whole, by_phase = data.values(site.connection.import_limit_kw).copy(), np.zeros(scenario.timeline.steps)
    phase_most, _ = site.phase_limits_kw(data)
    for phase in site.phase_names:
        room = -site.load_kw(data, phase)
        room = room + sum(site.share(s, phase) * s.available(data) for s in site.ac_solar)
        whole = whole + room
        into = sum(site.share(i, phase) * inputs[i.name] for i in site.inverter)
        by_phase = by_phase + brought(phase_most[phase] + room, into)
    made: np.ndarray = np.minimum(brought(whole, sum(inputs.values())), by_phase)
    return made


def _bus_kw(scenario: Scenario, data: InputData) -> np.ndarray:
    """The most that sun and banks can bring to the bus, less its own load and standby. [kW]"""
    site = scenario.site
    volts, currents = _highest_voltage(scenario), site.bus_currents(data)
    power = np.zeros(scenario.timeline.steps)
    for controller in site.solar_controller:
        own = [
            c.most_kw(volts) for c in currents if (c.limit.owner, c.part) == (CONTROLLERS, controller.name)
        ]
        power = power + np.minimum(controller.available(data), min(own, default=np.inf))
    for load in site.dc_load:
        if load.regenerated_kw is not None:
            power = power + data.values(load.regenerated_kw)
    for bank in scenario.storage:
        power = power + bank.discharge_limit_kw
    made: np.ndarray = power - site.dc_needs_kw(data, scenario.storage)
    return made


def _dc_limited(scenario: Scenario, way: str) -> dict[str, float]:
    """Each inverter's AC power one way, within its current limits, DC at the highest voltage. [kW]"""
    made = {}
    for inverter in scenario.site.inverter:
        most_out, most_in = scenario.site.ac_most_kw(scenario.data, inverter)
        rating, efficiency = most_in, 1 / inverter.input_efficiency
        if way == "out":
            rating, efficiency = most_out, inverter.output_efficiency
        volts = _highest_voltage(scenario)
        own = [c.most_kw(volts) * efficiency for c in inverter.bus_currents() if c.out == (way == "out")]
        made[inverter.name] = min([rating, *own])
    return made


def _highest_voltage(scenario: Scenario) -> float:
    bank = bank_on_bus(scenario.storage)
    return scenario.site.lowest_bus_voltage(scenario.storage) if bank is None else bank.voltages[1]
