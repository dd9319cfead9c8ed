"""Money over the life: cash flow, payback, net present value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.settlement import Statement
from optimiser.tariff import Tariff

HOURS_PER_YEAR = 8760.0


@dataclass(frozen=True)
class Appraisal:
    """Whether and when the system pays for itself.

    Attributes
    ----------
    yearly_saving : float
        Saving of a year; of a shorter run, scaled to 8760 hours and 12 billing periods. [currency/year]
    scaled : bool
        Whether the timeline was not a year and had to be scaled.
    flows : tuple of float
        Cash flow of year 0 (capital), 1, 2, ... [currency]
    discount_rate_fraction : float
    payback_years : float or None
        Simple payback; None is never.
    npv : float
        Net present value with year 0 undiscounted. [currency]
    """

    yearly_saving: float
    scaled: bool
    flows: tuple[float, ...]
    discount_rate_fraction: float
    payback_years: float | None
    npv: float


def appraise(statement: Statement) -> Appraisal | None:
    """Payback and net present value of a statement's saving, the same every year; None without costs.

    Leaves out fade, replacement and price changes.
    """
    cost = statement.dispatch.scenario.file.cost
    if cost is None:
        return None
    hours = statement.dispatch.scenario.timeline.hours
    scaled = not 8759.0 <= hours <= 8785.0
    yearly = _scaled_to_year(statement) if scaled else statement.saving
    flows = (-cost.capital, *([yearly - cost.yearly] * cost.life_years))
    return Appraisal(
        yearly,
        scaled,
        flows,
        cost.discount_rate_fraction,
        payback(flows),
        net_present_value(flows, cost.discount_rate_fraction),
    )


def _scaled_to_year(statement: Statement) -> float:
    """A shorter run's saving over 8760 hours; demand that is charged once a billing period, over a year of them."""
    scenario = statement.dispatch.scenario
    timeline = scenario.timeline
    other, yearly = statement.saving, 0.0
    for case, tariff in (("after", scenario.tariff), ("before", scenario.before_tariff)):
        demand = _demand(statement, case, tariff)
        other -= demand
        yearly += demand * tariff.periods_a_year(timeline) / timeline.groups(tariff.period).count
    return other * HOURS_PER_YEAR / timeline.hours + yearly


def _demand(statement: Statement, case: str, tariff: Tariff) -> float:
    """What charges once a billing period and the tax on them add to the saving. [currency]"""
    sign = 1.0 if case == "after" else -1.0
    total = 0.0
    for component in tariff.component:
        if component.once_a_period:
            rows = statement.table[
                (statement.table["case"] == case)
                & (statement.table["group"] == "demand")
                & (statement.table["line"] == component.name)
            ]
            total += sign * (1 + component.tax(tariff)) * float(rows["amount"].sum())
    return total


def net_present_value(flows: Sequence[float], rate: float) -> float:
    """Present value of yearly flows, the first undiscounted.

    Parameters
    ----------
    flows : sequence of float
        Cash flow at the end of year 0, 1, 2, ... [currency]
    rate : float
        Discount rate. [-]

    References
    ----------
    .. [1] NPV = sum(CF_t / (1 + d)^t), t from 0. Spreadsheet functions of that name discount the first flow too.
    """
    years = np.arange(len(flows))
    return float(np.sum(np.asarray(flows, float) / (1 + rate) ** years))


def payback(flows: Sequence[float]) -> float | None:
    """Years until the cumulative flow first reaches zero, with a straight line inside the year; None is never.

    Parameters
    ----------
    flows : sequence of float
        Cash flow of year 0, 1, 2, ... [currency]
    """
    total = 0.0
    for year, flow in enumerate(flows):
        if total + flow >= 0:
            return 0.0 if year == 0 else year - 1 + (-total / flow if flow else 0.0)
        total += flow
    return None
