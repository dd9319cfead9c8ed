"""The sizes that leave most a year once they are paid for, proven by bounds from the answers already had."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic import Field, StrictInt, StrictStr, model_validator

from optimiser.accounts.settlement import before_flows, settle
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine import proof
from optimiser.engine.answer import answer
from optimiser.engine.cuts import best_under
from optimiser.engine.margins import bound_of
from optimiser.engine.tiling import Problem, build_problem
from optimiser.errors import InfeasibleError, OptimiserError, ScenarioError, UnprovenError
from optimiser.fields import Component, Several, quantity, text
from optimiser.finance.yearly import per_year, weights, yearly_saving
from optimiser.foresight.policies import policies_of
from optimiser.foresight.running import run_under
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.scenario.uses import read_toml
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.writing import write_files

MOST_COMBINATIONS = 5000
RELATIVE_MOVE = 1e-3
FINEST = 1e-3
MOST_HALVINGS = 6
FRONTIER_POINTS = 6

FIGURES = (
    "budget",
    "capital",
    "ceiling_saving_a_year",
    "counted_saving_a_year",
    "cost_a_year",
    "net_a_year",
    "net_bound_a_year",
    "verdict",
)

Size = float | int
Sizes = tuple[Size, ...]


class SizeChoice(Component):
    """A size that is to be chosen: from a list, or anything between two bounds."""

    name: StrictStr = text("what it is")
    path: Several[StrictStr] = Field(
        min_length=1, description="where it stands in the scenario; several paths take the same size"
    )
    options: Several[StrictInt | float] = Field(
        default=(), description="the sizes that can be had; whole units for units"
    )
    at_least: float | None = quantity("-", "least size, where any can be had", default=None, at_least=0)
    at_most: float | None = quantity("-", "largest size, where any can be had", default=None, above=0)
    cost_per_unit: float = quantity("currency", "capital cost of a unit of each path", at_least=0)
    yearly_per_unit: float = quantity(
        "currency/year", "maintenance of a unit of each path", default=0.0, at_least=0
    )
    life_years: float = quantity("years", "life over which its capital is spread", above=0, at_most=100)

    @model_validator(mode="after")
    def _one_of(self) -> SizeChoice:
        bounded = self.at_least is not None and self.at_most is not None
        if bool(self.options) == bounded or (self.at_least is None) != (self.at_most is None):
            raise ValueError("give either options, or at_least together with at_most")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError(
                f"at_least of {self.at_least:g} must be below at_most of {self.at_most:g}; swap them"
            )
        return self

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the largest size."""
        if self.at_least is not None and self.at_most is not None:
            return self.at_least, self.at_most
        return min(self.options), max(self.options)


class ChoicesFile(Component):
    """Everything that a file of choices may say."""

    choice: Several[SizeChoice] = Field(min_length=1, max_length=8, description="the sizes")
    discount_rate_fraction: float = quantity(
        "-", "rate at which capital is spread over its life", default=0.06, at_least=0, at_most=1
    )
    budget: float | None = quantity("currency", "most capital; left out: no limit", default=None, at_least=0)
    budgets: Several[float] = Field(
        default=(), description="budgets of the frontier; left out: evenly spread"
    )
    most_runs: int = quantity("-", "runs after which the best found is shown", default=60, above=0)
    gap_tolerance: float = quantity(
        "-", "proven gap, as a share of the saving, that counts as best", default=1e-3, above=0, at_most=0.5
    )

    @model_validator(mode="after")
    def _alike(self) -> ChoicesFile:
        if len({bool(choice.options) for choice in self.choice}) > 1:
            raise ValueError(
                "choice mixes lists and bounds: give options to every choice, or at_least and at_most to every choice"
            )
        names = [choice.name for choice in self.choice]
        taken = sorted({name for name in names if names.count(name) > 1 or name in FIGURES})
        if taken:
            raise ValueError(
                f"choice.name {taken[0]!r} stands for another column of the tables too; name it otherwise"
            )
        count = math.prod(len(choice.options) or 1 for choice in self.choice)
        if count > MOST_COMBINATIONS:
            raise ValueError(
                f"choice makes {count} combinations, {MOST_COMBINATIONS} at the most; shorten a list"
            )
        return self


