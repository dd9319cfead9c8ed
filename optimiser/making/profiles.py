"""Load from a published standard profile, scaled to a yearly energy or to twelve monthly totals."""

from __future__ import annotations

import datetime
import io
import math
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.errors import OptimiserError, SeriesError
from optimiser.fields import Component, Several, ZoneName, choice, quantity, text
from optimiser.making.made import Made
from optimiser.making.recipe import FirstDay, year_of
from optimiser.timeline import Grouping, Timeline, public_holidays

QUARTER_MINUTES = 15
PROFILES = {
    "h0": "household (1999)",
    "g0": "business in general (1999)",
    "g1": "business on workdays, 8 to 18 (1999)",
    "g2": "business mostly in the evening (1999)",
    "g3": "business round the clock (1999)",
    "g4": "shop, hairdresser (1999)",
    "g5": "bakery with its own bakehouse (1999)",
    "g6": "business at weekends (1999)",
    "l0": "farm (1999)",
    "l1": "dairy farm (1999)",
    "l2": "other farm (1999)",
    "h25": "household (2025)",
    "g25": "business (2025)",
    "l25": "farm (2025)",
    "p25": "household with solar, what it takes from the grid (2025)",
    "s25": "household with solar and battery, what it takes from the grid (2025)",
}
DYNAMIC = ("h0", "h25", "p25", "s25")
NET_OF_SOLAR = ("p25", "s25")
Profile = Literal[
    "h0", "g0", "g1", "g2", "g3", "g4", "g5", "g6", "l0", "l1", "l2", "h25", "g25", "l25", "p25", "s25"
]
SATURDAY, SUNDAY = 6, 7


class Habits(Component):
    """The year that is made and whose days off and seasons it has."""

    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    hemisphere: Literal["north", "south"] = choice("whose winter it is")
    country: StrictStr | None = text(
        "two letters of the country whose public holidays count as Sundays; left out: none", default=None
    )
    subdivision: StrictStr | None = text("its state, such as SA or BY", default=None)

    @model_validator(mode="after")
    def _known(self) -> Any:
        if self.subdivision and not self.country:
            raise ValueError("subdivision needs country")
        if self.country:
            days_off(self, (self.start.year, self.start.year))
        return self


class YearlyRecipe(Habits):
    """A standard profile scaled to the energy of a year."""

    method: Literal["profile"] = "profile"
    profile: Profile = choice("the standard profile")
    yearly_kwh: float = quantity("kWh", "energy of the year", above=0, at_most=1e9)
    step_minutes: Literal[15, 30, 60] = choice("length of a step", default=15)


class MonthlyRecipe(Habits):
    """Twelve monthly totals, such as those of bills, spread by a standard profile."""

    method: Literal["months"] = "months"
    profile: Profile = choice("the standard profile that shapes the days")
    monthly_kwh: Several[float] = Field(description="energy of January to December [kWh]")
    step_minutes: Literal[15, 30, 60] = choice("length of a step", default=15)

    @model_validator(mode="after")
    def _twelve(self) -> Any:
        check_months(self.monthly_kwh, self.start)
        return self


def check_months(monthly_kwh: tuple[float, ...], start: datetime.date) -> None:
    """Refuse what are not twelve totals, or a year that does not begin with a month.

    Raises
    ------
    ValueError
    """
    if len(monthly_kwh) != 12 or not all(0 <= kwh <= 1e9 for kwh in monthly_kwh) or not sum(monthly_kwh):
        raise ValueError(f"monthly_kwh must be twelve totals from 0, January first, got {list(monthly_kwh)}")
    if start.day != 1:
        raise ValueError(f"start must be the first of a month for monthly totals, got {start}")


def make_yearly(recipe: YearlyRecipe, _folder: Path | None = None) -> Made:
    """A standard profile whose year has the energy that is asked for, exactly."""
    timeline = year_of(recipe.start, recipe.step_minutes, recipe.zone)
    shape = standard_shape(recipe.profile, timeline, recipe)
    load = scaled(shape, recipe.yearly_kwh, timeline)
    notes = (f"load {profile_words(recipe.profile, recipe)}, scaled to {recipe.yearly_kwh:,.0f} kWh a year.",)
    return Made(timeline, {"load_kw": load}, notes, profile_warnings(recipe.profile), LOAD_FIELDS)


