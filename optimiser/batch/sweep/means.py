"""Means of a sweep's figures at levels of one factor or two, and how far they lie apart."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from optimiser.batch.sweep.cases import DRIVEN, WITH_RESULTS
from optimiser.batch.sweep.designs import Grid, Listed, Morris, OneAtATime, Sobol
from optimiser.batch.sweep.naming import names_together
from optimiser.batch.sweep.plan import SweepPlan, groups_of

BINS = 10
PAIR_BINS = 6
MOST_LEVELS = 12
CASES_A_BIN = 10  # of fewer, a mean says more of the other factors than of its own
FEW_BINS = 4  # where there are no more cases
FEWEST_BINS = 3
FEWEST_A_BIN = 4


def with_results(table: pd.DataFrame) -> pd.DataFrame:
    """Rows of the plan's cases that have figures; the scenario as it is stays out."""
    return table[table["status"].isin(WITH_RESULTS) & (table["case"] > 0)]


def counted(part: pd.DataFrame, path: str) -> pd.Series:
    """The values of a figure to be summed up; a payback that never comes is endless, and so is a mean with it."""
    return part[path].mask(endless(part, path), math.inf).dropna()


def endless(part: pd.DataFrame, path: str) -> pd.Series:
    """Rows whose payback never comes; without foresight, one with a message has none because it could not be run."""
    known = (part["message"] == "") | (not path.startswith(DRIVEN))
    return part[path].isna() & known & path.endswith("payback_years")


