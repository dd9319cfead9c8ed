"""How long a bank lives, and what its warranty covers."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from optimiser.equipment import limits
from optimiser.fields import Component, choice, quantity


class Warranty(Component):
    """Life of a bank: years and cycles add up, or the larger of them counts."""

    cycle_life: float = quantity("full cycles", "equivalent full cycles until end of life", above=0)
    calendar_life_years: float = quantity("years", "years until end of life", above=0)
    end_of_life_fraction: float = quantity(
        "-", "share of the usable energy that is left at the end of life", default=0.8, above=0, at_most=1
    )
    depth_exponent: float = quantity(
        "-",
        "a cycle of depth d counts as d to this power; 1: only throughput counts, above 1: shallow cycles wear less",
        default=1.0,
        at_least=1,
        at_most=5,
    )
    fade: Literal["larger", "sum"] = choice(
        "whether years and cycles add up, or wear side by side, so that the larger counts", default="sum"
    )
    warranted_kwh_per_year: float | None = quantity(
        "kWh/year",
        "energy that a unit may discharge at its terminals in a year under its warranty",
        default=None,
        above=0,
    )
    warranted_cycles_per_year: float | None = quantity(
        "1/year", "full cycles a year under its warranty", default=None, above=0
    )
    keep_warranty: bool = Field(
        default=False,
        description=limits.WARRANTY.meaning,
    )

    @model_validator(mode="after")
    def _has_limit(self) -> Warranty:
        if (
            self.keep_warranty
            and self.warranted_kwh_per_year is None
            and self.warranted_cycles_per_year is None
        ):
            raise ValueError(
                "keep_warranty needs warranted_kwh_per_year or warranted_cycles_per_year; add one"
            )
        return self

    def worn_per_year(self, cycles_per_year: float) -> float:
        """Share of the life that a year takes. [1/year]"""
        shares = (1 / self.calendar_life_years, cycles_per_year / self.cycle_life)
        return sum(shares) if self.fade == "sum" else max(shares)

    def most_kwh_per_year(self, unit_kwh: float) -> float:
        """Energy that a unit of this usable energy may discharge in a year. [kWh/year]"""
        both = [math.inf if self.warranted_kwh_per_year is None else self.warranted_kwh_per_year]
        if self.warranted_cycles_per_year is not None:
            both.append(self.warranted_cycles_per_year * unit_kwh)
        return min(both)
