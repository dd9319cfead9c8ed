"""A net meter behind solar turned back into the load itself: import - export + solar, step by step."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import StrictStr

from optimiser.errors import SeriesError
from optimiser.fields import Component, ZoneName, choice, quantity, text
from optimiser.making.made import Made
from optimiser.making.recorded import Recorded, read_recorded
from optimiser.timeline import Timeline


class Meter(Recorded):
    """A meter's readings: import and export in two columns, or their difference in one."""

    column: StrictStr = text("import; or import less export, where there is no export_column")
    export_column: StrictStr | None = text("export, never negative", default=None)


class ExistingSolar(Recorded):
    """What the existing solar gave, on the meter's side of its inverter."""

    size_kwp: float | None = quantity(
        "kWp", "multiplies a column that is per kWp; left out: the column is kW or kWh", default=None, above=0
    )


class GrossRecipe(Component):
    """The load behind a net meter and existing solar."""

    method: Literal["gross"] = "gross"
    zone: ZoneName = text("zone of the site's clock")
    meter: Meter
    solar: ExistingSolar
    negative: Literal["refuse", "clip"] = choice(
        "steps in which the load comes out below zero: refuse them beyond the tolerance, or set them to zero",
        default="refuse",
    )
    tolerance_fraction: float = quantity(
        "-", "share of the load's energy that may come out negative and is set to zero", default=0.001, at_least=0,
        at_most=0.2,
    )  # fmt: skip


@dataclass(frozen=True)
class Gross:
    """A load restored from a net meter.

    Attributes
    ----------
    kw : array of shape (steps,)
        Never negative.
    negative_steps : int
        Steps that came out below zero.
    negative_kwh : float
        Their energy, as a positive number; it is what the clipping added to the load.
    """

    kw: np.ndarray
    negative_steps: int
    negative_kwh: float


def gross_load(
    import_kw: np.ndarray,
    export_kw: np.ndarray,
    solar_kw: np.ndarray,
    timeline: Timeline,
    *,
    negative: str = "refuse",
    tolerance_fraction: float = 0.001,
    where: str = "meter",
) -> Gross:
    """Load = import - export + solar.

    Parameters
    ----------
    import_kw, export_kw, solar_kw : array of shape (steps,)
        Import may be the net of both, with export zero. [kW]
    timeline : Timeline
    negative : {"refuse", "clip"}
    tolerance_fraction : float
        Of the load's positive energy; for "refuse". [-]
    where : str
        Named in messages.

    Raises
    ------
    SeriesError
        If more than the tolerance comes out negative and that is to be refused. The sentence says by what factor
        the solar would have to grow for no step to be negative; nothing is fitted.
    """
    load = import_kw - export_kw + solar_kw
    below = load < 0
    hours = timeline.step_hours
    lost = abs(float(load[below].sum())) * hours
    gained = float(load[~below].sum()) * hours
    if negative == "refuse" and lost > tolerance_fraction * gained:
        step = int(np.argmin(load))
        raise SeriesError(
            where,
            [
                f"import - export + solar is negative in {int(below.sum()):,} steps by {lost:,.1f} kWh, more than "
                f"{100 * tolerance_fraction:g} % of the load's {gained:,.1f} kWh; the lowest is {load[step]:.3f} kW on "
                f"{timeline.when(step)}. {_size_hint(export_kw - import_kw, solar_kw)} Check that the clocks of meter "
                'and solar agree and that the solar is whole, or say negative = "clip".'
            ],
        )
    return Gross(np.where(below, 0.0, load), int(below.sum()), lost)


def _size_hint(sent_kw: np.ndarray, solar_kw: np.ndarray) -> str:
    """How much more solar the export asks for, as information."""
    lit = solar_kw > 0.001 * float(solar_kw.max(initial=0.0))
    if not lit.any() or float(sent_kw[~lit].max(initial=0.0)) > 0.01 * float(sent_kw.max()):
        return "Some of it is exported while there is no sun."
    factor = float(np.max(sent_kw[lit] / solar_kw[lit]))
    return f"With {factor:.2f} times as much solar no sunny step would be negative; the size is not fitted for you."


def make_gross(recipe: GrossRecipe, folder: Path) -> Made:
    """The load of a recipe, over the span of its meter."""
    meter, solar = read_recorded(recipe.meter, folder, "meter"), read_recorded(recipe.solar, folder, "solar")
    own = meter.timeline
    timeline = Timeline(own.start, own.step_minutes, own.steps, recipe.zone)
    export_column = recipe.meter.export_column
    import_kw = meter.power(timeline, at_least=None if export_column is None else 0.0)
    export_kw = np.zeros(timeline.steps) if export_column is None else meter.power(timeline, export_column)
    solar_kw = solar.power(timeline) * (recipe.solar.size_kwp or 1.0)
    made = gross_load(
        import_kw,
        export_kw,
        solar_kw,
        timeline,
        negative=recipe.negative,
        tolerance_fraction=recipe.tolerance_fraction,
        where=str(meter.table.path),
    )
    notes, warnings = _words(recipe, made, solar_kw, timeline)
    tables = (meter.table, solar.table)
    return Made(
        timeline,
        {"load_kw": made.kw, "existing_solar_kw": solar_kw},
        (notes, *(note for table in tables for note in table.notes)),
        (*warnings, *(words for table in tables for words in table.warnings)),
        '[[site.load]]\npower_kw = "SOURCE.load_kw"\n\n[[site.ac_solar]]\nname = "existing"\n'
        'available_kw = "SOURCE.existing_solar_kw"\nexisting = true\n',
    )


def _words(
    recipe: GrossRecipe, made: Gross, solar_kw: np.ndarray, timeline: Timeline
) -> tuple[str, tuple[str, ...]]:
    hours = timeline.step_hours
    note = (
        f"load = import - export + solar of {recipe.meter.file} and {recipe.solar.file}: "
        f"{float(made.kw.sum()) * hours:,.1f} kWh with {float(solar_kw.sum()) * hours:,.1f} kWh of solar; "
        f"{made.negative_steps:,} steps came out negative by {made.negative_kwh:,.2f} kWh and were set to zero."
    )
    share = made.negative_kwh / max(float(made.kw.sum()) * hours, 1e-9)
    if share > recipe.tolerance_fraction:
        loud: Any = (
            f"the load behind the net meter came out negative in {made.negative_steps:,} steps by "
            f"{made.negative_kwh:,.1f} kWh ({100 * share:.1f} % of it), set to zero by name: meter and solar do not "
            "fit each other.",
        )
        return note, loud
    return note, ()
