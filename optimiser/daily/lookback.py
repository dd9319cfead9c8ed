"""What a log of real operation came to under the contract, beside no system and the best schedule of the same days."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.accounts.billing import Columns, line_rows, metered_timeline, read_metered, same_column_faults
from optimiser.accounts.settlement import before_flows
from optimiser.columns import EXPORT_PRICE, IMPORT_PRICE, START, START_LOCAL
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.errors import DriftError, InfeasibleError, OptimiserError, ScenarioError, SeriesError
from optimiser.flows import MeterFlows
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, no_column
from optimiser.tariff import Tariff
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.timeline import STEP, Grouping, Timeline
from optimiser.words import money, number
from optimiser.writing import Content, write_files

NO_SYSTEM, LOGGED, CEILING = "without the system", "as logged", "best schedule"
TABLES = ("lines", "days", "differences", "steps")
SHOWN = 10
A_CENT = 0.01
WORTH_NAMING = 0.005  # less than a cent is no difference
FARTHEST_BEYOND = 10.0  # a power so many times over the connection's limit is in another unit
FULLER_THAN_FULL = 1.02  # what a gauge may read beyond the bank's usable energy
CLOCK_DAYS, CLOCK_HOURS, CLOCK_LIKENESS, CLOCK_GAIN = 3, 12, 0.8, 0.1


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
    """

    path: Path
    scenario: Scenario
    import_kw: np.ndarray
    export_kw: np.ndarray
    notes: tuple[str, ...]


@dataclass(frozen=True)
class DayCase:
    """One way in which the days went or could have gone: a column of the comparison.

    Attributes
    ----------
    name : str
    tariff : Tariff
        The contract that it is settled under.
    import_kw, export_kw : array of shape (steps,)
        [kW]
    lines : tuple of Line
        What it is billed, cash alone.
    """

    name: str
    tariff: Tariff
    import_kw: np.ndarray
    export_kw: np.ndarray
    lines: tuple[Line, ...]

    @property
    def to_pay(self) -> float:
        """All that is billed, positive is to pay. [currency]"""
        return 0.0 - float(sum(np.sum(line.values) for line in self.lines))


@dataclass(frozen=True)
class LookBack:
    """The comparison.

    Attributes
    ----------
    summary : dict
        Figures and words that can be written as JSON.
    lines : DataFrame
        One row a billing period and line, what is to pay in each case.
    days : DataFrame
        One row a day: what is to pay by lines charged step by step or by the day, in each case, and `lost`.
    differences : DataFrame
        The costliest: when, kind ("day" or "billing period"), lost, in words.
    steps : DataFrame
        The steps that cost most, with what the meter saw in either case and the prices.
    flows : DataFrame
        One row a step: net import in each case and the prices.
    """

    summary: dict[str, Any]
    lines: pd.DataFrame
    days: pd.DataFrame
    differences: pd.DataFrame
    steps: pd.DataFrame
    flows: pd.DataFrame


def look_back(
    site: str | Path | Scenario,
    log: str | Path,
    columns: Columns,
    *,
    store: LoggedStore | None = None,
    time_column: str = "interval_start",
    stamps: Literal["start", "end"] = "start",
    zone: str | None = None,
    policies: bool = True,
    progress: Progress | None = None,
) -> LookBack:
    """Settle a log and set it against no system and the best schedule of the same days.

    Parameters
    ----------
    site : str, Path or Scenario
        Load, sun, prices and equipment; its data must cover the days of the log.
    log : str or Path
        A CSV or Parquet file of metered import and export without gaps; its whole days are used.
    columns : Columns
        Its columns of import and export and their unit.
    store : LoggedStore, optional
        Its column of stored energy, from which the best schedule then starts and where it ends.
    time_column, stamps, zone : str
        The column of stamps, what they mark, and the zone of stamps that carry none (left out: the site's).
    policies : bool
        Whether to run the days under the scenario's policies too, which know nothing of the days to come.
    progress : callable, optional

    Raises
    ------
    ScenarioError
        With every fault of the scenario or the log.
    InfeasibleError
        If the days cannot be scheduled from and to what the log's store held.
    """
    scenario = site if isinstance(site, Scenario) else read_scenario(site)
    found = read_log(Path(log), scenario, columns, store, time_column, stamps, zone or scenario.timeline.zone)
    days = found.scenario
    best = solve(days, progress=progress)
    logged = MeterFlows(
        found.import_kw, found.export_kw, found.import_kw, found.export_kw, before_flows(days).load_kw
    )
    cases = [
        billed(NO_SYSTEM, days, before_flows(days), days.before_tariff),
        billed(LOGGED, days, logged, days.tariff),
    ]
    without: list[str] = []
    if policies and days.storage:
        cases += _under_policies(days, best, without, progress)
    cases.append(case_of(CEILING, best))
    notes = [*found.notes, *without, *_clock_notes(found), *_store_notes(best, store), *_beyond_notes(cases)]
    return compared(found, cases, best, notes)


