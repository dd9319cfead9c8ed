"""Part of a year extended to a whole one by a named method; what was recorded is kept as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import model_validator

from optimiser.errors import SeriesError
from optimiser.fields import choice
from optimiser.making.made import Made
from optimiser.making.profiles import (
    LOAD_FIELDS,
    SATURDAY,
    SEASONS,
    SUNDAY,
    Habits,
    Profile,
    day_types,
    profile_warnings,
    profile_words,
    seasons,
    standard_shape,
)
from optimiser.making.recipe import year_of
from optimiser.making.recorded import Recorded, RecordedTable, read_recorded
from optimiser.timeline import Timeline

DAY_KINDS = ("workday", "Saturday", "Sunday or holiday")


class ExtendRecipe(Habits):
    """A year from readings of a part of it.

    `mean_days`: a missing day takes the mean, clock time by clock time, of the recorded days of its season and kind
    (workday, Saturday, Sunday or holiday; winter, summer, the weeks between). `profile`: missing steps follow a
    standard profile, at the level at which the recorded part stands to it.
    """

    method: Literal["extend"] = "extend"
    recorded: Recorded
    by: Literal["mean_days", "profile"] = choice("how the missing days are made")
    profile: Profile | None = choice("the standard profile, for by = profile", default=None)

    @model_validator(mode="after")
    def _one_of(self) -> ExtendRecipe:
        if (self.by == "profile") != (self.profile is not None):
            raise ValueError('give profile together with by = "profile", and only then')
        return self


def make_extended(recipe: ExtendRecipe, folder: Path) -> Made:
    """A year whose recorded steps are the readings and whose other steps are made by the named method.

    Raises
    ------
    SeriesError
        If the readings cannot be used, none lies in the year, or they know no day like one that is missing.
    """
    readings = read_recorded(recipe.recorded, folder)
    timeline = year_of(recipe.start, recipe.recorded.step_minutes, recipe.zone)
    known = _known(readings, timeline)
    if recipe.profile is None:
        load = by_mean_days(known, readings.series(), timeline, recipe)
        words = "the mean of recorded days of the same season and kind of day, clock time by clock time"
        loud: tuple[str, ...] = ()
    else:
        load = by_profile(known, standard_shape(recipe.profile, timeline, recipe), timeline)
        words = f"{profile_words(recipe.profile, recipe)}, at the level of the recorded part"
        loud = profile_warnings(recipe.profile)
    filled = np.isnan(known)
    days = float(filled.sum()) * timeline.step_hours / 24
    kwh, recorded_kwh = (float(load[part].sum()) * timeline.step_hours for part in (filled, ~filled))
    note = (
        f"{recipe.recorded.file} holds {recorded_kwh:,.1f} kWh of the year from {recipe.start}, kept as recorded; "
        f"{days:,.1f} days with {kwh:,.1f} kWh are made: {words}."
    )
    if days:
        all_days, share = timeline.hours / 24, 100 * kwh / max(kwh + recorded_kwh, 1e-9)
        loud = (
            f"{days:,.0f} days of the load are made up from the other {all_days - days:,.0f} ({share:.0f} % of its "
            "energy): their peaks are smoothed or borrowed.",
            *loud,
        )
    return Made(
        timeline,
        {"load_kw": load},
        (note, *readings.table.notes),
        (*loud, *readings.table.warnings),
        LOAD_FIELDS,
    )


def _known(readings: RecordedTable, timeline: Timeline) -> np.ndarray:
    """The readings on the year's steps, NaN where there are none. [kW]"""
    series = readings.series()
    offset = (series.index[0] - timeline.starts[0]) / pd.Timedelta(minutes=timeline.step_minutes)
    where = str(readings.table.path)
    if offset != int(offset):
        raise SeriesError(
            where,
            [
                f"its intervals start at {series.index[0]:%H:%M}Z, the year's at {timeline.starts[0]:%H:%M}Z: they are "
                "shifted against each other. Check stamps and zone."
            ],
        )
    known = np.full(timeline.steps, np.nan)
    first, last = max(int(offset), 0), min(int(offset) + len(series), timeline.steps)
    if first >= last:
        raise SeriesError(
            where,
            [
                f"it covers {series.index[0]:%Y-%m-%d} to {series.index[-1]:%Y-%m-%d}, none of it in the year from "
                f"{timeline.when(0)[:10]}. Choose another start."
            ],
        )
    known[first:last] = series.to_numpy()[first - int(offset) : last - int(offset)]
    return known


def by_mean_days(known: np.ndarray, donor: pd.Series, timeline: Timeline, habits: Habits) -> np.ndarray:
    """Fill NaN steps with means of recorded days of the same season and kind.

    Parameters
    ----------
    known : array of shape (steps,)
        NaN where nothing is recorded. [kW]
    donor : Series
        Everything that is recorded, of the timeline's step; its whole local days are the donors. [kW]
    timeline : Timeline
    habits : Habits

    Raises
    ------
    SeriesError
        If a missing day has no whole recorded day of its season and kind.
    """
    own = Timeline(donor.index[0].to_pydatetime(), timeline.step_minutes, len(donor), timeline.zone)
    days, number, slot = own.slots()
    per_day = 24 * 60 // timeline.step_minutes
    whole = np.bincount(number, minlength=len(days)) * timeline.step_hours >= 23
    frame = pd.DataFrame({"group": _groups(days, habits)[number], "slot": slot, "kw": donor.to_numpy()})
    means = frame[whole[number]].groupby(["group", "slot"])["kw"].mean().unstack()
    # A slot that a spring day alone would have is empty only if that is the one donor; its neighbour serves.
    means = means.reindex(columns=range(per_day)).ffill(axis=1).bfill(axis=1)
    new_days, new_number, new_slot = timeline.slots()
    wanted = _groups(new_days, habits)[new_number]
    missing = np.isnan(known)
    lacking = sorted(set(wanted[missing]) - set(means.index))
    if lacking:
        names = ", ".join(f"{DAY_KINDS[group % 3]} in {SEASONS[group // 3]}" for group in lacking)
        raise SeriesError(
            "recorded",
            [
                f'it holds no whole day of these kinds: {names}. Record longer, or say by = "profile" with a profile.'
            ],
        )
    table = means.reindex(range(9)).to_numpy()
    return np.where(missing, table[wanted, new_slot], known)


def _groups(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """Season and kind of each day as one number from 0 to 8."""
    kind = day_types(days, habits)
    made: np.ndarray = seasons(days, habits) * 3 + np.select([kind == SATURDAY, kind == SUNDAY], [1, 2], 0)
    return made


def by_profile(known: np.ndarray, shape: np.ndarray, timeline: Timeline) -> np.ndarray:
    """Fill NaN steps with a shape, at the level at which the known energy stands to it. [kW]"""
    have = ~np.isnan(known)
    level = float(known[have].sum()) / float(shape[have].sum())
    return np.where(have, known, shape * level)
