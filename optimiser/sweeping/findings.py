"""What a sweep's table says: responses, spreads, pairs, and indices of sensitivity, each as a table of its own.

Every figure is worked out of rows of the case table alone and says of how many, or of which one.
"""

from __future__ import annotations

import itertools
import math
import warnings as python_warnings
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from optimiser.sweeping.cases import WITH_RESULTS
from optimiser.sweeping.designs import LatinHypercube, Morris, OneAtATime, Sobol, sensitivity, unit_cube
from optimiser.sweeping.plan import Plan, groups_of

BINS, PAIR_BINS, MOST_LEVELS = 10, 6, 12
CASES_A_BIN = 10  # of fewer, a mean says more of the other factors than of its own
MOST_PAIRS = 3
CONFIDENCE, RESAMPLES = 0.95, 400
FEWEST_BASES = 4


def findings(plan: Plan, table: pd.DataFrame) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Every table that a design gives rise to, by name, and what must be known of them.

    Parameters
    ----------
    plan : Plan
    table : DataFrame
        One row a case, as `sweep` returns it.

    Returns
    -------
    (dict of str to DataFrame, list of str)
        "responses": the mean of each recorded figure at each level of a factor; "spreads": how far those means lie
        apart; "pairs": means at the levels of two factors; "sobol", "morris", "ranks" where the design gives them.
    """
    outputs = numeric_outputs(plan, table)
    made = {"responses": responses(plan, table, outputs)}
    made["spreads"] = spreads(made["responses"])
    notes = _never(plan, table)
    design = plan.file.design
    # Where one factor at a time moves, there are no pairs to see.
    if not isinstance(design, (OneAtATime, Morris)) and len(groups_of(plan.file)) > 1:
        made["pairs"] = pairs(plan, table, outputs[:1], made["spreads"])
    if isinstance(design, Sobol):
        made["sobol"], more = sobol(plan, table, outputs)
        notes += more
    if isinstance(design, Morris):
        made["morris"], more = morris(plan, table, outputs)
        notes += more
    if isinstance(design, LatinHypercube):
        made["ranks"] = ranks(plan, table, outputs)
    return {name: frame for name, frame in made.items() if len(frame)}, notes


def _never(plan: Plan, table: pd.DataFrame) -> list[str]:
    """In how many cases a payback never comes."""
    done = with_results(table)
    if plan.base.file.cost is None:
        return []
    paths = [path for path in plan.file.record if path.endswith("payback_years")]
    return [
        f"{path}: never in {never} of {len(done)} cases; a mean over such a case is given as never."
        for path in paths
        if (never := int(done[path].isna().sum()))
    ]


def numeric_outputs(plan: Plan, table: pd.DataFrame) -> list[str]:
    """Recorded paths that are numbers in some case."""
    return [
        path
        for path in plan.file.record
        if pd.api.types.is_numeric_dtype(table[path]) and table[path].notna().any()
    ]


def with_results(table: pd.DataFrame) -> pd.DataFrame:
    """Rows of the plan's cases that have figures; the scenario as it is stays out."""
    return table[table["status"].isin(WITH_RESULTS) & (table["case"] > 0)]


def counted(part: pd.DataFrame, path: str) -> pd.Series:
    """The values of a figure to be summed up; a payback that never comes is endless, and so is a mean with it."""
    values = part[path]
    return values.fillna(math.inf) if path.endswith("payback_years") else values.dropna()


