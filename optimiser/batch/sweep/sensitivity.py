"""Indices of the designs that are made for them: Sobol' indices, effects of long steps, rank correlations."""

from __future__ import annotations

import itertools
import math
import warnings as python_warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from optimiser.batch.sweep.cases import WITH_RESULTS
from optimiser.batch.sweep.designs import Morris, Sobol, sensitivity, unit_cube
from optimiser.batch.sweep.means import counted, with_results
from optimiser.batch.sweep.naming import group_names, recorded
from optimiser.batch.sweep.plan import SweepPlan
from optimiser.report.recorded import RecordedRun

WIDEST_INTERVAL = 0.5  # of indices of variance that say something
MOST_FIRST_ORDERS = 1.25
ENOUGH_BASES = 64
CHANCE = 0.05
MOST_AT_ONCE = 4_000_000  # resampled figures in memory
CONFIDENCE = 0.95
RESAMPLES = 400
FEWEST_BASES = 4


def sobol(
    plan: SweepPlan, design: Sobol, table: pd.DataFrame, outputs: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """First-order and total indices of variance with 95 % intervals of a bootstrap.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, first_order, first_order_low, first_order_high, total, total_low, total_high, base_cases.
    """
    names, called = group_names(plan), recorded(plan)
    rows, notes = [], []
    for path in outputs:
        blocks, left_out = blocks_of(table, path, len(names) + 2)
        size = 1 << (len(blocks).bit_length() - 1) if len(blocks) else 0
        if left_out:
            notes.append(
                f"{called.name(path)}: {left_out} base cases have a case without an answer; indices are of {size} "
                "whole ones."
            )
        blocks = blocks[:size]
        if size < FEWEST_BASES or np.ptp(blocks) == 0:
            continue
        values = {"f_A": blocks[:, 0][None], "f_B": blocks[:, 1][None], "f_AB": blocks[:, 2:].T[:, None, :]}
        found = stats.sobol_indices(func=values, n=size, rng=design.seed)
        low, high = _sobol_intervals(blocks, design.seed)
        for place, name in enumerate(names):
            rows.append(
                {
                    "figure": path,
                    "factor": name,
                    "first_order": np.ravel(found.first_order)[place],
                    "first_order_low": low[0, place],
                    "first_order_high": high[0, place],
                    "total": np.ravel(found.total_order)[place],
                    "total_low": low[1, place],
                    "total_high": high[1, place],
                    "base_cases": size,
                }
            )
    frame = pd.DataFrame(rows)
    return frame, notes + _too_few_bases(frame, called)


def _sobol_intervals(blocks: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the indices' intervals, first orders and totals, each of shape (2, factors).

    The bias-corrected bootstrap of scipy.stats over base cases, as its own `sobol_indices` makes it, which takes no
    seed: the same cases would have other intervals each time they are read.
    """
    centred = blocks - blocks[:, :2].mean()

    def indices(chosen: np.ndarray) -> np.ndarray:
        """Estimators of Saltelli et al. (2010), table 2 (b) and (f), of base cases chosen anew."""
        resampled = np.moveaxis(centred[chosen], -1, 0)
        a, b, mixed = resampled[0], resampled[1], resampled[2:]
        first, total = np.mean(b * (mixed - a), axis=-1), np.mean((a - mixed) ** 2, axis=-1) / 2
        made: np.ndarray = np.stack([first, total]) / np.var(np.stack([a, b]), axis=(0, -1))
        return made

    with python_warnings.catch_warnings(), np.errstate(all="ignore"):
        python_warnings.simplefilter("ignore")  # an interval that cannot be told is nan
        found = stats.bootstrap(
            [np.arange(len(blocks))],
            lambda chosen, axis: indices(chosen),
            method="BCa",
            confidence_level=CONFIDENCE,
            n_resamples=RESAMPLES,
            batch=max(1, MOST_AT_ONCE // blocks.size),
            rng=seed,
        ).confidence_interval
    return np.asarray(found.low), np.asarray(found.high)


def _too_few_bases(frame: pd.DataFrame, called: RecordedRun) -> list[str]:
    """Whether indices are too uncertain to say something, in a sentence with the way out."""
    doubtful, widest, summed, size = [], 0.0, 0.0, 0
    for path, own in frame.groupby("figure", sort=False) if len(frame) else ():
        widths = [own[f"{kind}_high"] - own[f"{kind}_low"] for kind in ("first_order", "total")]
        wide, together = float(pd.concat(widths).max()), float(own["first_order"].sum())
        # What the solver left unproven is no finding about the site.
        if (wide > WIDEST_INTERVAL or together > MOST_FIRST_ORDERS) and not str(path).startswith("proof."):
            doubtful.append(called.name(str(path)))
            widest, summed = max(widest, wide), max(summed, together)
            size = max(size, int(own["base_cases"].iloc[0]))
    if not doubtful:
        return []
    why = [f"95 % intervals are up to {widest:.2f} wide"] if widest > WIDEST_INTERVAL else []
    why += [f"first orders add up to {summed:.2f}"] if summed > MOST_FIRST_ORDERS else []
    return [
        f"{size} base cases are too few for Sobol' indices to be relied on ({'; '.join(doubtful)}): "
        f"{' and '.join(why)}. Set base_cases to {max(ENOUGH_BASES, 4 * size)} or more."
    ]


def morris(
    plan: SweepPlan, design: Morris, table: pd.DataFrame, outputs: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    """Means and scatter of elementary effects, in units of the figure for the whole range of a factor.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, mean_size (of the effect's absolute value), mean_size_interval (half of the 95 % interval),
        mean, scatter (standard deviation), paths.
    """
    names, called = group_names(plan), recorded(plan)
    factors = len(names)
    points = np.array(design.picks([0] * factors), float).reshape(-1, factors + 1, factors)
    analyze = sensitivity("analyze.morris").analyze
    rows, notes = [], []
    for path in outputs:
        figures = figures_of(table, path).reshape(-1, factors + 1)
        whole = np.isfinite(figures).all(axis=1)
        if not whole.all():
            lost = int((~whole).sum())
            words = "1 path has" if lost == 1 else f"{lost} paths have"
            notes.append(
                f"{called.name(path)}: {words} a case without this figure; effects are of the others."
            )
        if whole.sum() < 2 or np.ptp(figures[whole]) == 0:
            continue
        found = analyze(
            unit_cube(factors),
            points[whole].reshape(-1, factors),
            figures[whole].ravel(),
            conf_level=CONFIDENCE,
            num_levels=design.levels,
            seed=design.seed,
        )
        for place, name in enumerate(names):
            rows.append(
                {
                    "figure": path,
                    "factor": name,
                    "mean_size": float(found["mu_star"][place]),
                    "mean_size_interval": float(found["mu_star_conf"][place]),
                    "mean": float(found["mu"][place]),
                    "scatter": float(found["sigma"][place]),
                    "paths": int(whole.sum()),
                }
            )
    return pd.DataFrame(rows), notes


def ranks(plan: SweepPlan, table: pd.DataFrame, outputs: Sequence[str]) -> pd.DataFrame:
    """Spearman's rank correlation of each factor that is a number with each figure.

    Returns
    -------
    DataFrame
        figure, factor, rank_correlation, chance_below (what one in twenty factors reaches that have nothing to do
        with the figure), cases.
    """
    done = with_results(table)
    rows = []
    for path, factor in itertools.product(outputs, plan.file.factor):
        both = pd.DataFrame({factor.name: done[factor.name], path: counted(done, path)}).dropna()
        numbers = pd.to_numeric(both[factor.name], errors="coerce")
        if (
            len(both) < FEWEST_BASES
            or numbers.isna().any()
            or np.ptp(numbers) == 0
            or both[path].nunique() == 1
        ):
            continue
        found = stats.spearmanr(numbers, both[path])
        rows.append(
            {
                "figure": path,
                "factor": factor.name,
                "rank_correlation": found.statistic,
                "chance_below": _chance(len(both)),
                "cases": len(both),
            }
        )
    return pd.DataFrame(rows)


def _chance(cases: int) -> float:
    """The rank correlation that one in twenty unrelated factors reaches, by Student's t as in scipy.stats.spearmanr."""
    t = float(stats.t.ppf(1 - CHANCE / 2, cases - 2))
    return t / math.sqrt(cases - 2 + t * t)


def figures_of(table: pd.DataFrame, path: str) -> np.ndarray:
    """A figure of each of the plan's cases in order, nan where there is none."""
    rows = table[table["case"] > 0].sort_values("case")
    return rows[path].where(rows["status"].isin(WITH_RESULTS)).to_numpy(float)


def blocks_of(table: pd.DataFrame, path: str, length: int) -> tuple[np.ndarray, int]:
    """A figure of whole blocks of cases, and how many are not whole."""
    blocks = figures_of(table, path).reshape(-1, length)
    whole = np.isfinite(blocks).all(axis=1)
    return blocks[whole], int((~whole).sum())
