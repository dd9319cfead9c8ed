"""What ancillary-service products require of a site, and what they pay for being available."""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.equipment import storage
from optimiser.equipment.limits import power_kw
from optimiser.equipment.site import Activation, Site, bank_on_bus
from optimiser.fields import (
    ClockMinutes,
    Column,
    Component,
    ZoneName,
    choice,
    column,
    quantity,
    several,
    text,
)
from optimiser.flows import BankFlows, ConnectionFlows, SiteFlows
from optimiser.terms.verbs import Line
from optimiser.timeline import STEP, Grouping, Window, at_clock_before

Direction = Literal["up", "down"]
Seller = Literal["scheduled", "aggregated"]


_SELLERS = {"scheduled": "scheduled units", "aggregated": "small sites behind an aggregator"}
_DELIVERED = {
    "meter": "at the meter's rates",
    "price": "at a price of its own",
    "none": "not paid, outside the meter",
}


@dataclass(frozen=True)
class ProductRule:
    """A rule of a product in words.

    Attributes
    ----------
    heading, words : str
    from_memory : bool
        Whether a figure in it is from memory and has to be checked.
    """

    heading: str
    words: str
    from_memory: bool


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


class Product(Component):
    """A product that pays for power held available in one direction, or in both at once.

    Offered in AC kW at the connection, constant within a block. Products of one response group share the same kW;
    groups add. The whole offer is held in power, connection and energy whether or not it is accepted. A market's steps
    and minimums of bids count where the site bids by itself; an aggregator meets them over many sites.

    References
    ----------
    .. [1] Australian Energy Market Operator, "FCAS Model in NEMDE", May 2017, section 6: contingency services
       share the same power, regulation adds to each of them.
    """

    kind: Literal["availability"] = choice("product", default="availability")
    product: StrictStr = text("the shipped product that it takes its rules from, SET/NAME", default="")
    name: StrictStr = text("name of the product")
    direction: Literal["up", "down", "symmetric"] = choice("up gives power to the grid, down takes it")
    response_group: StrictStr = text(
        "products of one group share the same kW; only where a market's rule says so", default=""
    )
    sustain_hours: float = quantity("h", "how long the whole offer can be called for", above=0, at_most=24)
    full_response_s: float | None = quantity(
        "s",
        "time within which the whole offer is given; shown, an average step is longer",
        default=None,
        above=0,
    )
    price: Column = column("see price_unit", "availability price")
    price_unit: Literal["per_mw_hour", "per_mw_block", "per_mw_year"] = choice("what the price is paid for")
    pricing: Literal["uniform", "pay_as_bid"] = choice(
        "whether an accepted offer is paid the market's price or its own bid_price", default="uniform"
    )
    bid_price: Column | None = column(
        "see price_unit",
        "price that is bid: the offer clears in blocks whose mean market price is at least the mean bid; left out: "
        "it always clears",
        default=None,
    )
    gate_days_before: int | None = quantity(
        "days", "offers are fixed on this many days before delivery, at gate_time", default=None, at_least=0
    )
    gate_time: ClockMinutes | None = Field(
        default=None, description="clock time, in the market's zone, of the day on which offers are fixed"
    )
    gate_minutes_before: int | None = quantity(
        "min", "offers are fixed this long before their block starts", default=None, at_least=0
    )
    block_minutes: int | None = quantity(
        "min", "length of a block with one offer; left out: the step", default=None, above=0
    )
    block_start: ClockMinutes = Field(
        default=0, description="clock time at which the first block of a day starts"
    )
    zone: ZoneName | None = text("zone of the market's clock; left out: the site's", default=None)
    when: Window | None = None
    valid_from: datetime.date | None = Field(default=None, description="first day on which it is sold")
    valid_until: datetime.date | None = Field(
        default=None, description="first day on which it is sold no more"
    )
    most_kw: float | None = quantity(
        "kW", "most that may be offered; left out: no limit", default=None, at_least=0
    )
    least_bid_kw: float = quantity("kW", "least that may be bid, else nothing", default=0.0, at_least=0)
    bid_step_kw: float | None = quantity(
        "kW", "bids are whole multiples of this; left out: any amount", default=None, above=0
    )
    bid_by: Literal["site", "aggregator"] = choice(
        "who keeps the least bid and the step: this site in every block, or an aggregator over many sites",
        default="aggregator",
    )
    sellers: several(Seller) = Field(  # type: ignore[valid-type]
        default=(),
        description="who may sell it: units that the market's operator schedules, small sites behind an aggregator; "
        "empty: not known here",
    )
    sold_as: Seller = choice(
        "what this site sells it as, by itself or through its aggregator", default="aggregated"
    )
    least_registered_kw: float | None = quantity(
        "kW",
        "least size that is registered to sell it: of one unit, or of an aggregation",
        default=None,
        above=0,
    )
    availability_share: float = quantity(
        "-", "share of enabled hours that is paid", default=1.0, at_least=0, at_most=1
    )
    acceptance_share: float = quantity("-", "share of offers that clear", default=1.0, at_least=0, at_most=1)
    site_share: float = quantity(
        "-", "share of revenue that an aggregator leaves the site", default=1.0, at_least=0, at_most=1
    )
    performance_factor: float = quantity("-", "multiplies the payment", default=1.0, at_least=0, at_most=1)
    derating: float = quantity("-", "kW creditable per kW of plant", default=1.0, above=0, at_most=1)
    opposite_headroom_share: float = quantity(
        "-", "extra kW kept in the other direction per kW offered", default=0.0, at_least=0
    )
    recovery_share: float = quantity(
        "-",
        "share of the energy of a whole activation that must be won back in each recovery_minutes; its power is kept "
        "in the other direction, beside opposite_headroom_share",
        default=0.0,
        at_least=0,
        at_most=1,
    )
    recovery_minutes: int = quantity("min", "see recovery_share", default=30, above=0, at_most=1440)
    from_solar: bool = Field(
        default=False,
        description="down power may also be met by reducing solar that is running; needs no storage for that part",
    )
    utilisation_net: float = quantity(
        "-", "mean kW delivered in its direction per kW accepted", default=0.0, at_least=-1, at_most=1
    )
    utilisation_gross: float = quantity(
        "-",
        "mean kW moved either way per kW accepted; at least the net figure",
        default=0.0,
        at_least=0,
        at_most=1,
    )
    crossing_share: float = quantity(
        "-",
        "share of what calls give (or take, whichever is more) that runs through a register of its own within a "
        "step: 1 bills all of it both ways, 0 nets it with the site's other power; with delivered_energy = meter",
        default=1.0,
        at_least=0,
        at_most=1,
    )
    delivered_energy: Literal["meter", "price", "none"] = choice(
        "what delivered energy is settled at: the meter's rates, a price of its own, or nothing",
        default="meter",
    )
    delivered_price_per_mwh: Column | None = column(
        "currency/MWh", "price of delivered energy, with delivered_energy = price", default=None
    )
    source: StrictStr = text("where the rules are from, with a date", default="")
    rules_as_of: datetime.date | None = Field(
        default=None, description="day of which the rules are as they stand here"
    )
    from_memory: several(StrictStr) = Field(  # type: ignore[valid-type]
        default=(), description="keys whose figures are from memory and have to be checked"
    )

    @model_validator(mode="after")
    def _check(self) -> Product:
        self._check_bid_and_gate()
        unknown = [key for key in self.from_memory if key not in type(self).model_fields]
        if unknown:
            raise ValueError(f"from_memory names {unknown[0]!r}, which is no key of a product; correct it")
        if self.from_solar and (self.direction == "up" or self.utilisation_gross):
            raise ValueError(
                "from_solar goes with a product that gives down power and is hardly ever called for: what is curtailed "
                "is not stored; remove it, or set direction and utilisation_gross = 0 to match"
            )
        if self.utilisation_gross < abs(self.utilisation_net):
            raise ValueError("utilisation_gross must be at least the size of utilisation_net; raise it")
        if (self.delivered_energy == "price") != (self.delivered_price_per_mwh is not None):
            raise ValueError('delivered_price_per_mwh goes with delivered_energy = "price", and only with it')
        if self.price_unit == "per_mw_block" and self.block_minutes is None:
            raise ValueError("price_unit per_mw_block needs block_minutes")
        return self

    def _check_bid_and_gate(self) -> None:
        if self.pricing == "pay_as_bid" and self.bid_price is None:
            raise ValueError('pricing = "pay_as_bid" needs bid_price, in the unit of price; add it')
        if (self.gate_days_before is None) != (self.gate_time is None):
            raise ValueError("gate_days_before and gate_time go together; give both or neither")
        if self.gate_time is not None and self.gate_minutes_before is not None:
            raise ValueError(
                "gate_time and gate_minutes_before are two ways of saying the same; leave one out"
            )

    @property
    def opposite_share(self) -> float:
        """Power kept in the other direction per kW offered, that of the recovery rule included. [-]"""
        per_hour = 60 / self.recovery_minutes
        return self.opposite_headroom_share + self.recovery_share * self.sustain_hours * per_hour

    @property
    def bids_alone(self) -> bool:
        """Whether the site keeps a step or a least bid by itself."""
        return self.bid_by == "site" and (self.least_bid_kw > 0 or self.bid_step_kw is not None)

    @property
    def group(self) -> str:
        """Its response group; its own unless said otherwise."""
        return self.response_group or self.name

    def rules_in_words(self) -> tuple[ProductRule, ...]:
        """What it asks and pays, for people, with marks on what is from memory."""
        shared = f"shared within {self.response_group}" if self.response_group else "its own"
        full = f"within {self.full_response_s:g} s" if self.full_response_s else ""
        rows = [
            (("direction",), "direction", self.direction),
            (("response_group",), "power", shared),
            (("full_response_s",), "full response", full),
            (("sustain_hours",), "held for", f"{self.sustain_hours * 60:g} min"),
            (("recovery_share", "opposite_headroom_share"), "kept the other way", self._opposite_words()),
            (("block_minutes", "block_start", "zone"), "blocks", self._block_words()),
            (("price_unit", "pricing"), "price", self._price_words()),
            (("gate_days_before", "gate_time", "gate_minutes_before"), "offers fixed", self._gate_words()),
            (("least_bid_kw", "bid_step_kw"), "bids", self._bid_words()),
            (("sellers", "least_registered_kw"), "may be sold by", self._seller_words()),
            (("delivered_energy",), "delivered energy", _DELIVERED[self.delivered_energy]),
            (("utilisation_net", "utilisation_gross"), "expected activation", self._activation_words()),
            (("derating", "performance_factor"), "counted", self._share_words()),
            (("from_solar",), "solar", "may be reduced for it" if self.from_solar else ""),
            (("valid_from", "valid_until"), "sold", self._date_words()),
        ]  # fmt: skip
        return tuple(
            ProductRule(heading, words, any(key in self.from_memory for key in keys))
            for keys, heading, words in rows
            if words
        )

    def _opposite_words(self) -> str:
        if not self.opposite_share:
            return ""
        words = f"{self.opposite_share:.0%} of the offer"
        if self.recovery_share:
            words += f", as {self.recovery_share:.0%} of its energy is won back in each {self.recovery_minutes} min"
        return words

    def _block_words(self) -> str:
        if self.block_minutes is None:
            return "each step"
        zone = f" {self.zone}" if self.zone else ""
        return f"{self.block_minutes} min from {_clock(self.block_start)}{zone}"

    def _price_words(self) -> str:
        unit = {"per_mw_hour": "MW and hour", "per_mw_block": "MW and block", "per_mw_year": "MW and year"}
        paid = "as bid" if self.pricing == "pay_as_bid" else "one for all"
        clears = "; clears where the market's price reaches the bid" if self.bid_price is not None else ""
        return f"per {unit[self.price_unit]}, {paid}{clears}"

    def gate_steps(self, terms: Any) -> np.ndarray | None:
        """When offers are fixed: for each step, how many steps after the timeline's start; None without a gate.

        Negative where that lies before the start. A plan made in that step or earlier may still change the offer.

        Returns
        -------
        array of shape (steps,)
        """
        timeline = terms.timeline
        if self.gate_minutes_before is not None:
            before = pd.Timedelta(minutes=self.gate_minutes_before)
            blocks = terms.groups(self.block(terms))
            moments = timeline.starts[blocks.first_step][blocks.of_step] - before
        elif self.gate_time is not None:
            zone = self.zone or timeline.zone
            moments = at_clock_before(timeline.starts, zone, self.gate_days_before or 0, self.gate_time)
        else:
            return None
        since = (moments - timeline.starts[0]) / pd.Timedelta(minutes=timeline.step_minutes)
        return np.floor(np.asarray(since, float) + 1e-9).astype(int)

    def _gate_words(self) -> str:
        if self.gate_minutes_before is not None:
            return f"{self.gate_minutes_before} min before the block"
        if self.gate_time is None:
            return ""
        days = {0: "on the day", 1: "the day before"}
        before = days.get(self.gate_days_before or 0, f"{self.gate_days_before} days before")
        return f"{_clock(self.gate_time)}, {before}"

    def _bid_words(self) -> str:
        if not self.least_bid_kw and self.bid_step_kw is None:
            return ""
        step = f", in steps of {self.bid_step_kw:g} kW" if self.bid_step_kw else ""
        by = "in every block" if self.bid_by == "site" else "by an aggregator"
        return f"at least {self.least_bid_kw:g} kW{step}, kept {by}"

    def _seller_words(self) -> str:
        if not self.sellers:
            return "not known here: ask the market" if self.product else ""
        words = " and ".join(_SELLERS[seller] for seller in self.sellers)
        least = f", from {self.least_registered_kw:g} kW registered" if self.least_registered_kw else ""
        return f"{words}{least}; sold here as {self.sold_as}"

    def _activation_words(self) -> str:
        if not self.utilisation_gross:
            return ""
        return f"{self.utilisation_net:.1%} net and {self.utilisation_gross:.1%} gross of the offer"

    def _share_words(self) -> str:
        shares = {
            "kW per kW of plant": self.derating,
            "performance": self.performance_factor,
            "available": self.availability_share,
            "accepted": self.acceptance_share,
            "left to the site": self.site_share,
        }
        return ", ".join(f"{value:.4g} {name}" for name, value in shares.items() if value != 1)

    def _date_words(self) -> str:
        since = f"from {self.valid_from}" if self.valid_from else ""
        until = f"until before {self.valid_until}" if self.valid_until else ""
        return " ".join(part for part in (since, until) if part)

    def block(self, terms: Any) -> Grouping:
        """The grouping of steps with one offer."""
        if self.block_minutes is None or self.block_minutes <= terms.timeline.step_minutes:
            return STEP
        return Grouping("block", self.zone or terms.timeline.zone, self.block_minutes, self.block_start)

    def directions(self) -> tuple[Direction, ...]:
        """The directions in which power is held."""
        return ("up", "down") if self.direction == "symmetric" else (self.direction,)

    def sold(self, terms: Any) -> np.ndarray:
        """1.0 in the steps of blocks in which it may be sold throughout, of shape (steps,)."""
        zone = self.zone or terms.timeline.zone
        inside = terms.timeline.mask(self.when, zone)
        day = np.asarray(terms.timeline.local(zone).tz_localize(None), "datetime64[D]")
        if self.valid_from:
            inside = inside * (day >= np.datetime64(self.valid_from))
        if self.valid_until:
            inside = inside * (day < np.datetime64(self.valid_until))
        blocks = terms.groups(self.block(terms))
        whole = np.ones(blocks.count)
        np.minimum.at(whole, blocks.of_step, inside)
        return whole[blocks.of_step] * self.cleared(terms)

    def cleared(self, terms: Any) -> np.ndarray:
        """1.0 in the steps of blocks whose mean price is at least the mean bid, of shape (steps,).

        What does not clear is known before delivery, so nothing is held for it.
        """
        if self.bid_price is None:
            return np.ones(terms.timeline.steps)
        blocks = terms.groups(self.block(terms))
        over = terms.values(self.price) - terms.values(self.bid_price)
        mean = np.bincount(blocks.of_step, over, blocks.count) / np.bincount(
            blocks.of_step, minlength=blocks.count
        )
        return (mean >= -1e-9).astype(float)[blocks.of_step]

    def price_per_kw_hour(self, terms: Any) -> np.ndarray:
        """What an accepted offer is paid in each step, the market's price or the bid, of shape (steps,).

        [currency per kW and hour]
        """
        paid = self.bid_price if self.pricing == "pay_as_bid" else self.price
        price = terms.values(paid) / 1000
        if self.price_unit == "per_mw_hour":
            return price
        if self.price_unit == "per_mw_year":
            return price / 8760
        blocks = terms.groups(
            Grouping("block", self.zone or terms.timeline.zone, self.block_minutes or 0, self.block_start)
        )
        return price / (blocks.sizes * terms.step_hours)[blocks.of_step]

    @property
    def paid_share(self) -> float:
        """Part of the market's payment that reaches the site. [-]"""
        return self.availability_share * self.acceptance_share * self.site_share * self.performance_factor

    @property
    def delivered_sign(self) -> float:
        """Sign of its net utilisation as power given to the grid. [-]"""
        return -1.0 if self.direction == "down" else 1.0

    @property
    def moved(self) -> tuple[float, float]:
        """Mean kW given to the grid and taken from it per kW offered. [-]"""
        net = self.delivered_sign * self.utilisation_net * self.acceptance_share
        gross = self.utilisation_gross * self.acceptance_share
        return (gross + net) / 2, (gross - net) / 2

    def lines(self, offer: Offer, terms: Any) -> list[Line]:
        """Availability, and the settlement of delivered energy where it has a price of its own."""
        price = terms.series(self.price_per_kw_hour(terms) * self.paid_share * self.sold(terms))
        hours = offer.offered_kw * terms.step_hours
        lines = [
            Line(f"Availability, {self.name}", "availability", price * hours, quantity=hours, unit="kW h")
        ]
        if self.delivered_energy == "price":
            given, taken = self.moved
            delivered = hours * (given - taken)
            settled = terms.series(terms.values(self.delivered_price_per_mwh) / 1000) * delivered
            lines.append(
                Line(f"Delivered energy, {self.name}", "activation", settled, quantity=delivered, unit="kWh")
            )
        return lines


