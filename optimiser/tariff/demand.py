"""Power that is charged for: peaks in kW or kVA, stepped fees for capacity.

Where the dates of a component cut a billing period, the period's peak is charged at its rate for its share of the days:
a rate that changes is weighted by days, and one that changes in name alone changes nothing.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Literal, Self, get_args

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.fields import Column, Component, Several, choice, column, quantity, text
from optimiser.flows import MeterFlows, Series
from optimiser.tariff.parts import (
    BY_WHOLE_NUMBERS,
    Charge,
    TariffBasis,
    days_of_supply,
    hours_words,
    share_of_period,
)
from optimiser.terms.data import Array, InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Grouping, Window


class _Metered(Charge):
    """How a demand is metered: interval, window, how many of the highest."""

    interval_minutes: int = quantity("min", "length of the metered average", default=30, above=0)
    highest: int = quantity(
        "-", "the mean of so many of the highest is charged", default=1, above=0, at_most=400
    )
    distinct_days: bool = Field(default=False, description="whether the highest must be of different days")
    when: Window | None = None
    pro_rata: bool = Field(
        default=False,
        description="whether a billing period that the run cuts is charged by its share of days, not in full",
    )
    peak_of: Literal["billing_period", "own_days"] = choice(
        "whose peak counts where the component's dates cut a billing period: that of the whole period, or of the days "
        "on which it holds",
        default="billing_period",
    )

    @property
    @abstractmethod
    def measured_as(self) -> str:
        """Name of the column of what it measures in each billing period."""

    @property
    def once_a_period(self) -> bool:
        """Whether a billing period pays it whole, however few of its days are run."""
        return not self.pro_rata and getattr(self, "rate_basis", "billing_period") == "billing_period"

    def metered(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """1.0 in the steps whose peaks are known to it, whatever their hour, else 0.0.

        Whole billing periods until the last that it holds on. Those before the first are not charged, but a ratchet
        counts them, as it does past peaks before the timeline, and plans without foresight go by them.
        """
        if self.peak_of == "own_days":
            return self.in_force(data, tariff)
        groups = data.groups(tariff.period)
        until = data.timeline.between(None, self.valid_until, tariff.zone)
        return (groups.max(until) > 0).astype(float)[groups.of_step]

    def measured(
        self, name: str, flows: MeterFlows, terms: Terms, tariff: TariffBasis, reactive: Array | None = None
    ) -> Series:
        """What is measured in each billing period. [kW or kVA]"""
        window = terms.timeline.mask(self.when, tariff.zone, tariff.holiday_dates(terms.timeline))
        mask = window * self.metered(terms, tariff)
        slot = Grouping()
        if self.interval_minutes > terms.timeline.step_minutes:
            slot = Grouping("block", tariff.zone, self.interval_minutes)
        return terms.peak(
            name,
            flows.import_kw * terms.series(mask) if not mask.all() else flows.import_kw,
            per=tariff.period,
            slot=slot,
            at_most=flows.import_most_kw * mask,
            unit="kW" if reactive is None else "kVA",
            reactive=None if reactive is None else reactive * mask,
            highest=self.highest,
            apart=Grouping("day", tariff.zone) if self.distinct_days and self.highest > 1 else Grouping(),
        )

    def metered_words(self) -> str:
        """How the demand is metered."""
        which = "highest average" if self.highest == 1 else f"mean of the {self.highest} highest averages"
        days = ", of different days" if self.distinct_days and self.highest > 1 else ""
        return f"{which} of {self.interval_minutes} min{days}{hours_words(self.when)}"

    @property
    def when_cut(self) -> str:
        """What becomes of a billing period that its dates cut, after "Demand holds on 9 of 31 days: "."""
        whose = "those days" if self.peak_of == "own_days" else "the whole billing period"
        return f"it is charged for its share of the days, on the peak of {whose}"

    def cut_words(self) -> str:
        """Whose peak counts where its dates cut a billing period, unless it is the period's."""
        return (
            "; where its dates cut a billing period, the peak of its own days"
            if self.peak_of == "own_days"
            else ""
        )

    def fraction_charged(self, data: InputData, tariff: TariffBasis) -> np.ndarray:
        """What part of a rate for a whole billing period each one pays: of its days, those on which it holds. [-]"""
        held = self.in_force(data, tariff)
        if self.pro_rata:
            return share_of_period(data, tariff, held)
        made: np.ndarray = days_of_supply(data, tariff, held) / days_of_supply(
            data, tariff, np.ones_like(held)
        )
        return made


