"""Whether and when a system pays for itself: the appraisal of a statement."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from optimiser.accounts.settlement import Statement
from optimiser.finance.ageing import BankLife, Course, bank_lives, warranty_notes
from optimiser.finance.cash import CashItem, Shift, cash_flow, totals
from optimiser.finance.formulas import (
    discounted,
    internal_rates,
    levelised,
    modified_rate,
    net_present_value,
    payback,
)
from optimiser.finance.yearly import is_year, per_year, saving_by_group, yearly_saving
from optimiser.scenario.cost import MOST_YEARS, Cost
from optimiser.study import Study

LIFE_STEP_YEARS = 5  # by which the sensitivities shorten and lengthen the life


@dataclass(frozen=True)
class Sensitivity:
    """What one input, lower and higher, makes of the result.

    Attributes
    ----------
    name, low_words, high_words : str
        The input and the two values tried.
    low_npv, high_npv : float
        [currency]
    low_payback_years, high_payback_years : float or None
        Simple payback; None is never.
    """

    name: str
    low_words: str
    high_words: str
    low_npv: float
    high_npv: float
    low_payback_years: float | None
    high_payback_years: float | None


@dataclass(frozen=True)
class AppraisedYear:
    """What the prices of one year bring.

    Attributes
    ----------
    name : str
    yearly_saving, npv : float
        [currency/year, currency]
    simple_payback_years : float or None
        None is never.
    """

    name: str
    yearly_saving: float
    npv: float
    simple_payback_years: float | None


@dataclass(frozen=True)
class Appraisal:
    """Whether and when the system pays for itself. All flows are in money of the day.

    Attributes
    ----------
    yearly_saving : float
        Saving of year 1; of a shorter run, scaled to 8760 hours and 12 billing periods. [currency/year]
    ceiling_saving : float
        The same with perfect foresight; equal to it where no run without foresight was made. [currency/year]
    realised_share : float or None
        `yearly_saving` over `ceiling_saving`, what a planner without foresight earned; None where it was not measured.
    scaled : bool
        Whether the timeline was not a year and had to be scaled.
    items : tuple of CashItem
        Every line of the cash flow.
    flows : tuple of float
        Their sum in year 0, 1, 2, ... [currency]
    discount_rate_fraction, real_rate_fraction : float
        Discount rate with inflation in it, and without.
    payback_years, discounted_payback_years : float or None
        Simple and discounted payback; None is never.
    dips_again : bool
        Whether the running sum falls below zero after it was above; the payback is when it stays above.
    npv : float
        Net present value with year 0 undiscounted. [currency]
    modified_rate : float or None
        Rate of return with money borrowed and reinvested at the discount rate; there is always one where something is
        paid and something comes in. [-]
    internal_rates : tuple of float
        Every internal rate of return; none or several are possible.
    return_on_investment : float or None
        All that comes back beyond what was laid out, over what was laid out in capital and replacements.
    storage_cost_per_kwh : float or None
        Levelised cost of a kWh from storage; None without storage or its use. [currency/kWh]
    storage_cost_name, storage_cost_words : str
        What that figure is, all capital or that of storage alone; what it counts.
    course : Course
        How the saving and the equipment age.
    sensitivities : tuple of Sensitivity
        The largest swing of net present value first.
    price_years : tuple of AppraisedYear
        This run and each price year that was solved; empty where none was.
    notes, warnings : tuple of str
        Sentences on how the years after the first were made, and what must not be overlooked.
    """

    yearly_saving: float
    ceiling_saving: float
    realised_share: float | None
    scaled: bool
    items: tuple[CashItem, ...]
    flows: tuple[float, ...]
    discount_rate_fraction: float
    real_rate_fraction: float
    payback_years: float | None
    discounted_payback_years: float | None
    dips_again: bool
    npv: float
    internal_rates: tuple[float, ...]
    modified_rate: float | None
    return_on_investment: float | None
    storage_cost_per_kwh: float | None
    storage_cost_name: str
    storage_cost_words: str
    course: Course
    sensitivities: tuple[Sensitivity, ...]
    price_years: tuple[AppraisedYear, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def appraise(
    statement: Statement, studies: Mapping[str, Study] | None = None, ceiling: Statement | None = None
) -> Appraisal | None:
    """Money over the life of what a statement saves; None without costs.

    Parameters
    ----------
    statement : Statement
    studies : dict of str to Study, optional
        Of them `life` gives the saving of later years, and `price_years` that of other years' prices, both with
        perfect foresight.
    ceiling : Statement, optional
        The run with perfect foresight, where `statement` was made without it; what the studies found is then taken
        in the proportion of the two.
    """
    cost = statement.dispatch.scenario.file.cost
    if cost is None:
        return None
    studies = studies or {}
    share = _realised(statement, ceiling)
    course = _course(statement, cost, studies.get("life"), share)
    first = sum(course.saving_in(1).values())
    items = cash_flow(cost, course.saving_in, course.banks)
    flows = totals(items)
    rate = cost.nominal_rate
    back = payback(flows)
    running = np.cumsum(flows)
    worth = net_present_value(flows, rate)
    own = AppraisedYear("this run", first, worth, back)
    others = _price_years(cost, course, share, studies.get("price_years"))
    price, price_name, price_words = _storage_cost(statement, cost, course)
    return Appraisal(
        yearly_saving=first,
        ceiling_saving=first if ceiling is None else yearly_saving(ceiling),
        realised_share=share,
        scaled=not is_year(statement.dispatch.scenario.timeline.hours),
        items=items,
        flows=flows,
        discount_rate_fraction=rate,
        real_rate_fraction=cost.real_rate,
        payback_years=back,
        discounted_payback_years=payback(discounted(flows, rate).tolist()),
        dips_again=bool((np.diff((running >= 0).astype(int)) < 0).any()),
        npv=worth,
        internal_rates=internal_rates(flows),
        modified_rate=modified_rate(flows, rate, rate),
        return_on_investment=_return(items),
        storage_cost_per_kwh=price,
        storage_cost_name=price_name,
        storage_cost_words=price_words,
        course=course,
        sensitivities=_sensitivities(cost, course.saving_in, course.banks),
        price_years=(own, *others) if others else (),
        notes=tuple(_notes(statement, cost, course, share)),
        warnings=(*_warnings(statement, cost, course), *_losing((own, *others))),
    )


def _realised(statement: Statement, ceiling: Statement | None) -> float | None:
    """Share of the ceiling's yearly saving that was earned without foresight; None where the statement is the ceiling.

    Of the yearly sums, since every figure that it scales is yearly: in a shorter run a charge that is made once a
    billing period weighs otherwise in the sums of its days.
    """
    if ceiling is None or ceiling is statement:
        return None
    most = yearly_saving(ceiling)
    return yearly_saving(statement) / most if most > 0 else None


def _course(statement: Statement, cost: Cost, study: Study | None, share: float | None) -> Course:
    """The years solved: the run's own, and those of the study `life`."""
    first = saving_by_group(statement)
    ages, saving = [1], {group: [amount] for group, amount in first.items()}
    for row in study.summary["ages"] if study else ():
        ages.append(row["year"])
        for group in saving:
            saving[group].append(first[group] + (1.0 if share is None else share) * row["change"][group])
    return Course(
        bank_lives(statement, cost),
        cost.life.solar_fade_fraction,
        tuple(ages),
        {group: tuple(made) for group, made in saving.items()},
    )