KINDS = (Product,)


@dataclass(frozen=True)
class Offer:
    """A product's offer in each step, and the power that it shares with the products it is bundled with. [kW]"""

    product: Product
    offered_kw: Any
    bundle: str
    bundle_kw: Any


def most_kw(site: Site, product: Product) -> float:
    """The most that any rule could let a site offer: all inverters turned round. [kW]"""
    rating = sum(i.output_kw + i.input_kw for i in site.inverter)
    return rating if product.most_kw is None else min(product.most_kw, rating)


def offers(terms: Any, site: Site, products: Iterable[Product]) -> list[Offer]:
    """Make the columns of the products' offers, one a block, zero where they may not be sold.

    Products of one group that differ in price, mask and sustain time alone are bundled: each is offered as much as
    the group holds wherever its own price is not negative, which is the best that any schedule could do.
    """
    bundles: dict[tuple, list[Product]] = {}
    for product in products:
        bundles.setdefault(_bundle(terms, product), []).append(product)
    made: dict[str, Offer] = {}
    for members in bundles.values():
        first = members[0]
        per = first.block(terms)
        masks = [product.sold(terms) for product in members]
        if len(members) > 1:
            masks = [
                mask * (product.price_per_kw_hour(terms) >= 0)
                for mask, product in zip(masks, members, strict=True)
            ]
        sold = np.max(masks, axis=0)[terms.groups(per).first_step]
        name = (
            f"service.{first.name}.offer_kw"
            if len(members) == 1
            else f"service bundle.{first.group}.{first.direction}.offer_kw"
        )
        most = sold * most_kw(site, first)
        bid = terms.column(name, per=per, at_most=most)
        _bid_rules(terms, first, bid, most, per)
        column = terms.broadcast(bid, per)
        for product, mask in zip(members, masks, strict=True):
            offered = column if len(members) == 1 else column * terms.series(mask)
            made[product.name] = Offer(product, offered, name, column)
    return [made[product.name] for product in products]


