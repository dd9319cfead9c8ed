"""What the report is given: a frozen bundle of finished figures, nothing to be worked out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd


@dataclass(frozen=True)
class Results:
    """The finished figures of one run.

    Parameters
    ----------
    summary : dict
        Machine-readable summary. Money is in ``summary["currency"]``. In ``summary["headline"]``,
        ``bill_before`` is what is to pay over the days of the run (positive: to pay), before any income from
        services. All other figures come on two bases, named in ``bases``: ``ceiling_...`` with perfect foresight,
        ``forecast_driven_...`` without it, None where that was not worked out. ``..._saving_per_year`` is scaled to
        a year where ``scaled_to_year`` is true. Payback and net present value rest on the basis ``rests_on``.
        ``summary["balance"]`` is ``{"in": {name: kWh}, "out": {name: kWh}}`` with equal sums.
    dispatch : pandas.DataFrame
        One row a step, indexed by ``interval_start`` (UTC), with the text column ``interval_start_local``
        (ISO 8601 with offset) and numeric columns such as ``site.load_kw`` and ``price.import_per_kwh``.
    statement : pandas.DataFrame
        One row per case, billing period and line, with ``quantity``, ``unit``, ``amount`` (income positive)
        and ``cash`` (false for lines that steer the plan but are never paid).
    tables : dict of str to pandas.DataFrame
        The tables of the studies that were made, by ``STUDY-TABLE``; their figures are in
        ``summary["studies"][STUDY]``.
    """

    summary: dict[str, Any]
    dispatch: pd.DataFrame
    statement: pd.DataFrame
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def forecast_driven(self) -> bool:
        """Whether payback and net present value rest on a run without foresight."""
        return bool(self.summary["headline"]["rests_on"] == "forecast_driven")

    def rested(self, figure: str) -> Any:
        """A figure of the headline on the basis that the payback rests on."""
        headline = self.summary["headline"]
        return headline[f"{headline['rests_on']}_{figure}"]
