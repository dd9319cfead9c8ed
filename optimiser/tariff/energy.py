"""Energy taken from the grid: by time of use, by blocks of volume, at the wholesale price, on a register of its own,
beyond a subscribed power."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, get_args

import numpy as np
from pydantic import Field, StrictStr

from optimiser.fields import Column, Component, Several, choice, column, quantity, text
from optimiser.flows import MeterFlows, Series
from optimiser.tariff.parts import (
    Charge,
    TariffBasis,
    TimeOfUse,
    Volume,
    days_of_supply,
    hours_words,
    rest,
    share_of_period,
)
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Group, Terms
from optimiser.timeline import STEP, Grouping, Window

LOSS_FACTORS = (0.5, 1.5)  # published marginal and distribution factors lie well inside (from memory)


class EnergyCharge(TimeOfUse):
    """Charge per kWh imported, flat or by time of use.

    Metered at the import register, in kWh over the steps of a billing period. A step belongs to the period in
    which it starts. Leaves out blocks by volume, which `block_charge` has; the two add where a tariff has both.

    References
    ----------
    .. [1] Common form of retail tariffs; common practice, no source.
    """

    kind: Literal["energy_charge"] = choice("component")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a rate period; negative where the rate is positive."""
        return self.energy_lines(flows.import_kw, -1.0, "energy in", "Energy imported", terms, tariff)


class BlockCharge(Volume):
    """Charge per kWh imported by blocks of volume, each kWh at the rate of the block that it falls in.

    Metered at the import register within `when`, counted over the billing period (or each day). Blocks may get
    dearer or cheaper; where a later one is cheaper, whole numbers keep the order in which they fill. Several
    with windows that do not overlap, or one beside an `energy_charge`, make blocks by time of use. Leaves out
    blocks that are counted over several registers or carried over to the next period.

    References
    ----------
    .. [1] Tenaga Nasional Berhad, domestic tariff A: 200, 100, 300, 300 kWh a month and the rest, as printed in the
       press; read second hand.
    .. [2] CLP Power Hong Kong, page on reading the bill, 2025: block size x N / 30 in a period of N days outside
       25 to 35 days; read second hand.
    """

    kind: Literal["block_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Energy imported")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a block."""
        name = f"block_charge.{self.name}"
        worth = [-block.rate_per_kwh for block in self.blocks]
        parts, ordered = self.volumes(name, flows.import_kw, flows.import_most_kw, worth, terms, tariff)
        joined = name if ordered else ""
        return self.volume_lines(self.name, parts, -1.0, "energy in", joined, terms, tariff)


class VolumeCharge(Volume):
    """Charge on every kWh imported at one rate, which the volume of the whole billing period picks.

    Metered at the import register within `when`. A negative rate is a rebate that is lost, or won, on all units when
    the volume passes a limit. A volume that ends a block is in it; within a watt-hour of it the better rate counts.
    Whole numbers choose the rate.

    References
    ----------
    .. [1] CLP Power Hong Kong, energy saving rebate of the residential tariff, 1 January 2025: 17.2, 16.2 and 15.2
       c/kWh on all units of a bill of up to 200, 300 and 400 units, none above; read second hand.
    """

    kind: Literal["volume_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Energy by volume")

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        return f"every kWh at the rate of the volume reached: {super().words()}"

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a block, of which one has energy in it."""
        name, per = f"volume_charge.{self.name}", self.grouping(tariff)
        mask = self.mask(terms, tariff, self.when)
        energy = flows.import_kw * terms.series(mask) * terms.step_hours
        parts = terms.bands(
            name,
            energy,
            tops=self.ends_kwh(terms, tariff),
            worth=[-block.rate_per_kwh for block in self.blocks],
            per=per,
            at_most=terms.groups(per).sum(flows.import_most_kw * mask * terms.step_hours),
        )
        parts = [rest(energy, parts[1:], per, terms), *parts[1:]]
        joined = name if len(self.blocks) > 1 else ""
        return self.volume_lines(self.name, parts, -1.0, "energy in", joined, terms, tariff)


class Fee(Component):
    """A fee per kWh with a name of its own."""

    name: StrictStr = text("name on the bill")
    rate_per_kwh: float = quantity("currency/kWh", "rate before tax")
    with_losses: bool = Field(
        default=False, description="whether it is charged on the energy times both loss factors"
    )