def _bid_rules(terms: Any, product: Product, bid: Any, most: np.ndarray, per: Grouping) -> None:
    """Whole steps, and nothing below the least bid, where the site bids by itself."""
    if not product.bids_alone:
        return
    if product.bid_step_kw is not None:
        count = terms.column(
            f"service.{product.name}.steps",
            per=per,
            at_most=np.floor(most / product.bid_step_kw + 1e-9),
            unit="-",
        )
        terms.whole(f"service.{product.name}.steps")
        terms.equal(f"bid of {product.name} in whole steps", bid, product.bid_step_kw * count, per=per)
    if product.least_bid_kw:
        made = terms.column(
            f"service.{product.name}.is_bid",
            per=per,
            at_most=(most >= product.least_bid_kw).astype(float),
            unit="-",
        )
        terms.whole(f"service.{product.name}.is_bid")
        terms.at_most(f"least bid of {product.name}", product.least_bid_kw * made, bid, per=per)
        terms.at_most(f"bid of {product.name} only if made", bid, terms.series(most, per=per) * made, per=per)


def _bundle(terms: Any, product: Product) -> tuple:
    """What products must have in common to be offered together; none share with one that is activated."""
    alone = product.utilisation_gross or product.opposite_share or product.bids_alone
    if alone or product.block(terms) != STEP:
        return (product.name,)
    return (
        product.group,
        product.direction,
        product.derating,
        product.most_kw,
        product.from_solar,
        (product.gate_days_before, product.gate_time, product.gate_minutes_before),
    )


