"""The limits that a person can move, with every row and bound that each puts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from optimiser.engine.tiling import Problem
from optimiser.terms.books import SettledTerms

TOLERANCE = 1e-6
WARRANTED = ".warranted_kwh"


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
    rule : str
        Its name in a sentence.
    rank : int
        Which of several limits is named first: the lowest. A wish (reserve, end state) comes before what the
        network allows, and that before ratings of equipment.
    unit : str
    field : str
        Where it stands in the scenario file.
    holds : tuple of Hold
    value : callable
        From a step to the limit there, in its unit; None where it has no single value.
    kind : str
        How it is told: the "most" of something, energy to be "stored", "wear" that a month may see, or what is "given"
        whether wanted or not.
    """

    rule: str
    rank: int
    unit: str
    field: str
    holds: tuple[Hold, ...]
    value: Callable[[int], float] | None = None
    kind: Literal["most", "stored", "wear", "given"] = "most"


def limits_of(scenario: Any, problem: Problem) -> list[MovableLimit]:
    """Every limit of a scenario that a person can move and that has a place in `problem`."""
    made = [*_connection_limits(scenario), *_solar_limits(scenario), *_inverter_limits(scenario)]
    made += [*_bank_limits(scenario), *_warranties(scenario, problem)]
    rows = {family.name for family in problem.rows}
    kept = []
    for limit in made:
        holds = tuple(h for h in limit.holds if h.place in (problem.columns if h.is_column else rows))
        if holds:
            kept.append(replace(limit, holds=holds))
    return kept


def _connection_limits(scenario: Any) -> Iterator[MovableLimit]:
    site, terms = scenario.site, numbers_of(scenario)
    connection, phases = site.connection, site.phase_names

    for word, whole, own in (
        ("import", connection.import_limit_kw, connection.import_limit_kw_per_phase),
        ("export", connection.export_limit_kw, connection.export_limit_kw_per_phase),
    ):
        field, taken = f"site.connection.{word}_limit_kw", word == "import"
        holds = (
            Hold(f"meter.{word}_kw", True),
            Hold(f"{word} limit of the connection", True, is_column=False),
        )
        yield MovableLimit(
            f"{word} limit of the connection", 1, "kW", field, holds, of_series(terms.values(whole))
        )
        if own is not None:
            own_holds = [Hold(f"limits of phase {phase}", taken, is_column=False) for phase in phases]
            own_holds += [Hold(f"meter.{phase}.{word}_kw", True) for phase in phases]
            name = f"{word} limit of phase {{phase}}"
            yield MovableLimit(
                name, 1, "kW", f"{field}_per_phase", tuple(own_holds), of_series(terms.values(own))
            )
    pairs = [(one, other) for index, one in enumerate(phases) for other in phases[index + 1 :]]
    both = [
        Hold(f"imbalance of phases {one} and {other}", upper, is_column=False)
        for one, other in pairs
        for upper in (True, False)
    ]
    if connection.imbalance_limit_kw is not None:
        field, most = "site.connection.imbalance_limit_kw", connection.imbalance_limit_kw
        yield MovableLimit("imbalance limit between phases", 1, "kW", field, tuple(both), lambda step: most)


def _solar_limits(scenario: Any) -> Iterator[MovableLimit]:
    """What existing solar gives at the least because nobody commands it."""
    least = scenario.site.least_given_kw(numbers_of(scenario))
    for index, system in enumerate(scenario.site.ac_solar):
        if system.name in least:
            hold = Hold(f"ac_solar.{system.name}.solar_kw", False)
            rule, field = f"output of {system.name}", f"site.ac_solar.{index}.commandable"
            yield MovableLimit(rule, 3, "kW", field, (hold,), of_series(least[system.name]), "given")


def _warranties(scenario: Any, problem: Problem) -> Iterator[MovableLimit]:
    """What a month may see discharged where a warranty is kept."""
    for index, bank in enumerate(scenario.storage):
        place = f"storage.{bank.name}{WARRANTED}"
        if place in problem.columns:
            groups, most = problem.timeline.groups(problem.columns[place].per), problem.columns[place].upper
            rule, field = f"warranty of {bank.name}", f"storage.{index}.life.keep_warranty"
            yield MovableLimit(
                rule, 0, "kWh", field, (Hold(place, True),), of_series(most[groups.of_step]), "wear"
            )