def make_monthly(recipe: MonthlyRecipe, _folder: Path | None = None) -> Made:
    """A standard profile whose every month has the energy that is asked for, exactly."""
    timeline = year_of(recipe.start, recipe.step_minutes, recipe.zone)
    load = spread(recipe.monthly_kwh, standard_shape(recipe.profile, timeline, recipe), timeline)
    notes = (
        f"load of twelve monthly totals ({sum(recipe.monthly_kwh):,.0f} kWh in all), each month shaped "
        f"{profile_words(recipe.profile, recipe)}; power may step where one month's days meet the next.",
    )
    return Made(timeline, {"load_kw": load}, notes, profile_warnings(recipe.profile), LOAD_FIELDS)


LOAD_FIELDS = '[[site.load]]\npower_kw = "SOURCE.load_kw"\n'


def profile_words(profile: str, habits: Habits) -> str:
    """Which profile, on whose days."""
    off = (
        f"public holidays of {habits.country} {habits.subdivision or ''}".rstrip()
        if habits.country
        else "no holidays"
    )
    dynamic = ", with its daily factor through the year" if profile in DYNAMIC else ""
    moved = ", seasons moved by half a year" if habits.hemisphere == "south" else ""
    return (
        f"by the German standard profile {profile.upper()} of BDEW, {PROFILES[profile]}{dynamic}, on the local clock "
        f"({off}{moved})"
    )


def profile_warnings(profile: str) -> tuple[str, ...]:
    """What a standard profile cannot say."""
    loud = (
        f"the load is the standard profile {profile.upper()}, a mean of many German sites: one site's peaks are higher "
        "and its habits its own, so demand charges and what storage saves may differ much. Use meter data where "
        "there are any."
    )
    if profile in NET_OF_SOLAR:
        return (
            loud,
            f"{profile.upper()} is what such a household takes from the grid, its own solar already taken off: do not "
            "add that solar again.",
        )
    return (loud,)


def standard_shape(profile: str, timeline: Timeline, habits: Habits) -> np.ndarray:
    """A standard profile on the steps of a timeline, in arbitrary units of power.

    The clock on the wall decides: an hour that a clock change skips is left out, one that it repeats comes twice.
    Public holidays are Sundays. The household profiles are multiplied by BDEW's factor of the day. In the south
    seasons, months and days are those of half a year later. Left out: the old rule that 24 and 31 December are
    Saturdays.

    Returns
    -------
    array of shape (steps,)

    Raises
    ------
    OptimiserError
        If demandlib, whose tables are read, is not installed.

    References
    ----------
    .. [1] H. Meier, C. Fuenfgeld, T. Adam, B. Schieferdecker, "Repraesentative VDEW-Lastprofile", 1999.
    .. [2] BDEW, "Standardlastprofile Strom", 2025. Both as the library demandlib carries them (MIT licence).
    """
    part = math.gcd(timeline.step_minutes, QUARTER_MINUTES)
    ratio = timeline.step_minutes // part
    fine = Timeline(timeline.start, part, timeline.steps * ratio, timeline.zone)
    days, number, place = fine.slots()
    quarter = place * part // QUARTER_MINUTES
    new = profile.endswith("25")
    table = _tables_2025(profile) if new else _tables_1999(profile)
    rows = _rows_2025(days, habits) if new else _rows_1999(days, habits)
    factor = dynamisation(_season_day(days, habits)) if profile in DYNAMIC else np.ones(len(days))
    values = table[rows[number], quarter] * factor[number]
    made: np.ndarray = values.reshape(-1, ratio).mean(axis=1)
    return made


def dynamisation(day_of_year: np.ndarray) -> np.ndarray:
    """BDEW's factor of the day for household profiles.

    References
    ----------
    .. [1] VDEW, "Umsetzung der Analytischen Lastprofilverfahren", 2000: polynomial of the fourth degree; the same
       coefficients in demandlib's documentation.
    """
    t = np.asarray(day_of_year, float)
    return -3.92e-10 * t**4 + 3.2e-7 * t**3 - 7.02e-5 * t**2 + 2.1e-3 * t + 1.24


def scaled(shape: np.ndarray, kwh: float, timeline: Timeline) -> np.ndarray:
    """A shape with a given energy in all. [kW]"""
    return shape * (kwh / (float(shape.sum()) * timeline.step_hours))


