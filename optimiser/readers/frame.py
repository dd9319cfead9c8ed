"""A table as it stands in the file: its columns as text, and the line of each row."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.readers.content import content_of, refuse
from optimiser.readers.mapping import Mapping
from optimiser.series.bounded import TooMuchError, parquet_frame, refuse_large_csv


@dataclass(frozen=True)
class Frame:
    """A table as it stands in the file.

    Attributes
    ----------
    columns : dict of str to Series
        Text, or numbers and times where the file itself types them.
    places : int array of shape (rows,)
        Line of each row in a text file, its number in another.
    word : str
        "line" or "row".
    """

    columns: dict[str, pd.Series]
    places: np.ndarray
    word: str

    def keep(self, rows: np.ndarray) -> Frame:
        """The rows of a mask."""
        columns = {name: column[rows].reset_index(drop=True) for name, column in self.columns.items()}
        return Frame(columns, self.places[rows], self.word)


def read_frame(path: Path, mapping: Mapping) -> Frame:
    """The rows of a CSV or Parquet file, plain or compressed.

    Raises
    ------
    SeriesError
        If it is no such file, or its rows do not fit its headings.
    """
    raw = content_of(path)
    if raw[:4] == b"PAR1":
        return _parquet(path, raw)
    try:
        words = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        raise SeriesError(
            str(path), [f"line {line}: it is not text in UTF-8. Save it as CSV in UTF-8."]
        ) from None
    return _csv(path, words, mapping)


def _parquet(path: Path, raw: bytes) -> Frame:
    try:
        frame = parquet_frame(raw)
    except TooMuchError as problem:
        raise SeriesError(str(path), [str(problem)]) from None
    except Exception as problem:  # any of the reader's many errors means the same to the user
        words = (str(problem).strip().splitlines() or [type(problem).__name__])[0][:200].rstrip(".")
        raise SeriesError(
            str(path), [f"it is not Parquet that can be read: {words}. Write it again, or save it as CSV."]
        ) from None
    if frame.index.name is not None:
        frame = frame.reset_index()
    if not len(frame):
        raise SeriesError(str(path), ["it has no rows. Write it again with data."])
    columns = {str(name): frame[name].reset_index(drop=True) for name in frame.columns}
    return Frame(columns, np.arange(1, len(frame) + 1), "row")


def _csv(path: Path, words: str, mapping: Mapping) -> Frame:
    separator = "\t" if mapping.separator == "tab" else mapping.separator
    try:
        refuse_large_csv(words.encode(), separator.encode())
    except TooMuchError as problem:
        raise SeriesError(str(path), [str(problem)]) from None
    reader = csv.reader(io.StringIO(words, newline=""), delimiter=separator, strict=True)
    rows: list[list[str]] = []
    places: list[int] = []
    try:
        for row in reader:
            if reader.line_num > mapping.skip_lines and any(cell.strip() for cell in row):
                rows.append(row)
                places.append(reader.line_num)
    except csv.Error as problem:
        raise SeriesError(
            str(path), [f"line {reader.line_num}: it is no CSV: {problem}. Save it again as CSV."]
        ) from None
    if len(rows) < 2:
        raise SeriesError(str(path), ["it has no rows below its headings. Save it again with data."])
    heading = [name.strip() for name in rows[0]]
    if all(len(row) == len(heading) + 1 and not row[-1].strip() for row in rows[1:]):
        rows = [
            rows[0],
            *(row[:-1] for row in rows[1:]),
        ]  # each row ends with a separator, its heading does not
    faults = [
        f"line {place}: it has {len(row)} fields, the headings are {len(heading)}. Correct the line; a text with the "
        "separator in it needs quotes."
        for row, place in zip(rows[1:], places[1:], strict=True)
        if len(row) != len(heading)
    ]
    twice = sorted({name for name in heading if name and heading.count(name) > 1})
    faults += [f"line {places[0]}: two columns are named {name!r}. Rename one." for name in twice]
    refuse(path, faults)
    columns = zip(*rows[1:], strict=True)
    text = {
        name: pd.Series(list(cells), dtype="str")
        for name, cells in zip(heading, columns, strict=True)
        if name
    }
    return Frame(text, np.array(places[1:]), "line")
