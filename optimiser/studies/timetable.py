"""A timetable judged on what it was not learnt from, rule by rule, beside plain self-consumption and the ceiling."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field

from optimiser.accounts.settlement import Statement, before_flows
from optimiser.control.learning import Hints, Split, by_step, hints_of, learn, money_by_step, split
from optimiser.control.timetable import Timed, Timetable, category_of, clock, empty_timetable, make_categories
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.errors import DriftError, InfeasibleError, OptimiserError
from optimiser.plant.executed import executed, settled_walk
from optimiser.plant.walk import Plant
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.study import Figures, Study
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.terms.line import Line

OWN_LOAD, TIMETABLE, CEILING, WITHOUT = "own use", "timetable", "ceiling", "no system"
LEARNT, JUDGED = "learnt from", "judged on"
RULE_COLUMNS = ("season", "days", "from", "to", "phase", "does", "power_kw", "stop_percent")
GAP = 1e-4
COARSE_MINUTES = 30  # rules are looked for in steps no shorter: they are typed in by half-hours


@dataclass(frozen=True)
class Settings:
    """What a timetable may be.

    Attributes
    ----------
    rules : int
        Of each season and kind of day, at the most.
    seasons : 1, 2 or 4
    day_types : bool
        Whether workdays have rules of their own.
    learn : "months" or "weeks"
        What every other one of is learnt from; the others judge.
    """

    rules: int = 3
    seasons: Literal[1, 2, 4] = 4
    day_types: bool = True
    learn: Literal["months", "weeks"] = "months"


@dataclass(frozen=True)
class Judged:
    """A timetable and what it comes to.

    Attributes
    ----------
    timetable : Timetable
    parted : Split
    mirrored : Timetable or None
        What the part that judges would have taught, where that was asked for.
    bills : dict of (str, str) to float
        What is to pay, by part ("learnt from" or "judged on") and case ("no system", "own use", "timetable",
        "ceiling"). [currency]
    rules : DataFrame
        One row a rule: season, days, from, to, phase, does, power_kw, stop_percent, and what it earns alone and what
        leaving it out costs, on each part. [currency]
    services_left_out : bool
    """

    timetable: Timetable
    parted: Split
    bills: Mapping[tuple[str, str], float]
    rules: pd.DataFrame
    services_left_out: bool
    mirrored: Timetable | None = None

    def better_by(self, part: str) -> float:
        """How much less is paid than with plain self-consumption. [currency]"""
        return self.bills[part, OWN_LOAD] - self.bills[part, TIMETABLE]

    def realised_share(self, part: str, case: str) -> float:
        """Share of what the ceiling saves that a case saves; nan where the ceiling saves nothing. [-]"""
        whole = self.bills[part, WITHOUT] - self.bills[part, CEILING]
        return (self.bills[part, WITHOUT] - self.bills[part, case]) / whole if whole > 0.005 else float("nan")


def make_timetable(
    dispatch: Dispatch,
    settings: Settings = Settings(),
    *,
    other: Scenario | None = None,
    both_ways: bool = False,
    say: Progress = lambda words: None,
) -> Judged:
    """Learn a timetable and judge it.

    Parameters
    ----------
    dispatch : Dispatch
        The site, solved.
    settings : Settings
    other : Scenario, optional
        The same plant in another year of prices: all of it is learnt from, and all of `dispatch` judges.
    both_ways : bool
        Learn from the part that judges too, so that `carried_out` has a timetable for every step that it was not
        learnt from; takes as long again.
    say : callable
        Told in a phrase what is being done.

    Raises
    ------
    OptimiserError
        If the site has no storage or inverter, or the other year's plant is another one.
    """
    _check(dispatch.scenario, other)
    services = bool(dispatch.scenario.service)
    best = _without_services(dispatch, say)
    scenario = best.scenario
    parted = split(scenario, settings.learn) if other is None else _whole(scenario, other)
    months = sorted(set(scenario.timeline.local().month))
    categories = make_categories(months, settings.seasons, settings.day_types)
    if other is None:
        coarse, times = _coarser(scenario)
        mask = parted.learn.reshape(-1, times)[:, 0]
        hints: Hints | None = hints_of(best).coarser(times)
    else:
        coarse, _ = _coarser(without_services(other))
        mask, hints = np.ones(coarse.timeline.steps, bool), None
    timetable = learn(coarse, hints, categories, mask, settings.rules, say)
    mirrored = None
    if both_ways and parted.apart and other is None:
        mirrored = learn(coarse, hints, categories, ~mask, settings.rules, say)
    say("judging the timetable")
    bills, rules = _judge(best, timetable, parted)
    return Judged(timetable, parted, bills, rules, services, mirrored)


def carried_out(dispatch: Dispatch, judged: Judged) -> Statement:
    """The whole timeline under timed rules, each part under those learnt from the other; nothing is sold.

    Parameters
    ----------
    dispatch : Dispatch
        The site, solved.
    judged : Judged
        Learnt both ways where its parts are apart; else its one timetable runs throughout.

    Raises
    ------
    InfeasibleError
        If the rules cannot keep a limit.
    """
    scenario, timetable = dispatch.scenario, judged.timetable
    of_step = category_of(scenario, timetable.categories)
    if judged.mirrored is not None:
        of_step = np.where(judged.parted.learn, of_step + len(timetable.categories), of_step)
        both = (*timetable.rules, *judged.mirrored.rules)
        timetable = Timetable((*timetable.categories, *timetable.categories), both)
    plant = Plant(scenario)
    return settled_walk(dispatch, plant.walk(Timed(plant, of_step, [timetable])))


def _check(scenario: Scenario, other: Scenario | None) -> None:
    if not scenario.storage or not scenario.site.inverter:
        raise OptimiserError(
            f"{scenario.path}: a timetable steers storage through inverters, and this site lacks one of them. "
            "Give it both."
        )
    if other is not None:
        for what in ("site", "storage"):
            if _plant(scenario, what) != _plant(other, what):
                raise OptimiserError(
                    f"{other.path}: its {what} differs from that of {scenario.path}. A timetable can be learnt from "
                    "another year of prices, load and sun, not from another plant; give both the same."
                )


def _plant(scenario: Scenario, what: str) -> Any:
    """A part of a scenario without the series that it refers to."""

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: bare(entry) for key, entry in value.items() if entry is not None}
        if isinstance(value, (list, tuple)):
            return [bare(entry) for entry in value]
        return "a series" if isinstance(value, str) and value in scenario.columns else value

    part = getattr(scenario.file, what)
    parts = part if isinstance(part, tuple) else (part,)
    return [bare(entry.model_dump()) for entry in parts]


def _without_services(dispatch: Dispatch, say: Progress) -> Dispatch:
    """The site solved with nothing sold: timed rules cannot hold headroom that moves with prices."""
    if not dispatch.scenario.service:
        return dispatch
    say("solving the site without services, which timed rules do not sell")
    return solve(without_services(dispatch.scenario), progress=say)


def without_services(scenario: Scenario) -> Scenario:
    """The same site with nothing sold, and a gap that is close enough to judge rules by."""
    if not scenario.service:
        return scenario
    tolerance = max(scenario.solve.gap_tolerance, GAP)
    return vary(scenario, {"service": [], "solve.gap_tolerance": tolerance})


def _whole(scenario: Scenario, other: Scenario) -> Split:
    every = np.ones(scenario.timeline.steps, bool)
    return Split(~every, every, f"another year, that of {other.file.title}", True)


def _coarser(scenario: Scenario) -> tuple[Scenario, int]:
    """The scenario in the steps that rules are looked for in, and how many of its own each holds."""
    step = scenario.timeline.step_minutes
    if step >= COARSE_MINUTES or COARSE_MINUTES % step:
        return scenario, 1
    changes: dict[str, Any] = {"timeline.step_minutes": COARSE_MINUTES}
    changes |= {f"source.{name}.coarsen": "mean" for name in scenario.file.source}
    return vary(scenario, changes), COARSE_MINUTES // step


def _judge(
    best: Dispatch, timetable: Timetable, parted: Split
) -> tuple[dict[tuple[str, str], float], pd.DataFrame]:
    scenario = best.scenario
    plant, terms = Plant(scenario), SettledTerms(scenario.data)
    of_step = category_of(scenario, timetable.categories)
    parts = {part: mask for part, mask in ((LEARNT, parted.learn), (JUDGED, parted.judge)) if mask.any()}
    pair = [empty_timetable(timetable.categories), timetable]
    walk = plant.walk(Timed(plant, of_step, pair), cases=2)
    earned = {}
    for case, name in enumerate((OWN_LOAD, TIMETABLE)):
        _, stated = executed(scenario, walk, case)
        earned[name] = _cash(stated.lines, terms)
    earned[CEILING] = _cash(best.lines, terms)
    before = scenario.before_tariff.lines(before_flows(scenario), terms)
    earned[WITHOUT] = _cash(before, terms)
    bills = {
        (part, name): -float(money[mask].sum())
        for part, mask in parts.items()
        for name, money in earned.items()
    }
    return bills, _rules(plant, of_step, timetable, parts, earned)


def _cash(lines: Iterable[Line], data: InputData) -> np.ndarray:
    return sum((by_step(line, data) for line in lines if line.cash), np.zeros(data.timeline.steps))


def _rules(plant: Plant, of_step: np.ndarray, timetable: Timetable, parts: Any, earned: Any) -> pd.DataFrame:
    """One row a rule, with what it earns by itself and what leaving it out costs."""
    scenario = plant.scenario
    terms = SettledTerms(scenario.data)
    numbered = timetable.numbered()
    tried = [timetable.alone(c, place) for c, place, _ in numbered]
    tried += [timetable.without(c, place) for c, place, _ in numbered]
    rows = []
    if numbered:
        walk = plant.walk(Timed(plant, of_step, tried), cases=len(tried), keep="meter")
        money = [money_by_step(scenario, walk, case, terms, wear=False) for case in range(len(tried))]
    for number, (c, _, rule) in enumerate(numbered):
        category = timetable.categories[c]
        row: dict[str, Any] = {
            "season": category.season,
            "days": category.days,
            "from": clock(rule.from_minutes),
            "to": clock(rule.to_minutes),
            "phase": rule.phase,
            "does": rule.action if rule.power_kw else "keep",
            "power_kw": rule.power_kw,
            "stop_percent": round(100 * rule.fraction),
        }
        for part, mask in parts.items():
            key = part.replace(" ", "_")
            alone, without = money[number], money[len(numbered) + number]
            row[f"earns_alone_{key}"] = float((alone - earned[OWN_LOAD])[mask].sum())
            row[f"leaving_out_costs_{key}"] = float((earned[TIMETABLE] - without)[mask].sum())
        rows.append(row)
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=list(RULE_COLUMNS))


CAUTIONS = (
    "A timetable is learnt from past prices, load and sun; judge it again when the tariff or the use changes.",
    "Clock times are the site's; set the inverter's clock, and whether it follows summer time, before typing rules in.",
    "Where inverters on several phases share a store, power is the sum over all of them; divide it by their ratings.",
    "Reserve, import and export limits and the installer's protection settings stay as they are: rules come after.",
)


class CaseBill(Figures):
    """What is to pay in one case on one part of the days [currency], and its share of the ceiling's saving."""

    part: str
    case: str
    to_pay: float
    realised_share: float | None