def _inverter_limits(scenario: Any) -> Iterator[MovableLimit]:
    site = scenario.site
    for index, inverter in enumerate(site.inverter):
        name, place = inverter.name, f"site.inverter.{index}"
        holds = tuple(
            Hold(f"pass-through current of inverter {name} on {phase}", upper, is_column=False)
            for phase in site.phase_names
            for upper in (True, False)
        )
        through = site.pass_through_kw(inverter)
        yield MovableLimit(
            f"pass-through current of inverter {name}",
            2,
            "kW",
            f"{place}.pass_through_limit_a",
            holds,
            _always(through),
        )
        for word, rule in (("output_kw", "output rating"), ("input_kw", "input rating")):
            hold = Hold(f"inverter.{name}.{word}", True)
            rating = getattr(inverter, word)
            yield MovableLimit(
                f"{rule} of inverter {name}", 4, "kW", f"{place}.{word}", (hold,), _always(rating)
            )
        for way in ("out", "in"):
            rule = f"DC current of inverter {name}, {way}"
            yield MovableLimit(rule, 3, "kW", f"{place}.dc_current_limit_a", _current_holds(rule))
    for index, controller in enumerate(site.solar_controller):
        rule = f"current of controller {controller.name}"
        yield MovableLimit(
            rule, 3, "kW", f"site.solar_controller.{index}.current_limit_a", _current_holds(rule)
        )


def _bank_limits(scenario: Any) -> Iterator[MovableLimit]:
    timeline = scenario.timeline
    for index, bank in enumerate(scenario.storage):
        place, stored = f"storage.{index}", f"storage.{bank.name}.stored_kwh"
        floor, last = bank.floor_kwh(timeline), timeline.steps - 1
        end_kwh = min(bank.end_kwh, bank.capacity_kwh)
        has_end = end_kwh > floor[last] + TOLERANCE
        if has_end:
            hold = Hold(stored, False, steps=np.arange(timeline.steps) == last)
            yield MovableLimit(
                f"end state of {bank.name}",
                0,
                "kWh",
                f"{place}.end_fraction",
                (hold,),
                _always(end_kwh),
                "stored",
            )
        kept = floor > 0
        kept[last] &= not has_end
        if kept.any():
            hold = Hold(stored, False, steps=kept)
            yield MovableLimit(
                f"reserve of {bank.name}", 0, "kWh", f"{place}.reserve", (hold,), of_series(floor), "stored"
            )
        for word in ("charge", "discharge"):
            whole = f"storage.{bank.name}.{word}_kw"
            pieces = len(bank.charge_pieces() if word == "charge" else bank.discharge_pieces())
            holds = (Hold(whole, True), Hold(f"storage.{bank.name}.{word}_piece_{pieces}_kw", True))
            most = bank.charge_limit_kw if word == "charge" else bank.discharge_limit_kw
            yield MovableLimit(
                f"{word} power of {bank.name}", 5, "kW", f"{place}.{word}_kw", holds, _always(most)
            )
            rule = f"{word} current of {bank.name}"
            yield MovableLimit(rule, 3, "kW", f"{place}.{word}_current_a", _current_holds(rule))
        size = _always(bank.capacity_kwh)
        yield MovableLimit(
            f"capacity of {bank.name}", 6, "kWh", f"{place}.units", (Hold(stored, True),), size
        )


def of_series(series: np.ndarray) -> Callable[[int], float]:
    """A series as a function of the step."""
    return lambda step: float(series[step])


def _always(number: float) -> Callable[[int], float]:
    return lambda step: number


def _current_holds(rule: str) -> tuple[Hold, ...]:
    """Rows of a current limit: one where the voltage is constant, else lines at both edges of the step."""
    lines = ["", *(f", line {index}" for index in range(2, 21))]
    edges = ["", " at start of step", " at end of step"]
    return tuple(Hold(f"{rule}{edge}{line}", True, is_column=False) for edge in edges for line in lines)


def numbers_of(scenario: Any) -> SettledTerms:
    """The data of a scenario as numbers."""
    return SettledTerms(scenario.timeline, scenario.read, {})
