"""Ways in which the days went or could have gone, each settled under its contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.accounts.billing import line_rows
from optimiser.dispatch import Dispatch
from optimiser.flows import MeterFlows
from optimiser.scenario.file import Scenario
from optimiser.tariff import Tariff
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.timeline import STEP, Timeline

NO_SYSTEM = "without the system"
LOGGED = "as logged"
CEILING = "best schedule"


@dataclass(frozen=True)
class DayCase:
    """One way in which the days went or could have gone: a column of the comparison.

    Attributes
    ----------
    name : str
    tariff : Tariff
        The contract that it is settled under.
    import_kw, export_kw : array of shape (steps,)
        [kW]
    lines : tuple of Line
        What it is billed, cash alone.
    """

    name: str
    tariff: Tariff
    import_kw: np.ndarray
    export_kw: np.ndarray
    lines: tuple[Line, ...]

    @property
    def to_pay(self) -> float:
        """All that is billed, positive is to pay. [currency]"""
        return 0.0 - float(sum(np.sum(line.values) for line in self.lines))


def billed(name: str, scenario: Scenario, flows: MeterFlows, tariff: Tariff) -> DayCase:
    """A case made out from what a meter saw."""
    lines = tariff.lines(flows, SettledTerms(scenario.data))
    return DayCase(name, tariff, flows.import_kw, flows.export_kw, tuple(lines))


def case_of(name: str, dispatch: Dispatch) -> DayCase:
    """A case from a schedule."""
    meter = dispatch.flows.meter
    lines = tuple(line for line in dispatch.lines if line.cash)
    return DayCase(name, dispatch.scenario.tariff, meter.import_kw, meter.export_kw, lines)


def by_step_of(case: DayCase, timeline: Timeline) -> np.ndarray:
    """To pay in each step, by lines that are charged by the step or by the day (at its first step). [currency]"""
    total = np.zeros(timeline.steps)
    for line in case.lines:
        if line.per == STEP:
            total -= np.broadcast_to(np.asarray(line.values, float), (timeline.steps,))
        elif line.per.kind == "day":
            total[timeline.groups(line.per).first_step] -= np.asarray(line.values, float)
    return total


def lines_of(scenario: Scenario, cases: Sequence[DayCase]) -> pd.DataFrame:
    """To pay by billing period and line, a column a case."""
    rows = [
        (case.name, *row[:3], row[4], -row[5])
        for case in cases
        for row in line_rows(case.lines, case.tariff.period, scenario.timeline)
    ]
    keys = ["billing_period", "group", "line", "unit"]
    frame = pd.DataFrame(rows, columns=["case", *keys, "to_pay"])
    wide = frame.pivot_table(index=keys, columns="case", values="to_pay", aggfunc="sum", sort=False)
    return wide[[case.name for case in cases]].fillna(0.0).reset_index().rename_axis(columns=None)