def spread(monthly_kwh: tuple[float, ...], shape: np.ndarray, timeline: Timeline) -> np.ndarray:
    """A shape scaled month by month, so that each local month has its total. [kW]

    Parameters
    ----------
    monthly_kwh : twelve floats
        January first, whichever month the timeline begins with.
    shape : array of shape (steps,)
        Never negative.
    timeline : Timeline
        Whole months.

    Raises
    ------
    SeriesError
        If the shape is zero through a month that has energy.
    """
    months = timeline.groups(Grouping("month", timeline.zone))
    wanted = np.array([monthly_kwh[int(label[5:]) - 1] for label in months.labels])
    have = months.sum(shape) * timeline.step_hours
    empty = np.flatnonzero((have <= 0) & (wanted > 0))
    if len(empty):
        month = months.labels[int(empty[0])]
        raise SeriesError(
            "the shape", [f"it is zero through {month}, which has {wanted[empty[0]]:g} kWh to spread."]
        )
    factor = np.divide(wanted, have, out=np.zeros_like(have), where=have > 0)
    made: np.ndarray = shape * factor[months.of_step]
    return made


def days_off(habits: Habits, years: tuple[int, int]) -> list[datetime.date]:
    """Public holidays of the years, first to last; none without a country.

    Raises
    ------
    ValueError
        If there is no such country or state.
    """
    if not habits.country:
        return []
    region = "-".join(filter(None, [habits.country, habits.subdivision]))
    try:
        return sorted(public_holidays(region, tuple(range(years[0], years[1] + 1))))
    except ValueError:
        raise ValueError(
            f"country and subdivision must be codes of ISO 3166 such as DE and BY, got {habits.country} and "
            f"{habits.subdivision or 'no subdivision'}"
        ) from None


def day_types(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """1 Monday to 7 Sunday; a public holiday is a Sunday."""
    off = days_off(habits, (days[0].year, days[-1].year))
    is_off = np.isin(np.asarray(days, "datetime64[D]"), np.array(off, "datetime64[D]"))
    return np.where(is_off, SUNDAY, np.asarray(days.day_of_week) + 1)


def seasons(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """BDEW's season of each day: 0 winter (from 1 November), 1 summer (from 15 May), 2 between.

    In the south each is half a year later.
    """
    when = _season_month(days, habits) * 100 + np.asarray(days.day)
    season = np.full(len(days), 2)
    season[(when >= 1101) | (when <= 320)] = 0
    season[(when >= 515) & (when <= 914)] = 1
    return season


SEASONS = ("winter", "summer", "transition")


def _season_day(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    day = np.asarray(days.day_of_year)
    return (day - 1 + 182) % 365 + 1 if habits.hemisphere == "south" else day


def _season_month(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """The northern month whose season each day has."""
    month = np.asarray(days.month)
    return (month + 5) % 12 + 1 if habits.hemisphere == "south" else month


def _rows_1999(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """Which row of `_tables_1999` each day takes."""
    made: np.ndarray = seasons(days, habits) * 7 + day_types(days, habits) - 1
    return made


def _rows_2025(days: pd.DatetimeIndex, habits: Habits) -> np.ndarray:
    """Which row of `_tables_2025` each day takes."""
    kind = day_types(days, habits)
    made: np.ndarray = (_season_month(days, habits) - 1) * 3 + np.select(
        [kind == SATURDAY, kind == SUNDAY], [1, 2], 0
    )
    return made


def _data(name: str) -> pd.DataFrame:
    """A table that demandlib carries. Its year builders are not used: they know northern seasons only."""
    try:
        content = files("demandlib.bdew").joinpath("bdew_data", name).read_text(encoding="utf-8")
    except ModuleNotFoundError:
        raise OptimiserError(
            "Standard profiles need the library demandlib, which is not installed. Install this program with its "
            "extra: pip install -e '.[profiles]'."
        ) from None
    return pd.read_csv(io.StringIO(content), header=[0, 1] if name.endswith("25.csv") else 0)


def _tables_1999(profile: str) -> np.ndarray:
    """Quarter-hours of a profile, of shape (3 seasons x 7 days, 96)."""
    table = _data("selp_series.csv")
    rows = [
        table.loc[(table["period"] == season) & (table["weekday"] == day), profile].to_numpy(float)
        for season in SEASONS
        for day in range(1, 8)
    ]
    return np.array(rows)


def _tables_2025(profile: str) -> np.ndarray:
    """Quarter-hours of a profile, of shape (12 months x workday, Saturday, Sunday, 96)."""
    table = _data(f"{profile}.csv")
    months = list(dict.fromkeys(column[0] for column in table.columns[1:]))
    rows = [table[(month, day)].to_numpy(float) for month in months for day in ("WT", "SA", "FT")]
    return np.array(rows)
