"""The summary of a search for sizes."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from optimiser.summary.part import Part, figure

Size = int | float  # whole where the list is


class SizedChoice(Part):
    """A size that was to be chosen."""

    name: str
    path: tuple[str, ...] = Field(description="where it stands in the scenario")
    cost_per_unit: float = figure("currency", "capital of one unit")
    life_years: float = figure("years", "over which that is spread")


class SizesShare(Part):
    """The share of the ceiling that was measured at some sizes."""

    sizes: dict[str, Size] = Field(description="by the names of the choices, in their units")
    share_of_ceiling: float = figure("-", "of the ceiling's saving, earned without foresight")


class BestFigures(Part):
    """The sizes that leave most a year, and what they come to."""

    sizes: dict[str, Size] = Field(description="by the names of the choices, in their units")
    capital: float = figure("currency", "of the chosen sizes")
    ceiling_saving_a_year: float = figure("currency/year", "saving with perfect foresight")
    share_of_ceiling: float = figure("-", "part of that which is counted on")
    counted_saving_a_year: float = figure("currency/year", "saving that is counted on")
    cost_a_year: float = figure("currency/year", "capital spread over the lives, and maintenance")
    net_a_year: float = figure("currency/year", "counted on less cost")
    net_bound_a_year: float | None = figure(
        "currency/year", "the most that any sizes leave; null: not proven"
    )
    verdict: str


class SizesSummary(Part):
    """What a search for sizes came to, as it stands in sizes.json."""

    title: str
    invented: bool
    currency: str
    start: str = Field(description="of the first step, on the site's clock")
    steps: int
    step_minutes: int
    basis: str = Field(description="how the saving is counted, in words")
    measured_shares: tuple[SizesShare, ...] = Field(description="empty where the share was given")
    budget: float | None = figure("currency", "the most capital; null: no limit")
    discount_rate_fraction: float = figure("-", "of a year")
    choices: tuple[SizedChoice, ...]
    among: Literal["lists", "bounds"] = Field(description="what sizes were chosen from")
    combinations: int | None = Field(description="of the lists; null between bounds")
    runs: int = Field(description="combinations that were solved")
    best: BestFigures
    warnings: tuple[str, ...]
