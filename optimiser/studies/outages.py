"""How long the critical load rides through an outage that starts at any moment, and what the reserve for it costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.equipment.backup import Backup, backed_up_share
from optimiser.finance.yearly import is_year, yearly_saving
from optimiser.plant.outages import ENDINGS, LASTS, Island, Rides, follow, island_of
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.studies.without_foresight import paid_for
from optimiser.study import Figures, Study

SPANS_H = (1, 2, 4, 8, 24)
LEAST_MINUTES_APART = 30
WORST_SHOWN = 20
# What the schedule held, the least that its reserve promises, and a schedule made without any reserve.
DISPATCHED, RESERVE_ALONE, NO_RESERVE = "as scheduled", "the reserve alone", "scheduled without the reserve"


class Lasting(Figures):
    """How long outages last over all their starts. [h]"""

    least_hours: float
    median_hours: float
    mean_hours: float
    worst_one_percent_hours: float


class PhaseLoad(Figures):
    """What a phase must carry against what its inverters can, running and while motors start."""

    phase: str
    mean_kw: float
    most_kw: float
    rating_kw: float
    share_within_rating: float
    surge_kw: float
    surge_rating_kw: float
    share_surge_carried: float


class OutageFigures(Figures):
    """How long the critical load lasts, from every start, and why it ends."""

    followed_hours: int
    starts: int
    critical_load: str
    wanted_hours: float | None
    share_wanted: float | None
    cases: dict[str, Lasting]
    endings: dict[str, float]
    phases: list[PhaseLoad]
    notes: list[str]


class ReserveCostFigures(Figures):
    """What the reserve costs [currency], and how long outages last with it and without."""

    saving_with: float
    saving_without: float
    cost: float
    cost_per_year: float
    scaled_to_year: bool
    known_within: float
    mean_reserve_kwh: float
    cases: dict[str, Lasting]


@dataclass(frozen=True)
class Outages:
    """Outages from many starts of a schedule.

    Attributes
    ----------
    island : Island
    first : int array of shape (starts,)
        Step in which each begins.
    stored_kwh : array of shape (banks, starts)
        What the banks held. [kWh]
    rides : Rides
    """

    island: Island
    first: np.ndarray
    stored_kwh: np.ndarray
    rides: Rides


def study(statement: Statement, say: Progress, without: Study | None = None) -> Study | None:
    """The study `outages`, from what the schedule that payback rests on holds in store.

    None where no critical load and no reserve is named, or there is no inverter or bank.

    Its tables are `starts` (every start: what was held, how long it lasts, why it ends), `spans` (share of the starts
    that last so long), `hours` (by month and hour of the day), `worst` (the shortest of each of the worst days) and
    `phases` (ratings against load and surge).
    """
    dispatch = paid_for(statement, without).dispatch
    scenario = dispatch.scenario
    if not _arises(scenario):
        return None
    backup = scenario.file.backup or Backup()
    found = ride_out(dispatch, backup)
    phases = _phases(scenario, backup, found)
    cases = {DISPATCHED: found.rides}
    if _has_reserve(scenario):
        cases[RESERVE_ALONE] = _from_reserve(dispatch, backup, found)
    figures = OutageFigures(
        followed_hours=backup.hours,
        starts=len(found.first),
        critical_load=_words(backup),
        wanted_hours=backup.wanted_hours,
        share_wanted=found.rides.share_lasting(backup.wanted_hours) if backup.wanted_hours else None,
        cases={name: _lasting(rides) for name, rides in cases.items()},
        endings=_endings(found.rides),
        phases=[PhaseLoad.model_validate(row) for row in phases.to_dict(orient="records")],
        notes=_notes(scenario, backup),
    )
    starts = _starts(scenario, found)
    tables = {
        "starts": starts,
        "spans": _spans(cases, backup.hours),
        "hours": _by_hour(scenario, found),
        "worst": _worst(starts),
        "phases": phases,
    }
    return Study(figures.model_dump(), tables, tuple(_warnings(scenario, backup, found.rides, phases)))


def reserve_cost(statement: Statement, say: Progress) -> Study | None:
    """The study `reserve_cost`: the schedule made again without any reserve; None where no reserve is kept."""
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    if not _has_reserve(scenario):
        return None
    free = vary(scenario, {f"storage.{number}.reserve": [] for number in range(len(scenario.storage))})
    other = settle(solve(free, start=dispatch, progress=say))
    backup = scenario.file.backup or Backup()
    cases = {
        DISPATCHED: ride_out(dispatch, backup).rides,
        NO_RESERVE: ride_out(other.dispatch, backup).rides,
    }
    cost = other.saving - statement.saving
    kept = sum(bank.reserve_kwh(scenario.timeline).mean() for bank in scenario.storage)
    gaps = dispatch.proof.gap_absolute + other.dispatch.proof.gap_absolute
    figures = ReserveCostFigures(
        saving_with=statement.saving,
        saving_without=other.saving,
        cost=cost,
        cost_per_year=yearly_saving(other) - yearly_saving(statement),
        scaled_to_year=not is_year(scenario.timeline.hours),
        known_within=gaps,
        mean_reserve_kwh=float(kept),
        cases={name: _lasting(rides) for name, rides in cases.items()},
    )
    return Study(figures.model_dump(), {"spans": _spans(cases, backup.hours)})


def ride_out(dispatch: Dispatch, backup: Backup) -> Outages:
    """Outages that begin at every step of a schedule, or every half hour where steps are shorter."""
    island = island_of(dispatch.scenario, backup)
    stride = max(1, LEAST_MINUTES_APART // dispatch.scenario.timeline.step_minutes)
    first = np.arange(0, island.steps, stride)
    banks = dispatch.flows.banks
    stored = np.array([banks[bank.name].start_kwh[first] for bank in island.stores.banks])
    return Outages(island, first, stored, follow(island, stored, first, backup.hours))


def _from_reserve(dispatch: Dispatch, backup: Backup, found: Outages) -> Rides:
    """The same outages met with no more than each bank's reserve, where the schedule may have stood at its floor."""
    timeline = dispatch.scenario.timeline
    floors = []
    for bank, held in zip(found.island.stores.banks, found.stored_kwh, strict=True):
        at_end = bank.reserve_kwh(timeline)
        floors.append(np.minimum(np.r_[at_end[0], at_end[:-1]][found.first], held))
    return follow(found.island, np.array(floors), found.first, backup.hours)


