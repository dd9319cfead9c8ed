"""What moving loads that can wait is worth: the site with their time free, against each as it ran before."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.columns import of_flexible
from optimiser.control.own_use import OwnUse
from optimiser.dispatch import OPTIMAL, Dispatch, Progress, solve
from optimiser.equipment.flexible import AnyFlexible
from optimiser.equipment.load import DcLoad, Load
from optimiser.equipment.session_load import SessionLoad
from optimiser.errors import InfeasibleError, UnprovenError
from optimiser.plant.executed import settled_walk
from optimiser.plant.walk import Plant
from optimiser.scenario.file import Scenario
from optimiser.studies.without_foresight import WithoutForesight, driven, paid_for
from optimiser.study import Figures, Study

MOST_SECONDS = 60.0  # of each further search for a ceiling
ALL = "all together"


class FlexibleFigures(Figures):
    """What the timing of flexible loads earns over the run [currency], and what was missed of them [kWh].

    None where such a run could not be made; `open_gap` is how far ceilings that are not proven may be apart.
    """

    timing_ceiling: float | None
    timing_own_use: float | None
    open_gap: float
    missed_kwh: float


class FlexibleHeadlineFigures(Figures):
    """What the timing of flexible loads earns under the policy that the payback rests on, over the run. [currency]"""

    policy: str
    timing: float


def held_as_before(scenario: Scenario, names: Collection[str]) -> Scenario:
    """The same scenario with some flexible loads as loads that run as they did before."""
    site, columns = scenario.site, dict(scenario.columns)
    loads, on_bus = list(site.load), list(site.dc_load)
    for load in (load for load in site.flexible_load if load.name in names):
        reference = of_flexible(load.name, "before_kw")
        columns[reference] = load.before_kw(scenario.data)
        if load.phase == "bus":
            columns[reference], held = _held_on_bus(scenario, load, reference)
            on_bus.append(held)
        else:
            loads.append(Load(phase=load.phase, power_kw=reference))
    left = tuple(load for load in site.flexible_load if load.name not in names)
    changed = site.model_copy(update={"load": tuple(loads), "dc_load": tuple(on_bus), "flexible_load": left})
    file = scenario.file.model_copy(update={"site": changed})
    return dataclasses.replace(scenario, file=file, columns=columns)


def _held_on_bus(scenario: Scenario, load: AnyFlexible, reference: str) -> tuple[np.ndarray, DcLoad]:
    """Sessions on the DC bus at the hours of the case before, as a load there: its power and the load."""
    need, before = load.need(scenario.data), load.need_before(scenario.data)
    kw: np.ndarray = load.run_before(scenario.data)[0] * before.gain / need.gain
    ratio = float(before.gain[0] / need.gain[0])
    fed: dict[str, Any] = {"before": "new"}
    if load.phase_before is not None:
        fed = {"before": "charger", "before_efficiency": ratio, "before_phase": load.phase_before}
    # Not checked: where the charger before lost less than the one on the bus, the ratio is above 1.
    return kw, DcLoad.model_construct(name=load.name, power_kw=reference, **fed)


def study(
    statement: Statement, say: Progress, without_foresight: WithoutForesight | None = None
) -> Study | None:
    """Each flexible load with what it took, what of it was missed and what its timing is worth; None without any.

    Parameters
    ----------
    statement : Statement
        Of the ceiling.
    say : callable
        Told what is being done.
    without_foresight : WithoutForesight, optional
        Where it was made, what loads took is that of its headline.
    """
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    loads = scenario.site.flexible_load
    if not loads:
        return None
    names = [load.name for load in loads]
    groups = {ALL: names} | ({name: [name] for name in names} if len(names) > 1 else {})
    worth: dict[str, float | None] = {}
    open_gap = max(0.0, dispatch.proof.gap_absolute if dispatch.proof.verdict != OPTIMAL else 0.0)
    for group, held in groups.items():
        say(f"flexible loads as before: {group}")
        try:
            best = solve(held_as_before(scenario, held).searched(time_limit_s=MOST_SECONDS))
        except (InfeasibleError, UnprovenError):
            worth[group] = None
            continue
        worth[group] = statement.saving - settle(best).saving
        if best.proof.verdict != OPTIMAL:
            open_gap = max(open_gap, best.proof.gap_absolute)
    paid = paid_for(statement, without_foresight).dispatch
    rows = [_row(load, paid, worth.get(load.name, worth[ALL])) for load in loads]
    figures = FlexibleFigures(
        timing_ceiling=worth[ALL],
        timing_own_use=_own_use(dispatch, names),
        open_gap=open_gap,
        missed_kwh=float(sum(row["missed_kwh"] for row in rows)),
    )
    return Study(figures.model_dump(), {"loads": pd.DataFrame(rows)})


def headline(
    statement: Statement, say: Progress, without_foresight: WithoutForesight | None = None
) -> Study | None:
    """What the timing earns under the headline's policy: the year planned and carried out again with loads as before.

    Parameters
    ----------
    statement : Statement
        Of the ceiling.
    say : callable
    without_foresight : WithoutForesight, optional
        The run whose headline is compared.
    """
    scenario = statement.dispatch.scenario
    names = [load.name for load in scenario.site.flexible_load]
    if not names or without_foresight is None or without_foresight.headline is None:
        return None
    policy = str(without_foresight.summary["headline"])
    held = held_as_before(scenario, names)
    try:
        made = driven(held, policy, solve(held.searched(time_limit_s=MOST_SECONDS)), say)
    except (InfeasibleError, UnprovenError):
        return None
    timing = without_foresight.headline.saving - made.saving
    return Study(FlexibleHeadlineFigures(policy=policy, timing=timing).model_dump())


def _own_use(dispatch: Dispatch, names: Collection[str]) -> float | None:
    """What loads that steer themselves earn while the battery covers own use, against loads as before. [currency]"""
    savings = []
    for scenario in (dispatch.scenario, held_as_before(dispatch.scenario, names)):
        plant = Plant(scenario)
        try:
            walked = settled_walk(dataclasses.replace(dispatch, scenario=scenario), plant.walk(OwnUse(plant)))
        except InfeasibleError:
            return None
        savings.append(walked.saving)
    return savings[0] - savings[1]


def _row(load: AnyFlexible, dispatch: Dispatch, worth: float | None) -> dict[str, Any]:
    """A load in a schedule: energy, what was missed, what its timing is worth at the ceiling."""
    data, flow = dispatch.scenario.data, dispatch.flows.flexible[load.name]
    need, hours = load.need(data), data.step_hours
    return {
        "name": load.name,
        "kind": load.kind,
        "sessions": len(load.spans(data.timeline)) if isinstance(load, SessionLoad) else None,
        "taken_kwh": hours * float(np.sum(flow.power_kw)),
        "taken_before_kwh": hours * float(load.before_kw(data).sum()),
        "missed_kwh": float(np.sum(_missing(need.low_kwh - flow.stored_kwh))),
        "timing_ceiling": worth,
    }


def _missing(short_kwh: np.ndarray) -> np.ndarray:
    """What is below what has to be stored; what the solver's tolerance leaves is nothing."""
    missing: np.ndarray = np.where(short_kwh > 1e-5, short_kwh, 0.0)
    return missing
