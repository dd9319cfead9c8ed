"""Many sites behind one aggregator, each solved by itself, wherever that is done."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import settle
from optimiser.batch.fleet.answers import (
    SiteAnswer,
    digest_of,
    folder_held,
    kept_answer,
    place_of,
    write_answer,
)
from optimiser.batch.fleet.bids import FleetResult, joined
from optimiser.batch.fleet.file import Fleet, Member, scenario_of
from optimiser.batch.sweep.cases import DEFECT, DONE, CaseOutcome, Found
from optimiser.batch.sweep.pool import LocalProcesses, WorkPool, carry_out
from optimiser.dispatch import Progress, solve
from optimiser.errors import OptimiserError
from optimiser.progress import Step
from optimiser.writing import write_one

UNWRITABLE = "unwritable"


def solve_fleet(
    fleet: Fleet,
    folder: str | Path,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> FleetResult:
    """Solve each site, join the offers, share the income.

    Each site's answer is kept in `folder` as soon as it is there; one that is there from an earlier run of the same
    site, of the same data, is used again. One fleet at a time works in a folder.

    Parameters
    ----------
    fleet : Fleet
    folder : path
        Where sites' answers are kept.
    workers : int, optional
        Processes; left out: one a core.
    executor : Executor, optional
        Runs the sites in place of own processes.
    progress : callable, optional
        Told in a phrase what is being done.

    Raises
    ------
    OptimiserError
        If no site has an answer, the folder cannot be written to, or another fleet is at work in it.
    """
    kept = Path(folder) / "sites"
    try:
        kept.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OptimiserError(
            f"{kept} cannot be written to: {problem.strerror}. Choose another folder."
        ) from None
    with folder_held(kept):
        found = _solve_members(fleet, kept, workers, executor, progress or (lambda words: None))
        if all(answer.problem for answer in found):
            raise OptimiserError(f"no site has an answer. The first: {found[0].problem}")
        return joined(fleet, found, kept)


def _solve_members(
    fleet: Fleet, kept: Path, workers: int | None, executor: Executor | None, say: Progress
) -> list[SiteAnswer]:
    """Every site's answer, in the order of the fleet."""
    pool = WorkPool(executor, workers) if executor is not None else LocalProcesses(workers)
    answers: dict[str, SiteAnswer] = {}

    def keep(outcome: CaseOutcome) -> None:
        if outcome.status == UNWRITABLE:
            raise OptimiserError(
                f"{kept} cannot be written to: {outcome.results['why']}. Sites that are solved are kept; make room or "
                "mend that, then start the same fleet again."
            )
        digest = outcome.results.get("digest", "")
        answers[outcome.key] = SiteAnswer(outcome.key, digest, outcome.message, outcome.status == DEFECT)
        done, count = len(answers), len(fleet.members)
        say(Step(f"{done} of {count} sites", job="sites", share=done / count))

    try:
        works = ((member.name, {"member": member}) for member in fleet.members)
        carry_out(MemberModel(kept), works, pool, keep)
    finally:
        pool.close()
    return [answers[member.name] for member in fleet.members]


@dataclass(frozen=True)
class MemberModel:
    """What solves one site wherever that is done, and keeps its answer in a folder."""

    kept: Path

    def __call__(self, changes: Mapping[str, Any]) -> Found:
        """The digest of the answer of `member`; or why the folder cannot be written to."""
        try:
            return Found(DONE, {"digest": solve_member(changes["member"], self.kept).digest})
        except OSError as problem:
            return Found(UNWRITABLE, {"why": problem.strerror or str(problem)})


def solve_member(member: Member, kept: Path) -> SiteAnswer:
    """Solve one site and keep its answer, unless it is kept already.

    Raises
    ------
    OptimiserError
        If it has no answer.
    OSError
        If its answer cannot be written.
    """
    scenario = scenario_of(member)
    answer = SiteAnswer(member.name, digest_of(scenario))
    if kept_answer(kept, answer) is not None:
        return answer
    dispatch = solve(scenario)
    statement = settle(dispatch)
    lines = {line.name: np.asarray(line.values, float) for line in dispatch.lines}
    columns = {}
    for offer in dispatch.offers:
        name = offer.product.name
        paid = lines[f"Availability, {name}"] + lines.get(f"Delivered energy, {name}", 0.0)
        columns[f"{name}.offered_kw"] = np.asarray(offer.offered_kw, float)
        columns[f"{name}.paid"] = paid
    facts = {
        "digest": answer.digest,
        "name": member.name,
        "changes": dict(member.changes),
        "bill_before": statement.bill_before,
        "bill_after": statement.bill_after,
        "services_income": statement.services_income,
        "gap_relative": dispatch.proof.gap_relative,
        "gap_absolute": dispatch.proof.gap_absolute,
        "verdict": dispatch.proof.verdict,
    }
    frame = pd.DataFrame(columns, index=range(scenario.timeline.steps))
    write_one(place_of(kept, answer), partial(write_answer, facts, frame))
    return answer
