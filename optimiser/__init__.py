"""Grid-services revenue and arbitrage optimiser for solar-and-storage sites.

The road: `read_scenario` - `solve` - `settle` - `appraise` - `write_results`.
"""

from typing import TYPE_CHECKING

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
    "appraise": "finance.appraisal",
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

if TYPE_CHECKING:
    from optimiser.accounts.settlement import settle
    from optimiser.batch.sweep.sweep import sweep
    from optimiser.dispatch import solve
    from optimiser.finance.appraisal import appraise
    from optimiser.results.run import run
    from optimiser.results.write import write_results
    from optimiser.scenario.read import read_scenario, vary
else:  # imported when they are first asked for, so that help stays quick

    def __getattr__(name: str) -> object:
        """The road's stages."""
        if name in _PLACES:
            from importlib import import_module

            return getattr(import_module(f"optimiser.{_PLACES[name]}"), name)
        raise AttributeError(f"module 'optimiser' has no attribute {name!r}")


def __dir__() -> list[str]:
    """What is public, whether it has been asked for or not."""
    return [*__all__, "__version__"]
