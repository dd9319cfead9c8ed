"""One run: the road walked from a scenario to its summary, and what it made."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.control.reasons import explained, stretches
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine.answer import Start
from optimiser.finance import Appraisal, appraise
from optimiser.results.frame import beside_ceiling, dispatch_table
from optimiser.results.reconcile import check_reconciled
from optimiser.results.summarise import resting_on, summarise
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario
from optimiser.studies.catalogue import make_studies, usual, with_required
from optimiser.studies.without_foresight import WithoutForesight
from optimiser.study import Study
from optimiser.summary.run import RunState, Stage, Summary


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
        The machine-readable summary.
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


Better = Callable[["SoFar"], None]


@dataclass(frozen=True)
class SoFar:
    """What a run knows before it is through: the best schedule so far, and the studies that are made.

    Attributes
    ----------
    studies : dict of str to Study
    waiting : tuple of str
        The studies that are not made yet.
    searching : bool
        Whether a better schedule is still looked for.
    seconds : float
        Since the run began. [s]
    """

    studies: Mapping[str, Study]
    waiting: tuple[str, ...]
    searching: bool
    seconds: float
    _statement: Callable[[], tuple[Statement, dict[str, float]]]

    def as_run(self, stage: Stage) -> Run:
        """The run as it stands, labelled with what it is; every rule is replayed and every line settled first."""
        statement, seconds = self._statement()
        how_far = RunState(
            stage=stage, searching=self.searching, waiting=self.waiting, seconds=round(self.seconds, 1)
        )
        return _bundled(statement, self.studies, seconds, how_far)


def run(
    scenario: str | Path | Scenario,
    *,
    start: Run | Start | None = None,
    studies: Iterable[str] | None = None,
    progress: Progress | None = None,
    better: Better | None = None,
    limits: Mapping[str, Any] | None = None,
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
    better : callable, optional
        Handed a `SoFar` whenever more is known. It may be made a run in another thread while this one goes on.
    limits : dict, optional
        Other values of the scenario's table [solve], such as {"rounds": 3}.
    """
    began = time.perf_counter()
    if not isinstance(scenario, Scenario):
        scenario = read_scenario(scenario)
    if limits:
        scenario = scenario.searched(**limits)
    names = with_required(scenario, usual() if studies is None else studies)
    read = time.perf_counter()

    def handed(make: Callable[[], Dispatch]) -> None:
        def stated() -> tuple[Statement, dict[str, float]]:
            dispatch = make()
            return settle(dispatch), {"read": read - began, **dispatch.seconds}

        assert better is not None
        better(SoFar({}, names, True, time.perf_counter() - began, stated))

    dispatch = solve(
        scenario,
        start=start.dispatch if isinstance(start, Run) else start,
        progress=progress,
        better=None if better is None else handed,
    )
    settling = time.perf_counter()
    seconds = {"read": read - began, **dispatch.seconds}
    return _studied(settle(dispatch), names, progress, seconds, settling, better, began)


def run_again(made: Run, *, studies: Iterable[str] | None = None, progress: Progress | None = None) -> Run:
    """The same solved and settled run with other studies; what was solved is not solved again."""
    dispatch, began = made.dispatch, time.perf_counter()
    names = with_required(made.scenario, usual() if studies is None else studies)
    return _studied(made.statement, names, progress, dict(dispatch.seconds), began, None, began)


def _studied(
    statement: Statement,
    names: Sequence[str],
    progress: Progress | None,
    seconds: dict[str, float],
    settling: float,
    better: Better | None,
    began: float,
) -> Run:
    """A run from its settled statement on; `settling` and `began` are the clock when that and the run began."""
    asked = time.perf_counter()
    seconds = {**seconds, "settle": asked - settling}

    def kept(made: Mapping[str, Study], through: int) -> None:
        if better is not None:
            now = time.perf_counter()
            known = {**seconds, "make studies": now - asked}
            better(SoFar(dict(made), tuple(names[through:]), False, now - began, lambda: (statement, known)))

    made = make_studies(statement, names, progress or (lambda words: None), kept)
    studied = time.perf_counter()
    state = RunState(stage="final", searching=False, waiting=(), seconds=round(studied - began, 1))
    return _bundled(statement, made, {**seconds, "make studies": studied - asked}, state)


def _bundled(
    statement: Statement, studies: Mapping[str, Study], seconds: dict[str, float], state: RunState
) -> Run:
    """A run of what is known: appraised, summed up, its outputs compared with each other."""
    began, dispatch = time.perf_counter(), statement.dispatch
    table = dispatch_table(dispatch)
    paid = resting_on(statement, studies)
    appraisal = appraise(paid, studies, statement)
    paid_table = table if paid is statement else beside_ceiling(dispatch_table(paid.dispatch), table)
    found = studies.get("without_foresight")
    if isinstance(found, WithoutForesight) and found.steered is not None:
        paid_table = explained(paid.dispatch, paid_table, found.steered)
        modes = stretches(paid_table, found.steered.names, dispatch.scenario.timeline.step_minutes)
        studies = {**studies, "without_foresight": replace(found, tables={**found.tables, "modes": modes})}
    settle_s = seconds.get("settle", 0.0) + time.perf_counter() - began
    summary = summarise(statement, appraisal, studies, {**seconds, "settle": settle_s}, state)
    check_reconciled(statement, summary, paid_table)
    return Run(dispatch.scenario, dispatch, statement, appraisal, summary, table, paid_table, studies)
