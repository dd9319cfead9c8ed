"""What motive equipment that lifts and lowers draws from a DC bus and gives back to it, from its shifts."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np

from optimiser.fields import Component, Several, ZoneName, quantity, text
from optimiser.making.made import Made
from optimiser.making.recipe import FirstDay, year_of
from optimiser.timeline import Window

GRAVITY = 9.80665  # m/s^2, standard acceleration of free fall (ISO 80000-3)
JOULES_PER_KWH = 3.6e6


class Shift(Component):
    """Hours in which the equipment works, and how hard; where two overlap, both count."""

    when: Window | None = None
    cycles_per_hour: float = quantity("1/h", "lifts with a lowering each", at_least=0, at_most=1000)
    running_kw: float = quantity(
        "kW", "power beside the lifts: drive, controls, fans", default=0.0, at_least=0
    )


class ShiftsRecipe(Component):
    """A year of lifting and lowering.

    A lift takes m g h over its efficiency; a lowering gives back m g h times its own. Workdays are Monday to Friday.

    References
    ----------
    .. [1] Potential energy m g h, elementary mechanics.
    """

    method: Literal["shifts"] = "shifts"
    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    shift: Several[Shift]
    lifted_kg: float = quantity("kg", "mass that is lifted, carriage and load", above=0, at_most=1e6)
    height_m: float = quantity("m", "how high, on average", above=0, at_most=200)
    lift_efficiency: float = quantity("-", "m g h over energy from the bus", above=0, at_most=1)
    lowering_efficiency: float = quantity(
        "-", "energy that may go back to the bus over m g h; 0: none", default=0.0, at_least=0, at_most=1
    )
    step_minutes: Literal[5, 15, 30, 60] = 30


def make_shifts(recipe: ShiftsRecipe, _folder: Path | None = None) -> Made:
    """Mean power drawn and given back in each step of the year."""
    timeline = year_of(recipe.start, recipe.step_minutes, recipe.zone)
    cycle_kwh = recipe.lifted_kg * GRAVITY * recipe.height_m / JOULES_PER_KWH
    lifts, running = np.zeros(timeline.steps), np.zeros(timeline.steps)
    for shift in recipe.shift:
        works = timeline.mask(shift.when, recipe.zone)
        lifts = lifts + works * shift.cycles_per_hour
        running = running + works * shift.running_kw
    columns = {
        "power_kw": running + lifts * cycle_kwh / recipe.lift_efficiency,
        "lowering_kw": lifts * cycle_kwh * recipe.lowering_efficiency,
    }
    note = (
        f"lifts of {recipe.lifted_kg:g} kg by {recipe.height_m:g} m, {1000 * cycle_kwh:.4g} Wh each before "
        f"losses, in {len(recipe.shift)} shifts by the calendar."
    )
    warning = "means over a step hide the current as a lift starts: give it as peak_a with its duration."
    fields = (
        '[[site.dc_load]]\nname = "lift"\npower_kw = "SOURCE.power_kw"\nregenerated_kw = "SOURCE.lowering_kw"\n'
        'before = "new"\n'
    )
    return Made(timeline, columns, (note,), (warning,), fields)
