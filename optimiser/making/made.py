"""Series that were made: their columns on one timeline, how they were made, and the file they go into."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimiser.errors import OptimiserError
from optimiser.series.table import side_text
from optimiser.timeline import Grouping, Timeline
from optimiser.writing import write_one


@dataclass(frozen=True)
class Made:
    """Columns on one timeline, with their method in words.

    Attributes
    ----------
    timeline : Timeline
    columns : dict of str to array of shape (steps,)
        Mean power of each step; names ending in `_kw_per_kwp` are per kWp of array. [kW]
    notes : tuple of str
        How it was made, sentence by sentence; they travel with the file into every report.
    warnings : tuple of str
        What must not be overlooked: shown on a report's first screen.
    fields : str
        TOML that uses the columns, with "SOURCE" where the name of the source goes.
    """

    timeline: Timeline
    columns: dict[str, np.ndarray]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    fields: str

    def series(self, name: str) -> pd.Series:
        """A column with its starts of steps in UTC."""
        return pd.Series(self.columns[name], index=self.timeline.starts, name=name)


def refuse_existing(path: Path, overwrite: bool) -> None:
    """Refuse a name that cannot be written, before anything is worked out.

    Raises
    ------
    OptimiserError
        If it does not end in .parquet, or the file exists and may not be written over.
    """
    if path.suffix.lower() != ".parquet":
        raise OptimiserError(
            f"{path} must end in .parquet, which keeps the notes with the numbers. Rename it."
        )
    if os.path.lexists(path) and not overwrite:
        raise OptimiserError(
            f"{path} exists and is not written over. Choose another name, or say --overwrite."
        )


def write(made: Made, path: Path, *, overwrite: bool = False) -> None:
    """Write a Parquet file that a scenario's `[source.NAME]` reads: whole or not at all.

    Raises
    ------
    OptimiserError
        If the name does not end in .parquet, the file exists and may not be written over, or cannot be written.
    """
    refuse_existing(path, overwrite)
    frame = pd.DataFrame({"interval_start": made.timeline.starts, **made.columns})
    table = pa.Table.from_pandas(frame, preserve_index=False)
    table = table.replace_schema_metadata({**table.schema.metadata, **side_text(made.notes, made.warnings)})
    try:
        write_one(path, partial(pq.write_table, table, compression="zstd"))
    except OSError as problem:
        raise OptimiserError(f"{path} cannot be written: {problem.strerror}. Choose another place.") from None


def described(made: Made) -> list[str]:
    """What was made, in lines for a person: span, totals by month, peak, method and caveats."""
    timeline = made.timeline
    local = timeline.local()
    end = (local[-1] + pd.Timedelta(minutes=timeline.step_minutes)).strftime("%Y-%m-%d %H:%M")
    lines = [
        f"  span     {timeline.when(0)} to {end} ({timeline.zone}), {timeline.steps:,} steps of "
        f"{timeline.step_minutes} min"
    ]
    months = timeline.groups(Grouping("month", timeline.zone))
    lines.append(
        "  kWh      " + " ".join(f"{label[2:]:>8}" for label in months.labels) + "     total      peak"
    )
    for name, values in made.columns.items():
        sums = months.sum(values) * timeline.step_hours
        shown = " ".join(f"{_figure(amount):>8}" for amount in sums)
        peak = int(np.argmax(values))
        unit = "kW/kWp" if name.endswith("_kw_per_kwp") else "kW"
        lines.append(f"  {name}")
        lines.append(
            f"           {shown} {_figure(float(sums.sum())):>9}   {values[peak]:.3f} {unit} on {timeline.when(peak)}"
        )
    lines += [f"  note     {words}" for words in made.notes]
    return lines


def _figure(amount: float) -> str:
    return f"{amount:,.0f}" if abs(amount) >= 1000 else f"{amount:,.1f}"


def to_paste(made: Made, path: Path) -> str:
    """TOML for a scenario in the file's folder."""
    name = "".join(letter if letter.isalnum() and letter.isascii() else "_" for letter in path.stem)
    return (
        f"[source.{name}]\nfile = {json.dumps(path.name)}\n"
        f'stamps = "start"\nstep_minutes = {made.timeline.step_minutes}\n'
        f'# coarsen = "mean"   # where the timeline has longer steps\n'
        f'# redate = "season_and_weekday"   # where the timeline is of another year\n\n'
        + made.fields.replace("SOURCE", name)
    )
