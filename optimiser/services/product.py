"""A product of ancillary services: what it requires of a site and what it pays."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.equipment import limits
from optimiser.fields import (
    ClockMinutes,
    Column,
    Component,
    Several,
    ZoneName,
    choice,
    column,
    quantity,
    text,
)
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
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
    most_kw: float | None = limits.MOST_OFFERED.number(default=None, at_least=0)
    least_bid_kw: float = quantity("kW", "least that may be bid, else nothing", default=0.0, at_least=0)
    bid_step_kw: float | None = quantity(
        "kW", "bids are whole multiples of this; left out: any amount", default=None, above=0
    )
    bid_by: Literal["site", "aggregator"] = choice(
        "who keeps the least bid and the step: this site in every block, or an aggregator over many sites",
        default="aggregator",
    )
    sellers: Several[Seller] = Field(
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
    from_memory: Several[StrictStr] = Field(
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

    def gate_steps(self, data: InputData) -> np.ndarray | None:
        """When offers are fixed: for each step, how many steps after the timeline's start; None without a gate.

        Negative where that lies before the start. A plan made in that step or earlier may still change the offer.

        Returns
        -------
        array of shape (steps,)
        """
        timeline = data.timeline
        if self.gate_minutes_before is not None:
            before = pd.Timedelta(minutes=self.gate_minutes_before)
            blocks = data.groups(self.block(data))
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

    def block(self, data: InputData) -> Grouping:
        """The grouping of steps with one offer."""
        if self.block_minutes is None or self.block_minutes <= data.timeline.step_minutes:
            return STEP
        return Grouping("block", self.zone or data.timeline.zone, self.block_minutes, self.block_start)

    def directions(self) -> tuple[Direction, ...]:
        """The directions in which power is held."""
        return ("up", "down") if self.direction == "symmetric" else (self.direction,)

    def sold(self, data: InputData) -> np.ndarray:
        """1.0 in the steps of blocks in which it may be sold throughout, of shape (steps,)."""
        zone = self.zone or data.timeline.zone
        inside = data.timeline.mask(self.when, zone)
        day = np.asarray(data.timeline.local(zone).tz_localize(None), "datetime64[D]")
        if self.valid_from:
            inside = inside * (day >= np.datetime64(self.valid_from))
        if self.valid_until:
            inside = inside * (day < np.datetime64(self.valid_until))
        blocks = data.groups(self.block(data))
        whole = np.ones(blocks.count)
        np.minimum.at(whole, blocks.of_step, inside)
        made: np.ndarray = whole[blocks.of_step] * self.cleared(data)
        return made

    def cleared(self, data: InputData) -> np.ndarray:
        """1.0 in the steps of blocks whose mean price is at least the mean bid, of shape (steps,).

        What does not clear is known before delivery, so nothing is held for it.
        """
        if self.bid_price is None:
            return np.ones(data.timeline.steps)
        blocks = data.groups(self.block(data))
        over = data.values(self.price) - data.values(self.bid_price)
        mean = np.bincount(blocks.of_step, over, blocks.count) / np.bincount(
            blocks.of_step, minlength=blocks.count
        )
        return (mean >= -1e-9).astype(float)[blocks.of_step]

    def price_per_kw_hour(self, data: InputData) -> np.ndarray:
        """What an accepted offer is paid in each step, the market's price or the bid, of shape (steps,).

        [currency per kW and hour]
        """
        paid = self.price if self.pricing == "uniform" or self.bid_price is None else self.bid_price
        price = data.values(paid) / 1000
        if self.price_unit == "per_mw_hour":
            return price
        if self.price_unit == "per_mw_year":
            return price / 8760
        blocks = data.groups(
            Grouping("block", self.zone or data.timeline.zone, self.block_minutes or 0, self.block_start)
        )
        return price / (blocks.sizes * data.step_hours)[blocks.of_step]

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

    def lines(self, offer: Offer, terms: Terms) -> list[Line]:
        """Availability, and the settlement of delivered energy where it has a price of its own."""
        price = terms.series(self.price_per_kw_hour(terms) * self.paid_share * self.sold(terms))
        hours = offer.offered_kw * terms.step_hours
        lines = [
            Line(f"Availability, {self.name}", "availability", price * hours, quantity=hours, unit="kW h")
        ]
        if self.delivered_price_per_mwh is not None:
            given, taken = self.moved
            delivered = hours * (given - taken)
            settled = terms.series(terms.values(self.delivered_price_per_mwh) / 1000) * delivered
            lines.append(
                Line(f"Delivered energy, {self.name}", "activation", settled, quantity=delivered, unit="kWh")
            )
        return lines


@dataclass(frozen=True)
class Offer:
    """A product's offer in each step, and the power that it shares with the products it is bundled with. [kW]"""

    product: Product
    offered_kw: Any
    bundle: str
    bundle_kw: Any


KINDS = (Product,)
