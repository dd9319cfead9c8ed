"""When prices are known: for each step, up to where its moment knows them."""

from __future__ import annotations

import numpy as np

from optimiser.scenario.file import Scenario


def known_until(scenario: Scenario, reference: str) -> np.ndarray:
    """The first step whose price in a series is not known as each step begins, of shape (steps,).

    Parameters
    ----------
    scenario : Scenario
    reference : str
        The series, "source.column".

    Returns
    -------
    int array of shape (steps,)
        The step itself where its own price is known no sooner than it ends.
    """
    steps = np.arange(scenario.timeline.steps)
    told = next((one for one in scenario.foresight.published if one.of == reference), None)
    if told is None or told.when == "interval_start":
        return steps + 1
    if told.when == "after":
        return steps
    days, day, _ = scenario.timeline.slots()
    local = scenario.timeline.local()
    clock = np.asarray(local.hour + local.minute / 60)
    last = np.minimum(day + (clock >= told.hour), len(days) - 1)
    until: np.ndarray = np.searchsorted(day, last, side="right")
    return until
