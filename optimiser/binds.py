"""What binds: the yearly worth of one more unit of each limit of a site, from the multipliers of its answer."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from optimiser.dispatch import Dispatch, Progress
from optimiser.engine.answer import answer
from optimiser.engine.margins import Margins, margins, moved
from optimiser.engine.tiling import build_problem
from optimiser.finance.yearly import is_year, per_year, weights
from optimiser.scenario import Scenario
from optimiser.settlement import Statement
from optimiser.study import Study

RELATIVE_MOVE = 1e-4
LEAST_SHARE = 1e-9
MORE = "what binds.more"


@dataclass(frozen=True)
class Limit:
    """A figure of the scenario that limits what the site can do.

    Attributes
    ----------
    path : str
        Where it stands in the scenario file.
    words : str
        What it is.
    unit : str
        Of which one more is valued.
    size : float
        How much of that unit there is; the mean where it is a series.
    per : float
        By how much of `unit` the site grows when the figure grows by one.
    """

    path: str
    words: str
    unit: str
    size: float
    per: float = 1.0


@dataclass(frozen=True)
class Worth:
    """What one more unit of a limit brings.

    Attributes
    ----------
    limit : Limit
    a_year : float
        Of a shorter run scaled as its saving is, demand by its billing periods. [currency/year/unit]
    steps : int
        Steps in which it was the limit.
    """

    limit: Limit
    a_year: float
    steps: int


def limits(scenario: Scenario) -> Iterator[Limit]:
    """Every limit that the scenario states, in the order of the file."""
    site = scenario.site
    yield from _of(scenario, site.connection, "site.connection", CONNECTION)
    for kind, name, catalogue in (
        ("inverter", "inverter", INVERTER),
        ("solar_controller", "controller", CONTROLLER),
        ("ac_solar", "solar system", AC_SOLAR),
    ):
        for number, part in enumerate(getattr(site, kind)):
            for limit in _of(scenario, part, f"site.{kind}.{number}", catalogue):
                yield dataclasses.replace(limit, words=f"{limit.words} of {name} {part.name}")
    for number, bank in enumerate(scenario.storage):
        yield from _of_bank(bank, f"storage.{number}")
    for number, product in enumerate(scenario.service):
        if product.most_kw is not None:
            yield Limit(f"service.{number}.most_kw", f"most offered of {product.name}", "kW", product.most_kw)


CONNECTION = (
    ("import_limit_kw", "import limit", "kW"),
    ("export_limit_kw", "export limit", "kW"),
    ("import_limit_kw_per_phase", "import limit of every phase", "kW"),
    ("export_limit_kw_per_phase", "export limit of every phase", "kW"),
    ("imbalance_limit_kw", "allowed imbalance of phases", "kW"),
)
INVERTER = (
    ("output_kw", "output rating", "kW"),
    ("intake_kw", "intake rating", "kW"),
    ("dc_current_limit_a", "DC current limit", "A"),
    ("pass_through_limit_a", "pass-through current limit", "A"),
)
CONTROLLER = (("size_kwp", "array", "kWp"), ("current_limit_a", "output current limit", "A"))
AC_SOLAR = (("size_kwp", "array", "kWp"), ("rating_kw", "rating", "kW"))
BANK = (
    ("charge_kw", "charge power", "kW"),
    ("discharge_kw", "discharge power", "kW"),
    ("charge_current_a", "charge current limit", "A"),
    ("discharge_current_a", "discharge current limit", "A"),
)


def _of(
    scenario: Scenario, part: Any, path: str, catalogue: Sequence[tuple[str, str, str]]
) -> Iterator[Limit]:
    for key, words, unit in catalogue:
        value = getattr(part, key)
        if value is not None:
            yield Limit(f"{path}.{key}", words, unit, float(np.mean(scenario.read(value))))


def _of_bank(bank: Any, path: str) -> Iterator[Limit]:
    """A bank's limits, each for the whole bank: its figures are those of one of its equal units."""
    capacity = {"capacitance_f", "unit_usable_kwh", "unit_kwh"} & {
        key for key in type(bank).model_fields if getattr(bank, key) is not None
    }
    (key,) = capacity
    per = bank.capacity_kwh / getattr(bank, key)
    yield Limit(f"{path}.{key}", f"usable energy of {bank.name}", "kWh", bank.capacity_kwh, per)
    for key, words, unit in BANK:
        value = getattr(bank, key)
        if value is not None:
            yield Limit(f"{path}.{key}", f"{words} of {bank.name}", unit, bank.units * value, bank.units)
    if bank.converter is not None:
        yield Limit(
            f"{path}.converter.rating_kw", f"converter of {bank.name}", "kW", bank.converter.rating_kw
        )
    for number, reserve in enumerate(bank.reserve):
        yield Limit(
            f"{path}.reserve.{number}.fraction",
            f"backup reserve of {bank.name}",
            "% of its energy",
            100 * reserve.fraction,
            100.0,
        )


