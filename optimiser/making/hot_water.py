"""The heat that hot water draws, from the tapping patterns by which water heaters are tested."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np

from optimiser.fields import Component, ZoneName, choice, quantity, text
from optimiser.making.made import Made
from optimiser.making.recipe import FirstDay, year_of
from optimiser.timeline import Timeline

SMALL = 0.105
# Clock times of draws of 0.105 kWh that the patterns share, and each pattern's own draws by clock time. [kWh]
LONG_DAY = (
    *("07:00", "07:30", "08:30", "08:45", "09:00", "09:30", "10:30", "11:30", "11:45"),
    *("14:30", "15:30", "16:30", "18:00", "18:15", "18:30", "19:00"),
)
PATTERNS: dict[str, dict[str, float]] = {
    "S": dict.fromkeys(("07:00", "07:30", "08:30", "09:30", "11:30", "11:45", "18:00", "18:15"), SMALL)
    | {"12:45": 0.315, "20:30": 0.42, "21:30": 0.525},
    "M": dict.fromkeys((*LONG_DAY, "08:01", "08:15", "21:15"), SMALL)
    | {"07:05": 1.4, "12:45": 0.315, "20:30": 0.735, "21:30": 1.4},
    "L": dict.fromkeys((*LONG_DAY, "07:45", "08:25", "21:30"), SMALL)
    | {"07:05": 1.4, "08:05": 3.605, "12:45": 0.315, "20:30": 0.735, "21:00": 3.605},
}


class HotWaterRecipe(Component):
    """A year of hot water drawn by a tapping pattern, day by day.

    References
    ----------
    .. [1] Commission Delegated Regulation (EU) 812/2013, annex VII, table 3: load profiles of water heaters (S: 2.100,
       M: 5.845, L: 11.655 kWh a day). From memory; the days' sums are the reference energies.
    """

    method: Literal["hot_water"] = "hot_water"
    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    pattern: Literal["S", "M", "L"] = choice("tapping pattern: S one person, M a family, L with baths")
    daily_kwh: float | None = quantity(
        "kWh", "heat of a mean day; left out: the pattern's own", default=None, above=0, at_most=1000
    )
    day_spread: float = quantity(
        "-", "how far days differ: standard deviation over mean", default=0.0, at_least=0, at_most=0.5
    )
    seed: int = quantity("-", "the days drawn are the same for the same seed", default=1, at_least=0)
    step_minutes: Literal[5, 15, 30, 60] = choice("length of a step", default=30)


def make_hot_water(recipe: HotWaterRecipe, _folder: Path | None = None) -> Made:
    """Heat drawn in each step, every draw in the step of its clock time; the year has its mean day's energy exactly."""
    timeline = year_of(recipe.start, recipe.step_minutes, recipe.zone)
    draw = _drawn(recipe, timeline)
    usual = sum(PATTERNS[recipe.pattern].values())
    daily = usual if recipe.daily_kwh is None else recipe.daily_kwh
    days, day, _ = timeline.slots()
    factors = np.maximum(
        1 + recipe.day_spread * np.random.default_rng(recipe.seed).normal(size=len(days)), 0.1
    )
    draw = draw * factors[day]
    draw *= daily * len(days) / (draw.sum() * timeline.step_hours)
    differ = f", days differing by {recipe.day_spread:.0%} (seed {recipe.seed})" if recipe.day_spread else ""
    note = (
        f"heat of hot water by the tapping pattern {recipe.pattern} of the EU's rules for water heaters (from memory), "
        f"{daily:.3f} kWh a day{differ}."
    )
    fields = '[[site.flexible_load]]\nkind = "heat"\nname = "hot water"\ndraw_kw = "SOURCE.draw_kw"\n'
    return Made(timeline, {"draw_kw": draw}, (note,), (), fields)


def _drawn(recipe: HotWaterRecipe, timeline: Timeline) -> np.ndarray:
    """The pattern on each day's clock; a draw in an hour that a clock change skips is left to the scaling. [kW]"""
    _, _, slot = timeline.slots()
    drawn = np.zeros(24 * 60 // timeline.step_minutes)
    for clock, kwh in PATTERNS[recipe.pattern].items():
        minutes = int(clock[:2]) * 60 + int(clock[3:])
        drawn[minutes // timeline.step_minutes] += kwh
    found: np.ndarray = drawn[slot] / timeline.step_hours
    return found