def _price_years(
    cost: Cost, course: Course, share: float | None, study: Study | None
) -> tuple[AppraisedYear, ...]:
    """Each price year appraised: later years and the realised share as in this run, whose wear they share."""
    own = sum(course.saving_in(1).values())
    found = []
    for row in study.summary["years"] if study else ():

        def saving_in(year: int, first: Mapping[str, float] = row["saving"]) -> dict[str, float]:
            kept = sum(course.saving_in(year).values()) / own if own else course.scale(year)
            return {
                group: (1.0 if share is None else share) * kept * amount for group, amount in first.items()
            }

        flows = totals(cash_flow(cost, saving_in, course.banks))
        worth = net_present_value(flows, cost.nominal_rate)
        found.append(AppraisedYear(row["name"], sum(saving_in(1).values()), worth, payback(flows)))
    return tuple(found)


def _losing(years: tuple[AppraisedYear, ...]) -> Iterator[str]:
    """Price years whose net present value has another sign than the best's."""
    losing = [year.name for year in years if year.npv < 0]
    if losing and len(losing) < len(years):
        yield f"The net present value is negative on the prices of {', '.join(losing)}, and positive on the others."


def _return(items: tuple[CashItem, ...]) -> float | None:
    """(all that comes in - all that goes out) / what was laid out in capital and replacements."""
    laid_out = -sum(sum(item.amounts) for item in items if item.kind in ("capital", "replacement"))
    return sum(totals(items)) / laid_out if laid_out > 0 else None


