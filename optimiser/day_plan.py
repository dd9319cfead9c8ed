"""The next day or two of set-points from a forecast and what the store holds now, each with its reason in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.errors import ScenarioError, SeriesError
from optimiser.scenario import Scenario, least_of, vary
from optimiser.series import Source, Table, lay, read_table
from optimiser.terms import SettledTerms
from optimiser.timeline import Timeline
from optimiser.writing import write_files

FEWEST_HOURS = 12
MOVES_KW = 0.01  # less is standing still
REPEATED_HOURS = 24
WORTHLESS = 0.005  # worth of a kWh that is as good as none


@dataclass(frozen=True)
class DayPlan:
    """Set-points and their reasons.

    Attributes
    ----------
    summary : dict
    steps : DataFrame
        One row a step of the forecast: local start, net AC power of each inverter (output positive), charge and
        discharge of storage, stored energy and its share at the end of the step, expected load, solar, import and
        export, net import of each phase, prices, worth of stored energy, what is done, why.
    """

    summary: dict[str, Any]
    steps: pd.DataFrame


def read_forecast(
    path: str | Path, scenario: Scenario, *, stamps: Literal["start", "end"] = "start"
) -> Table:
    """Read a forecast: a table with stamps in `interval_start` and a column for each series of the scenario.

    A column is named like the series, "site.load_kw", or by the part after the point where that is enough.

    Raises
    ------
    SeriesError
        With every fault of the file.
    """
    span = scenario.timeline
    source = Source(file=str(path), stamps=stamps, zone=span.zone, step_minutes=span.step_minutes)
    return read_table("forecast", source, Path(path), "Check --forecast.")


def forecast_scenario(scenario: Scenario, table: Table, stored_fraction: float) -> tuple[Scenario, int]:
    """The scenario over a forecast's span, and the steps of it; a day more follows that is like the forecast's last.

    What lies beyond a forecast decides what its last hours are worth; its last day is taken to come again, and the
    store to be as full then as it is kept at least.

    Raises
    ------
    SeriesError
        With every series that the forecast lacks or that does not fit, or a span that is too short.
    ScenarioError
        If the stored share is below what the store is to keep.
    """
    place = str(table.path)
    step = scenario.timeline.step_minutes
    steps = len(table.starts)
    if steps * step < FEWEST_HOURS * 60:
        raise SeriesError(
            place, [f"holds {steps * step / 60:g} hours, at least {FEWEST_HOURS} are needed. Add more."]
        )
    zone = scenario.timeline.zone
    own = Timeline(
        table.starts[0].tz_convert(scenario.timeline.local().tz).to_pydatetime(), step, steps, zone
    )
    again = min(steps, REPEATED_HOURS * 60 // step)
    whole = replace(own, steps=steps + again)
    columns, faults = {}, []
    for name, least in least_of(scenario.file).items():
        try:
            values = lay(table, _column(table, name), own, least)
        except SeriesError as error:
            faults += error.faults
            continue
        columns[name] = np.concatenate([values, values[steps - again :]])
    if faults:
        raise SeriesError(place, list(dict.fromkeys(faults)))
    changes: dict[str, Any] = {}
    for number, bank in enumerate(scenario.storage):
        floor = float(np.max(bank.floor_kwh(whole))) / bank.capacity_kwh
        if stored_fraction < floor - 1e-9:
            raise ScenarioError(
                place,
                [
                    f"{bank.name} holds {100 * stored_fraction:g} % now, less than the {100 * floor:g} % of its "
                    "reserve. Lower the reserve, or plan from when it is full enough."
                ],
            )
        changes |= {
            f"storage.{number}.start_fraction": stored_fraction,
            f"storage.{number}.end_fraction": floor,
        }
    begun = vary(scenario, changes) if changes else scenario
    return replace(begun, timeline=whole, columns=columns), steps


def _column(table: Table, reference: str) -> str:
    """The forecast's name for a series."""
    short = reference.partition(".")[2]
    return reference if reference in table.frame.columns or short not in table.frame.columns else short


def plan_day(
    scenario: Scenario, table: Table, stored_fraction: float, *, progress: Progress | None = None
) -> DayPlan:
    """Plan the span of a forecast from what is stored now.

    Parameters
    ----------
    scenario : Scenario
    table : Table
        From `read_forecast`.
    stored_fraction : float
        Share of each bank's usable energy that it holds now. [-]
    progress : callable, optional

    Raises
    ------
    ScenarioError
        With every fault of the forecast.
    InfeasibleError, UnprovenError
        If there is no plan.
    """
    begun, steps = forecast_scenario(scenario, table, stored_fraction)
    dispatch = solve(begun, progress=progress)
    frame = _steps(dispatch).iloc[:steps].copy()
    acts, reasons = _words(frame)
    frame["does"], frame["why"] = acts, reasons
    proof = dispatch.proof
    summary = {
        "title": f"Plan for {scenario.file.title}",
        "invented": scenario.file.invented,
        "currency": scenario.file.currency,
        "zone": scenario.timeline.zone,
        "start": frame["interval_start_local"].iloc[0],
        "steps": steps,
        "step_minutes": scenario.timeline.step_minutes,
        "stored_fraction": stored_fraction,
        "verdict": proof.verdict,
        "gap_relative": proof.gap_relative,
        "import_kwh": float(frame["import_kw"].sum() * scenario.timeline.step_hours),
        "export_kwh": float(frame["export_kw"].sum() * scenario.timeline.step_hours),
        "forecast": str(table.path),
    }
    return DayPlan(summary, frame.reset_index(drop=True))


