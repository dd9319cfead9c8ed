"""The answer in plain words: what it earns, when it pays back, how sure that is."""

from __future__ import annotations

from optimiser.report.blocks import Block, Fact, Heading, Headline, Points, Section, Text
from optimiser.report.formats import is_missing, money, percent, percent_at_most, span, years
from optimiser.report.results import Results


def section(results: Results) -> Section:
    """The first screen."""
    summary = results.summary
    blocks: list[Block] = []
    if summary.get("description"):
        blocks.append(Text(summary["description"]))
    blocks.append(Headline((earning(results), payback(results), certainty(results))))
    warnings = tuple(str(warning) for warning in summary.get("warnings") or ())
    if warnings:
        blocks += [Heading("Before you rely on it"), Points(warnings, tone="warning")]
    blocks.append(Text(covered(results), tone="quiet"))
    return Section("answer", "In short", "In short", tuple(blocks))


def earning(results: Results) -> Fact:
    """What the equipment is worth a year, and the bills behind the figure."""
    summary, headline = results.summary, results.summary["headline"]
    currency = summary["currency"]
    saving = headline["saving_per_year"]
    outcome = "better off than without it" if saving >= 0 else "worse off than without it"
    bills = (
        f"Over the days of this run the bill goes from {money(headline['bill_before'], currency)} "
        f"to {money(headline['bill_after'], currency)}"
    )
    services = headline.get("services_income") or 0.0
    earned = f", and grid services pay {money(services, currency)} on top." if services else "."
    if headline.get("forecast_driven"):
        return forecast_driven(results)
    if headline.get("scaled_to_year"):
        days = summary["steps"] * summary["step_minutes"] / 1440
        limit = (
            f"Only the {days:g} days of this run are proven. The figure for a year is scaled up from them: it knows no "
            "other season and bounds nothing."
        )
        return Fact(f"Scaled to a year from {days:g} days", money(saving, currency), (limit, bills + earned))
    sentences = (f"The most a year could leave you {outcome}.", bills + earned)
    return Fact("Worth a year, at most", money(saving, currency), sentences)


def forecast_driven(results: Results) -> Fact:
    """What a year is worth to a site that does not know it, the ceiling beside it."""
    summary, headline = results.summary, results.summary["headline"]
    currency = summary["currency"]
    saving, most, before = headline["saving_per_year"], headline["ceiling_per_year"], headline["bill_before"]
    policy = summary["studies"]["capture"]["headline"]
    sentences = [
        f"Planned day after day without knowing what comes ({policy}); with perfect foresight it would be "
        f"{money(most, currency)}.",
        f"Over the days of this run what is to pay goes from {money(before, currency)} to "
        f"{money(before - headline['saving_forecast_driven'], currency)}"
        + (", income from services taken off." if headline.get("services_income_forecast_driven") else "."),
    ]
    if headline.get("scaled_to_year"):
        days = summary["steps"] * summary["step_minutes"] / 1440
        sentences.insert(1, f"Scaled up from {days:g} days, which know no other season.")
    return Fact("Worth a year", money(saving, currency), tuple(sentences))


def payback(results: Results) -> Fact:
    """How long until the capital is back, or that it never is."""
    headline, currency = results.summary["headline"], results.summary["currency"]
    time = headline.get("simple_payback_years")
    capital = money(headline.get("capital_cost"), currency)
    life = headline.get("life_years")
    if headline.get("capital_cost") is None:
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
        outcome = f"That is how long the savings take to return the {capital} it costs."
    rate = percent(headline.get("discount_rate_fraction"))
    value = (
        f"Over {years(life)}, with later money discounted at {rate} a year, the net "
        f"present value is {money(headline.get('npv'), currency)}."
    )
    sentences: tuple[str, ...] = (outcome, value)
    if headline.get("forecast_driven"):
        best = years(headline.get("ceiling_payback_years"))
        sentences = (outcome, value, f"With perfect foresight it would be {best}.")
    return Fact("Simple payback", years(time), sentences)


def certainty(results: Results) -> Fact:
    """How tightly the ceiling is proven."""
    headline, proof = results.summary["headline"], results.summary.get("proof") or {}
    driven = headline.get("forecast_driven")
    sentences = [
        "The ceiling is what perfect foresight of the same year would save: no controller earns more."
        if driven
        else "An upper bound with perfect foresight: it knows every price and every load in advance. "
        "A real controller earns less.",
    ]
    gap = proof.get("gap_relative")
    if not is_missing(gap):
        sentences.append(
            f"The gap to the proven bound is {percent(gap, 3)} of the value: no schedule on this data can be "
            "better by more than that."
        )
    broken = (proof.get("direction") or {}).get("remaining_violations")
    if broken:
        sentences.append(
            f"In {broken:,} steps the schedule still runs both ways at once, which no site can do."
        )
    if driven:
        sentences.append("Another year has other prices, load and sun.")
        sentences[1:1] = own_use(results)
        most = headline["ceiling_per_year"]
        if standing(proof) == "A ceiling, proven" and most > 0:
            share = headline["saving_per_year"] / most
            return Fact("How sure", f"{percent(share, 0)} of the ceiling", tuple(sentences))
    elif headline.get("basis"):
        basis = str(headline["basis"])
        sentences.append(f"Basis: {basis}" if basis.endswith(".") else f"Basis: {basis}.")
    return Fact("How sure", standing(proof), tuple(sentences))


def own_use(results: Results) -> list[str]:
    """What the plainest way of running the site would save: the other end of the range."""
    outcomes = results.summary["studies"]["capture"]["outcomes"]
    plain = [row["saving"] for row in outcomes if row["name"] == "own use"]
    currency = results.summary["currency"]
    return [f"Covering own load alone would save {money(plain[0], currency)} in these days."] if plain else []


def standing(proof: dict) -> str:
    """What may be said of the figure: proven only with a gap inside the tolerance and no rule broken."""
    gap, allowed = proof.get("gap_relative"), proof.get("tolerance_relative")
    if gap is None or is_missing(gap):
        return "Not proven"
    if (proof.get("direction") or {}).get("remaining_violations"):
        return "An upper bound only"
    if allowed is None or abs(gap) > allowed:
        return f"Best found, within {percent_at_most(abs(gap))}"
    return "A ceiling, proven"


def covered(results: Results) -> str:
    """Which days, which step, which clock."""
    summary = results.summary
    local = results.dispatch["interval_start_local"]
    steps, minutes = summary["steps"], summary["step_minutes"]
    return span(local.iloc[0], local.iloc[-1], steps, minutes, summary["zone"], summary["currency"])
