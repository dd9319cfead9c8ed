"""The study `without_foresight`: what of the ceiling is earned without knowing the year, policy by policy."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from pydantic import Field

from optimiser.accounts.settlement import Statement, settle
from optimiser.control.chosen import Candidate, Choice, Followed, choose
from optimiser.control.modes import Mode
from optimiser.control.own_use import OwnUse
from optimiser.control.reasons import Steered, unknown
from optimiser.control.stored_worth import StoredWorth
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine.windows import at_once
from optimiser.errors import DriftError, InfeasibleError, OptimiserError, UnprovenError
from optimiser.foresight.errors import forecast_errors
from optimiser.foresight.facts import Facts, Plans, Policy
from optimiser.foresight.policies import policies_of
from optimiser.foresight.replanned import Replanned
from optimiser.foresight.running import Executed, run_under
from optimiser.plant.executed import settled_walk
from optimiser.plant.walk import Plant
from optimiser.progress import SideBySide
from optimiser.scenario.file import Scenario
from optimiser.scenario.foresight import Published
from optimiser.scenario.read import warmed_up
from optimiser.studies.timetable import TIMETABLE, TimetableStudy
from optimiser.study import Figures, Study

CEILING, CHOSEN, OWN_USE, STORED_WORTH = "ceiling", "chosen on the past", "own use", "stored worth"
REPLANNED, NO_STORAGE = "replanned", "no storage"
SEE_WHAT_HAPPENS = ("rolling", "uncertain")  # policies that no device can follow
WORDS = {
    CEILING: "knows everything beforehand: an upper bound",
    OWN_USE: "covers the site's own load from sun and store, sells no service",
    STORED_WORTH: "takes in each step what its price pays best beside what stored energy is worth, learnt from "
    "the days before; sells no service",
    REPLANNED: "plans a day ahead anew each half-hour, and when the price moves, by what today has shown so far; tells "
    "the device a mode; sells no service",
    NO_STORAGE: "the same site without its storage",
}
# What ends one way of running the site and not the run: the ceiling stands without it. A defect says that it is one.
LEFT_OUT = (InfeasibleError, UnprovenError, DriftError)
MOST_LOST = 0.05  # share of the sold services that may be lost without a word


class OutcomeFigures(Figures):
    """What one way of running the site came to over the days of the run. [currency] and shares [-]

    `storage_earns` is what it saves beyond the site without storage, `storage_share` that of what the ceiling saves
    beyond it. What stands below is None where nothing is planned: how many windows were planned and how many had no
    plan, and the share of the services sold that could be held, which is None too where nothing is sold.
    """

    name: str
    words: str
    saving: float
    share_of_ceiling: float | None
    storage_earns: float | None
    storage_share: float | None
    plans: int | None = None
    without_plan: int | None = None
    services_held_share: float | None = None


class ForesightFigures(Figures):
    """Every way of running the site without knowing the year, and what plans know.

    `headline` names the outcome that the payback rests on, None where that is the ceiling; `steered_by` who may have
    steered its steps; `missing` says of each way that could not be run why.
    """

    headline: str | None
    outcomes: list[OutcomeFigures]
    missing: list[str]
    view_hours: float
    keep_hours: float
    prices_known_hours: float
    published: list[Published]
    demand_target: str
    steered_by: list[str] = Field(default_factory=list)

    def outcome(self, name: str | None) -> OutcomeFigures | None:
        """The outcome of a name; None where there is none."""
        return next((outcome for outcome in self.outcomes if outcome.name == name), None)

    @property
    def headlined(self) -> OutcomeFigures:
        """The outcome that the payback rests on, where it rests on one of these."""
        return next(outcome for outcome in self.outcomes if outcome.name == self.headline)


@dataclass(frozen=True)
class WithoutForesight(Study):
    """What a year without foresight earns.

    Attributes
    ----------
    headline : Statement or None
        What the policy makes that the payback rests on.
    schedules : dict of str to Dispatch
        What was carried out, step by step, in each way of running the site beside the ceiling.
    steered : Steered or None
        Who steered each step of the headline, and what the device was told.
    """

    headline: Statement | None = None
    schedules: Mapping[str, Dispatch] = field(default_factory=dict)
    steered: Steered | None = None

    @property
    def forecast_driven_saving(self) -> float | None:
        """Saving over the timeline of the policy that the payback rests on. [currency]"""
        return None if self.headline is None else self.headline.saving


def paid_for(statement: Statement, found: Study | None) -> Statement:
    """The statement that payback rests on: the headline's of this study; else the ceiling's."""
    headline = found.headline if isinstance(found, WithoutForesight) else None
    return statement if headline is None else headline


@dataclass(frozen=True)
class _Outcome:
    """What one way of running the site came to."""

    name: str
    words: str
    statement: Statement
    executed: Executed | None = None


def study(statement: Statement, say: Progress, timetable: Study | None = None) -> WithoutForesight | None:
    """What each policy of the scenario earns, beside the ceiling, plain own use and no storage; None without storage.

    Parameters
    ----------
    statement : Statement
        Of the ceiling.
    say : callable
        Told what is being done.
    timetable : TimetableStudy, optional
        A timetable that was learnt for this run; it gets a row of its own.
    """
    scenario = statement.dispatch.scenario
    if not scenario.storage or not scenario.foresight.policies:
        return None
    policies = policies_of(scenario)
    ceiling = statement.dispatch
    outcomes = [_Outcome(CEILING, WORDS[CEILING], statement)]
    missing: list[tuple[str, OptimiserError]] = []
    together = SideBySide(say, "a year of plans", tuple(policy.name for policy in policies))

    def attempt(policy: Policy) -> Executed | OptimiserError:
        try:
            return run_under(scenario, policy, ceiling, together.of(policy.name))
        except LEFT_OUT as problem:
            return problem

    for policy, one in zip(policies, at_once(attempt, policies), strict=True):
        if isinstance(one, Executed):
            outcomes.append(_Outcome(policy.name, policy.words, settle(one.dispatch), one))
        else:
            missing.append((policy.name, one))
    if isinstance(timetable, TimetableStudy):
        whole = timetable.carried_out
        if isinstance(whole, Statement):
            outcomes.append(_Outcome(TIMETABLE, timetable.run_under, whole))
        elif whole is not None:
            missing.append((TIMETABLE, whole))
    say("the same site by its own devices")
    choice = _chosen(scenario, outcomes, say)
    others: list[tuple[str, str, Callable[[], Statement]]] = [
        (name, words, partial(settled_walk, ceiling, choice.walk, case))
        for case, name, words in _cases(scenario, choice)
    ]
    say(f"the same site: {NO_STORAGE}")
    for name, words, make in [
        *others,
        (NO_STORAGE, WORDS[NO_STORAGE], lambda: _without_storage(scenario, say)),
    ]:
        try:
            outcomes.append(_Outcome(name, words, make()))
        except LEFT_OUT as problem:
            missing.append((name, problem))
    found = _told(scenario, outcomes, missing)
    tables = {**found.tables, **_errors(scenario, policies)}
    if any(outcome.name == CHOSEN for outcome in outcomes):
        tables["chosen"] = _by_choice(choice)
    steered = _steered(found, choice)
    names = [] if steered is None else list(steered.names)
    return dataclasses.replace(
        found, summary=found.summary | {"steered_by": names}, tables=tables, steered=steered
    )


def _steered(found: WithoutForesight, choice: Choice) -> Steered | None:
    """Who steered the headline's steps, in the modes that were written down, with the worth that was gone by."""
    if found.headline is None:
        return None
    timeline = found.headline.dispatch.scenario.timeline
    name = found.summary["headline"]
    if name != CHOSEN:
        return Steered((name,), *unknown(timeline.steps))
    period = timeline.groups(found.headline.dispatch.scenario.tariff.period).of_step
    ran = choice.ran[period]
    _, mode, worth = unknown(timeline.steps)
    for number, controller in enumerate(choice.controllers):
        mine = ran == number
        if isinstance(controller, OwnUse):
            mode[mine] = Mode.COVER_LOAD
        elif isinstance(controller, StoredWorth):
            # Its last case is the choice's in the periods that it ran.
            mode[mine] = controller.modes[choice.lead :][mine]
            worth[mine] = controller.worth_per_kwh[choice.lead :][mine]
    return Steered(choice.names, ran, mode, worth)


