"""The road of a sweep: planned, worked out with each case kept at once, tabled, and written with its page."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import stdev
from typing import Any

import pandas as pd

from optimiser.batch.sweep.cases import (
    FAILED,
    CaseOutcome,
    Found,
    Model,
    NoFigureError,
    SiteModel,
    figure,
    found_in,
)
from optimiser.batch.sweep.findings import TABLES, findings, order_of, pairs_of
from optimiser.batch.sweep.naming import recorded
from optimiser.batch.sweep.plan import Case, SweepPlan, read_plan
from optimiser.batch.sweep.pool import Cluster, LocalProcesses, WorkPool, carry_out
from optimiser.batch.sweep.store import CaseStore
from optimiser.dispatch import Progress
from optimiser.engine.answer import Start
from optimiser.engine.windows import cores, sharing
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.report.swept.figures import Swept
from optimiser.report.swept.page import swept_page
from optimiser.results.run import Run, run, run_again
from optimiser.scenario.read import vary
from optimiser.studies.catalogue import usual
from optimiser.writing import Content, write_csv, write_files

STORE_NAME = "cases.sqlite"
TRIALS_A_WORKER, FEWEST_TRIALS, MOST_TRIALS = 2, 4, 24
TRIED_SHARE = 0.02  # of the cases; a few of them take many times as long as most


@dataclass(frozen=True)
class SweepEffort:
    """What a sweep is expected to take.

    Attributes
    ----------
    tried : int
        Cases that were worked out to tell; they are kept.
    seconds_a_case : float
        Mean of those, on one worker while the others are at work too. [s]
    error : float
        Two standard errors of that mean; nan of a single case. [s]
    slowest : float
        [s]
    workers : int
    left : int
        Cases still to be worked out.
    """

    tried: int
    seconds_a_case: float
    error: float
    slowest: float
    workers: int
    left: int

    @property
    def expected_seconds(self) -> float:
        """For the cases that are left. [s]"""
        return self.seconds_a_case * self.left / self.workers

    @property
    def most_seconds(self) -> float:
        """For the cases that are left, should the tried ones have been quick by luck. [s]"""
        return (self.seconds_a_case + self.error) * self.left / self.workers


def sweep(
    source: str | Path | Mapping[str, Any],
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    cluster: str | None = None,
    store: str | Path | None = None,
    retry: bool = False,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Work out every case of a sweep.

    Parameters
    ----------
    source : str, Path or mapping
        A sweep file, or its keys in a mapping; `scenario` in it is then relative to the working folder.
    workers : int, optional
        Processes of this machine; left out: one a core. With `executor`, how many cases it takes at once.
    executor : concurrent.futures.Executor, optional
        Where to work instead.
    cluster : str, optional
        Address of a Dask cluster to work on instead.
    store : str or Path, optional
        A file that keeps each case as soon as it is done; cases that it has are not worked out again. Left out: memory.
    retry : bool
        Work out again what failed before.
    progress : callable, optional
        Told in a phrase how far it is.

    Returns
    -------
    DataFrame
        One row a case: case (0 is the scenario as it is), its factors, the recorded paths, status, message, seconds.

    Raises
    ------
    ScenarioError
        With every fault of the file and the scenario.
    OptimiserError
        If the scenario as it is has no answer, or there is nowhere to work.
    """
    plan = read_plan(source)
    with (
        open_store(plan, Path(store) if store else None) as kept,
        pool_of(workers, executor, cluster) as pool,
    ):
        work_out(plan, kept, pool, retry=retry, progress=progress)
        return table_of(plan, kept)


@contextmanager
def open_store(plan: SweepPlan, path: Path | None) -> Iterator[CaseStore]:
    """The file of a plan's finished cases, let go at the end."""
    store = CaseStore(path, plan.identity)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def pool_of(workers: int | None, executor: Executor | None, cluster: str | None) -> Iterator[WorkPool]:
    """Where to work: an executor, a cluster, or else processes of this machine."""
    if executor is not None:
        pool: WorkPool = WorkPool(executor, workers)
    else:
        pool = Cluster(cluster) if cluster else LocalProcesses(workers)
    try:
        yield pool
    finally:
        pool.close()


def start_of(plan: SweepPlan, store: CaseStore, say: Progress) -> Start | None:
    """Where every case starts: the scenario as it is, worked out now unless the store has it.

    Raises
    ------
    ScenarioError
        If a recorded path is not in its summary.
    OptimiserError
        If it has no answer.
    """
    known = {outcome.key for outcome in store.outcomes()}
    if plan.as_it_is.key in known:
        return store.start() if plan.file.start == "base" else None
    say("the scenario as it is")
    began = time.perf_counter()
    with sharing(chains_of(store), cores()):
        made = run(plan.base, studies=plan.file.studies)
    faults, whole = [], made.summary.as_dict()
    for path in plan.file.record:
        try:
            figure(whole, path, strict=True)
        except NoFigureError as problem:
            faults.append(f"record: {problem}")
    if faults:
        raise ScenarioError(str(plan.path or "the sweep"), faults)
    found = found_in(made.summary, tuple(plan.file.record))
    start = made.dispatch.start if plan.file.start == "base" else None
    if start is not None:
        store.keep_start(start)
    store.keep(CaseOutcome(plan.as_it_is.key, found.status, "", time.perf_counter() - began, found.results))
    return start


