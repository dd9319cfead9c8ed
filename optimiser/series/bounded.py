"""How much of a file is ever read: its bytes, what they unpack to, its rows, columns and cells."""

from __future__ import annotations

import io
import os
import zlib
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from optimiser.errors import ScenarioError, SeriesError

MOST_BYTES = 500_000_000
MOST_ROWS = 5_000_000  # thirty years of five minutes are 3.2 million
MOST_COLUMNS = 5_000
MOST_CELLS = 20_000_000
CUT = "Cut it to the span you need."


class TooMuchError(ValueError):
    """More than can be meant; the words are a sentence with its way out."""


def refuse_no_file(path: Path, way: str, fault: type[ScenarioError] = SeriesError) -> None:
    """Refuse a folder, a device or nothing where a file is wanted, each by what it is; `way` is the way out."""
    if os.path.isfile(path):
        return
    if os.path.isdir(path):
        raise fault(str(path), ["it is a folder. Name the file in it."])
    if os.path.exists(path):
        raise fault(str(path), [f"it is a device or a pipe and no file. {way}"])
    raise fault(str(path), [f"the file does not exist. {way}"])


def bounded_bytes(path: Path, most: int, way_out: str, fault: type[ScenarioError]) -> bytes:
    """Content of a file that must not be larger than `most` bytes; a `fault` with the way out if it is."""
    if path.stat().st_size > most:
        raise fault(str(path), [f"the file is larger than {most} bytes. {way_out}"])
    try:
        return path.read_bytes()
    except OSError as problem:
        raise fault(
            str(path), [f"the file cannot be read: {problem.strerror}. Check its permissions."]
        ) from None


def inflated(raw: bytes) -> bytes:
    """What a gzip file holds.

    Raises
    ------
    TooMuchError
        If it unpacks to more than `MOST_BYTES`.
    EOFError, zlib.error
        If it is damaged.
    """
    parts, size, rest = [], 0, raw
    while rest:  # a gzip file may be several, one after the other
        stream = zlib.decompressobj(wbits=31)
        parts.append(stream.decompress(rest, MOST_BYTES + 1 - size))
        size += len(parts[-1])
        if size > MOST_BYTES:
            raise TooMuchError(f"it unpacks to more than {MOST_BYTES} bytes. {CUT}")
        if not stream.eof:
            raise EOFError("it ends before its end mark")
        rest = stream.unused_data.lstrip(b"\0")
    return b"".join(parts)


def refuse_too_many(rows: int, columns: int, cells: int) -> None:
    """Refuse a table by its shape, before it is built."""
    for count, most, word, way in (
        (rows, MOST_ROWS, "rows", CUT),
        (columns, MOST_COLUMNS, "columns", "Keep those that you need."),
        (cells, MOST_CELLS, "cells", "Keep the span and the columns that you need."),
    ):
        if count > most:
            raise TooMuchError(f"it has {count:,} {word}, the most is {most:,}. {way}")


def refuse_large_csv(raw: bytes, separator: bytes = b",") -> None:
    """Refuse a text table by the separators and line ends in it, which are never fewer than its fields and rows."""
    rows = max(raw.count(b"\n"), raw.count(b"\r"))
    refuse_too_many(rows, 0, raw.count(separator) + rows)
    columns, quotes = 1, 0
    for line in raw.splitlines():  # the heading, on several lines where a quote holds it together
        columns, quotes = columns + line.count(separator), quotes + line.count(b'"')
        if quotes % 2 == 0:
            break
    refuse_too_many(0, columns, 0)


def parquet_frame(raw: bytes) -> pd.DataFrame:
    """The plain columns of a Parquet file; lists and records, which hold no numbers of a step, are left out.

    A few bytes can stand for millions of equal values, so the shape is read first, and words stay a table of
    different ones until their length in all is known.

    Raises
    ------
    TooMuchError
        If it has too many rows, columns, cells or letters.
    pyarrow.ArrowException
        If it is damaged.
    """
    heading = pq.ParquetFile(io.BytesIO(raw))
    found = heading.metadata
    groups = [found.row_group(number) for number in range(found.num_row_groups)]
    cells = sum(group.num_rows for group in groups) * found.num_columns
    refuse_too_many(found.num_rows, found.num_columns, max(cells, found.num_rows * found.num_columns))
    fields = [field for field in heading.schema_arrow if not pa.types.is_nested(field.type)]
    words = [field.name for field in fields if _is_text(field.type)]
    file = pq.ParquetFile(io.BytesIO(raw), read_dictionary=words)
    table = file.read(columns=[field.name for field in fields])
    _refuse_long_words(table)
    frame: pd.DataFrame = table.cast(pa.schema([*fields], metadata=table.schema.metadata)).to_pandas()
    return frame


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_binary(kind) or pa.types.is_large_string(kind))


def _refuse_long_words(table: pa.Table) -> None:
    letters = 0
    for column in table.columns:
        if pa.types.is_dictionary(column.type):
            for chunk in column.chunks:
                lengths = pc.binary_length(chunk.dictionary)
                letters += pc.sum(lengths.take(chunk.indices)).as_py() or 0
    if letters > MOST_BYTES:
        raise TooMuchError(f"it unpacks to more than {MOST_BYTES} bytes. {CUT}")