class Spot(Charge):
    """A wholesale price passed through with loss factors and fees."""

    name: StrictStr = text("name on the bill", default="")
    price_per_mwh: Column = column("currency/MWh", "spot price at the reference node, before tax")
    transmission_loss_factor: float = quantity(
        "-", "marginal loss factor", default=1.0, above=0, plausible=LOSS_FACTORS
    )
    distribution_loss_factor: float = quantity(
        "-", "distribution loss factor", default=1.0, above=0, plausible=LOSS_FACTORS
    )
    fee_per_kwh: float = quantity("currency/kWh", "network, environmental and retail fees", default=0.0)
    fees: Several[Fee] = Field(
        default=(), description="further fees by name: network, market, environmental schemes"
    )

    @property
    def losses(self) -> float:
        """Both loss factors together. [-]"""
        return self.transmission_loss_factor * self.distribution_loss_factor

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        price = self.price_per_mwh
        words = f"{price:g} a MWh" if isinstance(price, float) else f"price {price} in each step"
        if self.losses != 1:
            words += f" x {self.transmission_loss_factor:g} x {self.distribution_loss_factor:g} for losses"
        return "; ".join([words, *(f"{name} {rate:g} a kWh" for name, rate in self.fee_rates())])

    def price_per_kwh(self, data: InputData) -> np.ndarray:
        """Price at the site before the fee, of shape (steps,). [currency/kWh]"""
        return self.losses / 1000 * data.values(self.price_per_mwh)

    def fee_rates(self) -> list[tuple[str, float]]:
        """Each fee with its rate at the meter. [currency/kWh]"""
        named = [
            (fee.name, fee.rate_per_kwh * (self.losses if fee.with_losses else 1.0)) for fee in self.fees
        ]
        return ([("fees", self.fee_per_kwh)] if self.fee_per_kwh else []) + named

    def spot_lines(
        self, power_kw: Series, sign: float, group: Group, name: str, terms: Terms, tariff: TariffBasis
    ) -> Iterator[Line]:
        """The energy at spot with the sign given, and the fees on it, which are always paid."""
        mask = self.in_force(terms, tariff)
        energy = power_kw * terms.step_hours
        if not mask.all():
            energy = energy * terms.series(mask)
        price = terms.series(self.price_per_kwh(terms))
        yield Line(name, group, sign * price * energy, quantity=energy, unit="kWh")
        for words, rate in self.fee_rates():
            yield Line(f"{name}, {words}", group, -rate * energy, quantity=energy, unit="kWh")


