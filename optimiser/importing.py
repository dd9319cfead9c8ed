"""The road of an import: files read, repaired where asked, laid on even steps, written with a page about them."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimiser.errors import OptimiserError
from optimiser.fields import zone_of
from optimiser.readers.content import first_few
from optimiser.readers.detect import format_of
from optimiser.readers.draft import draft_mapping
from optimiser.readers.greenbutton.feed import read_green_button
from optimiser.readers.mapping import Mapping, read_mapping
from optimiser.readers.nem12 import read_nem12
from optimiser.readers.readings import joined
from optimiser.readers.repair import Method, method_of
from optimiser.readers.table import read_prices, read_table
from optimiser.readers.tidy import ENERGY_OF, ColumnFacts, Tidy, tidy, tidy_prices
from optimiser.series.table import side_text
from optimiser.writing import write_files


@dataclass(frozen=True)
class Imported:
    """What an import made, before it is written.

    Attributes
    ----------
    name : str
        Of the source in a scenario.
    files : tuple of str
        What was read.
    found : Tidy
    """

    name: str
    files: tuple[str, ...]
    found: Tidy


@dataclass(frozen=True)
class Wanted:
    """What is to be taken from files and how, as the command's options say it; see `bring_in`."""

    mapping: str | None = None
    channels: Sequence[str] = ()
    methods: Sequence[Method] = ()
    step_minutes: int | None = None
    zone: str | None = None
    unit: str | None = None


def _from_nem12(paths: Sequence[Path], wanted: Wanted) -> Tidy:
    return tidy(read_nem12(paths), wanted.channels, wanted.step_minutes, wanted.methods, wanted.zone)


def _from_green_button(paths: Sequence[Path], wanted: Wanted) -> Tidy:
    readings = joined([read_green_button(path, wanted.unit) for path in paths])
    return tidy(readings, wanted.channels, wanted.step_minutes, wanted.methods, wanted.zone)


def _from_table(paths: Sequence[Path], wanted: Wanted) -> Tidy:
    if wanted.mapping is None:
        raise OptimiserError(f"{paths[0]} is read as a table, and needs a mapping. {draft_mapping(paths[0])}")
    mapping = read_mapping(wanted.mapping)
    if mapping.unit is not None:
        readings = joined([read_table(path, mapping) for path in paths])
        return tidy(readings, wanted.channels, wanted.step_minutes, wanted.methods, wanted.zone)
    prices = _prices(paths, mapping)
    return tidy_prices(
        prices, "table", wanted.channels, wanted.step_minutes, wanted.methods, wanted.zone or mapping.zone
    )


def _prices(paths: Sequence[Path], mapping: Mapping) -> pd.DataFrame:
    """The prices of one or several tables; a moment that comes twice must say the same."""
    frames = [read_prices(path, mapping) for path in paths]
    frame = pd.concat(frames).sort_index(kind="stable") if frames[1:] else frames[0]
    stamped = frame.reset_index().drop_duplicates()
    twice = stamped["interval_start"].duplicated()
    if twice.any():
        raise OptimiserError(
            f"{', '.join(map(str, paths))}: two of the tables have other prices for the interval that starts "
            f"{stamped.loc[twice, 'interval_start'].iloc[0]:%Y-%m-%d %H:%M}Z. Leave one of them out."
        )
    notes = tuple(dict.fromkeys(note for part in frames for note in part.attrs["notes"]))
    made = stamped.set_index("interval_start")
    made.attrs = {"notes": notes, "step_minutes": mapping.step_minutes}
    return made


READERS: dict[str, Callable[[Sequence[Path], Wanted], Tidy]] = {
    "nem12": _from_nem12,
    "greenbutton": _from_green_button,
    "table": _from_table,
}


