"""What components share: tax, dates, windows of time, rates by time of use, blocks by volume, days of supply."""

from __future__ import annotations

import datetime
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Literal, Protocol, Self

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.fields import Component, Several, choice, quantity, text
from optimiser.flows import MeterFlows, Series
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Group, Terms
from optimiser.timeline import STEP, Grouping, Timeline, Window

BY_WHOLE_NUMBERS = (
    "Which step or block each billing period ends in is decided with the schedule, by whole numbers; what is billed is "
    "exact, and what the program may see beyond it, within a thousandth of an edge, is part of the gap."
)


class TariffBasis(Protocol):
    """What a component asks of the tariff that it is part of."""

    @property
    def zone(self) -> str:
        """Zone whose clock its windows and months follow."""

    @property
    def tax_fraction(self) -> float:
        """Tax added to each taxed component. [-]"""

    @property
    def tax_name(self) -> str:
        """Name of the tax on the bill."""

    @property
    def period(self) -> Grouping:
        """The billing period."""

    @property
    def component(self) -> Sequence[Charge]:
        """All of its components."""

    def holiday_dates(self, timeline: Timeline) -> tuple[datetime.date, ...]:
        """Dates that are no workdays, of the years of a timeline."""


class Charge(Component, ABC):
    """What every component says about tax and the dates it holds on."""

    taxed: bool = Field(default=True, description="whether the tariff's tax is added")
    tax_included: bool = Field(
        default=False, description="whether the rates hold the tax already; the bill then shows it apart"
    )
    tax_fraction: float | None = quantity(
        "-", "tax on this component; left out: the tariff's", default=None, at_least=0, at_most=1
    )
    valid_from: datetime.date | None = Field(default=None, description="first day on which it is charged")
    valid_until: datetime.date | None = Field(
        default=None, description="first day on which it is charged no more"
    )

    @model_validator(mode="after")
    def _dates_and_tax(self) -> Self:
        if self.valid_from and self.valid_until and self.valid_from >= self.valid_until:
            raise ValueError(
                f"valid_until must be after valid_from, got {self.valid_from} to {self.valid_until}; "
                "it is the first day on which the component holds no more"
            )
        if self.tax_included and not self.taxed:
            raise ValueError("taxed is false but tax_included is true; remove one of the two")
        return self

    @property
    def once_a_period(self) -> bool:
        """Whether a billing period pays it whole, however few of its days are run."""
        return False

    @property
    def when_cut(self) -> str:
        """What becomes of a billing period that its dates cut, for a note on the bill; empty where that is plain."""
        return ""

    def meets(self, other: Charge) -> bool:
        """Whether there are days on which both are charged."""
        first, last = datetime.date.min, datetime.date.max
        return (self.valid_from or first) < (other.valid_until or last) and (other.valid_from or first) < (
            self.valid_until or last
        )

    def tax(self, tariff: TariffBasis) -> float:
        """Tax on its lines as they stand before tax. [-]"""
        if not self.taxed:
            return 0.0
        return tariff.tax_fraction if self.tax_fraction is None else self.tax_fraction

    def net_share(self, tariff: TariffBasis) -> float:
        """What is left of a rate of the file when the tax that it holds is taken out. [-]"""
        return 1 / (1 + self.tax(tariff)) if self.tax_included else 1.0

    def in_force(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """1.0 in the steps of the days on which it is charged, else 0.0."""
        return data.timeline.between(self.valid_from, self.valid_until, tariff.zone)

    def mask(self, data: InputData, tariff: TariffBasis, when: Window | None) -> np.ndarray:
        """1.0 in the steps of a window within the dates it is charged on, else 0.0."""
        window = data.timeline.mask(when, tariff.zone, tariff.holiday_dates(data.timeline))
        made: np.ndarray = window * self.in_force(data, tariff)
        return made

    def price(self, data: InputData, tariff: TariffBasis) -> np.ndarray | float:
        """What one more kWh costs or brings by this component in each step; none unless it says so."""
        return 0.0

    @abstractmethod
    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """What it brings onto the bill before tax, income positive."""

    @abstractmethod
    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""

    def conditions(self, tariff: TariffBasis) -> str:
        """Its tax and dates as a sentence, or nothing."""
        parts = []
        if tax := self.tax(tariff):
            parts.append(f"{'holds' if self.tax_included else 'plus'} {100 * tax:.4g} % {tariff.tax_name}")
        if self.valid_from:
            parts.append(f"from {self.valid_from}")
        if self.valid_until:
            parts.append(f"until {self.valid_until}, that day left out")
        return ", ".join(parts)

    def steepest(self, data: InputData, tariff: TariffBasis) -> float:
        """The greatest worth of a kWh that it knows, whatever its sign. [currency/kWh]"""
        return float(np.abs(self.price(data, tariff)).max())


class RatePeriod(Component):
    """A rate and the hours it holds in; the first period of a list that holds is the one that counts."""

    name: StrictStr = text("name on the bill, peak for example", default="")
    rate_per_kwh: float = quantity("currency/kWh", "rate before tax")
    when: Window | None = None


class TimeOfUse(Charge):
    """A rate per kWh by time of use, for either direction."""

    name: StrictStr = text("name on the bill", default="")
    rates: Several[RatePeriod] = Field(
        default=(), description="rates by time of use; the last may have no `when` and holds otherwise"
    )
    rate_per_kwh: float | None = quantity("currency/kWh", "one rate for all hours, before tax", default=None)

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.rate_per_kwh is None) == (not self.rates):
            raise ValueError("give either rate_per_kwh or rates")
        return self

    def periods(self) -> tuple[RatePeriod, ...]:
        """The rate periods, of which the first that holds counts."""
        if self.rate_per_kwh is not None:
            return (RatePeriod(rate_per_kwh=self.rate_per_kwh),)
        return self.rates

    def masks(self, data: InputData, tariff: TariffBasis) -> Iterator[tuple[RatePeriod, np.ndarray]]:
        """Each period with 1.0 in the steps where it is the first that holds."""
        free = self.in_force(data, tariff)
        for period in self.periods():
            mask = self.mask(data, tariff, period.when) * free
            free = free - mask
            yield period, mask

    def uncovered(self, timeline: Timeline, tariff: TariffBasis) -> int | None:
        """The first step that no period covers, or None."""
        covered = 1.0 - timeline.between(self.valid_from, self.valid_until, tariff.zone)
        holidays = tariff.holiday_dates(timeline)
        for period in self.periods():
            covered = np.maximum(covered, timeline.mask(period.when, tariff.zone, holidays))
        missing = np.flatnonzero(covered == 0)
        return int(missing[0]) if len(missing) else None

    def price(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """The rate of each step, of shape (steps,). [currency/kWh]"""
        return sum((p.rate_per_kwh * mask for p, mask in self.masks(data, tariff)), data.values(0.0))

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        return "; ".join(
            f"{' '.join(filter(None, [period.name, f'{period.rate_per_kwh:g} a kWh']))}"
            f"{f' ({period.when.words()})' if period.when else ''}"
            for period in self.periods()
        )

    def energy_lines(
        self, power_kw: Series, sign: float, group: Group, name: str, terms: Terms, tariff: TariffBasis
    ) -> Iterator[Line]:
        """One line a rate period: energy times its rate, with the sign given."""
        for period, mask in self.masks(terms, tariff):
            if mask.any():
                energy = power_kw * terms.series(mask) * terms.step_hours
                words = " ".join(filter(None, [self.name or name, period.name]))
                yield Line(words, group, sign * period.rate_per_kwh * energy, quantity=energy, unit="kWh")


class Block(Component):
    """A rate and the volume up to which it holds; the last of a list has no end."""

    up_to_kwh: float | None = quantity(
        "kWh", "volume at which the block ends, counted from zero; left out: no end", default=None, above=0
    )
    rate_per_kwh: float = quantity("currency/kWh", "rate before tax")


class Volume(Charge):
    """Rates by the volume of a billing period or a day.

    Block ends of a billing period may be published for the period as it is (a calendar month, say), for each day
    of it, or for 30 days with a range of days within which they stay as they are. A period that the run cuts short
    has its ends scaled by days.
    """

    blocks: Several[Block] = Field(
        min_length=1, description="blocks in order; only the last has no up_to_kwh"
    )
    counted_per: Literal["billing_period", "day"] = choice(
        "whether volume is counted over the billing period or over each day", default="billing_period"
    )
    ends_per: Literal["billing_period", "day", "30_days"] = choice(
        "what the block ends of a billing period are published for: the period as it is, each day of it, or 30 days",
        default="billing_period",
    )
    unchanged_from_days: int | None = quantity(
        "days", "ends for 30 days hold as they are in periods of so many days", default=None, above=0
    )
    unchanged_to_days: int | None = quantity(
        "days", "longest period in which ends for 30 days hold as they are", default=None, above=0
    )
    when: Window | None = Field(default=None, description="hours whose energy is counted; left out: all")

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.blocks[-1].up_to_kwh is not None:
            raise ValueError("the last of blocks must have no up_to_kwh, so that every kWh has a rate")
        ends = [block.up_to_kwh for block in self.blocks if block.up_to_kwh is not None]
        if len(ends) < len(self.blocks) - 1:
            raise ValueError("only the last of blocks may leave up_to_kwh out")
        if any(one >= other for one, other in pairwise(ends)):
            raise ValueError(f"up_to_kwh of blocks must rise, got {', '.join(f'{end:g}' for end in ends)}")
        limits = (self.unchanged_from_days, self.unchanged_to_days)
        if (limits[0] is None) != (limits[1] is None):
            raise ValueError(
                "unchanged_from_days and unchanged_to_days belong together; give both or neither"
            )
        if limits[0] is not None and self.ends_per != "30_days":
            raise ValueError('unchanged_from_days needs ends_per = "30_days"')
        if self.counted_per == "day" and self.ends_per != "billing_period":
            raise ValueError("ends_per is for blocks counted over a billing period; leave it out")
        return self

    @property
    def when_cut(self) -> str:
        """What becomes of a billing period that its dates cut, for a note on the bill; empty where that is plain."""
        if len(self.blocks) == 1 or self.counted_per == "day":
            return ""
        return "the energy of those days fills blocks whose ends are scaled by days"

    def grouping(self, tariff: TariffBasis) -> Grouping:
        """What volume is counted over."""
        return Grouping("day", tariff.zone) if self.counted_per == "day" else tariff.period

    def ends_kwh(self, data: InputData, tariff: TariffBasis) -> list[np.ndarray]:
        """Where all blocks but the last end in each group. [kWh]"""
        per = self.grouping(tariff)
        days = data.groups(per).sum(data.timeline.share_of_day(tariff.zone) * self.in_force(data, tariff))
        if self.counted_per == "day":
            factor = np.minimum(days, 1.0)
        elif self.ends_per == "day":
            factor = days
        elif self.ends_per == "30_days":
            low, high = self.unchanged_from_days or 0, self.unchanged_to_days or 0
            factor = np.where((low <= days) & (days <= high), 1.0, days / 30)
        else:
            factor = days / data.timeline.calendar_days(per)
        return [block.up_to_kwh * factor for block in self.blocks[:-1]]

    def volumes(
        self,
        name: str,
        power_kw: Series,
        most_kw: np.ndarray,
        worth: Sequence[float],
        terms: Terms,
        tariff: TariffBasis,
    ) -> tuple[list[Series], bool]:
        """The energy in each block, the first in each step, the others in each group; whether whole numbers order them.

        Parameters
        ----------
        name : str
        power_kw, most_kw : array of shape (steps,)
        worth : list of float
            Money that a kWh of each block brings.
        """
        per = self.grouping(tariff)
        mask = self.mask(terms, tariff, self.when)
        energy = power_kw * terms.series(mask) * terms.step_hours
        most = terms.groups(per).sum(most_kw * mask * terms.step_hours)
        rising = any(later > earlier for earlier, later in pairwise(worth))
        ends = self.ends_kwh(terms, tariff)
        widths = [end - start for start, end in zip([np.zeros_like(most), *ends[:-1]], ends, strict=False)]
        parts = terms.blocks(name, energy, widths=widths, per=per, at_most=most, in_order=rising)
        return [rest(energy, parts[1:], per, terms), *parts[1:]], rising

    def volume_lines(
        self,
        name: str,
        parts: Sequence[Series],
        sign: float,
        group: Group,
        joined: str,
        data: InputData,
        tariff: TariffBasis,
    ) -> Iterator[Line]:
        """One line a block: its energy times its rate, with the sign given."""
        per = self.grouping(tariff)
        for number, (block, part) in enumerate(zip(self.blocks, parts, strict=True)):
            yield Line(
                f"{name}, {self.block_words(number)}",
                group,
                sign * block.rate_per_kwh * part,
                STEP if number == 0 else per,
                quantity=part,
                unit="kWh",
                approximates=BY_WHOLE_NUMBERS if joined else "",
                joined=joined,
            )

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        rates = "; ".join(
            f"{self.block_words(number)} {block.rate_per_kwh:g} a kWh"
            for number, block in enumerate(self.blocks)
        )
        return f"{rates}, counted over each {self.counted_per.replace('_', ' ')}{hours_words(self.when)}"

    def block_words(self, number: int) -> str:
        """A block's name on the bill."""
        if len(self.blocks) == 1:
            return "all"
        per = {"day": " a day", "30_days": " in 30 days"}.get(
            self.counted_per if self.counted_per == "day" else self.ends_per, ""
        )
        if number == len(self.blocks) - 1:
            return f"above {self.blocks[number - 1].up_to_kwh:g} kWh{per}"
        start = self.blocks[number - 1].up_to_kwh if number else 0
        return f"{start:g} to {self.blocks[number].up_to_kwh:g} kWh{per}"

    def steepest(self, data: InputData, tariff: TariffBasis) -> float:
        """The greatest rate of its blocks, whatever its sign. [currency/kWh]"""
        return max(abs(block.rate_per_kwh) for block in self.blocks)

    def price(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """The first block's rate in the hours that count. [currency/kWh]"""
        return self.blocks[0].rate_per_kwh * self.mask(data, tariff, self.when)


def hours_words(when: Window | None) -> str:
    """The hours that count, as the end of a sentence."""
    return f", {when.words()}" if when else ""


def rest(energy: Series, others: Sequence[Series], per: Grouping, terms: Terms) -> Series:
    """What is left of each step's energy when its share of other parts of its group is taken off.

    The first block is said by the step, so that the program knows in every step what a kWh is worth at least; its
    sum over a group is the block's.
    """
    sizes = terms.groups(per).sizes
    share = terms.series(1.0 / sizes[terms.groups(per).of_step])
    for other in others:
        energy = energy - terms.broadcast(other, per) * share
    return energy


def days_of_supply(data: InputData, tariff: TariffBasis, mask: np.ndarray) -> np.ndarray:
    """Days in each billing period that a mask holds, of shape (groups,); a whole local day is one day."""
    return data.groups(tariff.period).sum(data.timeline.share_of_day(tariff.zone) * mask)


def share_of_period(data: InputData, tariff: TariffBasis, mask: np.ndarray) -> np.ndarray:
    """What part of each whole billing period a mask holds, by days, of shape (groups,). [-]"""
    return days_of_supply(data, tariff, mask) / data.timeline.calendar_days(tariff.period)
