"""The outputs of a run compared with each other before they are shown."""

from __future__ import annotations

import pandas as pd

from optimiser.accounts.settlement import Statement
from optimiser.columns import IMPORT
from optimiser.errors import DriftError
from optimiser.summary.run import Summary


def check_reconciled(statement: Statement, summary: Summary, table: pd.DataFrame) -> None:
    """Refuse outputs that disagree: summary with statement, energies with the table of the schedule that is paid for.

    Raises
    ------
    DriftError
        Naming both figures.
    """
    hours = statement.dispatch.scenario.timeline.step_hours
    head = summary.headline
    pairs = [
        ("saving", head.ceiling_saving, statement.total("after") - statement.total("before")),
        (
            "bill before",
            head.bill_before,
            -sum(line.amount for line in summary.lines if line.case == "before" and line.cash),
        ),
        (
            "services income",
            head.ceiling_services_income,
            sum(service.paid for service in summary.services) + statement.total("after", "activation"),
        ),
        ("energy imported", summary.energy_kwh["import"], float(table[IMPORT].sum() * hours)),
        ("energy balance", sum(summary.balance.into.values()), sum(summary.balance.out.values())),
    ]
    flow, appraisal = summary.cash_flow, summary.appraisal
    if appraisal is not None:
        for row in flow:
            pairs.append((f"the cash flow of year {row.year}", row.amount, sum(row.items.values())))
        pairs.append(("net present value", head.rested.npv or 0.0, flow[-1].discounted_cumulative))
        kinds = appraisal.kinds
        first = sum(amount for name, amount in flow[1].items.items() if kinds[name] == "saving")
        pairs.append(("the saving of year 1", head.rested.saving_per_year, first))
    for name, one, other in pairs:
        if abs(one - other) > 0.004 + 1e-7 * abs(one):
            raise DriftError(f"two outputs disagree on {name}: {one:.4f} and {other:.4f}")
