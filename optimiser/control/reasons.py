"""Which mode ran and why, for any moment, in words: one vocabulary for tables and pages.

A reason is a sentence with prices, worth and power to be filled in. It is chosen by what the mode made of the step:
what the store did, whether it was full or at its lowest, and what was left to the meter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from optimiser.columns import (
    CHARGE,
    DISCHARGE,
    EXPORT,
    EXPORT_PRICE,
    IMPORT,
    IMPORT_PRICE,
    MODE,
    RAN,
    REASON,
    SOLAR,
    START_LOCAL,
    STORED,
    STORED_WORTH,
)
from optimiser.control.modes import WORDS, Mode
from optimiser.dispatch import Dispatch
from optimiser.words import number

MOVES_KW = 0.01  # less is standing still
NEAR_FRACTION = 0.002  # what is missing to full or above the lowest and counts as none
WORTHLESS = 0.005  # worth of a kWh that is as good as none [currency/kWh]
UNKNOWN = -1  # a mode that nobody wrote down

#: Sentences; what follows a bar is said where the worth of stored energy is known.
REASONS = (
    "the store covers the load: import costs {into}|; kept, a kWh is worth {worth}",
    "the store covers the load: sun to come is taken to fill it again for nothing, import costs {into}",
    "sun beyond the load is stored: export pays {out}|; a stored kWh is worth {worth}",
    "the store is full: sun that is left is fed in at {out}",
    "the store is full, and the sun covers the load",
    "the store is empty: the load is imported at {into}",
    "the store is at its floor for backup: the load is imported at {into}",
    "the store covers a part of the load, the rest is imported at {into}|; kept, a kWh is worth {worth}",
    "nothing is left over and nothing is missing",
    "import costs {into}|; a stored kWh is worth {worth}",
    "the store is as full as it is to be: import costs {into}",
    "export pays {out}|; kept, a kWh is worth {worth}",
    "the store is as low as it is to be: export pays {out}",
    "sun that is left is fed in at {out}|; a stored kWh is worth {worth}",
    "the load is imported at {into}|; kept, a kWh is worth {worth}",
    "sun is stored, the load is left to the grid at {into}: export pays {out}|; a stored kWh is worth {worth}",
    "import is held to {import} kW, at {into} a kWh|; kept, a kWh is worth {worth}",
    "power is kept for services",
)
(
    COVERS,
    FILLED_FOR_NOTHING,
    STORES_SUN,
    FULL_FEEDS,
    FULL,
    EMPTY,
    AT_FLOOR,
    AT_MOST,
    EVEN,
    BUYS,
    HIGH_ENOUGH,
    SELLS,
    LOW_ENOUGH,
    SUN_IS_FED,
    WAITS,
    SAVES_SUN,
    CUTS,
    SERVES,
) = range(len(REASONS))


@dataclass(frozen=True)
class Steered:
    """What was written down of a schedule that was carried out.

    Attributes
    ----------
    names : tuple of str
        Of what ran.
    ran : int array of shape (steps,)
        The place in `names` of what ran each step.
    mode : int array of shape (steps,)
        What the device was told; `UNKNOWN` where only powers are known.
    worth_per_kwh : array of shape (steps,)
        What one more kWh in the store was taken to be worth; nan where nobody said. [currency/kWh]
    """

    names: tuple[str, ...]
    ran: np.ndarray
    mode: np.ndarray
    worth_per_kwh: np.ndarray


def unknown(steps: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`ran`, `mode` and `worth_per_kwh` of a schedule of which nothing was written down."""
    return np.zeros(steps, int), np.full(steps, UNKNOWN), np.full(steps, np.nan)


def explained(dispatch: Dispatch, frame: pd.DataFrame, steered: Steered) -> pd.DataFrame:
    """A schedule's table with who steered each step, the mode, the reason and the worth that was gone by.

    Parameters
    ----------
    dispatch : Dispatch
        What was carried out.
    frame : DataFrame
        Its table (`results.frame.dispatch_table`).
    steered : Steered
    """
    scenario = dispatch.scenario
    banks, steps = scenario.storage, scenario.timeline.steps
    floor = sum(scenario.site.floor_kwh(scenario.data, banks), np.zeros(steps))
    capacity = float(sum(bank.capacity_kwh for bank in banks))
    sold = sum((np.asarray(offer.offered_kw, float) for offer in dispatch.offers), np.zeros(steps))
    if np.isfinite(steered.worth_per_kwh).any():
        frame = frame.assign(**{STORED_WORTH: steered.worth_per_kwh})
    mode = np.where(steered.mode == UNKNOWN, read_modes(frame), steered.mode)
    reason = _reasons(frame, mode, floor, capacity, sold)
    return frame.assign(**{RAN: steered.ran, MODE: mode, REASON: reason})


def _column(frame: pd.DataFrame, name: str) -> np.ndarray:
    there = name in frame.columns
    return frame[name].to_numpy(float) if there else np.full(len(frame), np.nan)