def chains_of(store: CaseStore) -> int:
    """In how many chains a year's days are solved: as a run by itself would here, and the same wherever it goes on."""
    return store.settled("chains", cores())


def model_of(plan: SweepPlan, start: Start | None, chains: int) -> SiteModel:
    """What works out the cases of a plan."""
    kept = Start(start.basis) if start else None
    return SiteModel(plan.base, kept, tuple(plan.file.record), tuple(plan.file.studies), chains)


def missing(plan: SweepPlan, store: CaseStore, retry: bool = False) -> list[Case]:
    """Cases that are still to be worked out, each once."""
    known = {o.key for o in store.outcomes() if not (retry and o.status in FAILED)}
    once = {case.key: case for case in reversed(plan.cases) if case.key not in known}
    return sorted(once.values(), key=lambda case: case.number)


def work_out(
    plan: SweepPlan,
    store: CaseStore,
    pool: WorkPool,
    *,
    retry: bool = False,
    progress: Progress | None = None,
    model: Model | None = None,
    only: Sequence[Case] | None = None,
) -> None:
    """Work out the cases that a store has not.

    Parameters
    ----------
    plan : SweepPlan
    store : CaseStore
    pool : WorkPool
    retry : bool
        Work out again what failed.
    progress : callable, optional
    model : callable, optional
        In place of the scenario.
    only : sequence of Case, optional
        These of the cases alone.
    """
    say = progress or (lambda words: None)
    if model is None:
        model = model_of(plan, start_of(plan, store, say), chains_of(store))
    cases = missing(plan, store, retry)
    if only is not None:
        wanted = {case.key for case in only}
        cases = [case for case in cases if case.key in wanted]
    works = ((case.key, case.changes) for case in cases)
    carry_out(model, works, pool, _kept_and_told(store, len(cases), pool.workers, say))


def _kept_and_told(
    store: CaseStore, count: int, workers: int, say: Progress
) -> Callable[[CaseOutcome], None]:
    """Keeps each outcome at once and says how far the sweep is and about how long the rest takes."""
    began, done, failed = time.perf_counter(), 0, 0

    def keep(outcome: CaseOutcome) -> None:
        nonlocal done, failed
        store.keep(outcome)
        done += 1
        failed += outcome.status in FAILED
        left = (time.perf_counter() - began) * (count - done) / done
        trouble = f", {failed} failed" if failed else ""
        say(
            f"{done:,} of {count:,} cases{trouble}, about {in_words(left)} left"
            if done < count
            else f"{done:,} cases{trouble}"
        )

    return keep


def in_words(seconds: float) -> str:
    """A length of time as people say it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def try_some(plan: SweepPlan, store: CaseStore, pool: WorkPool, say: Progress) -> SweepEffort:
    """Work out a few cases from all over the plan, keep them, and tell what the rest will take."""
    cases = missing(plan, store)
    wanted = min(MOST_TRIALS, round(TRIED_SHARE * len(cases)))
    count = min(len(cases), max(FEWEST_TRIALS, TRIALS_A_WORKER * pool.workers, wanted))
    trials = [cases[(2 * place + 1) * len(cases) // (2 * count)] for place in range(count)]
    work_out(plan, store, pool, progress=say, only=trials)
    keys = {case.key for case in plan.cases}
    seconds = [outcome.seconds for outcome in store.outcomes() if outcome.key in keys]
    mean = sum(seconds) / len(seconds) if seconds else 0.0
    error = 2 * stdev(seconds) / math.sqrt(len(seconds)) if len(seconds) > 1 else math.nan
    return SweepEffort(count, mean, error, max(seconds, default=0.0), pool.workers, len(missing(plan, store)))


def table_of(plan: SweepPlan, store: CaseStore) -> pd.DataFrame:
    """One row a case that is finished, in the plan's order: case, factors, recorded paths, status, message, seconds."""
    outcomes = {outcome.key: outcome for outcome in store.outcomes()}
    rows = []
    for case in (plan.as_it_is, *plan.cases):
        outcome = outcomes.get(case.key)
        if outcome is not None:
            figures = {path: outcome.results.get(path) for path in plan.file.record}
            ending = {"status": outcome.status, "message": outcome.message, "seconds": outcome.seconds}
            rows.append({"case": case.number, **case.values, **figures, **ending})
    names = [factor.name for factor in plan.file.factor]
    frame = pd.DataFrame(rows, columns=["case", *names, *plan.file.record, "status", "message", "seconds"])
    for path in plan.file.record:
        numbers = [isinstance(value, (int, float)) or value is None for value in frame[path]]
        if all(numbers):
            frame[path] = frame[path].astype(float)
    return frame