class Ratchet(Component):
    """What peaks of earlier billing periods still count for."""

    fraction: float = quantity("-", "of the highest earlier peak", above=0, at_most=1)
    periods: int = quantity("-", "earlier billing periods that count", default=11, above=0, at_most=36)
    past_peaks: Several[float] = Field(
        default=(),
        description="peaks before the timeline in the unit of the rate, the latest last; left out: none",
    )

    @model_validator(mode="after")
    def _past(self) -> Self:
        if any(not 0 <= peak <= 1e9 for peak in self.past_peaks):
            raise ValueError("past_peaks must be at least 0 and at most 1e9")
        return self


class _Demand(_Metered):
    """A charge on a peak, with what earlier peaks and a minimum make of it."""

    rate_basis: Literal["billing_period", "day"] = choice(
        "whether the rate is for a billing period or for each day of it", default="billing_period"
    )
    ratchet: Ratchet | None = Field(default=None, description="what earlier peaks still count for")

    @model_validator(mode="after")
    def _whole_periods(self) -> Self:
        if self.ratchet is not None and self.peak_of == "own_days":
            raise ValueError(
                'a ratchet counts the peaks of whole billing periods, so peak_of = "own_days" cannot stand beside it; '
                "leave one of the two out"
            )
        return self

    def charged(
        self, name: str, measured: Series, least: float, most: np.ndarray, terms: Terms, tariff: TariffBasis
    ) -> Series:
        """What of the measured demand is charged, earlier peaks and the minimum counted."""
        if self.ratchet is None and not least:
            return measured
        ratchet = self.ratchet or Ratchet(fraction=1.0)
        return terms.ratchet(
            f"{name}.charged",
            measured,
            per=tariff.period,
            fraction=ratchet.fraction if self.ratchet else 0.0,
            periods=ratchet.periods,
            past=ratchet.past_peaks,
            at_least=least,
            at_most=most,
        )

    def rate_words(self, rate: float, unit: str, least: float) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        per = " and day" if self.rate_basis == "day" else ""
        words = f"{rate:g} a {unit}{per} of the billing period's {self.metered_words()}"
        if least:
            words += f"; at least {least:g} {unit}"
        if self.ratchet is not None:
            words += (
                f"; at least {100 * self.ratchet.fraction:g} % of the highest of the "
                f"{self.ratchet.periods} billing periods before"
            )
        return words + self.cut_words()

    def line(
        self, words: str, rate: float, charged: Series, unit: str, terms: Terms, tariff: TariffBasis
    ) -> Line:
        """One amount a billing period."""
        if self.rate_basis == "day":
            days = terms.series(
                days_of_supply(terms, tariff, self.in_force(terms, tariff)), per=tariff.period
            )
            counted, unit = charged * days, f"{unit} days"
        else:
            share = self.fraction_charged(terms, tariff)
            counted = charged if (share == 1.0).all() else charged * terms.series(share, per=tariff.period)
        return Line(words, "demand", -rate * counted, tariff.period, quantity=counted, unit=unit)


