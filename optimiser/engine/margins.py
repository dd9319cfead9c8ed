"""What the answer to one problem says of another: how fast the optimum moves, and a bound on what it can become."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimiser.engine import proof
from optimiser.engine.decisions import ORDER, PAIR, WHOLE, decisions
from optimiser.engine.solver import Basis, Highs
from optimiser.engine.tiling import Problem

AT_BOUND = 1e-6
ROUGH = 1e-5

ByName = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Margins:
    """An optimum of a problem with its multipliers, from which the worth of moving its data follows.

    Attributes
    ----------
    problem : Problem
    x : array of shape (columns,)
    y : array of shape (rows,)
        Money that one more unit of each row's right-hand side brings.
    reduced : array of shape (columns,)
        What is left of each column's money when its rows are paid for.
    held : bool array of shape (columns,)
        Columns that a decision (one direction, a whole number) keeps where they are.
    """

    problem: Problem
    x: np.ndarray
    y: np.ndarray
    reduced: np.ndarray
    held: np.ndarray


@dataclass(frozen=True)
class Change:
    """What moving some data does to the optimum, to first order.

    Attributes
    ----------
    total : float
        [currency]
    by_step : array of shape (steps,)
        The part of it that comes from rows and bounds of single steps. [currency]
    """

    total: float
    by_step: np.ndarray


def margins(problem: Problem, values: ByName, multipliers: ByName, basis: Basis) -> Margins:
    """An optimum with multipliers that fit it.

    Where rows that only tightened the search took part of the worth, the multipliers do not fit; the linear program
    with every decision fixed is then solved once more, from `basis`.

    Parameters
    ----------
    problem : Problem
    values : dict of str to array
        The schedule, by name of column.
    multipliers : dict of str to array
        Of the rows, by name of rule.
    basis : Basis
        Where to start if the program has to be solved once more.
    """
    x = _placed(values, problem.places, len(problem.lower))
    y = carried(problem, multipliers)
    lower, upper = _decided(problem, x)
    held = (lower != problem.lower) | (upper != problem.upper)
    if _slack(problem, x, y) > ROUGH * max(1.0, abs(float(problem.objective @ x))):
        highs = Highs(problem)
        if basis.fits(problem):
            highs.set_basis(basis)
        highs.change_column_bounds(np.arange(len(lower)), lower, upper)
        found = highs.solve()
        if found.verdict == "optimal":
            x, y = found.x, proof.usable(found.row_dual, problem.row_lower, problem.row_upper)
    return Margins(problem, x, y, problem.objective - problem.matrix.T @ y, held)


def held_again(problem: Problem, at: Margins, basis: Basis) -> tuple[np.ndarray, Basis] | None:
    """The best schedule of a problem a little apart from that of `at`, every decision held as it is there.

    Parameters
    ----------
    problem : Problem
        With other data than the one of `at`.
    at : Margins
    basis : Basis
        Where to start.

    Returns
    -------
    (array of shape (columns,), Basis) or None
        The schedule, and where the next may start; None where no schedule keeps every limit so.
    """
    lower, upper = _decided(problem, _matched(at.x, at.problem.places, problem.places))
    highs = Highs(problem)
    if basis.fits(problem):
        highs.set_basis(basis)
    highs.change_column_bounds(np.arange(len(lower)), lower, upper)
    found = highs.solve()
    return (found.x, highs.basis()) if found.verdict == "optimal" else None


def carried(problem: Problem, multipliers: ByName) -> np.ndarray:
    """Multipliers by the name of their rule as one array of a problem's rows; rules not named have none."""
    y = _placed(multipliers, problem.row_places, len(problem.row_upper))
    return proof.usable(y, problem.row_lower, problem.row_upper)


