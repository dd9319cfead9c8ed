"""Forecasts with their issue times: many values for an interval, each with the moment at which it was said."""

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
from optimiser.series.table import read_rows
from optimiser.timeline import Timeline


class IssueTable(Component):
    """A table of forecasts: a row for each issue and interval."""

    file: StrictStr = text("path of the CSV or Parquet file, within the scenario folder or one that it names")
    column: StrictStr = text("the column that holds the forecast")
    issued_column: StrictStr = text("the column that says when it was issued", default="issued_at")
    time_column: StrictStr = text("the column that says what interval it is for", default="interval_start")
    stamps: Literal["start", "end"] = choice(
        "whether time_column marks the start or the end of the interval", default="start"
    )
    zone: ZoneName = text("zone of stamps that carry none", default="UTC")
    step_minutes: int = quantity("min", "length of an interval", above=0)


@dataclass(frozen=True)
class Issued:
    """Forecasts in the order of their intervals, and of their issue within each.

    Attributes
    ----------
    interval : int array of shape (rows,)
        Start in seconds since 1970.
    issued : int array of shape (rows,)
        In seconds since 1970.
    values : array of shape (rows,)
    step_seconds : int
        Length of an interval.
    path : Path
    sha256 : str
        Digest of the file's bytes.
    """

    interval: np.ndarray
    issued: np.ndarray
    values: np.ndarray
    step_seconds: int
    path: Path = Path()
    sha256: str = ""

    def share_foretold(self, starts: np.ndarray) -> float:
        """Share of steps of which something was said before they began. [-]

        Parameters
        ----------
        starts : int array of shape (steps,)
            In seconds since 1970.
        """
        return float(np.isfinite(self.latest(starts, starts)).mean())

    def latest(self, starts: np.ndarray, moments: np.ndarray) -> np.ndarray:
        """What was last said of each step by a moment, its own issue included; nan where nothing was.

        Parameters
        ----------
        starts, moments : int array of shape (steps,)
            In seconds since 1970.
        """
        wanted = self.interval[0] + (starts - self.interval[0]) // self.step_seconds * self.step_seconds
        rank = np.unique(np.concatenate([self.issued, moments]), return_inverse=True)[1].ravel()
        issued, moment = rank[: len(self.issued)], rank[len(self.issued) :]
        many = int(rank.max()) + 1
        base = min(int(self.interval.min()), int(wanted.min()))
        place = (
            np.searchsorted(
                (self.interval - base) * many + issued, (wanted - base) * many + moment, side="right"
            )
            - 1
        )
        found = np.maximum(place, 0)
        there = (place >= 0) & (self.interval[found] == wanted)
        return np.where(there, self.values[found], np.nan)


def read_issued(table: IssueTable, path: Path, timeline: Timeline, least: float | None = None) -> Issued:
    """Read forecasts with their issue times.

    Parameters
    ----------
    table : IssueTable
    path : Path
    timeline : Timeline
    least : float, optional
        What the series that is foretold cannot be below.

    Raises
    ------
    SeriesError
        With the first fault of each column, and where an interval has two forecasts of one issue.
    """
    frame = read_rows(path)
    columns = [table.issued_column, table.time_column, table.column]
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        there = ", ".join(map(str, frame.columns))
        raise SeriesError(
            str(path), [f"there is no column {name!r}. The columns are {there}." for name in missing]
        )
    if table.step_minutes % timeline.step_minutes:
        raise SeriesError(
            str(path),
            [
                f"its {table.step_minutes} min intervals are no whole number of the timeline's "
                f"{timeline.step_minutes} min steps. Bring them to longer intervals, or shorten the steps."
            ],
        )
    faults: list[str] = []
    issued = _seconds(frame[table.issued_column], table.issued_column, table.zone, faults)
    interval = _seconds(frame[table.time_column], table.time_column, table.zone, faults)
    values = pd.to_numeric(frame[table.column], errors="coerce").to_numpy(float)
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        faults.append(
            f"column {table.column} is empty or no number in data row {bad[0] + 1}, {len(bad)} such rows in all. "
            "Fill or remove them."
        )
    low = np.flatnonzero(values < least) if least is not None else bad
    if least is not None and len(low):
        faults.append(
            f"column {table.column} has {values[low[0]]:g} in data row {low[0] + 1}, and what it foretells cannot be "
            f"below {least:g}; {len(low)} such rows in all. Check its sign."
        )
    if faults or not len(frame):
        raise SeriesError(str(path), faults or ["the file has no rows. Bring forecasts."])
    if table.stamps == "end":
        interval = interval - table.step_minutes * 60
    order = np.lexsort((issued, interval))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    made = Issued(interval[order], issued[order], values[order], table.step_minutes * 60, path, digest)
    twice = np.flatnonzero((np.diff(made.interval) == 0) & (np.diff(made.issued) == 0))
    if len(twice):
        row = int(order[twice[0] + 1])
        raise SeriesError(
            str(path),
            [f"data row {row + 1} repeats the interval and issue of another row. Keep one of them."],
        )
    off = np.flatnonzero((made.interval - made.interval[0]) % made.step_seconds)
    if len(off):
        row = int(order[off[0]])
        raise SeriesError(
            str(path),
            [
                f"data row {row + 1} is for an interval off the {table.step_minutes} min grid. Check step_minutes."
            ],
        )
    if not made.share_foretold(timeline.starts.as_unit("s").asi8):
        raise SeriesError(
            str(path),
            [
                "no forecast in it is for a step of the timeline and issued by then. Check its stamps and years."
            ],
        )
    return made


def _seconds(column: pd.Series, name: str, zone: str, faults: list[str]) -> np.ndarray:
    """Stamps in seconds since 1970; a fault is added to the list."""
    try:
        stamps = pd.DatetimeIndex(pd.to_datetime(column, format="ISO8601"))
        if stamps.tz is None:
            stamps = stamps.tz_localize(zone_of(zone))
        stamps = stamps.tz_convert("UTC")
        if stamps.isna().any():
            raise ValueError(f"it is empty in data row {int(np.flatnonzero(stamps.isna())[0]) + 1}")
    except (ValueError, TypeError) as problem:
        words = str(problem).splitlines()[0][:160].rstrip(".")
        faults.append(
            f"column {name} cannot be read as stamps: {words}. Write every stamp like 2025-01-31T13:30Z, or "
            "2025-01-31T13:30 in the zone named."
        )
        return np.zeros(len(column), int)
    return stamps.as_unit("s").asi8
