"""What a system costs and what becomes of it over its life: the [cost] table of a scenario."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal

from pydantic import Field, StrictStr, model_validator

from optimiser.equipment.bank import StorageBank
from optimiser.fields import Component, Several, choice, quantity, text

MOST_MONEY = 1e12
MOST_YEARS = 60
SAVING_NAMES = {
    "energy_in": "Saving, energy in",
    "energy_out": "Saving, energy out",
    "demand": "Saving, demand",
    "fixed": "Saving, fixed charges",
    "services": "Income from services",
}
YEAR, SUMS = "year", ("in the year", "running sum", "running sum, discounted")
# Of the cash flow's own lines and columns: an amount of the same name would take the place of one of them.
OWN_NAMES = ("Capital", "Upkeep", "End value", "Loan", "Tax", *SAVING_NAMES.values(), YEAR, *SUMS)

# Shares of the cost written off in each year, half-year convention: IRS Publication 946, appendix A, table A-1,
# from memory; the tests make them again from the declining balance that the table is built on.
MACRS = {
    "macrs_5": (0.20, 0.32, 0.192, 0.1152, 0.1152, 0.0576),
    "macrs_7": (0.1429, 0.2449, 0.1749, 0.1249, 0.0893, 0.0892, 0.0893, 0.0446),
    "macrs_15": (
        *(0.05, 0.095, 0.0855, 0.077, 0.0693, 0.0623, 0.059, 0.059),
        *(0.0591, 0.059, 0.0591, 0.059, 0.0591, 0.059, 0.0591, 0.0295),
    ),
}


def _yearly_change(meaning: str) -> Any:
    return quantity("-", f"{meaning} a year, in money of the day", default=None, at_least=-0.5, at_most=0.5)


class Item(Component):
    """Money laid out once, beside or instead of `capital`."""

    name: StrictStr = text("what is bought")
    amount: float = quantity("currency", "amount at today's prices", at_least=0, at_most=MOST_MONEY)
    year: int = quantity(
        "-", "year in which it is paid; 0: at the start", default=0, at_least=0, at_most=MOST_YEARS
    )
    part: Literal["storage", "other"] = choice(
        "whether it belongs to storage, whose cost of a stored kWh is worked out from items marked so",
        default="other",
    )


class Incentive(Component):
    """Money from outside: a rebate, a grant, a tax credit."""

    name: StrictStr = text("what it is")
    amount: float | None = quantity("currency", "amount", default=None, above=0, at_most=MOST_MONEY)
    capital_fraction: float | None = quantity(
        "-", "share of all that is laid out in year 0, instead of an amount", default=None, above=0, at_most=1
    )
    year: int = quantity(
        "-", "year in which it comes; 0: at the start", default=0, at_least=0, at_most=MOST_YEARS
    )

    @model_validator(mode="after")
    def _one_of(self) -> Incentive:
        if (self.amount is None) == (self.capital_fraction is None):
            raise ValueError("give either amount or capital_fraction")
        return self


class Yearly(Component):
    """Money laid out every year: maintenance, a subscription, an insurance."""

    name: StrictStr = text("what is paid for")
    amount: float = quantity("currency/year", "amount of year 1", at_least=0, at_most=MOST_MONEY)
    change_fraction: float | None = _yearly_change("change; left out: inflation;")
    first_year: int = quantity("-", "first year that is paid", default=1, above=0, at_most=MOST_YEARS)
    last_year: int = quantity("-", "last year that is paid", default=MOST_YEARS, above=0, at_most=MOST_YEARS)

    @model_validator(mode="after")
    def _in_order(self) -> Yearly:
        if self.last_year < self.first_year:
            raise ValueError(
                f"last_year {self.last_year} comes before first_year {self.first_year}; swap them"
            )
        return self


class Replacement(Component):
    """A part that is bought again: a bank at its end of life, or anything every so many years."""

    name: StrictStr = text("what is bought again")
    amount: float = quantity("currency", "amount at today's prices", at_least=0, at_most=MOST_MONEY)
    storage: StrictStr | None = Field(
        default=None,
        description="name of the bank that is as new again; without every_years: at its end of life",
    )
    every_years: int | None = quantity("years", "years between", default=None, above=0, at_most=MOST_YEARS)
    change_fraction: float | None = _yearly_change("change of its price; left out: inflation;")

    @model_validator(mode="after")
    def _has_time(self) -> Replacement:
        if self.storage is None and self.every_years is None:
            raise ValueError("give every_years, or the storage whose end of life it waits for")
        return self


class Escalation(Component):
    """How the saving in each group of the bill changes a year; left out: by inflation."""

    energy_in: float | None = _yearly_change("change of what imported energy costs")
    energy_out: float | None = _yearly_change("change of what exported energy brings")
    demand: float | None = _yearly_change("change of demand charges")
    fixed: float | None = _yearly_change("change of fixed charges")
    services: float | None = _yearly_change("change of what grid services pay")


class Tax(Component):
    """Tax on income, where saving on a business's bill raises its profit."""

    rate_fraction: float = quantity("-", "rate", at_least=0, at_most=0.9)
    schedule: Literal["straight_line", "macrs_5", "macrs_7", "macrs_15"] = choice(
        "how what is laid out in year 0 is written off", default="straight_line"
    )
    straight_line_years: int = quantity(
        "years", "years of the straight line", default=10, above=0, at_most=MOST_YEARS
    )
    depreciated_fraction: float = quantity(
        "-", "share of what is laid out in year 0 that may be written off", default=1.0, at_least=0, at_most=1
    )

    def shares(self) -> tuple[float, ...]:
        """Share of the cost written off in year 1, 2, ..."""
        return MACRS.get(self.schedule) or (1 / self.straight_line_years,) * self.straight_line_years


