"""A column of a data file laid onto the timeline: other steps, other years; refuses other lengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.fields import MOST, zone_of
from optimiser.series.table import SeriesTable, Source, moment_words, no_column
from optimiser.timeline import Timeline, whole_days


def lay(table: SeriesTable, column: str, timeline: Timeline, at_least: float | None = None) -> np.ndarray:
    """A column's values in each step of the timeline.

    Going finer repeats a value (power and prices hold within their interval); going coarser takes the mean
    only where the source says so.

    Returns
    -------
    array of shape (steps,)

    Raises
    ------
    SeriesError
        If the column is missing, is not numbers, has a NaN within the span, lies below `at_least`, or does not
        cover the timeline.
    """
    where = str(table.path)
    if column not in table.frame.columns:
        raise SeriesError(where, [no_column(column, list(map(str, table.frame.columns)))])
    values, starts = _numbers(where, column, table.frame[column]), table.starts
    if table.source.redate == "season_and_weekday":
        values = redated(starts, values, timeline, table.source, where)
        starts = _redated_starts(timeline, table.source)
    values = _span(where, column, starts, values, timeline, table.source)
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        stamp, zone = timeline.starts[int(bad[0])], timeline.zone
        raise SeriesError(
            where,
            [
                f"column {column} is empty or no number in the interval that starts {moment_words(stamp, zone)}; "
                f"{len(bad)} such steps in all{_first_text(table.frame[column])}. Fill them in the file; nothing is "
                "filled silently."
            ],
        )
    if (np.abs(values) > MOST).any():
        step = int(np.argmax(np.abs(values) > MOST))
        raise SeriesError(
            where,
            [
                f"column {column} must be at most {MOST:g}, got {values[step]:g} in the step that starts "
                f"{timeline.when(step)}. Check its unit."
            ],
        )
    if at_least is not None and (values < at_least).any():
        step = int(np.argmax(values < at_least))
        raise SeriesError(
            where,
            [
                f"column {column} must be at least {at_least:g}, got {values[step]:g} in the step that starts "
                f"{timeline.when(step)}. Check its sign and unit."
            ],
        )
    return values


def _numbers(where: str, column: str, series: pd.Series) -> np.ndarray:
    """A column as numbers, NaN where it holds none; other kinds of column are refused whole."""
    if pd.api.types.is_bool_dtype(series) or pd.api.types.is_datetime64_any_dtype(series):
        raise SeriesError(
            where, [f"column {column} must be numbers, got {series.iloc[0]}. Name another column."]
        )
    if pd.api.types.is_timedelta64_dtype(series):
        raise SeriesError(
            where, [f"column {column} must be numbers, got lengths of time. Name another column."]
        )
    return pd.to_numeric(series, errors="coerce").to_numpy(float)


def _first_text(series: pd.Series) -> str:
    """The first value of a column that is text and no number, for messages."""
    if pd.api.types.is_numeric_dtype(series):
        return ""
    odd = series[pd.to_numeric(series, errors="coerce").isna() & series.notna()]
    return f", such as {str(odd.iloc[0])[:40]!r}" if len(odd) else ""


def _span(
    where: str, column: str, starts: pd.DatetimeIndex, values: np.ndarray, timeline: Timeline, source: Source
) -> np.ndarray:
    """The part of a series that covers the timeline, at the timeline's step."""
    step, own = timeline.step_minutes, source.step_minutes
    if max(step, own) % min(step, own):
        raise SeriesError(
            where, [f"its {own} min intervals and the timeline's {step} min steps do not divide each other."]
        )
    begin = timeline.starts[0]
    offset = (begin - starts[0]) / pd.Timedelta(minutes=own)
    if offset != int(offset):
        raise SeriesError(
            where,
            [
                f"its intervals start at {starts[0]:%H:%M}Z and every {own} min, the timeline's at "
                f"{begin:%H:%M}Z: they are shifted against each other. Check stamps and zone."
            ],
        )
    end = timeline.starts[-1] + pd.Timedelta(minutes=step)
    have_end = starts[-1] + pd.Timedelta(minutes=own)
    if begin < starts[0] or end > have_end:
        # Data of other days altogether are not too short, they are of another year.
        apart = begin >= have_end or end <= starts[0]
        way = (
            'Move the timeline there, or say redate = "season_and_weekday" in the source to lay them onto it.'
            if apart
            else _whole_days(starts[0], have_end, timeline.zone)
        )
        raise SeriesError(
            where,
            [
                f"it covers {starts[0]:%Y-%m-%d %H:%M}Z to {have_end:%Y-%m-%d %H:%M}Z but the timeline asks for "
                f"{begin:%Y-%m-%d %H:%M}Z to {end:%Y-%m-%d %H:%M}Z. {way}"
            ],
        )
    first = int(offset)
    if own >= step:
        count = -(-timeline.steps * step // own)
        return np.repeat(values[first : first + count], own // step)[: timeline.steps]
    if source.coarsen != "mean":
        raise SeriesError(
            where,
            [
                f"its {own} min intervals are finer than the timeline's {step} min steps. Use {own} min steps, or "
                f'say coarsen = "mean" in source (averaged prices hide spikes).'
            ],
        )
    ratio = step // own
    made: np.ndarray = (
        values[first : first + timeline.steps * ratio].reshape(timeline.steps, ratio).mean(axis=1)
    )
    return made


def _whole_days(begin: pd.Timestamp, end: pd.Timestamp, zone: str) -> str:
    """What to say in the timeline for it to fit data of some span."""
    first, days = whole_days(begin, end, zone)
    if days < 1:
        return f"It holds no whole day of {zone}: bring more data."
    return (
        f"Of whole days in {zone} it holds {days}: say start = {first} and days = {days}, or bring more data."
    )


def _redated_starts(timeline: Timeline, source: Source) -> pd.DatetimeIndex:
    step = pd.Timedelta(minutes=source.step_minutes)
    end = timeline.starts[-1] + pd.Timedelta(minutes=timeline.step_minutes)
    return pd.date_range(timeline.starts[0], end - step, freq=step).as_unit("s")


def redated(
    starts: pd.DatetimeIndex, values: np.ndarray, timeline: Timeline, source: Source, where: str = "series"
) -> np.ndarray:
    """A series of one year laid onto the days of another by season and weekday.

    Each local day of the timeline takes the series' local day of the same weekday whose place in the year is
    nearest (at most three days away where the series covers a year, four at its turn); within the day, values go
    by local clock time. An hour that a clock change skips is dropped, one that it repeats is repeated.

    Parameters
    ----------
    starts : DatetimeIndex
        Starts of the series' intervals, UTC.
    values : array of shape (intervals,)
    timeline : Timeline
    source : Source
        Its zone is the clock that days are cut on.
    where : str
        Named in messages.

    Returns
    -------
    array
        One value for each interval of the source's step within the timeline.
    """
    return days_laid(starts, values, timeline, source, where).values


@dataclass(frozen=True)
class LaidDays:
    """Days of one year on those of another.

    Attributes
    ----------
    values : array
        One value for each interval of the source's step within the timeline.
    old_days : DatetimeIndex
        The whole days that could be chosen from.
    chosen : int array of shape (days,)
        Number of the old day that each new day takes.
    away : array of shape (days,)
        How far apart their places in the year are. [days]
    """

    values: np.ndarray
    old_days: pd.DatetimeIndex
    chosen: np.ndarray
    away: np.ndarray


def days_laid(
    starts: pd.DatetimeIndex, values: np.ndarray, timeline: Timeline, source: Source, where: str = "series"
) -> LaidDays:
    """As `redated`, with the days that were chosen."""
    zone = zone_of(source.zone if source.zone != "UTC" else timeline.zone)
    per_day = 24 * 60 // source.step_minutes
    old = starts.tz_convert(zone)
    new = _redated_starts(timeline, source).tz_convert(zone)
    _hold_to_clock(old, new, source.step_minutes, where)
    day = old.tz_localize(None).normalize()
    slot = np.asarray((old.hour * 60 + old.minute) // source.step_minutes)
    days, number = np.unique(np.asarray(day, "datetime64[D]"), return_inverse=True)
    grid = np.full((len(days), per_day), np.nan)
    present = np.zeros(grid.shape, bool)
    grid[number, slot] = values
    present[number, slot] = True
    # The hour that spring skips is taken from the slot before it, so that its day can be laid on a whole one;
    # an empty value stays empty, and its day is not used.
    held = pd.DataFrame(grid).ffill(axis=1, limit=max(1, 60 // source.step_minutes)).to_numpy()
    grid = np.where(present, grid, held)
    whole = ~np.isnan(grid).any(axis=1)
    if not whole.any():
        raise SeriesError(where, ["it holds no whole day to take the place of another year's days."])
    days, grid = days[whole], grid[whole]
    old_days = pd.DatetimeIndex(days)
    new_days, new_number = np.unique(np.asarray(new.tz_localize(None), "datetime64[D]"), return_inverse=True)
    chosen, away = _days_alike(old_days, pd.DatetimeIndex(new_days))
    if not np.isfinite(away).all():
        raise SeriesError(
            where, ["it lacks a whole day of some weekday, so days cannot be matched by weekday."]
        )
    new_slot = np.asarray((new.hour * 60 + new.minute) // source.step_minutes)
    return LaidDays(grid[chosen[new_number], new_slot], old_days, chosen, away)


def _hold_to_clock(old: pd.DatetimeIndex, new: pd.DatetimeIndex, step_minutes: int, where: str) -> None:
    """Refuse intervals that cannot go by local clock time: days are laid interval on interval of the clock.

    Raises
    ------
    SeriesError
        If intervals do not divide a day, or begin off the clock's grid of them.
    """
    if 24 * 60 % step_minutes:
        raise SeriesError(
            where,
            [
                f"its intervals of {step_minutes} min do not divide a day, so its days cannot be laid onto others. "
                "Bring it to intervals that do, of 30 or 60 min for example."
            ],
        )
    for whose, local in (("its intervals", old), ("the timeline's steps", new)):
        minute = np.asarray(local.hour * 60 + local.minute) + np.asarray(local.second) / 60
        off = np.flatnonzero(minute % step_minutes)
        if len(off):
            raise SeriesError(
                where,
                [
                    f"on the clock of {local.tz} {whose} begin at {local[int(off[0])]:%H:%M} "
                    f"({local[int(off[0])]:%Y-%m-%d}), off its grid of {step_minutes} min, so days cannot be laid onto "
                    "others without a shift. Say the zone whose clock the data follow, or bring finer intervals."
                ],
            )


def _days_alike(old_days: pd.DatetimeIndex, wanted: pd.DatetimeIndex) -> tuple[np.ndarray, np.ndarray]:
    """For each wanted day the old day of the same weekday whose place in the year is nearest.

    Returns
    -------
    int array of shape (wanted,)
        Number of the old day.
    array of shape (wanted,)
        How far apart their places in the year are, infinite where no old day has the weekday. [days]
    """
    away = np.abs(np.asarray(wanted.day_of_year)[:, None] - np.asarray(old_days.day_of_year)[None, :])
    away = np.minimum(away, 365 - np.minimum(away, 365)).astype(float)
    away[np.asarray(wanted.day_of_week)[:, None] != np.asarray(old_days.day_of_week)[None, :]] = np.inf
    chosen = away.argmin(axis=1)
    return chosen, away[np.arange(len(wanted)), chosen]
