"""Designs: which combinations of its factors a sweep works out.

A design knows nothing of factors but how many levels each has. It names a case by one pick a factor: a whole number is
a level, a fraction a place between the lowest (0) and highest (1), None leaves the scenario as it is.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np
from scipy.stats import qmc

from optimiser.errors import OptimiserError
from optimiser.fields import Component, choice, quantity

Pick = int | float | None
Picks = tuple[Pick, ...]

MOST_CASES = 1_000_000
SEED = quantity("-", "start of the random numbers; the same seed gives the same cases", default=1, at_least=0)


class _Design(Component):
    """What all designs have."""

    def faults(self) -> list[str]:
        """What is wrong with the numbers, beyond their bounds."""
        return []


class Grid(_Design):
    """Every level of each factor with every level of all others; factors that go together move as one.

    References
    ----------
    .. [1] No source: full factorial designs are common practice.
    """

    kind: Literal["grid"] = choice("every combination of levels", default="grid")

    def count(self, levels: Sequence[int]) -> int:
        """How many cases come of factors with so many levels."""
        return int(np.prod([float(size) for size in levels]))

    def picks(self, levels: Sequence[int]) -> list[Picks]:
        """The cases, the last factor changing fastest."""
        return list(itertools.product(*(range(size) for size in levels)))


class Listed(_Design):
    """The cases that the file lists.

    References
    ----------
    .. [1] No source: what is asked for.
    """

    kind: Literal["list"] = choice("the cases of the file's [[case]] tables", default="list")


class OneAtATime(_Design):
    """Each factor through its levels by itself, all others as the scenario has them.

    It shows no effect that two factors have only together.

    References
    ----------
    .. [1] No source: common practice.
    """

    kind: Literal["one_at_a_time"] = choice("each factor by itself", default="one_at_a_time")

    def count(self, levels: Sequence[int]) -> int:
        """How many cases come of factors with so many levels."""
        return sum(levels)

    def picks(self, levels: Sequence[int]) -> list[Picks]:
        """The cases, factor by factor."""
        return [
            tuple(level if place == moved else None for place in range(len(levels)))
            for moved, size in enumerate(levels)
            for level in range(size)
        ]


class LatinHypercube(_Design):
    """Cases spread so that each factor's range, cut into as many parts as there are cases, has one case in each part.

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman, W. J. Conover, "A comparison of three methods for selecting values of input
       variables", Technometrics 21 (1979); as in scipy.stats.qmc.LatinHypercube.
    """

    kind: Literal["latin_hypercube"] = choice("an even spread of cases", default="latin_hypercube")
    cases: int = quantity("-", "number of cases", above=1, at_most=MOST_CASES)
    seed: int = SEED

    def count(self, levels: Sequence[int]) -> int:
        """How many cases."""
        return self.cases

    def picks(self, levels: Sequence[int]) -> list[Picks]:
        """The cases."""
        return _picks(qmc.LatinHypercube(len(levels), rng=self.seed).random(self.cases))


class Sobol(_Design):
    """Two samples A and B of a Sobol' sequence and, for each factor, A with that factor's values from B.

    First-order and total indices of variance come of it: what share of the spread a factor explains by itself, and
    with all that it does together with others. Each base case takes as many cases as there are factors, and two.

    References
    ----------
    .. [1] A. Saltelli et al., "Variance based sensitivity analysis of model output", Computer Physics Communications
       181 (2010); the sequence and the estimators are those of scipy.stats.sobol_indices.
    """

    kind: Literal["sobol"] = choice("cases for indices of variance", default="sobol")
    base_cases: int = quantity("-", "base cases, a power of 2", above=1, at_most=2**16)
    seed: int = SEED

    def faults(self) -> list[str]:
        """What is wrong with the numbers."""
        if self.base_cases & (self.base_cases - 1):
            below = 1 << (self.base_cases.bit_length() - 1)
            return [
                f"design.base_cases must be a power of 2, got {self.base_cases}. Use {below} or {2 * below}."
            ]
        return []

    def count(self, levels: Sequence[int]) -> int:
        """How many cases."""
        return self.base_cases * (len(levels) + 2)

    def picks(self, levels: Sequence[int]) -> list[Picks]:
        """The cases: for each base case A, B, then A with one factor of B, factor by factor."""
        factors = len(levels)
        both = qmc.Sobol(2 * factors, rng=self.seed).random(self.base_cases)
        first, second = both[:, :factors], both[:, factors:]
        block = np.repeat(first[:, None, :], factors + 2, axis=1)
        block[:, 1] = second
        for factor in range(factors):
            block[:, factor + 2, factor] = second[:, factor]
        return _picks(block.reshape(-1, factors))


class Morris(_Design):
    """Paths through the factors' ranges on which one factor at a time takes a long step.

    A few dozen paths rank many factors: by the mean size of what a step does, and by how much that differs from place
    to place. Needs the extra `sensitivity`.

    References
    ----------
    .. [1] M. D. Morris, "Factorial sampling plans for preliminary computational experiments", Technometrics 33 (1991);
       sampled and reckoned by SALib.
    """

    kind: Literal["morris"] = choice("long steps of one factor at a time", default="morris")
    paths: int = quantity("-", "number of paths", above=1, at_most=10_000)
    levels: int = quantity("-", "levels that a range is cut into, an even number", default=4, at_least=2)
    seed: int = SEED

    def faults(self) -> list[str]:
        """What is wrong with the numbers."""
        odd = self.levels % 2
        return [f"design.levels must be even, got {self.levels}. Use {self.levels + 1}."] if odd else []

    def count(self, levels: Sequence[int]) -> int:
        """How many cases."""
        return self.paths * (len(levels) + 1)

    def picks(self, levels: Sequence[int]) -> list[Picks]:
        """The cases, path after path."""
        sample = sensitivity("sample.morris").sample
        return _picks(sample(unit_cube(len(levels)), N=self.paths, num_levels=self.levels, seed=self.seed))


AnyDesign = Grid | Listed | OneAtATime | LatinHypercube | Sobol | Morris
KINDS = get_args(AnyDesign)


def sensitivity(name: str) -> Any:
    """A module of SALib, which is an extra.

    Raises
    ------
    OptimiserError
        If it is not installed.
    """
    from importlib import import_module

    try:
        return import_module(f"SALib.{name}")
    except ImportError:
        raise OptimiserError(
            "a Morris design needs SALib, which is not installed. Install the extra: "
            "pip install 'optimiser[sensitivity]'."
        ) from None


def unit_cube(factors: int) -> dict[str, Any]:
    """Factors from 0 to 1 as SALib describes them."""
    return {"num_vars": factors, "names": [str(k) for k in range(factors)], "bounds": [[0.0, 1.0]] * factors}


def _picks(unit: np.ndarray) -> list[Picks]:
    return [tuple(row) for row in unit.tolist()]
