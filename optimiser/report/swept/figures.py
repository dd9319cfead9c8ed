"""What the page of a sweep is given: finished figures, and how to look them up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from optimiser.report.recorded import RecordedRun

MOST_FACTORS = 12
MOST_ROWS = 1000
WITH_RESULTS = ("done", "best found")
SAMPLED = ("latin_hypercube", "sobol", "morris")


@dataclass(frozen=True)
class Swept:
    """The finished figures of a sweep.

    Attributes
    ----------
    title, description, design : str
    basis : str
        On what its money rests, in a sentence.
    invented : bool
    factors : tuple of (str, str, str)
        Name, unit and paths of each.
    record : tuple of str
        Recorded paths; the first leads.
    recorded : RecordedRun
        What they are called, and which days they count.
    order : dict of str to tuple of str
        For each recorded path, the factors, what moves it most first.
    pairs : tuple of (str, str)
        Factors to be looked at two at a time.
    planned : int
        Cases of the plan.
    table : DataFrame
        One row a finished case; case 0 is the scenario as it is.
    found : dict of str to DataFrame
        What was worked out of it.
    notes : tuple of str
    command : str
        To which ` --case 17` is added.
    identity : dict of str to str
        What the figures depend on.
    """

    title: str
    basis: str
    description: str
    invented: bool
    recorded: RecordedRun
    design: str
    factors: tuple[tuple[str, str, str], ...]
    record: tuple[str, ...]
    order: Mapping[str, tuple[str, ...]]
    pairs: tuple[tuple[str, str], ...]
    planned: int
    table: pd.DataFrame
    found: Mapping[str, pd.DataFrame]
    notes: tuple[str, ...]
    command: str
    identity: Mapping[str, str]

    @property
    def numeric(self) -> list[str]:
        """Recorded paths that are numbers."""
        return [
            path for path in self.record if self.table[path].dtype == float and self.table[path].notna().any()
        ]

    @property
    def done(self) -> pd.DataFrame:
        """Cases with figures, without the scenario as it is."""
        return self.table[self.table["status"].isin(WITH_RESULTS) & (self.table["case"] > 0)]

    @property
    def as_it_is(self) -> Mapping[str, Any]:
        """The row of the scenario as it is."""
        return dict(self.table[self.table["case"] == 0].iloc[0])

    @property
    def sampled(self) -> bool:
        """Whether cases lie anywhere in ranges, so that levels do not meet the other factors alike."""
        return self.design in SAMPLED

    def unit(self, path: str) -> str:
        """The unit of a recorded path, as far as its name tells."""
        return self.recorded.unit(path)

    def name(self, path: str) -> str:
        """A recorded path in words."""
        return self.recorded.name(path)

    def factor(self, name: str) -> str:
        """A factor with its unit."""
        unit = next((unit for own, unit, _ in self.factors if own == name), "")
        return f"{name}, {unit}" if unit else name


def never_paid(swept: Swept, path: str) -> int:
    """In how many cases a payback never comes."""
    if not path.endswith("payback_years"):
        return 0
    # A case with a message has none because it could not be run without foresight.
    return int((swept.done[path].isna() & (swept.done["message"] == "")).sum())


def spreads_of(swept: Swept, path: str) -> list[Any]:
    """How far apart the means of a figure lie over each factor, the furthest first."""
    return findings(swept, "spreads", path)


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Rows whose cells are attributes."""
    return list(frame.itertuples())


def records_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dicts."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def row_at(frame: pd.DataFrame, column: str, best: str) -> Any:
    """The row with the highest ("idxmax") or lowest ("idxmin") value of a column."""
    return frame.loc[[getattr(frame[column], best)()]].iloc[0]


def findings(swept: Swept, table: str, path: str) -> list[Any]:
    """Rows of a table of findings that are of one figure."""
    frame = swept.found.get(table)
    return [] if frame is None else rows_of(frame[frame["figure"] == path])
