"""The answer in plain words: what it earns, when it pays back, how sure that is."""

from __future__ import annotations

import math
from dataclasses import replace

from optimiser.guide import see
from optimiser.report import state, without_foresight
from optimiser.report.blocks import Block, Fact, Heading, Headline, Points, Section, Text
from optimiser.report.results import Results
from optimiser.studies.without_foresight import OWN_USE
from optimiser.summary.run import ProofFigures
from optimiser.words import money, number, of_turnover, percent, percent_at_most, run_span, years


def section(results: Results, *, guided: bool = True) -> Section:
    """The first screen; `guided` sends on to the guide, which a customer does not have."""
    summary = results.summary
    blocks: list[Block] = [*state.blocks(summary)]
    if summary.description:
        blocks.append(Text(summary.description))
    sure = certainty(results)
    if guided:
        sure = replace(sure, sentences=(*sure.sentences, see("solving")))
    blocks.append(Headline((earning(results), payback(results), sure)))
    if summary.warnings:
        blocks += [Heading("Before you rely on it"), Points(summary.warnings, tone="warning")]
    blocks.append(Text(covered(results), tone="quiet"))
    return Section("answer", "In short", "In short", tuple(blocks))


def earning(results: Results) -> Fact:
    """What the equipment is worth a year, and the bills behind the figure."""
    summary, headline = results.summary, results.summary.headline
    currency = summary.currency
    saving = headline.rested.saving_per_year
    outcome = "better off than without it" if saving >= 0 else "worse off than without it"
    bills = (
        f"Over the days of this run the bill goes from {money(headline.bill_before, currency)} "
        f"to {money(headline.ceiling_bill_after, currency)}"
    )
    services = headline.ceiling_services_income
    earned = f", and grid services pay {money(services, currency)} on top." if services else "."
    if results.forecast_driven:
        return forecast_driven(results)
    if headline.scaled_to_year:
        days = summary.days
        limit = (
            f"Only the {days:g} days of this run are proven. The figure for a year is scaled up from them: it knows no "
            "other season and bounds nothing."
        )
        return Fact(f"Scaled to a year from {days:g} days", money(saving, currency), (limit, bills + earned))
    sentences = (f"The most a year could leave you {outcome}.", bills + earned)
    return Fact("Worth a year, at most", money(saving, currency), sentences)


def forecast_driven(results: Results) -> Fact:
    """What a year is worth to a site that does not know it, the ceiling beside it."""
    summary, headline = results.summary, results.summary.headline
    currency = summary.currency
    driven = headline.rested
    before = headline.bill_before
    row = without_foresight.made(results).headlined
    planned = "Planned day after day without knowing what comes: the plan"
    how = planned if row.plans is not None else "Earned without knowing what comes:"
    sentences = [
        f"{how} {row.words}. With perfect foresight it would be "
        f"{money(headline.ceiling_saving_per_year, currency)}.",
        f"Over the days of this run what is to pay goes from {money(before, currency)} to "
        f"{money(before - driven.saving, currency)}"
        + (", income from services taken off." if driven.services_income else "."),
    ]
    if headline.scaled_to_year:
        days = summary.days
        sentences.insert(1, f"Scaled up from {days:g} days, which know no other season.")
    return Fact("Worth a year", money(driven.saving_per_year, currency), tuple(sentences))


def payback(results: Results) -> Fact:
    """How long until the capital is back, or that it never is."""
    headline, currency = results.summary.headline, results.summary.currency
    time = headline.rested.payback_years
    capital = money(headline.capital_cost, currency)
    life = headline.life_years
    if headline.capital_cost is None:
        return Fact(
            "Simple payback", "not asked", ("The scenario gives no cost, so nothing can be paid back.",)
        )
    if time is None:
        outcome = f"The savings never return the {capital} it costs."
    elif life is not None and time > life:
        outcome = (
            f"That is longer than its life: it is worn out before it has returned the {capital} it costs."
        )
    else:
        outcome = f"That is how long the money left each year takes to return the {capital} it costs."
    rate = percent(headline.discount_rate_fraction)
    value = (
        f"Over {years(life)}, with later money discounted at {rate} a year, the net "
        f"present value is {money(headline.rested.npv, currency)}."
    )
    sentences = [outcome, *left(results), value]
    if results.forecast_driven:
        sentences.append(f"With perfect foresight it would be {years(headline.ceiling_payback_years)}.")
    return Fact("Simple payback", years(time), tuple(sentences))