def _storage_cost(statement: Statement, cost: Cost, course: Course) -> tuple[float | None, str, str]:
    """Levelised cost of a kWh from storage, what it is called, and what it counts. [currency/kWh]

    (capital + upkeep + replacements + what charging costs - end value, discounted) / (energy discharged,
    discounted). A kWh charged costs what one more kWh was worth at the meter then: the import price while the site
    imported, else the export price.

    References
    ----------
    .. [1] Levelised cost as in NREL/TP-462-5173, with the energy bought to charge among the costs: common practice,
       no source.
    """
    discharged = sum(bank.discharged_kwh for bank in course.banks)
    if discharged <= 0:
        return None, "", ""
    marked = [item.name for item in cost.item if item.part == "storage"]
    banks = [part.name for part in cost.replacement if part.storage is not None]
    kinds = ("upkeep", "end value") if marked else ("capital", "upkeep", "replacement", "end value")
    counted = np.zeros(cost.life_years + 1)
    for item in cash_flow(cost, course.saving_in, course.banks):
        if item.kind in kinds or (marked and item.name in (*marked, *banks)):
            counted -= item.amounts
    years = np.arange(cost.life_years + 1)
    left = np.array([0.0, *(course.storage_share(int(year)) for year in years[1:])])
    counted += left * _charging_cost(statement) * (1 + cost.inflation_fraction) ** np.maximum(years - 1, 0)
    parts = f"{', '.join(marked)} and upkeep" if marked else "all capital, replacements and upkeep"
    words = (
        f"Counts {parts}, less the end value, and what charging costs at the meter's price of the moment; before "
        "incentives, loan and tax; per kWh discharged to the DC bus."
    )
    # Inverters and modules are not storage: a figure with them in it is not called the cost of storage.
    name = (
        "Levelised cost of storage" if marked else "Levelised cost of a kWh discharged, all capital counted"
    )
    return levelised(counted.tolist(), (left * discharged).tolist(), cost.nominal_rate), name, words


def _charging_cost(statement: Statement) -> float:
    """What a year's charging costs at the meter's price of the moment. [currency/year]"""
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    data = scenario.data
    meter = dispatch.flows.meter
    importing = np.asarray(meter.import_kw - meter.crossing_kw) > 1e-6
    price = np.where(importing, scenario.tariff.import_price(data), scenario.tariff.export_price(data))
    flows = [(bank.converter_efficiency, dispatch.flows.banks[bank.name]) for bank in scenario.storage]
    charge = sum(np.asarray(flow.charge_kw + flow.called_charge_kw / through) for through, flow in flows)
    return per_year(scenario.timeline) * scenario.timeline.step_hours * float((price * charge).sum())


@dataclass(frozen=True)
class _Trial:
    """One input set to one value."""

    words: str
    cost: Cost
    shift: Shift = field(default_factory=Shift)
    points: float = 0.0

    def result(
        self, saving_in: Callable[[int], Mapping[str, float]], banks: tuple[BankLife, ...]
    ) -> tuple[float, float | None]:
        """Net present value and simple payback."""
        flows = totals(cash_flow(self.cost, saving_in, banks, self.shift))
        return net_present_value(flows, _shifted(self.cost.nominal_rate, self.points)), payback(flows)


def _shifted(rate: float, points: float) -> float:
    """A discount rate with points added, not below nothing."""
    return max(min(rate, 0.0), rate + points)


def _first_end(banks: tuple[BankLife, ...]) -> BankLife | None:
    """The bank that is the first to end without being bought again; None where none does."""
    ending = [bank for bank in banks if bank.years is not None and bank.renewed_every is None]
    return min(ending, key=lambda bank: bank.years or 0.0, default=None)


def _longer(cost: Cost, banks: tuple[BankLife, ...]) -> tuple[int, str]:
    """A longer life to try and its words: no longer than the first bank lasts, for a dead bank saves nothing."""
    years, ends = min(cost.life_years + LIFE_STEP_YEARS, MOST_YEARS), _first_end(banks)
    if ends is None or ends.years is None or ends.years >= years:
        return years, f"{years} years"
    # Rounded down to whole years; an appraisal that is longer already is warned of and not made longer still.
    years = max(cost.life_years, int(ends.years + 1e-9))
    return years, f"{years} years, no longer: {ends.name} ends after {ends.years:.1f}"