def bring_in(
    paths: Sequence[str | Path],
    name: str,
    *,
    format_name: str | None = None,
    mapping: str | None = None,
    channels: Sequence[str] = (),
    repairs: Sequence[str] = (),
    step_minutes: int | None = None,
    zone: str | None = None,
    unit: str | None = None,
) -> Imported:
    """Read files of one format and make the frame that a scenario can use as a source.

    Parameters
    ----------
    paths : sequence of path
    name : str
        Of the source in a scenario: small letters, digits and underscores.
    format_name : str, optional
        "nem12", "greenbutton" or "table"; left out: where the first bytes say it for certain.
    mapping : str, optional
        For a table: the name of a shipped mapping, or a file.
    channels, step_minutes, zone
        See `optimiser.readers.tidy.tidy`.
    repairs : sequence of str
        "hold:4", "interpolate:4", "same_time_last_week", in this order; left out: nothing is repaired.
    unit : str, optional
        For Green Button: "Wh" or "kWh", of values that no reading type describes.

    Raises
    ------
    OptimiserError
        For anything that a file or an option does not allow; the message says what to do.
    """
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,40}", name):
        raise OptimiserError(f"--name must be small letters, digits and underscores, got {name[:40]!r}.")
    methods = [method_of(words) for words in repairs]
    files = [Path(path) for path in paths]
    form = format_name or _common_format(files, mapping)
    for option, given, fitting in (("--mapping", mapping, "table"), ("--unit", unit, "greenbutton")):
        if given is not None and form != fitting:
            raise OptimiserError(
                f"{option} is for {fitting}, and the files are read as {form}. Leave it out."
            )
    found = READERS[form](files, Wanted(mapping, channels, methods, step_minutes, zone, unit))
    return Imported(name, tuple(map(str, files)), found)


def _common_format(files: Sequence[Path], mapping: str | None) -> str:
    formats = {path: "table" if mapping else format_of(path) for path in files}
    if len(set(formats.values())) > 1:
        words = ", ".join(f"{path.name} is {name}" for path, name in formats.items())
        raise OptimiserError(f"The files are of different formats: {words}. Import them apart.")
    return next(iter(formats.values()))


def summary_lines(made: Imported) -> list[str]:
    """What was found, in lines for a terminal: span, columns, months, peaks, gaps, quality, repairs."""
    found = made.found
    index = pd.DatetimeIndex(found.frame.index).tz_convert(zone_of(found.zone))
    end = index[-1] + pd.Timedelta(minutes=found.step_minutes)
    lines = [
        f"{', '.join(Path(file).name for file in made.files)} ({found.form}): {index[0]:%Y-%m-%d %H:%M} to "
        f"{end:%Y-%m-%d %H:%M} ({found.zone}), {len(index)} steps of {found.step_minutes} min"
    ]
    for column in found.columns:
        lines += _column_lines(column)
    for entry in found.quality:
        counts = ", ".join(f"{count} {word}" for word, count in entry.counts.items() if count)
        lines.append(f"  {entry.channel}: {counts or 'no intervals'}")
        if entry.days:
            lines.append(f"    not all actual on {len(entry.days)} days: {first_few(entry.days)}")
    for method in dict.fromkeys(entry.method for entry in found.repaired):
        own = [entry for entry in found.repaired if entry.method == method]
        where = first_few(
            f"{entry.column} {entry.start.tz_convert(zone_of(found.zone)):%Y-%m-%d %H:%M}" for entry in own
        )
        lines.append(f"  repaired by {method}: {len(own)} steps ({where})")
    return lines


def _column_lines(column: ColumnFacts) -> list[str]:
    if column.peak_at is None:
        return [f"  {column.name} (from {column.of}): no values at all"]
    energy = ENERGY_OF.get(column.unit)
    total = f"{column.total:,.3f} {energy}" if energy else f"mean {column.total:,.2f}"
    lines = [
        f"  {column.name} (from {column.of}): {total}, highest {column.peak:,.3f} {column.unit} at "
        f"{column.peak_at:%Y-%m-%d %H:%M}, lowest {column.lowest:,.3f}".replace("  at", " at")
    ]
    months = [f"{name} {value:,.1f}" if value == value else f"{name} -" for name, value in column.months]
    lines += ["    " + "  ".join(months[first : first + 6]) for first in range(0, len(months), 6)]
    if column.gaps:
        some = first_few(f"{start:%Y-%m-%d %H:%M} ({length} steps)" for start, length in column.gaps)
        count = "1 gap" if len(column.gaps) == 1 else f"{len(column.gaps)} gaps"
        lines.append(f"    missing: {column.missing} steps in {count}: {some}")
    return lines


