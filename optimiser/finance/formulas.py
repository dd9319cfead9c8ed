"""The formulas of finance, on flows whose first is today's and undiscounted; yearly unless their times are given."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

LEAST_RATE, MOST_RATE = -0.99, 1e4
GRID = 20_001


Numbers = Sequence[float] | np.ndarray


def discounted(flows: Numbers, rate: float, years: Numbers | None = None) -> np.ndarray:
    """Present value of each flow, of shape (flows,), one at time 0 as it is. [currency]"""
    return np.asarray(flows, float) / (1 + rate) ** _times(flows, years)


def net_present_value(flows: Numbers, rate: float, years: Numbers | None = None) -> float:
    """Present value of flows, the first undiscounted.

    Parameters
    ----------
    flows : sequence of float
        Cash flow at the end of year 0, 1, 2, ... [currency]
    rate : float
        Discount rate. [-]
    years : sequence of float, optional
        When each flow falls, such as days since the first over 365; left out: a year apart. [years]

    References
    ----------
    .. [1] NPV = sum(CF_t / (1 + d)^t), t from 0. Spreadsheet functions of that name discount the first flow too.
    """
    return float(discounted(flows, rate, years).sum())


def _times(flows: Numbers, years: Numbers | None) -> np.ndarray:
    return np.arange(len(flows), dtype=float) if years is None else np.asarray(years, float)


def payback(flows: Sequence[float]) -> float | None:
    """Years until the cumulative flow reaches zero to stay, with a straight line inside the year; None is never.

    Where it falls below zero again, as when a loan or an incentive comes before a replacement, an earlier year at zero
    is no payback.

    Parameters
    ----------
    flows : sequence of float
        Cash flow of year 0, 1, 2, ..., discounted or not. [currency]
    """
    sums = np.cumsum(np.asarray(flows, float))
    below = np.flatnonzero(sums < 0)
    if not len(below):
        return 0.0
    last = int(below[-1])
    return None if last + 1 == len(sums) else float(last - sums[last] / flows[last + 1])


def internal_rates(flows: Numbers, years: Numbers | None = None) -> tuple[float, ...]:
    """Every rate between -99 % and a millionfold at which nothing is left of the flows, rising; empty for none.

    Found by the changes of sign of the present value on a fine grid of rates; two rates closer than 0.1 % of
    each other, and one at which the value touches zero without crossing it, are missed.

    Parameters
    ----------
    flows : sequence of float
        Cash flow of year 0, 1, 2, ... [currency]
    years : sequence of float, optional
        When each flow falls; left out: a year apart. [years]

    References
    ----------
    .. [1] A root of NPV(r) = 0; there are at most as many above -100 % as the flows change sign (Descartes).
    """
    there = np.asarray(flows, float) != 0
    amounts, times = np.asarray(flows, float)[there], _times(flows, years)[there]
    signs = np.sign(amounts)
    if len(signs) < 2 or (signs == signs[0]).all():
        return ()
    edges = np.exp(np.linspace(np.log1p(LEAST_RATE), np.log1p(MOST_RATE), GRID)) - 1
    worth = amounts @ (1 + edges) ** -times[:, None]
    hits = [float(edges[place]) for place in np.flatnonzero(worth == 0)]
    for place in np.flatnonzero(worth[:-1] * np.sign(worth[1:]) < 0):
        hits.append(_bisected(amounts, times, float(edges[place]), float(edges[place + 1])))
    return tuple(sorted(hits))


def modified_rate(flows: Sequence[float], finance_rate: float, reinvestment_rate: float) -> float | None:
    """The one rate of return when what is owed costs one rate and what comes in earns another; None without both.

    Parameters
    ----------
    flows : sequence of float
        Cash flow of year 0, 1, 2, ... [currency]
    finance_rate, reinvestment_rate : float
        [-]

    References
    ----------
    .. [1] MIRR = (future value of what comes in / -present value of what goes out)^(1/n) - 1, as spreadsheets have it.
    """
    amounts, last = np.asarray(flows, float), len(flows) - 1
    paid = -float(discounted(np.minimum(amounts, 0.0), finance_rate).sum())
    earned = (
        float(discounted(np.maximum(amounts, 0.0), reinvestment_rate).sum()) * (1 + reinvestment_rate) ** last
    )
    if last < 1 or paid <= 0 or earned <= 0:
        return None
    return float((earned / paid) ** (1 / last) - 1)


def _bisected(flows: np.ndarray, times: np.ndarray, low: float, high: float) -> float:
    """The rate between two at which the present value changes its sign."""
    rising = net_present_value(flows, low, times) < 0
    for _ in range(80):
        middle = (low + high) / 2
        if (net_present_value(flows, middle, times) < 0) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def capital_recovery(rate: float, years: int) -> float:
    """Equal yearly sum, from year 1 on, that pays back one unit of money with interest. [1/year]

    References
    ----------
    .. [1] CRF = d (1 + d)^n / ((1 + d)^n - 1); its inverse is the present worth of an annuity. NREL/TP-462-5173.
    """
    return 1 / years if rate == 0 else rate / (1 - (1 + rate) ** -years)


def levelised(costs: Sequence[float], energy_kwh: Sequence[float], rate: float) -> float | None:
    """Price of a kWh, the same in every year, that pays all costs; None without energy. [currency/kWh]

    Parameters
    ----------
    costs, energy_kwh : sequence of float
        Of year 0, 1, 2, ...; costs positive. [currency, kWh]
    rate : float
        Discount rate. [-]

    References
    ----------
    .. [1] sum(costs_t / (1 + d)^t) / sum(energy_t / (1 + d)^t), NREL/TP-462-5173 (levelised cost of energy).
    """
    energy = net_present_value(energy_kwh, rate)
    return net_present_value(costs, rate) / energy if energy > 0 else None
