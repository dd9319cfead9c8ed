"""The days, billing periods and steps that cost most beside the best schedule, in words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from optimiser.columns import EXPORT_PRICE, IMPORT_PRICE
from optimiser.daily.cases import CEILING, LOGGED, NO_SYSTEM, DayCase
from optimiser.scenario.file import Scenario
from optimiser.timeline import STEP
from optimiser.words import money, number

SHOWN = 10
WORTH_NAMING = 0.005  # less than a cent is no difference


def day_entries(
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


def period_entries(scenario: Scenario, cases: dict[str, DayCase]) -> list[dict[str, Any]]:
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


def worst_steps(flows: pd.DataFrame, lost: np.ndarray) -> pd.DataFrame:
    """The steps that cost most beside the best schedule."""
    frame = flows.reset_index(drop=True).assign(lost=lost)
    frame = frame[frame["lost"] > WORTH_NAMING]
    return frame.sort_values("lost", ascending=False, kind="stable").head(SHOWN).reset_index(drop=True)