class ToldRule(Figures):
    """A rule in words, and the days that it holds on."""

    days: str
    rule: str


class TimetableFigures(Figures):
    """The rules, what each way of running the site comes to, and on which days they were learnt and judged."""

    learnt_from: str
    judged_apart: bool
    services_left_out: bool
    beats_own_load: bool
    better_by: float = Field(
        description="than plain self-consumption, on the part that it is judged on; currency"
    )
    bills: list[CaseBill]
    rules: list[ToldRule]
    otherwise: str
    cautions: list[str]


def study_of(judged: Judged, currency: str) -> Study:
    """A judged timetable as figures, tables and warnings."""
    part = JUDGED
    better = judged.better_by(part)
    apart = judged.parted.apart
    warnings = []
    if not apart:
        warnings.append(
            "The timetable is judged on the days that it was learnt from, since there are too few: expect less of it."
        )
    if better <= 0.005:
        warnings.append(
            f"The timetable does not beat plain self-consumption on what it was not learnt from "
            f"({-better:,.2f} {currency} worse): leave the inverter to cover the site's own load."
            if apart
            else "No timetable was found that beats plain self-consumption: leave the inverter to cover own load."
        )
    cautions = list(CAUTIONS)
    if judged.services_left_out:
        cautions.append(
            "Services are left out here, in the timetable, in plain self-consumption and in the ceiling: timed rules "
            "hold no headroom for them."
        )
    figures = TimetableFigures(
        learnt_from=judged.parted.words,
        judged_apart=apart,
        services_left_out=judged.services_left_out,
        beats_own_load=bool(better > 0.005),
        better_by=round(float(better), 2),
        bills=[
            CaseBill(
                part=part,
                case=case,
                to_pay=round(float(amount), 2),
                realised_share=_number(judged.realised_share(part, case)),
            )
            for (part, case), amount in judged.bills.items()
        ],
        rules=[
            ToldRule(days=judged.timetable.categories[c].words, rule=rule.words())
            for c, _, rule in judged.timetable.numbered()
        ],
        otherwise="cover the site's own load; feed in what sun the store cannot take",
        cautions=cautions,
    )
    return Study(figures.model_dump(), {"rules": judged.rules}, tuple(warnings))


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 4)


