"""A data file of columns with stamps, read whole; refuses gaps, repeats and shifted stamps."""

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
from optimiser.fields import Component, ZoneName, choice, quantity, text, zone_of
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


def moment_words(stamp: pd.Timestamp, zone: str) -> str:
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
        kind = f"is followed by the earlier {moment_words(there, zone)}"
    else:
        kind = f"is followed by {moment_words(there, zone)}, not by one {int(step.total_seconds() // 60)} min later"
    more = f"; {len(wrong)} such places in all" if len(wrong) > 1 else ""
    return (
        f"the interval that starts {moment_words(here, zone)} (data row {row + 1}) {kind}{more}. Data are not mended "
        "silently: put the rows in order, without gaps or repeats, or correct step_minutes."
    )
