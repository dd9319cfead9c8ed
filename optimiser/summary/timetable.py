"""The summary of a timetable that was asked for by itself."""

from __future__ import annotations

from pydantic import Field

from optimiser.studies.timetable import TimetableFigures
from optimiser.summary.part import Part


class TimetableSummary(Part):
    """What a timetable comes to, as it stands in timetable.json."""

    title: str
    invented: bool
    currency: str
    start: str = Field(description="of the first step, on the site's clock")
    step_minutes: int
    found: TimetableFigures
