"""Controllers walked side by side, and one more case that runs whichever would have earned most before.

At the start of each billing period the case takes up the controller that would have earned most in all periods before
it, were it used from the start; in the first, the first of them. So nothing of a period decides who runs it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from optimiser.control.learning import by_step
from optimiser.plant.executed import settled_lines
from optimiser.plant.walk import SHORT, Commands, Orders, Plant, State, Walk
from optimiser.progress import LEAST_PAUSE_S, Say, Step
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms

LEAST_BETTER = 1e-6  # [currency]
JOB = "the site by its own devices"
MOST_STRETCHES = 4  # that are named one by one


@dataclass(frozen=True)
class Candidate:
    """A way of running the site.

    Attributes
    ----------
    name : str
    make : callable
        From a plant to its controller, which takes any number of cases.
    """

    name: str
    make: Callable[[Plant], Commands]


@dataclass(frozen=True)
class Choice:
    """What came of it.

    Attributes
    ----------
    names : tuple of str
        Of the candidates.
    walk : Walk
        A case each candidate, and the last that of the choice.
    ran : int array of shape (periods,)
        The candidate that the choice ran in each billing period.
    earned : array of shape (candidates, periods)
        What each earned in each, cash alone. [currency]
    labels : tuple of str
        Of the periods.
    controllers : tuple
        Of the candidates, as the walk left them.
    lead : int
        Steps before the run that were walked to warm up, which the controllers count and the walk does not hold.
    """

    names: tuple[str, ...]
    walk: Walk
    ran: np.ndarray
    earned: np.ndarray
    labels: tuple[str, ...]
    controllers: tuple[Any, ...] = field(repr=False)
    lead: int = 0

    def words(self) -> str:
        """Which ran when: "own use in 2024-01, stored worth from 2024-02 to 2024-12"."""
        said = []
        starts = [0, *(np.flatnonzero(np.diff(self.ran)) + 1)]
        for first, stop in zip(starts, [*starts[1:], len(self.ran)], strict=True):
            name, one, last = self.names[self.ran[first]], self.labels[first], self.labels[stop - 1]
            said.append(f"{name} in {one}" if stop - first == 1 else f"{name} from {one} to {last}")
        if len(said) <= MOST_STRETCHES:
            return ", ".join(said)
        counts = np.bincount(self.ran, minlength=len(self.names))
        often = [f"{self.names[place]} in {counts[place]}" for place in np.argsort(-counts) if counts[place]]
        return f"{', '.join(often)} of {len(self.ran)}, {self.names[self.ran[0]]} in the first"


class _Together:
    """Controllers on a case each, and the chosen one on the last case too."""

    def __init__(self, controllers: Sequence[Commands], steps: int, say: Say):
        self.controllers = controllers
        self.chosen = 0
        self.doing = ""
        self._steps, self._say, self._told = steps, say, -math.inf

    def tell(self, doing: str, step: int) -> None:
        """Say what is being done, and how far through all steps it has come."""
        self.doing, self._told = doing, time.perf_counter()
        self._say(Step(doing, job=JOB, share=step / self._steps))

    def __call__(self, step: Any, state: State) -> Orders:
        """What each wants in a step."""
        if time.perf_counter() - self._told > LEAST_PAUSE_S:
            self.tell(self.doing, step)
        count = len(self.controllers)
        told: list[Any] = [None] * (count + 1)
        for number, controller in enumerate(self.controllers):
            cases = [number, count] if number == self.chosen else [number]
            made = controller(step, _of_cases(state, cases))
            made = made if isinstance(made, Orders) else Orders(made)
            wanted = np.broadcast_to(
                np.asarray(made.wanted_kw, float), (len(cases), np.shape(made.wanted_kw)[-1])
            )
            feed = np.broadcast_to(made.feed_surplus, (len(cases),))
            back = np.broadcast_to(made.hold_back, (len(cases),))
            for place, case in enumerate(cases):
                told[case] = wanted[place], feed[place], back[place]
        wanted_kw, feed_surplus, hold_back = (np.stack(part) for part in zip(*told, strict=True))
        return Orders(wanted_kw, feed_surplus, hold_back)


def _of_cases(state: State, cases: list[int]) -> State:
    """What some cases know; what all share stays as it is."""
    return State(
        state.step,
        state.stored_fraction[cases],
        state.load_kw,
        state.ac_solar_kw,
        state.dc_solar_kw,
        state.fixed_kw,
    )


def choose(
    plant: Plant,
    candidates: Sequence[Candidate],
    say: Say = lambda words: None,
    run: Scenario | None = None,
) -> Choice:
    """Walk candidates through the timeline, and the choice among them.

    Parameters
    ----------
    plant : Plant
    candidates : sequence of Candidate
        The first runs the first billing period.
    say : callable
        Told now and then how far it has come.
    run : Scenario, optional
        The last days of the plant's scenario, where it was begun earlier to warm up: what came of the days before
        decides the run's first period, and each store stands at the run's start as the scenario says.
    """
    run = run or plant.scenario
    lead = plant.steps - run.timeline.steps
    periods = run.timeline.groups(run.tariff.period)
    edges = np.append(lead + periods.first_step, plant.steps)
    together = _Together([candidate.make(plant) for candidate in candidates], plant.steps, say)
    whole: dict[str, np.ndarray] = {}
    start = np.broadcast_to(plant.stores.start_kwh, (len(candidates) + 1, len(plant.stores.start_kwh)))

    def through(first: int, stop: int, stored: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Walk some steps; what each candidate earned in them, and what is stored at their end."""
        walk = plant.walk(together, cases=len(start), steps=np.arange(first, stop), start_kwh=stored)
        for name, values in vars(walk).items():
            if name not in whole:
                whole[name] = np.zeros((plant.steps, *values.shape[1:]))
            whole[name][first:stop] = values
        so_far = Walk(**whole)
        earned = [_earned(plant, so_far, case, first, stop) for case in range(len(candidates))]
        return np.array(earned), walk.stored_kwh[-1]

    # The first column is what the days before the run say, nothing where there are none.
    earned = np.zeros((len(candidates), 1 + periods.count))
    ran, stored = np.zeros(periods.count, int), start
    if lead:
        together.tell("days before the run, to warm up", 0)
        earned[:, 0], _ = through(0, lead, start)
    for number in range(periods.count):
        first, stop = int(edges[number]), int(edges[number + 1])
        ran[number] = together.chosen = _best(earned[:, : 1 + number], whole, first)
        together.tell(f"{periods.labels[number]}, run by {candidates[together.chosen].name}", first)
        earned[:, 1 + number], stored = through(first, stop, stored)
    return Choice(
        tuple(candidate.name for candidate in candidates),
        Walk(**{name: values[lead:] for name, values in whole.items()}),
        ran,
        earned[:, 1:],
        periods.labels,
        tuple(together.controllers),
        lead,
    )