def derivative(at: Margins, other: Problem) -> Change:
    """How much better or worse the optimum is with the data of `other`, a little apart from the problem's own.

    Parameters
    ----------
    at : Margins
    other : Problem
        The same problem with some of its data moved by a small amount.

    Notes
    -----
    Envelope theorem. With x and y optimal and r = c - A'y, the optimum of max c x, row sides b, bounds u moves by
    dc x + y (db - dA x) + r du. Rows and columns are matched by name, so a rule that only one of the two has is no
    obstacle: its multiplier, or its value, is zero.

    References
    ----------
    .. [1] P. Milgrom, I. Segal, "Envelope Theorems for Arbitrary Choice Sets", Econometrica 70(2), 2002 (from memory).
    """
    own = at.problem
    x, y = _matched(at.x, own.places, other.places), _matched(at.y, own.row_places, other.row_places)
    side = np.where(y > 0, other.row_upper, np.where(y < 0, other.row_lower, 0.0))
    own_side = np.where(at.y > 0, own.row_upper, np.where(at.y < 0, own.row_lower, 0.0))
    slack = _matched(at.y * (own_side - own.matrix @ at.x), own.row_places, other.row_places)
    of_rows = y * (side - other.matrix @ x) - slack
    of_bounds = _of_bounds(at, other, x, y)
    of_money = (other.objective - _matched(own.objective, own.places, other.places)) * x
    total = float(of_rows.sum() + of_bounds.sum() + of_money.sum()) + other.offset - own.offset
    steps = own.timeline.steps
    by_step = (of_bounds + of_money)[: steps * other.step_columns].reshape(steps, -1).sum(axis=1)
    by_step = by_step + of_rows[: steps * other.step_rows].reshape(steps, -1).sum(axis=1)
    return Change(total, by_step)


def _of_bounds(at: Margins, other: Problem, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """What moved bounds bring: each column goes with the bound that it is at."""
    own = at.problem
    lower, upper = (_matched(bound, own.places, other.places) for bound in (own.lower, own.upper))
    reduced = _matched(at.reduced, own.places, other.places)
    held = _matched(at.held.astype(float), own.places, other.places) > 0
    near = AT_BOUND * (1 + np.abs(x))
    low, high = np.abs(x - lower) <= near, np.abs(upper - x) <= near
    rise, lift = other.upper - upper, other.lower - lower
    either = np.where(held, 0.0, np.where(reduced > 0, rise, lift))
    change = np.select([low & high, high, low], [either, rise, lift], 0.0)
    made: np.ndarray = reduced * change
    new = np.ones(len(x), bool)
    for name in own.places.keys() & other.places.keys():
        new[other.places[name]] = False
    if new.any():
        left = (other.objective - other.matrix.T @ y)[new]
        made[new] = np.maximum(left * other.lower[new], left * other.upper[new])
    return made


def _decided(problem: Problem, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bounds with every decision that a schedule has made fixed as it is."""
    every = decisions(problem)
    lower, upper = problem.lower.copy(), problem.upper.copy()
    one, other = x[every.first], x[every.second]
    first, second = one > AT_BOUND, other > AT_BOUND
    pair, order, whole = every.kind == PAIR, every.kind == ORDER, every.kind == WHOLE
    # Where neither is used, the second is closed: prices that tempt would use both.
    upper[every.second[pair & (first | every.tempting) & ~second]] = 0.0
    upper[every.first[pair & second & ~first]] = 0.0
    full = every.first[order & second]
    lower[full] = upper[full]
    upper[every.second[order & ~second & (one < problem.upper[every.first] - AT_BOUND)]] = 0.0
    lower[every.first[whole]] = upper[every.first[whole]] = np.round(one[whole])
    return lower, upper


def _slack(problem: Problem, x: np.ndarray, y: np.ndarray) -> float:
    """Money by which multipliers miss a schedule: none at an optimum (complementary slackness)."""
    side = np.where(y > 0, problem.row_upper, np.where(y < 0, problem.row_lower, 0.0))
    reduced = problem.objective - problem.matrix.T @ y
    apart = np.minimum(np.abs(problem.upper - x), np.abs(x - problem.lower))
    return float(np.abs(y * (side - problem.matrix @ x)).sum() + np.abs(reduced * apart).sum())


def _placed(by_name: ByName, places: ByName, count: int) -> np.ndarray:
    made = np.zeros(count)
    for name, place in places.items():
        if name in by_name:
            made[place] = by_name[name]
    return made


def _matched(numbers: np.ndarray, places: ByName, others: ByName) -> np.ndarray:
    """Numbers of one problem's rows or columns laid onto another's, zero where it has none."""
    count = sum(len(place) for place in others.values())
    if len(numbers) == count and list(places) == list(others):
        return numbers
    return _placed({name: numbers[place] for name, place in places.items()}, others, count)


def bound_of(problem: Problem, multipliers: ByName) -> float:
    """The most money that any schedule of a problem can make, from the multipliers of another one's rules.

    Any multipliers give a valid bound (weak duality), those of a problem that differs little a close one; rules are
    matched by name.
    """
    return proof.upper_bound(problem, carried(problem, multipliers))
