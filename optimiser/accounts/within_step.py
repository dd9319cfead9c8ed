"""What the mean of a step hides: registers that run both ways inside it, from a stated spread of the power.

References
----------
.. [1] Mean of the positive part of a normal variable, m F(m/s) + s f(m/s), as in N. L. Johnson, S. Kotz,
   N. Balakrishnan, "Continuous Univariate Distributions", volume 1, 2nd edition, Wiley, 1994, chapter 13; from memory.
"""

from __future__ import annotations

import math

import numpy as np

from optimiser.accounts.settlement import before_flows
from optimiser.flows import MeterFlows
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms


def positive_part(mean: np.ndarray, spread: np.ndarray | float) -> np.ndarray:
    """Mean of what is above zero of powers that lie normally about a mean.

    Parameters
    ----------
    mean : array of shape (steps,)
        [kW]
    spread : float or array of shape (steps,)
        Standard deviation within each step. [kW]
    """
    wide = np.maximum(spread, 1e-12)
    place = mean / wide
    below = np.array([math.erfc(-z / math.sqrt(2)) / 2 for z in place])
    made: np.ndarray = mean * below + wide * np.exp(-(place**2) / 2) / math.sqrt(2 * math.pi)
    return np.where(np.asarray(spread) > 0, made, np.maximum(mean, 0.0))


def effect_before(scenario: Scenario) -> tuple[float, float, float] | None:
    """What a spread within each step makes of the site without the system; None where none is stated.

    Returns
    -------
    (float, float, float)
        Import and export over the run that means hide [kWh], and how much more is to pay [currency].
    """
    spread = scenario.settlement.spread_within_step_kw
    if not spread:
        return None
    flat = before_flows(scenario)
    net = np.asarray(flat.import_kw) - np.asarray(flat.export_kw)
    imported = positive_part(net, spread)
    exported = imported - net
    moving = MeterFlows(imported, exported, imported, exported, flat.load_kw)
    terms = SettledTerms(scenario.data)
    flat_paid, moving_paid = (
        -sum(float(np.sum(line.values)) for line in scenario.before_tariff.lines(flows, terms) if line.cash)
        for flows in (flat, moving)
    )
    hours = scenario.timeline.step_hours
    return (
        float(np.sum(imported - flat.import_kw)) * hours,
        float(np.sum(exported - flat.export_kw)) * hours,
        moving_paid - flat_paid,
    )
