"""A log of real operation laid onto the steps of a scenario of the same days, with what its store held."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.accounts.billing import Columns, metered_timeline, read_metered, same_column_faults
from optimiser.accounts.settlement import before_flows
from optimiser.errors import ScenarioError, SeriesError
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, no_column
from optimiser.timeline import Grouping, Timeline

FARTHEST_BEYOND = 10.0  # a power so many times over the connection's limit is in another unit
FULLER_THAN_FULL = 1.02  # what a gauge may read beyond the bank's usable energy


@dataclass(frozen=True)
class LoggedStore:
    """Where a log tells the energy that the banks held.

    Attributes
    ----------
    column : str
    unit : "kWh", "%" or "fraction"
        Energy of all banks together, or its share of their usable energy.
    at : "start" or "end"
        The moment of an interval that a reading is from.
    """

    column: str
    unit: Literal["kWh", "%", "fraction"]
    at: Literal["start", "end"]


@dataclass(frozen=True)
class Log:
    """Logged operation, laid onto the steps of a scenario of the same days.

    Attributes
    ----------
    path : Path
    scenario : Scenario
        The scenario on the log's whole days, without services, its store as the log says.
    import_kw, export_kw : array of shape (steps,)
        What the meter's registers saw. [kW]
    notes : tuple of str
    held_fraction : array of shape (days,)
        Share of the usable energy held at the start of each day; nan where the log does not say. [-]
    """

    path: Path
    scenario: Scenario
    import_kw: np.ndarray
    export_kw: np.ndarray
    notes: tuple[str, ...]
    held_fraction: np.ndarray


def read_log(
    path: Path,
    scenario: Scenario,
    columns: Columns,
    store: LoggedStore | None,
    time_column: str,
    stamps: Literal["start", "end"],
    zone: str,
) -> Log:
    """Read a log and lay the scenario onto its whole days; parameters as for `look_back`."""
    table = read_metered(path, time_column, stamps, zone)
    table = replace(table, source=table.source.model_copy(update={"coarsen": "mean"}))
    own = metered_timeline(path, table, scenario.timeline.zone)
    first, stop = _whole_days(path, own)
    changes: dict[str, Any] = {
        "timeline.start": own.local()[first].date(),
        "timeline.days": int(own.slice(first, stop).groups(Grouping("day", own.zone)).count),
    }
    notes = _span_notes(own, first, stop, scenario.timeline.step_minutes)
    if scenario.service:
        changes["service"] = []
        notes.append(
            "Services are left out of all cases: a meter does not tell what was offered or paid for them, so power "
            "that was kept for them shows as lost."
        )
    faults: list[str] = []
    held = None
    if store is not None and scenario.storage:
        try:
            held = _held(path, table, store, scenario, own, first, stop)
        except SeriesError as error:
            faults = error.faults
    try:
        days = vary(scenario, changes)
    except ScenarioError as error:
        local = own.local()
        span = f"{local[first]:%Y-%m-%d} to {local[stop - 1]:%Y-%m-%d}"
        raise ScenarioError(
            str(scenario.path), [*error.faults, f"It was laid onto the days of {path}, {span}."]
        ) from None
    try:
        imported, exported = _registers(path, table, columns, days, own.step_hours)
    except SeriesError as error:
        raise SeriesError(str(path), [*faults, *error.faults]) from None
    if faults:
        raise SeriesError(str(path), faults)
    if held is not None:
        banks = enumerate(held.fractions(days, imported - exported))
        days = vary(days, {f"storage.{n}.{key}": share for n, own in banks for key, share in own.items()})
        notes.append(held.words(days))
    starts = own.slice(first, stop).groups(Grouping("day", own.zone)).first_step
    midnights = np.full(len(starts), np.nan)
    if held is not None:
        rows = first + starts - (0 if store is None or store.at == "start" else 1)
        midnights = np.where(rows >= 0, held.shares[np.maximum(rows, 0)], np.nan).clip(0.0, 1.0)
    return Log(path, days, imported, exported, tuple(notes), midnights)


def _whole_days(path: Path, own: Timeline) -> tuple[int, int]:
    """First interval and the one after the last of a log's whole local days."""
    day = own.groups(Grouping("day", own.zone))
    whole = np.flatnonzero(np.abs(day.sum(own.share_of_day(own.zone)) - 1) < 1e-6)
    if not len(whole):
        raise SeriesError(
            str(path),
            [
                f"it holds no whole day on the clock of {own.zone}: it runs from {own.when(0)} to "
                f"{own.when(own.steps - 1)}. Bring at least one day from midnight to midnight, or name its --zone."
            ],
        )
    ends = np.r_[day.first_step, own.steps]
    return int(ends[whole[0]]), int(ends[whole[-1] + 1])


