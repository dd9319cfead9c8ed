"""Recipes: small TOML files that say what a series is made from; read with all their faults at once."""

from __future__ import annotations

import datetime
import re
from importlib.resources import files
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import AfterValidator, Field

from optimiser.errors import ScenarioError
from optimiser.fields import Component
from optimiser.scenario.faults import checked
from optimiser.scenario.uses import read_toml
from optimiser.timeline import Timeline, year_from


def _as_first_day(value: datetime.date) -> datetime.date:
    if not 1970 <= value.year < 2199:
        raise ValueError("must lie between 1970 and 2198")
    return value


def _as_column(value: str) -> str:
    if not re.fullmatch("[a-z][a-z0-9_]{0,30}", value):
        raise ValueError("must be up to 31 small letters, digits and _, beginning with a letter")
    return value


FirstDay = Annotated[
    datetime.date,
    AfterValidator(_as_first_day),
    Field(description="first day of the year that is made, from midnight on the site's clock"),
]
ColumnName = Annotated[str, AfterValidator(_as_column)]
Recipe = TypeVar("Recipe", bound=Component)


def read_recipe(path: Path, model: type[Recipe]) -> Recipe:
    """A recipe file as its model.

    Raises
    ------
    ScenarioError
        With every fault of the file.
    """
    raw, _ = read_toml(path)
    made, faults = checked(model, raw)
    if made is None:
        raise ScenarioError(str(path), faults)
    return made


def example(name: str) -> str:
    """A commented recipe to begin from."""
    return files(__package__).joinpath("recipes", f"{name}.toml").read_text(encoding="utf-8")


def year_of(start: datetime.date, step_minutes: int, zone: str) -> Timeline:
    """The year that a recipe asks for.

    Raises
    ------
    ScenarioError
        If the step does not divide it.
    """
    try:
        return year_from(start, step_minutes, zone)
    except ValueError as problem:
        raise ScenarioError("the recipe", [f"{problem}. Choose a shorter step or another year."]) from None
