"""Bills of a load as it is: any file of metered power priced under any tariff, period by period."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.fields import zone_of
from optimiser.flows import MeterFlows
from optimiser.scenario.contract import Contract
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, Source, column_names, measured_step, no_column, read_table
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.timeline import Grouping, Timeline


@dataclass(frozen=True)
class Bills:
    """What a load costs under a tariff.

    Attributes
    ----------
    contract : Contract
    timeline : Timeline
    table : DataFrame
        One row a billing period and line: billing_period, group, line, quantity, unit, rate, to_pay. A rate is what
        is paid for a unit, so an average where prices move; to_pay is negative where money is received.
    energy_kwh : dict of str to float
        "import" and "export" over the timeline.
    notes : tuple of str
        What a reader of the figures should know.
    """

    contract: Contract
    timeline: Timeline
    table: pd.DataFrame
    energy_kwh: dict[str, float]
    notes: tuple[str, ...]

    @property
    def total(self) -> float:
        """All bills together, positive is to pay. [currency]"""
        return float(self.table["to_pay"].sum())

    def year(self) -> pd.DataFrame:
        """The table summed over the billing periods."""
        keys = ["group", "line", "unit"]
        summed = self.table.groupby(keys, sort=False, as_index=False)[["quantity", "to_pay"]].sum(min_count=1)
        return with_rates(summed)


def make_bills(
    load: str | Path,
    contract: Contract,
    *,
    import_column: str = "import_kw",
    export_column: str | None = None,
    unit: Literal["kW", "kWh"] = "kW",
    time_column: str = "interval_start",
    stamps: Literal["start", "end"] = "start",
    zone: str | None = None,
) -> Bills:
    """Price a file of metered import, and export if it has any, under a tariff.

    Parameters
    ----------
    load : str or Path
        A tidy CSV or Parquet file: a time column and columns of numbers, without gaps.
    contract : Contract
        From `read_tariff`. A column of the load file is there to it as "load.column".
    import_column, export_column : str
        Columns of power or energy, never negative; without an export column nothing is exported.
    unit : "kW" or "kWh"
        What the columns hold: mean power, or energy of each interval.
    time_column, stamps, zone : str
        The column of stamps, whether they mark starts or ends, and the zone of stamps that carry none (left out: the
        tariff's).

    Raises
    ------
    ScenarioError
        With every fault of the file, or of the tariff on its timeline.
    """
    path = Path(load)
    table = read_metered(path, time_column, stamps, zone or contract.tariff.zone)
    timeline = metered_timeline(path, table, contract.tariff.zone)
    scale = 1.0 if unit == "kW" else 1.0 / timeline.step_hours
    imported, exported = _metered(path, table, timeline, import_column, export_column, scale)
    columns = contract.columns(timeline, {"load": table})
    data = InputData(timeline, lambda value: columns[value] if isinstance(value, str) else value)
    flows = MeterFlows(imported, exported, imported, exported, imported)
    rows = line_rows(contract.tariff.lines(flows, SettledTerms(data)), contract.tariff.period, timeline)
    names = ["billing_period", "group", "line", "quantity", "unit", "amount", "cash"]
    made = pd.DataFrame(rows, columns=names)
    made["to_pay"] = 0.0 - made["amount"]
    keys = ["billing_period", "group", "line", "unit"]
    made = made.groupby(keys, sort=False, as_index=False)[["quantity", "to_pay"]].sum(min_count=1)
    energy = {"import": imported.sum() * timeline.step_hours, "export": exported.sum() * timeline.step_hours}
    notes = tuple(_notes(contract, timeline))
    return Bills(contract, timeline, with_rates(made), {k: float(v) for k, v in energy.items()}, notes)


@dataclass(frozen=True)
class Columns:
    """Which columns of a load file are meant, and what they hold."""

    into: str
    out: str | None
    unit: Literal["kW", "kWh"]


def metered_columns(
    load: str | Path, into: str, out: str | None, unit: Literal["kW", "kWh"] | None
) -> Columns:
    """The columns of a load file, their unit taken from the ends of their names where it is not given.

    Parameters
    ----------
    load : str or Path
    into, out : str
        Without `out`, export_kw (or export_kwh, with `into` in kWh) is taken if the file has it.
    unit : "kW", "kWh" or None

    Raises
    ------
    SeriesError
        If the file has no such columns, the unit is neither given nor in the names, or the names disagree.
    """
    columns = column_names(Path(load))
    lacking = [no_column(name, columns) for name in (into, out) if name is not None and name not in columns]
    if lacking:
        raise SeriesError(str(load), lacking)
    said = {_unit_of(name) for name in (into, out) if name is not None}
    if unit is None and (len(said) != 1 or None in said):
        raise SeriesError(
            str(load),
            [
                "whether its columns hold kW or kWh must be known: 5 kWh in half an hour are 10 kW. Give --unit, or "
                "end the names of both columns in _kw or _kwh."
            ],
        )
    chosen = unit or next(iter(said))
    assert chosen is not None
    if out is None:
        guess = f"export_{chosen.lower()}"
        out = guess if guess in columns and guess != into else None
    return Columns(into, out, chosen)


def _unit_of(name: str) -> Literal["kW", "kWh"] | None:
    lower = name.lower()
    if lower.endswith("kwh"):
        return "kWh"
    return "kW" if lower.endswith("kw") else None


BillRow = tuple[str, str, str, float, str, float, bool]


def line_rows(lines: Sequence[Line], period: Grouping, timeline: Timeline) -> list[BillRow]:
    """A row a line and billing period: period, group, line, quantity, unit, amount (income positive), cash."""
    rows: list[BillRow] = []
    labels = timeline.groups(period).labels
    for line in lines:
        amounts = _by_period(line.values, line, period, timeline)
        quantities = _by_period(line.quantity, line, period, timeline)
        for number, label in enumerate(labels):
            quantity = float("nan") if line.quantity is None else float(quantities[number])
            rows.append(
                (label, line.group, line.name, quantity, line.unit, float(amounts[number]), line.cash)
            )
    return rows


def with_rates(table: pd.DataFrame) -> pd.DataFrame:
    """The same table with what was paid for each unit, in the order in which a bill is read."""
    quantity = table["quantity"].to_numpy(float)
    to_pay = table["to_pay"].to_numpy(float)
    counted = np.abs(quantity) > 1e-9
    rate = np.full(len(table), np.nan)
    rate[counted] = to_pay[counted] / quantity[counted]
    order = [name for name in ("billing_period", "group", "line", "quantity", "unit") if name in table]
    return table.assign(rate=rate)[[*order, "rate", "to_pay"]]


def _by_period(values: Any, line: Line, period: Grouping, timeline: Timeline) -> np.ndarray:
    if values is None:
        return np.zeros(0)
    numbers = np.asarray(values, float)
    if line.per != period:
        months, own = timeline.groups(period), timeline.groups(line.per)
        numbers = np.bincount(months.of_step[own.first_step], weights=numbers, minlength=months.count)
    # What rounding leaves of a block with nothing in it is nothing.
    return np.where(np.abs(numbers) < 1e-9, 0.0, numbers)


def read_metered(path: Path, time_column: str, stamps: Literal["start", "end"], zone: str) -> SeriesTable:
    """A file of metered intervals, their length taken from its first stamps.

    Parameters
    ----------
    path : Path
    time_column : str
    stamps : "start" or "end"
        What they mark.
    zone : str
        Of stamps that carry none.

    Raises
    ------
    SeriesError
        For anything that the file's clock does not allow: gaps, repeats, intervals that do not divide an hour.
    """
    minutes = measured_step(path, time_column)
    if minutes > 60 or 60 % minutes:
        raise SeriesError(
            str(path),
            [
                f"its intervals must divide an hour, got {minutes} min. Give intervals of 5, 10, 15, 30 or 60 min."
            ],
        )
    try:
        zone_of(zone)
    except ValueError as problem:
        raise SeriesError(str(path), [f"the zone of its stamps {problem}, got {zone!r}."]) from None
    source = Source(file=path.name, time_column=time_column, stamps=stamps, zone=zone, step_minutes=minutes)
    return read_table("load", source, path)


def metered_timeline(path: Path, table: SeriesTable, zone: str) -> Timeline:
    """The intervals of a metered file as steps on the clock of a zone.

    Raises
    ------
    SeriesError
        If they do not begin on the clock's grid.
    """
    first, minutes = table.starts[0].tz_convert(zone_of(zone)), table.source.step_minutes
    if first.minute % minutes or first.second:
        raise SeriesError(
            str(path),
            [
                f"its intervals begin at {first:%H:%M:%S} ({zone}), off the clock's grid of {minutes} min. "
                "Check the stamps, and whether they mark starts or ends."
            ],
        )
    return Timeline(table.starts[0].to_pydatetime(), minutes, len(table.starts), zone)


def same_column_faults(into: str, out: str | None) -> list[str]:
    """A sentence if one column is given as import and as export."""
    if into != out:
        return []
    return [
        f"column {into} is given both as import and as export. Name the column of each, or leave out --export."
    ]


def _metered(
    path: Path, table: SeriesTable, timeline: Timeline, into: str, out: str | None, scale: float
) -> tuple[np.ndarray, np.ndarray]:
    """Import and export, of shape (steps,); every fault of both at once. [kW]"""
    faults, made = same_column_faults(into, out), []
    for column in (into, out):
        try:
            made.append(
                scale * lay(table, column, timeline, 0.0) if column is not None else np.zeros(timeline.steps)
            )
        except SeriesError as error:
            faults += error.faults
    if faults:
        raise SeriesError(str(path), faults)
    return made[0], made[1]


def _notes(contract: Contract, timeline: Timeline) -> list[str]:
    """Billing periods and components that are cut, and demand metered on a finer clock than the file's."""
    notes = list(contract.tariff.notes(timeline))
    for component in contract.tariff.component:
        minutes = getattr(component, "interval_minutes", timeline.step_minutes)
        if minutes < timeline.step_minutes:
            notes.append(
                f"{component.name} is metered over {minutes} min but the file has {timeline.step_minutes} min: "
                "the peak is understated."
            )
    return notes
