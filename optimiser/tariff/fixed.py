"""Charges that no kWh moves: per day, per billing period, and the least that a bill comes to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal, get_args

import numpy as np
from pydantic import StrictStr

from optimiser.fields import choice, quantity, text
from optimiser.flows import MeterFlows
from optimiser.tariff.parts import Charge, TariffBasis, days_of_supply, share_of_period
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms


class DailyCharge(Charge):
    """Fixed charge per day of supply; a part of a day counts by its share of 24 hours.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["daily_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Supply")
    rate_per_day: float = quantity("currency/day", "charge per day, before tax")

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        return f"{self.rate_per_day:g} a day"

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One amount a billing period."""
        days = terms.series(days_of_supply(terms, tariff, self.in_force(terms, tariff)), per=tariff.period)
        yield Line(self.name, "fixed", -self.rate_per_day * days, tariff.period, quantity=days, unit="days")


class PeriodCharge(Charge):
    """Fixed charge per billing period; a period that the run or the dates cut pays by its share of days.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["period_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Subscription")
    rate_per_period: float = quantity("currency", "charge per billing period, before tax")

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        return f"{self.rate_per_period:g} a billing period"

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One amount a billing period."""
        share = share_of_period(terms, tariff, self.in_force(terms, tariff))
        share = terms.series(share, per=tariff.period)
        charge = -self.rate_per_period * share
        yield Line(self.name, "fixed", charge, tariff.period, quantity=share, unit="billing periods")


class MinimumCharge(Charge):
    """What a bill of a billing period comes to at least, before tax: the rest is topped up.

    It is compared with the other charges of the tariff, either all of them or those for import, demand and supply
    alone, credits for export left out. A period that the run cuts has its minimum scaled by days; where the dates cut
    it, what is missing in the whole period is charged for its share of the days, so that an equal minimum in its place
    changes nothing. The rest of another minimum counts where both hold.

    References
    ----------
    .. [1] CLP Power Hong Kong, residential tariff, 1 January 2025: minimum charge HK$40 a month; read second hand.
    """

    kind: Literal["minimum_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Minimum charge, rest")
    at_least_per_period: float = quantity(
        "currency", "least charge of a billing period, before tax", at_least=0
    )
    compared_with: Literal["charges", "bill"] = choice(
        "charges for import, demand and supply, or the whole bill with credits for export", default="charges"
    )

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """Nothing by itself: `top_up` needs the other lines."""
        return iter(())

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        what = "the whole bill" if self.compared_with == "bill" else "charges without credits for export"
        return f"{what}: at least {self.at_least_per_period:g} a billing period"

    @property
    def when_cut(self) -> str:
        """What becomes of a billing period that its dates cut, for a note on the bill; empty where that is plain."""
        return "what is missing in the whole billing period is charged for its share of the days"

    def covers(self, line: Line) -> bool:
        """Whether a line counts towards the minimum."""
        return line.group != "tax" and (self.compared_with == "bill" or line.group != "energy out")

    def top_up(self, lines: Sequence[Line], flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Line:
        """What is missing to the minimum in each billing period.

        Parameters
        ----------
        lines : list of Line
            Those that count.
        """
        per = tariff.period
        held, run = self.in_force(terms, tariff), np.ones(terms.timeline.steps)
        share = days_of_supply(terms, tariff, held) / days_of_supply(terms, tariff, run)
        least = self.at_least_per_period * np.where(share > 0, share_of_period(terms, tariff, run), 0.0)
        # What the other lines can bring at most is what the rest can be above the minimum at most.
        steepest = sum(component.steepest(terms, tariff) for component in tariff.component)
        most_kw = np.asarray(flows.import_most_kw) + np.asarray(flows.export_most_kw)
        most = least + terms.groups(per).sum(most_kw * terms.step_hours) * steepest
        most = most + sum((max(0.0, -getattr(c, "rate_per_day", 0.0)) for c in tariff.component), 0.0) * 366
        most = most + sum((max(0.0, -getattr(c, "rate_per_period", 0.0)) for c in tariff.component), 0.0)
        for component in tariff.component:
            if hasattr(component, "load_kw"):
                drawn = terms.groups(per).sum(terms.values(component.load_kw) * terms.step_hours)
                most = most + drawn * component.steepest(terms, tariff)
        rest = terms.shortfall(
            f"minimum_charge.{self.name}",
            [(-line.values, line.per) for line in lines],
            at_least=least,
            per=per,
            at_most=np.where(least > 0, most, 0.0),
        )
        charged = rest if (share == 1.0).all() else rest * terms.series(share, per=per)
        return Line(self.name, "fixed", -charged, per)


AnyFixed = DailyCharge | PeriodCharge | MinimumCharge
KINDS = get_args(AnyFixed)
