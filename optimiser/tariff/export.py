"""Energy given to the grid: flat, by time of use, by tiers of volume, at the wholesale price, charged above a level."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, get_args

import numpy as np
from pydantic import Field, StrictStr

from optimiser.fields import choice, quantity, text
from optimiser.flows import MeterFlows
from optimiser.tariff.energy import Spot
from optimiser.tariff.parts import Charge, TariffBasis, TimeOfUse, Volume, hours_words, share_of_period
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Window


class FeedIn(TimeOfUse):
    """Credit per kWh exported, flat or by time of use; a negative rate is a charge.

    Metered at the export register. Leaves out tiers by volume, which `tiered_feed_in` has.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["feed_in"] = choice("component")
    taxed: bool = Field(default=False, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a rate period; positive where the rate is positive."""
        return self.energy_lines(flows.export_kw, 1.0, "energy out", "Energy exported", terms, tariff)


class TieredFeedIn(Volume):
    """Credit per kWh exported by tiers of volume: the first kWh of each day at one rate, the others at another.

    Metered at the export register within `when`, counted over each local day (or the billing period). Where a later
    tier is worth more, whole numbers keep the order in which tiers fill.

    References
    ----------
    .. [1] Feed-in offers of Australian retailers with a higher rate for the first kWh of a day; from memory.
    """

    kind: Literal["tiered_feed_in"] = choice("component")
    name: StrictStr = text("name on the bill", default="Energy exported")
    counted_per: Literal["billing_period", "day"] = choice(
        "whether volume is counted over each day or over the billing period", default="day"
    )
    taxed: bool = Field(default=False, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a tier."""
        name = f"tiered_feed_in.{self.name}"
        worth = [block.rate_per_kwh for block in self.blocks]
        parts, ordered = self.volumes(name, flows.export_kw, flows.export_most_kw, worth, terms, tariff)
        joined = name if ordered else ""
        return self.volume_lines(self.name, parts, 1.0, "energy out", joined, terms, tariff)


class SpotFeedIn(Spot):
    """Wholesale price passed through for each kWh exported, less fees.

    Metered at the export register in each step; price x both loss factors - fees. A negative price is a charge.

    References
    ----------
    .. [1] Australian Energy Market Operator, "Treatment of Loss Factors in the NEM", 1 July 2012, section 11.
    """

    kind: Literal["spot_feed_in"] = choice("component")
    taxed: bool = Field(default=False, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """The energy at spot, and the fees on it."""
        name = self.name or "Energy exported at spot"
        return self.spot_lines(flows.export_kw, 1.0, "energy out", name, terms, tariff)

    def price(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """Price less fees of each step. [currency/kWh]"""
        fees = sum(rate for _, rate in self.fee_rates())
        made: np.ndarray = (self.price_per_kwh(data) - fees) * self.in_force(data, tariff)
        return made


class ExportCharge(Charge):
    """Charge per kWh exported above a free level of each billing period, within a window: two-way pricing.

    Metered at the export register within `when`. The level is the one published for a whole billing period; with
    `free_kwh_per_day` it grows with the days instead. A period that the run or the dates cut has it scaled by days. The
    credit that goes with it in other hours is a `feed_in`.

    References
    ----------
    .. [1] Ausgrid, export pricing: no charge for the first 200 kWh a month exported from 10:00 to 15:00, a charge
       above; read second hand.
    """

    kind: Literal["export_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Export above the free level")
    rate_per_kwh: float = quantity("currency/kWh", "charge above the free level, before tax", at_least=0)
    free_kwh: float = quantity("kWh", "free level of a billing period", default=0.0, at_least=0)
    free_kwh_per_day: float = quantity("kWh/day", "free level for each day of it", default=0.0, at_least=0)
    when: Window | None = Field(default=None, description="hours whose export is counted; left out: all")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One amount a billing period."""
        mask, per = self.mask(terms, tariff, self.when), tariff.period
        share = share_of_period(terms, tariff, self.in_force(terms, tariff))
        free = self.free_kwh * share + self.free_kwh_per_day * share * terms.timeline.calendar_days(per)
        _, above = terms.blocks(
            f"export_charge.{self.name}",
            flows.export_kw * terms.series(mask) * terms.step_hours,
            widths=[free],
            per=per,
            at_most=terms.groups(per).sum(flows.export_most_kw * mask * terms.step_hours),
            in_order=False,
        )
        yield Line(self.name, "energy out", -self.rate_per_kwh * above, per, quantity=above, unit="kWh")

    @property
    def when_cut(self) -> str:
        """What becomes of a billing period that its dates cut, for a note on the bill; empty where that is plain."""
        return (
            "the export of those days counts above a free level that is scaled by days"
            if self.free_kwh
            else ""
        )

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        free = (
            [f"{self.free_kwh:g} kWh of a billing period"]
            if self.free_kwh or not self.free_kwh_per_day
            else []
        )
        free += [f"{self.free_kwh_per_day:g} kWh for each of its days"] if self.free_kwh_per_day else []
        return f"{self.rate_per_kwh:g} a kWh exported above {' and '.join(free)}{hours_words(self.when)}"

    def steepest(self, data: InputData, tariff: TariffBasis) -> float:
        """Its rate. [currency/kWh]"""
        return self.rate_per_kwh


AnyExport = FeedIn | TieredFeedIn | SpotFeedIn | ExportCharge
KINDS = get_args(AnyExport)
