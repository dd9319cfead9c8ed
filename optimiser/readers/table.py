"""Tables of meters and markets as others lay them out, read through a declared mapping; nothing is guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.readers.content import refuse
from optimiser.readers.mapped import MappedTable
from optimiser.readers.mapping import Mapping, read_mapping
from optimiser.readers.readings import Channel, Kind, Readings

# What a value of each unit is in kWh or kvarh, over one hour where it is power.
_UNITS = {
    "W": ("kWh", 1e-3, True),
    "kW": ("kWh", 1.0, True),
    "MW": ("kWh", 1e3, True),
    "Wh": ("kWh", 1e-3, False),
    "kWh": ("kWh", 1.0, False),
    "MWh": ("kWh", 1e3, False),
    "kvar": ("kvarh", 1.0, True),
    "kvarh": ("kvarh", 1.0, False),
}


def read_table(path: Path, mapping: Path | str | Mapping) -> Readings:
    """Read a table of meter values (CSV, plain or compressed, or Parquet).

    Parameters
    ----------
    path : Path
    mapping : Path, str or Mapping
        How the table is laid out: a TOML file, the name of a shipped one, or a mapping already read.

    Returns
    -------
    Readings
        One channel a named column. Power becomes energy with the interval's length. An empty cell is MISSING.

    Raises
    ------
    ScenarioError
        If the mapping has faults.
    SeriesError
        With every fault of the table found, by kind, each with its first lines.
    """
    mapping = mapping if isinstance(mapping, Mapping) else read_mapping(mapping)
    if mapping.unit is None:
        raise SeriesError(
            str(path),
            [
                'its mapping says no unit. Say unit = "kW" for power or "kWh" for the energy of each interval: 5 '
                "kWh in half an hour are 10 kW."
            ],
        )
    unit, scale, is_power = _UNITS[mapping.unit]
    if is_power:
        scale *= mapping.step_minutes / 60
    table = MappedTable(Path(path), mapping)
    parts = table.parts()
    channels = []
    for part in parts:
        energy = part.values * scale
        kind: Kind = part.target.flow
        below = np.flatnonzero(energy < 0)
        if len(below) and kind not in ("net", "unknown"):
            when = part.starts[int(below[0])]
            table.faults.append(
                f"{part.target.name} is called {kind} and is below zero in {len(below)} intervals, first in that of "
                f'{when:%Y-%m-%d %H:%M}Z. Say flow = "net", or correct its sign with scale.'
            )
        start = np.asarray(part.starts.tz_localize(None), "datetime64[s]")
        channels.append(
            Channel(part.target.name, kind, unit, mapping.step_minutes, start, energy, part.quality, ())
        )
    refuse(table.path, table.faults)
    return Readings(str(path), "table", tuple(channels), tuple(table.notes), mapping.zone)


def read_prices(path: Path, mapping: Path | str | Mapping) -> pd.DataFrame:
    """Read a table of market prices (CSV, plain or compressed, or Parquet).

    Parameters
    ----------
    path : Path
    mapping : Path, str or Mapping
        How the table is laid out: a TOML file, the name of a shipped one, or a mapping already read.

    Returns
    -------
    DataFrame
        Named columns of prices in the table's own unit times each column's `scale`; the index holds the UTC starts
        of the intervals, rising, without repeats. nan where the table has no price. `attrs["notes"]` is a tuple of
        what a person should know, `attrs["step_minutes"]` the length of an interval.

    Raises
    ------
    ScenarioError
        If the mapping has faults.
    SeriesError
        With every fault of the table found, by kind, each with its first lines.
    """
    mapping = mapping if isinstance(mapping, Mapping) else read_mapping(mapping)
    if mapping.unit is not None or mapping.quality is not None:
        raise SeriesError(
            str(path),
            [
                "its mapping has a unit or a column of quality, as for a meter's table. Leave them out for prices."
            ],
        )
    table = MappedTable(Path(path), mapping)
    parts = table.parts()
    refuse(table.path, table.faults)
    frame = pd.DataFrame({part.target.name: pd.Series(part.values, index=part.starts) for part in parts})
    frame.index.name = "interval_start"
    step = np.timedelta64(mapping.step_minutes, "m")
    holes = int((np.diff(frame.index.to_numpy()) > step).sum())
    if holes:
        table.notes.append(f"{holes} {'gap' if holes == 1 else 'gaps'} in time, left as they are")
    for name in frame.columns:
        empty = int(frame[name].isna().sum())
        if empty:
            table.notes.append(f"{name} has no price in {empty} of {len(frame)} intervals")
    frame.attrs = {"notes": tuple(table.notes), "step_minutes": mapping.step_minutes}
    return frame
