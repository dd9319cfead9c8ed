"""A contract: its clock, holidays, billing periods, tax and components, and every line of its bill."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated, Self, get_args

import numpy as np
from pydantic import AfterValidator, Field, StrictStr, model_validator

from optimiser.fields import Component, Several, ZoneName, quantity, text
from optimiser.flows import MeterFlows
from optimiser.tariff import demand, energy, export, fixed
from optimiser.tariff.parts import TimeOfUse
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Grouping, Timeline, Window, public_holidays

AnyComponent = energy.AnyEnergy | export.AnyExport | demand.AnyDemand | fixed.AnyFixed
KINDS = get_args(AnyComponent)


def _known_region(region: str | None) -> str | None:
    if region is not None:
        public_holidays(region, (2025,))
    return region


class Billing(Component):
    """When bills are made out: every so many months, or at given reads of the meter."""

    months: int = quantity("months", "calendar months of a bill", default=1, above=0, at_most=12)
    first_month: int = quantity("-", "a month that begins a bill, 1 to 12", default=1, at_least=1, at_most=12)
    read_dates: Several[datetime.date] = Field(
        default=(), description="days on which the meter is read; each begins a bill at its midnight"
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if 12 % self.months:
            raise ValueError(f"months must divide a year, got {self.months}")
        if self.read_dates and {"months", "first_month"} & self.model_fields_set:
            raise ValueError("give either months or read_dates")
        if list(self.read_dates) != sorted(set(self.read_dates)):
            raise ValueError("read_dates must be in order, each date once")
        return self


class Tariff(Component):
    """A named contract: its clock, its tax and its components. Billing periods are calendar months unless it says."""

    name: StrictStr = text("name of the contract")
    zone: ZoneName = text("zone whose clock its windows and months follow")
    holidays: Annotated[StrictStr | None, AfterValidator(_known_region)] = Field(
        default=None,
        max_length=400,
        description='country or part of one whose public holidays are no workdays, "DE" or "AU-SA"',
    )
    further_holidays: Several[datetime.date] = Field(
        default=(), description="further dates that are no workdays"
    )
    billing: Billing = Field(
        default_factory=Billing, description="when bills are made out; left out: each month"
    )
    tax_fraction: float = quantity(
        "-", "tax added to each taxed component, 0.1 for 10 %", default=0.0, at_least=0, at_most=1
    )
    tax_name: StrictStr = text("name of the tax on the bill", default="Tax")
    source: StrictStr = text("where the rates are from, with a date", default="")
    component: Several[Annotated[AnyComponent, Field(discriminator="kind")]] = Field(
        min_length=1, description="what is charged and credited"
    )

    @property
    def period(self) -> Grouping:
        """The billing period."""
        if self.billing.read_dates:
            return Grouping("reads", self.zone, reads=self.billing.read_dates)
        return Grouping("month", self.zone, months=self.billing.months, first_month=self.billing.first_month)

    def periods_a_year(self, timeline: Timeline) -> float:
        """Billing periods in a year; between reads, by the length of bills or, with one, as in the timeline."""
        if not self.billing.read_dates:
            return 12 / self.billing.months
        if len(self.billing.read_dates) == 1:
            return timeline.groups(self.period).count * 8760 / timeline.hours
        return 365 / float(timeline.calendar_days(self.period).mean())

    def holiday_dates(self, timeline: Timeline) -> tuple[datetime.date, ...]:
        """Dates that are no workdays, of the years of a timeline."""
        if self.holidays is None:
            return self.further_holidays
        local = timeline.local(self.zone)
        years = tuple(range(local[0].year, local[-1].year + 1))
        return (*public_holidays(self.holidays, years), *self.further_holidays)

    def lines(self, flows: MeterFlows, terms: Terms) -> list[Line]:
        """Every line of the bill, the tax on it included."""
        lines: list[Line] = []
        for component in self.component:
            lines += self._with_tax(component, list(component.lines(flows, terms, self)))
        rests: list[tuple[fixed.MinimumCharge, list[Line]]] = []
        for component in self.component:
            if isinstance(component, fixed.MinimumCharge):
                others = [line for other, made in rests if component.meets(other) for line in made]
                counted = [line for line in [*lines, *others] if component.covers(line)]
                rest = component.top_up(counted, flows, terms, self)
                rests.append((component, self._with_tax(component, [rest])))
        if not rests:
            return lines
        # A unit more in a line that counts is a unit less in the rest: only their sum is told apart.
        return [
            replace(line, joined=_BILL) for line in [*lines, *(line for _, made in rests for line in made)]
        ]

    def _with_tax(self, component: AnyComponent, own: list[Line]) -> list[Line]:
        """A component's lines before tax, and the tax on each."""
        tax, share = component.tax(self), component.net_share(self)
        if share != 1.0:
            own = [replace(line, values=line.values * share) for line in own]
        if not tax:
            return own
        taxes = [
            replace(line, name=self.tax_name, group="tax", values=tax * line.values, quantity=None, unit="")
            for line in own
        ]
        return own + taxes

    def import_price(self, data: InputData) -> np.ndarray:
        """What one more imported kWh costs in each step, in the first block of any, demand and minimum aside.

        Of shape (steps,). [currency/kWh]
        """
        return self._price(data, "energy in")

    def export_price(self, data: InputData) -> np.ndarray:
        """What one more exported kWh brings in each step, in the first tier and below any free level.

        Of shape (steps,). [currency/kWh]
        """
        return self._price(data, "energy out")

    def _price(self, data: InputData, group: str) -> np.ndarray:
        kinds = energy.KINDS if group == "energy in" else export.KINDS
        price = np.zeros(data.timeline.steps)
        for component in self.component:
            if isinstance(component, kinds) and not isinstance(component, energy.ControlledLoad):
                factor = (1 + component.tax(self)) * component.net_share(self)
                price = price + factor * component.price(data, self)
        return price

    def notes(self, timeline: Timeline) -> Iterator[str]:
        """What a reader of its bills should know: billing periods and components that are cut, as sentences."""
        yield from self._cut_by_run(timeline)
        for component in self.component:
            if component.when_cut:
                yield from self._cut_by_dates(component, timeline)

    def _cut_by_run(self, timeline: Timeline) -> Iterator[str]:
        """Billing periods that the timeline covers in part, or that lack a read."""
        groups, reads = timeline.groups(self.period), self.billing.read_dates
        covered, whole = groups.sum(timeline.share_of_day(self.zone)), timeline.calendar_days(self.period)
        first = timeline.local(self.zone)[groups.first_step]
        for number, (has, days) in enumerate(zip(covered, whole, strict=True)):
            label = groups.labels[number]
            day = first[number].date()
            if abs(has - days) > 1e-6:
                lacks = ""
                if reads and not reads[0] <= day < reads[-1]:
                    lacks = (
                        " A read is missing, so the bill is taken to be as long as the one beside it; read_dates may "
                        "lie outside the data."
                    )
                yield (
                    f"{label} is covered for {has:.4g} of its {days:.4g} days: fixed sums and block ends are scaled by "
                    f"days, demand is charged in full unless it says pro_rata.{lacks}"
                )
        if len(reads) == 1 and groups.count > 1:
            yield (
                f"One read date tells of no length of a bill, so {' and '.join(groups.labels)} each count as a whole "
                "one. Give the reads before and after it too; they may lie outside the data."
            )

    def _cut_by_dates(self, component: AnyComponent, timeline: Timeline) -> Iterator[str]:
        """Billing periods of which the dates of a component hold a part."""
        groups, share = timeline.groups(self.period), timeline.share_of_day(self.zone)
        inside = timeline.between(component.valid_from, component.valid_until, self.zone)
        for label, held, days in zip(
            groups.labels, groups.sum(share * inside), groups.sum(share), strict=True
        ):
            if 1e-6 < held < days - 1e-6:
                yield f"{label}: {component.name} holds on {held:.4g} of {days:.4g} days: {component.when_cut}."

    def faults(self, timeline: Timeline) -> Iterator[str]:
        """What does not fit a timeline: the place within the tariff, the rule, the way out."""
        for index, component in enumerate(self.component):
            if isinstance(component, TimeOfUse):
                step = component.uncovered(timeline, self)
                if step is not None:
                    when = timeline.local(self.zone)[step].strftime("%a %Y-%m-%d %H:%M")
                    yield (
                        f"component.{index}.rates leave {when} ({self.zone}) without a rate. "
                        "End the list with a rate that has no `when`."
                    )
            interval = getattr(component, "interval_minutes", 0)
            if interval > timeline.step_minutes and interval % timeline.step_minutes:
                yield (
                    f"component.{index}.interval_minutes is {interval}, which "
                    f"{timeline.step_minutes} min steps do not divide. Change step_minutes."
                )

    def twins(self) -> Iterator[str]:
        """Components that a bill could not tell apart."""
        names = [(component.kind, component.name) for component in self.component]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield f"component.{index} has the kind and name of another one. Give each its own name."

    def windows(self) -> Iterator[tuple[str, Window]]:
        """Every window of its components, with its place within the tariff."""
        for index, component in enumerate(self.component):
            when = getattr(component, "when", None)
            if isinstance(when, Window):
                yield f"component.{index}.when", when
            for number, period in enumerate(component.rates if isinstance(component, TimeOfUse) else ()):
                if period.when is not None:
                    yield f"component.{index}.rates.{number}.when", period.when


_BILL = "the bill"
