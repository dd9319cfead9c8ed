"""What a bill's components charge: each amount of money is defined here, once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.fields import Column, Component, ZoneName, choice, column, quantity, several, text
from optimiser.flows import MeterFlows
from optimiser.terms import Line
from optimiser.timeline import Grouping, Window


class RatePeriod(Component):
    """A rate and the hours it holds in; the first period of a list that holds is the one that counts."""

    name: StrictStr = text("name on the bill, peak for example", default="")
    rate_per_kwh: float = quantity("currency/kWh", "rate before tax")
    when: Window | None = None


class _Energy(Component):
    """A rate per kWh by time of use, for either direction."""

    name: StrictStr = text("name on the bill", default="")
    rates: several(RatePeriod) = Field(  # type: ignore[valid-type]
        default=(), description="rates by time of use; the last may have no `when` and holds otherwise"
    )
    rate_per_kwh: float | None = quantity("currency/kWh", "one rate for all hours, before tax", default=None)
    taxed: bool = Field(default=True, description="whether the tariff's tax is added")

    @model_validator(mode="after")
    def _one_of(self) -> Any:
        if (self.rate_per_kwh is None) == (not self.rates):
            raise ValueError("give either rate_per_kwh or rates")
        return self

    def _periods(self) -> tuple[RatePeriod, ...]:
        if self.rate_per_kwh is not None:
            return (RatePeriod(rate_per_kwh=self.rate_per_kwh),)
        return self.rates

    def masks(self, terms: Any, zone: str) -> Iterator[tuple[RatePeriod, np.ndarray]]:
        """Each period with 1.0 in the steps where it is the first that holds."""
        free = np.ones(terms.timeline.steps)
        for period in self._periods():
            mask = terms.timeline.mask(period.when, zone) * free
            free = free - mask
            yield period, mask

    def uncovered(self, timeline: Any, zone: str) -> int | None:
        """The first step that no period covers, or None."""
        covered = np.zeros(timeline.steps)
        for period in self._periods():
            covered = np.maximum(covered, timeline.mask(period.when, zone))
        missing = np.flatnonzero(covered == 0)
        return int(missing[0]) if len(missing) else None


class EnergyCharge(_Energy):
    """Charge per kWh imported, flat or by time of use.

    Metered at the import register, in kWh over the steps of a billing period. A step belongs to the period in
    which it starts. Leaves out blocks by volume.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["energy_charge"] = choice("component")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """One line a rate period; negative where the rate is positive."""
        for period, mask in self.masks(terms, tariff.zone):
            if mask.any():
                energy = flows.import_kw * terms.series(mask) * terms.step_hours
                name = " ".join(filter(None, [self.name or "Energy imported", period.name]))
                yield Line(name, "energy in", -period.rate_per_kwh * energy, quantity=energy, unit="kWh")


class FeedIn(_Energy):
    """Credit per kWh exported, flat or by time of use; a negative rate is a charge.

    Metered at the export register. Leaves out tiers by volume.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["feed_in"] = choice("component")
    taxed: bool = Field(default=False, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """One line a rate period; positive where the rate is positive."""
        for period, mask in self.masks(terms, tariff.zone):
            if mask.any():
                energy = flows.export_kw * terms.series(mask) * terms.step_hours
                name = " ".join(filter(None, [self.name or "Energy exported", period.name]))
                yield Line(name, "energy out", period.rate_per_kwh * energy, quantity=energy, unit="kWh")


class _Spot(Component):
    """A wholesale price passed through with loss factors and a fee."""

    name: StrictStr = text("name on the bill", default="")
    price_per_mwh: Column = column("currency/MWh", "spot price at the reference node, before tax")
    transmission_loss_factor: float = quantity("-", "marginal loss factor", default=1.0, above=0)
    distribution_loss_factor: float = quantity("-", "distribution loss factor", default=1.0, above=0)
    fee_per_kwh: float = quantity("currency/kWh", "network, environmental and retail fees", default=0.0)
    taxed: bool = Field(default=True, description="whether the tariff's tax is added")

    def price_per_kwh(self, terms: Any) -> np.ndarray:
        """Price at the site before the fee, of shape (steps,). [currency/kWh]"""
        factor = self.transmission_loss_factor * self.distribution_loss_factor / 1000
        return factor * terms.values(self.price_per_mwh)


class SpotCharge(_Spot):
    """Wholesale price passed through for each kWh imported, with fees.

    Metered at the import register in each step; price x both loss factors + fee. A negative price is income.

    References
    ----------
    .. [1] Australian Energy Market Operator, "Treatment of Loss Factors in the NEM", 1 July 2012, section 11:
       the price at a connection point is the regional price times its loss factors.
    """

    kind: Literal["spot_charge"] = choice("component")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """The energy at spot, and the fees on it."""
        energy = flows.import_kw * terms.step_hours
        name = self.name or "Energy imported at spot"
        yield Line(
            name, "energy in", -terms.series(self.price_per_kwh(terms)) * energy, quantity=energy, unit="kWh"
        )
        if self.fee_per_kwh:
            yield Line(f"{name}, fees", "energy in", -self.fee_per_kwh * energy, quantity=energy, unit="kWh")


class SpotFeedIn(_Spot):
    """Wholesale price passed through for each kWh exported, less fees.

    Metered at the export register in each step; price x both loss factors - fee. A negative price is a charge.

    References
    ----------
    .. [1] Australian Energy Market Operator, "Treatment of Loss Factors in the NEM", 1 July 2012, section 11.
    """

    kind: Literal["spot_feed_in"] = choice("component")
    taxed: bool = Field(default=False, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """The energy at spot, and the fees on it."""
        energy = flows.export_kw * terms.step_hours
        name = self.name or "Energy exported at spot"
        yield Line(
            name, "energy out", terms.series(self.price_per_kwh(terms)) * energy, quantity=energy, unit="kWh"
        )
        if self.fee_per_kwh:
            yield Line(f"{name}, fees", "energy out", -self.fee_per_kwh * energy, quantity=energy, unit="kWh")


class DemandCharge(Component):
    """Charge on the highest metered average import of a billing period.

    Metered at the import register, averaged over clock-aligned intervals of `interval_minutes`, within a window;
    the highest average of the billing period is charged. With steps longer than the interval the step's own
    average is used, which understates the peak; the check command says so.

    References
    ----------
    .. [1] Average over 30 min, maximum of the month, often within a window: public pages of distribution networks
       and of the HK Electric bill guide ("maximum demand in kVA averaged over 30 minutes x rate"), read second hand.
    """

    kind: Literal["demand_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Demand")
    rate_per_kw: float = quantity(
        "currency/kW", "charge per kW of a billing period's peak, before tax", at_least=0
    )
    interval_minutes: int = quantity("min", "length of the metered average", default=30, above=0)
    when: Window | None = None
    taxed: bool = Field(default=True, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """One amount a billing period."""
        mask = terms.timeline.mask(self.when, tariff.zone)
        slot = Grouping()
        if self.interval_minutes > terms.timeline.step_minutes:
            slot = Grouping("block", tariff.zone, self.interval_minutes)
        peak_kw = terms.peak(
            f"demand.{self.name}",
            flows.import_kw * terms.series(mask) if not mask.all() else flows.import_kw,
            per=tariff.period,
            slot=slot,
            at_most=flows.import_most_kw * mask,
        )
        yield Line(
            self.name, "demand", -self.rate_per_kw * peak_kw, tariff.period, quantity=peak_kw, unit="kW"
        )


class DailyCharge(Component):
    """Fixed charge per day of supply; a part of a day counts by its share of 24 hours.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["daily_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Supply")
    rate_per_day: float = quantity("currency/day", "charge per day, before tax")
    taxed: bool = Field(default=True, description="whether the tariff's tax is added")

    def lines(self, flows: MeterFlows, terms: Any, tariff: Tariff) -> Iterator[Line]:
        """One amount a billing period."""
        groups = terms.groups(tariff.period)
        days = terms.series(_days(terms, tariff, groups), per=tariff.period)
        yield Line(self.name, "fixed", -self.rate_per_day * days, tariff.period, quantity=days, unit="days")