def activation(site: Site, has_store: bool, made: list[Offer]) -> Activation:
    """What the accepted share of the offers is expected to move, from each product's utilisation.

    A meter that imports sees what calls give as less import, until a call is larger than the import and the rest runs
    out through the other register; one that exports sees what they take so. So what crosses is at most the larger of
    both ways, of which the product says the share.
    """
    metered: list[Any] = []
    crossing: list[Any] = []
    charge: list[Any] = []
    discharge: list[Any] = []
    metered_most = crossing_most = 0.0
    for offer in made:
        product, most = offer.product, most_kw(site, offer.product)
        given, taken = product.moved
        if not given + taken:
            continue
        if product.delivered_energy == "meter":
            net, crosses = given - taken, product.crossing_share * max(given, taken)
            if net:
                metered.append(offer.offered_kw * net)
                metered_most += abs(net) * most
            if crosses:
                crossing.append(offer.offered_kw * crosses)
                crossing_most += crosses * most
        if has_store:
            discharge.append(offer.offered_kw * (given / min(i.output_efficiency for i in site.inverter)))
            charge.append(offer.offered_kw * (taken * min(i.input_efficiency for i in site.inverter)))
    return Activation(
        _sum(metered), _sum(crossing), metered_most, crossing_most, _sum(charge), _sum(discharge)
    )