def _chosen(scenario: Scenario, outcomes: Sequence[_Outcome], say: Progress) -> Choice:
    """Own devices walked side by side, and the choice among them and what plans made of the site.

    Nothing is sold; plans join where nothing is, from what was carried out of them, but for where days before the run
    choose too: nobody planned those.
    """
    warm = bool(scenario.foresight.warm_up_days) and _chooses(scenario)
    candidates = [Candidate(OWN_USE, OwnUse)]
    if scenario.site.inverter:
        candidates += [Candidate(STORED_WORTH, StoredWorth), Candidate(REPLANNED, Replanned)]
    for outcome in outcomes:
        follows = outcome.executed is not None and outcome.name not in SEE_WHAT_HAPPENS
        if outcome.executed is not None and follows and _chooses(scenario) and not warm:
            net_kw = _net_kw(outcome.executed.dispatch)
            candidates.append(Candidate(outcome.name, partial(Followed, net_kw=net_kw)))
    return choose(Plant(warmed_up(scenario) if warm else scenario), candidates, say, scenario)


def chosen_statement(scenario: Scenario, ceiling: Dispatch, say: Progress) -> Statement:
    """The year of the choice by itself, as the study makes it.

    Parameters
    ----------
    scenario : Scenario
        With nothing sold.
    ceiling : Dispatch
        The same with perfect foresight.
    say : callable

    Raises
    ------
    InfeasibleError, DriftError
        As `settled_walk` does.
    """
    outcomes = []
    for policy in policies_of(scenario):
        if policy.name not in SEE_WHAT_HAPPENS:
            one = run_under(scenario, policy, ceiling, say)
            outcomes.append(_Outcome(policy.name, policy.words, settle(one.dispatch), one))
    choice = _chosen(scenario, outcomes, say)
    return settled_walk(ceiling, choice.walk, len(choice.names))