def _span_notes(own: Timeline, first: int, stop: int, step_minutes: int) -> list[str]:
    notes = []
    left_out = own.steps - (stop - first)
    if left_out:
        notes.append(f"{left_out} intervals of the log lie in days that it holds in part, and are left out.")
    if own.step_minutes < step_minutes:
        notes.append(
            f"The log's {own.step_minutes} min intervals are averaged to the scenario's {step_minutes} min steps: "
            "peaks and import beside export within a step are evened out."
        )
    if own.step_minutes > step_minutes:
        notes.append(
            f"The log has {own.step_minutes} min intervals: their mean stands in each {step_minutes} min step, and "
            "short peaks are unseen."
        )
    return notes


def _registers(
    path: Path, table: SeriesTable, columns: Columns, days: Scenario, step_hours: float
) -> tuple[np.ndarray, np.ndarray]:
    """Import and export on the scenario's steps, of shape (steps,); every fault of both at once. [kW]"""
    scale = 1.0 if columns.unit == "kW" else 1.0 / step_hours
    data = days.data
    connection = days.site.connection
    faults, made = same_column_faults(columns.into, columns.out), []
    for column, limit in (
        (columns.into, connection.import_limit_kw),
        (columns.out, connection.export_limit_kw),
    ):
        if column is None:
            made.append(np.zeros(days.timeline.steps))
            continue
        try:
            power = scale * lay(table, column, days.timeline, 0.0)
        except SeriesError as error:
            faults += error.faults
            continue
        most = max(float(np.max(data.values(limit))), 1.0)
        if power.max() > FARTHEST_BEYOND * most:
            step = int(power.argmax())
            faults.append(
                f"column {column} reaches {power[step]:,.1f} kW in the step that starts {days.timeline.when(step)}, "
                f"more than {FARTHEST_BEYOND:g} times the connection's {most:g} kW. Check whether it holds W, kW or "
                "kWh, and --unit."
            )
        made.append(power)
    if faults:
        raise SeriesError(str(path), faults)
    return made[0], made[1]


@dataclass(frozen=True)
class _Held:
    """What a log tells of the store about the ends of its days.

    Attributes
    ----------
    start : float or None
        Share of the usable energy before the first step; None where the log does not tell.
    last : float
        Share at the last reading.
    moment : Timestamp
        When that was, on the site's clock; at the end of the days it is their last interval's start.
    hours_left : float
        From then to the end of the days.
    shares : array of shape (rows,)
        Of each row of the log, as it reads.
    """

    start: float | None
    last: float
    moment: pd.Timestamp
    hours_left: float
    shares: np.ndarray

    def fractions(self, days: Scenario, net_import_kw: np.ndarray) -> list[dict[str, float]]:
        """For each bank, `start_fraction` where the log tells it, and `end_fraction`.

        A last reading before the end is lowered by what the bank can have given until then.
        """
        given = _given_kwh(days, net_import_kw, self.hours_left) if self.hours_left else 0.0
        made = []
        for bank in days.storage:
            most_kw = sum(width / efficiency for width, efficiency in bank.discharge_pieces())
            drop = min(given / bank.least_efficiency[1], most_kw * self.hours_left) / bank.capacity_kwh
            end = max(self.last * bank.kept(self.hours_left) - drop, 0.0)
            start = {} if self.start is None else {"start_fraction": self.start}
            made.append(start | {"end_fraction": end})
        return made

    def words(self, days: Scenario) -> str:
        """What the best schedule starts and ends with, and by whose word; `days` has the fractions."""
        start, end = (sum(getattr(bank, f"{key}_kwh") for bank in days.storage) for key in ("start", "end"))
        words = f"The best schedule starts with {start:.2f} kWh in store, as the "
        words += (
            "scenario says, for the log does not tell what was held before its first interval,"
            if self.start is None
            else "log does,"
        )
        words += f" and ends with at least {end:.2f} kWh"
        if not self.hours_left:
            return f"{words}, as the log does."
        last = self.last * sum(bank.capacity_kwh for bank in days.storage)
        return (
            f"{words}: the log's last reading, {last:.2f} kWh, is from {self.moment:%Y-%m-%d %H:%M}, "
            f"{60 * self.hours_left:g} min before its end, and is lowered by what the system gave to the meter from "
            "then on and lost by itself."
        )


