"""What more of the limits that bind most brings without foresight: the year planned and carried out again with each."""

from __future__ import annotations

from typing import Any

import pandas as pd
from pydantic import Field

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Progress, solve
from optimiser.equipment.limits import StatedLimit
from optimiser.errors import InfeasibleError, UnprovenError
from optimiser.finance.yearly import yearly_saving
from optimiser.studies.what_binds import nudged, worths
from optimiser.studies.without_foresight import WithoutForesight, driven
from optimiser.study import Figures, Study

FEW, MORE_SHARE = 3, 0.1


class DrivenLimitFigures(Figures):
    """Under which policy the limits were moved, and which could not be."""

    policy: str
    more_share: float = Field(description="by how much of itself each limit was made larger")
    missing: list[str]
    basis: str


def study(
    statement: Statement, say: Progress, without_foresight: WithoutForesight | None = None
) -> Study | None:
    """Each of the limits with the largest margins made a tenth larger, solved, and run under the headline's policy.

    Parameters
    ----------
    statement : Statement
        Of the ceiling.
    say : callable
        Told what is being done.
    without_foresight : WithoutForesight, optional
        The run without foresight, where it was made: its headline is what the figures are compared with.

    Returns
    -------
    Study or None
        None where no policy leads the page or no limit binds.

    Notes
    -----
    A policy's year is no optimum, so there are no multipliers to read a worth from, and a step has to be large enough
    to stand out from the luck of single days. Savings of both runs are cash, scaled to a year alike.
    """
    scenario = statement.dispatch.scenario
    if without_foresight is None or without_foresight.headline is None:
        return None
    name = without_foresight.summary["headline"]
    ranked = sorted(worths(statement, say, check=False), key=lambda worth: -abs(worth.margin))
    rows, missing = [], []
    for limit in [worth.limit for worth in ranked if worth.margin][:FEW]:
        by = MORE_SHARE * limit.size / limit.per
        moved = nudged(scenario, limit.path, by)
        say(f"a tenth more of {limit.words}, run under {name}")
        try:
            best = solve(moved, start=statement.dispatch.start)
            moved_statement = driven(moved, name, best, say)
        except (InfeasibleError, UnprovenError) as problem:
            missing.append(f"{limit.words}: {problem}")
            continue
        more = by * limit.per
        rows.append(
            _row(limit, more, (without_foresight.headline, moved_statement), (statement, settle(best)))
        )
    if not rows and not missing:
        return None
    figures = DrivenLimitFigures(
        policy=name,
        more_share=MORE_SHARE,
        missing=missing,
        basis=f"saving a year run under {name}, beside the ceiling's: cash, wear not taken off",
    )
    return Study(figures.model_dump(), {"limits": pd.DataFrame(rows)} if rows else {})


def _row(
    limit: StatedLimit,
    more: float,
    driven: tuple[Statement, Statement],
    ceiling: tuple[Statement, Statement],
) -> dict[str, Any]:
    """A limit with what each unit of `more` brings, without and with foresight: runs before and after."""
    without, with_ = (
        (yearly_saving(after) - yearly_saving(before)) / more for before, after in (driven, ceiling)
    )
    return {
        "limit": limit.words,
        "size": limit.size,
        "unit": limit.unit,
        "added": more,
        "forecast_driven_cash_of_one_more_a_year": without,
        "ceiling_cash_of_one_more_a_year": with_,
        "path": limit.path,
    }