def source_text(made: Imported) -> str:
    """The text to paste into scenario.toml."""
    return (
        f'[source.{made.name}]\nfile = "{made.name}.parquet"\ntime_column = "interval_start"\n'
        f'stamps = "start"\nstep_minutes = {made.found.step_minutes}\n'
        '# redate = "season_and_weekday"   # where the timeline is of another year\n'
    )


def use_lines(made: Imported) -> list[str]:
    """How the main columns are used in a scenario, line by line."""
    lines = []
    by_name = {column.name: column for column in made.found.columns}
    load = _load_column(by_name)
    if load:
        lines.append(f'power_kw = "{made.name}.{load}"          # under [[site.load]]')
    solar = next(
        (name for name in by_name if name.startswith(("solar", "generation")) and name.endswith("_kw")), None
    )
    if solar:
        lines.append(
            f'available_kw = "{made.name}.{solar}"     # under [[site.ac_solar]] or [[site.solar_controller]]'
        )
    price = next((name for name in by_name if name.endswith("_per_mwh")), None)
    if price:
        lines.append(
            f'price_per_mwh = "{made.name}.{price}"    # of a spot_charge or spot_feed_in under '
            "[[tariff.component]]"
        )
    service = next((name for name in by_name if name.endswith("_per_mw_hour")), None)
    if service:
        lines.append(
            f'price = "{made.name}.{service}"          # under [[service]], with price_unit = "per_mw_hour"'
        )
    return lines


def _load_column(by_name: dict[str, ColumnFacts]) -> str | None:
    powers = [name for name, column in by_name.items() if column.unit == "kW"]
    for wanted in ("load_kw", "consumption_kw", "usage_kw", "import_kw"):
        if wanted in powers:
            return wanted
    found = next((name for name in powers if name.endswith("_import_kw")), None)
    only = powers[0] if len(by_name) == 1 and powers else None  # beside prices, a power is the market's
    return found or only


def write_import(made: Imported, folder: str | Path, overwrite: bool = False) -> dict[str, Path]:
    """Write the Parquet file and the page about it.

    Both are written under other names first and then moved into place.

    Parameters
    ----------
    made : Imported
    folder : path
    overwrite : bool
        Whether files of these names may be replaced.

    Returns
    -------
    dict of str to Path
        "table" and "page".

    Raises
    ------
    OptimiserError
        If a file is there already, or the folder cannot be written to.
    """
    from optimiser.report.imported import import_page

    folder = Path(folder)
    paths = {"table": folder / f"{made.name}.parquet", "page": folder / f"{made.name}.html"}
    there = [str(path) for path in paths.values() if os.path.lexists(path)]
    if there and not overwrite:
        raise OptimiserError(
            f"{' and '.join(there)}: there already, and not written over. Say --overwrite, or another --name."
        )
    page = import_page(
        made.found, made.name, [Path(file).name for file in made.files], source_text(made), use_lines(made)
    )
    write_files({paths["table"]: partial(_to_parquet, made.found), paths["page"]: page})
    return paths


def _to_parquet(found: Tidy, path: Path) -> None:
    """The frame, with the notes and what was repaired in its metadata, so that every report tells them."""
    table = pa.Table.from_pandas(found.frame.reset_index(), preserve_index=False)
    notes = side_text([*found.notes, *_quality_notes(found)], _repair_notes(found))
    pq.write_table(
        table.replace_schema_metadata({**(table.schema.metadata or {}), **notes}), path, compression="zstd"
    )


def _quality_notes(found: Tidy) -> list[str]:
    return [
        f"{entry.channel}: {', '.join(f'{count} {word}' for word, count in entry.counts.items() if count)} intervals."
        for entry in found.quality
    ]


def _repair_notes(found: Tidy) -> list[str]:
    methods = dict.fromkeys((entry.column, entry.method) for entry in found.repaired)
    counts = Counter((entry.column, entry.method) for entry in found.repaired)
    return [
        f"{column}: {counts[column, method]} steps were repaired by {method}." for column, method in methods
    ]
