"""The JSON Schema of each summary, for programs that read it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from pydantic import Field, create_model

from optimiser.summary import run
from optimiser.summary.compare import CompareSummary
from optimiser.summary.day_plan import DayPlanSummary
from optimiser.summary.fleet import FleetSummary
from optimiser.summary.look_back import LookBackSummary
from optimiser.summary.part import Part
from optimiser.summary.sizes import SizesSummary
from optimiser.summary.timetable import TimetableSummary


class Written(Part):
    """What a summary has beside its own when it is written: what tells it from any other, and digests."""

    run: str
    files: dict[str, str] = Field(description="SHA-256 of each file written beside it, by name")


def _schema(kind: type[Part]) -> dict[str, Any]:
    """JSON Schema of a summary as it is written."""
    written = create_model(kind.__name__, __base__=(kind, Written), __doc__=kind.__doc__)
    return written.model_json_schema(mode="serialization")


SCHEMAS: Mapping[str, Callable[[], dict[str, Any]]] = {
    "summary": run.json_schema,
    "plan": partial(_schema, DayPlanSummary),
    "fleet": partial(_schema, FleetSummary),
    "compare": partial(_schema, CompareSummary),
    "sizes": partial(_schema, SizesSummary),
    "lookback": partial(_schema, LookBackSummary),
    "timetable": partial(_schema, TimetableSummary),
}
