"""Repair of missing intervals, by a named method only, every one of them listed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.errors import OptimiserError
from optimiser.timeline import same_clock_earlier

METHODS = ("hold", "interpolate", "same_time_last_week")


@dataclass(frozen=True)
class Method:
    """A way to fill missing intervals.

    Attributes
    ----------
    name : str
        "hold": the last value before a gap. "interpolate": the straight line across a gap. "same_time_last_week": the
        measured value at the same clock time seven days before.
    most_steps : int
        Longest gap that "hold" and "interpolate" fill; a longer one is left whole.
    """

    name: str
    most_steps: int = 0


@dataclass(frozen=True)
class Repaired:
    """An interval that was filled."""

    column: str
    start: pd.Timestamp
    method: str
    value: float


def method_of(words: str) -> Method:
    """A method from the command's words: "hold:4", "interpolate:2", "same_time_last_week".

    Raises
    ------
    OptimiserError
    """
    name, _, most = words.partition(":")
    if name == "same_time_last_week" and not most:
        return Method(name)
    if name in ("hold", "interpolate") and re.fullmatch("[0-9]{1,5}", most) and int(most):
        return Method(name, int(most))
    raise OptimiserError(
        f"--repair {words} is not known. Say hold:4 or interpolate:4 (gaps of up to 4 steps), or "
        "same_time_last_week."
    )


def repair(frame: pd.DataFrame, methods: Sequence[Method], zone: str) -> tuple[pd.DataFrame, list[Repaired]]:
    """Fill missing values of a frame, one method after the other.

    Gaps before the first and after the last value of a column are never filled by "hold" and "interpolate". What one
    method filled is no source for the next week.

    Parameters
    ----------
    frame : DataFrame
        Columns of numbers on even steps, indexed by their starts in UTC.
    methods : sequence of Method
    zone : str
        The clock of "same time".

    Returns
    -------
    tuple of DataFrame and list of Repaired
    """
    mended = frame.copy()
    done: list[Repaired] = []
    for column in frame.columns:
        measured = frame[column].to_numpy(float)
        values = measured.copy()
        for method in methods:
            filled = _filled(method, values, measured, pd.DatetimeIndex(frame.index), zone)
            for place in np.flatnonzero(np.isnan(values) & ~np.isnan(filled)).tolist():
                done.append(Repaired(str(column), frame.index[place], method.name, float(filled[place])))
            values = filled
        mended[column] = values
    return mended, done


def _filled(
    method: Method, values: np.ndarray, measured: np.ndarray, starts: pd.DatetimeIndex, zone: str
) -> np.ndarray:
    if method.name == "same_time_last_week":
        earlier = starts.get_indexer(same_clock_earlier(starts, zone, 7))
        donors = np.where(earlier >= 0, measured[earlier], np.nan)
        return np.where(np.isnan(values), donors, values)
    result = values.copy()
    for first, stop in gaps(values):
        if stop - first > method.most_steps or first == 0 or stop == len(values):
            continue
        if method.name == "hold":
            result[first:stop] = values[first - 1]
        else:
            result[first:stop] = np.interp(
                np.arange(first, stop), [first - 1, stop], [values[first - 1], values[stop]]
            )
    return result


def gaps(values: np.ndarray) -> list[tuple[int, int]]:
    """Runs of missing values, as first place and the place after the last."""
    missing = np.r_[False, np.isnan(values), False]
    edges = np.flatnonzero(missing[1:] != missing[:-1])
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
