"""Plain self-consumption: cover the site's own load from sun and store, store what sun is left, and nothing else."""

from __future__ import annotations

import numpy as np

from optimiser.plant.walk import Orders, Plant, State


class OwnUse:
    """A controller that keeps the meter at nothing as far as the plant can.

    Where the meter nets the phases (or there is one), the inverters together cover the whole load, each its own phase
    first. Where each phase has registers of its own, each inverter keeps to its phase, and a three-phase one gives no
    more than the phase of the least load needs. Surplus sun is fed in once the store is full.

    Parameters
    ----------
    plant : Plant

    Notes
    -----
    What an inverter does out of the box. Common practice, no source.
    """

    def __init__(self, plant: Plant):
        self.plant = plant
        self.wanted_kw = own_load(plant)

    def __call__(self, step: int, state: State) -> Orders:
        """What is wanted in a step."""
        return Orders(self.wanted_kw[step], feed_surplus=True)


def own_load(plant: Plant) -> np.ndarray:
    """What each inverter gives (takes where negative) to cover the load, of shape (steps, inverters). [kW]"""
    connected = plant.connected
    need = plant.load_kw - plant.ac_kw @ connected.ac_share
    wanted = np.zeros((plant.steps, len(plant.output_kw)))
    for rating, sign in ((plant.output_kw, 1.0), (plant.input_kw, -1.0)):
        asked = np.maximum(sign * need, 0.0)
        own = connected.own
        room = rating @ own
        given = np.minimum(asked, room)
        mine = np.divide(given, room, out=np.zeros_like(given), where=room > 0) @ own.T * rating
        common = connected.common * rating
        if common.any():
            left = sign * need - mine @ own
            least = left.min(axis=1) * need.shape[1] if not connected.netted else left.sum(axis=1)
            mine += np.outer(np.clip(least / common.sum(), 0.0, 1.0), common)
        if connected.netted:
            # What one phase has left over, or cannot cover, is the others': the meter sees the sum.
            mine = _summing_to(mine, rating, np.maximum(sign * need.sum(axis=1), 0.0))
        wanted += sign * mine
    return wanted


def _summing_to(powers: np.ndarray, ratings: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Powers raised or lowered, each by its share of the room, so that they sum to a total as far as ratings go."""
    change = total - powers.sum(axis=1)
    room = np.where(change[:, None] > 0, ratings - powers, powers)
    whole = room.sum(axis=1)
    share = np.divide(change, whole, out=np.zeros(len(whole)), where=whole > 0)
    moved: np.ndarray = powers + room * np.clip(share, -1.0, 1.0)[:, None]
    return moved
