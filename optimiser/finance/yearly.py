"""The saving of a year by group of the bill, of a run that may be shorter than one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from optimiser.accounts.settlement import Statement
from optimiser.tariff import Tariff
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.timeline import Timeline

HOURS_PER_YEAR = 8760.0

# Groups of the statement's lines, as the cash flow and [cost.escalation] name them; tax goes with what is taxed.
GROUPS = {
    "energy in": "energy_in",
    "energy out": "energy_out",
    "demand": "demand",
    "fixed": "fixed",
    "availability": "services",
    "activation": "services",
}


def is_year(hours: float) -> bool:
    """Whether a run is taken as a year as it is: 365 or 366 days, a changed clock allowed."""
    return 8759.0 <= hours <= 8785.0


def per_year(timeline: Timeline) -> float:
    """What an amount over a timeline's hours is multiplied by to be that of a year. [-]"""
    return 1.0 if is_year(timeline.hours) else HOURS_PER_YEAR / timeline.hours


def weights(lines: Sequence[Line], tariff: Tariff, timeline: Timeline) -> np.ndarray:
    """How much each line counts in a year beside what its hours say, of shape (lines,). [-]

    1, but in a shorter run for demand that is charged once a billing period: a year has as many of those as the tariff
    says, not as many as the run has when it is repeated. Times `per_year` it makes an amount of the run a yearly one.
    """
    if is_year(timeline.hours):
        return np.ones(len(lines))
    once = {component.name for component in tariff.component if component.once_a_period}
    periods = tariff.periods_a_year(timeline) / timeline.groups(tariff.period).count
    by_period = [taxed.group == "demand" and taxed.name in once for _, taxed in with_taxed(lines)]
    # Rounded, so that whole bills between reads weigh exactly 1.
    return np.where(by_period, round(periods / per_year(timeline), 12), 1.0)


def saving_by_group(statement: Statement) -> dict[str, float]:
    """Saving of a year in each group, tax on the bill included. [currency/year]

    A shorter run is scaled to 8760 hours; what is charged once a billing period, to a year of them.
    """
    scenario = statement.dispatch.scenario
    timeline = scenario.timeline
    before = scenario.before_tariff.lines(statement.before_flows, SettledTerms(scenario.data))
    found = dict.fromkeys(GROUPS.values(), 0.0)
    cases = ((1.0, scenario.tariff, statement.dispatch.lines), (-1.0, scenario.before_tariff, before))
    for sign, tariff, lines in cases:
        factors = per_year(timeline) * weights(lines, tariff, timeline)
        for (line, taxed), factor in zip(with_taxed(lines), factors, strict=True):
            if line.cash:
                found[GROUPS.get(taxed.group, "fixed")] += sign * factor * float(np.sum(line.values))
    return found


def yearly_saving(statement: Statement) -> float:
    """Saving of a year, all groups together. [currency/year]"""
    return sum(saving_by_group(statement).values())


def with_taxed(lines: Sequence[Line]) -> Iterator[tuple[Line, Line]]:
    """Each line with the line that it is the tax on, or with itself; a tariff puts both in the same order."""
    index = 0
    while index < len(lines):
        stop = index
        while stop < len(lines) and lines[stop].group == "tax":
            stop += 1
        count = stop - index
        yield from ((lines[at], lines[at - count]) for at in range(index, stop))
        if stop < len(lines):
            yield lines[stop], lines[stop]
        index = stop + 1
