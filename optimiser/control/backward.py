"""Compiled arithmetic of the worth of stored energy: a step's best, backward passes, a decision.

A step is what the bus, the inverters and the meter make of the power of the store. The worth is kept on an even grid of
stored energies, straight between them. What a step can do best is at a corner of what it is paid, or where the energy
left lies on the grid, so those alone are tried.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from optimiser.equipment import laws

GRID = 41
CORNERS = 7
FORBIDDEN = -1e17
WORST = -1e18

# What is compiled is kept by the date of this file: save it anew when one of these laws changes.
_given_kw = njit(cache=True)(laws.given_kw)
_drawn_kw = njit(cache=True)(laws.drawn_kw)


class Unit(NamedTuple):
    """All banks and inverters as one.

    Attributes
    ----------
    capacity_kwh : float
    charge_kw, discharge_kw : float
        On the bus.
    into, out : float
        Energy stored over energy taken from the bus, and energy given to the bus over energy drawn.
    output_kw, input_kw : float
        Of the inverters, on the AC side.
    output_efficiency, input_efficiency : float
    import_kw, export_kw : float
        Limits of the connection.
    wear_per_kwh : float
        Of energy given to the bus. [currency/kWh]
    kept : float
        Share of the stored energy that a step of self-discharge leaves.
    hours : float
        Of a step.
    """

    capacity_kwh: float
    charge_kw: float
    discharge_kw: float
    into: float
    out: float
    output_kw: float
    input_kw: float
    output_efficiency: float
    input_efficiency: float
    import_kw: float
    export_kw: float
    wear_per_kwh: float
    kept: float
    hours: float


class Step(NamedTuple):
    """What a step meets: powers [kW], prices [currency/kWh].

    Attributes
    ----------
    load_kw, ac_solar_kw, dc_solar_kw, fixed_kw : float
    pays, gets : float
        For an imported, an exported kWh.
    ceiling_kw : float
        Import above which each kWh costs `above` more: what a demand charge makes of it.
    above : float
    """

    load_kw: float
    ac_solar_kw: float
    dc_solar_kw: float
    fixed_kw: float
    pays: float
    gets: float
    ceiling_kw: float
    above: float


@njit(cache=True)
def inverters_kw(bus_kw: float, unit: Unit) -> float:
    """What inverters give on the AC side for power drawn from the bus; below nothing, what they take for it."""
    return min(_given_kw(bus_kw, unit.output_efficiency, unit.input_efficiency), unit.output_kw)


@njit(cache=True)
def bus_of(net_kw: float, unit: Unit) -> float:
    """Power drawn from the bus for what inverters give."""
    return _drawn_kw(net_kw, unit.output_efficiency, unit.input_efficiency)


@njit(cache=True)
def money(bank_kw: float, step: Step, unit: Unit) -> float:
    """What a step earns while the store takes so much from the bus. [currency]"""
    net = inverters_kw(step.dc_solar_kw - step.fixed_kw - bank_kw, unit)
    if net < -unit.input_kw - 1e-9:
        return WORST
    meter = step.load_kw - step.ac_solar_kw - net
    if meter >= 0:
        earned = -step.pays * meter - step.above * max(meter - step.ceiling_kw, 0.0)
        if meter > unit.import_kw:
            earned -= 1e3 * (meter - unit.import_kw)
    else:
        out = -meter
        sun = step.ac_solar_kw + min(max(net, 0.0), step.dc_solar_kw * unit.output_efficiency)
        if out > unit.export_kw:
            if out - unit.export_kw > sun + 1e-9:
                return WORST
            sun -= out - unit.export_kw
            out = unit.export_kw
        if step.gets < 0:
            out -= min(sun, out)
        earned = step.gets * out
    if bank_kw < 0:
        earned += unit.wear_per_kwh * bank_kw
    return earned * unit.hours


@njit(cache=True)
def stored_kwh(bank_kw: float, unit: Unit) -> float:
    """What the store gains in a step."""
    return unit.hours * (bank_kw * unit.into if bank_kw > 0 else bank_kw / unit.out)


@njit(cache=True)
def power_kw(gained_kwh: float, unit: Unit) -> float:
    """Power on the bus at which the store gains so much in a step."""
    rate = gained_kwh / unit.hours
    return rate / unit.into if rate > 0 else rate * unit.out


@njit(cache=True)
def reach(step: Step, unit: Unit) -> tuple[float, float]:
    """The least and the most that the store can take from the bus, were it neither empty nor full. [kW]"""
    sun = step.dc_solar_kw - step.fixed_kw
    most = min(unit.charge_kw, sun - bus_of(-unit.input_kw, unit))
    least = max(-unit.discharge_kw, min(sun - bus_of(unit.output_kw, unit), most))
    return min(least, 0.0), max(most, min(0.0, least))


@njit(cache=True)
def corners(step: Step, unit: Unit, found: np.ndarray) -> None:
    """Powers of the store at which what a step is paid has its corners, into `found`. [kW]"""
    least, most = reach(step, unit)
    sun, need = step.dc_solar_kw - step.fixed_kw, step.load_kw - step.ac_solar_kw
    found[0] = sun - bus_of(need, unit)
    found[1] = 0.0
    found[2] = sun
    found[3] = least
    found[4] = most
    found[5] = sun - bus_of(need + unit.export_kw, unit)
    found[6] = sun - bus_of(need - step.ceiling_kw, unit)
    for number in range(CORNERS):
        found[number] = min(max(found[number], least), most)


@njit(cache=True, fastmath=True)
def best_of_all(step: Step, unit: Unit, after: np.ndarray, made: np.ndarray, found: np.ndarray) -> None:
    """The most from a step on, from each stored energy of the grid, into `made`.

    Parameters
    ----------
    step : Step
    unit : Unit
    after : array of shape (GRID,)
        What each energy left is worth.
    made : array of shape (GRID,)
    found : array of shape (CORNERS,)
        Room to work in.
    """
    cell = unit.capacity_kwh / (GRID - 1)
    corners(step, unit, found)
    least, most = reach(step, unit)
    for i in range(GRID):
        made[i] = WORST
    for number in range(CORNERS):
        earned = money(found[number], step, unit)
        if earned < FORBIDDEN:
            continue
        shift = stored_kwh(found[number], unit) / cell
        whole = int(np.floor(shift))
        part = shift - whole
        if part < 1e-9:
            part = 0.0
        elif part > 1 - 1e-9:
            part, whole = 0.0, whole + 1
        first, stop = max(0, -whole), min(GRID, GRID - whole - (1 if part > 0 else 0))
        if part > 0:
            for i in range(first, stop):
                value = earned + after[i + whole] * (1 - part) + after[i + whole + 1] * part
                if value > made[i]:
                    made[i] = value
        else:
            for i in range(first, stop):
                value = earned + after[i + whole]
                if value > made[i]:
                    made[i] = value
    down = min(GRID - 1, int(np.floor(-stored_kwh(least, unit) / cell + 1e-9)))
    up = min(GRID - 1, int(np.floor(stored_kwh(most, unit) / cell + 1e-9)))
    for whole in range(-down, up + 1):
        if whole == 0:
            continue
        earned = money(power_kw(whole * cell, unit), step, unit)
        if earned < FORBIDDEN:
            continue
        for i in range(max(0, -whole), min(GRID, GRID - whole)):
            value = earned + after[i + whole]
            if value > made[i]:
                made[i] = value


@njit(cache=True)
def worth_at(after: np.ndarray, stored: float, unit: Unit) -> float:
    """What a stored energy is worth, between the points of the grid."""
    place = stored / unit.capacity_kwh * (GRID - 1)
    if place <= 0:
        return float(after[0])
    whole = int(place)
    if whole >= GRID - 1:
        return float(after[GRID - 1])
    return float(after[whole] * (1 - (place - whole)) + after[whole + 1] * (place - whole))


@njit(cache=True, nogil=True)
def decide(stored: float, floor_kwh: float, step: Step, unit: Unit, after: np.ndarray) -> tuple[float, float]:
    """The best power of the store in a step, and the energy that it leaves at a mark, else below nothing.

    Returns
    -------
    (float, float)
        [kW] on the bus, [kWh].
    """
    found = np.empty(CORNERS)
    corners(step, unit, found)
    least, most = reach(step, unit)
    least = max(least, power_kw(min(floor_kwh - stored, 0.0), unit))
    most = min(most, power_kw(max(unit.capacity_kwh - stored, 0.0), unit))
    best, chosen, mark = WORST, 0.0, -1.0
    for number in range(CORNERS):
        power = min(max(found[number], least), most)
        value = money(power, step, unit)
        if value < FORBIDDEN:
            continue
        value += worth_at(after, stored + stored_kwh(power, unit), unit)
        if value > best + 1e-9:
            best, chosen = value, power
    cell = unit.capacity_kwh / (GRID - 1)
    first = max(0, int(np.floor((stored + stored_kwh(least, unit)) / cell)))
    stop = min(GRID - 1, int(np.ceil((stored + stored_kwh(most, unit)) / cell)))
    for place in range(first, stop + 1):
        power = power_kw(place * cell - stored, unit)
        if power < least or power > most:
            continue
        value = money(power, step, unit)
        if value < FORBIDDEN:
            continue
        value += after[place]
        if value > best + 1e-9:
            best, chosen, mark = value, power, place * cell
    return chosen, mark


class Samples(NamedTuple):
    """Days that may come, of shape (days, steps), and what is fixed for each step, of shape (steps,).

    Attributes
    ----------
    load_kw, ac_solar_kw, dc_solar_kw, fixed_kw : array
    pays, gets : array
        What of prices a market makes.
    regime : int array
        Price regime of each.
    weight : array of shape (days, steps)
        How much a day counts.
    pays_fixed, gets_fixed : array of shape (steps,)
        What of prices the contract says.
    floor_kwh : array of shape (steps,)
        Energy kept at the end of each step.
    ceiling_kw, above : array of shape (steps,)
        Import above which a kWh costs so much more.
    """

    load_kw: np.ndarray
    ac_solar_kw: np.ndarray
    dc_solar_kw: np.ndarray
    fixed_kw: np.ndarray
    pays: np.ndarray
    gets: np.ndarray
    regime: np.ndarray
    weight: np.ndarray
    pays_fixed: np.ndarray
    gets_fixed: np.ndarray
    floor_kwh: np.ndarray
    ceiling_kw: np.ndarray
    above: np.ndarray


class Chain(NamedTuple):
    """How price regimes follow each other: the regime of a step, and how tense the hours before it were.

    Attributes
    ----------
    part : int array of shape (steps,)
        Part of the day of each step to come.
    regime : array of shape (parts, tensions, regimes, regimes)
        How likely each regime follows each.
    tension : array of shape (parts, tensions, 2, tensions)
        How likely each tension follows each, after a price that was not high and one that was.
    high : int
        The first regime that counts as high.
    own : int
        Regimes below this are sampled by the days' own prices, those from it on by `pays` and `gets`.
    pays, gets : array of shape (regimes, points)
        Prices seen in each regime. [currency/kWh]
    """

    part: np.ndarray
    regime: np.ndarray
    tension: np.ndarray
    high: int
    own: int
    pays: np.ndarray
    gets: np.ndarray


@njit(cache=True)
def _mixed(chain: Chain, part: int, mean: np.ndarray, worth: np.ndarray) -> None:
    """What a step is worth before its regime is known, by regime and tension of the step before, into `worth`."""
    regimes, tensions = mean.shape[0], mean.shape[1]
    by_tension = np.empty((regimes, GRID))
    for tension in range(tensions):
        for high in range(2):
            for regime in range(regimes):
                by_tension[regime] = 0.0
                for other in range(tensions):
                    share = chain.tension[part, tension, high, other]
                    for i in range(GRID):
                        by_tension[regime, i] += share * mean[regime, other, i]
            for regime in range(regimes):
                if (regime >= chain.high) != (high == 1):
                    continue
                for i in range(GRID):
                    worth[regime, tension, i] = 0.0
                for other in range(regimes):
                    share = chain.regime[part, tension, regime, other]
                    if share < 1e-7:
                        continue
                    for i in range(GRID):
                        worth[regime, tension, i] += share * by_tension[other, i]


@njit(cache=True, nogil=True)
def learn(samples: Samples, chain: Chain, last: np.ndarray, unit: Unit, made: np.ndarray) -> np.ndarray:
    """Carry the worth of stored energy back over the steps to come.

    Parameters
    ----------
    samples : Samples
    chain : Chain
    last : array of shape (regimes, tensions, GRID)
        The worth after the last step, by its regime and tension.
    unit : Unit
    made : array of shape (steps, regimes, tensions, GRID)
        Gets the worth after each step, by its regime and tension, as far as it has room.

    Returns
    -------
    array of shape (regimes, tensions, GRID)
        The worth before the first step, by regime and tension of the step before it.
    """
    days, steps = samples.load_kw.shape
    regimes, tensions = last.shape[0], last.shape[1]
    worth = last.copy()
    mean, alone, found = np.empty((regimes, tensions, GRID)), np.empty(GRID), np.empty(CORNERS)
    counted = np.empty(regimes)
    cell = unit.capacity_kwh / (GRID - 1)
    for at in range(steps - 1, -1, -1):
        if at < len(made):
            made[at] = worth
        floor = samples.floor_kwh[at]
        if floor > 0:
            for i in range(GRID):
                worth[:, :, i] -= 1e2 * max(floor - i * cell, 0.0)
        mean[:], counted[:] = 0.0, 0.0
        load, ac_solar, dc_solar, fixed, total = 0.0, 0.0, 0.0, 0.0, 0.0
        for day in range(days):
            weight = samples.weight[day, at]
            load += weight * samples.load_kw[day, at]
            ac_solar += weight * samples.ac_solar_kw[day, at]
            dc_solar += weight * samples.dc_solar_kw[day, at]
            fixed += weight * samples.fixed_kw[day, at]
            total += weight
            regime = samples.regime[day, at]
            if regime >= chain.own or weight <= 0:
                continue
            step = Step(
                samples.load_kw[day, at],
                samples.ac_solar_kw[day, at],
                samples.dc_solar_kw[day, at],
                samples.fixed_kw[day, at],
                samples.pays_fixed[at] + samples.pays[day, at],
                samples.gets_fixed[at] + samples.gets[day, at],
                samples.ceiling_kw[at],
                samples.above[at],
            )
            counted[regime] += weight
            for tension in range(tensions):
                best_of_all(step, unit, worth[regime, tension], alone, found)
                for i in range(GRID):
                    mean[regime, tension, i] += weight * alone[i]
        for regime in range(regimes):
            if counted[regime] > 0:
                mean[regime] /= counted[regime]
                continue
            points = chain.pays.shape[1]
            for point in range(points):
                step = Step(
                    load / total,
                    ac_solar / total,
                    dc_solar / total,
                    fixed / total,
                    samples.pays_fixed[at] + chain.pays[regime, point],
                    samples.gets_fixed[at] + chain.gets[regime, point],
                    samples.ceiling_kw[at],
                    samples.above[at],
                )
                for tension in range(tensions):
                    best_of_all(step, unit, worth[regime, tension], alone, found)
                    for i in range(GRID):
                        mean[regime, tension, i] += alone[i] / points
        _mixed(chain, chain.part[at], mean, worth)
        if unit.kept < 1:
            for regime in range(regimes):
                for tension in range(tensions):
                    alone[:] = worth[regime, tension]
                    for i in range(GRID):
                        worth[regime, tension, i] = worth_at(alone, unit.kept * i * cell, unit)
        worth -= worth[0, 0, 0]
    return worth
