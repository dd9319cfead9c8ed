"""What a sweep's table says, each finding a table of its own, and which factor moves a figure most.

Every figure is worked out of rows of the case table alone and says of how many, or of which one.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import pandas as pd

from optimiser.batch.sweep.designs import LatinHypercube, Morris, OneAtATime, Sobol
from optimiser.batch.sweep.means import endless, pairs, responses, spreads, with_results
from optimiser.batch.sweep.naming import names_together, recorded
from optimiser.batch.sweep.plan import SweepPlan
from optimiser.batch.sweep.sensitivity import morris, ranks, sobol

MOST_PAIRS = 3


# What tells which factor moves a figure most: the measure that a design is made for, then means of levels.
MEASURES = (
    ("sobol", "total"),
    ("morris", "mean_size"),
    ("ranks", "rank_correlation"),
    ("spreads", "spread"),
)


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
        made["sobol"], more = sobol(plan, design, table, outputs)
        notes += more
    if isinstance(design, Morris):
        made["morris"], more = morris(plan, design, table, outputs)
        notes += more
    if isinstance(design, LatinHypercube):
        made["ranks"] = ranks(plan, table, outputs)
    for path in outputs[:1]:
        made["pairs"] = pairs(plan, table, path, pairs_of(plan, order_of(plan, made, path)))
    return {name: frame for name, frame in made.items() if len(frame)}, notes


def order_of(plan: SweepPlan, found: Mapping[str, pd.DataFrame], path: str) -> list[str]:
    """All factors, what moves a figure most first, by the measure that the design is made for.

    Factors that it does not know, such as words among rank correlations, follow by the spread of means.
    """
    members = {" and ".join(names): names for names in names_together(plan)}
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
    word = {name: place for place, names in enumerate(names_together(plan)) for name in names}
    apart = [(a, b) for a, b in itertools.combinations(order, 2) if word[a] != word[b]]
    return apart[:MOST_PAIRS]


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