def responses(plan: SweepPlan, table: pd.DataFrame, outputs: Sequence[str]) -> pd.DataFrame:
    """The mean of each figure over the cases at each level of a factor.

    Levels are means by themselves where each meets all other factors alike. A sampled range is cut into parts of about
    equally many cases: ten, or fewer that hold ten cases each, at the least three of four; with fewer cases than that
    a factor has no rows, since the cases of a part would differ in the others more than parts do. A Morris design has
    none: its cases lie at the ends of steps, not evenly, and its effects tell what levels would. One at a time, a
    factor's rows are those in which all others are as the scenario has them. A mean over a payback that never comes is
    infinite: the mean of the others alone would flatter the level.

    Returns
    -------
    DataFrame
        factor, level, at (its middle, for numbers), figure, mean, lowest, highest, cases, never (how many have no
        payback), case (where it is one).
    """
    done = with_results(table)
    rows: list[dict[str, Any]] = []
    for factor in plan.file.factor if not isinstance(plan.file.design, Morris) else ():
        own = done[_moved(plan, done, factor.name)] if isinstance(plan.file.design, OneAtATime) else done
        if _in_balance(plan, own, factor.name):
            cut = _levels(own[factor.name], max(2, min(BINS, len(own) // CASES_A_BIN)))
        else:
            cut = _sampled_levels(own[factor.name], _draws_a_case(plan))
        labels, middles = cut
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


def _in_balance(plan: SweepPlan, own: pd.DataFrame, name: str) -> bool:
    """Whether each level of a factor meets the same levels of all others, so that its means differ by it alone."""
    design = plan.file.design
    if isinstance(design, (Grid, OneAtATime)) or len(groups_of(plan.file)) == 1:
        return True
    if not isinstance(design, Listed):
        return False
    others = [other for names in names_together(plan) if name not in names for other in names]
    met = {
        tuple(sorted(map(repr, part[others].itertuples(index=False, name=None))))
        for _, part in own.groupby(own[name].map(repr))
    }
    return len(met) == 1


def _draws_a_case(plan: SweepPlan) -> float:
    """How many independent values of a factor a case of the design brings; the other cases repeat them."""
    groups = len(groups_of(plan.file))
    return 2 / (groups + 2) if isinstance(plan.file.design, Sobol) else 1.0


def _sampled_levels(values: pd.Series, draws_a_case: float) -> tuple[pd.Series, Mapping[str, float]]:
    """Levels as `_levels` gives them that hold several independent cases each; none where cases are too few."""
    draws = int(len(values) * draws_a_case + 1e-9)
    trials = [] if _is_range(values) else [_levels(values, BINS)]
    if _are_numbers(values):
        most = min(BINS, max(draws // CASES_A_BIN, min(FEW_BINS, draws // FEWEST_A_BIN)))
        cuts = (_cut(values, bins) for bins in range(most, FEWEST_BINS - 1, -1))
        trials += [cut for cut in cuts if len(cut[1]) >= FEWEST_BINS]
    for labels, middles in trials:
        if middles and labels.value_counts().min() * draws_a_case >= FEWEST_A_BIN:
            return labels, middles
    return pd.Series(pd.NA, index=values.index), {}


def _moved(plan: SweepPlan, done: pd.DataFrame, name: str) -> pd.Series:
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
    if _is_range(values):
        return _cut(values, bins)
    if not _are_numbers(values):
        distinct = values.dropna().unique()
        return values.map(str, na_action="ignore"), dict.fromkeys(map(str, distinct), np.nan)
    values = values.astype(float)
    middles = {f"{value:.10g}": float(value) for value in np.sort(values.dropna().unique())}
    return values.map(lambda value: f"{value:.10g}", na_action="ignore"), middles


def _cut(values: pd.Series, bins: int) -> tuple[pd.Series, Mapping[str, float]]:
    """Numbers cut into parts of about equally many, each called by its lowest and highest."""
    values = values.astype(float)
    cut = pd.qcut(values, bins, labels=False, duplicates="drop")
    if cut.isna().all():  # one value, and no edges to cut at
        cut = cut.mask(values.notna(), 0.0)
    parts = [values[cut == place] for place in range(int(cut.max()) + 1)]
    parts = [part for part in parts if len(part)]
    for digits in (4, 7, 17):  # as few as tell the parts apart
        words = [f"{part.min():.{digits}g} to {part.max():.{digits}g}" for part in parts]
        if len(set(words)) == len(words):
            break
    labels = pd.Series(pd.NA, index=values.index, dtype=object)
    for part, text in zip(parts, words, strict=True):
        labels[part.index] = text
    return labels, {text: float(part.mean()) for part, text in zip(parts, words, strict=True)}


def _are_numbers(values: pd.Series) -> bool:
    return all(_is_number(value) for value in values.dropna().unique())


def _is_range(values: pd.Series) -> bool:
    """Whether values are numbers, and too many to be levels."""
    return _are_numbers(values) and values.nunique() > MOST_LEVELS


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.number)) and not isinstance(value, (bool, np.bool_))


def spreads(means: pd.DataFrame) -> pd.DataFrame:
    """How far the means of a figure lie apart over the levels of each factor, the widest first.

    Returns
    -------
    DataFrame
        figure, factor, lowest, lowest_at, highest, highest_at, spread, fewest_cases (of a level).
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
                "fewest_cases": int(part["cases"].min()),
            }
        )
    columns = ["figure", "factor", "lowest", "lowest_at", "highest", "highest_at", "spread", "fewest_cases"]
    frame = pd.DataFrame(rows, columns=columns)
    order = frame["figure"].map({path: place for place, path in enumerate(dict.fromkeys(means["figure"]))})
    return (
        frame.assign(order=order)
        .sort_values(["order", "spread"], ascending=[True, False])
        .drop(columns="order")
    )


def pairs(plan: SweepPlan, table: pd.DataFrame, path: str, wanted: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Means of a figure at the levels of two factors, for pairs of them.

    Sampled cases are too few for a pair where its cells hold fewer than ten in the mean; it has no rows then.

    Returns
    -------
    DataFrame
        figure, first, first_level, first_at (its middle, for numbers), second, second_level, second_at, mean, cases,
        never (how many have no payback), case (where it is one).
    """
    done = with_results(table)
    rows: list[dict[str, Any]] = []
    draws = len(done) * _draws_a_case(plan)
    bins = min(PAIR_BINS, math.isqrt(int(draws) // CASES_A_BIN))
    for first, second in wanted:
        balanced = all(_in_balance(plan, done, name) for name in (first, second))
        if not balanced and bins < FEWEST_BINS and (_is_range(done[first]) or _is_range(done[second])):
            continue
        across, columns_of = _levels(done[first], max(2, bins))
        up, rows_of = _levels(done[second], max(2, bins))
        if balanced or draws >= CASES_A_BIN * len(columns_of) * len(rows_of):
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
