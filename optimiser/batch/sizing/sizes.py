"""The sizes that leave most a year once they are paid for, under one budget and along several."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import settle
from optimiser.batch.sizing.between import Between
from optimiser.batch.sizing.file import ChoicesFile
from optimiser.batch.sizing.lists import Lists
from optimiser.batch.sizing.search import BestSizes, Search, Share, Tried
from optimiser.dispatch import Progress, solve
from optimiser.engine import proof
from optimiser.errors import InfeasibleError, OptimiserError, UnprovenError
from optimiser.finance.yearly import yearly_saving
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.scenario.file import Scenario

FRONTIER_POINTS = 6


@dataclass(frozen=True)
class Sizing:
    """What a search for sizes came to.

    Attributes
    ----------
    summary : dict
    tried : DataFrame
        One row a combination that was solved.
    frontier : DataFrame
        One row a budget: the best sizes under it.
    """

    summary: dict[str, Any]
    tried: pd.DataFrame
    frontier: pd.DataFrame


def measured_share(scenario: Scenario, say: Progress) -> Share:
    """What the site as its file has it earns without foresight, as a share of its ceiling: one policy, run once.

    Where that cannot be said, sizes count on the ceiling, with a warning.
    """
    ceiling = "the ceiling: perfect foresight of prices, load and sun, an upper bound"
    policy = next((p for p in policies_of(scenario) if p.name == scenario.foresight.rests_on), None)
    if not scenario.storage or policy is None:
        why = "it has no storage" if not scenario.storage else "it names no policy ([foresight])"
        return Share(1.0, ceiling, None, f"Sizes count on the whole ceiling: of this site {why} to plan for.")
    say("the site as it is, with foresight")
    best = solve(scenario)
    say(f"the site as it is, run under {policy.name}")
    try:
        driven = yearly_saving(settle(run_under(scenario, policy, best, say).dispatch))
    except (InfeasibleError, UnprovenError) as problem:
        words = f"Sizes count on the whole ceiling: run under {policy.name}, {problem}"
        return Share(1.0, ceiling, best, words)
    most = yearly_saving(settle(best))
    if most <= 0 or driven <= 0:
        words = "Sizes count on the whole ceiling: as it is the site saves nothing that a share could be taken of."
        return Share(1.0, ceiling, best, words)
    share = min(driven / most, 1.0)
    words = (
        f"{100 * share:.1f} % of the ceiling, measured: what the site as it is earns under {policy.name}, which "
        f"{policy.words}; taken for every size alike"
    )
    return Share(share, words, best)


def find_sizes(
    scenario: Scenario, file: ChoicesFile, *, share: float | None = None, progress: Progress | None = None
) -> Sizing:
    """The sizes that leave most a year, for the file's budget and along a frontier of budgets.

    Parameters
    ----------
    scenario : Scenario
    file : ChoicesFile
    share : float, optional
        Share of the ceiling's saving that is counted on, in (0, 1]; left out: measured (`measured_share`).
    progress : callable, optional

    Raises
    ------
    OptimiserError
        If no sizes fit the budget, or none keeps every limit.
    """
    say = progress or (lambda words: None)
    given = f"{100 * share:g} % of the ceiling (the share given), for every size alike" if share else ""
    counted = measured_share(scenario, say) if share is None else Share(share, given)
    search = Search(scenario, file, counted, say)
    method = Lists(search) if file.choice[0].options else Between(search)
    whole = method.best(math.inf if file.budget is None else file.budget)
    if whole.tried is None:
        raise OptimiserError(_nothing(search))
    frontier = [method.best(budget) for budget in _budgets(search, file)]
    tried = pd.DataFrame([_row(search, run) for run in search.tried.values()])
    along = pd.DataFrame(
        [
            {"budget": point.budget, **_row(search, point.tried), **_verdict(search, point)}
            if point.tried
            else {"budget": point.budget, "verdict": "no sizes fit"}
            for point in frontier
        ]
    )
    summary = _summary(search, whole)
    summary["warnings"] += [counted.warning] if counted.warning else []
    return Sizing(summary, tried, along)


def _nothing(search: Search) -> str:
    if search.tried:
        return "no schedule keeps every limit with any of the sizes tried. Allow larger ones."
    return f"no sizes fit the budget of {search.file.budget:,.2f}. Raise it, or allow smaller ones."


def _budgets(search: Search, file: ChoicesFile) -> list[float]:
    """The frontier's budgets: the file's, or from the least to the most capital."""
    if file.budgets:
        return sorted(file.budgets)
    ends = [choice.ends for choice in file.choice]
    low, high = (search.capital([end[which] for end in ends]) for which in (0, 1))
    budgets: list[float] = np.unique(np.linspace(low, high, FRONTIER_POINTS).round(2)).tolist()
    return budgets


def _row(search: Search, run: Tried | None) -> dict[str, Any]:
    assert run is not None
    share = search.share
    known = run.saving is not None
    return {
        **{choice.name: size for choice, size in zip(search.file.choice, run.sizes, strict=True)},
        "capital": run.capital,
        "ceiling_saving_a_year": run.saving,
        "counted_saving_a_year": share * run.saving if run.saving is not None else None,
        "cost_a_year": run.cost_a_year,
        "net_a_year": run.net if known else None,
    }


def _verdict(search: Search, best: BestSizes) -> dict[str, Any]:
    assert best.tried is not None
    gap = max(0.0, best.net_bound - best.tried.net)
    if not best.proven:
        words = "best found; not proven, since a size also changes efficiencies or voltages"
    elif gap <= search.spare(best.tried) * (1 + 1e-9):
        words = "best"
    else:
        share = proof.relative_gap(best.net_bound, best.tried.net, best.tried.turnover)
        money = f"{gap:,.2f} {search.scenario.file.currency} a year"
        words = f"best found, within {proof.within(share)} of turnover ({money})"
    return {"net_bound_a_year": best.net_bound if best.proven else None, "verdict": words}


def _summary(search: Search, whole: BestSizes) -> dict[str, Any]:
    scenario, file = search.scenario, search.file
    warnings = []
    if search.yearly != 1.0:
        days = scenario.timeline.hours / 24
        warnings.append(
            f"The run covers {days:g} days, scaled to a year by its hours and demand by its billing periods, as in a "
            "run; they know no other season. Use a whole year to decide."
        )
    return {
        "title": scenario.file.title,
        "invented": scenario.file.invented,
        "currency": scenario.file.currency,
        "start": scenario.timeline.local()[0].isoformat(),
        "step_minutes": scenario.timeline.step_minutes,
        "steps": scenario.timeline.steps,
        "basis": search.basis,
        "share": search.share,
        "budget": file.budget,
        "discount_rate_fraction": file.discount_rate_fraction,
        "choices": [
            {
                "name": c.name,
                "path": list(c.path),
                "cost_per_unit": c.cost_per_unit,
                "life_years": c.life_years,
            }
            for c in file.choice
        ],
        "kind": "lists" if file.choice[0].options else "bounds",
        "combinations": math.prod(len(c.options) for c in file.choice) if file.choice[0].options else None,
        "runs": len(search.tried),
        "best": {**_row(search, whole.tried), **_verdict(search, whole)},
        "warnings": warnings,
    }
