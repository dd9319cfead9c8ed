"""The replay of a plan's activations as a study: figures, a table of events, and what the plan does not promise."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pandas as pd
from pydantic import Field

from optimiser.accounts.settlement import Statement
from optimiser.dispatch import Dispatch
from optimiser.equipment.limits import MARGINS
from optimiser.plant.events import Event, hardest
from optimiser.plant.replay import FINE_SECONDS, EventReplay, Replayed
from optimiser.progress import Step
from optimiser.study import Figures, Study

CENT = 0.005  # below it an amount is nothing


class ActivationFigures(Figures):
    """What became of the events replayed: how many were delivered, and what calls cost beside the plan. [currency]"""

    events: int
    delivered: int
    nothing_offered: int
    short: int = Field(description="short of what the schedule's rules promise")
    short_beyond_the_rules: int
    largest_shortfall_kw: float
    largest_shortfall_limited_by: str
    fine_seconds: float
    dearest_event: str
    dearest_amount: float
    dearest_demand_amount: float
    mean_amount: float | None = Field(description="of the events in which something was called")
    raised_demand: int = Field(description="events that raised a demand charge")
    slowest_recovery_minutes: float | None
    not_recovered_within_a_day: int
    observations: list[str]
    availability_income: float = Field(description="what being available earns in the run")
    days: float = Field(description="length of the run")


def make_activation(statement: Statement, say: Callable[[str], None]) -> Study | None:
    """Replay the hardest events of a plan and some at random; None where nothing is offered."""
    events = hardest(statement.dispatch)
    return replay_events(statement.dispatch, events, say) if events else None


def replay_events(
    dispatch: Dispatch,
    events: Iterable[Event],
    say: Callable[[str], None] = lambda words: None,
    fine_seconds: float = FINE_SECONDS,
) -> Study:
    """Walk events through a plan, each by itself.

    Parameters
    ----------
    dispatch : Dispatch
    events : iterable of Event
    say : callable
        Told what is being done.
    fine_seconds : float
        Length of a fine step. [s]

    Returns
    -------
    Study
        With the table "events", one row an event.
    """
    replay, walked = EventReplay(dispatch, fine_seconds), []
    events = list(events)
    for number, event in enumerate(events):
        if number % 20 == 0:
            words = f"replaying activations, {number} of {len(events)}"
            say(Step(words, job="replaying activations", share=number / len(events)))
        walked.append(replay.walk(event))
    return Study(
        _figures(walked, dispatch, fine_seconds).model_dump(),
        {"events": _table(walked, dispatch)},
        tuple(_warnings(walked)),
    )


def _table(walked: list[Replayed], dispatch: Dispatch) -> pd.DataFrame:
    timeline = dispatch.scenario.timeline
    local = timeline.local()
    rows = []
    for found in walked:
        event = found.event
        offset = pd.Timedelta(hours=event.start_hours - found.step * timeline.step_hours)
        row: dict[str, Any] = {
            "event": event.name,
            "why": event.why,
            "start": (local[found.step] + offset).round("s").isoformat(),
            "step": found.step,
            "minutes": event.hours * 60,
            "wanted_kw": found.wanted_kw,
            "delivered_kw": found.delivered_kw,
            "short_kwh": found.short_kwh,
            "verdict": _verdict(found),
            "limited_by": found.limited_by,
            "given_kwh": found.given_kwh,
            "stored_change_kwh": found.stored_kwh,
            "solar_lost_kwh": found.solar_lost_kwh,
        }
        row |= {f"margin_{m.name}": found.margins.get(m.name, math.nan) for m in MARGINS}
        row |= {
            "energy_amount": found.energy_amount,
            "of_which_demand_amount": found.demand_amount,
            "recovery_amount": found.recovery_amount,
            "recovery_of_which_demand_amount": found.recovery_demand_amount,
            "recovery_minutes": found.recovery_hours * 60,
            "left_amount": found.left_amount,
            "amount": found.amount,
        }
        rows.append(row)
    return pd.DataFrame(rows)


def _verdict(found: Replayed) -> str:
    if not found.wanted_kw:
        return "nothing offered"
    if found.kept:
        return "delivered"
    return f"short, {found.beyond}" if found.beyond else "short"


def _figures(walked: list[Replayed], dispatch: Dispatch, fine_seconds: float) -> ActivationFigures:
    broken = [found for found in walked if not found.kept and not found.beyond]
    beyond = [found for found in walked if not found.kept and found.beyond]
    idle = sum(not found.wanted_kw for found in walked)
    worst = max(walked, key=lambda found: found.short_kw) if broken or beyond else None
    dearest = min(walked, key=lambda found: found.amount)
    called = [found.amount for found in walked if found.wanted_kw]
    return ActivationFigures(
        events=len(walked),
        delivered=len(walked) - len(broken) - len(beyond) - idle,
        nothing_offered=idle,
        short=len(broken),
        short_beyond_the_rules=len(beyond),
        largest_shortfall_kw=float(worst.short_kw) if worst else 0.0,
        largest_shortfall_limited_by=worst.limited_by if worst else "",
        fine_seconds=fine_seconds,
        dearest_event=dearest.event.name,
        dearest_amount=float(dearest.amount),
        dearest_demand_amount=float(dearest.raised_amount),
        mean_amount=float(np.mean(called)) if called else None,
        raised_demand=sum(bool(found.raised_amount < -CENT) for found in walked),
        slowest_recovery_minutes=_finite(max((f.recovery_hours for f in walked), default=0.0) * 60),
        not_recovered_within_a_day=sum(math.isnan(found.recovery_hours) for found in walked),
        observations=list(_observations(walked)),
        availability_income=_income(dispatch),
        days=dispatch.scenario.timeline.hours / 24,
    )


def _income(dispatch: Dispatch) -> float:
    """What being available earns in the run, to hold a call's cost against. [currency]"""
    paid = [line.values for line in dispatch.lines if line.cash and line.group == "availability"]
    return sum(float(np.sum(values)) for values in paid)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _observations(walked: list[Replayed]) -> Iterable[str]:
    """What the schedule's rules do not hold, seen in these events."""
    idle = sum(not found.wanted_kw for found in walked)
    if idle:
        yield f"In {idle} of {len(walked)} events nothing was called, since the plan offers nothing of it in that step."
    apart = [-found.margins.get("imbalance_kw", 0.0) for found in walked]
    if max(apart) > 1e-6:
        count = sum(kw > 1e-6 for kw in apart)
        yield (
            f"In {count} of {len(walked)} events the phases were further apart than the imbalance "
            "limit allows, by up to "
            f"{max(apart):.2f} kW. The schedule holds that limit before an activation, not during one."
        )
    lost = [found.solar_lost_kwh for found in walked]
    if max(lost) > 1e-3:
        yield (
            f"In {sum(kwh > 1e-3 for kwh in lost)} of {len(walked)} events solar power was lost, up "
            f"to {max(lost):.3f} kWh: "
            "a controller's current limit carries less at the voltage that was left, or storage was full."
        )
    late = [found for found in walked if found.beyond == "after its step" and not found.kept]
    if late:
        yield (
            f"{len(late)} of {len(walked)} events fell short only after the step of their offer, by up to "
            f"{max(found.short_kw for found in late):.2f} kW: the schedule keeps an offer's power for "
            "its own step, and its "
            "energy for as many steps as a call from the start of that step reaches into."
        )
    dimmed = [found for found in walked if found.beyond == "controller current" and not found.kept]
    if dimmed:
        yield (
            f"{len(dimmed)} of {len(walked)} events fell short because storage had to stand in for "
            "solar power that "
            "controllers could not carry at the voltage that was left. The schedule holds that limit "
            "at the planned voltage."
        )
    leaky = [found for found in walked if found.kept and found.short_kwh > 0]
    if leaky:
        yield (
            f"{len(leaky)} of {len(walked)} events missed less energy, "
            f"{max(f.short_kwh for f in leaky):.4f} kWh at the most, "
            "than self-discharge takes in a step; they count as delivered."
        )
    raised = [found for found in walked if found.raised_amount < -CENT]
    if raised:
        after = sum(found.demand_amount >= -CENT for found in raised)
        back = f" ({after} of them only on the way back to the plan)" if after else ""
        yield (
            f"{len(raised)} of {len(walked)} events raised a demand charge{back}, the dearest by "
            f"{max(-found.raised_amount for found in raised):.2f}: power taken for a service counts at the meter "
            "like any other."
        )


def _warnings(walked: list[Replayed]) -> Iterable[str]:
    broken = [found for found in walked if not found.kept and not found.beyond]
    if broken:
        worst = max(broken, key=lambda found: found.short_kw)
        yield (
            f"{len(broken)} of {len(walked)} replayed activations were not delivered in full; the "
            f"worst, {worst.event.name} in "
            f"step {worst.step}, was short of {worst.short_kw:.3f} kW for want of {worst.limited_by}."
        )
