"""The cash flow: one line an item, one amount a year, in money of the day."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimiser.finance.ageing import BankLife
from optimiser.finance.formulas import capital_recovery
from optimiser.scenario.cost import SAVING_NAMES, Cost

Kind = Literal["saving", "capital", "incentive", "upkeep", "replacement", "end value", "loan", "tax"]


@dataclass(frozen=True)
class CashItem:
    """A line of the cash flow.

    Attributes
    ----------
    name : str
    kind : str
        "saving", "capital", "incentive", "upkeep", "replacement", "end value", "loan" or "tax".
    amounts : tuple of float
        Of year 0, 1, 2, ..., income positive. [currency]
    """

    name: str
    kind: Kind
    amounts: tuple[float, ...]


@dataclass(frozen=True)
class Shift:
    """What a sensitivity changes: factors on amounts, and points added to yearly price changes."""

    capital: float = 1.0
    saving: float = 1.0
    upkeep: float = 1.0
    prices: float = 0.0


def cash_flow(
    cost: Cost,
    saving_in: Callable[[int], Mapping[str, float]],
    banks: Sequence[BankLife],
    shift: Shift | None = None,
) -> tuple[CashItem, ...]:
    """Every item over the life, those that are nothing left out.

    Parameters
    ----------
    cost : Cost
    saving_in : callable
        Saving in each group of year 1, 2, ... at the prices of year 1. [currency/year]
    banks : sequence of BankLife
    shift : Shift, optional
        What is changed, for a sensitivity.
    """
    shift = shift or Shift()
    items = [
        *_savings(cost, saving_in, shift),
        *_capital(cost, shift),
        *_incentives(cost, shift),
        *_upkeep(cost, shift),
        *_replacements(cost, banks, shift),
        CashItem(
            "End value",
            "end value",
            _once(cost, cost.life_years, cost.end_value * _grown(cost, cost.life_years)),
        ),
    ]
    loan, interest = _loan(cost)
    items.append(CashItem("Loan", "loan", tuple(loan)))
    if cost.tax:
        items.append(CashItem("Tax", "tax", tuple(_tax(cost, items, interest))))
    return tuple(item for item in items if any(item.amounts) or item.name == "Capital")


def totals(items: Sequence[CashItem]) -> tuple[float, ...]:
    """Sum of all items in each year. [currency]"""
    return tuple(float(amount) for amount in np.sum([item.amounts for item in items], axis=0))


def _grown(cost: Cost, year: int, change: float | None = None) -> float:
    """Today's prices in a year; with a change of its own, else by inflation."""
    return (1 + (cost.inflation_fraction if change is None else change)) ** year


def _once(cost: Cost, year: int, amount: float) -> tuple[float, ...]:
    return tuple(amount if at == year else 0.0 for at in range(cost.life_years + 1))


def _savings(cost: Cost, saving_in: Callable[[int], Mapping[str, float]], shift: Shift) -> Iterator[CashItem]:
    years = [saving_in(year) for year in range(1, cost.life_years + 1)]
    for group, name in SAVING_NAMES.items():
        change = getattr(cost.escalation, group)
        change = (cost.inflation_fraction if change is None else change) + shift.prices
        # The run's prices are those of year 1.
        amounts = (shift.saving * made[group] * (1 + change) ** index for index, made in enumerate(years))
        yield CashItem(name, "saving", (0.0, *amounts))


def _capital(cost: Cost, shift: Shift) -> Iterator[CashItem]:
    yield CashItem("Capital", "capital", _once(cost, 0, -shift.capital * cost.capital))
    for item in cost.item:
        amount = -shift.capital * item.amount * _grown(cost, item.year)
        yield CashItem(item.name, "capital", _once(cost, item.year, amount))


def _incentives(cost: Cost, shift: Shift) -> Iterator[CashItem]:
    for part in cost.incentive:
        share = part.capital_fraction
        amount = part.amount if share is None else share * shift.capital * cost.at_start
        yield CashItem(part.name, "incentive", _once(cost, part.year, amount or 0.0))


def _upkeep(cost: Cost, shift: Shift) -> Iterator[CashItem]:
    years = range(1, cost.life_years + 1)
    own = (-shift.upkeep * cost.yearly * _grown(cost, year - 1) for year in years)
    yield CashItem("Upkeep", "upkeep", (0.0, *own))
    for part in cost.upkeep:
        amounts = (
            -shift.upkeep * part.amount * _grown(cost, year - 1, part.change_fraction)
            if part.first_year <= year <= part.last_year
            else 0.0
            for year in years
        )
        yield CashItem(part.name, "upkeep", (0.0, *amounts))


def _replacements(cost: Cost, banks: Sequence[BankLife], shift: Shift) -> Iterator[CashItem]:
    for part in cost.replacement:
        bank = next((bank for bank in banks if bank.name == part.storage), None)
        if bank is not None:
            years = bank.renewals(cost.life_years)
        else:
            every = part.every_years or cost.life_years
            years = list(range(every, cost.life_years, every))
        amounts = [0.0] * (cost.life_years + 1)
        for year in years:
            amounts[year] = -shift.capital * part.amount * _grown(cost, year, part.change_fraction)
        yield CashItem(part.name, "replacement", tuple(amounts))


def _loan(cost: Cost) -> tuple[np.ndarray, np.ndarray]:
    """The loan's flows and the interest in them, both of shape (years,). [currency]

    A loan that outlives the appraisal is paid off in its last year.
    """
    flows, interest = np.zeros(cost.life_years + 1), np.zeros(cost.life_years + 1)
    if cost.loan is None:
        return flows, interest
    flows[0] = owed = cost.loan.amount
    payment = owed * capital_recovery(cost.loan.rate_fraction, cost.loan.years)
    for year in range(1, min(cost.loan.years, cost.life_years) + 1):
        interest[year] = owed * cost.loan.rate_fraction
        owed -= payment - interest[year]
        flows[year] = -payment
    if cost.loan.years > cost.life_years:
        flows[-1] -= owed
    return flows, interest


def _tax(cost: Cost, items: Sequence[CashItem], interest: np.ndarray) -> np.ndarray:
    """Tax on each year's profit, of shape (years,); a loss lowers the tax on other profit. [currency]

    Savings, upkeep, replacements, later purchases and the end value count in their year; what is laid out in year 0
    by the schedule; incentives are free of tax; interest is deducted.
    """
    assert cost.tax is not None
    profit = -interest
    laid_out = 0.0
    for item in items:
        if item.kind in ("saving", "upkeep", "replacement", "end value"):
            profit = profit + item.amounts
        elif item.kind == "capital":
            laid_out -= item.amounts[0]
            profit = profit + np.r_[0.0, item.amounts[1:]]
    for year, share in enumerate(cost.tax.shares(), 1):
        if year <= cost.life_years:
            profit[year] -= cost.tax.depreciated_fraction * laid_out * share
    return -cost.tax.rate_fraction * profit
