"""Why no schedule exists: which limit asks for more than which other allows, when, and by how much."""

from __future__ import annotations

from typing import Any

from optimiser.engine.tiling import Problem
from optimiser.errors import InfeasibleError


def check_supply(scenario: Any) -> None:
    """Compare demands with limits before anything is solved."""


def explained(scenario: Any, problem: Problem) -> InfeasibleError:
    """The error that names what cannot be kept."""
    return InfeasibleError("no schedule keeps every limit")