def _arises(scenario: Scenario) -> bool:
    named = scenario.file.backup is not None or _has_reserve(scenario)
    return bool(named and scenario.site.inverter and scenario.storage)


def _has_reserve(scenario: Scenario) -> bool:
    return any(reserve.fraction > 0 for bank in scenario.storage for reserve in bank.reserve)


def _words(backup: Backup) -> str:
    if not backup.load:
        return "all load that is wired behind the inverters"
    return "the critical load that [backup] lists"


def _lasting(rides: Rides) -> Lasting:
    return Lasting(
        least_hours=float(rides.hours.min()),
        median_hours=float(np.median(rides.hours)),
        mean_hours=float(rides.hours.mean()),
        worst_one_percent_hours=float(np.quantile(rides.hours, 0.01)),
    )


def _endings(rides: Rides) -> dict[str, float]:
    counts = np.bincount(rides.ending, minlength=len(ENDINGS)) / len(rides.ending)
    return {name: float(share) for name, share in zip(ENDINGS, counts, strict=True) if share}


def _spans(cases: dict[str, Rides], followed: int) -> pd.DataFrame:
    """Share of the starts that last at least so many hours, a column a case."""
    spans = sorted({*(span for span in SPANS_H if span <= followed), followed})
    frame = pd.DataFrame({"at_least_hours": spans})
    for name, rides in cases.items():
        frame[name] = [rides.share_lasting(span) for span in spans]
    return frame


def _starts(scenario: Scenario, found: Outages) -> pd.DataFrame:
    local = scenario.timeline.local()[found.first]
    return pd.DataFrame(
        {
            "starts_local": [stamp.isoformat() for stamp in local],
            "stored_kwh": found.stored_kwh.sum(axis=0),
            "critical_kw": sum(load[found.first] for load in found.island.critical_kw.values()),
            "hours": found.rides.hours,
            "ends_by": np.array(ENDINGS)[found.rides.ending],
        }
    )


def _by_hour(scenario: Scenario, found: Outages) -> pd.DataFrame:
    local = scenario.timeline.local()[found.first]
    frame = pd.DataFrame(
        {"month": local.strftime("%Y-%m"), "hour": local.hour, "lasts": found.rides.hours}
    ).groupby(["month", "hour"])["lasts"]
    return frame.agg(median_hours="median", least_hours="min", starts="count").reset_index()


def _worst(starts: pd.DataFrame) -> pd.DataFrame:
    """The shortest ride of each of the days with the shortest, so that one bad night is not all there is to see."""
    ranked = starts.sort_values("hours", kind="stable")
    first_of_day = ~ranked["starts_local"].str[:10].duplicated()
    return ranked[first_of_day].head(WORST_SHOWN).reset_index(drop=True)