def _sum(parts: list[Any]) -> Any:
    return sum(parts[1:], parts[0]) if parts else 0.0


def longest_lag(products: Iterable[Product], step_hours: float) -> int:
    """Steps that follow an offer and that its energy must still last through."""
    return max([_following(product, step_hours) for product in products], default=0)


def _following(product: Product, step_hours: float) -> int:
    return max(0, math.ceil(product.sustain_hours / step_hours - 1e-9) - 1)


@dataclass(frozen=True)
class _Held:
    """Power of one response group held in one direction, and how long it lasts."""

    name: str
    kw: Any
    most_kw: float
    sustain_hours: float
    following: int
    from_solar: bool
    solar_kw: Any = None

    @property
    def stored_kw(self) -> Any:
        """What stored energy has to last for. [kW]"""
        return self.kw if self.solar_kw is None else self.kw - self.solar_kw

    def stored_kw_before(self, terms: Any, lag: int) -> Any:
        """The same some steps earlier. [kW]"""
        if not lag:
            return self.stored_kw
        kw = terms.previous(self.kw, lag)
        return kw if self.solar_kw is None else kw - terms.previous(self.solar_kw, lag)


@dataclass(frozen=True)
class _Reduced:
    """Solar that down offers count on being reduced: AC systems in AC kW, controllers in kW on the bus."""

    ac_kw: dict[str, Any]
    dc_kw: dict[str, Any]


def rules(terms: Any, site: Site, banks: tuple[Any, ...], flows: SiteFlows, made: list[Offer]) -> None:
    """What offers ask of inverters, storage, connection and stored energy, in each direction."""
    for direction in ("up", "down"):
        held = _groups(terms, site, made, direction)
        extra = [
            offer.offered_kw * offer.product.opposite_share
            for offer in made
            if offer.product.opposite_share and direction not in offer.product.directions()
        ]
        extra += [
            offer.offered_kw * offer.product.opposite_share
            for offer in made
            if offer.product.opposite_share and offer.product.direction == "symmetric"
        ]
        if not held and not extra:
            continue
        parts = [group.kw for group in held] + extra
        total = sum(parts[1:], parts[0])
        reduced = _Reduced({}, {})
        if direction == "down" and any(group.from_solar for group in held):
            held, reduced = _solar_rules(terms, site, flows, held)
        by_inverters = total - _sum([*reduced.ac_kw.values()]) if reduced.ac_kw else total
        headroom = _inverter_rules(terms, site, flows, by_inverters, direction)
        _storage_rules(terms, site, banks, flows, headroom, held, direction, reduced)
        _connection_rules(terms, site, flows, total, headroom, direction, reduced)
        _energy_rules(terms, site, banks, flows, held, direction)


