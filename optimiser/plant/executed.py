"""A walk put into the books: every column that the formulation needs, each rule replayed, each line settled."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np

from optimiser.accounts.settlement import Statement, settle
from optimiser.columns import (
    EXPORT,
    IMPORT,
    of_ac_solar,
    of_bank,
    of_flexible,
    of_inverter,
    of_register,
)
from optimiser.dispatch import Dispatch, replay
from optimiser.equipment.giving_way import held_back_kw
from optimiser.errors import InfeasibleError
from optimiser.flows import Activation, MeterFlows
from optimiser.formulation import Formulation, formulate
from optimiser.plant.walk import SHORT, Plant, Walk
from optimiser.scenario.file import Scenario
from optimiser.services import offers as services
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import Numbers
from optimiser.terms.line import Line
from optimiser.timeline import STEP, Grouping


class _Filling(SettledTerms):
    """Books that take a column that is not there as what nothing sold asks of it."""

    def column(self, name: str, *, at_most: Numbers, per: Grouping = STEP, **more: Any) -> np.ndarray:
        """A decision; zero where none was made, all that there is where it says how far a bank can reach."""
        if name not in self.solved:
            self.solved[name] = np.zeros(self.count(per))
        return super().column(name, at_most=at_most, per=per, **more)


def executed(
    scenario: Scenario, walk: Walk, case: int = 0, *, offers: Mapping[str, np.ndarray] | None = None
) -> tuple[dict[str, np.ndarray], Formulation]:
    """The values of a walk as the formulation names them, with its flows and lines.

    Parameters
    ----------
    scenario : Scenario
    walk : Walk
        Of the whole timeline, with all columns kept.
    case : int
    offers : dict of str to array, optional
        Columns of services, as a solved schedule names them (`service.NAME.offer_kw` and what holds their headroom);
        left out: nothing is sold.

    Returns
    -------
    (dict of str to array, Formulation)
        What `dispatch.replay` gives: rules hold within 1e-5, lines are settled.

    Raises
    ------
    InfeasibleError
        If the walk could not keep a limit: how much was missing, and when first.
    DriftError
        If a rule is broken all the same.
    """
    missing = walk.short_kw[:, case]
    if missing.max(initial=0.0) > SHORT:
        step = int(np.argmax(missing > SHORT))
        raise InfeasibleError(
            f"the controller cannot keep every limit: {missing[step]:.3g} kW are missing at "
            f"{scenario.timeline.when(step)}, {missing.max():.3g} kW at the most. Ask for more stored energy to be "
            "kept (reserve), or for a higher limit."
        )
    values = columns(scenario, walk, case)
    values.update(offers or {})
    terms = _Filling(scenario.data, values)
    _fill_reach(scenario, values)
    formulate(scenario, terms)
    stated, _ = replay(scenario, values)
    return values, stated


def settled_walk(dispatch: Dispatch, walk: Walk, case: int = 0) -> Statement:
    """The statement of a walk with nothing sold, beside the same bill before as a solved schedule's.

    Parameters
    ----------
    dispatch : Dispatch
        The site, solved; of its proof and prices of stored energy nothing holds for the walk.
    walk : Walk
        Of its whole timeline, with all columns kept.
    case : int

    Raises
    ------
    InfeasibleError, DriftError
        As `executed` does.
    """
    values, stated = executed(dispatch.scenario, walk, case)
    unknown = {name: np.full_like(worth, np.nan) for name, worth in dispatch.worth_per_kwh.items()}
    return settle(
        dataclasses.replace(
            dispatch,
            values=values,
            lines=tuple(stated.lines),
            flows=stated.flows,
            offers=tuple(stated.offers),
            worth_per_kwh=unknown,
        )
    )


def activated(scenario: Scenario, offers: Mapping[str, np.ndarray]) -> Activation:
    """What offers are expected to move, as `Plant` takes it.

    Parameters
    ----------
    scenario : Scenario
    offers : dict of str to array
        Columns of services, as `executed` takes them.
    """
    terms = _Filling(scenario.data, dict(offers))
    return services.activation(
        scenario.site, bool(scenario.storage), services.offers(terms, scenario.site, scenario.service)
    )


def columns(
    scenario: Scenario, walk: Walk, case: int = 0, first: int = 0, start_kwh: np.ndarray | None = None
) -> dict[str, np.ndarray]:
    """What a walk decided from step `first` on, by the names of the formulation's columns.

    `start_kwh` is what each bank held before; left out: as the scenario starts.
    """
    site, values = scenario.site, {}
    for number, inverter in enumerate(site.inverter):
        net = walk.net_kw[:, case, number]
        values[of_inverter(inverter.name, "output_kw")] = np.maximum(net, 0.0)
        values[of_inverter(inverter.name, "input_kw")] = np.maximum(-net, 0.0)
    for number, source in enumerate(site.bus_sources(scenario.data)):
        values[source] = walk.solar_kw[:, case, number]
    for number, system in enumerate(site.ac_solar):
        values[of_ac_solar(system.name, "solar_kw")] = walk.ac_solar_kw[:, case, number]
    for number, bank in enumerate(scenario.storage):
        values[of_bank(bank.name, "stored_kwh")] = stored = walk.stored_kwh[:, case, number]
        if bank.voltage_moves_losses:
            before = bank.start_kwh if start_kwh is None else float(start_kwh[number])
            values |= bank.open_powers(
                before, stored, walk.charge_kw[:, case, number], walk.discharge_kw[:, case, number]
            )
        for word, pieces, power in (
            ("charge", bank.charge_pieces(), walk.charge_kw[:, case, number]),
            ("discharge", bank.discharge_pieces(), walk.discharge_kw[:, case, number]),
        ):
            values[of_bank(bank.name, f"{word}_kw")] = power
            left = power
            for index, (width, _) in enumerate(
                () if bank.voltage_moves_losses or len(pieces) == 1 else pieces
            ):
                part = np.minimum(left, width)
                values[of_bank(bank.name, f"{word}_piece_{index + 1}_kw")], left = part, left - part
    for number, load in enumerate(site.flexible_load):
        values[of_flexible(load.name, "power_kw")] = walk.flexible_kw[:, case, number]
        values[of_flexible(load.name, "stored_kwh")] = walk.flexible_kwh[:, case, number]
    phases = walk.phase_kw[:, case]
    if site.phases == 1 or site.registers == "netted":
        net = phases.sum(axis=1)
        values[IMPORT], values[EXPORT] = np.maximum(net, 0.0), np.maximum(-net, 0.0)
    else:
        for number, phase in enumerate(site.phase_names):
            values[of_register(phase, "import_kw")] = np.maximum(phases[:, number], 0.0)
            values[of_register(phase, "export_kw")] = np.maximum(-phases[:, number], 0.0)
    return values | _held_back(scenario, walk, case, first)


def _held_back(scenario: Scenario, walk: Walk, case: int, first: int) -> dict[str, np.ndarray]:
    """Columns of solar that nobody commands, which gives way by itself."""
    site, steps, span = scenario.site, scenario.timeline.steps, slice(first, first + len(walk.phase_kw))
    if not any(system.gives_way_alone for system in site.ac_solar):
        return {}

    def placed(numbers: np.ndarray) -> np.ndarray:
        whole = np.zeros(steps)
        whole[span] = numbers
        return whole

    given = {s.name: placed(walk.ac_solar_kw[:, case, number]) for number, s in enumerate(site.ac_solar)}
    nets = {phase: placed(walk.phase_kw[:, case, n]) for n, phase in enumerate(site.phase_names)}
    data = scenario.data
    return {name: numbers[span] for name, numbers in held_back_kw(site, data, given, nets).items()}


def _fill_reach(scenario: Scenario, values: dict[str, np.ndarray]) -> None:
    """How far each bank can go at its voltage, for the rules of services; with nothing sold, nothing is drained."""
    if not scenario.service:
        return
    plant = Plant(scenario)
    for number, bank in enumerate(scenario.storage):
        stored = values[of_bank(bank.name, "stored_kwh")]
        lowest = np.minimum(stored, np.concatenate([[bank.start_kwh], stored[:-1]]))
        volts = plant.stores.voltage(number, lowest)
        for direction, current, limit, gain in (
            ("up", bank.current(out=True), bank.discharge_limit_kw, bank.converter_efficiency),
            ("down", bank.current(out=False), bank.charge_limit_kw, 1 / bank.converter_efficiency),
        ):
            if current is not None:
                reach = np.minimum(limit, gain * current.most_kw(volts))
                values.setdefault(of_bank(bank.name, f"{direction}_reach_kw"), reach)


def settled_lines(scenario: Scenario, walk: Walk, case: int, terms: SettledTerms) -> list[Line]:
    """The lines of the bill of a case, without replaying any rule: quick, for many cases."""
    imported, exported = walk.import_kw[:, case], walk.export_kw[:, case]
    load = sum(
        (scenario.site.load_kw(terms, phase) for phase in scenario.site.phase_names), np.zeros(len(imported))
    )
    return scenario.tariff.lines(MeterFlows(imported, exported, imported, exported, load), terms)