@dataclass(frozen=True)
class Tried:
    """One combination of sizes that was solved.

    Attributes
    ----------
    sizes : tuple
        In the order of the choices.
    capital, cost_a_year : float
        Of the chosen sizes. [currency], [currency/year]
    saving : float or None
        Ceiling of the saving in a year; None where no schedule keeps every limit. [currency/year]
    net, net_bound : float
        Saving that is counted on less the cost a year, and the most that can be. Wear steers the schedule and is not
        taken off: capital pays for it. [currency/year]
    multipliers : dict of str to array
    """

    sizes: Sizes
    capital: float
    cost_a_year: float
    saving: float | None
    net: float
    net_bound: float
    multipliers: Mapping[str, np.ndarray] = field(repr=False)


@dataclass(frozen=True)
class BestSizes:
    """The best sizes under a budget: what was found, the most that any can leave, and whether that bound is proven."""

    budget: float
    tried: Tried | None
    net_bound: float
    proven: bool


@dataclass(frozen=True)
class Sizing:
    """What a search for sizes came to.

    Attributes
    ----------
    summary : dict
    tried : DataFrame
        One row a combination that was solved.
    frontier : DataFrame
        One row a budget: the best sizes under it.
    """

    summary: dict[str, Any]
    tried: pd.DataFrame
    frontier: pd.DataFrame


def read_choices(path: Path, scenario: Scenario) -> ChoicesFile:
    """A file of choices for a scenario.

    Raises
    ------
    ScenarioError
        With every fault: of the file, and sizes that the scenario does not take.
    """
    raw, _ = read_toml(path)
    made, faults = checked(ChoicesFile, raw)
    if made is None:
        raise ScenarioError(str(path), faults)
    for number, choice in enumerate(made.choice):
        ends = choice.options or (choice.at_least, choice.at_most)
        for place in choice.path:
            # The first end that is refused is told; the others are refused for the same reason.
            for size in ends:
                fault = _refused(scenario, place, size)
                if fault:
                    faults.append(f"choice.{number}: {fault}")
                    break
    if faults:
        raise ScenarioError(str(path), faults)
    return made


def _refused(scenario: Scenario, place: str, size: Any) -> str:
    known: Any = scenario.file
    for part in place.split("."):
        try:
            known = known[int(part)] if isinstance(known, tuple) else getattr(known, part, None)
        except (ValueError, IndexError):
            known = None
        if known is None:
            return f"{place} stands nowhere in {scenario.path.name}. Give a path such as storage.0.units."
    if isinstance(known, bool) or not isinstance(known, (int, float)):
        what = (
            "a table"
            if isinstance(known, Component)
            else "a list"
            if isinstance(known, tuple)
            else repr(known)
        )
        return f"{place} is {what} in the scenario, which is no size. Give a path with a number."
    try:
        vary(scenario, {place: size})
    except ScenarioError as error:
        return f"the scenario refuses {size} for {place}: {error.faults[0]}"
    return ""


def annuity(rate: float, years: float) -> float:
    """Yearly payment that pays back a unit of capital over its life.

    Parameters
    ----------
    rate : float
        Of a year. [-]
    years : float

    References
    ----------
    .. [1] Capital recovery factor, r / (1 - (1 + r)^-n): W. Short et al., "A Manual for the Economic Evaluation of
       Energy Efficiency and Renewable Energy Technologies", NREL/TP-462-5173, 1995 (from memory).
    """
    return rate / -math.expm1(-years * math.log1p(rate)) if rate else 1 / years


def _money(counted: Iterable[tuple[float, Line]]) -> float:
    """Sum of lines, each so many times. [currency]"""
    return float(sum(weight * line.values.sum() for weight, line in counted))


