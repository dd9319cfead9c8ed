"""The summary of a plan of the next day."""

from __future__ import annotations

from pydantic import Field

from optimiser.summary.part import Part, figure


class DayPlanSummary(Part):
    """What a plan of the next day rests on and comes to, as it stands in plan.json."""

    title: str
    invented: bool
    currency: str
    zone: str
    start: str = Field(description="of the first step, on the site's clock")
    steps: int
    step_minutes: int
    stored_fraction: float = figure("-", "share of each bank's usable energy that it held at the start")
    verdict: str
    gap_relative: float
    gap_absolute: float = figure("currency", "at most so much better a plan may be")
    import_kwh: float
    export_kwh: float
    forecast: str = Field(description="the file that it was made from")
