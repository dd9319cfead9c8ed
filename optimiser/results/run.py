"""One run: the road walked from a scenario to its summary, and what it made."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine.answer import Start
from optimiser.finance import Appraisal, appraise
from optimiser.results.frame import beside_ceiling, dispatch_table
from optimiser.results.reconcile import check_reconciled
from optimiser.results.summarise import resting_on, summarise
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario
from optimiser.studies.catalogue import make_studies, usual, with_required
from optimiser.study import Study
from optimiser.summary import Summary


@dataclass(frozen=True)
class Run:
    """Everything that one run made.

    Attributes
    ----------
    scenario : Scenario
    dispatch : Dispatch
    statement : Statement
    appraisal : Appraisal or None
    summary : Summary
    dispatch_table : DataFrame
        One row a step of the ceiling.
    paid_table : DataFrame
        The same of the schedule that payback rests on, with what the ceiling holds in `ceiling.stored_kwh` where that
        is another.
    studies : dict of str to Study
        What else was worked out.
    """

    scenario: Scenario
    dispatch: Dispatch
    statement: Statement
    appraisal: Appraisal | None
    summary: Summary
    dispatch_table: pd.DataFrame
    paid_table: pd.DataFrame
    studies: Mapping[str, Study]


def run(
    scenario: str | Path | Scenario,
    *,
    start: Run | Start | None = None,
    studies: Iterable[str] | None = None,
    progress: Progress | None = None,
) -> Run:
    """Walk the road: read, solve, settle, appraise, and bundle the results.

    Parameters
    ----------
    scenario : str, Path or Scenario
        A scenario folder, or a scenario already read.
    start : Run or Start, optional
        A run of the same shape, or its `dispatch.start`, with other prices, limits or efficiencies, to start from.
    studies : iterable of str, optional
        Names of what else to work out (`optimiser.studies.catalogue`); left out: the usual ones.
    progress : callable, optional
        Told in a phrase what is being done.
    """
    began = time.perf_counter()
    if not isinstance(scenario, Scenario):
        scenario = read_scenario(scenario)
    read = time.perf_counter()
    dispatch = solve(scenario, start=start.dispatch if isinstance(start, Run) else start, progress=progress)
    settling = time.perf_counter()
    seconds = {"read": read - began, **dispatch.seconds}
    return _studied(settle(dispatch), studies, progress, seconds, settling)


def run_again(made: Run, *, studies: Iterable[str] | None = None, progress: Progress | None = None) -> Run:
    """The same solved and settled run with other studies; what was solved is not solved again."""
    dispatch, began = made.dispatch, time.perf_counter()
    return _studied(made.statement, studies, progress, dict(dispatch.seconds), began)


def _studied(
    statement: Statement,
    studies: Iterable[str] | None,
    progress: Progress | None,
    seconds: dict[str, float],
    settling: float,
) -> Run:
    """A run from its settled statement on; `settling` is the clock when that began."""
    dispatch, scenario = statement.dispatch, statement.dispatch.scenario
    names = with_required(scenario, usual() if studies is None else studies)
    asked = time.perf_counter()
    made = make_studies(statement, names, progress or (lambda words: None))
    studied = time.perf_counter()
    table = dispatch_table(dispatch)
    paid = resting_on(statement, made)
    appraisal = appraise(paid, made, statement)
    paid_table = table if paid is statement else beside_ceiling(dispatch_table(paid.dispatch), table)
    settle_s = asked - settling + time.perf_counter() - studied
    seconds = {**seconds, "settle": settle_s, "make studies": studied - asked}
    summary = summarise(statement, appraisal, made, seconds)
    check_reconciled(statement, summary, paid_table)
    return Run(scenario, dispatch, statement, appraisal, summary, table, paid_table, made)