def _given_kwh(days: Scenario, net_import_kw: np.ndarray, hours: float) -> float:
    """The most that the DC bus can have given in the last hours: all that the meter did not bring, and standby. [kWh]

    Of steps longer than the hours, all that they gave is taken.
    """
    before, site = before_flows(days), days.site
    steps = math.ceil(hours / days.timeline.step_hours - 1e-9)
    data = days.data
    gave_kw = np.maximum(
        before.import_kw - before.export_kw - site.taken_before_kw(data) - net_import_kw, 0.0
    )[-steps:]
    efficiency = min((inverter.output_efficiency for inverter in site.inverter), default=1.0)
    fixed_kw = site.dc_needs_kw(data, days.storage)[-steps:]
    return float(np.sum(gave_kw / efficiency + fixed_kw) * days.timeline.step_hours)


def _held(
    path: Path,
    table: SeriesTable,
    store: LoggedStore,
    scenario: Scenario,
    own: Timeline,
    first: int,
    stop: int,
) -> _Held:
    """What the store held when the log's days start, and when it was last read."""
    if store.column not in table.frame.columns:
        raise SeriesError(str(path), [no_column(store.column, list(map(str, table.frame.columns)))])
    capacity = sum(bank.capacity_kwh for bank in scenario.storage)
    scale = {"kWh": 1 / capacity, "%": 0.01, "fraction": 1.0}[store.unit]
    shares = scale * pd.to_numeric(table.frame[store.column], errors="coerce").to_numpy(float)
    # A reading at the end of an interval is one at the start of the next.
    offset = 0 if store.at == "start" else 1
    edge = stop if stop - offset < len(shares) else stop - 1
    found: list[float] = []
    faults: list[str] = []
    for row, word in ((first - offset, "first"), (edge - offset, "last")):
        if row < 0:
            continue
        share = float(shares[row])
        if not 0 <= share <= FULLER_THAN_FULL:
            shown = "no number" if not np.isfinite(share) else f"{share / scale:g} {store.unit}"
            faults.append(
                f"column {store.column} must lie between 0 and {1 / scale:g} {store.unit}, the usable energy of "
                f"the banks, got {shown} at the {word} moment of the days compared (data row {row + 1}). Check "
                "--stored-unit, or leave out --stored."
            )
        found.append(min(share, 1.0))
    if not faults:
        faults += _outside(store, shares[first:stop], scale, first)
    if faults:
        raise SeriesError(str(path), faults)
    start = found[0] if len(found) > 1 else None
    return _Held(start, found[-1], own.local()[min(edge, stop - 1)], (stop - edge) * own.step_hours, shares)


def _outside(store: LoggedStore, shares: np.ndarray, scale: float, first: int) -> list[str]:
    """A sentence if any reading lies outside; a column of something else may fit at the ends by chance."""
    rows = np.flatnonzero((shares < 0) | (shares > FULLER_THAN_FULL))
    if not len(rows):
        return []
    return [
        f"column {store.column} must lie between 0 and {1 / scale:g} {store.unit}, the usable energy of the banks, "
        f"got {shares[rows[0]] / scale:g} {store.unit} in data row {first + int(rows[0]) + 1}; {len(rows)} such rows "
        "in all. Check --stored and --stored-unit, or leave out --stored."
    ]
