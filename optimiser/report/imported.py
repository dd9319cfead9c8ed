"""The page of an import: what the files held, drawn, with every gap, substitute and repair by name."""

from __future__ import annotations

from typing import Any

import pandas as pd

from optimiser.fields import zone_of
from optimiser.readers.tidy import ENERGY_OF, ColumnFacts, Quality, Tidy
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    HeatMap,
    NamedValues,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.embed import embed
from optimiser.report.page import page_text
from optimiser.words import listed, month, number, quantity

MOST_MAPS = 6
MOST_ROWS = 2000
_UNITS = {"mwh": "MWh", "kwh": "kWh", "mw": "MW", "kw": "kW"}
COLOURS = tuple(f"@series{place}" for place in range(1, 8))


def import_page(found: Tidy, name: str, files: list[str], source: str, lines: list[str]) -> str:
    """The page as text.

    Parameters
    ----------
    found : Tidy
    name : str
        Of the source in a scenario.
    files : list of str
        Names of the files that were read.
    source : str
        The text to paste into a scenario.
    lines : list of str
        How the columns are used there.
    """
    drawn = [column for column in found.columns if column.peak_at is not None][:MOST_MAPS]
    sections = [
        _answer(found, files),
        _pictures(drawn),
        _quality(found),
        _use(name, source, lines),
    ]
    local = pd.DatetimeIndex(found.frame.index).tz_convert(zone_of(found.zone))
    series = found.frame.assign(interval_start_local=local.strftime("%Y-%m-%dT%H:%M:%S%z"))
    embedded = embed(series, [column.name for column in drawn], float(found.step_minutes))
    return page_text(f"What {listed(files[:3])} held" if files[:3] else name, False, "", sections, embedded)


def unit_words(column: ColumnFacts) -> str:
    """The unit of a column, or of a price by its name."""
    if column.unit:
        return column.unit
    return (
        "per " + column.name.partition("_per_")[2].replace("_", " ")
        if "_per_" in column.name
        else "as it stands"
    )


def energy_words(column: ColumnFacts) -> str:
    """The unit of a column's totals."""
    return ENERGY_OF.get(column.unit, unit_words(column))


def _answer(found: Tidy, files: list[str]) -> Section:
    frame = found.frame
    index = pd.DatetimeIndex(frame.index).tz_convert(zone_of(found.zone))
    end = index[-1] + pd.Timedelta(minutes=found.step_minutes)
    facts = (
        ("Read from", listed(files)),
        ("Covers", f"{index[0]:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} on the clock of {found.zone}"),
        ("Steps", f"{number(len(frame))} of {found.step_minutes} min"),
        ("Steps without a value", number(sum(column.missing for column in found.columns))),
        ("Steps repaired", number(len(found.repaired))),
    )
    head = (
        *map(text_column, ("Column", "Made of", "Unit", "Highest at")),
        *map(Column, ("Total or mean", "Highest", "Lowest", "Missing steps")),
    )
    rows = tuple(Row(_cells(column)) for column in found.columns)
    blocks: list[Block] = [NamedValues(facts), TableBlock("Columns of the file that was written", head, rows)]
    if found.notes:
        blocks.append(Points(found.notes, tone="warning"))
    return Section("answer", "Found", "What was found", tuple(blocks))


def _cells(column: ColumnFacts) -> tuple[str, ...]:
    moment = f"{column.peak_at:%Y-%m-%d %H:%M}" if column.peak_at is not None else ""
    figures = (
        number(column.total, 2),
        number(column.peak, 3),
        number(column.lowest, 3),
        number(column.missing),
    )
    return column.name, column.of, energy_words(column), moment, *figures


def _pictures(columns: list[ColumnFacts]) -> Section:
    blocks: list[Block] = []
    for kind in dict.fromkeys(energy_words(column) for column in columns):
        alike = [column for column in columns if energy_words(column) == kind]
        blocks.append(_months(alike, kind, f"months-{len(blocks)}"))
    for place, column in enumerate(columns):
        two_sided = column.lowest < 0 < column.peak and column.unit != ""
        scale = "two-sided" if two_sided else ("rising" if column.unit else "clipped")
        words = (
            "Days across, hours of the local clock up; darker is less, lighter is more, holes are missing."
        )
        if two_sided:
            words = "Days across, hours of the local clock up; one colour above zero, another below."
        blocks.append(
            HeatMap(f"column-{place}", column.name, words, column.name, None, unit_words(column), scale)
        )
    if not blocks:
        blocks.append(Text("There is no value to draw.", tone="warning"))
    return Section("pictures", "Pictures", "Month by month, day by hour", tuple(blocks))