def _days(terms: Any, tariff: Tariff, groups: Any) -> np.ndarray:
    """Days of supply in each billing period; a whole local day is one day, however long its clock makes it."""
    day = terms.groups(Grouping("day", tariff.zone))
    local = terms.timeline.local(tariff.zone)
    lengths = np.array(
        [
            (local[first].normalize() + np.timedelta64(36, "h")).normalize() - local[first].normalize()
            for first in day.first_step
        ]
    )
    hours = np.array([length.total_seconds() / 3600 for length in lengths])
    return groups.sum((terms.step_hours / hours)[day.of_step])


KINDS = (EnergyCharge, FeedIn, SpotCharge, SpotFeedIn, DemandCharge, DailyCharge)

AnyComponent: Any = Annotated[Union[KINDS], Field(discriminator="kind")]  # noqa: UP007 - built from the list


class Tariff(Component):
    """A named contract: its clock, its tax and its components. Billing periods are the months of its clock."""

    name: StrictStr = text("name of the contract")
    zone: ZoneName = text("zone whose clock its windows and months follow")
    tax_fraction: float = quantity(
        "-", "tax added to each taxed component, 0.1 for 10 %", default=0.0, at_least=0, at_most=1
    )
    tax_name: StrictStr = text("name of the tax on the bill", default="Tax")
    source: StrictStr = text("where the rates are from, with a date", default="")
    component: several(AnyComponent) = ()  # type: ignore[valid-type]

    @property
    def period(self) -> Grouping:
        """The billing period."""
        return Grouping("month", self.zone)

    def lines(self, flows: MeterFlows, terms: Any) -> list[Line]:
        """Every line of the bill, the tax on it included."""
        lines: list[Line] = []
        component: Any
        for component in self.component:
            own = list(component.lines(flows, terms, self))
            lines += own
            if component.taxed and self.tax_fraction:
                lines += [
                    Line(self.tax_name, "tax", self.tax_fraction * line.values, line.per) for line in own
                ]
        return lines

    def import_price(self, terms: Any) -> np.ndarray:
        """What one more imported kWh costs in each step, demand aside, of shape (steps,). [currency/kWh]"""
        return -self._price(terms, EnergyCharge, SpotCharge)

    def export_price(self, terms: Any) -> np.ndarray:
        """What one more exported kWh brings in each step, of shape (steps,). [currency/kWh]"""
        return self._price(terms, FeedIn, SpotFeedIn)

    def _price(self, terms: Any, *kinds: Any) -> np.ndarray:
        steps = terms.timeline.steps
        one = np.ones(steps) / terms.step_hours
        flows = MeterFlows(one, one, one, one)
        price = np.zeros(steps)
        component: Any
        for component in self.component:
            if isinstance(component, kinds):
                factor = 1 + (self.tax_fraction if component.taxed else 0.0)
                price = price + factor * sum(line.values for line in component.lines(flows, terms, self))
        return price
