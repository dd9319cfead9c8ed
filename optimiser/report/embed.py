"""The dispatch made small enough to travel inside the page: whole numbers, their differences, few bytes."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

MISSING = -(2**31)
LARGEST = 2**31 - 2
SIZE_LIMIT_CHARACTERS = 4_000_000


@dataclass(frozen=True)
class Clock:
    """Local wall clock of each step, and what is needed to draw by it."""

    wall: np.ndarray
    days: tuple[tuple[str, int, int], ...]
    offsets: tuple[tuple[int, int], ...]
    start_ms: int


def local_clock(dispatch: pd.DataFrame) -> Clock:
    """Days as runs of steps, and the steps at which the distance from UTC changes.

    The local text is taken at its word, so a day of 23 or 25 hours has as many steps as it really had.
    """
    utc = pd.DatetimeIndex(dispatch.index).tz_convert("UTC").tz_localize(None).to_numpy("datetime64[ms]")
    wall = pd.to_datetime(dispatch["interval_start_local"].str.slice(0, 19)).to_numpy("datetime64[ms]")
    offset_minutes = ((wall - utc) / np.timedelta64(1, "m")).round().astype(int)
    changes = np.flatnonzero(np.diff(offset_minutes, prepend=offset_minutes[0] - 1))
    dates = wall.astype("datetime64[D]")
    firsts = np.flatnonzero(np.r_[True, dates[1:] != dates[:-1]])
    counts = np.diff(np.r_[firsts, len(dates)])
    return Clock(
        wall=wall,
        days=tuple(
            (str(dates[first]), int(first), int(count)) for first, count in zip(firsts, counts, strict=True)
        ),
        offsets=tuple((int(step), int(offset_minutes[step])) for step in changes),
        start_ms=int(utc[0].astype("int64")),
    )


def quantum_of(column: str, values: np.ndarray) -> float:
    """The smallest difference kept: 10 W and 10 Wh, a hundredth of a cent, a tenth of a volt.

    Small sites keep more digits, and figures too large for a 32-bit whole number fewer.
    """
    largest = float(np.nanmax(np.abs(values), initial=0.0))
    if column.endswith("_per_kwh"):
        quantum = 1e-4
    elif column.endswith("_v"):
        quantum = 0.1
    else:
        quantum = 0.01 if largest >= 10 else 0.001
    while largest / quantum > LARGEST:
        quantum *= 10
    return quantum


def pack(column: str, values: np.ndarray) -> dict[str, Any]:
    """One series as base64 text: differences of whole numbers, in as few bytes as each needs.

    The differences of a 32-bit counter that wraps are folded to 0, 1, 2, 3 … for 0, -1, 1, -2 … A run of
    zeros is a zero and its length. Each number then takes seven bits a byte, lowest first, the eighth
    bit saying that more follow. The page's script undoes this in a dozen lines that any browser runs.
    """
    quantum = quantum_of(column, values)
    whole = np.where(np.isfinite(values), np.rint(np.nan_to_num(values) / quantum), MISSING).astype(np.int32)
    changes = np.diff(whole, prepend=np.int32(0))
    folded = ((changes << 1) ^ (changes >> 31)).view(np.uint32)
    return {"quantum": quantum, "packed": base64.b64encode(few_bytes(runs(folded))).decode("ascii")}


def runs(folded: np.ndarray) -> np.ndarray:
    """The same numbers with each run of zeros as one zero and the run's length."""
    is_nought = folded == 0
    is_first = is_nought & ~np.r_[False, is_nought[:-1]]
    is_last = is_nought & ~np.r_[is_nought[1:], False]
    lengths = np.flatnonzero(is_last) - np.flatnonzero(is_first) + 1
    kept = folded[~is_nought | is_first].astype(np.uint64)
    return np.insert(kept, np.flatnonzero(kept == 0) + 1, lengths.astype(np.uint64))


def few_bytes(numbers: np.ndarray) -> bytes:
    """Each number in groups of seven bits, lowest first; all groups but a number's last are marked."""
    shifted = numbers[:, None] >> (np.uint64(7) * np.arange(6, dtype=np.uint64))
    groups = shifted[:, :5] & np.uint64(127) | np.where(shifted[:, 1:] > 0, np.uint64(128), np.uint64(0))
    is_needed = shifted[:, :5] > 0
    is_needed[:, 0] = True
    kept: np.ndarray = groups[is_needed].astype(np.uint8)
    return kept.tobytes()


def embed(dispatch: pd.DataFrame, columns: list[str], step_minutes: float) -> dict[str, Any]:
    """The columns named, with the clock; columns are taken in order until the page would grow too heavy.

    Returns
    -------
    dict
        ``clock`` fields and ``columns``; those that did not fit are named in ``left_out``.
    """
    clock = local_clock(dispatch)
    packed: dict[str, Any] = {}
    left_out: list[str] = []
    size = 0
    for column in columns:
        series = pack(column, dispatch[column].to_numpy(dtype=float))
        if size + len(series["packed"]) > SIZE_LIMIT_CHARACTERS:
            left_out.append(column)
            continue
        size += len(series["packed"])
        packed[column] = series
    return {
        "steps": len(dispatch),
        "step_minutes": step_minutes,
        "start_ms": clock.start_ms,
        "days": clock.days,
        "offsets": clock.offsets,
        "columns": packed,
        "left_out": left_out,
    }
