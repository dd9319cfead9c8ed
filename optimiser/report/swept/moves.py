"""Which factor moves a figure most, in words, by the measure that the design is made for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from optimiser.report.swept.figures import Swept, findings, never_paid, spreads_of
from optimiser.report.swept.words import between, half_width, level, shown, signed
from optimiser.words import NARROW, listed, number

MOST_SAID = 4
WAYS_OUT = {
    "latin_hypercube": "Set cases to 12 or more.",
    "sobol": "Set base_cases to 64 or more.",
    "morris": "Set paths to 10 or more.",
}


def what_moves(swept: Swept, path: str) -> str:
    """Which factor moves a figure most, by the measure that the design is made for."""
    done = swept.done[path]
    name, ranked = swept.name(path), spreads_of(swept, path)
    for table, say in (("sobol", _by_variance), ("morris", _by_effect), ("ranks", _by_rank)):
        rows = findings(swept, table, path)
        if rows:
            never = never_paid(swept, path)
            words = f" It never comes in {never} of {len(done)} cases." if never else ""
            return f"{name}: {say(swept, path, rows)}.{words}"
    if done.nunique(dropna=False) == 1:
        return f"{name}: all cases have the same."
    if ranked and not swept.sampled:
        return means_apart(swept, path, ranked)
    return (
        f"{name}: {number(len(done))} cases are too few to tell which factor moves it most. "
        f"{WAYS_OUT.get(swept.design, 'A grid or a sampled design would tell.')}"
    )


def _by_variance(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -row.total)
    words = [
        f"{row.factor} {number(row.total, 2)} ({between(row.total_low, row.total_high, 2)})"
        for row in ordered[:MOST_SAID]
    ]
    lead = _lead(ordered[0].factor, ordered[0].total_low, [row.total_high for row in ordered[1:]])
    return (
        f"{lead}. Total index of each, which is its share of the variance with all that it "
        f"does together with others, with its 95{NARROW}% interval: {listed(words)}"
    )


def _by_effect(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -row.mean_size)
    words = [
        f"{row.factor} {shown(row.mean_size)} ({half_width(row.mean_size_interval)})"
        for row in ordered[:MOST_SAID]
    ]
    unit, first = swept.unit(path), ordered[0]
    highs = [row.mean_size + row.mean_size_interval for row in ordered[1:]]
    lead = _lead(first.factor, first.mean_size - first.mean_size_interval, highs)
    return (
        f"{lead}. Mean size of what going through its whole range does, with its 95{NARROW}% interval"
        f"{f', {unit}' if unit else ''}: {listed(words)}"
    )


def _by_rank(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -abs(row.rank_correlation))
    words = [f"{row.factor} {signed(row.rank_correlation)}" for row in ordered[:MOST_SAID]]
    first, known = ordered[0], {row.factor for row in rows}
    words_alone = [name for name, _, _ in swept.factors if name not in known]
    chance = f"with {number(first.cases)} cases, what is nearer to 0 than {number(first.chance_below, 2)} may be chance"
    lead = (
        f"it goes most closely with {first.factor}"
        if abs(first.rank_correlation) >= first.chance_below
        else f"no factor{' that is a number' if words_alone else ''} stands out"
    )
    means = {row.factor: row.spread for row in spreads_of(swept, path)}
    more = "".join(
        f"; means over {name} lie {shown(means[name])} apart"
        if math.isfinite(means.get(name, math.inf))
        else f"; {name} has no rank and too few cases a level"
        for name in words_alone
    )
    return f"{lead}. Rank correlations: {listed(words)}; {chance}{more}"


def _lead(first: str, low: float, highs: Sequence[float]) -> str:
    """Which factor leads, and whether another may, its interval reaching as high."""
    if not low > max(highs, default=-math.inf):
        return f"{first} seems to move it most, but intervals overlap"
    return f"{first} moves it most"


def means_apart(swept: Swept, path: str, ranked: Sequence[Any]) -> str:
    """How far means of a figure lie apart over the levels of factors."""
    first = ranked[0]
    moves = (
        f"means over {first.factor} lie furthest apart" if swept.sampled else f"{first.factor} moves it most"
    )
    words = (
        f"{moves}: on average {shown(first.lowest)} at {level(first.lowest_at)} and "
        f"{shown(first.highest)} at {level(first.highest_at)}"
    )
    others = [f"{row.factor} by {shown(row.spread)}" for row in ranked[1:4]]
    few = [name for name, _, _ in swept.factors if name not in {row.factor for row in ranked}]
    if few:
        others.append(f"too few cases a level for {listed(few)}")
    never = never_paid(swept, path)
    if never:
        words = (
            f"{swept.name(path)}: it never comes in {never} of {len(swept.done)} cases; a level with such a case has "
            "no mean."
        )
        endless = [row.factor for row in ranked if math.isinf(row.spread)]
        if endless:
            words += f" Levels without and with such cases: {listed(endless)}."
        return words
    return f"{swept.name(path)}: {'; '.join([f'{words}, apart by {shown(first.spread)}', *others])}."