class DemandCharge(_Demand):
    """Charge on the highest metered average import of a billing period, in kW.

    Metered at the import register, averaged over clock-aligned intervals of `interval_minutes`, within a window;
    the highest average of the billing period is charged, or the mean of the `highest`. At least `at_least_kw` is
    charged, and with a `ratchet` a fraction of earlier peaks. Rates of several seasons are several components with
    windows. With steps longer than the interval the step's own average is used, which understates the peak; the check
    command says so. Leaves out ratchets on the peaks of a season alone.

    References
    ----------
    .. [1] Average over 30 min, maximum of the month, often within a window: public pages of distribution networks
       and of the HK Electric bill guide ("maximum demand in kVA averaged over 30 minutes x rate"), read second hand.
    .. [2] AGL, help page on demand charges, as quoted on its forum: kW x days x c/kW/day.
    .. [3] Pacific Northwest National Laboratory, questions on demand charges: billed demand is the greater of the
       month's and 80 % of the highest of the previous 11 months.
    """

    kind: Literal["demand_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Demand")
    rate_per_kw: float = quantity(
        "currency/kW", "charge per kW of a billing period's peak, before tax", at_least=0
    )
    at_least_kw: float = quantity("kW", "least demand that is charged", default=0.0, at_least=0)

    @property
    def measured_as(self) -> str:
        """Name of the column of each billing period's peak. [kW]"""
        return f"demand.{self.name}"

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        return self.rate_words(self.rate_per_kw, "kW", self.at_least_kw)

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One amount a billing period."""
        name = self.measured_as
        measured = self.measured(name, flows, terms, tariff)
        charged = self.charged(name, measured, self.at_least_kw, flows.import_most_kw, terms, tariff)
        yield self.line(self.name, self.rate_per_kw, charged, "kW", terms, tariff)


class ApparentDemandCharge(_Demand):
    """Charge on the highest metered apparent power of a billing period, in kVA.

    Metered as kW and kvar at the import register, each averaged over clock-aligned intervals, then the root of both
    squared. Reactive power is the load's: a series, or the load's power times the tangent of its power factor; solar
    and storage change the kW only, so they make the power factor at the meter worse. The program takes tangents, at
    most 0.4 % below; the bill is exact. Leaves out reactive power that inverters give.

    References
    ----------
    .. [1] HK Electric, guide to the bill of the maximum demand tariff: kVA averaged over 30 minutes; read second
       hand. Apparent power is the root of active and reactive power squared: IEC 60050-131, from memory.
    """

    kind: Literal["apparent_demand_charge"] = choice("component")
    name: StrictStr = text("name on the bill", default="Apparent demand")
    rate_per_kva: float = quantity(
        "currency/kVA", "charge per kVA of a billing period's peak, before tax", at_least=0
    )
    at_least_kva: float = quantity("kVA", "least demand that is charged", default=0.0, at_least=0)
    power_factor: float | None = quantity("-", "of the load", default=None, above=0, at_most=1)
    reactive_kvar: Column | None = column("kvar", "reactive power of the load", default=None, at_least=0)

    @property
    def measured_as(self) -> str:
        """Name of the column of each billing period's peak. [kVA]"""
        return f"apparent_demand.{self.name}"

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        reactive = (
            f"power factor {self.power_factor:g}" if self.power_factor else f"kvar {self.reactive_kvar}"
        )
        return f"{self.rate_words(self.rate_per_kva, 'kVA', self.at_least_kva)}; {reactive}"

    @model_validator(mode="after")
    def _one_reactive(self) -> Self:
        if (self.power_factor is None) == (self.reactive_kvar is None):
            raise ValueError("give either power_factor or reactive_kvar")
        return self

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One amount a billing period."""
        if self.power_factor is not None:
            reactive = np.asarray(flows.load_kw) * np.tan(np.arccos(self.power_factor))
        else:
            assert self.reactive_kvar is not None  # as `_one_reactive` has seen
            reactive = terms.values(self.reactive_kvar)
        name = self.measured_as
        measured = self.measured(name, flows, terms, tariff, reactive)
        most = np.hypot(flows.import_most_kw, reactive)
        charged = self.charged(name, measured, self.at_least_kva, most, terms, tariff)
        line = self.line(self.name, self.rate_per_kva, charged, "kVA", terms, tariff)
        yield replace(line, approximates=TANGENTS_TAKEN)


TANGENTS_TAKEN = (
    "The program holds apparent power above tangents, at most 0.4 % below what is billed; what is billed is exact, "
    "and the difference is part of the gap."
)


class FeeStep(Component):
    """A fee and the demand up to which it holds; the last of a list has no end."""

    up_to_kw: float | None = quantity("kW", "demand at which the step ends", default=None, above=0)
    fee: float = quantity("currency", "fee of a whole billing period, before tax", at_least=0)


class CapacityFee(_Metered):
    """A fee for each billing period that the step picks in which its demand lies.

    Metered like a demand charge; the mean of the `highest`, of different days if asked, picks the step, and its
    fee is charged whole. A demand that ends a step, within a watt, is in it, or in the next where the tariff says so.
    Whole numbers choose the step. Leaves out fees that the demand of the month before picks.

    References
    ----------
    .. [1] Network tariffs of Norwegian households: a yearly price by the step in which the mean of the three highest
       hours of different days of a month lies (a month pays a twelfth); price data of kraftsystemet/fri-nettleie,
       CC BY 4.0.
    """

    kind: Literal["capacity_fee"] = choice("component")
    name: StrictStr = text("name on the bill", default="Capacity")
    steps: Several[FeeStep] = Field(min_length=1, description="steps in order; only the last has no up_to_kw")
    top_included: bool = Field(
        default=True,
        description="whether a demand of just up_to_kw is still in the step that ends there; false: in the next",
    )

    @property
    def measured_as(self) -> str:
        """Name of the column of what picks each billing period's step. [kW]"""
        return f"capacity_fee.{self.name}"

    def words(self) -> str:
        """How it is charged, as a sentence without its name, tax and dates."""
        to, from_ = ("up to", "above") if self.top_included else ("below", "from there on")
        steps = [
            f"{step.fee:g} {to} {step.up_to_kw:g} kW" if step.up_to_kw else f"{step.fee:g} {from_}"
            for step in self.steps
        ]
        return f"{', '.join(steps)}, by the billing period's {self.metered_words()}{self.cut_words()}"

    @model_validator(mode="after")
    def _rising(self) -> Self:
        ends, fees = self._ends(), [step.fee for step in self.steps]
        if self.steps[-1].up_to_kw is not None or len(ends) < len(self.steps) - 1:
            raise ValueError("the last of steps, and only the last, must have no up_to_kw")
        if any(one >= other for one, other in pairwise(ends)):
            raise ValueError("up_to_kw of steps must rise from step to step")
        if any(one > other for one, other in pairwise(fees)):
            raise ValueError("fee of steps must not fall from step to step")
        return self

    def _ends(self) -> list[float]:
        return [step.up_to_kw for step in self.steps if step.up_to_kw is not None]

    def lines(self, flows: MeterFlows, terms: Terms, tariff: TariffBasis) -> Iterator[Line]:
        """One line: the fee of the step that each billing period lies in."""
        name, per = self.measured_as, tariff.period
        measured = self.measured(name, flows, terms, tariff)
        most = float(np.max(flows.import_most_kw, initial=0.0))
        tops = self._ends()
        chosen = terms.step_of(
            name, measured, tops=[*tops, max([most, *tops])], per=per, top_included=self.top_included
        )
        fees = [step.fee * share for step, share in zip(self.steps, chosen, strict=True)]
        fee = sum(fees[1:], fees[0]) * terms.series(self.fraction_charged(terms, tariff), per=per)
        relaxed = BY_WHOLE_NUMBERS if len(self.steps) > 1 else ""
        yield Line(self.name, "demand", -fee, per, approximates=relaxed)


AnyDemand = DemandCharge | ApparentDemandCharge | CapacityFee
KINDS = get_args(AnyDemand)
