"""A column of a data file laid onto the timeline; refuses gaps, repeats, shifted stamps and other lengths."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import StrictStr

from optimiser.errors import SeriesError
from optimiser.fields import Component, ZoneName, choice, quantity, text, zone_of
from optimiser.timeline import Timeline


class Source(Component):
    """A data file: a CSV or Parquet table with one time column and any number of columns of numbers."""

    file: StrictStr = text("path of the file, within the scenario folder or an outside folder it names")
    time_column: StrictStr = text("the column that holds the time stamps", default="interval_start")
    stamps: Literal["start", "end"] = choice("whether a stamp marks the start or the end of its interval")
    zone: ZoneName = text("zone of stamps that carry none", default="UTC")
    step_minutes: int = quantity("min", "length of an interval of the file", above=0)
    coarsen: Literal["refuse", "mean"] = choice(
        "what to do when the timeline's steps are longer than the file's: refuse, or take the mean (which "
        "hides price spikes)",
        default="refuse",
    )
    redate: Literal["none", "season_and_weekday"] = choice(
        "what to do when the file covers another year: nothing, or take for each day the file's day of the "
        "same weekday that is nearest in season",
        default="none",
    )


@dataclass(frozen=True)
class Table:
    """A data file as it was read.

    Attributes
    ----------
    name : str
        Name of the source in the scenario.
    path : Path
    source : Source
    starts : DatetimeIndex
        Starts of the intervals, UTC.
    frame : DataFrame
        The columns of numbers.
    sha256 : str
        Digest of the file's bytes.
    """

    name: str
    path: Path
    source: Source
    starts: pd.DatetimeIndex
    frame: pd.DataFrame
    sha256: str


MOST_BYTES = 500_000_000


def read_table(name: str, source: Source, path: Path) -> Table:
    """Read a data file and check its time column.

    Raises
    ------
    SeriesError
        With every fault found: missing file, unreadable table, bad, repeated, unordered or missing stamps.
    """
    if not path.is_file():
        raise SeriesError(str(path), ["the file does not exist. Check source." + name + ".file."])
    if path.stat().st_size > MOST_BYTES:
        raise SeriesError(str(path), [f"the file is larger than {MOST_BYTES} bytes. Cut it to the span you need."])
    raw = path.read_bytes()
    frame = _parse(path, raw)
    if source.time_column not in frame.columns:
        known = ", ".join(map(str, list(frame.columns)[:12]))
        raise SeriesError(
            str(path), [f"there is no time column {source.time_column!r}; the columns are {known}. Set time_column."]
        )
    starts = _starts(path, frame[source.time_column], source)
    columns = frame.drop(columns=source.time_column)
    return Table(name, path, source, starts, columns, hashlib.sha256(raw).hexdigest())


def _parse(path: Path, raw: bytes) -> pd.DataFrame:
    import io

    try:
        if path.suffix.lower() == ".parquet":
            frame = pd.read_parquet(io.BytesIO(raw))
            return frame.reset_index() if frame.index.name is not None else frame
        compression = "gzip" if path.suffix.lower() == ".gz" else None
        return pd.read_csv(io.BytesIO(raw), compression=compression)  # type: ignore[call-overload]
    except Exception as problem:  # any of the readers' many errors means the same to the user
        words = str(problem).strip().splitlines()[0][:200] if str(problem).strip() else type(problem).__name__
        raise SeriesError(
            str(path), [f"the file is not a table that can be read as {path.suffix or 'CSV'}: {words}."]
        ) from None


def _starts(path: Path, column: pd.Series, source: Source) -> pd.DatetimeIndex:
    try:
        stamps = pd.DatetimeIndex(pd.to_datetime(column))
    except (ValueError, TypeError):
        try:
            stamps = pd.DatetimeIndex(pd.to_datetime(column, utc=True, format="ISO8601"))
        except (ValueError, TypeError) as problem:
            words = str(problem).splitlines()[0][:160]
            raise SeriesError(
                str(path), [f"column {source.time_column} holds a stamp that is no date and time: {words}."]
            ) from None
    if stamps.isna().any():
        row = int(np.flatnonzero(stamps.isna())[0])
        raise SeriesError(str(path), [f"column {source.time_column} is empty in data row {row + 1}. Fill or remove it."])
    if stamps.tz is None:
        try:
            stamps = stamps.tz_localize(zone_of(source.zone))
        except ValueError as problem:
            words = str(problem).splitlines()[0][:160]
            raise SeriesError(
                str(path),
                [
                    f"the stamps do not fit the clock of {source.zone} ({words}). Write them in UTC or with their "
                    "offset, or name the fixed zone that they are in, such as UTC+10:00."
                ],
            ) from None
    stamps = stamps.tz_convert("UTC")
    step = pd.Timedelta(minutes=source.step_minutes)
    starts = (stamps if source.stamps == "start" else stamps - step).as_unit("s")
    fault = _spacing_fault(starts, step)
    if fault:
        raise SeriesError(str(path), [fault])
    return starts


def _spacing_fault(starts: pd.DatetimeIndex, step: pd.Timedelta) -> str | None:
    if len(starts) == 0:
        return "the file has no rows."
    gaps = np.diff(starts.asi8)
    wrong = np.flatnonzero(gaps != int(step.total_seconds()))
    if not len(wrong):
        return None
    row = int(wrong[0])
    here, there = starts[row], starts[row + 1]
    if here == there:
        kind = "appears twice"
    elif there < here:
        kind = f"is followed by the earlier {there:%Y-%m-%d %H:%M}Z"
    else:
        kind = f"is followed by {there:%Y-%m-%d %H:%M}Z, not by one {int(step.total_seconds() // 60)} min later"
    more = f"; {len(wrong)} such places in all" if len(wrong) > 1 else ""
    return (
        f"the interval that starts {here:%Y-%m-%d %H:%M}Z (data row {row + 1}) {kind}{more}. Data are not mended "
        "silently: put the rows in order, without gaps or repeats, or correct step_minutes."
    )


def lay(table: Table, column: str, timeline: Timeline, at_least: float | None = None) -> np.ndarray:
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
        import difflib

        near = difflib.get_close_matches(column, list(map(str, table.frame.columns)), 1)
        hint = f"; did you mean {near[0]}?" if near else ". The columns are " + ", ".join(map(str, table.frame.columns))
        raise SeriesError(where, [f"there is no column {column!r}{hint}"])
    numbers = pd.to_numeric(table.frame[column], errors="coerce").to_numpy(float)
    values, starts = numbers, table.starts
    if table.source.redate == "season_and_weekday":
        values = redated(starts, values, timeline, table.source, where)
        starts = _redated_starts(timeline, table.source)
    values = _span(where, column, starts, values, timeline, table.source)
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        stamp = timeline.starts[int(bad[0])]
        raise SeriesError(
            where,
            [
                f"column {column} is empty or no number in the interval that starts {stamp:%Y-%m-%d %H:%M}Z; "
                f"{len(bad)} such steps in all. Fill them in the file; nothing is filled silently."
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
    end = timeline.starts[-1] + pd.Timedelta(minutes=step)
    have_end = starts[-1] + pd.Timedelta(minutes=own)
    if begin < starts[0] or end > have_end:
        raise SeriesError(
            where,
            [
                f"it covers {starts[0]:%Y-%m-%d %H:%M}Z to {have_end:%Y-%m-%d %H:%M}Z but the timeline asks for "
                f"{begin:%Y-%m-%d %H:%M}Z to {end:%Y-%m-%d %H:%M}Z. Shorten the timeline or bring more data."
            ],
        )
    offset = (begin - starts[0]) / pd.Timedelta(minutes=own)
    if offset != int(offset):
        raise SeriesError(
            where,
            [
                f"its intervals start at {starts[0]:%H:%M}Z and every {own} min, the timeline's at "
                f"{begin:%H:%M}Z: they are shifted against each other. Check stamps and zone."
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
    return values[first : first + timeline.steps * ratio].reshape(timeline.steps, ratio).mean(axis=1)


def _redated_starts(timeline: Timeline, source: Source) -> pd.DatetimeIndex:
    step = pd.Timedelta(minutes=source.step_minutes)
    end = timeline.starts[-1] + pd.Timedelta(minutes=timeline.step_minutes)
    return pd.date_range(timeline.starts[0], end - step, freq=step).as_unit("s")


def redated(
    starts: pd.DatetimeIndex, values: np.ndarray, timeline: Timeline, source: Source, where: str = "series"
) -> np.ndarray:
    """A series of one year laid onto the days of another by season and weekday.

    Each local day of the timeline takes the series' local day of the same weekday whose place in the year is
    nearest (at most three days away where the series covers a year); within the day, values go by local clock
    time. An hour that a clock change skips is dropped, one that it repeats is repeated.

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
    zone = zone_of(source.zone if source.zone != "UTC" else timeline.zone)
    per_day = 24 * 60 // source.step_minutes
    old = starts.tz_convert(zone)
    day = old.normalize().tz_localize(None)
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
    new = _redated_starts(timeline, source).tz_convert(zone)
    new_days, new_number = np.unique(np.asarray(new.normalize().tz_localize(None), "datetime64[D]"), return_inverse=True)
    wanted = pd.DatetimeIndex(new_days)
    away = np.abs(np.asarray(wanted.day_of_year)[:, None] - np.asarray(old_days.day_of_year)[None, :])
    away = np.minimum(away, 365 - np.minimum(away, 365)).astype(float)
    away[np.asarray(wanted.day_of_week)[:, None] != np.asarray(old_days.day_of_week)[None, :]] = np.inf
    chosen = away.argmin(axis=1)
    if not np.isfinite(away[np.arange(len(wanted)), chosen]).all():
        raise SeriesError(where, ["it lacks a whole day of some weekday, so days cannot be matched by weekday."])
    new_slot = np.asarray((new.hour * 60 + new.minute) // source.step_minutes)
    return grid[chosen[new_number], new_slot]