def write_sweep(plan: SweepPlan, table: pd.DataFrame, folder: Path, command: str) -> dict[str, Path]:
    """Write the tables and the page of what is finished.

    Parameters
    ----------
    plan : SweepPlan
    table : DataFrame
        From `table_of`.
    folder : Path
    command : str
        The command that works out this sweep, to which ` --case 17` is added.

    Returns
    -------
    dict of str to Path
        "page", "cases_csv", "cases_parquet", "summary", and one CSV for each table of findings.
    """
    found, notes = findings(plan, table)
    paths = {
        "page": folder / "sweep.html",
        "cases_csv": folder / "cases.csv",
        "cases_parquet": folder / "cases.parquet",
        "summary": folder / "sweep.json",
    } | {name: folder / f"{name}.csv" for name in found}
    counts = table[table["case"] > 0]["status"].value_counts().to_dict()
    summary = {
        "title": plan.file.title,
        "design": plan.file.design.model_dump(),
        "planned_cases": len(plan.cases),
        "finished_cases": int((table["case"] > 0).sum()),
        "status": counts,
        "basis": basis_of(plan),
        "factors": {factor.name: list(factor.targets) for factor in plan.file.factor},
        "notes": notes,
        "results_depend_on": dict(plan.identity),
    }
    order = {path: tuple(order_of(plan, found, path)) for path in plan.file.record}
    swept = Swept(
        title=plan.file.title,
        basis=basis_of(plan),
        description=plan.file.description,
        invented=plan.base.file.invented,
        recorded=recorded(plan),
        order=order,
        pairs=tuple(pairs_of(plan, order[plan.file.record[0]])),
        design=str(plan.file.design.kind),
        factors=tuple((factor.name, factor.unit, ", ".join(factor.targets)) for factor in plan.file.factor),
        record=tuple(plan.file.record),
        planned=len(plan.cases),
        table=table,
        found=found,
        notes=(*plan.warnings, *notes),
        command=command,
        identity={
            name: (", ".join(value) or "none") if isinstance(value, list) else str(value)
            for name, value in plan.identity.items()
            if name not in ("data", "record")
        },
    )
    plain = table.astype({name: str for name in plan.as_it_is.values if table[name].map(type).nunique() > 1})
    files: dict[Path, Content] = {
        paths["page"]: swept_page(swept),
        paths["cases_csv"]: partial(write_csv, table, decimals=None),
        paths["cases_parquet"]: partial(plain.to_parquet, index=False),
        paths["summary"]: json.loads(json.dumps(summary, default=str)),
    }
    frames = {paths[name]: partial(write_csv, frame, decimals=None) for name, frame in found.items()}
    write_files(files | frames, stale=[f"{name}.csv" for name in TABLES])
    return paths


def case_of(plan: SweepPlan, number: int) -> Case:
    """A case by its number.

    Raises
    ------
    OptimiserError
        If there is no such case.
    """
    cases = {case.number: case for case in (plan.as_it_is, *plan.cases)}
    if number not in cases:
        raise OptimiserError(
            f"there is no case {number}; cases go from 0, the scenario as it is, to {len(plan.cases)}."
        )
    return cases[number]


def run_case(plan: SweepPlan, case: Case, store: CaseStore, say: Progress) -> tuple[Run, Found]:
    """One case exactly as the sweep works it out, with the usual studies added for its report.

    Returns
    -------
    (Run, Found)
        The run with the sweep's studies and the usual ones; what the sweep records, on the sweep's studies alone.
    """
    start = start_of(plan, store, say)
    with sharing(chains_of(store), cores()):
        made = run(vary(plan.base, case.changes), start=start, studies=plan.file.studies, progress=say)
        full = run_again(made, studies=(*usual(), *plan.file.studies), progress=say)
    return full, found_in(made.summary, tuple(plan.file.record))


def basis_of(plan: SweepPlan) -> str:
    """On what the money of a sweep rests, in a sentence."""
    base = plan.base
    known = base.storage and base.file.foresight.policies
    ceiling = "those named ceiling have perfect foresight of prices, load and sun, an upper bound"
    found = []
    if "without_foresight" in plan.file.studies and known:
        found.append(
            "Figures named forecast-driven are what each case earns without foresight, as a run says; "
            f"{ceiling}."
        )
    if "measured_share" in plan.file.studies and known:
        found.append(
            "Figures named measured are what each case earns without foresight on its own contract and size, by own "
            "use or stored worth, whichever would have earned more before, or by the plan that the payback rests on "
            "where services are sold; where all is charged by the step or the day they come from weeks spread over "
            f"the run, within the spread beside them, else from all of it; {ceiling}."
        )
    return " ".join(found) or (
        "All money, payback too, is a ceiling: perfect foresight of prices, load and sun, an upper bound of what real "
        'operation earns. For payback without foresight, say studies = ["measured_share"] in the sweep file.'
    )