def driven(scenario: Scenario, name: str, ceiling: Dispatch, say: Progress) -> Statement:
    """The year of another scenario, run as the headline of this study was.

    Parameters
    ----------
    scenario : Scenario
    name : str
        The headline's.
    ceiling : Dispatch
        The scenario with perfect foresight.
    say : callable
    """
    if name == CHOSEN:
        return chosen_statement(scenario, ceiling, say)
    policy = next(policy for policy in policies_of(scenario) if policy.name == name)
    return settle(run_under(scenario, policy, ceiling, say).dispatch)


def _chooses(scenario: Scenario) -> bool:
    """Whether the payback rests on the choice: where nothing is sold and the scenario names no policy for it."""
    return not scenario.service and scenario.foresight.headline is None and bool(scenario.site.inverter)


def _cases(scenario: Scenario, choice: Choice) -> list[tuple[int, str, str]]:
    """The cases of a choice that have rows of their own: number, name, words."""
    rows = [
        (number, name, WORDS[name])
        for number, name in enumerate(choice.names)
        if name in (OWN_USE, STORED_WORTH, REPLANNED)
    ]
    if _chooses(scenario):
        days = scenario.foresight.warm_up_days
        warm = f" and in {days} days before the run" if days else ""
        words = f"in each billing period what would have earned most in those before{warm}: {choice.words()}"
        rows.insert(0, (len(choice.names), CHOSEN, words))
    return rows


def _net_kw(dispatch: Dispatch) -> np.ndarray:
    """Output less input of each inverter, of shape (steps, inverters)."""
    names = [inverter.name for inverter in dispatch.scenario.site.inverter]
    values = dispatch.values
    return np.stack(
        [values[f"inverter.{n}.output_kw"] - values[f"inverter.{n}.input_kw"] for n in names], axis=1
    )


def _by_choice(choice: Choice) -> pd.DataFrame:
    """What each candidate earned in each billing period, and which ran. [currency]"""
    table = pd.DataFrame(dict(zip(choice.names, choice.earned, strict=True)))
    table.insert(0, "billing_period", list(choice.labels))
    table.insert(1, "ran", [choice.names[number] for number in choice.ran])
    return table


def _errors(scenario: Scenario, policies: Sequence[Policy]) -> dict[str, pd.DataFrame]:
    """How far off the policies that may err were; nothing where none does."""
    facts, table = Facts.of(scenario), scenario.foresight
    foretelling = [policy for policy in policies if not policy.sure]
    if not foretelling or not facts.foretold():
        return {}
    plans = Plans.of(scenario.timeline, table.keep_hours, table.view_hours)
    by_lead, by_hour = forecast_errors(facts, plans, foretelling)
    return {"forecast_errors": by_lead, "forecast_errors_by_hour": by_hour}


def _without_storage(scenario: Scenario, say: Progress) -> Statement:
    """The site with everything but its storage and what needs it, at its best."""
    site = scenario.site.model_copy(
        update={"dc_voltage_v": scenario.site.lowest_bus_voltage(scenario.storage)}
    )
    file = scenario.file.model_copy(update={"storage": (), "service": (), "site": site})
    return settle(solve(dataclasses.replace(scenario, file=file), progress=say))