class _Search:
    """Everything tried for one site, and what it says of what was not."""

    def __init__(self, scenario: Scenario, file: ChoicesFile, share: Share, say: Progress):
        self.scenario, self.file, self.say = scenario, file, say
        self.share, self.basis = share.of_ceiling, share.words
        self.yearly = per_year(scenario.timeline)
        self.tried: dict[Sizes, Tried] = {}
        self.worn = any(bank.wear_per_kwh for bank in scenario.storage)
        # The case without the system is the scenario's own, whatever is chosen.
        terms = SettledTerms(scenario.timeline, scenario.read, {})
        lines = scenario.before_tariff.lines(before_flows(scenario), terms)
        counted = weights(lines, scenario.before_tariff, scenario.timeline)
        self.before = _money(((w, line) for w, line in zip(counted, lines, strict=True) if line.cash))
        self._start = share.start
        paths = np.array([len(choice.path) for choice in file.choice], float)
        rate = file.discount_rate_fraction
        self.capital_per = paths * [choice.cost_per_unit for choice in file.choice]
        self.yearly_per = paths * [
            choice.cost_per_unit * annuity(rate, choice.life_years) + choice.yearly_per_unit
            for choice in file.choice
        ]

    def varied(self, sizes: Sequence[Size]) -> Scenario:
        """The scenario with sizes put in."""
        changes = {
            place: size for choice, size in zip(self.file.choice, sizes, strict=True) for place in choice.path
        }
        return vary(self.scenario, changes)

    def capital(self, sizes: Sequence[Size]) -> float:
        """Capital of some sizes. [currency]"""
        return float(self.capital_per @ np.asarray(sizes, float))

    def net(self, money: float, sizes: Sequence[Size]) -> float:
        """What is left a year of the cash of a run with some sizes, its lines weighted. [currency/year]"""
        cost = float(self.yearly_per @ np.asarray(sizes, float))
        return self.share * self.yearly * (money - self.before) - cost

    @property
    def full(self) -> bool:
        """Whether as many runs were made as may be."""
        return len(self.tried) >= self.file.most_runs

    def spare(self, best: Tried | None) -> float:
        """The gap that counts as none. [currency/year]"""
        return self.file.gap_tolerance * max(1.0, abs(best.saving or 0.0) if best else 1.0)

    def solved(self, sizes: Sizes) -> Tried:
        """The run with some sizes, made once."""
        if sizes in self.tried:
            return self.tried[sizes]
        self.say(f"run {len(self.tried) + 1}: " + ", ".join(self.named(sizes)))
        capital, cost = self.capital(sizes), float(self.yearly_per @ np.asarray(sizes, float))
        try:
            found = solve(self.varied(sizes), start=self._start)
        except InfeasibleError:
            made = Tried(sizes, capital, cost, None, -math.inf, -math.inf, {})
            self.tried[sizes] = made
            return made
        self._start = found
        counted = weights(found.lines, self.scenario.tariff, self.scenario.timeline)
        cash = _money((w, line) for w, line in zip(counted, found.lines, strict=True) if line.cash)
        made = Tried(
            sizes,
            capital,
            cost,
            yearly_saving(settle(found)),
            self.net(cash, sizes),
            self.net(cash + found.proof.gap_absolute, sizes),
            self._multipliers(found),
        )
        self.tried[sizes] = made
        return made

    def weights(self, lines: Sequence[Line]) -> np.ndarray:
        """How often each line counts towards the bounds: as in the yearly saving of a run, wear not at all.

        A tie-break is left in, which is less than any tolerance.
        """
        counted = weights(lines, self.scenario.tariff, self.scenario.timeline)
        return np.where([line.cash or not self.worn for line in lines], counted, 0.0)

    def problem(self, sizes: Sequence[Size]) -> Problem:
        """The program of some sizes, its lines weighted."""
        made = build_problem(self.varied(sizes))
        return made.weighted(self.weights(made.lines))

    def _multipliers(self, found: Dispatch) -> Mapping[str, np.ndarray]:
        """Multipliers that bound the cash of every schedule, from the program of a run's site with its lines weighted.

        A run's own are of its own sums, with wear taken off. Where a year counts its lines otherwise or wear steers,
        that program is solved too, from the run's answer.
        """
        counted = self.weights(found.lines)
        if (counted == 1.0).all():
            return found.multipliers
        problem = build_problem(found.scenario).weighted(counted)
        best = answer(problem, found.scenario, lambda words: None, found.start, False)
        return problem.by_rule(best.row_dual)

    def named(self, sizes: Sizes) -> Iterator[str]:
        """Sizes with what they are."""
        for choice, size in zip(self.file.choice, sizes, strict=True):
            yield f"{choice.name} {size:.6g}"

    def best_tried(self, budget: float) -> Tried | None:
        """The best of what was solved within a budget."""
        within = [t for t in self.tried.values() if t.saving is not None and t.capital <= budget * (1 + 1e-9)]
        return max(within, key=lambda t: t.net, default=None)


