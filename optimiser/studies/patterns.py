"""A typical week of each season, and what each day brought: the shape of a schedule in a few rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement
from optimiser.columns import of_ac_solar, of_controller
from optimiser.dispatch import Progress
from optimiser.studies.without_foresight import paid_for
from optimiser.study import Figures, Study
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.timeline import STEP

SEASONS = ("December to February", "March to May", "June to August", "September to November")
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
SHOWN = 10


class PatternFigures(Figures):
    """The days that stand out, best and worst first, and which days of each season the run covers."""

    best_days: list[str]
    worst_days: list[str]
    covered: dict[str, list[list[str]]]
    share_of_best_tenth: float | None


def study(statement: Statement, say: Progress, without: Study | None = None) -> Study:
    """The study `patterns`, of the schedule that the payback rests on.

    Its tables are `weeks` (mean power in each hour of the week of each season, kW, and stored energy at the hour's end,
    kWh) and `days` (what each day brought beside the bill without the system, by what is charged step by step; demand,
    steps of a month and standing charges belong to no day and are left out).
    """
    statement = paid_for(statement, without)
    weeks, days = typical_weeks(statement), worth_of_days(statement)
    ranked = days.sort_values("saved", ascending=False, kind="stable")
    count = min(SHOWN, len(ranked) // 4)
    figures = PatternFigures(
        best_days=ranked["day"].head(count).tolist(),
        worst_days=ranked["day"].tail(count).tolist()[::-1],
        covered=covered_days(statement),
        share_of_best_tenth=_share_of_best(days["saved"].to_numpy(), 0.1),
    )
    return Study(figures.model_dump(), {"weeks": weeks, "days": days})


def typical_weeks(statement: Statement) -> pd.DataFrame:
    """Means over all weeks of a season, on the site's clock.

    Returns
    -------
    DataFrame
        One row a season, weekday and hour that the timeline holds: season, day, hour, then kW of load, solar, charge,
        discharge, import and export, and stored kWh.
    """
    dispatch = statement.dispatch
    scenario, flows = dispatch.scenario, dispatch.flows
    data = scenario.data
    zero = np.zeros(scenario.timeline.steps)
    solar = [of_controller(c.name, "solar_kw") for c in scenario.site.solar_controller]
    solar += [of_ac_solar(s.name, "solar_kw") for s in scenario.site.ac_solar]
    banks = flows.banks.values()
    local = scenario.timeline.local()
    frame = pd.DataFrame(
        {
            "season": np.array(SEASONS)[local.month.to_numpy() % 12 // 3],
            "weekday": local.day_of_week,
            "hour": local.hour,
            "load_kw": scenario.site.whole_load_kw(data)
            + sum((flow.power_kw for flow in flows.flexible.values()), zero),
            "solar_kw": sum((dispatch.values[name] for name in solar), zero),
            "charge_kw": sum((flow.taken_kw for flow in banks), zero),
            "discharge_kw": sum((flow.given_kw for flow in banks), zero),
            "import_kw": flows.meter.import_kw,
            "export_kw": flows.meter.export_kw,
            "stored_kwh": sum((flow.end_kwh for flow in banks), zero),
        }
    )
    means = frame.groupby(["season", "weekday", "hour"], sort=False).mean().reset_index()
    order = {season: number for number, season in enumerate(SEASONS)}
    means = means.sort_values(
        ["season", "weekday", "hour"], key=lambda c: c.map(order) if c.name == "season" else c
    )
    means.insert(1, "day", np.array(DAYS)[means.pop("weekday").to_numpy()])
    return means.reset_index(drop=True)


def covered_days(statement: Statement) -> dict[str, list[list[str]]]:
    """First and last day of each run of days that the timeline holds of a season."""
    local = statement.dispatch.scenario.timeline.local().tz_localize(None)
    days = pd.Series(local.normalize().unique())
    seasons = pd.Series(np.array(SEASONS)[days.dt.month.to_numpy() % 12 // 3])
    runs: dict[str, list[list[str]]] = {}
    for season, part in days.groupby(seasons, sort=False):
        new = (part.diff() != pd.Timedelta(days=1)).cumsum()
        runs[str(season)] = [
            [f"{run.iloc[0]:%Y-%m-%d}", f"{run.iloc[-1]:%Y-%m-%d}"] for _, run in part.groupby(new)
        ]
    return runs


def worth_of_days(statement: Statement) -> pd.DataFrame:
    """What each local day brought beside the case without the system.

    Returns
    -------
    DataFrame
        One row a day: day, saved, and the part of it in each group of lines. [currency]
    """
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    terms = SettledTerms(scenario.data)
    before = scenario.before_tariff.lines(statement.before_flows, terms)
    parts: dict[str, np.ndarray] = {}
    for sign, lines in ((1.0, dispatch.lines), (-1.0, before)):
        for line in lines:
            if _by_step(line):
                values = np.broadcast_to(np.asarray(line.values, float), (scenario.timeline.steps,))
                parts[line.group] = parts.get(line.group, 0.0) + sign * values
    frame = pd.DataFrame(parts, index=range(scenario.timeline.steps))  # of no line, too
    frame.insert(0, "saved", frame.sum(axis=1))
    day = scenario.timeline.local().strftime("%Y-%m-%d")
    return frame.groupby(day, sort=True).sum().rename_axis("day").reset_index()


def _by_step(line: Line) -> bool:
    return line.cash and line.per == STEP


def _share_of_best(saved: np.ndarray, share: float) -> float | None:
    """Part of what all days brought that came from the best of them; None where they brought nothing."""
    whole = float(saved.sum())
    count = max(1, round(share * len(saved)))
    return float(np.sort(saved)[::-1][:count].sum() / whole) if whole > 0 else None
