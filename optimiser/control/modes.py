"""What a device is told to do, in one vocabulary: modes with limits, which it carries out by its own meter.

A device holds a mode, not a power. Within a step it sees its own load, sun and stored energy, so what a forecast got
wrong is the store's to make good as far as it can, not the meter's. Timed rules, the worth of stored energy and plans
all hand down these modes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np

from optimiser.control.own_use import own_load
from optimiser.plant.walk import Orders, Plant, State

ALL = "all"  # groups of inverters


class Mode(IntEnum):
    """The modes, with what each does to the store.

    All stop at a mark, a share of the usable energy: those that take power at the mark as a ceiling, those that give it
    at the mark as a floor. Common practice, no source; the names are this project's or the trade's.
    """

    COVER_LOAD = 0  # the meter near zero, from sun and store; store what sun is left
    CHARGE = 1  # from the grid at up to x kW until y % full, then kept that full at least
    FEED_OUT = 2  # cover the load, and feed out up to x kW on top of it, down to y %
    HOLD = 3  # the store rests; sun that the load leaves is fed in
    SAVE_SUN = 4  # store what sun is left before any is fed in; the load beyond it is the grid's
    EXPORT_FIRST = 5  # cover the load from the store; sun that is left is fed in rather than stored
    CUT_PEAKS = 6  # as hold, but the store gives what the load takes above x kW of import


WORDS = {
    Mode.COVER_LOAD: "cover own load",
    Mode.CHARGE: "charge from the grid",
    Mode.FEED_OUT: "feed out",
    Mode.HOLD: "hold",
    Mode.SAVE_SUN: "save sun",
    Mode.EXPORT_FIRST: "export first",
    Mode.CUT_PEAKS: "cut peaks",
}


@dataclass(frozen=True)
class Told:
    """Modes of a step, with their limits.

    Attributes
    ----------
    mode : int array of shape (cases, groups)
        Of each group of inverters that may be told something of its own (`apart`).
    power_kw : array of shape (cases, groups)
        Taken from the grid for the store, fed out on top of the load, or the import above which peaks are cut.
    mark : array of shape (cases, groups)
        Share of the usable energy at which the mode stops. [-]
    no_export : bool or array of shape (cases,)
        Whether sun that neither load nor store can take is held back, since to feed it in would cost money.
    """

    mode: np.ndarray
    power_kw: np.ndarray
    mark: np.ndarray
    no_export: Any = False


class Device:
    """Carries out modes on a plant, many cases at once.

    Parameters
    ----------
    plant : Plant
    """

    def __init__(self, plant: Plant):
        self.plant = plant
        self.own_kw = own_load(plant)
        self.names, self.members = apart(plant)
        stores = plant.stores
        self.capacity_kwh = float(stores.capacity_kwh.sum())
        # One-way efficiencies at low power, as an inverter that meters its store reckons.
        self.into = np.mean([curve.at_low_power for curve in stores.charging]) if stores.banks else 1.0
        self.out = np.mean([1 / curve.at_low_power for curve in stores.discharging]) if stores.banks else 1.0
        self.input_share = np.stack([share_of(plant.input_kw * member) for member in self.members])
        self.output_share = np.stack([share_of(plant.output_kw * member) for member in self.members])

    def orders(self, step: np.ndarray | int, state: State, told: Told) -> Orders:
        """What modes want of the inverters in a step; inner arrays have the shape (cases, groups)."""
        plant, members, cases = self.plant, self.members, len(state.stored_fraction)
        mode = told.mode
        own = np.broadcast_to(self.own_kw[step], (cases, len(plant.output_kw)))
        feed = ~np.broadcast_to(told.no_export, (cases,))
        if not (mode.any() or told.mark.any()):
            return Orders(own, feed_surplus=feed, hold_back=told.no_export)
        power, mark = told.power_kw, told.mark
        stored = (state.stored_fraction * plant.stores.capacity_kwh).sum(axis=1)
        surplus = np.broadcast_to(state.dc_solar_kw - state.fixed_kw, (cases,))[:, None]
        beyond = (stored[:, None] - mark * self.capacity_kwh) / plant.hours
        load = own @ members.T
        below = (mode == Mode.CHARGE) & (beyond < 0)
        # Taken from the grid: what fills the store to its mark, less what the sun brings.
        asked = np.where(below, power, 0.0)
        room = np.maximum(-beyond / self.into - surplus, 0.0) / plant.in_efficiency.mean()
        charging = -np.minimum(asked, room * _parts(asked)) @ self.input_share
        # Given: what the store holds above its mark, and the sun, shared by what each group needs.
        feeding = mode == Mode.FEED_OUT
        needs = np.maximum(load, 0.0) + np.where(feeding, power, 0.0)
        most = np.maximum(np.maximum(beyond, 0.0) * self.out + surplus, 0.0) * plant.out_efficiency.mean()
        most = most * _parts(needs)
        holding = own * (_ratio(np.minimum(load, most), load) @ members)
        extra = np.where(beyond > 0, np.clip(most - load, 0.0, power), 0.0)
        room_kw = np.maximum(plant.output_kw - np.maximum(own, 0.0), 0.0)
        giving = own + (extra / np.maximum(room_kw @ members.T, 1e-9)) @ members * room_kw
        wanted = np.where((mode == Mode.COVER_LOAD) @ members > 0, holding, own)
        wanted = np.where(below @ members > 0, charging, wanted)
        wanted = np.where(((mode == Mode.CHARGE) & ~below) @ members > 0, holding, wanted)
        wanted = np.where(feeding @ members > 0, giving, wanted)
        if (mode >= Mode.HOLD).any():
            wanted = self._resting(wanted, own, mode, power, beyond, surplus)
        return Orders(wanted, feed_surplus=feed, hold_back=told.no_export)

    def _resting(
        self,
        wanted: np.ndarray,
        own: np.ndarray,
        mode: np.ndarray,
        power: np.ndarray,
        beyond: np.ndarray,
        surplus: np.ndarray,
    ) -> np.ndarray:
        """Modes in which the store, or one direction of it, rests: what flows past it is the sun's and the bus's."""
        plant, members = self.plant, self.members
        share = share_of(members.sum(axis=1))
        past = np.where(
            surplus > 0, surplus * plant.out_efficiency.mean(), surplus / plant.in_efficiency.mean()
        )
        past = past * share
        by = np.where(past > 0, 1.0, 0.0)
        idle = (past * by) @ self.output_share + (past * (1 - by)) @ self.input_share
        # What sun is left fills the store to its mark, and no further.
        until = np.maximum(-beyond, 0.0) / self.into * share
        fed = np.maximum(surplus * share - until, 0.0) * plant.out_efficiency.mean()
        room = np.maximum(until - surplus * share, 0.0) / plant.in_efficiency.mean()
        load = own @ members.T
        saved = np.minimum(np.maximum(load, -room), np.maximum(past, 0.0))
        saved = np.maximum(saved, np.minimum(fed, past))
        spare = (np.maximum(beyond, 0.0) * self.out * share + surplus * share) * plant.out_efficiency.mean()
        covered = np.maximum(np.minimum(np.maximum(load, past), np.maximum(spare, past)), past)
        cut = np.maximum(np.minimum(load - power, np.maximum(spare, past)), past)
        for one, target in (
            (Mode.SAVE_SUN, saved),
            (Mode.EXPORT_FIRST, covered),
            (Mode.CUT_PEAKS, cut),
        ):
            told = mode == one
            if told.any():
                spread = (
                    np.maximum(target, 0.0) @ self.output_share + np.minimum(target, 0.0) @ self.input_share
                )
                wanted = np.where(told @ members > 0, spread, wanted)
        return np.where((mode == Mode.HOLD) @ members > 0, idle, wanted)


def apart(plant: Plant) -> tuple[tuple[str, ...], np.ndarray]:
    """Groups of inverters that may be told something of their own, and who is in them, of shape (groups, inverters).

    Only where each phase has registers of its own do phases differ in what a kWh is worth.
    """
    site, connected = plant.scenario.site, plant.connected
    there = tuple(name for n, name in enumerate(site.phase_names) if connected.own[:, n].any())
    if connected.netted or connected.common.any() or len(there) < 2:
        return (ALL,), np.ones((1, len(plant.output_kw)))
    return there, connected.own[:, [site.phase_names.index(name) for name in there]].T


def _parts(amounts: np.ndarray) -> np.ndarray:
    """The share of each group in a sum; even shares of nothing."""
    whole = amounts.sum(axis=1, keepdims=True)
    even = np.full_like(amounts, 1 / amounts.shape[1])
    made: np.ndarray = np.divide(amounts, whole, out=even, where=whole > 0)
    return made


def _ratio(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """The part of the load that is given; all of it where the sun has more than the load."""
    made: np.ndarray = np.divide(part, whole, out=np.ones_like(whole), where=whole > 1e-9)
    return made


def share_of(ratings: np.ndarray) -> np.ndarray:
    """Each one's part of a sum; nothing of nothing."""
    return ratings / ratings.sum() if ratings.sum() else ratings