class _Lists:
    """The best of every combination of listed sizes: solved where the bound promises more than the best.

    A run's multipliers bound every other combination (weak duality), in whatever way its sizes enter. So the answer
    holds for whole units, for voltages that move with the bank, and for decisions of direction.
    """

    def __init__(self, search: _Search):
        self.search = search
        self.bounds = dict.fromkeys(
            itertools.product(*(choice.options for choice in search.file.choice)), math.inf
        )
        self._seen = dict.fromkeys(self.bounds, 0)

    def best(self, budget: float) -> BestSizes:
        """The best under a budget, and the most that any combination under it can leave."""
        search = self.search
        pool = [sizes for sizes in self.bounds if search.capital(sizes) <= budget * (1 + 1e-9)]
        if not pool:
            return BestSizes(budget, None, -math.inf, True)
        while True:
            found = search.best_tried(budget)
            enough = (found.net if found else -math.inf) + search.spare(found)
            promising = [s for s in pool if s not in search.tried and self.bounds[s] > enough]
            if not promising:
                break
            likely = max(promising, key=lambda sizes: self.bounds[sizes])
            if self._seen[likely] < len(search.tried):
                self._refine(likely)
            elif search.full:
                break
            else:
                self.bounds[likely] = search.solved(likely).net_bound
        bound = max(self.bounds[sizes] for sizes in pool)
        found = search.best_tried(budget)
        return BestSizes(budget, found, max(bound, found.net if found else -math.inf), True)

    def _refine(self, sizes: Sizes) -> None:
        """Bound a combination by every run that it was not compared with yet."""
        search, runs = self.search, list(self.search.tried.values())
        problem = search.problem(sizes)
        for run in runs[self._seen[sizes] :]:
            if run.multipliers:
                bound = search.net(bound_of(problem, run.multipliers), sizes)
                self.bounds[sizes] = min(self.bounds[sizes], bound)
        self._seen[sizes] = len(runs)


class _Between:
    """The best of sizes between bounds, by cutting planes.

    A run's multipliers bound all sizes. Where sizes enter limits alone, that bound is a plane, and the best under all
    planes is where to look next; its height is a bound on everything. Where a size enters coefficients too (a
    capacitor bank's voltage), the bound bends, and what the planes promise is no proof.
    """

    def __init__(self, search: _Search):
        self.search = search
        choices = search.file.choice
        self.lower = np.array([choice.at_least for choice in choices], float)
        self.upper = np.array([choice.at_most for choice in choices], float)
        self.straight = True
        self._heights: list[float] = []
        self._slopes: list[np.ndarray] = []

    def best(self, budget: float) -> BestSizes:
        """The best under a budget, and the height of the planes there."""
        search = self.search
        if search.capital(tuple(self.lower)) > budget * (1 + 1e-9):
            return BestSizes(budget, None, -math.inf, True)
        if not self._heights:
            self._cut((self.lower + self.upper) / 2)
        bound = math.inf
        while True:
            place = best_under(
                np.array(self._heights),
                np.array(self._slopes),
                self.lower,
                self.upper,
                search.capital_per,
                budget,
            )
            if place is None:
                break
            bound = min(bound, place[1])
            found = search.best_tried(budget)
            # On a grid, so that the search ends where planes are only looser than the runs; down, to keep the budget.
            grid = (self.upper - self.lower) * FINEST
            sizes = self.lower + np.floor((place[0] - self.lower) / grid + 1e-6) * grid
            known = tuple(sizes.tolist()) in search.tried
            if search.full or known or (found and bound <= found.net + search.spare(found)):
                break
            self._cut(sizes)
        found = search.best_tried(budget)
        return BestSizes(budget, found, max(bound, found.net if found else -math.inf), self.straight)

    def _cut(self, place: np.ndarray) -> None:
        """Solve some sizes and keep the plane that their multipliers make."""
        search = self.search
        sizes = tuple(float(size) for size in place)
        run = search.solved(sizes)
        if not run.multipliers:
            raise OptimiserError(
                f"no schedule keeps every limit with {', '.join(search.named(sizes))}. Raise at_least of a choice."
            )

        def height(at: np.ndarray) -> tuple[float, set[str]]:
            problem = search.problem(at.tolist())
            return search.net(bound_of(problem, run.multipliers), at.tolist()), set(problem.row_places)

        here, rules = height(place)
        slope = np.zeros(len(place))
        far = np.where(place > (self.lower + self.upper) / 2, self.lower, self.upper) - place
        for number, move in enumerate(np.diag(far)):
            # Towards the farther end, so that no size leaves its bounds.
            slope[number] = (height(place + RELATIVE_MOVE * move)[0] - here) / (RELATIVE_MOVE * move[number])
        for move in (*np.diag(far), far):
            # A rule that cannot bind is not stated there; the plane counts it, which no schedule minds.
            for halving in range(MOST_HALVINGS):
                part = move * 0.5**halving
                there, stated = height(place + part)
                if stated == rules:
                    break
            apart = abs(there - here - slope @ part)
            self.straight &= bool(apart <= 1e-5 * max(1.0, abs(here), abs(run.saving or 0.0)))
        self._heights.append(here - float(slope @ place))
        self._slopes.append(slope)


