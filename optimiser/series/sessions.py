"""Sessions of a flexible load from a CSV file: when each arrives and departs, and the energy that it needs."""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
import math
from pathlib import Path
from typing import Any

from optimiser.errors import SeriesError
from optimiser.series.bounded import bounded_bytes, refuse_no_file

COLUMNS = ("arrival", "departure", "energy_kwh")
MOST_BYTES, MOST_FAULTS = 20_000_000, 5


def read_sessions(path: Path) -> tuple[list[dict[str, Any]], str]:
    """The sessions of a file, and the digest of its bytes.

    Parameters
    ----------
    path : Path
        A CSV file with the columns arrival, departure (ISO 8601; without an offset: the site's clock) and energy_kwh.

    Raises
    ------
    SeriesError
        If a column is missing or a row cannot be read: which line, and what stands there.
    """
    refuse_no_file(path, "Check the path.")
    content = bounded_bytes(path, MOST_BYTES, "Cut it to the sessions of the timeline.", SeriesError)
    try:
        rows = csv.DictReader(io.StringIO(content.decode("utf-8-sig")))
        lacking = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
        if lacking:
            raise SeriesError(
                str(path), [f"it has no column {lacking[0]}. Head its columns {', '.join(COLUMNS)}."]
            )
        found, faults = [], []
        for row in rows:
            try:
                arrival, departure = (
                    datetime.datetime.fromisoformat(row[name].strip()) for name in COLUMNS[:2]
                )
                energy = float(row["energy_kwh"])
                if not math.isfinite(energy):
                    raise ValueError
                found.append({"arrival": arrival, "departure": departure, "energy_kwh": energy})
            except (ValueError, TypeError, AttributeError):
                shown = ", ".join(str(row[name])[:30] for name in COLUMNS)
                faults.append(
                    f"line {rows.line_num} is no session, got {shown}. Write 2025-03-01T18:00 and a number."
                )
    except (UnicodeDecodeError, csv.Error):
        raise SeriesError(str(path), ["the file is no CSV text in UTF-8. Save it as CSV in UTF-8."]) from None
    if faults:
        more = len(faults) - MOST_FAULTS
        last = [f"{more} more lines are like these. Mend them all."] if more > 0 else []
        raise SeriesError(str(path), faults[:MOST_FAULTS] + last)
    return found, hashlib.sha256(content).hexdigest()
