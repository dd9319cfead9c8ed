"""Load recipes by their method, and what each is made with."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from optimiser.errors import ScenarioError
from optimiser.making.extend import ExtendRecipe, make_extended
from optimiser.making.gross import GrossRecipe, make_gross
from optimiser.making.hot_water import HotWaterRecipe, make_hot_water
from optimiser.making.made import Made
from optimiser.making.months import MonthsLikeRecipe, make_months_like
from optimiser.making.profiles import MonthlyRecipe, YearlyRecipe, make_monthly, make_yearly
from optimiser.making.recipe import read_recipe
from optimiser.making.redate import RedateRecipe, make_redated
from optimiser.making.shifts import ShiftsRecipe, make_shifts
from optimiser.scenario.uses import read_toml

METHODS: dict[str, tuple[Any, Callable[[Any, Path], Made]]] = {
    "profile": (YearlyRecipe, make_yearly),
    "months": (MonthlyRecipe, make_monthly),
    "months_like": (MonthsLikeRecipe, make_months_like),
    "extend": (ExtendRecipe, make_extended),
    "redate": (RedateRecipe, make_redated),
    "gross": (GrossRecipe, make_gross),
    "hot_water": (HotWaterRecipe, make_hot_water),
    "shifts": (ShiftsRecipe, make_shifts),
}


def make_load(path: Path) -> Made:
    """The load that a recipe file describes.

    Raises
    ------
    ScenarioError
        With every fault of the recipe, or of the files that it names.
    """
    method = read_toml(path)[0].get("method")
    if not isinstance(method, str) or method not in METHODS:
        near = difflib.get_close_matches(str(method), METHODS, 1)
        hint = f"did you mean {near[0]}?" if near else f"it is one of {', '.join(METHODS)}."
        came = "is required but missing" if method is None else f"is {str(method)[:40]!r}, which is no method"
        raise ScenarioError(str(path), [f"method {came}; {hint}"])
    model, make = METHODS[method]
    return make(read_recipe(path, model), path.parent)