def _trials(cost: Cost, banks: tuple[BankLife, ...]) -> Iterator[tuple[str, _Trial, _Trial]]:
    """Each main input with a lower and a higher value."""
    less, more = "20 % less", "20 % more"
    yield (
        "Capital and replacements",
        _Trial(less, cost, Shift(capital=0.8)),
        _Trial(more, cost, Shift(capital=1.2)),
    )
    yield "Yearly saving", _Trial(less, cost, Shift(saving=0.8)), _Trial(more, cost, Shift(saving=1.2))
    fall, rise = Shift(prices=-0.02), Shift(prices=0.02)
    yield (
        "Price changes",
        _Trial("2 points a year less", cost, fall),
        _Trial("2 points a year more", cost, rise),
    )
    rates = [
        _Trial(f"{100 * _shifted(cost.nominal_rate, points):.3g} %", cost, points=points)
        for points in (-0.02, 0.02)
    ]
    yield "Discount rate", rates[0], rates[1]
    shorter = max(cost.life_years - LIFE_STEP_YEARS, 1)
    lives = ((shorter, f"{shorter} years"), _longer(cost, banks))
    lasting = [_Trial(words, cost.model_copy(update={"life_years": years})) for years, words in lives]
    yield "Life", lasting[0], lasting[1]
    if cost.yearly or cost.upkeep:
        yield "Upkeep", _Trial(less, cost, Shift(upkeep=0.8)), _Trial(more, cost, Shift(upkeep=1.2))


def _sensitivities(
    cost: Cost, saving_in: Callable[[int], Mapping[str, float]], banks: tuple[BankLife, ...]
) -> tuple[Sensitivity, ...]:
    """Net present value and payback with each main input lower and higher, everything else the same."""
    found = []
    for name, low, high in _trials(cost, banks):
        (low_npv, low_back), (high_npv, high_back) = (trial.result(saving_in, banks) for trial in (low, high))
        found.append(Sensitivity(name, low.words, high.words, low_npv, high_npv, low_back, high_back))
    return tuple(sorted(found, key=lambda one: -abs(one.high_npv - one.low_npv)))


def _notes(statement: Statement, cost: Cost, course: Course, share: float | None) -> Iterator[str]:
    """How the money of the years was made."""
    if not is_year(statement.dispatch.scenario.timeline.hours):
        days = statement.dispatch.scenario.timeline.hours / 24
        yield (
            f"The run covers {days:g} days; the yearly saving and the payback are scaled from them, "
            "and know no other season."
        )
    if share is None:
        yield "The yearly saving is the ceiling; no figure without foresight was worked out with this run."
    else:
        yield f"The yearly saving is what was earned without foresight, {100 * share:.1f} % of the ceiling."
    changes = {
        group: cost.inflation_fraction if change is None else change
        for group, change in cost.escalation.model_dump().items()
    }
    if any(changes.values()):
        named = ", ".join(
            f"{group.replace('_', ' ')} {100 * change:g} %" for group, change in changes.items()
        )
        yield f"Cash flow is in money of the day. Savings change each year by: {named}; year 1 has the run's prices."
    else:
        yield "Prices stay as they are in every year: no inflation and no change of any price is given."
    if cost.loan is not None:
        yield "The cash flow is the owner's, with the loan in it: payback and internal rate are those of the own money."
    if len(course.ages) > 1:
        solved = ", ".join(map(str, course.ages[1:]))
        yield f"Solved again with worn equipment: year {solved}; years between them by straight lines."
    elif course.scale(cost.life_years) < 1:
        yield (
            "The saving of later years falls with what is left of storage or modules, the smaller of the two: a "
            "cautious rule. The study life solves later years again."
        )
    else:
        yield "The equipment is as new in every year: no fade is given or every worn bank is renewed."


def _warnings(statement: Statement, cost: Cost, course: Course) -> Iterator[str]:
    """Ends of life that no money is set aside for, and warranties that are not kept."""
    for bank in course.banks:
        if bank.years is not None and bank.renewed_every is None and bank.years < cost.life_years:
            left = 100 * bank.share_left(cost.life_years)
            yield (
                f"{bank.name} reaches its end of life after {bank.years:.1f} years, before the {cost.life_years} years "
                f"that are appraised, and no replacement is in the costs: it is taken to go on with less, {left:.0f} % "
                "in the last year. Add [[cost.replacement]] or shorten life_years."
            )
    yield from warranty_notes(statement, course.banks)


def at_share(
    statement: Statement, appraisal: Appraisal | None, share: float
) -> tuple[float, float | None, float | None]:
    """Saving of a year, payback and present value with a share of what a statement saves.

    Parameters
    ----------
    statement : Statement
    appraisal : Appraisal or None
        Of it; None where there are no costs.
    share : float
        [-]

    Returns
    -------
    (float, float or None, float or None)
        [currency/year]; [years], None for never; [currency]
    """
    saving, cost = share * yearly_saving(statement), statement.dispatch.scenario.file.cost
    if appraisal is None or cost is None:
        return saving, None, None
    course = appraisal.course
    items = cash_flow(
        cost, lambda year: {group: share * v for group, v in course.saving_in(year).items()}, course.banks
    )
    flows = totals(items)
    return saving, payback(flows), net_present_value(flows, cost.nominal_rate)
