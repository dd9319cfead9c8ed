"""A series of one year laid onto another by season and weekday, with its yearly total kept."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.fields import Component, ZoneName, text
from optimiser.making.made import Made
from optimiser.making.profiles import LOAD_FIELDS
from optimiser.making.recipe import FirstDay, year_of
from optimiser.making.recorded import Recorded, read_recorded
from optimiser.series.laid import days_laid
from optimiser.series.table import Source
from optimiser.timeline import Timeline

DAYS = (365, 366)


class RedateRecipe(Component):
    """A year that was recorded, laid onto another by season and weekday."""

    method: Literal["redate"] = "redate"
    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    recorded: Recorded


@dataclass(frozen=True)
class Redated:
    """A year laid onto another.

    Attributes
    ----------
    timeline : Timeline
    kw : array of shape (steps,)
    factor : float
        By which every value was multiplied so that the yearly total stays.
    days_away : int
        The farthest that a day was moved in the year. [days]
    used_twice, unused : int
        Days of the old year that serve twice or more, or not at all.
    """

    timeline: Timeline
    kw: np.ndarray
    factor: float
    days_away: int
    used_twice: int
    unused: int

    def words(self) -> str:
        """The method and what it did, for people."""
        return (
            f"re-dated to the year from {self.timeline.when(0)[:10]}: each local day takes the day of the same weekday "
            f"nearest in season, at most {self.days_away} days away; {self.used_twice} days serve twice, {self.unused} "
            f"not at all, and all values are multiplied by {self.factor:.5f} so that the yearly total stays"
        )


def redate(series: pd.Series, start: datetime.date, zone: str, where: str = "series") -> Redated:
    """Lay a recorded year onto the year from `start`.

    Clock changes of both years are kept on the local clock: the hour that the new year skips is dropped, one that it
    repeats is repeated, one that the old year skipped holds the value before it.

    Parameters
    ----------
    series : Series
        Mean power, labelled by the starts of its steps in UTC, a year of 365 or 366 days. [kW]
    start : date
    zone : str
        The clock that days are cut on.
    where : str
        Named in messages.

    Raises
    ------
    SeriesError
        If it is not a year long, or empty values leave no day of some weekday.
    """
    starts = pd.DatetimeIndex(series.index)
    step = round((starts[1] - starts[0]) / pd.Timedelta(minutes=1)) if len(starts) > 1 else 0
    days = len(starts) * step / 1440
    if days not in DAYS:
        raise SeriesError(
            where,
            [
                f"it is {days:g} days long; a year of 365 or 366 days is needed to keep its total. Cut it to one, or "
                'make a year of it with method = "extend".'
            ],
        )
    timeline = year_of(start, step, zone)
    source = Source(file=where, stamps="start", zone=zone, step_minutes=step)
    values = series.to_numpy(float)
    laid = days_laid(starts, values, timeline, source, where)
    total = float(laid.values.sum())
    factor = float(values.sum()) / total if total else 1.0
    used = np.bincount(laid.chosen, minlength=len(laid.old_days))
    twice, unused = int((used > 1).sum()), int((used == 0).sum())
    return Redated(timeline, laid.values * factor, factor, int(laid.away.max()), twice, unused)


def make_redated(recipe: RedateRecipe, folder: Path) -> Made:
    """The recorded year of a recipe on its new days."""
    readings = read_recorded(recipe.recorded, folder)
    series = readings.series()
    made = redate(series, recipe.start, recipe.zone, str(readings.table.path))
    note = (
        f"{recipe.recorded.file}, recorded {series.index[0]:%Y-%m-%d} to {series.index[-1]:%Y-%m-%d}, {made.words()}: "
        f"{series.sum() * made.timeline.step_hours:,.1f} kWh."
    )
    table = readings.table
    return Made(made.timeline, {"load_kw": made.kw}, (note, *table.notes), table.warnings, LOAD_FIELDS)