def read_modes(frame: pd.DataFrame) -> np.ndarray:
    """The mode that powers look like, of shape (steps,)."""
    solar, charge = _column(frame, SOLAR), _column(frame, CHARGE)
    charging, giving = charge > MOVES_KW, _column(frame, DISCHARGE) > MOVES_KW
    importing, exporting = _column(frame, IMPORT) > MOVES_KW, _column(frame, EXPORT) > MOVES_KW
    bought = charging & importing & (charge > solar + MOVES_KW)
    found: np.ndarray = np.select(
        [bought, charging & importing, charging, giving & exporting, giving],
        [Mode.CHARGE, Mode.SAVE_SUN, Mode.COVER_LOAD, Mode.FEED_OUT, Mode.COVER_LOAD],
        Mode.HOLD,
    )
    return found


def _reasons(
    frame: pd.DataFrame, mode: np.ndarray, floor_kwh: np.ndarray, capacity_kwh: float, sold_kw: np.ndarray
) -> np.ndarray:
    stored, worth = _column(frame, STORED), _column(frame, STORED_WORTH)
    importing, exporting = _column(frame, IMPORT) > MOVES_KW, _column(frame, EXPORT) > MOVES_KW
    charging, giving = _column(frame, CHARGE) > MOVES_KW, _column(frame, DISCHARGE) > MOVES_KW
    near = max(NEAR_FRACTION * capacity_kwh, MOVES_KW)
    full, low = stored >= capacity_kwh - near, stored <= floor_kwh + near
    lowest = np.where(floor_kwh > near, AT_FLOOR, EMPTY)
    nothing = worth < WORTHLESS
    covering = np.select(
        [giving & low, giving & importing, giving & nothing, giving, charging, full & exporting, full,
         low & importing, exporting, importing],
        [COVERS, AT_MOST, FILLED_FOR_NOTHING, COVERS, STORES_SUN, FULL_FEEDS, FULL,
         lowest, SUN_IS_FED, WAITS],
        EVEN,
    )  # fmt: skip
    resting = np.select(
        [exporting & full, exporting, low & importing, importing],
        [FULL_FEEDS, SUN_IS_FED, lowest, WAITS],
        EVEN,
    )
    of_mode = {
        Mode.COVER_LOAD: covering,
        Mode.CHARGE: np.where(charging, BUYS, HIGH_ENOUGH),
        Mode.FEED_OUT: np.where(giving, SELLS, LOW_ENOUGH),
        Mode.HOLD: resting,
        Mode.SAVE_SUN: np.where(charging, np.where(importing, SAVES_SUN, STORES_SUN), resting),
        Mode.EXPORT_FIRST: np.where(giving, covering, resting),
        Mode.CUT_PEAKS: np.where(giving, CUTS, resting),
    }
    found = np.select([mode == one for one in of_mode], list(of_mode.values()), EVEN)
    idle = ~charging & ~giving & (sold_kw > MOVES_KW)
    reason: np.ndarray = np.where(idle, SERVES, found)
    return reason


def stretches(frame: pd.DataFrame, names: Sequence[str], step_minutes: float) -> pd.DataFrame:
    """One row a stretch in which the same ran in the same mode for the same reason.

    Parameters
    ----------
    frame : DataFrame
        From `explained`.
    names : sequence of str
        Of what ran.
    step_minutes : float

    Returns
    -------
    DataFrame
        from_local, to_local, ran, mode, why, stored_kwh (at its end).
    """
    keys = frame[[RAN, MODE, REASON]].to_numpy(int)
    firsts = np.flatnonzero(np.r_[True, (np.diff(keys, axis=0) != 0).any(axis=1)])
    ends = np.r_[firsts[1:], len(frame)]
    columns = [_column(frame, name) for name in (IMPORT_PRICE, EXPORT_PRICE, STORED_WORTH, IMPORT, STORED)]
    local = frame[START_LOCAL].tolist()
    after = datetime.fromisoformat(local[-1]) + timedelta(minutes=step_minutes)
    local = [*local, after.isoformat()]
    rows = []
    for first, stop in zip(firsts.tolist(), ends.tolist(), strict=True):
        into, out, worth, imported, stored = (column[first:stop] for column in columns)
        rows.append(
            {
                "from_local": local[first],
                "to_local": local[stop],
                "ran": names[keys[first, 0]],
                "mode": WORDS[Mode(keys[first, 1])],
                "why": said(REASONS[keys[first, 2]], into, out, worth, imported),
                "stored_kwh": round(float(stored[-1]), 3),
            }
        )
    return pd.DataFrame(rows)


def said(
    reason: str,
    into: np.ndarray,
    out: np.ndarray,
    worth: np.ndarray,
    imported: np.ndarray,
) -> str:
    """A reason with the prices, worth and import of the steps that it stands for."""
    head, _, tail = reason.partition("|")
    words = head + (tail if np.isfinite(worth).all() else "")
    return words.format(
        into=_span(into, 2), out=_span(out, 2), worth=_span(worth, 2), **{"import": _span(imported, 1)}
    )


def _span(values: np.ndarray, decimals: int) -> str:
    if not np.isfinite(values).all():
        return ""
    low, high = (number(float(value), decimals) for value in (values.min(), values.max()))
    return low if low == high else f"{low} to {high}"
