"""A long problem solved day by day first, which gives the whole a basis to start from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import sparse

from optimiser.engine.solver import Basis, Highs
from optimiser.engine.tiling import Problem
from optimiser.errors import UnprovenError

LOWER, BASIC = 0, 1


def stitched_basis(
    problem: Problem, say: Callable[[str], None], keep_hours: float = 24, ahead_hours: float = 24
) -> Basis | None:
    """A basis for the whole problem from its days, each solved with a look ahead; None if a day has no answer.

    Notes
    -----
    A day is a slice of the step rows. What it refers to before its first step is known by then and goes to the
    right-hand side; columns of groups that it shares with earlier days start from what those days settled on.
    """
    per_hour = 60 / problem.timeline.step_minutes
    keep, ahead = round(keep_hours * per_hour), round(ahead_hours * per_hour)
    steps, wide, tall = problem.timeline.steps, problem.step_columns, problem.step_rows
    columns = np.zeros(len(problem.lower), np.int8)
    rows = np.full(len(problem.row_upper), BASIC, np.int8)
    x = np.zeros(len(problem.lower))
    seen = np.zeros(len(problem.lower), bool)
    basis: Basis | None = None
    for first in range(0, steps, keep):
        stop, kept = min(steps, first + keep + ahead), min(keep, steps - first)
        day, groups = _slice(problem, first, stop, x, seen)
        highs = Highs(day)
        if basis is not None and basis.fits(day):
            highs.set_basis(basis)
        try:
            solution = highs.solve()
        except UnprovenError:
            return None
        if solution.verdict != "optimal":
            return None
        basis = highs.basis()
        here = slice(first * wide, (first + kept) * wide)
        columns[here], x[here] = basis.columns[: kept * wide], solution.x[: kept * wide]
        rows[first * tall : (first + kept) * tall] = basis.rows[: kept * tall]
        x[groups] = solution.x[(stop - first) * wide :]
        seen[groups] = True
        if first // keep % 30 == 29:
            say(f"first pass, day {first // keep + 1} of {-(-steps // keep)}")
    columns[steps * wide :] = BASIC
    return Basis(columns, rows)


def _slice(
    problem: Problem, first: int, stop: int, x: np.ndarray, seen: np.ndarray
) -> tuple[Problem, np.ndarray]:
    """The problem of some steps alone, and the places of the group columns that follow its step columns."""
    wide, tall, steps = problem.step_columns, problem.step_rows, problem.timeline.steps
    part = problem.matrix[first * tall : stop * tall].tocoo()
    row, column, value = part.coords[0], part.coords[1], part.data
    before = column < first * wide
    group = column >= steps * wide
    known = np.bincount(row[before], weights=value[before] * x[column[before]], minlength=part.shape[0])
    groups, number = np.unique(column[group], return_inverse=True)
    local = column - first * wide
    local[group] = (stop - first) * wide + number
    shape = (part.shape[0], (stop - first) * wide + len(groups))
    matrix = sparse.csr_array(sparse.coo_array((value[~before], (row[~before], local[~before])), shape=shape))
    places = np.concatenate([np.arange(first * wide, stop * wide), groups])
    lower, upper = problem.lower[places].copy(), problem.upper[places].copy()
    helpers = {place for f in problem.columns.values() if f.helper for place in problem.places[f.name]}
    for index, place in enumerate(groups, start=(stop - first) * wide):
        if seen[place]:
            lower[index] = x[place]
            if place not in helpers:
                upper[index] = x[place]
    return (
        replace(
            problem,
            matrix=matrix,
            row_lower=problem.row_lower[first * tall : stop * tall] - known,
            row_upper=problem.row_upper[first * tall : stop * tall] - known,
            lower=lower,
            upper=upper,
            by_line=sparse.csr_array(problem.purse[places][None, :]),
            line_offsets=np.zeros(1),
        ),
        groups,
    )