def responses(plan: Plan, table: pd.DataFrame, outputs: Sequence[str]) -> pd.DataFrame:
    """The mean of each figure over the cases at each level of a factor.

    A sampled range is cut into parts of equally many cases: ten, or fewer that hold ten cases each. One at a
    time, a factor's rows are those in which all others are as the scenario has them. A mean over a payback that
    never comes is infinite: the mean of the others alone would flatter the level.

    Returns
    -------
    DataFrame
        factor, level, at (its middle, for numbers), figure, mean, lowest, highest, cases, never (how many have no
        payback), case (where it is one).
    """
    done = with_results(table)
    rows: list[dict[str, Any]] = []
    for factor in plan.file.factor:
        own = done[_moved(plan, done, factor.name)] if isinstance(plan.file.design, OneAtATime) else done
        labels, middles = _levels(own[factor.name], max(2, min(BINS, len(own) // CASES_A_BIN)))
        for level, middle in middles.items():
            part = own[labels == level]
            for path in outputs:
                values = counted(part, path)
                if len(values):
                    rows.append(
                        {
                            "factor": factor.name,
                            "level": level,
                            "at": middle,
                            "figure": path,
                            "mean": values.mean(),
                            "lowest": values.min(),
                            "highest": values.max(),
                            "cases": len(values),
                            "never": int(np.isinf(values).sum()),
                            "case": part.loc[values.index[0], "case"] if len(values) == 1 else pd.NA,
                        }
                    )
    columns = ["factor", "level", "at", "figure", "mean", "lowest", "highest", "cases", "never", "case"]
    return pd.DataFrame(rows, columns=columns).astype({"case": "Int64", "cases": int, "never": int})


def _moved(plan: Plan, done: pd.DataFrame, name: str) -> pd.Series:
    """Rows in which no factor but one, and those that go with it, differs from the scenario as it is."""
    together = next(
        [factor.name for factor in members]
        for members in groups_of(plan.file).values()
        if name in [factor.name for factor in members]
    )
    same = pd.Series(True, index=done.index)
    for other, value in plan.as_it_is.values.items():
        if other not in together:
            same &= done[other].isna() if value is None else done[other] == value
    return same


def _levels(values: pd.Series, bins: int) -> tuple[pd.Series, Mapping[str, float]]:
    """The level of each row as text, and the levels in order with their middles, nan for words.

    Numbers of more than a dozen values are cut into bins.
    """
    distinct = values.dropna().unique()
    if not all(_is_number(value) for value in distinct):
        return values.map(str, na_action="ignore"), dict.fromkeys(map(str, distinct), np.nan)
    values = values.astype(float)
    if len(distinct) <= MOST_LEVELS:
        middles = {f"{value:.10g}": float(value) for value in np.sort(values.dropna().unique())}
        return values.map(lambda value: f"{value:.10g}", na_action="ignore"), middles
    cut = pd.qcut(values, bins, duplicates="drop")
    text = {part: f"{part.left:.4g} to {part.right:.4g}" for part in cut.cat.categories}
    return cut.map(text), {text[part]: float(values[cut == part].mean()) for part in cut.cat.categories}


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.number)) and not isinstance(value, (bool, np.bool_))


def spreads(means: pd.DataFrame) -> pd.DataFrame:
    """How far the means of a figure lie apart over the levels of each factor, the widest first.

    Returns
    -------
    DataFrame
        figure, factor, lowest, lowest_at, highest, highest_at, spread.
    """
    rows = []
    for (path, factor), part in means.groupby(["figure", "factor"], sort=False):
        ordered = part.sort_values("mean", kind="stable")
        low, high = ordered.iloc[0], ordered.iloc[-1]
        # Where no level has a mean, nothing tells the levels apart.
        spread = 0.0 if low["mean"] == high["mean"] else high["mean"] - low["mean"]
        rows.append(
            {
                "figure": path,
                "factor": factor,
                "lowest": low["mean"],
                "lowest_at": low["level"],
                "highest": high["mean"],
                "highest_at": high["level"],
                "spread": spread,
            }
        )
    columns = ["figure", "factor", "lowest", "lowest_at", "highest", "highest_at", "spread"]
    frame = pd.DataFrame(rows, columns=columns)
    order = frame["figure"].map({path: place for place, path in enumerate(dict.fromkeys(means["figure"]))})
    return (
        frame.assign(order=order)
        .sort_values(["order", "spread"], ascending=[True, False])
        .drop(columns="order")
    )


def pairs(plan: Plan, table: pd.DataFrame, outputs: Sequence[str], wide: pd.DataFrame) -> pd.DataFrame:
    """Means of a figure at the levels of two factors, for the pairs of the factors that spread it most.

    Returns
    -------
    DataFrame
        figure, first, first_level, first_at (its middle, for numbers), second, second_level, second_at, mean, cases,
        never (how many have no payback), case (where it is one).
    """
    done = with_results(table)
    rows: list[dict[str, Any]] = []
    group_of = {factor.name: word for word, members in groups_of(plan.file).items() for factor in members}
    for path in outputs:
        ranked = wide[wide["figure"] == path]["factor"].tolist()
        apart = [(a, b) for a, b in itertools.combinations(ranked, 2) if group_of[a] != group_of[b]]
        for first, second in apart[:MOST_PAIRS]:
            bins = max(2, min(PAIR_BINS, math.isqrt(len(done) // CASES_A_BIN)))
            across, columns_of = _levels(done[first], bins)
            up, rows_of = _levels(done[second], bins)
            for one, other in itertools.product(columns_of, rows_of):
                part = done[(across == one) & (up == other)]
                values = counted(part, path)
                if values.empty:
                    continue
                part = part.loc[values.index]
                rows.append(
                    {
                        "figure": path,
                        "first": first,
                        "first_level": one,
                        "first_at": columns_of[one],
                        "second": second,
                        "second_level": other,
                        "second_at": rows_of[other],
                        "mean": values.mean(),
                        "cases": len(part),
                        "never": int(np.isinf(values).sum()),
                        "case": part["case"].iloc[0] if len(part) == 1 else pd.NA,
                    }
                )
    columns = ["figure", "first", "first_level", "first_at", "second", "second_level", "second_at"]
    columns += ["mean", "cases", "never", "case"]
    return pd.DataFrame(rows, columns=columns).astype({"case": "Int64", "cases": int, "never": int})


def sobol(plan: Plan, table: pd.DataFrame, outputs: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """First-order and total indices of variance with 95 % intervals of a bootstrap.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, first_order, first_order_low, first_order_high, total, total_low, total_high, base_cases.
    """
    names = group_names(plan)
    rows, notes = [], []
    for path in outputs:
        blocks, left_out = _blocks(table, path, len(names) + 2)
        size = 1 << (len(blocks).bit_length() - 1) if len(blocks) else 0
        if left_out:
            notes.append(
                f"{path}: {left_out} base cases have a case without an answer; indices are of {size} whole ones."
            )
        blocks = blocks[:size]
        if size < FEWEST_BASES or np.ptp(blocks) == 0:
            continue
        values = {"f_A": blocks[:, 0][None], "f_B": blocks[:, 1][None], "f_AB": blocks[:, 2:].T[:, None, :]}
        found = stats.sobol_indices(func=values, n=size, rng=plan.file.design.seed)
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")  # an interval that cannot be told is nan
            spread = found.bootstrap(confidence_level=CONFIDENCE, n_resamples=RESAMPLES)
        for place, name in enumerate(names):
            rows.append(
                {
                    "figure": path,
                    "factor": name,
                    "first_order": np.ravel(found.first_order)[place],
                    "first_order_low": np.ravel(spread.first_order.confidence_interval.low)[place],
                    "first_order_high": np.ravel(spread.first_order.confidence_interval.high)[place],
                    "total": np.ravel(found.total_order)[place],
                    "total_low": np.ravel(spread.total_order.confidence_interval.low)[place],
                    "total_high": np.ravel(spread.total_order.confidence_interval.high)[place],
                    "base_cases": size,
                }
            )
    return pd.DataFrame(rows), notes


def morris(plan: Plan, table: pd.DataFrame, outputs: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Means and scatter of elementary effects, in units of the figure for the whole range of a factor.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, mean_size (of the effect's absolute value), mean_size_interval (half of the 95 % interval),
        mean, scatter (standard deviation), paths.
    """
    names, design = group_names(plan), plan.file.design
    factors = len(names)
    points = np.array(design.picks([0] * factors), float).reshape(-1, factors + 1, factors)
    analyze = sensitivity("analyze.morris").analyze
    rows, notes = [], []
    for path in outputs:
        figures = _figures(table, path).reshape(-1, factors + 1)
        whole = np.isfinite(figures).all(axis=1)
        if not whole.all():
            notes.append(f"{path}: {(~whole).sum()} paths have a case without an answer and are left out.")
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


def ranks(plan: Plan, table: pd.DataFrame, outputs: Sequence[str]) -> pd.DataFrame:
    """Spearman's rank correlation of each factor that is a number with each figure: factor, figure, ..."""
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
            {"figure": path, "factor": factor.name, "rank_correlation": found.statistic, "cases": len(both)}
        )
    return pd.DataFrame(rows)


def group_names(plan: Plan) -> list[str]:
    """Names of what a sampled design moves: factors, or several that go together."""
    return [" and ".join(factor.name for factor in members) for members in groups_of(plan.file).values()]


def _figures(table: pd.DataFrame, path: str) -> np.ndarray:
    """A figure of each of the plan's cases in order, nan where there is none."""
    rows = table[table["case"] > 0].sort_values("case")
    return rows[path].where(rows["status"].isin(WITH_RESULTS)).to_numpy(float)


def _blocks(table: pd.DataFrame, path: str, length: int) -> tuple[np.ndarray, int]:
    """A figure of whole blocks of cases, and how many are not whole."""
    blocks = _figures(table, path).reshape(-1, length)
    whole = np.isfinite(blocks).all(axis=1)
    return blocks[whole], int((~whole).sum())