def _groups(terms: Any, site: Site, made: list[Offer], direction: str) -> list[_Held]:
    """The kW that each response group holds in a direction."""
    members: dict[str, list[Offer]] = {}
    for offer in made:
        if direction in offer.product.directions():
            members.setdefault(offer.product.group, []).append(offer)
    held = []
    for name, group in members.items():
        sustain = max(offer.product.sustain_hours for offer in group)
        following = max(_following(offer.product, terms.step_hours) for offer in group)
        most = max(most_kw(site, offer.product) / offer.product.derating for offer in group)
        from_solar = all(offer.product.from_solar for offer in group)
        needs = {offer.bundle: offer.bundle_kw / offer.product.derating for offer in group}
        if len(needs) == 1 and not following:
            held.append(_Held(name, next(iter(needs.values())), most, sustain, 0, from_solar))
            continue
        kw = terms.column(f"service group.{name}.{direction}_kw", at_most=most)
        for bundle, need in needs.items():
            terms.at_most(
                f"{bundle.split('.')[1]} within the {direction} power of {name}, {bundle}", need, kw
            )
        held.append(_Held(name, kw, most, sustain, following, from_solar))
    return held


def _solar_rules(terms: Any, site: Site, flows: SiteFlows, held: list[_Held]) -> tuple[list[_Held], _Reduced]:
    """The part of down offers that is met by reducing solar, which has to run as long as the offer may last.

    Solar that nobody commands cannot be reduced.

    A kW that a controller brings to the bus counts as its least worth at the connection, the worst output
    efficiency. What is met so needs no room in the store; on the AC side it needs no inverter either.
    """
    lags = range(1 + max(group.following for group in held if group.from_solar))
    running = {
        ("ac_solar", s.name): (flows.ac_solar[s.name], s.available(terms))
        for s in site.ac_solar
        if not s.gives_way_alone
    }
    running |= {
        ("controller", c.name): (flows.controllers[c.name], c.available(terms)) for c in site.solar_controller
    }
    reduced = _Reduced({}, {})
    for (kind, name), (solar_kw, most) in running.items():
        kw = terms.column(f"{kind}.{name}.down_kw", at_most=most)
        for lag in lags:
            rule = f"down offers met by {kind.replace('_', ' ')} {name}" + (
                f", {lag} steps on" if lag else ""
            )
            terms.at_most(rule, terms.previous(kw, lag) if lag else kw, solar_kw)
        (reduced.ac_kw if kind == "ac_solar" else reduced.dc_kw)[name] = kw
    least = min((i.output_efficiency for i in site.inverter), default=1.0)
    parts = [*reduced.ac_kw.values(), *(least * kw for kw in reduced.dc_kw.values())]
    shared = []
    for group in held:
        if group.from_solar and parts:
            kw = terms.column(f"service group.{group.name}.from_solar_kw", at_most=group.most_kw)
            terms.at_most(f"solar's part of the down power of {group.name}", kw, group.kw)
            group = dataclasses.replace(group, solar_kw=kw)
        shared.append(group)
    solar_kw = [group.solar_kw for group in shared if group.solar_kw is not None]
    if solar_kw:
        terms.at_most("solar's part of all down offers", _sum(solar_kw), _sum(parts))
    return shared, reduced


def _inverter_rules(terms: Any, site: Site, flows: SiteFlows, total: Any, direction: str) -> dict[str, Any]:
    """The headroom of each inverter, whose sum covers all that is held."""
    headroom: dict[str, Any] = {}
    for inverter in site.inverter:
        flow = flows.inverters[inverter.name]
        turned_round = inverter.output_kw + inverter.input_kw
        kw = total
        if len(site.inverter) > 1:
            kw = terms.column(f"inverter.{inverter.name}.{direction}_headroom_kw", at_most=turned_round)
        room = (
            inverter.output_kw - flow.output_kw + flow.input_kw
            if direction == "up"
            else inverter.input_kw - flow.input_kw + flow.output_kw
        )
        terms.at_most(f"{direction} power of inverter {inverter.name}", kw, room)
        headroom[inverter.name] = kw
    if len(site.inverter) > 1:
        kws = list(headroom.values())
        terms.at_most(f"{direction} power of all inverters", total, sum(kws[1:], kws[0]))
    return headroom


def _storage_rules(
    terms: Any,
    site: Site,
    banks: tuple[Any, ...],
    flows: SiteFlows,
    headroom: dict[str, Any],
    held: list[_Held],
    direction: str,
    reduced: _Reduced,
) -> None:
    """Power that the banks can still give or take, at the voltage that is left after the activation.

    A kW at the connection is taken as its largest worth on the bus, 1 / output efficiency, both ways: a rule that
    told output that stops from input that starts would not be linear and vanish without an offer.
    """
    change = _sum([headroom[i.name] / i.output_efficiency for i in site.inverter])
    reduced_kw = [*reduced.dc_kw.values()]
    if not banks:
        terms.at_most(f"{direction} power of storage", change, _sum(reduced_kw))
        return
    drained = _sum([group.sustain_hours * _per_kwh(site, banks, "up") * group.kw for group in held])
    drained = drained if direction == "up" else 0.0
    rooms = reduced_kw
    for bank in banks:
        flow = flows.banks[bank.name]
        net = flow.discharge_kw - flow.charge_kw
        rooms.append(_reach(terms, bank, flow, drained, direction) + (-net if direction == "up" else net))
    terms.at_most(f"{direction} power of storage", change, _sum(rooms))
    _breaker_rules(terms, site, banks, flows, headroom, drained, direction)


