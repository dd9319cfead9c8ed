"""The next day or two of set-points from a forecast and what the store holds now, each with its reason in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd

from optimiser.columns import (
    CHARGE,
    DISCHARGE,
    DOES,
    END_LOCAL,
    EXPORT,
    EXPORT_PRICE,
    IMPORT,
    IMPORT_PRICE,
    SOLAR,
    START_LOCAL,
    STORE_NET,
    STORE_STATE,
    STORED,
    STORED_PERCENT,
    STORED_WORTH,
    USED,
    WHY,
    of_ac_solar,
    of_controller,
    of_flexible,
    of_inverter,
    of_phase,
    of_service,
)
from optimiser.control.modes import WORDS, Mode
from optimiser.daily.registers import register_table
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.errors import ScenarioError, SeriesError
from optimiser.report.day_plan import later, plan_page
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.scenario.rules import least_of
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, Source, read_table
from optimiser.summary.day_plan import DayPlanSummary
from optimiser.timeline import Timeline
from optimiser.words import number
from optimiser.writing import write_folder

FEWEST_HOURS = 12
MOVES_KW = 0.01  # less is standing still
REPEATED_HOURS = 24
NEAR_FRACTION = 0.002  # what is missing to full or above the reserve and counts as none
WORTHLESS = 0.005  # worth of a kWh that is as good as none


@dataclass(frozen=True)
class DayPlan:
    """Set-points and their reasons.

    Attributes
    ----------
    summary : DayPlanSummary
    steps : DataFrame
        One row a step of the forecast: local start, net AC power of each inverter (output positive), charge and
        discharge of storage, stored energy and its share at the end of the step, expected load, solar, import and
        export, net import of each phase, prices, worth of stored energy, whether the store is full or at its
        reserve, what is done, why.
    orders : DataFrame
        One row a stretch in which the same is done for the same reason: its start and end, what is done, why, mean
        power of the store (positive when it gives), its share at the end.
    registers : DataFrame
        The same in the registers of an open model of storage control (`registers.register_table`).
    """

    summary: DayPlanSummary
    steps: pd.DataFrame
    orders: pd.DataFrame
    registers: pd.DataFrame


def read_forecast(
    path: str | Path, scenario: Scenario, *, stamps: Literal["start", "end"] = "start"
) -> SeriesTable:
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


def forecast_scenario(scenario: Scenario, table: SeriesTable, stored_fraction: float) -> tuple[Scenario, int]:
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
    begins = own.local()[0]
    if (begins.hour * 60 + begins.minute) % step or begins.second:
        faults.append(
            f"its first step begins at {begins:%H:%M:%S}, between the clock's steps of {step} min, so prices "
            "would change within steps. Begin at one of them."
        )
    for name, least in least_of(scenario.file).items():
        short = name.partition(".")[2]
        if not {name, short} & set(table.frame.columns):
            there = ", ".join(map(str, table.frame.columns))
            faults.append(f"there is no column {short} (or {name}). The columns are {there}; add it.")
            continue
        try:
            values = lay(table, _column(table, name), own, least)
        except SeriesError as error:
            faults += error.faults
            continue
        columns[name] = np.concatenate([values, values[steps - again :]])
    if faults:
        raise SeriesError(place, list(dict.fromkeys(faults)))
    changes: dict[str, Any] = {}
    floors = scenario.site.floor_kwh(scenario.data, scenario.storage)
    for nth, (bank, known) in enumerate(zip(scenario.storage, floors, strict=True)):
        floor = float(max(np.max(bank.reserve_kwh(whole)), np.max(known))) / bank.capacity_kwh
        if stored_fraction < floor - 1e-9:
            raise ScenarioError(
                place,
                [
                    f"{bank.name} holds {100 * stored_fraction:g} % now, less than the {100 * floor:g} % of its "
                    "reserve or of peaks on the bus. Lower the reserve, or plan from when it is full enough."
                ],
            )
        changes |= {
            f"storage.{nth}.start_fraction": stored_fraction,
            f"storage.{nth}.end_fraction": floor,
        }
    begun = vary(scenario, changes) if changes else scenario
    return replace(begun, timeline=whole, columns=columns), steps


def _column(table: SeriesTable, reference: str) -> str:
    """The forecast's name for a series."""
    short = reference.partition(".")[2]
    return reference if reference in table.frame.columns or short not in table.frame.columns else short