def _under_policies(
    days: Scenario, best: Dispatch, notes: list[str], progress: Progress | None
) -> Iterator[DayCase]:
    """A case a policy; one that the limits let nobody carry out is noted, and so is a defect, as what it is."""
    for policy in policies_of(days):
        try:
            executed = run_under(days, policy, best, progress)
        except InfeasibleError:
            notes.append(f"{policy.name} cannot be carried out within the limits on these days.")
            continue
        except DriftError as defect:
            notes.append(f"{policy.name} is left out: {defect}")
            continue
        yield case_of(f"run under {policy.name}", executed.dispatch)
        if not policy.sure:
            notes.append(
                f"{policy.name} knows nothing of days before the log, so on its first days it has little to go by."
            )


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
    return Log(path, days, imported, exported, tuple(notes))


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
    """

    start: float | None
    last: float
    moment: pd.Timestamp
    hours_left: float

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
    spared = 0.0 if site.dc_load is None else site.dc_load.taken_before_kw(data)
    gave_kw = np.maximum(before.import_kw - before.export_kw - spared - net_import_kw, 0.0)[-steps:]
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
    return _Held(start, found[-1], own.local()[min(edge, stop - 1)], (stop - edge) * own.step_hours)


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


def billed(name: str, scenario: Scenario, flows: MeterFlows, tariff: Tariff) -> DayCase:
    """A case made out from what a meter saw."""
    lines = tariff.lines(flows, SettledTerms(scenario.data))
    return DayCase(name, tariff, flows.import_kw, flows.export_kw, tuple(lines))


def case_of(name: str, dispatch: Dispatch) -> DayCase:
    """A case from a schedule."""
    meter = dispatch.flows.meter
    lines = tuple(line for line in dispatch.lines if line.cash)
    return DayCase(name, dispatch.scenario.tariff, meter.import_kw, meter.export_kw, lines)


def compared(log: Log, cases: Sequence[DayCase], best: Dispatch, notes: Sequence[str]) -> LookBack:
    """Cases side by side, and what the log lost beside the best schedule, the last of them."""
    scenario = log.scenario
    flows = _flows(scenario, cases)
    by_step = {case.name: _by_step(case, scenario.timeline) for case in cases}
    day = scenario.timeline.local().strftime("%Y-%m-%d")
    days = pd.DataFrame(by_step).groupby(day, sort=True).sum().rename_axis("day").reset_index()
    days["lost"] = days[LOGGED] - days[CEILING]
    lost = by_step[LOGGED] - by_step[CEILING]
    entries = [
        *_day_entries(scenario, days, flows, lost),
        *_period_entries(scenario, {case.name: case for case in cases}),
    ]
    entries = sorted((e for e in entries if e["lost"] > WORTH_NAMING), key=lambda e: -e["lost"])
    named = pd.DataFrame(entries[:SHOWN], columns=["when", "kind", "lost", "words"])
    amounts = {case.name: case.to_pay for case in cases}
    earned, possible = amounts[NO_SYSTEM] - amounts[LOGGED], amounts[NO_SYSTEM] - amounts[CEILING]
    timeline = scenario.timeline
    summary = {
        "title": scenario.file.title,
        "invented": scenario.file.invented,
        "currency": scenario.file.currency,
        "log": log.path.name,
        "zone": timeline.zone,
        "first_day": str(days["day"].iloc[0]),
        "last_day": str(days["day"].iloc[-1]),
        "days": len(days),
        "step_minutes": timeline.step_minutes,
        "to_pay": amounts,
        "earned": earned,
        "possible": possible,
        "lost": amounts[LOGGED] - amounts[CEILING],
        "reached": bool(amounts[LOGGED] <= amounts[CEILING] + A_CENT),
        "share_of_possible": earned / possible if possible > WORTH_NAMING else None,
        "energy_kwh": {
            case.name: {
                "import": float(case.import_kw.sum() * timeline.step_hours),
                "export": float(case.export_kw.sum() * timeline.step_hours),
            }
            for case in cases
        },
        "proof": {"verdict": best.proof.verdict, "gap_absolute": best.proof.gap_absolute},
        "notes": list(notes),
    }
    steps = _worst_steps(flows, lost)
    return LookBack(summary, _lines(scenario, cases), days, named, steps, flows)


def _flows(scenario: Scenario, cases: Sequence[DayCase]) -> pd.DataFrame:
    data = scenario.data
    frame = pd.DataFrame(
        {f"{case.name}, net import kW": case.import_kw - case.export_kw for case in cases},
        index=scenario.timeline.starts.rename(START),
    )
    frame[IMPORT_PRICE] = scenario.tariff.import_price(data)
    frame[EXPORT_PRICE] = scenario.tariff.export_price(data)
    frame.insert(0, START_LOCAL, [stamp.isoformat() for stamp in scenario.timeline.local()])
    return frame


def _by_step(case: DayCase, timeline: Timeline) -> np.ndarray:
    """To pay in each step, by lines that are charged by the step or by the day (at its first step). [currency]"""
    total = np.zeros(timeline.steps)
    for line in case.lines:
        if line.per == STEP:
            total -= np.broadcast_to(np.asarray(line.values, float), (timeline.steps,))
        elif line.per.kind == "day":
            total[timeline.groups(line.per).first_step] -= np.asarray(line.values, float)
    return total


def _lines(scenario: Scenario, cases: Sequence[DayCase]) -> pd.DataFrame:
    """To pay by billing period and line, a column a case."""
    rows = [
        (case.name, *row[:3], row[4], -row[5])
        for case in cases
        for row in line_rows(case.lines, case.tariff.period, scenario.timeline)
    ]
    keys = ["billing_period", "group", "line", "unit"]
    frame = pd.DataFrame(rows, columns=["case", *keys, "to_pay"])
    wide = frame.pivot_table(index=keys, columns="case", values="to_pay", aggfunc="sum", sort=False)
    return wide[[case.name for case in cases]].fillna(0.0).reset_index().rename_axis(columns=None)


def _day_entries(
    scenario: Scenario, days: pd.DataFrame, flows: pd.DataFrame, lost: np.ndarray
) -> list[dict[str, Any]]:
    """Each day with what was done, what the best schedule did, and the hour that lost most of all."""
    timeline, currency = scenario.timeline, scenario.file.currency
    local = timeline.local()
    frame = pd.DataFrame(
        {
            "day": local.strftime("%Y-%m-%d"),
            "hour": local.strftime("%H:00%z"),
            "lost": lost,
            "logged": flows[f"{NO_SYSTEM}, net import kW"].to_numpy()
            - flows[f"{LOGGED}, net import kW"].to_numpy(),
            "best": flows[f"{NO_SYSTEM}, net import kW"].to_numpy()
            - flows[f"{CEILING}, net import kW"].to_numpy(),
            "import": flows[IMPORT_PRICE].to_numpy(),
            "export": flows[EXPORT_PRICE].to_numpy(),
        }
    )
    entries = []
    for row in days.to_dict(orient="records"):
        if row["lost"] <= WORTH_NAMING:
            continue
        hours = frame[frame["day"] == row["day"]].groupby("hour", sort=False)
        by_hour = hours["lost"].sum()
        worst = str(by_hour.idxmax())
        means = hours.mean(numeric_only=True).loc[worst]
        words = (
            f"{money(row[LOGGED], currency)} to pay, {money(row[CEILING], currency)} by the best schedule. "
            f"{_went(float(by_hour[worst]), float(row['lost']), currency)} the hour from {worst[:5]}: the system "
            f"{_did(means['logged'])}, the best schedule {_did(means['best'])}, while a kWh cost "
            f"{number(means['import'], 3)} to import and brought {number(means['export'], 3)} exported."
        )
        entries.append({"when": row["day"], "kind": "day", "lost": float(row["lost"]), "words": words})
    return entries


def _went(lost: float, of_day: float, currency: str) -> str:
    """How much of a day's loss its worst hour was; an hour may lose more than the day, where others win some back."""
    if lost > of_day + WORTH_NAMING:
        return f"{money(lost, currency)} was lost, and some of it won back at other times, in"
    amount = money(lost, currency)
    return f"Most of it, {amount}, went in" if lost > of_day / 2 else f"{amount} of it went in"


