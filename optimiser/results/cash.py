"""The cash flow of an appraisal as rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimiser.finance import Appraisal, discounted
from optimiser.scenario.cost import SUMS, YEAR
from optimiser.summary.run import CashFlowYear


def cash_flow(appraisal: Appraisal | None) -> list[CashFlowYear]:
    """A row a year: every item, their sum, and the running sums."""
    if appraisal is None:
        return []
    running = np.cumsum(appraisal.flows)
    present = np.cumsum(discounted(appraisal.flows, appraisal.discount_rate_fraction))
    return [
        CashFlowYear(
            year=year,
            items={item.name: item.amounts[year] for item in appraisal.items},
            amount=amount,
            cumulative=float(running[year]),
            discounted_cumulative=float(present[year]),
        )
        for year, amount in enumerate(appraisal.flows)
    ]


def cash_flow_table(appraisal: Appraisal) -> pd.DataFrame:
    """The cash flow as a table: a row a year, a column an item, their sum and the running sums."""
    return pd.DataFrame([{YEAR: row.year, **row.items, **_sums(row)} for row in cash_flow(appraisal)])


def _sums(row: CashFlowYear) -> dict[str, float]:
    return dict(zip(SUMS, (row.amount, row.cumulative, row.discounted_cumulative), strict=True))
