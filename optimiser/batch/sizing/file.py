"""The file of choices: sizes from a list or between bounds, what they cost, and the budget."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from pydantic import Field, StrictInt, StrictStr, model_validator

from optimiser.errors import ScenarioError
from optimiser.fields import Component, Several, quantity, text
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.scenario.uses import read_toml

MOST_COMBINATIONS = 5000
FIGURES = (
    "budget",
    "capital",
    "ceiling_saving_a_year",
    "counted_saving_a_year",
    "cost_a_year",
    "net_a_year",
    "net_bound_a_year",
    "verdict",
)


class SizeChoice(Component):
    """A size that is to be chosen: from a list, or anything between two bounds."""

    name: StrictStr = text("what it is")
    path: Several[StrictStr] = Field(
        min_length=1, description="where it stands in the scenario; several paths take the same size"
    )
    options: Several[StrictInt | float] = Field(
        default=(), description="the sizes that can be had; whole units for units"
    )
    at_least: float | None = quantity("-", "least size, where any can be had", default=None, at_least=0)
    at_most: float | None = quantity("-", "largest size, where any can be had", default=None, above=0)
    cost_per_unit: float = quantity("currency", "capital cost of a unit of each path", at_least=0)
    yearly_per_unit: float = quantity(
        "currency/year", "maintenance of a unit of each path", default=0.0, at_least=0
    )
    life_years: float = quantity("years", "life over which its capital is spread", above=0, at_most=100)

    @model_validator(mode="after")
    def _one_of(self) -> SizeChoice:
        bounded = self.at_least is not None and self.at_most is not None
        if bool(self.options) == bounded or (self.at_least is None) != (self.at_most is None):
            raise ValueError("give either options, or at_least together with at_most")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError(
                f"at_least of {self.at_least:g} must be below at_most of {self.at_most:g}; swap them"
            )
        return self

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the largest size."""
        if self.at_least is not None and self.at_most is not None:
            return self.at_least, self.at_most
        return min(self.options), max(self.options)


class ChoicesFile(Component):
    """Everything that a file of choices may say."""

    choice: Several[SizeChoice] = Field(min_length=1, max_length=8, description="the sizes")
    discount_rate_fraction: float = quantity(
        "-", "rate at which capital is spread over its life", default=0.06, at_least=0, at_most=1
    )
    budget: float | None = quantity("currency", "most capital; left out: no limit", default=None, at_least=0)
    budgets: Several[float] = Field(
        default=(), description="budgets of the frontier; left out: evenly spread"
    )
    most_runs: int = quantity("-", "runs after which the best found is shown", default=60, above=0)
    gap_tolerance: float = quantity(
        "-",
        "proven gap that counts as best, a share of a year's turnover",
        default=2e-4,
        above=0,
        at_most=0.5,
    )

    @model_validator(mode="after")
    def _alike(self) -> ChoicesFile:
        if len({bool(choice.options) for choice in self.choice}) > 1:
            raise ValueError(
                "choice mixes lists and bounds: give options to every choice, or at_least and at_most to every choice"
            )
        names = [choice.name for choice in self.choice]
        taken = sorted({name for name in names if names.count(name) > 1 or name in FIGURES})
        if taken:
            raise ValueError(
                f"choice.name {taken[0]!r} stands for another column of the tables too; name it otherwise"
            )
        count = math.prod(len(choice.options) or 1 for choice in self.choice)
        if count > MOST_COMBINATIONS:
            raise ValueError(
                f"choice makes {count} combinations, {MOST_COMBINATIONS} at the most; shorten a list"
            )
        return self


def read_choices(path: Path, scenario: Scenario) -> ChoicesFile:
    """A file of choices for a scenario.

    Raises
    ------
    ScenarioError
        With every fault: of the file, and sizes that the scenario does not take.
    """
    raw, _ = read_toml(path)
    made, faults = checked(ChoicesFile, raw)
    if made is None:
        raise ScenarioError(str(path), faults)
    for number, choice in enumerate(made.choice):
        ends = choice.options or (choice.at_least, choice.at_most)
        for place in choice.path:
            # The first end that is refused is told; the others are refused for the same reason.
            for size in ends:
                fault = _refused(scenario, place, size)
                if fault:
                    faults.append(f"choice.{number}: {fault}")
                    break
    if faults:
        raise ScenarioError(str(path), faults)
    return made


def _refused(scenario: Scenario, place: str, size: Any) -> str:
    known: Any = scenario.file
    for part in place.split("."):
        try:
            known = known[int(part)] if isinstance(known, tuple) else getattr(known, part, None)
        except (ValueError, IndexError):
            known = None
        if known is None:
            return f"{place} stands nowhere in {scenario.path.name}. Give a path such as storage.0.units."
    if isinstance(known, bool) or not isinstance(known, (int, float)):
        what = (
            "a table"
            if isinstance(known, Component)
            else "a list"
            if isinstance(known, tuple)
            else repr(known)
        )
        return f"{place} is {what} in the scenario, which is no size. Give a path with a number."
    try:
        vary(scenario, {place: size})
    except ScenarioError as error:
        return f"the scenario refuses {size} for {place}: {error.faults[0]}"
    return ""
