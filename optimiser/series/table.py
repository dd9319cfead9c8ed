"""A column of a data file laid onto the timeline; refuses gaps, repeats, shifted stamps and other lengths."""

from __future__ import annotations

import difflib
import hashlib
import io
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
from pydantic import StrictStr

from optimiser.errors import SeriesError
from optimiser.fields import MOST, Component, ZoneName, choice, quantity, text, zone_of
from optimiser.series.bounded import (
    CUT,
    MOST_BYTES,
    TooMuchError,
    bounded_bytes,
    inflated,
    parquet_frame,
    refuse_large_csv,
    refuse_no_file,
)
from optimiser.timeline import Timeline, whole_days


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
class SeriesTable:
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
    notes, warnings : tuple of str
        What the file says of how it was made, and what of that must not be overlooked.
    """

    name: str
    path: Path
    source: Source
    starts: pd.DatetimeIndex
    frame: pd.DataFrame
    sha256: str
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def read_table(name: str, source: Source, path: Path, way: str = "") -> SeriesTable:
    """Read a data file and check its time column; `way` is what to do if it is not there.

    Raises
    ------
    SeriesError
        With every fault found: missing file, unreadable table, bad, repeated, unordered or missing stamps.
    """
    refuse_no_file(path, way or f"Check source.{name}.file.")
    raw = bounded_bytes(path, MOST_BYTES, CUT, SeriesError)
    frame = _parse(path, raw)
    if source.time_column not in frame.columns:
        raise SeriesError(str(path), [_no_time_column(list(map(str, frame.columns)), source.time_column)])
    starts = _starts(path, frame[source.time_column], source)
    columns = frame.drop(columns=source.time_column)
    notes = _side_text(raw) if path.suffix.lower() == ".parquet" else {}
    digest = hashlib.sha256(raw).hexdigest()
    return SeriesTable(
        name, path, source, starts, columns, digest, notes.get("notes", ()), notes.get("warnings", ())
    )


def read_rows(path: Path) -> pd.DataFrame:
    """A data file as it stands, without a look at its time column.

    Raises
    ------
    SeriesError
        If it is missing, too large or no table.
    """
    refuse_no_file(path, "Check its name.")
    return _parse(path, bounded_bytes(path, MOST_BYTES, CUT, SeriesError))


SIDE_TEXT = b"notes"  # key of a Parquet file's metadata; its value is what `side_text` makes
MOST_NOTES, MOST_NOTE_LENGTH = 100, 1000


def side_text(notes: Sequence[str], warnings: Sequence[str] = ()) -> dict[bytes, bytes]:
    """Metadata of a Parquet file that says how its series were made, for `read_table` to read again."""
    return {SIDE_TEXT: json.dumps({"notes": list(notes), "warnings": list(warnings)}).encode()}


def _side_text(raw: bytes) -> dict[str, tuple[str, ...]]:
    """Notes and warnings of a Parquet file; a text of another form is taken as one note."""
    text = (pq.read_schema(io.BytesIO(raw)).metadata or {}).get(SIDE_TEXT, b"").decode("utf-8", "replace")
    try:
        found = json.loads(text) if text else {}
        if not isinstance(found, dict):
            found = {"notes": found}
        return {key: _sentences(found.get(key)) for key in ("notes", "warnings")}
    except (ValueError, RecursionError):  # no JSON, or nested beyond what anyone writes
        return {"notes": _sentences(text)}


def _sentences(found: object) -> tuple[str, ...]:
    listed = found if isinstance(found, list) else [] if found is None else [found]
    return tuple(str(item)[:MOST_NOTE_LENGTH] for item in listed[:MOST_NOTES])


def column_names(path: Path) -> list[str]:
    """Names of a data file's columns.

    Raises
    ------
    SeriesError
        If the file is missing or is no table.
    """
    refuse_no_file(path, "Check the path.")
    return list(map(str, _parse(path, bounded_bytes(path, MOST_BYTES, CUT, SeriesError))))


def no_column(wanted: str, columns: Sequence[str]) -> str:
    """The sentence for a column that a data file does not have."""
    near = difflib.get_close_matches(wanted, columns, 1)
    hint = f"; did you mean {near[0]}?" if near else ". The columns are " + ", ".join(columns)
    return f"there is no column {wanted!r}{hint}"


def measured_step(path: Path, time_column: str) -> int:
    """The length of a data file's intervals, from the first two of its stamps. [min]

    Raises
    ------
    SeriesError
        If the file is missing, is no table, or its first two stamps are not whole minutes apart.
    """
    refuse_no_file(path, "Check the path.")
    frame = _parse(path, bounded_bytes(path, MOST_BYTES, CUT, SeriesError))
    if time_column not in frame.columns:
        raise SeriesError(str(path), [_no_time_column(list(map(str, frame.columns)), time_column)])
    first = frame[time_column].head(2)
    if fault := _clock_fault(first):
        raise SeriesError(
            str(path),
            [f"column {time_column} {fault}. Write every stamp like 2025-01-31T13:30 or 2025-01-31T13:30Z."],
        )
    try:
        stamps = pd.to_datetime(first, utc=True)
    except (ValueError, TypeError):
        raise SeriesError(
            str(path), [f"column {time_column} holds a stamp that is no date and time. Correct it."]
        ) from None
    minutes = (stamps.iloc[-1] - stamps.iloc[0]) / pd.Timedelta(minutes=1) if len(stamps) == 2 else 0.0
    if not (minutes >= 1 and minutes == int(minutes)):
        raise SeriesError(
            str(path),
            [
                f"the first two stamps of {time_column} must be a whole number of minutes apart, the later one second. "
                "Put the rows in order."
            ],
        )
    return int(minutes)


def _no_time_column(columns: list[str], wanted: str) -> str:
    if len(columns) == 1 and any(mark in columns[0] for mark in ";\t"):
        return "its columns are separated by semicolons or tabs. Save it with commas, and with points in numbers."
    known = ", ".join(name[:40] for name in columns[:12])
    near = difflib.get_close_matches(wanted, columns, 1)
    hint = (
        f"Did you mean time_column = {near[0]!r}?"
        if near
        else "Set time_column; the first line must hold names."
    )
    return f"there is no time column {wanted!r}; the columns are {known}. {hint}"


def _parse(path: Path, raw: bytes) -> pd.DataFrame:
    try:
        if path.suffix.lower() == ".parquet":
            frame = parquet_frame(raw)
            return frame.reset_index() if frame.index.name is not None else frame
        if path.suffix.lower() == ".gz":
            raw = inflated(raw)
        refuse_large_csv(raw)
        return _csv(raw)
    except TooMuchError as problem:
        raise SeriesError(str(path), [str(problem)]) from None
    except pd.errors.ParserWarning:
        words = "its rows have more fields than its first line has names"
    except UnicodeDecodeError:
        words = "it is not text in UTF-8"
    except Exception as problem:  # any of the readers' many errors means the same to the user
        words = (str(problem).strip().splitlines() or [type(problem).__name__])[0][:200].rstrip(".")
    kind = "Parquet" if path.suffix.lower() == ".parquet" else "CSV"
    raise SeriesError(
        str(path),
        [
            f"the file is not a table that can be read as {kind}: {words}. Save it as CSV with commas, or as Parquet."
        ],
    )


def _csv(raw: bytes) -> pd.DataFrame:
    """The table of a CSV file; an error of many kinds if it is none."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)  # rows longer than the heading
        rows = pd.read_csv(io.BytesIO(raw), encoding="utf-8-sig", index_col=False, nrows=1, header=None)
        names = rows.iloc[0].dropna().astype(str)
        if names.duplicated().any():
            raise ValueError(f"two columns are named {names[names.duplicated()].iloc[0]}")
        return pd.read_csv(io.BytesIO(raw), encoding="utf-8-sig", index_col=False, low_memory=False)