def _months(columns: list[ColumnFacts], unit: str, key: str) -> Chart:
    names = sorted({name for column in columns for name, _ in column.months})
    what = "Energy" if columns[0].unit else "Mean"
    traces: list[dict[str, Any]] = []
    for place, column in enumerate(columns):
        values = dict(column.months)
        traces.append(
            {
                "type": "bar",
                "name": label(column.name),
                "x": names,
                "y": [_number_or_none(values.get(name)) for name in names],
                "marker": {"color": COLOURS[place % len(COLOURS)]},
                "hovertemplate": "%{x}: %{y:,.1f} " + label(unit) + "<extra></extra>",
            }
        )
    rows = tuple(
        Row((month(name), *(number(dict(column.months).get(name), 2) for column in columns)))
        for name in names
    )
    table = TableBlock(
        f"{what} per month, {unit}",
        (text_column("Month"), *(Column(column.name) for column in columns)),
        rows,
        folded=True,
    )
    totals = listed([f"{column.name} {quantity(column.total, unit)}" for column in columns])
    return Chart(
        key=key,
        title=f"{what} per month, {unit}",
        description=f"{'In all' if columns[0].unit else 'Mean of all steps'}: {totals}.",
        traces=tuple(traces),
        layout={"barmode": "group", "showlegend": len(columns) > 1, "xaxis": {"type": "category"},
                "yaxis": {"title": {"text": unit}, "zeroline": True}},
        height_px=320,
        table=table,
    )  # fmt: skip


def _number_or_none(value: float | None) -> float | None:
    return None if value is None or value != value else value


def _quality(found: Tidy) -> Section:
    head = (
        text_column("Channel"),
        *(Column(word) for word in ("Actual", "Substituted", "Estimated", "Missing")),
    )
    rows = tuple(
        Row((entry.channel, *(number(count) for count in entry.counts.values()))) for entry in found.quality
    )
    blocks: list[Block] = (
        [TableBlock("Intervals by quality, as the file flags them", head, rows)] if rows else []
    )
    blocks += [
        _flags(entry) for entry in found.quality if len(entry.flags) > 1 or entry.flags[:1] != (("", "", 0),)
    ]
    for entry in found.quality:
        if entry.days:
            blocks.append(
                _folded(
                    f"{entry.channel}: {number(len(entry.days))} days that are not all actual",
                    ("Day",),
                    entry.days,
                )
            )
    for column in found.columns:
        if column.gaps:
            cells = [f"{start:%Y-%m-%d %H:%M}, {length} steps" for start, length in column.gaps]
            blocks.append(
                _folded(
                    f"{column.name}: {number(len(cells))} {'gap' if len(cells) == 1 else 'gaps'}",
                    ("From",),
                    cells,
                )
            )
    if found.repaired:
        zone = zone_of(found.zone)
        filled = [
            Row(
                (
                    entry.column,
                    f"{entry.start.tz_convert(zone):%Y-%m-%d %H:%M}",
                    entry.method,
                    number(entry.value, 4),
                )
            )
            for entry in found.repaired[:MOST_ROWS]
        ]
        columns = (text_column("Column"), text_column("Step"), text_column("Method"), Column("Value"))
        blocks.append(
            TableBlock(f"{number(len(found.repaired))} repaired steps", columns, tuple(filled), folded=True)
        )
        if len(found.repaired) > MOST_ROWS:
            blocks.append(Text(f"The table shows the first {number(MOST_ROWS)}.", tone="quiet"))
    else:
        blocks.append(Text("Nothing was repaired. A null is never read as zero."))
    return Section("quality", "Quality", "How good the readings are", tuple(blocks))


def _flags(entry: Quality) -> TableBlock:
    rows = tuple(
        Row((flag or "none", reason, number(count))) for flag, reason, count in entry.flags[:MOST_ROWS]
    )
    columns = (text_column("Flag"), text_column("Reason"), Column("Intervals"))
    return TableBlock(f"{entry.channel}: flags and reasons of the file", columns, rows, folded=True)


def _folded(caption: str, head: tuple[str, ...], cells: list[str] | tuple[str, ...]) -> TableBlock:
    rows = tuple(Row((cell,)) for cell in cells[:MOST_ROWS])
    return TableBlock(caption, tuple(map(text_column, head)), rows, folded=True)


def _use(name: str, source: str, lines: list[str]) -> Section:
    rows = tuple(Row((line,)) for line in [*source.splitlines(), *lines])
    blocks: tuple[Block, ...] = (
        Text(f"Put {name}.parquet beside scenario.toml, and these lines into it:"),
        TableBlock("Lines for scenario.toml", (text_column("Line"),), rows),
    )
    return Section("use", "Use", "How to use it", blocks)