class Loan(Component):
    """Money borrowed in year 0 and paid back in equal yearly sums."""

    amount: float = quantity("currency", "amount", above=0, at_most=MOST_MONEY)
    rate_fraction: float = quantity("-", "interest a year", at_least=0, at_most=1)
    years: int = quantity("years", "years of paying back", above=0, at_most=MOST_YEARS)


class Ageing(Component):
    """How later years differ from the first, and whether they are solved again."""

    resolve: bool = Field(default=False, description="solve the year again at several ages with every run")
    ages: Several[int] = Field(
        default=(),
        description="years that are solved again, such as [5, 10]; left out: the middle and the last",
    )
    step_minutes: int = quantity(
        "min",
        "step of the years solved again; the run's own where that is longer",
        default=30,
        above=0,
        at_most=60,
    )
    solar_fade_fraction: float = quantity(
        "-", "share of their yield that modules lose a year", default=0.0, at_least=0, at_most=0.2
    )
    load_growth_fraction: float = quantity(
        "-", "growth of the load a year; needs resolve", default=0.0, at_least=-0.5, at_most=0.5
    )

    @model_validator(mode="after")
    def _check(self) -> Ageing:
        if self.load_growth_fraction and not self.resolve:
            raise ValueError(
                "load_growth_fraction counts only where later years are solved again; set resolve = true"
            )
        if any(not 2 <= age <= MOST_YEARS for age in self.ages):
            raise ValueError(f"ages must lie between 2 and {MOST_YEARS}; year 1 is the run itself")
        if 60 % self.step_minutes:
            raise ValueError(f"step_minutes must divide 60, got {self.step_minutes}; use 15, 30 or 60")
        return self


