"""What the figures of a sweep are called, and the factors that move together."""

from __future__ import annotations

from optimiser.batch.sweep.plan import SweepPlan, groups_of
from optimiser.finance.yearly import is_year
from optimiser.report.recorded import RecordedRun


def recorded(plan: SweepPlan) -> RecordedRun:
    """What the figures of a sweep are called, and over which days its cases run."""
    file, timeline = plan.base.file, plan.base.timeline
    local = timeline.local()
    paths = {path for case in plan.cases for path in case.changes}
    return RecordedRun(
        currency=file.currency,
        first=local[0].isoformat(),
        last=local[-1].isoformat(),
        steps=timeline.steps,
        step_minutes=timeline.step_minutes,
        zone=timeline.zone,
        whole_year=is_year(timeline.hours),
        varied=tuple(sorted(path.partition(".")[2] for path in paths if path.startswith("timeline."))),
    )


def names_together(plan: SweepPlan) -> list[list[str]]:
    """Names of the factors that move as one, group by group."""
    return [[factor.name for factor in members] for members in groups_of(plan.file).values()]


def group_names(plan: SweepPlan) -> list[str]:
    """Names of what a sampled design moves: factors, or several that go together."""
    return [" and ".join(factor.name for factor in members) for members in groups_of(plan.file).values()]