def _reach(terms: Any, bank: Any, flow: BankFlows, drained: Any, direction: str) -> Any:
    """The most that a bank can give or take on the bus in the activated state. [kW]"""
    up = direction == "up"
    limit_kw = bank.discharge_limit_kw if up else bank.charge_limit_kw
    amperes, unit_kw = (
        (bank.discharge_current_a, bank.discharge_kw) if up else (bank.charge_current_a, bank.charge_kw)
    )
    if amperes is None or power_kw(amperes, bank.voltages[0]) >= unit_kw:
        return limit_kw
    reach = terms.column(f"storage.{bank.name}.{direction}_reach_kw", at_most=limit_kw)
    at_bank = reach / bank.converter_efficiency if up else reach * bank.converter_efficiency
    _limit_activated(
        terms, f"{direction} current of {bank.name}", at_bank, amperes * bank.units, bank, flow, drained
    )
    return reach


def _breaker_rules(
    terms: Any,
    site: Site,
    banks: tuple[Any, ...],
    flows: SiteFlows,
    headroom: dict[str, Any],
    drained: Any,
    direction: str,
) -> None:
    """Current limits of the inverters' DC breakers in the activated state."""
    up, bank = direction == "up", bank_on_bus(banks)
    for inverter in site.inverter:
        amperes, own = inverter.dc_current_limit_a, flows.inverters[inverter.name]
        most = (
            inverter.output_kw / inverter.output_efficiency
            if up
            else inverter.input_kw * inverter.input_efficiency
        )
        lowest_kw = power_kw(amperes or 0.0, site.lowest_bus_voltage(banks))
        if amperes is None or lowest_kw >= most:
            continue
        net, kw = own.output_kw - own.input_kw, headroom[inverter.name]
        power = (net + kw) / inverter.output_efficiency if up else (kw - net) * inverter.input_efficiency
        name = f"{direction} current of inverter {inverter.name}"
        if bank is None:
            terms.at_most(name, power, lowest_kw)
        else:
            _limit_activated(terms, name, power, amperes, bank, flows.banks[bank.name], drained)


def _limit_activated(
    terms: Any, name: str, power_kw: Any, amperes: float, bank: Any, flow: BankFlows, drained: Any
) -> None:
    """A current limit at the voltage that is left after the activation, at the start and the end of the step."""
    for index, (base, slope) in enumerate(storage.voltage_chords(bank)):
        if not slope:
            terms.at_most(name, power_kw, amperes * base / 1000)
            continue
        for edge, stored in (("start", flow.start_kwh), ("end", flow.end_kwh)):
            volts = base + slope / bank.capacity_kwh * (stored - drained)
            terms.at_most(f"{name} at {edge} of step, line {index + 1}", power_kw, amperes / 1000 * volts)


def _connection_rules(
    terms: Any,
    site: Site,
    flows: SiteFlows,
    total: Any,
    headroom: dict[str, Any],
    direction: str,
    reduced: _Reduced,
) -> None:
    """The activated state keeps the limits of the connection, in all and per phase."""
    connection = site.connection
    limits: tuple[Any, Any] = (connection.import_limit_kw, connection.export_limit_kw)
    into = _sum([flow.input_kw for flow in flows.inverters.values()])
    _connection_rule(terms, site, "connection", flows.connection, total, into, direction, limits)
    limits = (connection.import_limit_kw_per_phase, connection.export_limit_kw_per_phase)
    if site.phases == 1:
        limits = (None, None)
    for phase, point in flows.phases.items():
        shares = [(i.name, site.share(i, phase)) for i in site.inverter if site.share(i, phase)]
        solar = [s for s in site.ac_solar if s.name in reduced.ac_kw and site.share(s, phase)]
        if not shares and not solar:
            continue
        parts = [share * headroom[name] for name, share in shares]
        kw = _sum(parts + [site.share(s, phase) * reduced.ac_kw[s.name] for s in solar])
        into = _sum([share * flows.inverters[name].input_kw for name, share in shares])
        if limits[direction == "up"] is not None:
            _connection_rule(terms, site, f"phase {phase}", point, kw, into, direction, limits)
        for line in site.pass_through(terms, phase):
            own, before = limits[direction == "up"], line.before_kw
            if own is not None and not before.any() and terms.values(own).max() <= line.limit_kw:
                continue  # the phase's own limit is the tighter one
            through = ConnectionFlows(point.net_import_kw - terms.series(before), None, None)
            name = f"inverter {line.inverter} in line on phase {phase}"
            both = (line.limit_kw, line.limit_kw)
            _connection_rule(terms, site, name, through, kw, into, direction, both)