def plan_day(
    scenario: Scenario, table: SeriesTable, stored_fraction: float, *, progress: Progress | None = None
) -> DayPlan:
    """Plan the span of a forecast from what is stored now.

    Parameters
    ----------
    scenario : Scenario
    table : SeriesTable
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
    frame = _steps(dispatch).assign(**{STORE_STATE: _state(dispatch)}).iloc[:steps].reset_index(drop=True)
    acts = _acts(frame)
    orders = _orders(frame, acts, scenario.timeline.step_minutes)
    frame[DOES] = acts[DOES]
    reasons = zip(acts["reason"], acts["next_use"], strict=True)
    frame[WHY] = [_why(*words, frame.iloc[n : n + 1]) for n, words in enumerate(reasons)]
    proof = dispatch.proof
    summary = DayPlanSummary(
        title=f"Plan for {scenario.file.title}",
        invented=scenario.file.invented,
        currency=scenario.file.currency,
        zone=scenario.timeline.zone,
        start=frame[START_LOCAL].iloc[0],
        steps=steps,
        step_minutes=scenario.timeline.step_minutes,
        stored_fraction=stored_fraction,
        verdict=proof.verdict,
        gap_relative=proof.gap_relative,
        gap_absolute=proof.gap_absolute,
        import_kwh=float(frame[IMPORT].sum() * scenario.timeline.step_hours),
        export_kwh=float(frame[EXPORT].sum() * scenario.timeline.step_hours),
        forecast=str(table.path),
    )
    return DayPlan(summary, frame, orders, register_table(begun, frame, orders))


def _steps(dispatch: Dispatch) -> pd.DataFrame:
    """The schedule as set-points and what is expected around them."""
    scenario, flows, values = dispatch.scenario, dispatch.flows, dispatch.values
    site, data = scenario.site, scenario.data
    zero = np.zeros(scenario.timeline.steps)
    capacity = sum(bank.capacity_kwh for bank in scenario.storage)
    solar = [of_controller(c.name, "solar_kw") for c in site.solar_controller]
    solar += [of_ac_solar(s.name, "solar_kw") for s in site.ac_solar]
    made: dict[str, Any] = {START_LOCAL: [stamp.isoformat() for stamp in scenario.timeline.local()]}
    for name, flow in flows.inverters.items():
        made[of_inverter(name, "net_kw")] = flow.output_kw - flow.input_kw
    banks = list(flows.banks.values())
    made[CHARGE] = sum((flow.taken_kw for flow in banks), zero)
    made[DISCHARGE] = sum((flow.given_kw for flow in banks), zero)
    made[STORED] = sum((flow.end_kwh for flow in banks), zero)
    made[STORED_PERCENT] = 100 * made[STORED] / capacity if capacity else zero
    made[USED] = site.whole_load_kw(data) + sum((f.power_kw for f in flows.flexible.values()), zero)
    for name, waiting in flows.flexible.items():
        made[of_flexible(name, "power_kw")] = waiting.power_kw
    made[SOLAR] = sum((values[name] for name in solar), zero)
    made[IMPORT], made[EXPORT] = flows.meter.import_kw, flows.meter.export_kw
    if site.phases > 1:
        for phase in site.phase_names:
            made[of_phase(phase, "net_import_kw")] = flows.phases[phase].net_import_kw
    made[IMPORT_PRICE] = scenario.tariff.import_price(data)
    made[EXPORT_PRICE] = scenario.tariff.export_price(data)
    worth = list(dispatch.worth_per_kwh.values())
    made[STORED_WORTH] = worth[0] if worth else zero
    for offer in dispatch.offers:
        made[of_service(offer.product.name, "offer_kw")] = offer.offered_kw
    return pd.DataFrame(
        {
            name: column if name.endswith("local") else np.asarray(column, float)
            for name, column in made.items()
        }
    )


def _state(dispatch: Dispatch) -> np.ndarray:
    """Of each step: "full", "at its reserve", "empty", or "" where the store stands between at the step's end."""
    banks, timeline = dispatch.scenario.storage, dispatch.scenario.timeline
    zero = np.zeros(timeline.steps)
    stored = sum((flow.end_kwh for flow in dispatch.flows.banks.values()), zero)
    floor = sum(dispatch.scenario.site.floor_kwh(dispatch.scenario.data, banks), zero)
    capacity = sum(bank.capacity_kwh for bank in banks)
    near = max(NEAR_FRACTION * capacity, MOVES_KW * timeline.step_hours)
    lowest = np.where(floor > near, "at its reserve", "empty")
    return np.where(stored <= floor + near, lowest, np.where(stored >= capacity - near, "full", ""))


class Moment(NamedTuple):
    """What the reason of a step rests on."""

    charge_kw: float
    discharge_kw: float
    used_kw: float
    solar_kw: float
    import_kw: float
    export_kw: float
    import_price: float
    worth_per_kwh: float
    store: str


def _moments(frame: pd.DataFrame) -> Iterator[Moment]:
    """What the reason of each step rests on."""
    columns = (CHARGE, DISCHARGE, USED, SOLAR, IMPORT, EXPORT, IMPORT_PRICE, STORED_WORTH, STORE_STATE)
    return map(Moment._make, zip(*(frame[column].tolist() for column in columns), strict=True))