def _did(power_kw: float) -> str:
    """What a system did to the meter: gave power to the site, or took it."""
    if abs(power_kw) < 0.05:
        return "did nothing"
    return f"gave {power_kw:.1f} kW" if power_kw > 0 else f"took {-power_kw:.1f} kW"


def _period_entries(scenario: Scenario, cases: dict[str, DayCase]) -> list[dict[str, Any]]:
    """What is charged by the billing period or longer, such as demand, one entry a period."""
    currency = scenario.file.currency
    sums: dict[str, dict[str, list[float]]] = {}
    for place, case in enumerate((cases[LOGGED], cases[CEILING])):
        for line in case.lines:
            if line.per == STEP or line.per.kind == "day":
                continue
            labels = scenario.timeline.groups(line.per).labels
            for label, value in zip(labels, np.asarray(line.values, float), strict=True):
                pair = sums.setdefault(label, {}).setdefault(line.name, [0.0, 0.0])
                pair[place] -= float(value)
    entries = []
    for label, lines in sums.items():
        lost = sum(one - other for one, other in lines.values())
        moved = sorted(
            (pair for pair in lines.items() if abs(pair[1][0] - pair[1][1]) > WORTH_NAMING),
            key=lambda pair: -abs(pair[1][0] - pair[1][1]),
        )
        words = "; ".join(
            f"{name} {money(one, currency)}, {money(other, currency)} by the best schedule"
            for name, (one, other) in moved
        )
        entries.append({"when": label, "kind": "billing period", "lost": lost, "words": f"{words}."})
    return entries


