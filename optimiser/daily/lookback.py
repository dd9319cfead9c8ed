"""What a log of real operation came to under the contract, beside no system and the best schedule of the same days."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from optimiser.accounts.billing import Columns
from optimiser.accounts.settlement import before_flows
from optimiser.columns import EXPORT_PRICE, IMPORT_PRICE, START, START_LOCAL
from optimiser.daily.cases import CEILING, LOGGED, NO_SYSTEM, DayCase, billed, by_step_of, case_of, lines_of
from optimiser.daily.differences import SHOWN, WORTH_NAMING, day_entries, period_entries, worst_steps
from optimiser.daily.log import Log, LoggedStore, read_log
from optimiser.daily.steered import COLUMNS, Compared, by_controller
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.errors import DriftError, InfeasibleError, OptimiserError
from optimiser.flows import MeterFlows
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario
from optimiser.summary.look_back import BestProof, LookBackSummary, MeteredEnergy
from optimiser.words import money
from optimiser.writing import Content, write_files

TABLES = ("lines", "days", "differences", "steps", "modes")
A_CENT = 0.01
CLOCK_DAYS, CLOCK_HOURS, CLOCK_LIKENESS, CLOCK_GAIN = 3, 12, 0.8, 0.1


@dataclass(frozen=True)
class LookBack:
    """The comparison.

    Attributes
    ----------
    summary : LookBackSummary
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
    modes : DataFrame
        One row a stretch in which the log and a controller were in modes of their own (`steered.Compared.modes`).
    """

    summary: LookBackSummary
    lines: pd.DataFrame
    days: pd.DataFrame
    differences: pd.DataFrame
    steps: pd.DataFrame
    flows: pd.DataFrame
    modes: pd.DataFrame


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
        Whether to run the days under the scenario's policies and by a controller too, which know nothing of the days
        to come.
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
    controller = by_controller(found, best) if policies else None
    if controller is not None:
        cases.append(controller.case)
        without += controller.notes
    cases.append(case_of(CEILING, best))
    notes = [*found.notes, *without, *_clock_notes(found), *_store_notes(best, store), *_beyond_notes(cases)]
    return compared(found, cases, best, notes, controller)


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


def compared(
    log: Log,
    cases: Sequence[DayCase],
    best: Dispatch,
    notes: Sequence[str],
    controller: Compared | None = None,
) -> LookBack:
    """Cases side by side, and what the log lost beside the best schedule, the last of them."""
    scenario = log.scenario
    flows = _flows(scenario, cases)
    by_step = {case.name: by_step_of(case, scenario.timeline) for case in cases}
    day = scenario.timeline.local().strftime("%Y-%m-%d")
    days = pd.DataFrame(by_step).groupby(day, sort=True).sum().rename_axis("day").reset_index()
    days["lost"] = days[LOGGED] - days[CEILING]
    lost = by_step[LOGGED] - by_step[CEILING]
    entries = [
        *day_entries(scenario, days, flows, lost),
        *period_entries(scenario, {case.name: case for case in cases}),
    ]
    entries = sorted((e for e in entries if e["lost"] > WORTH_NAMING), key=lambda e: -e["lost"])
    named = pd.DataFrame(entries[:SHOWN], columns=["when", "kind", "lost", "words"])
    amounts = {case.name: case.to_pay for case in cases}
    earned, possible = amounts[NO_SYSTEM] - amounts[LOGGED], amounts[NO_SYSTEM] - amounts[CEILING]
    timeline = scenario.timeline
    summary = LookBackSummary(
        title=scenario.file.title,
        invented=scenario.file.invented,
        currency=scenario.file.currency,
        log=log.path.name,
        zone=timeline.zone,
        first_day=str(days["day"].iloc[0]),
        last_day=str(days["day"].iloc[-1]),
        days=len(days),
        step_minutes=timeline.step_minutes,
        to_pay=amounts,
        earned=earned,
        possible=possible,
        lost=amounts[LOGGED] - amounts[CEILING],
        reached=bool(amounts[LOGGED] <= amounts[CEILING] + A_CENT),
        share_of_possible=earned / possible if possible > WORTH_NAMING else None,
        energy={
            case.name: MeteredEnergy(
                imported_kwh=float(case.import_kw.sum() * timeline.step_hours),
                exported_kwh=float(case.export_kw.sum() * timeline.step_hours),
            )
            for case in cases
        },
        proof=BestProof(
            verdict=best.proof.verdict,
            gap_relative=best.proof.gap_relative,
            gap_absolute=best.proof.gap_absolute,
            turnover=best.proof.turnover,
        ),
        modes_agreed_share=None if controller is None else controller.agreed_share,
        notes=tuple(notes),
    )
    steps = worst_steps(flows, lost)
    modes = pd.DataFrame(columns=COLUMNS) if controller is None else controller.modes
    return LookBack(summary, lines_of(scenario, cases), days, named, steps, flows, modes)


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
        paths["summary"]: made.summary.as_dict(),
    }
    write_files(files | {paths[name]: frame for name, frame in frames.items()})
    return paths