def _told(
    scenario: Scenario, outcomes: list[_Outcome], missing: list[tuple[str, OptimiserError]]
) -> WithoutForesight:
    """Summary, tables and cautions."""
    by_name = {outcome.name: outcome for outcome in outcomes}
    most = by_name[CEILING].statement.saving
    none = by_name[NO_STORAGE].statement.saving if NO_STORAGE in by_name else None
    wanted = CHOSEN if _chooses(scenario) and CHOSEN in by_name else scenario.foresight.rests_on
    rests_on = wanted if wanted in by_name else None
    table = scenario.foresight
    figures = ForesightFigures(
        headline=rests_on,
        outcomes=[_row(outcome, most, none) for outcome in outcomes],
        missing=[f"{name}: {problem}" for name, problem in missing],
        view_hours=table.view_hours,
        keep_hours=table.keep_hours,
        prices_known_hours=table.prices_known_hours,
        published=list(table.published),
        demand_target=_target_words(scenario),
    )
    headline = by_name[rests_on].statement if rests_on else None
    tables = {"lines": _by_line(outcomes), "months": _by_month(outcomes)}
    defects = (
        f"{name}: {problem}"
        for name, problem in missing
        if isinstance(problem, DriftError) and name != TIMETABLE  # whose own study tells it
    )
    warnings = (*_warnings(outcomes), *defects)
    if rests_on is None:
        warnings += ("The payback rests on the ceiling: the policy it should rest on could not be run.",)
    schedules = {name: outcome.statement.dispatch for name, outcome in by_name.items() if name != CEILING}
    return WithoutForesight(figures.model_dump(), tables, warnings, headline, schedules)


def _row(outcome: _Outcome, most: float, none: float | None) -> OutcomeFigures:
    """An outcome's figures, where the ceiling saves `most` and the site without storage `none`. [currency]"""
    saving, one = outcome.statement.saving, outcome.executed
    sold = 0.0 if one is None else one.sold_kw_hours
    return OutcomeFigures(
        name=outcome.name,
        words=outcome.words,
        saving=saving,
        share_of_ceiling=saving / most if most > 0 else None,
        storage_earns=None if none is None else saving - none,
        storage_share=(saving - none) / (most - none) if none is not None and most > none else None,
        plans=None if one is None else one.plans,
        without_plan=None if one is None else one.without_plan,
        services_held_share=one.held_kw_hours / sold if one is not None and sold > 0 else None,
    )


def _target_words(scenario: Scenario) -> str:
    table = scenario.foresight
    if not any(
        hasattr(component, "once_a_period") and component.once_a_period
        for component in scenario.tariff.component
    ):
        return ""
    if table.demand_target == "so_far":
        return "Plans count every kW of demand above what the billing period has reached so far."
    share = "" if table.demand_share == 1 else f"{table.demand_share:.0%} of "
    of = "that of the period before"
    if table.demand_target == "quantile":
        of = f"the {table.demand_quantile:.0%} quantile of those of all periods before"
    return (
        f"Plans take the billing period's demand to reach {share}{of}, or what it has reached already; a kW below "
        "that earns them nothing. In the first period there is none before."
    )


def _warnings(outcomes: list[_Outcome]) -> tuple[str, ...]:
    found = []
    for outcome in outcomes:
        one = outcome.executed
        if (
            one is not None
            and one.sold_kw_hours > 0
            and one.held_kw_hours < (1 - MOST_LOST) * one.sold_kw_hours
        ):
            lost = 1 - one.held_kw_hours / one.sold_kw_hours
            found.append(
                f"Run under {outcome.name}, {lost:.0%} of what is sold of services could not be held and is not paid; "
                "penalties are left out."
            )
    return tuple(found)


def _by_line(outcomes: list[_Outcome]) -> pd.DataFrame:
    """What each way of running saves or earns in each line of the bill. [currency]"""
    columns = {}
    for outcome in outcomes:
        rows = outcome.statement.table
        rows = rows[rows["cash"]]
        sign = np.where(rows["case"] == "after", 1.0, -1.0)
        amounts = (rows["amount"] * sign).groupby([rows["group"], rows["line"]], sort=False).sum()
        columns[outcome.name] = amounts
    return pd.DataFrame(columns).fillna(0.0).rename_axis(["group", "line"]).reset_index()


def _by_month(outcomes: list[_Outcome]) -> pd.DataFrame:
    """What each way of running saves in each billing period. [currency]"""
    columns = {}
    for outcome in outcomes:
        rows = outcome.statement.table
        rows = rows[rows["cash"]]
        sign = np.where(rows["case"] == "after", 1.0, -1.0)
        columns[outcome.name] = (rows["amount"] * sign).groupby(rows["billing_period"], sort=False).sum()
    return pd.DataFrame(columns).fillna(0.0).rename_axis("billing_period").reset_index()
