"""Values of a sweep as charts take them."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from optimiser.report.blocks import label
from optimiser.report.swept.figures import Swept
from optimiser.report.swept.words import is_missing, levels_of, shown


def drawable(values: Any) -> list[Any]:
    """Numbers as charts take them; None leaves a gap."""
    return [float(value) if not is_missing(value) and math.isfinite(value) else None for value in values]


def hover(swept: Swept, row: Any) -> str:
    """What a mark says of its case: the levels, and the command that makes it again."""
    return (
        label(f"case {row['case']}: {levels_of(swept, row)}")
        + "<br>"
        + label(f"{swept.command} --case {row['case']}")
    )


def are_numbers(values: pd.Series) -> bool:
    """Whether a factor is drawn along a scale rather than by names."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def axis_kind(values: pd.Series) -> str:
    """The kind of axis for a factor."""
    return "linear" if are_numbers(values) else "category"


def axis_values(values: pd.Series) -> list[Any]:
    """Where cases stand on an axis: numbers, or names."""
    return drawable(values) if are_numbers(values) else [label(shown(value)) for value in values]