def _steps(dispatch: Dispatch) -> pd.DataFrame:
    """The schedule as set-points and what is expected around them."""
    scenario, flows, values = dispatch.scenario, dispatch.flows, dispatch.values
    site, terms = scenario.site, SettledTerms(scenario.timeline, scenario.read, values)
    zero = np.zeros(scenario.timeline.steps)
    capacity = sum(bank.capacity_kwh for bank in scenario.storage)
    solar = [f"controller.{c.name}" for c in site.solar_controller] + [
        f"ac_solar.{s.name}" for s in site.ac_solar
    ]
    made: dict[str, Any] = {
        "interval_start_local": [stamp.isoformat() for stamp in scenario.timeline.local()]
    }
    for name, flow in flows.inverters.items():
        made[f"inverter.{name}.net_kw"] = flow.output_kw - flow.intake_kw
    banks = list(flows.banks.values())
    made["charge_kw"] = sum((flow.charge_kw for flow in banks), zero)
    made["discharge_kw"] = sum((flow.discharge_kw for flow in banks), zero)
    made["stored_kwh"] = sum((flow.end_kwh for flow in banks), zero)
    made["stored_percent"] = 100 * made["stored_kwh"] / capacity if capacity else zero
    made["load_kw"] = sum((site.load_kw(terms, phase) for phase in site.phase_names), zero)
    made["solar_kw"] = sum((values[f"{name}.solar_kw"] for name in solar), zero)
    made["import_kw"], made["export_kw"] = flows.meter.import_kw, flows.meter.export_kw
    if site.phases > 1:
        for phase in site.phase_names:
            made[f"phase.{phase}.net_import_kw"] = flows.phases[phase].net_import_kw
    made["import_price"] = scenario.tariff.import_price(terms)
    made["export_price"] = scenario.tariff.export_price(terms)
    worth = list(dispatch.worth_per_kwh.values())
    made["worth_per_kwh"] = worth[0] if worth else zero
    for offer in dispatch.offers:
        made[f"service.{offer.product.name}.offer_kw"] = offer.offered_kw
    return pd.DataFrame(
        {
            name: column if name.endswith("local") else np.asarray(column, float)
            for name, column in made.items()
        }
    )


def _words(frame: pd.DataFrame) -> tuple[list[str], list[str]]:
    """What is done in each step, and why: by the prices of the step and the worth of stored energy."""
    clock = [stamp[11:16] for stamp in frame["interval_start_local"]]
    used = np.flatnonzero(frame["discharge_kw"].to_numpy() > MOVES_KW)
    acts, reasons = [], []
    for number, row in enumerate(frame.itertuples()):
        later = used[used > number]
        at = f" at {clock[later[0]]}" if len(later) else ""
        act, why = _reason(row, at)
        acts.append(act)
        reasons.append(why)
    return acts, reasons


def _reason(row: Any, at: str) -> tuple[str, str]:
    """An act and its reason. `at` names when the store is next used."""
    nothing = row.worth_per_kwh < WORTHLESS
    worth, into, out = f"{row.worth_per_kwh:.2f}/kWh", f"{row.import_price:.2f}", f"{row.export_price:.2f}"
    if row.charge_kw > MOVES_KW:
        if row.import_kw > MOVES_KW and row.import_kw > row.load_kw - row.solar_kw + MOVES_KW:
            return "charge from the grid", f"costs {into} now, worth {worth}{at}"
        if nothing:
            return "charge from the sun", f"there is more sun than can be used, export pays {out} now"
        return "charge from the sun", f"worth {worth}{at}, export pays {out} now"
    if row.discharge_kw > MOVES_KW:
        if row.export_kw > MOVES_KW:
            return "feed out", f"export pays {out} now, kept it would be worth {worth}"
        return "cover own load", f"import costs {into} now, kept it would be worth {worth}"
    if row.solar_kw > row.load_kw + MOVES_KW and row.export_kw > MOVES_KW:
        return "hold, feed out the sun", f"export pays {out} now, more would be worth {worth} stored"
    if nothing:
        return "rest", f"the sun will fill the store for nothing, import costs {into} now"
    if row.stored_kwh > 0 and at:
        return "hold", f"worth {worth}{at}, import costs {into} now"
    return "rest", f"import costs {into} now, stored energy is worth {worth}"


def write_plan(made: DayPlan, folder: str | Path) -> dict[str, Path]:
    """Write the plan as a page, a table and a summary, whole or not at all.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.day_plan import plan_page

    folder = Path(folder)
    paths = {"page": folder / "plan.html", "table": folder / "plan.csv", "summary": folder / "plan.json"}
    write_files(
        {
            paths["page"]: plan_page(made.summary, made.steps),
            paths["table"]: made.steps.round(4),
            paths["summary"]: made.summary,
        }
    )
    return paths