class SpotCharge(Spot):
    """Wholesale price passed through for each kWh imported, with fees.

    Metered at the import register in each step; price x both loss factors + fees. A negative price is income.

    References
    ----------
    .. [1] Australian Energy Market Operator, "Treatment of Loss Factors in the NEM", 1 July 2012, section 11:
       the price at a connection point is the regional price times its loss factors.
    """

    kind: Literal["spot_charge"] = choice("component")

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """The energy at spot, and the fees on it."""
        name = self.name or "Energy imported at spot"
        return self.spot_lines(flows.import_kw, -1.0, "energy in", name, terms, tariff)

    def price(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """Price and fees of each step. [currency/kWh]"""
        fees = sum(rate for _, rate in self.fee_rates())
        made: np.ndarray = (self.price_per_kwh(data) + fees) * self.in_force(data, tariff)
        return made


class ControlledLoad(TimeOfUse):
    """Load on a register of its own, with its own rate and daily charge.

    Metered on its own circuit, given as a series; solar and storage behind the main register cannot offset it, so it
    costs the same with and without them. It is not part of the site's load and does not count towards the
    connection's limits or any demand. Leaves out the hours in which the network allows it: the series is what ran.

    References
    ----------
    .. [1] Controlled load tariffs of Australian networks; from memory.
    """

    kind: Literal["controlled_load"] = choice("component")
    name: StrictStr = text("name on the bill", default="Controlled load")
    load_kw: Column = column("kW", "what the circuit draws", at_least=0)
    rate_per_day: float = quantity("currency/day", "charge per day of the register, before tax", default=0.0)

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        register = f"; {self.rate_per_day:g} a day" if self.rate_per_day else ""
        return f"a register of its own ({self.load_kw}): {super().words()}{register}"

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line a rate period, and the register's daily charge."""
        load = terms.series(terms.values(self.load_kw))
        yield from self.energy_lines(load, -1.0, "energy in", self.name, terms, tariff)
        if self.rate_per_day:
            days = terms.series(
                days_of_supply(terms, tariff, self.in_force(terms, tariff)), per=tariff.period
            )
            charge = -self.rate_per_day * days
            yield Line(f"{self.name}, register", "fixed", charge, tariff.period, quantity=days, unit="days")


class SubscribedCapacity(Charge):
    """A subscription for so many kW, and a charge per kWh imported beyond it.

    Metered at the import register: what an interval of the clock takes beyond `subscribed_kw` times its length is
    charged, so a short peak within it costs nothing. With `when`, import at other times is not counted, and an interval
    that the window cuts has as much of the subscription as it has hours in it. The subscription itself is paid whatever
    is used, by the billing period, of which the run or the dates may cut a share of days, or by the day. Leaves out
    a change of the subscription within the run: two components with dates have it.

    References
    ----------
    .. [1] Norwegian Water Resources and Energy Directorate (NVE), consultation document 5/2017 on tariffs of
       distribution networks: a subscription in kW, and each kWh of an hour beyond it at a higher rate; from memory.
    """

    kind: Literal["subscribed_capacity"] = choice("component")
    name: StrictStr = text("name on the bill", default="Subscribed capacity")
    subscribed_kw: float = quantity("kW", "power that is subscribed", at_least=0)
    rate_per_kw: float = quantity("currency/kW", "subscription for a kW, before tax", at_least=0)
    rate_basis: Literal["billing_period", "day"] = choice(
        "whether that rate is for a billing period or for each day of it", default="billing_period"
    )
    excess_rate_per_kwh: float = quantity(
        "currency/kWh", "charge on import beyond the subscription, before tax", at_least=0
    )
    interval_minutes: int = quantity("min", "length of the metered average", default=60, above=0)
    when: Window | None = Field(default=None, description="hours whose import is counted; left out: all")

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        per = "day" if self.rate_basis == "day" else "billing period"
        return (
            f"{self.subscribed_kw:g} kW at {self.rate_per_kw:g} a kW and {per}; {self.excess_rate_per_kwh:g} a kWh "
            f"beyond that in an interval of {self.interval_minutes} min{hours_words(self.when)}"
        )

    def steepest(self, data: InputData, tariff: TariffBasis) -> float:
        """What a kWh costs beyond the subscription. [currency/kWh]"""
        return self.excess_rate_per_kwh

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """The subscription of each billing period, and what is beyond it in each interval."""
        count = days_of_supply if self.rate_basis == "day" else share_of_period
        held = terms.series(count(terms, tariff, self.in_force(terms, tariff)), per=tariff.period)
        subscribed = self.subscribed_kw * held
        unit = "kW days" if self.rate_basis == "day" else "kW"
        charge = -self.rate_per_kw * subscribed
        yield Line(self.name, "fixed", charge, tariff.period, quantity=subscribed, unit=unit)
        slot = STEP
        if self.interval_minutes > terms.timeline.step_minutes:
            slot = Grouping("block", tariff.zone, self.interval_minutes)
        hours = self.mask(terms, tariff, self.when) * terms.step_hours
        _, beyond = terms.blocks(
            f"subscribed_capacity.{self.name}",
            flows.import_kw * terms.series(hours),
            widths=[self.subscribed_kw * terms.groups(slot).sum(hours)],
            per=slot,
            at_most=terms.groups(slot).sum(flows.import_most_kw * hours),
            in_order=False,
        )
        charge = -self.excess_rate_per_kwh * beyond
        yield Line(f"{self.name}, beyond it", "energy in", charge, slot, quantity=beyond, unit="kWh")


AnyEnergy = EnergyCharge | BlockCharge | VolumeCharge | SpotCharge | ControlledLoad | SubscribedCapacity
KINDS = get_args(AnyEnergy)
