"""Twelve monthly totals spread like a series that the user has."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import Field, model_validator

from optimiser.fields import Component, Several, ZoneName, text
from optimiser.making.made import Made
from optimiser.making.profiles import LOAD_FIELDS, check_months, spread
from optimiser.making.recipe import FirstDay, year_of
from optimiser.making.recorded import Recorded, read_recorded


class MonthsLikeRecipe(Component):
    """Twelve monthly totals, spread by the shape of readings that cover the year."""

    method: Literal["months_like"] = "months_like"
    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    monthly_kwh: Several[float] = Field(description="energy of January to December [kWh]")
    shape: Recorded

    @model_validator(mode="after")
    def _twelve(self) -> Any:
        check_months(self.monthly_kwh, self.start)
        return self


def make_months_like(recipe: MonthsLikeRecipe, folder: Path) -> Made:
    """A year whose every month has the energy that is asked for and the shape of the readings."""
    readings = read_recorded(recipe.shape, folder, "shape")
    timeline = year_of(recipe.start, recipe.shape.step_minutes, recipe.zone)
    load = spread(recipe.monthly_kwh, readings.power(timeline), timeline)
    note = (
        f"load of twelve monthly totals ({sum(recipe.monthly_kwh):,.0f} kWh in all), each month shaped like "
        f"{recipe.shape.file}."
    )
    table = readings.table
    return Made(timeline, {"load_kw": load}, (note, *table.notes), table.warnings, LOAD_FIELDS)