@dataclass(frozen=True)
class TimetableStudy(Study):
    """A judged timetable, and the whole timeline under it.

    Attributes
    ----------
    carried_out : Statement or InfeasibleError or DriftError
        What stands in the books, or why nothing does.
    run_under : str
        Which rules each step was run under, in words.
    """

    carried_out: Statement | InfeasibleError | DriftError | None = None
    run_under: str = ""


def study(statement: Statement, say: Progress) -> TimetableStudy | None:
    """The timetable of a run, with the usual settings; None where there is nothing to steer."""
    dispatch = statement.dispatch
    if not dispatch.scenario.storage or not dispatch.scenario.site.inverter:
        return None
    judged = make_timetable(dispatch, both_ways=True, say=say)
    told = study_of(judged, dispatch.scenario.file.currency)
    say("a year of the timetable")
    try:
        whole: Statement | InfeasibleError | DriftError = carried_out(dispatch, judged)
    except (InfeasibleError, DriftError) as problem:
        whole = problem
    defects = (f"{TIMETABLE}: {whole}",) if isinstance(whole, DriftError) else ()
    apart = "each part of the days under rules learnt from the other"
    words = f"timed rules: {apart if judged.mirrored is not None else 'learnt from these same days'}"
    return TimetableStudy(told.summary, told.tables, (*told.warnings, *defects), whole, words)
