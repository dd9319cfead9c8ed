"""The study of later years: the year solved again with worn storage, faded modules and a grown load."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Progress, solve
from optimiser.equipment.solar import AcSolar, SolarController
from optimiser.finance.ageing import BankLife, Course, bank_lives
from optimiser.finance.yearly import saving_by_group
from optimiser.scenario.cost import Cost
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.study import Figures, Study

LEAST_SHARE = 0.01  # of a bank's capacity: a program needs a bank that holds something


class LaterYear(Figures):
    """A year solved again: the storage left, and the change of the saving against year 1. [-, currency/year]"""

    year: int
    storage_left: float
    change: dict[str, float]


class LaterYearFigures(Figures):
    """Every year that was solved again, and in which steps."""

    step_minutes: int
    ages: list[LaterYear]


def later_years(statement: Statement, say: Progress) -> Study | None:
    """Solve the year again at several ages; None without costs.

    The change against year 1 is taken between runs of one step length, so that longer steps do not count as wear.

    Returns
    -------
    Study
        `ages`: for each year solved the change of the saving in each group against year 1, at the prices of year 1.
        Table `years` with the same and the capacity left.
    """
    scenario = statement.dispatch.scenario
    cost = scenario.file.cost
    if cost is None:
        return None
    banks = bank_lives(statement, cost)
    course = Course(banks, cost.life.solar_fade_fraction, (1,), {})
    years = _ages(cost, banks)
    step = max(scenario.timeline.step_minutes, cost.life.step_minutes)
    longer = step / scenario.timeline.step_minutes
    seconds = sum(statement.dispatch.seconds.values()) / longer
    worn = [year for year in years if _state(course, cost, year) != _state(course, cost, 1)]
    count = len(worn) + bool(longer > 1 and worn)
    also = ", and year 1 in these steps to compare with" if longer > 1 and worn else ""
    say(f"later years to solve in {step} min steps: {len(worn)}{also}; about {count * seconds:.0f} s")
    coarse = coarser(scenario, step)
    base = settle(solve(coarse)) if longer > 1 and worn else statement
    first = saving_by_group(base)
    known = {_state(course, cost, 1): first}
    ages: list[LaterYear] = []
    for year in years:
        state = _state(course, cost, year)
        if state not in known:
            say(f"solving year {year} again")
            known[state] = saving_by_group(settle(solve(aged(coarse, *state), start=base.dispatch)))
        change = {group: known[state][group] - first[group] for group in first}
        ages.append(LaterYear(year=year, storage_left=course.storage_share(year), change=change))
    figures = LaterYearFigures(step_minutes=step, ages=ages)
    table = pd.DataFrame(
        [
            {
                "year": row.year,
                "storage left": row.storage_left,
                "saving at the prices of year 1": sum(saving_by_group(statement).values())
                + sum(row.change.values()),
                **{f"change, {group.replace('_', ' ')}": amount for group, amount in row.change.items()},
            }
            for row in ages
        ]
    )
    return Study(figures.model_dump(), {"years": table})


def _ages(cost: Cost, banks: Sequence[BankLife]) -> list[int]:
    """Years to solve: those asked for or the middle and the last, and both sides of every renewal."""
    last = cost.life_years
    asked = cost.life.ages or ((last + 1) // 2, last)
    renewed = {year for bank in banks for done in bank.renewals(last) for year in (done, done + 1)}
    return sorted(year for year in {*asked, *renewed} if year > 1)


State = tuple[tuple[float, ...], float, float]


def _state(course: Course, cost: Cost, year: int) -> State:
    """What is left of each bank and of the modules in a year, and how much the load has grown."""
    left = tuple(round(max(LEAST_SHARE, bank.share_left(year)), 9) for bank in course.banks)
    return (
        left,
        round(course.solar_share(year), 9),
        round((1 + cost.life.load_growth_fraction) ** (year - 1), 9),
    )


def coarser(scenario: Scenario, step_minutes: int) -> Scenario:
    """The same scenario in longer steps, its series averaged."""
    if step_minutes == scenario.timeline.step_minutes:
        return scenario
    changes: dict[str, Any] = {"timeline.step_minutes": step_minutes}
    for name, source in scenario.file.source.items():
        if source.step_minutes < step_minutes:
            changes[f"source.{name}.coarsen"] = "mean"
    return vary(scenario, changes)


def aged(
    scenario: Scenario, storage_left: Sequence[float], solar_left: float, load_factor: float
) -> Scenario:
    """The same scenario with less storage, less sun and more load.

    Parameters
    ----------
    scenario : Scenario
    storage_left : sequence of float
        Share of its usable energy that each bank keeps, in (0, 1]. [-]
    solar_left, load_factor : float
        Factors on the sun that is available and on the load. [-]
    """
    changes: dict[str, Any] = {}
    for index, (bank, left) in enumerate(zip(scenario.storage, storage_left, strict=True)):
        key = next(
            k for k in ("unit_kwh", "unit_usable_kwh", "capacitance_f") if k in scenario.raw["storage"][index]
        )
        changes[f"storage.{index}.{key}"] = left * getattr(bank, key)
    for index, load in enumerate(scenario.site.load):
        changes[f"site.load.{index}.scale"] = load_factor * load.scale
    faded: set[str] = set()
    arrays: tuple[tuple[str, Sequence[AcSolar | SolarController]], ...] = (
        ("site.solar_controller", scenario.site.solar_controller),
        ("site.ac_solar", scenario.site.ac_solar),
    )
    for place, systems in arrays:
        for index, system in enumerate(systems):
            if system.size_kwp is not None:
                changes[f"{place}.{index}.size_kwp"] = solar_left * system.size_kwp
            elif isinstance(system.available_kw, str):
                faded.add(system.available_kw)
            elif system.available_kw is not None:
                changes[f"{place}.{index}.available_kw"] = solar_left * system.available_kw
    made = vary(scenario, changes)
    columns = {name: values * (solar_left if name in faded else 1.0) for name, values in made.columns.items()}
    return dataclasses.replace(made, columns=columns)