@dataclass(frozen=True)
class Share:
    """The share of the ceiling's saving that is counted on, how it came about, and a run to start from."""

    of_ceiling: float
    words: str
    start: Dispatch | None = None
    warning: str = ""


def measured_share(scenario: Scenario, say: Progress) -> Share:
    """What the site as its file has it earns without foresight, as a share of its ceiling: one policy, run once.

    Where that cannot be said, sizes count on the ceiling, with a warning.
    """
    ceiling = "the ceiling: perfect foresight of prices, load and sun, an upper bound"
    policy = next((p for p in policies_of(scenario) if p.name == scenario.foresight.rests_on), None)
    if not scenario.storage or policy is None:
        why = "it has no storage" if not scenario.storage else "it names no policy ([foresight])"
        return Share(1.0, ceiling, None, f"Sizes count on the whole ceiling: of this site {why} to plan for.")
    say("the site as it is, with foresight")
    best = solve(scenario)
    say(f"the site as it is, run under {policy.name}")
    try:
        driven = yearly_saving(settle(run_under(scenario, policy, best, say).dispatch))
    except (InfeasibleError, UnprovenError) as problem:
        words = f"Sizes count on the whole ceiling: run under {policy.name}, {problem}"
        return Share(1.0, ceiling, best, words)
    most = yearly_saving(settle(best))
    if most <= 0 or driven <= 0:
        words = "Sizes count on the whole ceiling: as it is the site saves nothing that a share could be taken of."
        return Share(1.0, ceiling, best, words)
    share = min(driven / most, 1.0)
    words = (
        f"{100 * share:.1f} % of the ceiling, measured: what the site as it is earns under {policy.name}, which "
        f"{policy.words}; taken for every size alike"
    )
    return Share(share, words, best)


def find_sizes(
    scenario: Scenario, file: ChoicesFile, *, share: float | None = None, progress: Progress | None = None
) -> Sizing:
    """The sizes that leave most a year, for the file's budget and along a frontier of budgets.

    Parameters
    ----------
    scenario : Scenario
    file : ChoicesFile
    share : float, optional
        Share of the ceiling's saving that is counted on, in (0, 1]; left out: measured (`measured_share`).
    progress : callable, optional

    Raises
    ------
    OptimiserError
        If no sizes fit the budget, or none keeps every limit.
    """
    say = progress or (lambda words: None)
    given = f"{100 * share:g} % of the ceiling (the share given), for every size alike" if share else ""
    counted = measured_share(scenario, say) if share is None else Share(share, given)
    search = _Search(scenario, file, counted, say)
    method = _Lists(search) if file.choice[0].options else _Between(search)
    whole = method.best(math.inf if file.budget is None else file.budget)
    if whole.tried is None:
        raise OptimiserError(_nothing(search))
    frontier = [method.best(budget) for budget in _budgets(search, file)]
    tried = pd.DataFrame([_row(search, run) for run in search.tried.values()])
    along = pd.DataFrame(
        [
            {"budget": point.budget, **_row(search, point.tried), **_verdict(search, point)}
            if point.tried
            else {"budget": point.budget, "verdict": "no sizes fit"}
            for point in frontier
        ]
    )
    summary = _summary(search, whole)
    summary["warnings"] += [counted.warning] if counted.warning else []
    return Sizing(summary, tried, along)