def _connection_rule(
    terms: Any,
    site: Site,
    name: str,
    point: ConnectionFlows,
    kw: Any,
    input_kw: Any,
    direction: str,
    limits: tuple[Any, Any],
) -> None:
    """Down: what import is left. Up: what export is left, plus charging from the grid that stops, plus firm load.

    Charging from the grid is the lesser of input and import, so the rule for up is two rows; without an offer
    both vanish, since net import never falls below the export limit.
    """
    net = point.net_import_kw
    if direction == "down":
        limit = terms.series(terms.values(limits[0]))
        terms.at_most(f"down offer within the import limit of the {name}", kw, limit - net)
        return
    limit, firm = terms.series(terms.values(limits[1])), site.firm_load_fraction
    terms.at_most(f"up offer within the export limit of the {name}", kw, limit + net)
    if firm < 1:
        terms.at_most(
            f"up offer within charging that can stop at the {name}",
            kw,
            limit + (1 - firm) * input_kw + firm * net,
        )


def _per_kwh(site: Site, banks: tuple[Any, ...], direction: str) -> float:
    """Stored energy that a kWh of an offer moves, at the most. [kWh]"""
    if direction == "up":
        return 1 / (
            min(i.output_efficiency for i in site.inverter) * min(b.least_efficiency[1] for b in banks)
        )
    return max(i.input_efficiency for i in site.inverter) * max(b.best_efficiency[0] for b in banks)


def _energy_rules(
    terms: Any, site: Site, banks: tuple[Any, ...], flows: SiteFlows, held: list[_Held], direction: str
) -> None:
    """Stored energy lasts through an activation at every moment of the step.

    A call that starts with the step has, when a group's time is up, moved all that the groups asked for until then,
    less the planned charging (or discharging) that stood still for it, beside a planned flow of its own direction; of
    the energy at the start, self-discharge has taken what it takes until then. At the end of the step, and of the steps
    that a call reaches into, the whole offer is covered by what is stored then, and nothing counts as stopped: the
    next step's plan need not charge. Between these moments the plan's energy moves one way, so no other asks for more.
    """
    if not banks or not held:
        return
    up = direction == "up"
    per_kwh = _per_kwh(site, banks, direction)
    for lasting in sorted({group.sustain_hours for group in held}):
        offered = _sum([min(group.sustain_hours, lasting) * per_kwh * group.stored_kw for group in held])
        stopped, along = _planned(site, banks, flows, up)
        need = offered - lasting * stopped + min(lasting, terms.step_hours) * along
        name = f"stored energy for {direction} offers of {lasting * 60:g} min at start of step"
        room = _room_at_start(terms, banks, flows, up, min(lasting, terms.step_hours))
        terms.at_most(name, need, room, unit="kWh")
    at_end = _room_at_end(terms, banks, flows, up)
    for lag in range(max(group.following for group in held) + 1):
        parts = [
            group.sustain_hours * per_kwh * group.stored_kw_before(terms, lag)
            for group in held
            if group.following >= lag
        ]
        name = (
            f"stored energy for {direction} offers, {lag} steps on"
            if lag
            else f"stored energy for {direction} offers"
        )
        terms.at_most(f"{name}, at end of step", _sum(parts), at_end, unit="kWh")


def _planned(site: Site, banks: tuple[Any, ...], flows: SiteFlows, up: bool) -> tuple[Any, Any]:
    """Rates at the store of planned flows that an activation stops, at the least, and that run along. [kW]

    A kW that no longer leaves the bus spares the inverter's losses out and in of the offer that is counted in full:
    first an inverter stops giving, only what is left of the call does it take in.
    """
    if up:
        best = max(bank.best_efficiency[1] for bank in banks)
        stopped = _sum([flow.charge_kw for flow in flows.banks.values()]) / best
        return stopped, _sum([flow.draining_kw for flow in flows.banks.values()])
    least = min(bank.least_efficiency[0] for bank in banks)
    least *= min(i.output_efficiency * i.input_efficiency for i in site.inverter)
    stopped = _sum([flow.discharge_kw for flow in flows.banks.values()]) * least
    return stopped, _sum([flow.filling_kw for flow in flows.banks.values()])


def _room_at_start(terms: Any, banks: tuple[Any, ...], flows: SiteFlows, up: bool, hours: float) -> Any:
    """What all banks held at the start of the step, `hours` later, above the floor or below the ceiling. [kWh]"""
    parts = []
    for bank in banks:
        kept = bank.kept(hours)
        stored = kept * flows.banks[bank.name].start_kwh
        if up:
            # A floor that rises within the step is reached by its end; what leaks at the floor is made good.
            floor = bank.floor_kwh(terms.timeline)
            before = np.concatenate([[bank.start_kwh], floor[:-1]])
            parts.append(stored - terms.series(kept * np.minimum(floor, before)))
        else:
            parts.append(bank.capacity_kwh - stored)
    return _sum(parts)


def _room_at_end(terms: Any, banks: tuple[Any, ...], flows: SiteFlows, up: bool) -> Any:
    """What all banks hold at the end of the step above the floor, or below the ceiling. [kWh]"""
    if up:
        return _sum([flows.banks[b.name].end_kwh - terms.series(b.floor_kwh(terms.timeline)) for b in banks])
    return _sum([b.capacity_kwh - flows.banks[b.name].end_kwh for b in banks])
