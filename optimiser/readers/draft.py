"""What to say to someone whose table has no mapping yet: a shipped one that fits, or one to complete."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from optimiser.errors import SeriesError
from optimiser.readers.content import content_of, first_few, text_of
from optimiser.readers.mapping import Mapping, read_mapping, shipped_mappings

_CLOCK_TIME = re.compile(r"\s*[0-9]{1,2}:[0-9]{2}.*")


def draft_mapping(path: Path) -> str:
    """The columns of a table, the shipped mappings that fit them, and the beginning of a mapping, as a "
    "message."""
    raw = content_of(path)
    separator = ","
    if raw[:4] == b"PAR1":
        try:
            names = pq.read_schema(io.BytesIO(raw)).names
        except (OSError, pa.ArrowException) as problem:
            words = str(problem).strip().splitlines()[0][:200].rstrip(".")
            raise SeriesError(
                str(path),
                [f"it is not Parquet that can be read: {words}. Write it again, or save it as CSV."],
            ) from None
    else:
        lines = text_of(path, raw).splitlines()
        head = next((line for line in lines if line.strip()), "")
        separator = max((",", ";", "\t"), key=head.count)
        names = [name.strip() for name in next(csv.reader([head], delimiter=separator))]
    fitting = [name for name in shipped_mappings() if _fits(read_mapping(name), names)]
    shipped = (
        f" The shipped {' or '.join(fitting)} fits them: say --mapping {fitting[0]}. Or" if fitting else ""
    )
    way_out = f"{shipped or ' So'} write what they mean into a small file and name it:"
    return f"Its columns are {first_few(names, 12)}.{way_out}\n{_text(names, separator)}"


def _fits(mapping: Mapping, names: Sequence[str]) -> bool:
    needed = [*mapping.stamp, *mapping.where]
    if mapping.pivot:
        needed += [mapping.pivot.by] + ([mapping.pivot.value] if mapping.pivot.value else [])
    elif not mapping.day_rows:
        needed += list(mapping.columns)
    if mapping.day_rows:
        needed += [mapping.day_rows.first, mapping.day_rows.last]
    return all(name in names for name in needed)


def _text(names: Sequence[str], separator: str) -> str:
    stamp = next(
        (name for name in names if re.search("date|time|stamp|start|hour", name, re.IGNORECASE)), names[0]
    )
    headed = [name for name in names if _CLOCK_TIME.fullmatch(name)]
    others = [name for name in names if name != stamp and name not in headed]
    lines = [
        f'stamp = "{stamp}"',
        'stamps = "start"            # of its interval, or "end"',
        'zone = "Europe/Berlin"      # or a fixed one, such as "UTC+10:00"',
        "step_minutes = 30",
        'unit = "kWh"                # of a meter, or kW; left out for prices',
    ]
    if separator != ",":
        lines.append(f'separator = "{"tab" if separator == chr(9) else separator}"')
    if len(headed) > 2:
        lines.append(f'day_rows = {{ first = "{headed[0]}", last = "{headed[-1]}" }}')
    value = "values" if len(headed) > 2 else (others[-1] if others else "its column")
    return "\n".join([*lines, "[columns]", f'"{value}" = "load"'])