def _nothing(search: _Search) -> str:
    if search.tried:
        return "no schedule keeps every limit with any of the sizes tried. Allow larger ones."
    return f"no sizes fit the budget of {search.file.budget:,.2f}. Raise it, or allow smaller ones."


def _budgets(search: _Search, file: ChoicesFile) -> list[float]:
    """The frontier's budgets: the file's, or from the least to the most capital."""
    if file.budgets:
        return sorted(file.budgets)
    ends = [choice.ends for choice in file.choice]
    low, high = (search.capital([end[which] for end in ends]) for which in (0, 1))
    return np.unique(np.linspace(low, high, FRONTIER_POINTS).round(2)).tolist()


def _row(search: _Search, run: Tried | None) -> dict[str, Any]:
    assert run is not None
    share = search.share
    known = run.saving is not None
    return {
        **{choice.name: size for choice, size in zip(search.file.choice, run.sizes, strict=True)},
        "capital": run.capital,
        "ceiling_saving_a_year": run.saving,
        "counted_saving_a_year": share * run.saving if run.saving is not None else None,
        "cost_a_year": run.cost_a_year,
        "net_a_year": run.net if known else None,
    }


def _verdict(search: _Search, best: BestSizes) -> dict[str, Any]:
    assert best.tried is not None
    gap = max(0.0, best.net_bound - best.tried.net)
    if not best.proven:
        words = "best found; not proven, since a size also changes efficiencies or voltages"
    elif gap <= search.spare(best.tried) * (1 + 1e-9):
        words = "best"
    else:
        words = (
            f"best found, within {proof.within(gap / max(1.0, abs(best.tried.saving or 0.0)))} of the saving"
        )
    return {"net_bound_a_year": best.net_bound if best.proven else None, "verdict": words}


def _summary(search: _Search, whole: BestSizes) -> dict[str, Any]:
    scenario, file = search.scenario, search.file
    warnings = []
    if search.yearly != 1.0:
        days = scenario.timeline.hours / 24
        warnings.append(
            f"The run covers {days:g} days, scaled to a year by its hours and demand by its billing periods, as in a "
            "run; they know no other season. Use a whole year to decide."
        )
    return {
        "title": scenario.file.title,
        "invented": scenario.file.invented,
        "currency": scenario.file.currency,
        "start": scenario.timeline.local()[0].isoformat(),
        "step_minutes": scenario.timeline.step_minutes,
        "steps": scenario.timeline.steps,
        "basis": search.basis,
        "share": search.share,
        "budget": file.budget,
        "discount_rate_fraction": file.discount_rate_fraction,
        "choices": [
            {
                "name": c.name,
                "path": list(c.path),
                "cost_per_unit": c.cost_per_unit,
                "life_years": c.life_years,
            }
            for c in file.choice
        ],
        "kind": "lists" if file.choice[0].options else "bounds",
        "combinations": math.prod(len(c.options) for c in file.choice) if file.choice[0].options else None,
        "runs": len(search.tried),
        "best": {**_row(search, whole.tried), **_verdict(search, whole)},
        "warnings": warnings,
    }


def write_sizing(made: Sizing, folder: str | Path) -> dict[str, Path]:
    """Write the page, both tables and the summary, all or none.

    Returns
    -------
    dict of str to Path
        "page", "tried", "frontier", "summary".

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.sizing import sizing_page

    folder = Path(folder)
    paths = {
        "page": folder / "sizes.html",
        "tried": folder / "sizes-tried.csv",
        "frontier": folder / "sizes-frontier.csv",
        "summary": folder / "sizes.json",
    }
    write_files(
        {
            paths["page"]: sizing_page(made.summary, made.tried, made.frontier),
            paths["tried"]: made.tried,
            paths["frontier"]: made.frontier,
            paths["summary"]: made.summary,
        }
    )
    return paths