def nudged(scenario: Scenario, path: str, by: float) -> Scenario:
    """The scenario with one figure a little larger, in every step where it is a series.

    The figure may leave what a file may say (2.0001 units): this is for slopes, not for runs.
    """
    parts = path.split(".")
    value: Any = scenario.file
    for part in parts:
        value = value[int(part)] if isinstance(value, tuple) else getattr(value, part)
    columns = scenario.columns
    if isinstance(value, str):
        columns = {**columns, MORE: columns[value] + by}
        value = MORE
    else:
        value += by
    return dataclasses.replace(scenario, file=_with(scenario.file, parts, value), columns=columns)


def _with(owner: Any, parts: Sequence[str], value: Any) -> Any:
    """A copy of a frozen model with the value at a path changed."""
    if not parts:
        return value
    if isinstance(owner, tuple):
        place = int(parts[0])
        return (*owner[:place], _with(owner[place], parts[1:], value), *owner[place + 1 :])
    return owner.model_copy(update={parts[0]: _with(getattr(owner, parts[0]), parts[1:], value)})


def worths(statement: Statement) -> list[Worth]:
    """What one more unit of each limit would bring in a year, at the margin.

    Parameters
    ----------
    statement : Statement

    Returns
    -------
    list of Worth
        In the order of the file; empty where the solver gave no multipliers.

    Notes
    -----
    Each limit is moved a little, the whole problem is stated again, and every row, bound, coefficient and amount
    that differs is valued at the multipliers of the answer (`engine.margins.moved`). So whatever a limit enters
    into is counted once, wherever its worth ended up. Decisions (one direction, whole numbers) stay as they are.
    In a run shorter than a year each line counts as often as the yearly saving counts it (`finance.yearly.weights`):
    a month's demand charge weighs less against the days than in the run's own sums.
    Where the optimum has a corner, the figure lies between what one more unit brings and what one less costs.
    """
    dispatch = statement.dispatch
    if not dispatch.multipliers:
        return []
    scenario = dispatch.scenario
    counted = weights(dispatch.lines, scenario.tariff, scenario.timeline)
    at = _optimum(dispatch, counted)
    return [_worth(scenario, counted, at, limit) for limit in limits(scenario)]


def _optimum(dispatch: Dispatch, counted: np.ndarray) -> Margins:
    """The answer with its multipliers; made again where a year counts the lines otherwise than the run."""
    scenario = dispatch.scenario
    problem = build_problem(scenario).weighted(counted)
    if (counted == 1.0).all():
        return margins(problem, dispatch.values, dispatch.multipliers, dispatch.start.basis)
    found = answer(problem, scenario, lambda words: None, dispatch.start, False)
    return margins(problem, problem.split(found.x), problem.by_rule(found.row_dual), found.start.basis)


def _worth(scenario: Scenario, counted: np.ndarray, at: Margins, limit: Limit) -> Worth:
    by = RELATIVE_MOVE * max(1.0, limit.size / limit.per)
    change = moved(at, build_problem(nudged(scenario, limit.path, by)).weighted(counted))
    one = 1 / (by * limit.per)
    worth = change.total * one * per_year(scenario.timeline)
    # What the numbers of the solver cannot tell from nothing is nothing.
    scale = abs(float(at.problem.purse @ at.x)) + 1.0
    by_step = np.abs(change.by_step * one)
    steps = int((by_step > LEAST_SHARE * scale).sum())
    return Worth(limit, worth if abs(worth) > 1e-7 * scale else 0.0, steps)


def study(statement: Statement, say: Progress) -> Study | None:
    """What binds, as a study of a run; None where the solver gave no multipliers."""
    found = worths(statement)
    if not found:
        return None
    scenario = statement.dispatch.scenario
    steps, currency = scenario.timeline.steps, scenario.file.currency
    ranked = sorted(found, key=lambda worth: -abs(worth.a_year))
    table = pd.DataFrame(
        [
            {
                "limit": worth.limit.words,
                "size": worth.limit.size,
                "unit": worth.limit.unit,
                "worth_of_one_more_a_year": worth.a_year,
                "steps_at_limit": worth.steps,
                "share_of_steps": worth.steps / steps,
                "path": worth.limit.path,
            }
            for worth in ranked
        ]
    )
    decided = statement.dispatch.proof.binding_steps
    summary = {
        "words": [sentence(worth, steps, currency) for worth in ranked if worth.a_year],
        "no_limit": [worth.limit.words for worth in ranked if not worth.a_year],
        "steps": steps,
        "scaled_to_year": not is_year(scenario.timeline.hours),
        "decisions_held": decided,
        "basis": "at the margin of the ceiling: it falls as more is added, and real operation earns less",
    }
    return Study(summary, {"limits": table})


def sentence(worth: Worth, steps: int, currency: str) -> str:
    """One limit in words: "One more kW of export limit would be worth 41 AUD a year; ..."."""
    unit = worth.limit.unit.removesuffix(" of its energy")
    if worth.a_year >= 0:
        effect = f"would be worth {worth.a_year:,.2f} {currency} a year"
    else:
        effect = f"costs {-worth.a_year:,.2f} {currency} a year"
    counted = (
        f"it counted in {worth.steps:,} of {steps:,} steps"
        if worth.steps
        else "through the peaks or the ends"
    )
    return f"One more {unit} of {worth.limit.words} {effect}; {counted}."
