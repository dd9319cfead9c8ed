"""A column of a user's own file, recorded by a meter or an inverter, as mean power."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import StrictStr

from optimiser.fields import Component, ZoneName, choice, quantity, text
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, Source, read_table
from optimiser.timeline import Timeline


class Recorded(Component):
    """A file of readings and the column that is meant."""

    file: StrictStr = text("path of the CSV or Parquet file, beside the recipe")
    column: StrictStr = text("the column that is meant")
    unit: Literal["kw", "kwh"] = choice("mean power, or energy of each interval", default="kw")
    time_column: StrictStr = text("the column that holds the time stamps", default="interval_start")
    stamps: Literal["start", "end"] = choice("whether a stamp marks the start or the end of its interval")
    zone: ZoneName = text("zone of stamps that carry none", default="UTC")
    step_minutes: int = quantity("min", "length of an interval of the file", above=0, at_most=1440)


@dataclass(frozen=True)
class RecordedTable:
    """A file's table, how to turn its numbers into kW, and its own span."""

    recorded: Recorded
    table: SeriesTable

    @property
    def timeline(self) -> Timeline:
        """The file's own span and step, in UTC."""
        return Timeline(
            self.table.starts[0].to_pydatetime(), self.recorded.step_minutes, len(self.table.starts), "UTC"
        )

    def power(
        self, timeline: Timeline, column: str | None = None, at_least: float | None = 0.0
    ) -> np.ndarray:
        """Mean power of each step of a timeline that the file covers; longer steps take the mean. [kW]

        Raises
        ------
        SeriesError
            If a value is missing, no number, below `at_least`, or the file does not cover the timeline.
        """
        values = lay(self.table, column or self.recorded.column, timeline, at_least)
        return values * (60 / self.recorded.step_minutes if self.recorded.unit == "kwh" else 1.0)

    def series(self) -> pd.Series:
        """The whole file as kW, labelled by the starts of its steps in UTC."""
        return pd.Series(self.power(self.timeline), index=self.timeline.starts, name=self.recorded.column)


def read_recorded(recorded: Recorded, folder: Path, name: str = "recorded") -> RecordedTable:
    """Read the file of a recipe's table.

    Raises
    ------
    SeriesError
        With every fault of the file.
    """
    fields = {
        key: getattr(recorded, key) for key in ("file", "time_column", "stamps", "zone", "step_minutes")
    }
    source = Source.model_validate(fields | {"coarsen": "mean"})
    return RecordedTable(recorded, read_table(name, source, folder / recorded.file))