class Cost(Component):
    """What the system costs and how it is appraised.

    Amounts are in today's money, what recurs in the money of year 1; the cash flow is in money of the day.
    """

    capital: float = quantity(
        "currency", "capital cost installed, before tax credits", default=0.0, at_least=0, at_most=MOST_MONEY
    )
    yearly: float = quantity(
        "currency/year", "maintenance and subscriptions", default=0.0, at_least=0, at_most=MOST_MONEY
    )
    life_years: int = quantity("years", "years that are appraised", default=15, above=0, at_most=MOST_YEARS)
    discount_rate_fraction: float = quantity("-", "discount rate", default=0.06, at_least=0, at_most=1)
    discount_rate_is: Literal["nominal", "real"] = choice(
        "whether inflation is part of the discount rate (nominal) or comes on top (real)", default="nominal"
    )
    inflation_fraction: float = quantity("-", "inflation a year", default=0.0, at_least=-0.1, at_most=0.5)
    end_value: float = quantity(
        "currency", "what is left at the end of the life, at today's prices", default=0.0, at_least=0,
        at_most=MOST_MONEY,
    )  # fmt: skip
    item: Several[Item] = ()
    incentive: Several[Incentive] = ()
    upkeep: Several[Yearly] = ()
    replacement: Several[Replacement] = ()
    escalation: Escalation = Field(default_factory=Escalation)
    life: Ageing = Field(default_factory=Ageing)
    tax: Tax | None = None
    loan: Loan | None = None

    @model_validator(mode="after")
    def _check(self) -> Cost:
        faults = list(self._faults())
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _faults(self) -> Iterator[str]:
        if "capital" not in self.model_fields_set and not self.item:
            yield "capital is required but missing; add it, or list [[cost.item]]"
        names = [*OWN_NAMES, *(part.name for part in self.parts)]
        twins = sorted({name for name in names if names.count(name) > 1})
        if twins:
            yield f"the name {twins[0]!r} stands there twice; give each amount its own name"
        helped = sum(self.worth_of(incentive) for incentive in self.incentive)
        laid_out = self.capital + sum(item.amount for item in self.item)
        if helped > laid_out:
            yield f"incentives come to {helped:g}, more than the {laid_out:g} that is laid out; lower them"
        rest = self.at_start - sum(self.worth_of(part) for part in self.incentive if part.year == 0)
        if self.loan and self.loan.amount > rest:
            yield (
                f"loan.amount of {self.loan.amount:g} is more than the {rest:g} laid out in year 0 less incentives; "
                "lower it"
            )
        dated: tuple[Item | Incentive, ...] = (*self.item, *self.incentive)
        for part in dated:
            if part.year > self.life_years:
                yield f"{part.name!r} is in year {part.year}, after life_years = {self.life_years}; leave it out"
        late = [age for age in self.life.ages if age > self.life_years]
        if late:
            yield f"life.ages has {late[0]}, later than life_years = {self.life_years}; leave it out"

    @property
    def parts(self) -> tuple[Item | Incentive | Yearly | Replacement, ...]:
        """Everything that has a name of its own."""
        return (*self.item, *self.incentive, *self.upkeep, *self.replacement)

    def worth_of(self, incentive: Incentive) -> float:
        """What an incentive brings, at today's prices. [currency]"""
        if incentive.capital_fraction is not None:
            return incentive.capital_fraction * self.at_start
        return incentive.amount or 0.0

    @property
    def at_start(self) -> float:
        """All that is laid out in year 0, before incentives. [currency]"""
        return self.capital + sum(item.amount for item in self.item if item.year == 0)

    @property
    def nominal_rate(self) -> float:
        """Discount rate with inflation in it.

        References
        ----------
        .. [1] (1 + nominal) = (1 + real)(1 + inflation), the Fisher relation, handbook form.
        """
        if self.discount_rate_is == "nominal":
            return self.discount_rate_fraction
        return (1 + self.discount_rate_fraction) * (1 + self.inflation_fraction) - 1

    @property
    def real_rate(self) -> float:
        """Discount rate without inflation."""
        return (1 + self.nominal_rate) / (1 + self.inflation_fraction) - 1

    def faults(self, banks: Sequence[StorageBank]) -> Iterator[str]:
        """Replacements of banks that are not there or have no end of life."""
        lives = {bank.name: bank.life for bank in banks}
        for index, part in enumerate(self.replacement):
            place = f"replacement.{index}"
            if part.storage is None:
                continue
            if part.storage not in lives:
                yield f"{place}.storage is {part.storage!r}, which no bank is called. Use {', '.join(lives) or 'none'}."
            elif lives[part.storage] is None and part.every_years is None:
                yield (
                    f"{place} waits for the end of life of {part.storage}, which has none. Add its life, "
                    "or give every_years."
                )
