"""Contracts whose dates, windows or intervals do not meet the run, or that charge nothing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from optimiser.flows import MeterFlows
from optimiser.scenario.checks.words import span_words
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms


def nothing_charged(scenario: Scenario) -> Iterator[str]:
    """A contract under which the most that can be imported costs as much as nothing imported."""
    data = scenario.data
    nothing = np.zeros(scenario.timeline.steps)
    most = data.values(scenario.site.connection.import_limit_kw) + nothing
    for key, contract in tariffs_of(scenario):
        bills = []
        for drawn in (nothing, most):
            lines = contract.lines(
                MeterFlows(drawn, nothing, most, nothing, drawn), SettledTerms(scenario.data)
            )
            bills.append(sum(float(np.abs(line.values).sum()) for line in lines if line.cash))
        if most.any() and bills[0] == bills[1]:
            yield (
                f"{key}: nothing is charged on import: drawing all that the connection allows costs as much as "
                "drawing nothing. Add an energy or demand charge, or check the rates."
            )


def tariffs_of(scenario: Scenario) -> Iterator[tuple[str, Any]]:
    """The contracts with the system and without it, by their place in the file."""
    for key in ("tariff", "before_tariff"):
        contract = getattr(scenario.file, key)
        if contract is not None:
            yield key, contract


def demand_intervals(scenario: Scenario) -> Iterator[str]:
    """Demand metered on a finer clock than the steps."""
    step = scenario.timeline.step_minutes
    for key, contract in tariffs_of(scenario):
        for index, component in enumerate(contract.component):
            minutes = getattr(component, "interval_minutes", None)
            if minutes is None:
                continue
            place = f"{key}.component.{index}.interval_minutes"
            if minutes < step:
                yield (
                    f"{place} is {minutes} min, steps are {step} min; the peak of a shorter interval is "
                    f"higher than the step's average, so the charge is understated. Use steps of {minutes} "
                    "min or less."
                )


def window_edges(scenario: Scenario) -> Iterator[str]:
    """Clock times of windows that fall inside a step: the step counts by its start."""
    step = scenario.timeline.step_minutes
    for place, window in windows_of(scenario):
        for word, minutes in (("from", window.from_), ("to", window.to)):
            if minutes % step:
                clock = f"{minutes // 60:02d}:{minutes % 60:02d}"
                yield (
                    f"{place}.{word} is {clock}, inside a step of {step} min; a step counts by its start, so "
                    f"up to {step - minutes % step} min are billed at the wrong rate. Use shorter steps."
                )


def windows_of(scenario: Scenario) -> Iterator[tuple[str, Any]]:
    """Every window of the file, with its place."""
    for key, contract in tariffs_of(scenario):
        yield from ((f"{key}.{place}", window) for place, window in contract.windows())
    for index, bank in enumerate(scenario.storage):
        for number, reserve in enumerate(bank.reserve):
            if reserve.when is not None:
                yield f"storage.{index}.reserve.{number}.when", reserve.when
    for index, product in enumerate(scenario.service):
        if product.when is not None:
            yield f"service.{index}.when", product.when


def component_dates(scenario: Scenario) -> Iterator[str]:
    """Components of a tariff that the timeline never meets, and reads of the meter outside it."""
    local = scenario.timeline.local()
    first, last = local[0].date(), local[-1].date()
    for key, contract in tariffs_of(scenario):
        for index, component in enumerate(contract.component):
            since, until = component.valid_from, component.valid_until
            if (since is not None and since > last) or (until is not None and until <= first):
                yield (
                    f"{key}.component.{index} ({component.name or component.kind}) holds {span_words(since, until)}, "
                    f"outside the timeline of {first} to {last}; it is never charged. Check the dates."
                )
        reads = contract.billing.read_dates
        if reads and not any(first <= read <= last for read in reads):
            yield (
                f"{key}.billing.read_dates lie outside the timeline of {first} to {last}; it is one bill. "
                "Check the dates."
            )
