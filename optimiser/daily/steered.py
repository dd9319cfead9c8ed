"""What a controller would have done on the days of a log, from what its store held, and where they differ.

Nobody writes a log's modes down, so they are read from its meter beside the scenario's load and sun.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd

from optimiser.columns import (
    CHARGE,
    DISCHARGE,
    EXPORT,
    EXPORT_PRICE,
    IMPORT,
    IMPORT_PRICE,
    LOAD,
    MODE,
    REASON,
    SOLAR,
    START_LOCAL,
    STORED,
    STORED_WORTH,
)
from optimiser.control.chosen import Candidate, choose
from optimiser.control.modes import WORDS, Mode
from optimiser.control.own_use import OwnUse
from optimiser.control.reasons import REASONS, Steered, explained, read_modes, said
from optimiser.control.stored_worth import StoredWorth
from optimiser.daily.cases import LOGGED, DayCase, billed, by_step_of
from optimiser.daily.log import Log
from optimiser.dispatch import Dispatch
from optimiser.errors import ScenarioError
from optimiser.flows import MeterFlows
from optimiser.plant.walk import SHORT, Commands, Plant, Walk
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary, warmed_up
from optimiser.timeline import Grouping

BY_CONTROLLER = "a controller from the log's store"
CANDIDATES = (Candidate("own use", OwnUse), Candidate("stored worth", StoredWorth))
DAYS_BEFORE = (56, 28, 14, 7)  # the most of which the scenario's files hold are learnt from
STILL_KW = 0.05  # what a meter and a scenario's load may differ by and nothing moves
COLUMNS = ["from_local", "to_local", "log_mode", "controller_mode", "why", "lost"]


@dataclass(frozen=True)
class Compared:
    """A controller beside a log.

    Attributes
    ----------
    case : DayCase
    modes : DataFrame
        One row a stretch in which the modes differ: from_local, to_local, log_mode, controller_mode, why (the
        controller's), lost (what the log paid more in it, by lines charged by the step).
    agreed_share : float
        Of the steps, those in which both were in one mode. [-]
    notes : tuple of str
    """

    case: DayCase
    modes: pd.DataFrame
    agreed_share: float
    notes: tuple[str, ...]


def by_controller(log: Log, best: Dispatch) -> Compared | None:
    """A controller's days beside a log's; None where there is nothing to steer, or no limit could be kept.

    Parameters
    ----------
    log : Log
    best : Dispatch
        The best schedule of the same days.
    """
    days = log.scenario
    if not days.storage or not days.site.inverter:
        return None
    longer, learnt = _with_days_before(days)
    plant = Plant(longer)
    choice = choose(plant, CANDIDATES, run=days)
    ran = choice.ran[days.timeline.groups(days.tariff.period).of_step]
    controllers = [candidate.make(plant) for candidate in CANDIDATES]
    walk = _day_by_day(plant, log, controllers, ran)
    if walk.short.max() > SHORT:
        return None
    case = billed(
        BY_CONTROLLER,
        days,
        MeterFlows(
            walk.import_kw[:, 0],
            walk.export_kw[:, 0],
            walk.import_kw[:, 0],
            walk.export_kw[:, 0],
            plant.load_kw[-days.timeline.steps :].sum(axis=1),
        ),
        days.tariff,
    )
    frame = _frame(days, plant, walk)
    told = explained(best, frame, _steered(controllers, ran, plant.steps - days.timeline.steps))
    logged = read_modes(_log_frame(log, frame))
    modes = _differing(log, case, told, logged)
    agreed = float((logged == told[MODE].to_numpy(int)).mean())
    return Compared(case, modes, agreed, tuple(_notes(log, learnt, choice.words())))


def _with_days_before(days: Scenario) -> tuple[Scenario, int]:
    """The days with as many before them as the files hold, and how many those are."""
    for count in DAYS_BEFORE:
        try:
            more = {"foresight.warm_up_days": count, "foresight.headline": None}
            return warmed_up(vary(days, more)), count
        except ScenarioError:
            continue
    return days, 0


def _day_by_day(plant: Plant, log: Log, controllers: list[Commands], ran: np.ndarray) -> Walk:
    """Each day walked from what the log held at its midnight; from the day before where it does not say."""
    timeline = log.scenario.timeline
    lead = plant.steps - timeline.steps
    edges = np.append(timeline.groups(Grouping("day", timeline.zone)).first_step, timeline.steps)
    stored, parts = plant.stores.start_kwh[None], []
    for number, (first, stop) in enumerate(pairwise(edges)):
        held = log.held_fraction[number] if number < len(log.held_fraction) else np.nan
        if np.isfinite(held):
            stored = (held * plant.stores.capacity_kwh)[None]
        for one in np.unique(ran[first:stop]):
            steps = first + np.flatnonzero(ran[first:stop] == one)
            parts.append(plant.walk(controllers[one], steps=lead + steps, start_kwh=stored))
            stored = parts[-1].stored_kwh[-1]
    names = vars(parts[0])
    return Walk(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _steered(controllers: list[Commands], ran: np.ndarray, lead: int) -> Steered:
    mode, worth = np.full(len(ran), Mode.COVER_LOAD, int), np.full(len(ran), np.nan)
    for number, controller in enumerate(controllers):
        if isinstance(controller, StoredWorth):
            mine = ran == number
            mode[mine] = controller.modes[lead:][mine]
            worth[mine] = controller.worth_per_kwh[lead:][mine]
    return Steered(tuple(candidate.name for candidate in CANDIDATES), ran, mode, worth)


def _frame(days: Scenario, plant: Plant, walk: Walk) -> pd.DataFrame:
    data, steps = days.data, days.timeline.steps
    return pd.DataFrame(
        {
            START_LOCAL: [stamp.isoformat() for stamp in days.timeline.local()],
            LOAD: plant.load_kw[-steps:].sum(axis=1),
            SOLAR: walk.solar_kw[:, 0].sum(axis=1) + walk.ac_solar_kw[:, 0].sum(axis=1),
            CHARGE: walk.charge_kw[:, 0].sum(axis=1),
            DISCHARGE: walk.discharge_kw[:, 0].sum(axis=1),
            STORED: walk.stored_kwh[:, 0].sum(axis=1),
            IMPORT: walk.import_kw[:, 0],
            EXPORT: walk.export_kw[:, 0],
            IMPORT_PRICE: days.tariff.import_price(data),
            EXPORT_PRICE: days.tariff.export_price(data),
        }
    )


def _log_frame(log: Log, frame: pd.DataFrame) -> pd.DataFrame:
    """What the log's store must have given or taken for its meter to see what it saw."""
    given = frame[LOAD] - frame[SOLAR] - log.import_kw + log.export_kw

    def moved(kw: np.ndarray) -> np.ndarray:
        return np.where(kw > STILL_KW, kw, 0.0)

    return frame.assign(
        **{
            CHARGE: moved(-given.to_numpy(float)),
            DISCHARGE: moved(given.to_numpy(float)),
            IMPORT: moved(log.import_kw),
            EXPORT: moved(log.export_kw),
        }
    )


def _differing(log: Log, case: DayCase, told: pd.DataFrame, logged: np.ndarray) -> pd.DataFrame:
    """Stretches in which the two were in modes of their own."""
    timeline = log.scenario.timeline
    paid = billed(
        LOGGED,
        log.scenario,
        MeterFlows(log.import_kw, log.export_kw, log.import_kw, log.export_kw, told[LOAD].to_numpy(float)),
        log.scenario.tariff,
    )
    lost = by_step_of(paid, timeline) - by_step_of(case, timeline)
    keys = np.stack([logged, told[MODE].to_numpy(int), told[REASON].to_numpy(int)], axis=1)
    firsts = np.flatnonzero(np.r_[True, (np.diff(keys, axis=0) != 0).any(axis=1)])
    local = told[START_LOCAL].tolist()
    end = datetime.fromisoformat(local[-1]) + timedelta(minutes=timeline.step_minutes)
    local = [*local, end.isoformat()]
    worth = told[STORED_WORTH] if STORED_WORTH in told else pd.Series(np.nan, told.index)
    columns = [part.to_numpy(float) for part in (told[IMPORT_PRICE], told[EXPORT_PRICE], worth, told[IMPORT])]
    rows = []
    for first, stop in zip(firsts.tolist(), [*firsts[1:].tolist(), len(told)], strict=True):
        did, would, why = keys[first].tolist()
        if did == would:
            continue
        into, out, kept, imported = (column[first:stop] for column in columns)
        rows.append(
            (
                local[first],
                local[stop],
                WORDS[Mode(did)],
                WORDS[Mode(would)],
                said(REASONS[why], into, out, kept, imported),
                float(lost[first:stop].sum()),
            )
        )
    return pd.DataFrame(rows, columns=COLUMNS)


def _notes(log: Log, learnt: int, ran: str) -> list[str]:
    known = f"learnt from {learnt} days before the log" if learnt else "knows nothing of days before the log"
    held = np.isfinite(log.held_fraction).any()
    start = (
        "begins each day with what the log held at midnight"
        if held
        else "begins with what the scenario's store holds and goes on from there, since the log does not say"
    )
    return [
        f"The controller {known}, {start}, and never sees what comes: {ran}. The log's modes are read from its meter "
        "beside the scenario's load and sun; what a mode costs or saves later in the day is not in its own row."
    ]