def _phases(scenario: Scenario, backup: Backup, found: Outages) -> pd.DataFrame:
    """A row a phase: what it must carry against what its inverters can, running and while motors start."""
    site, rows = scenario.site, []
    for phase, load in found.island.critical_kw.items():
        rating, surge = found.island.rating_kw[phase], backup.surge_kw(site, phase)
        short = sum(site.share(i, phase) * (i.surge_kw or i.output_kw) for i in site.inverter)
        rows.append(
            {
                "phase": phase,
                "mean_kw": float(load.mean()),
                "most_kw": float(load.max()),
                "rating_kw": float(rating),
                "share_within_rating": float(np.mean(load <= rating + 1e-9)),
                "surge_kw": float(surge),
                "surge_rating_kw": float(short),
                "share_surge_carried": float(np.mean(load + surge <= short + 1e-9)),
            }
        )
    return pd.DataFrame(rows)


def _warnings(scenario: Scenario, backup: Backup, rides: Rides, phases: pd.DataFrame) -> list[str]:
    found = []
    if backup.wanted_hours is not None and rides.share_lasting(backup.wanted_hours) < 1:
        found.append(
            f"Outages: the critical load lasts the {backup.wanted_hours:g} h wanted from "
            f"{_floored_percent(rides.share_lasting(backup.wanted_hours))} of the starts, and "
            f"{rides.hours.min():.1f} h from the worst. What ends them most often: {_main_ending(rides)}."
        )
    for row in phases.to_dict(orient="records"):
        if row["surge_kw"] and row["share_surge_carried"] < 1:
            found.append(
                f"Outages: on {row['phase']} the running load and {row['surge_kw']:g} kW of starting surge are within "
                f"the {row['surge_rating_kw']:g} kW that its inverters give for a moment in "
                f"{_floored_percent(row['share_surge_carried'])} of the steps; start motors by turns or softly."
            )
    for index, load in enumerate(backup.load):
        shares = [
            backed_up_share(scenario.site, p)
            for p in scenario.site.phase_names
            if scenario.site.share(load, p)
        ]
        if load.load_share is not None and load.load_share > min(shares) + 1e-9:
            found.append(
                f"Outages: backup.load.{index}.load_share is {load.load_share:g}, but only {min(shares):g} of the load "
                "of its phase is wired behind an inverter (backed_up_share); what is not stays dark."
            )
    return found


def _main_ending(rides: Rides) -> str:
    short = {name: share for name, share in _endings(rides).items() if name != ENDINGS[LASTS]}
    return max(short, key=lambda name: short[name])


def _floored_percent(share: float) -> str:
    """A share that is short of all never reads as all."""
    return f"{np.floor(share * 1000) / 10:g} %"


def _notes(scenario: Scenario, backup: Backup) -> list[str]:
    site, notes = scenario.site, []
    notes.append(
        "An outage begins at the start of each step (each half hour where steps are shorter) with the energy that the "
        "schedule holds then; the reserve may be used. It ends when the load cannot be carried for the first time, "
        "even if the sun could carry it again later."
    )
    notes.append(
        "Load, DC load and sun follow their series; after the last day the first comes again. Standby is drawn "
        "throughout. Solar on the DC side goes on charging."
    )
    if site.ac_solar:
        notes.append(
            "Solar on the AC side is taken to run beside the inverters (backup.ac_solar)."
            if backup.ac_solar
            else "Solar on the AC side is taken to be off while the grid is away (backup.ac_solar = false)."
        )
    shed = [load for load in site.dc_load if load.shed_below is not None]
    if shed:
        order = sorted(shed, key=lambda load: -(load.shed_below or 0.0))
        listed = ", then ".join(f"{load.name} below {100 * (load.shed_below or 0.0):g} %" for load in order)
        notes.append(
            f"Loads on the DC bus are shed by the energy held at the start of a step: {listed}; all of them before the "
            "bus is lost. What they miss is not counted."
        )
    if not backup.load:
        notes.append("No critical load is listed under [backup], so all load behind the inverters stays on.")
    if any(bank.kind == "battery" for bank in scenario.storage):
        notes.append("A battery's voltage is taken as constant; how limits fall near empty is left out.")
    if backup.load and any(load.surge_kw for load in backup.load):
        unknown = [i.name for i in site.inverter if i.surge_kw is None]
        if unknown:
            notes.append(
                f"No surge_kw is given for {', '.join(unknown)}: the continuous rating counts instead."
            )
        notes.append(
            "Surge is held against the inverters alone, not against breakers or the banks' currents."
        )
    notes.append(
        "Inverters are taken to make a grid of their own, phases in step, without a gap that matters; many need a "
        "setting, a neutral link or a switch for it."
    )
    return notes
