"""Which format a file is in, said only where it is certain."""

from __future__ import annotations

from pathlib import Path

from optimiser.errors import SeriesError
from optimiser.readers.content import content_of, text_of

FORMATS = ("nem12", "greenbutton", "table")


def format_of(path: Path) -> str:
    """The format of a file by its first bytes: a NEM12 record, an ESPI namespace, or a heading.

    Raises
    ------
    SeriesError
        If it is none for certain.
    """
    raw = content_of(path)
    if raw[:4] == b"PAR1":
        return "table"
    text = text_of(path, raw)
    first = next((line for line in text.splitlines() if line.strip(" ,\t")), "")
    fields = [field.strip().strip('"').strip() for field in first.split(",")]
    if fields[0] == "100" and fields[1:] and fields[1].upper() in ("NEM12", "NEM13"):
        return "nem12"
    if fields[0] == "200" and len(fields) in (9, 10) and fields[8].isdecimal():
        return "nem12"
    if first.lstrip().startswith("<"):
        if "http://naesb.org/espi" in text:
            return "greenbutton"
        raise SeriesError(
            str(path), ["it is XML, but not of the Green Button namespace http://naesb.org/espi."]
        )
    marks = max(first.count(mark) for mark in ",;\t")
    if marks >= 1 and any(letter.isalpha() for letter in first):
        return "table"
    raise SeriesError(
        str(path),
        [f"its format is not certain from its first line, {first[:60]!r}. Say --as {', '.join(FORMATS)}."],
    )