def _best(earned: np.ndarray, whole: dict[str, np.ndarray], first: int) -> int:
    """The candidate that earned most so far and kept every limit; the first of equals."""
    if not first:
        return 0
    sums = earned.sum(axis=1)
    broken = whole["short_kw"][:first, : len(sums)].max(axis=0) > SHORT
    sums = np.where(broken & ~broken.all(), -np.inf, sums)
    best = int(np.argmax(sums))
    return best if sums[best] > sums[0] + LEAST_BETTER or broken[0] else 0


def _earned(plant: Plant, walk: Walk, case: int, first: int, stop: int) -> float:
    """Cash of a case in some steps, the bill of later ones being that of no import and no export. [currency]"""
    scenario = plant.scenario
    terms = SettledTerms(scenario.data)
    lines = settled_lines(scenario, walk, case, terms)
    return float(sum(by_step(line, terms)[first:stop].sum() for line in lines if line.cash))


class Followed:
    """A schedule that was carried out by itself, followed from wherever the store is: its powers, kept within limits.

    What made the schedule knew no more than the past, and so does who follows it.

    Parameters
    ----------
    plant : Plant
    net_kw : array of shape (steps, inverters)
        Output less input of each inverter.
    """

    def __init__(self, plant: Plant, net_kw: np.ndarray):
        self.net_kw = net_kw
        self.gets = plant.scenario.tariff.export_price(plant.scenario.data)

    def __call__(self, step: int, state: State) -> Orders:
        """What is wanted in a step."""
        wanted = np.broadcast_to(self.net_kw[step], (len(state.stored_fraction), self.net_kw.shape[1]))
        return Orders(wanted, feed_surplus=self.gets[step] >= 0, hold_back=self.gets[step] < 0)
