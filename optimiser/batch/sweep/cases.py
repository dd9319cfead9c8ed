"""One case worked out, wherever that happens; what goes wrong with it is its outcome, never the sweep's end."""

from __future__ import annotations

import math
import pickle
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from optimiser.engine.answer import Start
from optimiser.engine.windows import sharing
from optimiser.errors import DriftError, InfeasibleError, OptimiserError, ScenarioError, UnprovenError
from optimiser.results.run import run
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.summary.run import Summary

DONE, BEST_FOUND = "done", "best found"
WITH_RESULTS = (DONE, BEST_FOUND)
DRIVEN = "headline.forecast_driven_"  # begins the path of every figure that is earned without foresight
MEASURED = "studies.measured_share."  # the same, measured quickly
DEFECT = "defect"
FAILED = ("infeasible", "refused", "no answer", DEFECT, "process lost")


@dataclass(frozen=True)
class Found:
    """What a model makes of a case: whether it is proven, and what is recorded."""

    status: str
    results: Mapping[str, Any]
    message: str = ""


Model = Callable[[Mapping[str, Any]], Found]


@dataclass(frozen=True)
class CaseOutcome:
    """What became of a case.

    Attributes
    ----------
    key : str
        Of the case.
    status : str
        "done"; "best found", with results that are not proven within tolerance; or why there are none: "infeasible",
        "refused" (a fault of the scenario that the case makes), "no answer", "defect", "process lost".
    message : str
        Why, in a sentence.
    seconds : float
    results : dict of str to value
        By recorded path.
    """

    key: str
    status: str
    message: str
    seconds: float
    results: Mapping[str, Any]


@dataclass(frozen=True)
class SiteModel:
    """A scenario that is varied and run, always from the same start, so that a case has one answer wherever it runs.

    Attributes
    ----------
    base : Scenario
    start : Start or None
        Of the scenario as it is.
    record, studies : tuple of str
    chains : int
        See `engine.windows.sharing`.
    threads : int
        That work on one case.
    """

    base: Scenario
    start: Start | None
    record: tuple[str, ...]
    studies: tuple[str, ...]
    chains: int
    threads: int = 1

    def __call__(self, changes: Mapping[str, Any]) -> Found:
        """Run the scenario with changes and take what is recorded."""
        with sharing(self.chains, self.threads):
            made = run(vary(self.base, changes), start=self.start, studies=self.studies)
        return found_in(made.summary, self.record)


def found_in(summary: Summary, record: tuple[str, ...]) -> Found:
    """What is recorded of a run's summary."""
    without, whole = summary.studies.get("without_foresight"), summary.as_dict()
    found, message = {path: figure(whole, path) for path in record}, ""
    if summary.headline.rests_on == "ceiling" and any(path.startswith(DRIVEN) for path in record):
        why = " ".join(without["missing"]) if without is not None else "there is no storage to plan for"
        message = f"not run without foresight: {why}"
    if "measured_share" not in summary.studies and any(path.startswith(MEASURED) for path in record):
        message = (
            "not measured without foresight: there is no storage or no policy, the ceiling saves nothing, or nobody "
            "could run the site within its limits"
        )
    return Found(DONE if summary.proof.proven else BEST_FOUND, found, message)


class NoFigureError(LookupError):
    """A path that a summary does not have; its argument is a sentence."""


def figure(summary: Any, path: str, *, strict: bool = False) -> Any:
    """A figure or word of a summary; of a list, the entry of that number or name.

    Returns
    -------
    float, int, bool, str or None
        None where there is no number: a payback that never comes, a service that a case does not have.

    Raises
    ------
    NoFigureError
        With `strict`, if there is no such path or it leads to a table.
    """
    here, done = summary, ""
    for part in path.split("."):
        known = _parts(here)
        if part not in known:
            if strict:
                raise NoFigureError(
                    f"{path}: there is no {part}{f' in {done}' if done else ''}; there are {_some(known)}."
                )
            return None
        here, done = known[part], f"{done}.{part}" if done else part
    if isinstance(here, (dict, list)):
        if strict:
            raise NoFigureError(f"{path} is a table. Go on to one of its figures: {_some(_parts(here))}.")
        return None
    return None if isinstance(here, float) and not math.isfinite(here) else here


def _parts(here: Any) -> dict[str, Any]:
    if isinstance(here, Mapping):
        return dict(here)
    if isinstance(here, list):
        named = {entry["name"]: entry for entry in here if isinstance(entry, Mapping) and "name" in entry}
        return {str(place): entry for place, entry in enumerate(here)} | named
    return {}


def _some(known: Mapping[str, Any]) -> str:
    names = [name for name in known if not name.isdecimal()] or list(known)
    return ", ".join(names[:20]) + (", ..." if len(names) > 20 else "") or "no more parts"


def attempt(model: Model, key: str, changes: Mapping[str, Any]) -> CaseOutcome:
    """A case worked out; whatever goes wrong with it becomes a status and a sentence."""
    began = time.perf_counter()
    status, message, results = DEFECT, "", {}
    try:
        found = model(changes)
        status, results, message = found.status, dict(found.results), found.message
    except InfeasibleError as error:
        status, message = "infeasible", str(error)
    except ScenarioError as error:
        status, message = "refused", " ".join(error.faults)
    except UnprovenError as error:
        status, message = "no answer", str(error)
    except OptimiserError as error:
        message = str(error)
    except Exception as error:  # one case's defect must not cost the others
        message = str(DriftError(f"{type(error).__name__}: {error}"))
    return CaseOutcome(key, status, message, time.perf_counter() - began, results)


_unpacked: tuple[bytes, Model] | None = None


def attempt_packed(packed: bytes, key: str, changes: Mapping[str, Any]) -> CaseOutcome:
    """A case of a model that came as bytes; a process keeps the last model, so that it is unpacked once."""
    global _unpacked
    kept = _unpacked
    if kept is None or kept[0] != packed:
        kept = _unpacked = (packed, pickle.loads(packed))
    return attempt(kept[1], key, changes)
