"""Figures that many steps share, such as a month's peak, within intervals that are cut where they promise too much.

A step's copy of such a figure lies in the interval, so what is paid and what it allows differ by no more than its
width. The worth of what is stored before a stretch of steps is the highest over its intervals, so stretches meet
through the energy stored alone, and no combination of intervals is ever looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimiser.engine.chain import Path, Worth, follow, higher, thinned, worth_before
from optimiser.engine.envelopes import Choices, Envelopes, Planes
from optimiser.engine.stage import Priced, Stage

MOST_STRETCHES = 60
MOST_AMOUNTS = 8  # of a figure, at which planes are looked at
MIDDLE = 0.125  # of an interval goes to either side of the amount that a schedule has
NARROW = 0.25  # of what a stretch may lose: an interval that is worth less is not cut

Held = tuple[Choices, Planes, Worth]


@dataclass
class _Interval:
    """Bounds of the figures that a stretch shares, and the worth of what is stored before it within them.

    `after` is the worth after the stretch that `curve` rests on; `held` is what the path through it needs.
    """

    lower: np.ndarray
    upper: np.ndarray
    curve: np.ndarray | None = None
    after: np.ndarray | None = None
    held: Held | None = None

    def forget(self) -> None:
        """Nothing is known of it."""
        self.curve = self.after = self.held = None

    def worth(self, after: np.ndarray) -> np.ndarray:
        """The most that what is stored before is worth, the worth after being another now."""
        assert self.curve is not None
        assert self.after is not None
        places = np.union1d(after[0], self.after[0])
        apart = np.interp(places, *after) - np.interp(places, *self.after)
        return np.array([self.curve[0], self.curve[1] + apart.max()])

    def parts(self, k: int, amount: float) -> list[_Interval]:
        """The interval cut in its `k`-th figure: closely about an amount of it where that lies inside, else in half."""
        a, b = self.lower[k], self.upper[k]
        width = MIDDLE * (b - a)
        cuts = [cut for cut in (amount - width, amount + width) if a + width / 2 < cut < b - width / 2]
        made = []
        for lower, upper in pairwise([a, *(cuts or [(a + b) / 2]), b]):
            part = _Interval(self.lower.copy(), self.upper.copy())
            part.lower[k], part.upper[k] = lower, upper
            made.append(part)
        return made


class Levels:
    """The steps in stretches that share figures, and the intervals of those; one stretch where they share none."""

    def __init__(self, stage: Stage, envelopes: Envelopes, start_kwh: float):
        self._stage, self._envelopes, self._start_kwh = stage, envelopes, start_kwh
        self._copies = _cut_alike(stage.shared)
        shared = stage.shared[self._copies]
        cuts = np.flatnonzero(np.diff(shared[0])) + 1 if len(shared) else np.zeros(0, int)
        self._spans = list(pairwise([0, *cuts.tolist(), stage.steps]))
        self._places = [shared[:, first] for first, _ in self._spans]
        problem = stage.problem
        self._intervals = [[_Interval(problem.lower[at], problem.upper[at])] for at in self._places]
        self._known: list[tuple[tuple[Priced, int, int], Choices, Planes] | None] = [None] * len(self._spans)
        self._afters: list[np.ndarray] = []
        self._taken: list[tuple[np.ndarray, Choices, Planes, _Interval]] = []

    @property
    def figures(self) -> int:
        """How many figures every stretch shares."""
        return len(self._copies)

    @property
    def alone(self) -> bool:
        """Whether figures in intervals are all that joins stretches, so that each interval may have its own prices."""
        return len(self._copies) == len(self._stage.shared) and not self._stage.joining.any()

    def forget(self) -> None:
        """Prices have changed: nothing that is known holds any longer."""
        for intervals in self._intervals:
            for interval in intervals:
                interval.forget()
        self._known = [None] * len(self._spans)

    def best_path(self, priced: Priced, choices: Choices, near: np.ndarray, added: float) -> Path:
        """The best path through all steps, with a bound on all paths.

        `near` and `added` are those of `Envelopes.planes` and `worth_before`.
        """
        low, high = self._stage.stored
        after = np.array([[low[-1], high[-1]], [0.0, 0.0]])[:, : 2 if high[-1] > low[-1] else 1]
        self._afters = [after]
        for number in range(len(self._spans) - 1, -1, -1):
            curves = []
            for interval in self._intervals[number]:
                if interval.curve is None:
                    self._look(number, interval, priced, choices, near, added)
                curves.append(interval.worth(after))
            after = curves[0]
            for curve in curves[1:]:
                after = higher(after, curve)
            self._afters.insert(0, after if len(curves) == 1 else thinned(after, added))
            after = self._afters[0]
        return self._path(priced, choices, near, added)

    def _look(
        self,
        number: int,
        interval: _Interval,
        priced: Priced,
        choices: Choices,
        near: np.ndarray,
        added: float,
    ) -> Held:
        """Find the worth before a stretch within an interval."""
        (first, stop), (low, high) = self._spans[number], self._stage.stored
        own, candidates = self._candidates(number, priced, choices, near)
        planes = candidates.within(interval.lower, interval.upper, self._envelopes.levels, near[own.step])
        begin = (low[first - 1], high[first - 1]) if first else (self._start_kwh, self._start_kwh)
        after = self._afters[number - len(self._spans)]  # counted from the last, as they are found
        worth = worth_before(planes, own, (low[first:stop], high[first:stop]), begin, after, added)
        outside = priced.outside[self._places[number] - self._stage.groups.start]
        beyond = np.maximum(outside * interval.lower, outside * interval.upper).sum()
        interval.curve = np.array([worth.curve[0], worth.curve[1] + beyond])
        interval.after, interval.held = after, (own, planes, worth)
        return interval.held

    def _candidates(
        self, number: int, priced: Priced, choices: Choices, near: np.ndarray
    ) -> tuple[Choices, Planes]:
        """Choices of a stretch, and planes among which are the lowest in any interval."""
        known, (first, stop) = self._known[number], self._spans[number]
        of = (priced, self._envelopes.size, len(self._intervals[number]))
        ways = choices.first[first : stop + 1] - choices.first[first]
        if known is not None and known[0] == of and np.array_equal(known[1].first, ways):
            return known[1:]
        own, figures = choices.of_steps(first, stop), len(self._stage.columns) + self._copies
        planes = self._envelopes.planes(priced, own, near, figures, self._amounts(number))
        self._known[number] = of, own, planes
        return own, planes

    def _amounts(self, number: int) -> np.ndarray:
        """Bounds of figures within which planes are looked at, of shape (boxes, 2, figures)."""
        intervals = self._intervals[number]
        if len(intervals) == 1:
            return np.array([[intervals[0].lower, intervals[0].upper]])
        new = [interval for interval in intervals if interval.curve is None] or intervals
        sides = [side for interval in new for side in (interval.lower, interval.upper)]
        edges = np.unique(sides, axis=0)
        # Planes that are lowest at some amounts are so around them too.
        edges = edges[np.linspace(0, len(edges) - 1, min(len(edges), MOST_AMOUNTS)).round().astype(int)]
        return np.stack([edges, edges], axis=1)

    def _path(self, priced: Priced, choices: Choices, near: np.ndarray, added: float) -> Path:
        """The path that follows the worth through the best intervals."""
        stored, chosen, made, start = [], [], 0.0, self._start_kwh
        self._taken = []
        for number, (first, _) in enumerate(self._spans):
            interval, held = self._best(number, start, priced, choices, near, added)
            own, planes, _ = held
            found = follow(*held, start)
            stored.append(found.stored)
            chosen.append(found.choice + choices.first[first])
            self._taken.append((found.choice, own, planes, interval))
            made, start = made + found.made, float(found.stored[-1])
        for intervals in self._intervals:
            for interval in intervals:
                interval.held = None
        return Path(float(self._afters[0][1, 0]), made, np.concatenate(stored), np.concatenate(chosen))

    def _best(
        self, number: int, start: float, priced: Priced, choices: Choices, near: np.ndarray, added: float
    ) -> tuple[_Interval, Held]:
        """The interval that is worth most from some stored energy; those of earlier rounds are looked at again."""
        after = self._afters[number + 1]
        while True:
            best = max(self._intervals[number], key=lambda each: float(np.interp(start, *each.worth(after))))
            if best.held is not None:
                return best, best.held
            self._look(number, best, priced, choices, near, added)

    def outside(self, priced: Priced) -> float:
        """What a path's bound leaves out at some prices: all that does not depend on what is in the stretches."""
        problem, groups = self._stage.problem, self._stage.groups
        lower, upper = problem.lower[groups], problem.upper[groups]
        beyond = np.maximum(priced.outside * lower, priced.outside * upper)
        inside = np.unique(self._stage.shared[self._copies]) - groups.start
        return priced.constant + float(np.delete(beyond, inside).sum())

    def most(self, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """The most that the path's choices make between some stored energies, of shape (steps,). [currency]"""
        parts = [
            planes.most(choice, start[first:stop], end[first:stop])
            for (first, stop), (choice, _, planes, _) in zip(self._spans, self._taken, strict=True)
        ]
        return np.concatenate(parts)

    def bounds(self) -> tuple[np.ndarray, np.ndarray]:
        """Bounds of the columns under the path's choices and in its intervals, each of shape (steps, columns)."""
        lower = np.vstack([own.lower[choice] for choice, own, _, _ in self._taken])
        upper = np.vstack([own.upper[choice] for choice, own, _, _ in self._taken])
        figures = len(self._stage.columns) + self._copies
        for (first, stop), (_, _, _, interval) in zip(self._spans, self._taken, strict=True):
            lower[first:stop, figures], upper[first:stop, figures] = interval.lower, interval.upper
        return lower, upper

    def split(self, priced: Priced, x: np.ndarray, allowed: float) -> int:
        """Cut intervals that promise too much, about the amounts of a schedule.

        `allowed` is what all stretches together may promise beyond the schedule. [currency]

        Returns
        -------
        int
            How many intervals there are to look at.
        """
        promised = self._promised(priced, x)
        share = _share(np.array([max(0.0, *losses, 0.0) for losses in promised]), allowed)
        worth, count = np.abs(self._stage.problem.objective), 0
        for number, (at, losses) in enumerate(zip(self._places, promised, strict=True)):
            parts: list[_Interval] = []
            for interval, loss in zip(self._intervals[number], losses, strict=True):
                money = worth[at] * (interval.upper - interval.lower)
                k = int(np.argmax(money))
                if loss > share and money[k] > NARROW * share:
                    parts += interval.parts(k, x[at[k]])
                    continue
                if loss > share:
                    interval.forget()
                parts.append(interval)
            count += sum(part.curve is None for part in parts)
            self._intervals[number] = parts
        return count

    def _promised(self, priced: Priced, x: np.ndarray) -> list[list[float]]:
        """What every interval of each stretch promises beyond what a schedule makes there. [currency]

        Between the energies that the schedule has stored, so the most of each stretch add up to the whole gap.
        """
        made, ends = self._stage.made(priced, x), self._stage.states(x)
        promised, start = [], self._start_kwh
        for number, (first, stop) in enumerate(self._spans):
            places, after = self._places[number], self._afters[number + 1]
            outside = priced.outside[places - self._stage.groups.start] @ x[places]
            own = float(made[first:stop].sum() + outside + np.interp(ends[stop - 1], *after))
            promised.append(
                [float(np.interp(start, *each.worth(after))) - own for each in self._intervals[number]]
            )
            start = ends[stop - 1]
        return promised


def _cut_alike(shared: np.ndarray) -> np.ndarray:
    """Which copies are of figures that cut the steps into the same few stretches, as many as can be."""
    cuts = [tuple(np.flatnonzero(np.diff(places)).tolist()) for places in shared]
    few = [
        cut
        for cut, places in zip(cuts, shared, strict=True)
        if len(cut) < MOST_STRETCHES and len(np.unique(places)) == len(cut) + 1
    ]
    most = max(few, key=len, default=None)
    return np.array([number for number, cut in enumerate(cuts) if cut == most], int)


def _share(losses: np.ndarray, allowed: float) -> float:
    """What none may lose more than so that all together lose no more than what is allowed."""
    losses = np.sort(losses)
    for number, loss in enumerate(losses):
        left = len(losses) - number
        if loss * left >= allowed:
            return allowed / left
        allowed -= loss
    return float(losses.max(initial=0.0))