def _clock_fault(column: pd.Series) -> str | None:
    """What keeps a time column from being read in one way only."""
    if pd.api.types.is_numeric_dtype(column) and len(column):
        return f"holds numbers, {column.iloc[0]} in data row 1"
    if pd.api.types.is_datetime64_any_dtype(column) or not len(column):
        return None
    words = column.dropna().astype(str)
    odd = words[~words.str.match(r"\s*\d{4}[-/.]?\d{2}[-/.]?\d{2}")]
    if len(odd):
        return f"holds {odd.iloc[0]!r} in data row {odd.index[0] + 1}, in which year, month and day are not plain"
    zoned = words.str.contains(r"(?:Z|[+-]\d\d:?\d\d)\s*$")
    if zoned.any() and not zoned.all():
        bare = words[~zoned]
        return f"has stamps with an offset and without one, {bare.iloc[0]!r} in data row {bare.index[0] + 1}"
    return None


def _starts(path: Path, column: pd.Series, source: Source) -> pd.DatetimeIndex:
    fault = _clock_fault(column)
    if fault:
        raise SeriesError(
            str(path),
            [
                f"column {source.time_column} {fault}. Write every stamp like 2025-01-31T13:30 or 2025-01-31T13:30Z."
            ],
        )
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
        raise SeriesError(
            str(path), [f"column {source.time_column} is empty in data row {row + 1}. Fill or remove it."]
        )
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
    exact = stamps if source.stamps == "start" else stamps - step
    starts = exact.as_unit("s")
    part = np.flatnonzero(starts != exact)
    if len(part):
        raise SeriesError(
            str(path), [f"the stamp in data row {part[0] + 1} holds a part of a second. Round the stamps."]
        )
    fault = _spacing_fault(starts, step, source.zone)
    if fault:
        raise SeriesError(str(path), [fault])
    return starts


def _shown(stamp: pd.Timestamp, zone: str) -> str:
    """A moment as a clock says it, with its distance from UTC."""
    return f"{stamp.tz_convert(zone_of(zone)):%Y-%m-%d %H:%M%z}".replace("+0000", "Z")


def _spacing_fault(starts: pd.DatetimeIndex, step: pd.Timedelta, zone: str) -> str | None:
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
        kind = f"is followed by the earlier {_shown(there, zone)}"
    else:
        kind = f"is followed by {_shown(there, zone)}, not by one {int(step.total_seconds() // 60)} min later"
    more = f"; {len(wrong)} such places in all" if len(wrong) > 1 else ""
    return (
        f"the interval that starts {_shown(here, zone)} (data row {row + 1}) {kind}{more}. Data are not mended "
        "silently: put the rows in order, without gaps or repeats, or correct step_minutes."
    )


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
                f"column {column} is empty or no number in the interval that starts {_shown(stamp, zone)}; "
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
    return values[first : first + timeline.steps * ratio].reshape(timeline.steps, ratio).mean(axis=1)


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
