"""What the report is given: a frozen bundle of finished figures, nothing to be worked out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from optimiser.report.diagram import Wired
from optimiser.summary.run import Summary


@dataclass(frozen=True)
class Results:
    """The finished figures of one run.

    Parameters
    ----------
    summary : Summary
        Money is in its `currency`. In its headline, figures come on two bases: with perfect foresight, and without it
        where that was worked out; payback and net present value rest on one of them.
    dispatch : pandas.DataFrame
        The schedule that payback rests on: one row a step, indexed by ``interval_start`` (UTC), with the text column
        ``interval_start_local`` (ISO 8601 with offset) and numeric columns such as ``site.load_kw`` and
        ``price.import_per_kwh``.
    statement : pandas.DataFrame
        One row per case, billing period and line, with ``quantity``, ``unit``, ``amount`` (income positive)
        and ``cash`` (false for lines that steer the plan but are never paid).
    tables : dict of str to pandas.DataFrame
        The tables of the studies that were made, by ``STUDY-TABLE``; their figures are in
        ``summary.studies[STUDY]``.
    wired : Wired, optional
        The scenario, for its diagram.
    """

    summary: Summary
    dispatch: pd.DataFrame
    statement: pd.DataFrame
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    wired: Wired | None = None

    @property
    def forecast_driven(self) -> bool:
        """Whether payback and net present value rest on a run without foresight."""
        return self.summary.headline.rests_on == "forecast_driven"
