"""The sizes that leave most a year once they are paid for, under one budget and along several."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from optimiser.batch.sizing.between import Between
from optimiser.batch.sizing.file import ChoicesFile
from optimiser.batch.sizing.lists import Lists
from optimiser.batch.sizing.search import BestSizes, Search, Tried
from optimiser.batch.sizing.shares import CEILING, Share, Sizes
from optimiser.dispatch import Progress
from optimiser.engine import proof
from optimiser.errors import OptimiserError
from optimiser.scenario.file import Scenario
from optimiser.studies.measured_share import MeasuredShare
from optimiser.studies.measured_share import measured as measure
from optimiser.summary.sizes import BestFigures, Size, SizedChoice, SizesShare, SizesSummary

FRONTIER_POINTS = 6
FEW = 2  # choices whose ends are measured each with each
MOST_ROUNDS = 5  # of measuring the share where the best sizes lie


@dataclass(frozen=True)
class Sizing:
    """What a search for sizes came to.

    Attributes
    ----------
    summary : SizesSummary
    tried : DataFrame
        One row a combination that was solved.
    frontier : DataFrame
        One row a budget: the best sizes under it.
    """

    summary: SizesSummary
    tried: pd.DataFrame
    frontier: pd.DataFrame


def find_sizes(
    scenario: Scenario, file: ChoicesFile, *, share: float | None = None, progress: Progress | None = None
) -> Sizing:
    """The sizes that leave most a year, for the file's budget and along a frontier of budgets.

    Parameters
    ----------
    scenario : Scenario
    file : ChoicesFile
    share : float, optional
        Share of the ceiling's saving that is counted on, in (0, 1]; left out: measured, at sizes of the file.
    progress : callable, optional

    Raises
    ------
    OptimiserError
        If no sizes fit the budget, or none keeps every limit.
    """
    say = progress or (lambda words: None)
    given = f"{100 * share:g} % of the ceiling (the share given), for every size alike" if share else ""
    search = Search(scenario, file, Share(given or CEILING, share or 1.0), say)
    budget = math.inf if file.budget is None else file.budget
    method, whole = _best_counted(search, budget) if share is None else _best(search, budget)
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
    return Sizing(_summary(search, whole), tried, along)


Method = Lists | Between


def _best(search: Search, budget: float) -> tuple[Method, BestSizes]:
    """The best sizes at the share that is counted on."""
    method = Lists(search) if search.file.choice[0].options else Between(search)
    whole = method.best(budget)
    if whole.tried is None:
        raise OptimiserError(_nothing(search))
    return method, whole


def _best_counted(search: Search, budget: float) -> tuple[Method, BestSizes]:
    """The best sizes at measured shares, the last of them measured at the best sizes themselves.

    Of lists the share lies between those of the ends, measured first, and of what was best on the way. Between bounds
    it is that of the best sizes for all alike, so that planes bound what they should; it is measured again where the
    best moves.
    """
    listed = bool(search.file.choice[0].options)
    measured: dict[Sizes, MeasuredShare] = {}
    for sizes in _corners(search, budget) if listed else ():
        _measure(search, sizes, measured)
    if measured:
        search.counted_on(_share(search, measured, None))
    method, whole = _best(search, budget)
    for _ in range(MOST_ROUNDS):
        assert whole.tried is not None
        sizes = whole.tried.sizes
        if sizes in measured or not _measure(search, sizes, measured):
            break
        search.counted_on(_share(search, measured, None if listed else sizes))
        method, whole = _best(search, budget)
    if not measured:
        why = "the site could not be run without foresight, or saves nothing that a share could be taken of"
        search.counted_on(Share(CEILING, 1.0, warning=f"Sizes count on the whole ceiling: {why}."))
    return method, whole


def _corners(search: Search, budget: float) -> list[Sizes]:
    """The ends of lists, each with each where there are few, that fit the budget."""
    ends = [choice.ends for choice in search.file.choice]
    found = list(itertools.product(*ends) if len(ends) <= FEW else zip(*ends, strict=True))
    fit = [sizes for sizes in dict.fromkeys(found) if search.capital(sizes) <= budget * (1 + 1e-9)]
    return fit[: search.file.most_runs]


def _measure(search: Search, sizes: Sizes, measured: dict[Sizes, MeasuredShare]) -> bool:
    """Measure the share at some sizes; whether it could be."""
    statement = search.statement(sizes)
    found = None if statement is None else measure(statement, search.say, sampled=True)
    if found is not None:
        measured[sizes] = found
    return found is not None


def _share(search: Search, measured: Mapping[Sizes, MeasuredShare], alike: Sizes | None) -> Share:
    """What is counted on, in words: between what was measured, or what was measured at some sizes for all."""
    last = measured[alike] if alike else next(iter(measured.values()))
    ends = [choice.ends for choice in search.file.choice]
    by_sizes = {sizes: one.of_ceiling for sizes, one in measured.items()}
    spread = max(one.spread for one in measured.values())
    doubt = f", within {100 * spread:.1f} points from {last.weeks} of {last.of_weeks} weeks" if spread else ""
    if alike:
        words = (
            f"{100 * last.of_ceiling:.1f} % of the ceiling, measured at {', '.join(search.named(alike))}{doubt}, and "
            f"taken for every size alike: {last.words}"
        )
        return Share(words, last.of_ceiling, by_sizes)
    shares = list(by_sizes.values())
    span = f"{100 * min(shares):.1f} to {100 * max(shares):.1f} % of the ceiling"
    words = f"{span}, measured at {len(shares)} sizes{doubt} and interpolated between them: {last.words}"
    least, most = zip(*ends, strict=True)
    return Share(words, None, by_sizes, least, most)


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
    share = search.share.of(run.sizes)
    known = run.saving is not None
    return {
        **_by_name(search, run.sizes),
        "capital": run.capital,
        "ceiling_saving_a_year": run.saving,
        "share_of_ceiling": share if known else None,
        "counted_saving_a_year": share * run.saving if run.saving is not None else None,
        "cost_a_year": run.cost_a_year,
        "net_a_year": run.net if known else None,
    }


def _by_name(search: Search, sizes: Sizes) -> dict[str, Size]:
    """Sizes by the names of their choices."""
    return {choice.name: size for choice, size in zip(search.file.choice, sizes, strict=True)}


def _best_figures(search: Search, best: BestSizes) -> BestFigures:
    """What the best sizes come to, and how they are proven."""
    assert best.tried is not None
    assert best.tried.saving is not None
    run, saving, share = best.tried, best.tried.saving, search.share.of(best.tried.sizes)
    return BestFigures(
        sizes=_by_name(search, run.sizes),
        capital=run.capital,
        ceiling_saving_a_year=saving,
        share_of_ceiling=share,
        counted_saving_a_year=share * saving,
        cost_a_year=run.cost_a_year,
        net_a_year=run.net,
        **_verdict(search, best),
    )


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


def _summary(search: Search, whole: BestSizes) -> SizesSummary:
    scenario, file = search.scenario, search.file
    warnings = []
    if search.yearly != 1.0:
        days = scenario.timeline.hours / 24
        warnings.append(
            f"The run covers {days:g} days, scaled to a year by its hours and demand by its billing periods, as in a "
            "run; they know no other season. Use a whole year to decide."
        )
    if search.share.warning:
        warnings.append(search.share.warning)
    return SizesSummary(
        title=scenario.file.title,
        invented=scenario.file.invented,
        currency=scenario.file.currency,
        start=scenario.timeline.local()[0].isoformat(),
        step_minutes=scenario.timeline.step_minutes,
        steps=scenario.timeline.steps,
        basis=search.share.words,
        measured_shares=tuple(
            SizesShare(sizes=_by_name(search, sizes), share_of_ceiling=share)
            for sizes, share in search.share.measured.items()
        ),
        budget=file.budget,
        discount_rate_fraction=file.discount_rate_fraction,
        choices=tuple(
            SizedChoice(name=c.name, path=c.path, cost_per_unit=c.cost_per_unit, life_years=c.life_years)
            for c in file.choice
        ),
        among="lists" if file.choice[0].options else "bounds",
        combinations=math.prod(len(c.options) for c in file.choice) if file.choice[0].options else None,
        runs=len(search.tried),
        best=_best_figures(search, whole),
        warnings=tuple(warnings),
    )
