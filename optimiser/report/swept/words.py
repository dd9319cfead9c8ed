"""Figures, levels and factors of a sweep as people read them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from optimiser.report.swept.figures import Swept
from optimiser.words import MINUS, NARROW, fitting_decimals, number, significant


def shown(value: Any) -> str:
    """A figure or word of the table as people read it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "\u2013"
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (float, np.floating)) and math.isinf(value):
        return "never"
    if isinstance(value, (int, np.integer)):
        return number(float(value))
    if isinstance(value, (float, np.floating)):
        size = abs(float(value))
        if size and (size < 1e-3 or size >= 1e9):
            return f"{value:.3g}".replace("-", MINUS)
        return number(float(value), 2 if size >= 100 and value != round(value) else _decimals(float(value)))
    return str(value)


def level(value: Any) -> str:
    """A value of a factor to four digits, from a number or its text; a part of a range by both its ends."""
    if isinstance(value, (bool, np.bool_)) or is_missing(value):
        return shown(value)
    try:
        return " to ".join(significant(float(part)) for part in str(value).split(" to "))
    except ValueError:  # a word
        return str(value)


def _decimals(value: float) -> int:
    """As few decimals as show the value, and no more than fit it."""
    fitting = max(2, fitting_decimals(value))
    return next((d for d in range(fitting) if abs(round(value, d) - value) < 1e-9), fitting)


def mean_or_never(row: Any) -> str:
    """A mean of cases, or of how many a payback never comes."""
    return f"never in {row.never} of {row.cases}" if row.never else shown(row.mean)


def levels_of(swept: Swept, row: Any) -> str:
    """The value of every factor in a case, with units."""
    return ", ".join(
        f"{name} {level(row[name])}{f' {unit}' if unit else ''}" for name, unit, _ in swept.factors
    )


def half_width(half: float) -> str:
    """An interval by half its width."""
    return f"±{NARROW}{shown(half)}"


def between(low: float, high: float, decimals: int) -> str:
    """An interval by both its ends."""
    return f"{number(low, decimals)} to {number(high, decimals)}"


def signed(value: float) -> str:
    """A correlation with its sign, to two decimals."""
    return f"{value:+.2f}".replace("-", MINUS)


def is_missing(value: Any) -> bool:
    """Whether a cell of a table has no value."""
    return value is None or (isinstance(value, float) and math.isnan(value))


def case_word(case: Any) -> str:
    """The number of a case, or nothing for a mean of several."""
    return "" if case is pd.NA or case is None else number(float(case))
