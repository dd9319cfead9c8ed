"""How far off what plans knew was: by hours ahead and by hour of the day, beside plain persistence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from optimiser.foresight.facts import Facts, Plans, Policy
from optimiser.foresight.policies import as_known

AHEAD_HOURS = (0, 1, 3, 6, 12, 24, 48, 96)  # edges of the rows
COLUMNS = [
    "policy",
    "series",
    "hours_from",
    "hours_to",
    "mean_absolute_error",
    "bias",
    "persistence",
    "steps",
]
BY_HOUR = ["policy", "series", "hour_of_day", "mean_absolute_error", "bias", "persistence", "steps"]


def forecast_errors(
    facts: Facts, plans: Plans, policies: Sequence[Policy]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Errors of what each policy expected, for all steps that its plans saw.

    Parameters
    ----------
    facts : Facts
    plans : Plans
    policies : sequence of Policy

    Returns
    -------
    tuple of DataFrame
        By hours ahead (from, to), and by hour of the day by the site's clock. Bias is expected less actual;
        `persistence` is the mean absolute error of the same time on the last day that was over at the plan's moment,
        on the same steps. In the unit of the series.
    """
    rows = pd.concat([*_seen(facts, plans, policies)], ignore_index=True)
    rows = rows[(rows["expected"] - rows["persisted"]).notna()]
    rows["error"] = rows["expected"] - rows["actual"]
    rows["miss"] = (rows["persisted"] - rows["actual"]).abs()
    rows["size"] = rows["error"].abs()
    place = np.searchsorted(AHEAD_HOURS, rows["ahead"], side="right") - 1
    rows["hours_from"] = np.asarray(AHEAD_HOURS)[place]
    rows["hours_to"] = np.asarray([*AHEAD_HOURS[1:], np.inf])[place]
    return (
        _means(rows, ["policy", "series", "hours_from", "hours_to"])[COLUMNS],
        _means(rows, ["policy", "series", "hour_of_day"])[BY_HOUR],
    )


def _means(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    groups = rows.groupby(by, sort=False)
    made = groups.agg(
        mean_absolute_error=("size", "mean"),
        bias=("error", "mean"),
        persistence=("miss", "mean"),
        steps=("error", "size"),
    )
    return made.reset_index().sort_values(by, key=_in_order).reset_index(drop=True)


def _in_order(column: pd.Series) -> pd.Series:
    """Names in the order in which they come, numbers in theirs."""
    return column if column.dtype.kind in "if" else pd.Series(pd.factorize(column)[0], index=column.index)


def _seen(facts: Facts, plans: Plans, policies: Sequence[Policy]) -> Iterator[pd.DataFrame]:
    """Each step of each series as each window ahead knew it."""
    timeline, (day, slot, _) = facts.timeline, facts.days
    hour = (slot * timeline.step_hours).astype(int)
    names = facts.foretold()
    grids = {name: _by_day(facts.scenario.columns[name], day, slot) for name in names}
    for policy in policies:
        for lead in range(plans.seen):
            moments = plans.moments(lead)
            steps = np.flatnonzero(moments >= 0)
            known = as_known(policy, facts, plans, lead)
            ended = day[moments[steps]] - 1  # the last day that was over as the plan was made
            for name in names:
                persisted = np.where(ended >= 0, grids[name][np.maximum(ended, 0), slot[steps]], np.nan)
                yield pd.DataFrame(
                    {
                        "policy": policy.name,
                        "series": name,
                        "ahead": (steps - moments[steps]) * timeline.step_hours,
                        "hour_of_day": hour[steps],
                        "expected": known[name][steps],
                        "persisted": persisted,
                        "actual": facts.scenario.columns[name][steps],
                    }
                )


def _by_day(values: np.ndarray, day: np.ndarray, slot: np.ndarray) -> np.ndarray:
    grid = np.full((int(day.max()) + 1, int(slot.max()) + 1), np.nan)
    grid[day, slot] = values
    return grid
