"""Grid-services revenue and arbitrage optimiser for solar-and-storage sites.

The road: `read_scenario` - `solve` - `settle` - `appraise` - `write_results`.
"""

from typing import Any

from optimiser.errors import (
    DriftError,
    InfeasibleError,
    OptimiserError,
    ScenarioError,
    SeriesError,
    UnprovenError,
)

__version__ = "0.1.0"

_PLACES = {
    "appraise": "finance",
    "read_scenario": "scenario.read",
    "run": "results.run",
    "settle": "accounts.settlement",
    "solve": "dispatch",
    "sweep": "batch.sweep.sweep",
    "vary": "scenario.read",
    "write_results": "results.write",
}

__all__ = [
    "DriftError",
    "InfeasibleError",
    "OptimiserError",
    "ScenarioError",
    "SeriesError",
    "UnprovenError",
    "appraise",
    "read_scenario",
    "run",
    "settle",
    "solve",
    "sweep",
    "vary",
    "write_results",
]


def __getattr__(name: str) -> Any:
    """Import the road's stages when they are first asked for, so that help stays quick."""
    if name in _PLACES:
        from importlib import import_module

        return getattr(import_module(f"optimiser.{_PLACES[name]}"), name)
    raise AttributeError(name)
