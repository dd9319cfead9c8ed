"""The study of price years: the run and its appraisal repeated on other years' prices, shown as a spread."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from optimiser.dispatch import Progress, solve
from optimiser.finance.appraisal import Appraisal, appraise
from optimiser.scenario import price_year
from optimiser.settlement import Statement, settle
from optimiser.study import Study

QUANTILES = {"lowest": 0.0, "lower quartile": 0.25, "middle": 0.5, "upper quartile": 0.75, "highest": 1.0}


def price_years(statement: Statement, say: Progress) -> Study | None:
    """Walk the road again for each [[price_year]]; None without any or without costs.

    Returns
    -------
    Study
        `years`: name, yearly saving, net present value and payback of this run and of each price year;
        `spread`: the quantiles of each; table `years`.
    """
    scenario = statement.dispatch.scenario
    own = appraise(statement)
    if own is None or not scenario.file.price_year:
        return None
    seconds = sum(statement.dispatch.seconds.values())
    count = len(scenario.file.price_year)
    say(f"{count} price years to solve, about {count * seconds:.0f} s")
    rows = [_row("this run", own)]
    for index, year in enumerate(scenario.file.price_year):
        say(f"solving price year {year.name}")
        made = appraise(settle(solve(price_year(scenario, index))))
        assert made is not None  # the same costs
        rows.append(_row(year.name, made))
    summary = {"years": rows, "spread": spread(rows)}
    return Study(summary, {"years": pd.DataFrame(rows)}, tuple(_warnings(rows)))


def _row(name: str, made: Appraisal) -> dict[str, Any]:
    return {
        "name": name,
        "yearly_saving": made.yearly_saving,
        "npv": made.npv,
        "simple_payback_years": made.payback_years,
    }


def spread(rows: list[dict[str, Any]]) -> dict[str, dict[str, float | None]]:
    """Quantiles over price years, the worst result first; a payback of None is never and counts as the longest.

    Money between two years is taken by a straight line; paybacks are those of a year, the longer of two.
    """
    found: dict[str, dict[str, float | None]] = {}
    for key in ("yearly_saving", "npv"):
        values = [row[key] for row in rows]
        found[key] = {name: float(np.quantile(values, share)) for name, share in QUANTILES.items()}
    years = sorted(
        np.inf if row["simple_payback_years"] is None else row["simple_payback_years"] for row in rows
    )
    at = {name: years[int(np.ceil(share * (len(years) - 1)))] for name, share in QUANTILES.items()}
    found["simple_payback_years"] = {
        name: None if np.isinf(year) else float(year) for name, year in at.items()
    }
    return found


def _warnings(rows: list[dict[str, Any]]) -> list[str]:
    losing = [row["name"] for row in rows if row["npv"] < 0]
    if losing and len(losing) < len(rows):
        return [
            f"The net present value is negative on the prices of {', '.join(losing)}, and positive on the others."
        ]
    return []
