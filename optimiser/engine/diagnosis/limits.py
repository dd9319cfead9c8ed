"""The limits that a person can move, with every row and bound that each puts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimiser.columns import of_ac_solar, of_bank, of_inverter
from optimiser.engine.tiling import Problem
from optimiser.equipment.binding import Current, Limit, Through
from optimiser.equipment.giving_way import least_given_kw
from optimiser.equipment.limits import (
    CAPACITY,
    CHARGE,
    CONTROLLER_CURRENT,
    DISCHARGE,
    END,
    INPUT,
    OUTPUT,
    PEAK,
    RESERVE,
    UNCOMMANDED,
    WARRANTY,
    placed,
)
from optimiser.equipment.voltage import current_rows
from optimiser.scenario.file import Scenario

TOLERANCE = 1e-6
WARRANTED = "warranted_kwh"


@dataclass(frozen=True)
class Hold:
    """A rule or a column bound that one limit puts: on which side, and in which steps (None: all)."""

    place: str
    upper: bool
    is_column: bool = True
    steps: np.ndarray | None = None


@dataclass(frozen=True)
class MovableLimit:
    """A limit that a person can move, with every row and bound that it puts.

    Attributes
    ----------
    limit : Limit
        Its entry in the catalogue.
    rule : str
        Its name in a sentence.
    unit : str
        In which it is moved.
    field : str
        Where it stands in the scenario file.
    holds : tuple of Hold
    value : callable
        From a step to the limit there, in its unit; None where it has no single value.
    figure_per_unit : float or None
        By how much its figure in the file grows a unit, where that is another: amperes a kW. [A/kW]
    """

    limit: Limit
    rule: str
    unit: str
    field: str
    holds: tuple[Hold, ...]
    value: Callable[[int], float] | None = None
    figure_per_unit: float | None = None

    @property
    def rank(self) -> int:
        """Which of several limits is named first: the lowest."""
        return self.limit.rank

    @property
    def kind(self) -> str:
        """How it is told."""
        return self.limit.kind


def limits_of(scenario: Scenario, problem: Problem) -> list[MovableLimit]:
    """Every limit of a scenario that a person can move and that has a place in `problem`."""
    made = [*_net_limits(scenario), *_inverter_limits(scenario), *_controller_limits(scenario)]
    made += [*_solar_limits(scenario), *_bank_limits(scenario, problem)]
    rows = {family.name for family in problem.rows}
    kept = []
    for limit in made:
        holds = tuple(h for h in limit.holds if h.place in (problem.columns if h.is_column else rows))
        if holds:
            kept.append(replace(limit, holds=holds))
    return kept


def _net_limits(scenario: Scenario) -> Iterator[MovableLimit]:
    """Limits of the connection; of those that hold on every phase, all are moved at once."""
    sides: dict[Limit, tuple[list[Hold], np.ndarray]] = {}
    for net in scenario.site.net_limits(scenario.data):
        for limit, out, most in net.sides:
            holds, _ = sides.setdefault(limit, ([], most))
            lower = out and net.rules[0] == net.rules[1]
            holds.append(Hold(net.rules[out], not lower, is_column=False))
            if net.registers:
                holds.append(Hold(f"{net.registers}.{'export' if out else 'import'}_kw", True))
    for limit, (holds, most) in sides.items():
        field = f"{limit.owner}.{limit.key}"
        yield MovableLimit(limit, limit.rule, "kW", field, tuple(holds), of_series(most))


def _inverter_limits(scenario: Scenario) -> Iterator[MovableLimit]:
    site, data = scenario.site, scenario.data
    through = [line for phase in site.phase_names for line in site.through(data, phase)]
    for place, inverter in placed("site.inverter", site.inverter):
        for limit, word in ((OUTPUT, "output_kw"), (INPUT, "input_kw")):
            hold, rating = Hold(of_inverter(inverter.name, word), True), getattr(inverter, limit.key)
            yield _movable(limit, inverter, place, "kW", (hold,), _always(rating))
        for current in inverter.bus_currents():
            yield _of_current(current, place)
        own: dict[Limit, list[Through]] = {}
        for line in (line for line in through if line.inverter == inverter.name):
            own.setdefault(line.limit, []).append(line)
        for limit, lines in own.items():
            holds = [Hold(line.rule, upper, is_column=False) for line in lines for upper in (True, False)]
            movable = _movable(limit, inverter, place, "kW", tuple(holds), _always(lines[0].limit_kw))
            yield replace(movable, figure_per_unit=getattr(inverter, limit.key) / lines[0].limit_kw)


def _controller_limits(scenario: Scenario) -> Iterator[MovableLimit]:
    places = {
        part.name: place for place, part in placed(CONTROLLER_CURRENT.owner, scenario.site.solar_controller)
    }
    for current in scenario.site.bus_currents(scenario.data):
        if current.limit.owner == CONTROLLER_CURRENT.owner:
            yield _of_current(current, places[current.part])


def _solar_limits(scenario: Scenario) -> Iterator[MovableLimit]:
    """What existing solar gives at the least because nobody commands it."""
    least = least_given_kw(scenario.site, scenario.data)
    for place, system in placed(UNCOMMANDED.owner, scenario.site.ac_solar):
        if system.name in least:
            hold = Hold(of_ac_solar(system.name, "solar_kw"), False)
            yield _movable(UNCOMMANDED, system, place, "kW", (hold,), of_series(least[system.name]))


def _bank_limits(scenario: Scenario, problem: Problem) -> Iterator[MovableLimit]:
    timeline, site, banks = scenario.timeline, scenario.site, scenario.storage
    peak = site.peak(scenario.data, banks)
    floors = site.floor_kwh(scenario.data, banks)
    for (place, bank), least in zip(placed("storage", banks), floors, strict=True):
        stored = of_bank(bank.name, "stored_kwh")
        size = _always(bank.capacity_kwh)
        yield _movable(CAPACITY, bank, place, "kWh", (Hold(stored, True),), size)
        floor, last = bank.reserve_kwh(timeline), timeline.steps - 1
        end_kwh = min(bank.end_kwh, bank.capacity_kwh)
        has_end = end_kwh > least[last] + TOLERANCE
        if has_end:
            hold = Hold(stored, False, steps=np.arange(timeline.steps) == last)
            yield _movable(END, bank, place, "kWh", (hold,), _always(end_kwh))
        kept = (floor > 0) & (floor >= least)
        kept[last] &= not has_end
        if kept.any():
            hold = Hold(stored, False, steps=kept)
            yield _movable(RESERVE, bank, place, "kWh", (hold,), of_series(floor))
        for_peaks = least > floor
        for_peaks[last] &= not has_end
        if peak is not None and for_peaks.any():
            largest = max(placed("site.dc_load", site.dc_load), key=lambda found: found[1].peak_a or 0.0)
            hold = Hold(stored, False, steps=for_peaks)
            yield _movable(PEAK, largest[1], largest[0], "kWh", (hold,), of_series(least))
        for limit, word, out, pieces, most in (
            (CHARGE, "charge", False, bank.charge_pieces(), bank.charge_limit_kw),
            (DISCHARGE, "discharge", True, bank.discharge_pieces(), bank.discharge_limit_kw),
        ):
            name = of_bank(bank.name, word)
            holds = (Hold(f"{name}_kw", True), Hold(f"{name}_piece_{len(pieces)}_kw", True))
            yield _movable(limit, bank, place, "kW", holds, _always(most))
            if (current := bank.current(out=out)) is not None:
                yield _of_current(current, place)
        month = of_bank(bank.name, WARRANTED)
        if month in problem.columns:
            groups = problem.timeline.groups(problem.columns[month].per)
            value = of_series(problem.columns[month].upper[groups.of_step])
            yield _movable(WARRANTY, bank, place, "kWh", (Hold(month, True),), value)


def _movable(
    limit: Limit, part: Any, place: str, unit: str, holds: tuple[Hold, ...], value: Callable[[int], float]
) -> MovableLimit:
    rule = limit.rule.format(name=part.name)
    return MovableLimit(limit, rule, unit, f"{place}.{limit.key}", holds, value)


def _of_current(current: Current, place: str) -> MovableLimit:
    holds = tuple(Hold(name, True, is_column=False) for name in current_rows(current.rule))
    return MovableLimit(current.limit, current.rule, "kW", f"{place}.{current.limit.key}", holds)


def of_series(series: np.ndarray) -> Callable[[int], float]:
    """A series as a function of the step."""
    return lambda step: float(series[step])


def _always(number: float) -> Callable[[int], float]:
    return lambda step: number
