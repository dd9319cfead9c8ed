"""The study of price years: the site solved again on other years' prices, and the spread of what they bring."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Progress, solve
from optimiser.finance.appraisal import AppraisedYear
from optimiser.finance.yearly import saving_by_group
from optimiser.scenario.read import price_year
from optimiser.study import Figures, Study

QUANTILES = {"lowest": 0.0, "lower quartile": 0.25, "middle": 0.5, "upper quartile": 0.75, "highest": 1.0}


class PriceYearSaving(Figures):
    """The yearly saving of each group on one year's prices. [currency/year]"""

    name: str
    saving: dict[str, float]


class PriceYearFigures(Figures):
    """Every price year that was solved."""

    years: list[PriceYearSaving]


def price_years(statement: Statement, say: Progress) -> Study | None:
    """Solve the site again for each [[price_year]]; None without any or without costs.

    Returns
    -------
    Study
        `years`: name and yearly saving in each group, at perfect foresight; the appraisal makes the spread of them.
        Table `years` with the same.
    """
    scenario = statement.dispatch.scenario
    if scenario.file.cost is None or not scenario.file.price_year:
        return None
    count = len(scenario.file.price_year)
    seconds = count * sum(statement.dispatch.seconds.values())
    say(f"price years to solve: {count}; about {seconds:.0f} s")
    savings: list[tuple[str, dict[str, float]]] = []
    for index, year in enumerate(scenario.file.price_year):
        say(f"solving price year {year.name}")
        savings.append((year.name, saving_by_group(settle(solve(price_year(scenario, index))))))
    figures = PriceYearFigures(years=[PriceYearSaving(name=name, saving=saving) for name, saving in savings])
    table = pd.DataFrame([{"price year": name, **_named(saving)} for name, saving in savings])
    return Study(figures.model_dump(), {"years": table})


def _named(saving: dict[str, float]) -> dict[str, float]:
    return {f"yearly saving, {group.replace('_', ' ')}": amount for group, amount in saving.items()}


def spread(years: Sequence[AppraisedYear]) -> dict[str, dict[str, float | None]]:
    """Quantiles over price years; a payback of None is never and counts as the longest.

    Parameters
    ----------
    years : sequence of AppraisedYear

    Notes
    -----
    Money between two years is taken by a straight line; a payback is that of a year, the longer of two.
    """
    found: dict[str, dict[str, float | None]] = {}
    for key in ("yearly_saving", "npv"):
        values = [getattr(year, key) for year in years]
        found[key] = {name: float(np.quantile(values, share)) for name, share in QUANTILES.items()}
    back = [year.simple_payback_years for year in years]
    longest = sorted(np.inf if one is None else one for one in back)
    at = {name: longest[int(np.ceil(share * (len(longest) - 1)))] for name, share in QUANTILES.items()}
    found["simple_payback_years"] = {
        name: None if np.isinf(year) else float(year) for name, year in at.items()
    }
    return found