def _reason(row: Moment, again: bool) -> tuple[str, str]:
    """An act and its reason, in which prices, worth and the next use of the store are still to be filled in.

    `again` is whether the store will be used again.
    """
    nothing = row.worth_per_kwh < WORTHLESS
    if row.charge_kw > MOVES_KW:
        if row.import_kw > MOVES_KW and row.import_kw > row.used_kw - row.solar_kw + MOVES_KW:
            return WORDS[Mode.CHARGE], "costs {into}, worth {worth}{at}"
        if nothing:
            return WORDS[Mode.SAVE_SUN], "there is more sun than can be used, export pays {out}"
        return WORDS[Mode.SAVE_SUN], "worth {worth}{at}, export pays {out}"
    if row.discharge_kw > MOVES_KW:
        if row.export_kw > MOVES_KW:
            return WORDS[Mode.FEED_OUT], "export pays {out}, kept it would be worth {worth}"
        if row.worth_per_kwh > row.import_price + WORTHLESS:
            # Worth more in store than the kWh that it saves: so that kWh costs more than its price.
            held = "import is held to {import_kw} kW, more would cost beyond its price of {into} (demand or a limit)"
            return WORDS[Mode.COVER_LOAD], held
        return WORDS[Mode.COVER_LOAD], "import costs {into}, kept it would be worth {worth}"
    if row.solar_kw > row.used_kw + MOVES_KW and row.export_kw > MOVES_KW:
        if row.store == "full":
            return WORDS[Mode.HOLD], "the store is full, export pays {out}"
        return WORDS[Mode.HOLD], "export pays {out}, more would be worth {worth} stored"
    if row.store == "full":
        return WORDS[Mode.HOLD], "the store is full, worth {worth}{at}, import costs {into}"
    low = f"the store is {row.store}" if row.store else ""
    if nothing:
        filled = "the sun will fill the store for nothing"
        if low:
            filled = f"{low} and the sun will fill it for nothing"
        return WORDS[Mode.HOLD], f"{filled}, import costs {{into}}"
    if low:
        return WORDS[Mode.HOLD], f"{low}, import costs {{into}}, more would be worth {{worth}} stored"
    if again:
        return WORDS[Mode.HOLD], "worth {worth}{at}, import costs {into}"
    return WORDS[Mode.HOLD], "import costs {into}, stored energy is worth {worth}"


def _acts(frame: pd.DataFrame) -> pd.DataFrame:
    """Of each step: what is done, its reason to be filled in, and the start of the step that next uses the store."""
    stamps = frame[START_LOCAL].tolist()
    used = np.flatnonzero(frame[DISCHARGE].to_numpy() > MOVES_KW)
    nexts = np.searchsorted(used, np.arange(len(frame)), side="right")
    next_use = [stamps[used[n]] if n < len(used) else "" for n in nexts]
    reasons = [_reason(row, bool(use)) for row, use in zip(_moments(frame), next_use, strict=True)]
    return pd.DataFrame(reasons, columns=[DOES, "reason"]).assign(next_use=next_use)


def _why(reason: str, next_use: str, part: pd.DataFrame) -> str:
    """A reason with the prices and worth of the steps that it stands for."""
    stamps = part[START_LOCAL].tolist()
    at = f" at {later(next_use, stamps[0])}" if next_use else ""
    worth = f"{_span(part[STORED_WORTH])}/kWh"
    into, out = (_priced(part[name].tolist(), stamps) for name in (IMPORT_PRICE, EXPORT_PRICE))
    import_kw = _span(part[IMPORT], 1)
    return reason.format(into=into, out=out, worth=worth, at=at, import_kw=import_kw)


def _priced(prices: list[float], stamps: list[str]) -> str:
    """A price; both and the moment where it changes once, its range where it moves more often."""
    shown = [number(price, 2) for price in prices]
    changes = [n for n in range(1, len(shown)) if shown[n] != shown[n - 1]]
    if len(changes) != 1:
        return _span(prices)
    return f"{shown[0]} ({shown[-1]} from {later(stamps[changes[0]], stamps[0])})"


def _span(values: Iterable[float], decimals: int = 2) -> str:
    low, high = (number(pick(values), decimals) for pick in (min, max))
    return low if low == high else f"{low} to {high}"


def _orders(frame: pd.DataFrame, acts: pd.DataFrame, step_minutes: int) -> pd.DataFrame:
    """Stretches in which the same is done for the same reason."""
    stretch = (acts[[DOES, "reason"]] != acts[[DOES, "reason"]].shift()).any(axis=1).cumsum()
    rows = []
    for _, part in frame.groupby(stretch):
        first, last = part.index[0], part.index[-1]
        end = datetime.fromisoformat(part[START_LOCAL].iloc[-1]) + timedelta(minutes=step_minutes)
        following = frame[START_LOCAL].get(last + 1, end.isoformat())
        rows.append(
            {
                START_LOCAL: part[START_LOCAL].iloc[0],
                END_LOCAL: following,
                DOES: acts[DOES][first],
                WHY: _why(acts["reason"][first], acts["next_use"][last], part),
                STORE_NET: float((part[DISCHARGE] - part[CHARGE]).mean()),
                STORED_PERCENT: float(part[STORED_PERCENT].iloc[-1]),
            }
        )
    return pd.DataFrame(rows)


def write_plan(made: DayPlan, folder: str | Path) -> dict[str, Path]:
    """Write the plan as a page, a table and a summary, whole or not at all.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    return write_folder(
        Path(folder),
        {
            "page": ("plan.html", plan_page(made.summary, made.steps, made.orders)),
            "table": ("plan.csv", made.steps.round(4)),
            "registers": ("plan-registers.csv", made.registers),
            "summary": ("plan.json", made.summary.as_dict()),
        },
    )