def _worst_steps(flows: pd.DataFrame, lost: np.ndarray) -> pd.DataFrame:
    """The steps that cost most beside the best schedule."""
    frame = flows.reset_index(drop=True).assign(lost=lost)
    frame = frame[frame["lost"] > WORTH_NAMING]
    return frame.sort_values("lost", ascending=False, kind="stable").head(SHOWN).reset_index(drop=True)


def _store_notes(best: Dispatch, store: LoggedStore | None) -> list[str]:
    banks = best.scenario.storage
    if not banks or store is not None:
        return []
    start, end = sum(bank.start_kwh for bank in banks), sum(bank.end_kwh for bank in banks)
    ways = f"starts with {start:.2f} kWh in store and ends with at least {end:.2f} kWh"
    worth = float(np.nan_to_num(np.concatenate(list(best.worth_per_kwh.values()))).mean())
    capacity = sum(bank.capacity_kwh for bank in banks)
    return [
        f"The log does not say what was stored (--stored): the best schedule {ways}, as the scenario says. If the "
        "log's store stood otherwise at its start or end, up to "
        f"{money(abs(worth) * capacity, best.scenario.file.currency)} of the difference may be that "
        f"({capacity:g} kWh at {worth:.3f})."
    ]


def _clock_notes(log: Log) -> list[str]:
    """A warning where the log fits the scenario's load and sun much better some hours away."""
    timeline = log.scenario.timeline
    before = before_flows(log.scenario)
    expected, seen = before.import_kw - before.export_kw, log.import_kw - log.export_kw
    if timeline.hours < 24 * CLOCK_DAYS or np.std(expected) < 1e-9 or np.std(seen) < 1e-9:
        return []
    hours = range(-CLOCK_HOURS, CLOCK_HOURS + 1)
    per_hour = 60 // timeline.step_minutes
    alike = {h: float(np.corrcoef(np.roll(seen, h * per_hour), expected)[0, 1]) for h in hours}
    best = max(alike, key=lambda h: alike[h])
    if best == 0 or alike[best] < CLOCK_LIKENESS or alike[best] - alike[0] < CLOCK_GAIN:
        return []
    way = "later" if best > 0 else "earlier"
    return [
        f"The log fits the scenario's load and sun much better {abs(best)} h {way} (likeness {alike[best]:.2f} "
        f"instead of {alike[0]:.2f}): check --zone and --stamps."
    ]


def _beyond_notes(cases: Sequence[DayCase]) -> list[str]:
    amounts = {case.name: case.to_pay for case in cases}
    notes = []
    if amounts[LOGGED] < amounts[CEILING] - WORTH_NAMING:
        notes.append(
            "The log did better than the best schedule within the scenario's limits: its load or sun differ from the "
            "scenario's, its store ended emptier, or limits, efficiencies or wear are set too tight."
        )
    notes.append(
        "Load and sun of the best schedule and of the case without the system are the scenario's series of these days; "
        "where they differ from what happened, so does the comparison."
    )
    return notes


def refuse_replacing(folder: Path, overwrite: bool) -> None:
    """Refuse a folder that holds a look back already, unless it may be replaced."""
    there = [str(path) for path in _paths(folder).values() if os.path.lexists(path)]
    if there and not overwrite:
        raise OptimiserError(
            f"{there[0]} is there already, and not written over. Say --overwrite, or another --out."
        )


def _paths(folder: Path) -> dict[str, Path]:
    paths = {"page": folder / "lookback.html", "summary": folder / "lookback.json"}
    return paths | {name: folder / f"lookback-{name}.csv" for name in TABLES}


def write_look_back(made: LookBack, folder: str | Path, overwrite: bool = False) -> dict[str, Path]:
    """Write the page, the tables and the summary, all or none.

    Returns
    -------
    dict of str to Path
        "page", "lines", "days", "differences", "steps" and "summary".

    Raises
    ------
    OptimiserError
        If a file is there already, or the folder cannot be written to.
    """
    from optimiser.report.lookback import page

    folder = Path(folder)
    refuse_replacing(folder, overwrite)
    frames = {name: getattr(made, name) for name in TABLES}
    paths = _paths(folder)
    files: dict[Path, Content] = {
        paths["page"]: page(made.summary, frames, made.flows),
        paths["summary"]: made.summary,
    }
    write_files(files | {paths[name]: frame for name, frame in frames.items()})
    return paths