def left(results: Results) -> list[str]:
    """What a year leaves: the first and, where it differs, the last; the payback is made of these."""
    flow, currency = results.summary.cash_flow, results.summary.currency
    appraisal = results.summary.appraisal
    if len(flow) < 2 or appraisal is None:
        return []
    kinds = appraisal.kinds

    def of(kind: str, year: int) -> float:
        return math.fsum(value for name, value in flow[year].items.items() if kinds[name] == kind)

    upkeep = f" less {money(-of('upkeep', 1), currency)} of upkeep" if of("upkeep", 1) else ""
    words = f"Year 1 saves {money(of('saving', 1), currency)}{upkeep}"
    last, first = of("saving", -1), of("saving", 1)
    if first > 0 and abs(last / first - 1) > 0.005:
        share = percent(last / first, 0)
        words += f"; year {flow[-1].year} saves {share} of that, as equipment wears and prices move"
    return [f"{words}."]


def certainty(results: Results) -> Fact:
    """How tightly the ceiling is proven."""
    headline, proof = results.summary.headline, results.summary.proof
    driven = results.forecast_driven
    sentences = [
        f"The most, {money(headline.ceiling_saving_per_year, results.summary.currency)} a year, is what perfect "
        "foresight of the same days would save: no controller earns more."
        if driven
        else "An upper bound with perfect foresight: it knows every price and every load in advance. "
        "A real controller earns less.",
    ]
    gap = of_turnover(proof.gap_relative, proof.gap_absolute, results.summary.currency)
    sentences.append(
        f"{'That most is' if driven else 'It is'} proven: no schedule on this data can be better by more than {gap}; "
        "turnover is all that is paid either way."
    )
    broken = proof.direction.remaining_violations
    if broken:
        sentences.append(
            f"In {broken:,} steps the schedule still runs both ways at once, which no site can do."
        )
    if driven:
        sentences.append("Another year has other prices, load and sun.")
        sentences[1:1] = [*own_use(results), *earned(results)]
        if standing(proof) == "A ceiling, proven" and (ends := span(results)) is not None:
            return Fact("How sure: between", ends, tuple(sentences))
    else:
        sentences.append(f"Basis: {headline.bases.ceiling}.")
    return Fact("How sure", standing(proof), tuple(sentences))


def plain_saving(results: Results) -> float | None:
    """What the plainest way of running the site would save in a year; None where it could not be run."""
    plain = without_foresight.made(results).outcome(OWN_USE)
    if plain is None or plain.share_of_ceiling is None:
        return None
    return float(plain.share_of_ceiling * results.summary.headline.ceiling_saving_per_year)


def span(results: Results) -> str | None:
    """From the least to the most of a year: covering own load alone, or the policy if that is less, and the ceiling."""
    headline, plain = results.summary.headline, plain_saving(results)
    if plain is None:
        return None
    ends = min(plain, headline.rested.saving_per_year), headline.ceiling_saving_per_year
    return f"{results.summary.currency}\u00a0{number(ends[0])} and {number(ends[1])}"


def own_use(results: Results) -> list[str]:
    """What the plainest way of running the site would save: the other end of the range."""
    plain, currency = plain_saving(results), results.summary.currency
    if plain is None:
        return []
    return [f"Covering own load alone, without any plan, would save {money(plain, currency)}."]


def earned(results: Results) -> list[str]:
    """What share of the ceiling the policy earns."""
    headline = results.summary.headline
    most = headline.ceiling_saving_per_year
    if most <= 0:
        return []
    return [f"Without foresight {percent(headline.rested.saving_per_year / most, 0)} of the most is earned."]


def standing(proof: ProofFigures) -> str:
    """What may be said of the figure: proven only with a gap inside the tolerance and no rule broken."""
    if proof.direction.remaining_violations:
        return "An upper bound only"
    if abs(proof.gap_relative) > proof.tolerance_relative:
        return f"Best found, within {percent_at_most(abs(proof.gap_relative))} of turnover"
    return "A ceiling, proven"


def covered(results: Results) -> str:
    """Which days, which step, which clock."""
    summary = results.summary
    local = results.dispatch["interval_start_local"]
    steps, minutes = summary.steps, summary.step_minutes
    return run_span(local.iloc[0], local.iloc[-1], steps, minutes, summary.zone, summary.currency)
