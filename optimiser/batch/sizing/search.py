"""Everything tried for one site, and what it says of sizes that were not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimiser.accounts.settlement import Statement, before_flows, settle
from optimiser.batch.sizing.file import ChoicesFile
from optimiser.batch.sizing.shares import Share, Sizes
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine.answer import answer
from optimiser.engine.tiling import Problem, build_problem
from optimiser.errors import InfeasibleError
from optimiser.finance.yearly import per_year, weights, yearly_saving
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line


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
    cash, cash_bound, cash_turnover : float
        Of the run, lines weighted as a year counts them: what is made, the most that can be, and the sum of all amounts
        paid either way. [currency]
    net, net_bound : float
        Saving that is counted on less the cost a year, and the most that can be. Wear steers the schedule and is not
        taken off: capital pays for it. [currency/year]
    turnover : float
        Of a year, as far as it is counted on. [currency/year]
    multipliers : dict of str to array
    """

    sizes: Sizes
    capital: float
    cost_a_year: float
    saving: float | None
    cash: float = 0.0
    cash_bound: float = 0.0
    cash_turnover: float = 0.0
    net: float = -math.inf
    net_bound: float = -math.inf
    turnover: float = 0.0
    multipliers: Mapping[str, np.ndarray] = field(repr=False, default_factory=dict)


@dataclass(frozen=True)
class BestSizes:
    """The best sizes under a budget: what was found, the most that any can leave, and whether that bound is proven."""

    budget: float
    tried: Tried | None
    net_bound: float
    proven: bool


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


class Search:
    """Everything tried for one site, and what it says of what was not."""

    def __init__(self, scenario: Scenario, file: ChoicesFile, share: Share, say: Progress):
        self.scenario, self.file, self.say = scenario, file, say
        self.share = share
        self.yearly = per_year(scenario.timeline)
        self.tried: dict[Sizes, Tried] = {}
        self.worn = any(bank.wear_per_kwh for bank in scenario.storage)
        # The case without the system is the scenario's own, whatever is chosen.
        terms = SettledTerms(scenario.data)
        lines = scenario.before_tariff.lines(before_flows(scenario), terms)
        counted = weights(lines, scenario.before_tariff, scenario.timeline)
        self.before = _money(((w, line) for w, line in zip(counted, lines, strict=True) if line.cash))
        self._start: Dispatch | None = None
        paths = np.array([len(choice.path) for choice in file.choice], float)
        rate = file.discount_rate_fraction
        self.capital_per = paths * [choice.cost_per_unit for choice in file.choice]
        self.yearly_per = paths * [
            choice.cost_per_unit * annuity(rate, choice.life_years) + choice.yearly_per_unit
            for choice in file.choice
        ]

    def varied(self, sizes: Sequence[float]) -> Scenario:
        """The scenario with sizes put in."""
        changes = {
            place: size for choice, size in zip(self.file.choice, sizes, strict=True) for place in choice.path
        }
        return vary(self.scenario, changes)

    def capital(self, sizes: Sequence[float]) -> float:
        """Capital of some sizes. [currency]"""
        return float(self.capital_per @ np.asarray(sizes, float))

    def net(self, money: float, sizes: Sequence[float]) -> float:
        """What is left a year of the cash of a run with some sizes, its lines weighted. [currency/year]"""
        cost = float(self.yearly_per @ np.asarray(sizes, float))
        return self.share.of(sizes) * self.yearly * (money - self.before) - cost

    def counted_on(self, share: Share) -> None:
        """Count on another share of the ceiling, in what was tried already too."""
        self.share = share
        self.tried = {sizes: self._counted(run) for sizes, run in self.tried.items()}

    def _counted(self, run: Tried) -> Tried:
        """A run with what is left of it at the share that is counted on."""
        if run.saving is None:
            return run
        return replace(
            run,
            net=self.net(run.cash, run.sizes),
            net_bound=self.net(run.cash_bound, run.sizes),
            turnover=self.share.of(run.sizes) * self.yearly * run.cash_turnover,
        )

    @property
    def full(self) -> bool:
        """Whether as many runs were made as may be."""
        return len(self.tried) >= self.file.most_runs

    def spare(self, best: Tried | None) -> float:
        """The gap that counts as none. [currency/year]"""
        return self.file.gap_tolerance * max(1.0, best.turnover if best else 1.0)

    def solved(self, sizes: Sizes) -> Tried:
        """The run with some sizes, made once."""
        if sizes not in self.tried:
            self._solve(sizes)
        return self.tried[sizes]

    def statement(self, sizes: Sizes) -> Statement | None:
        """The statement of a run with some sizes; None where no schedule keeps every limit."""
        found = self._solve(sizes)
        return None if found is None else settle(found)

    def _solve(self, sizes: Sizes) -> Dispatch | None:
        again = " again" if sizes in self.tried else ""
        self.say(f"run {len(self.tried) + (not again)}{again}: " + ", ".join(self.named(sizes)))
        capital, cost = self.capital(sizes), float(self.yearly_per @ np.asarray(sizes, float))
        try:
            found = solve(self.varied(sizes), start=self._start)
        except InfeasibleError:
            self.tried[sizes] = Tried(sizes, capital, cost, None)
            return None
        self._start = found
        counted = weights(found.lines, self.scenario.tariff, self.scenario.timeline)
        cash = _money((w, line) for w, line in zip(counted, found.lines, strict=True) if line.cash)
        made = Tried(
            sizes,
            capital,
            cost,
            yearly_saving(settle(found)),
            cash,
            cash + found.proof.gap_absolute,
            found.proof.turnover,
            multipliers=self._multipliers(found),
        )
        self.tried[sizes] = self._counted(made)
        return found

    def weights(self, lines: Sequence[Line]) -> np.ndarray:
        """How often each line counts towards the bounds: as in the yearly saving of a run, wear not at all.

        A tie-break is left in, which is less than any tolerance.
        """
        counted = weights(lines, self.scenario.tariff, self.scenario.timeline)
        return np.where([line.cash or not self.worn for line in lines], counted, 0.0)

    def problem(self, sizes: Sequence[float]) -> Problem:
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
