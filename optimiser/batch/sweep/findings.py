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

from optimiser.batch.sweep.cases import DRIVEN, WITH_RESULTS
from optimiser.batch.sweep.designs import (
    Grid,
    LatinHypercube,
    Listed,
    Morris,
    OneAtATime,
    Sobol,
    sensitivity,
    unit_cube,
)
from optimiser.batch.sweep.plan import SweepPlan, groups_of
from optimiser.finance.yearly import is_year
from optimiser.report.recorded import RecordedRun

BINS, PAIR_BINS, MOST_LEVELS = 10, 6, 12
CASES_A_BIN = 10  # of fewer, a mean says more of the other factors than of its own
FEW_BINS, FEWEST_BINS, FEWEST_A_BIN = 4, 3, 4  # where there are no more cases
MOST_PAIRS = 3
WIDEST_INTERVAL, MOST_FIRST_ORDERS = 0.5, 1.25  # of indices of variance that say something
ENOUGH_BASES = 64
CHANCE = 0.05
MOST_AT_ONCE = 4_000_000  # resampled figures in memory
# What tells which factor moves a figure most: the measure that a design is made for, then means of levels.
MEASURES = (
    ("sobol", "total"),
    ("morris", "mean_size"),
    ("ranks", "rank_correlation"),
    ("spreads", "spread"),
)
CONFIDENCE, RESAMPLES = 0.95, 400
FEWEST_BASES = 4

# Every table that some design gives rise to.
TABLES = ("responses", "spreads", "pairs", "sobol", "morris", "ranks")


def findings(plan: SweepPlan, table: pd.DataFrame) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Every table that a design gives rise to, by name, and what must be known of them.

    Parameters
    ----------
    plan : SweepPlan
    table : DataFrame
        One row a case, as `sweep` returns it.

    Returns
    -------
    (dict of str to DataFrame, list of str)
        "responses": the mean of each recorded figure at each level of a factor, where cases are enough; "spreads":
        how far those means lie apart; "pairs": means at the levels of two factors; "sobol", "morris", "ranks" where
        the design gives them.
    """
    outputs = numeric_outputs(plan, table)
    made = {"responses": responses(plan, table, outputs)}
    made["spreads"] = spreads(made["responses"])
    notes = _never(plan, table)
    design = plan.file.design
    if isinstance(design, Sobol):
        made["sobol"], more = sobol(plan, table, outputs)
        notes += more
    if isinstance(design, Morris):
        made["morris"], more = morris(plan, table, outputs)
        notes += more
    if isinstance(design, LatinHypercube):
        made["ranks"] = ranks(plan, table, outputs)
    for path in outputs[:1]:
        made["pairs"] = pairs(plan, table, path, pairs_of(plan, order_of(plan, made, path)))
    return {name: frame for name, frame in made.items() if len(frame)}, notes


def recorded(plan: SweepPlan) -> RecordedRun:
    """What the figures of a sweep are called, and over which days its cases run."""
    file, timeline = plan.base.file, plan.base.timeline
    local = timeline.local()
    paths = {path for case in plan.cases for path in case.changes}
    return RecordedRun(
        currency=file.currency,
        first=local[0].isoformat(),
        last=local[-1].isoformat(),
        steps=timeline.steps,
        step_minutes=timeline.step_minutes,
        zone=timeline.zone,
        whole_year=is_year(timeline.hours),
        varied=tuple(sorted(path.partition(".")[2] for path in paths if path.startswith("timeline."))),
    )


def order_of(plan: SweepPlan, found: Mapping[str, pd.DataFrame], path: str) -> list[str]:
    """All factors, what moves a figure most first, by the measure that the design is made for.

    Factors that it does not know, such as words among rank correlations, follow by the spread of means.
    """
    members = {" and ".join(names): names for names in _names_together(plan)}
    ordered: dict[str, None] = {}
    for table, column in MEASURES:
        frame = found.get(table)
        if frame is not None and len(frame):
            own = frame[frame["figure"] == path].sort_values(column, key=abs, ascending=False, kind="stable")
            for name in own["factor"]:
                ordered |= dict.fromkeys(members.get(name, [name]))
    return list(ordered | {factor.name: None for factor in plan.file.factor})


def pairs_of(plan: SweepPlan, order: Sequence[str]) -> list[tuple[str, str]]:
    """The first pairs of an order of factors that do not move together; none where one at a time moves."""
    if isinstance(plan.file.design, (OneAtATime, Morris)):
        return []
    word = {name: place for place, names in enumerate(_names_together(plan)) for name in names}
    apart = [(a, b) for a, b in itertools.combinations(order, 2) if word[a] != word[b]]
    return apart[:MOST_PAIRS]


def _names_together(plan: SweepPlan) -> list[list[str]]:
    """Names of the factors that move as one, group by group."""
    return [[factor.name for factor in members] for members in groups_of(plan.file).values()]


def _never(plan: SweepPlan, table: pd.DataFrame) -> list[str]:
    """In how many cases a payback never comes."""
    done = with_results(table)
    if plan.base.file.cost is None:
        return []
    names = recorded(plan)
    paths = [path for path in plan.file.record if path.endswith("payback_years")]
    return [
        f"{names.name(path)}: never in {never} of {len(done)} cases; a mean over such a case is given as never."
        for path in paths
        if (never := int(endless(done, path).sum()))
    ]


def numeric_outputs(plan: SweepPlan, table: pd.DataFrame) -> list[str]:
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
    others = [other for names in _names_together(plan) if name not in names for other in names]
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


def sobol(plan: SweepPlan, table: pd.DataFrame, outputs: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """First-order and total indices of variance with 95 % intervals of a bootstrap.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, first_order, first_order_low, first_order_high, total, total_low, total_high, base_cases.
    """
    names, called = group_names(plan), recorded(plan)
    rows, notes = [], []
    for path in outputs:
        blocks, left_out = _blocks(table, path, len(names) + 2)
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
        found = stats.sobol_indices(func=values, n=size, rng=plan.file.design.seed)
        low, high = _sobol_intervals(blocks, plan.file.design.seed)
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
        return np.stack([first, total]) / np.var(np.stack([a, b]), axis=(0, -1))

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


def morris(plan: SweepPlan, table: pd.DataFrame, outputs: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """Means and scatter of elementary effects, in units of the figure for the whole range of a factor.

    Returns
    -------
    (DataFrame, list of str)
        figure, factor, mean_size (of the effect's absolute value), mean_size_interval (half of the 95 % interval),
        mean, scatter (standard deviation), paths.
    """
    names, design, called = group_names(plan), plan.file.design, recorded(plan)
    factors = len(names)
    points = np.array(design.picks([0] * factors), float).reshape(-1, factors + 1, factors)
    analyze = sensitivity("analyze.morris").analyze
    rows, notes = [], []
    for path in outputs:
        figures = _figures(table, path).reshape(-1, factors + 1)
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


def group_names(plan: SweepPlan) -> list[str]:
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
