"""What gives way at the connection: inverter powers and AC solar that keep its limits, for many rows at once.

A row is a case of one step, or a step. Phases are moved within what their own single-phase units can do, so a
set of nets that keeps every limit is known before any unit is asked for anything.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from optimiser.equipment.site import Site
from optimiser.terms.data import InputData

NEAR = 1e-11  # what rounding may leave of a limit [kW]


class Connected:
    """The connection's limits and what is on each phase.

    Parameters
    ----------
    site : Site
    data : InputData
    load_kw : array of shape (steps, phases)
        What each phase draws whatever is decided. [kW]
    """

    def __init__(self, site: Site, data: InputData, load_kw: np.ndarray):
        phases = site.phase_names
        self.load_kw = load_kw
        self.netted = site.phases == 1 or site.registers == "netted"
        self.share = _shares(site, site.inverter)
        self.ac_share = _shares(site, site.ac_solar)
        self.own = np.where(self.share == 1.0, 1.0, 0.0)
        self.ac_own = np.where(self.ac_share == 1.0, 1.0, 0.0)
        self.common = self.own.sum(axis=1) == 0
        self.ac_common = self.ac_own.sum(axis=1) == 0
        self.shared = bool(self.common.any() or self.ac_common.any())
        self.low_kw, self.high_kw = np.full(load_kw.shape, -np.inf), np.full(load_kw.shape, np.inf)
        self.imbalance_kw: float | None = None
        for limit in site.net_limits(data):
            if limit.of_all:
                self.import_kw, self.export_kw = limit.most_in_kw, limit.most_out_kw
            elif limit.phase:
                self._bound(phases.index(limit.phase), -limit.most_out_kw, limit.most_in_kw)
            else:
                self.imbalance_kw = float(limit.most_in_kw.min())
        for number, phase in enumerate(phases):
            for line in (line for line in site.through(data, phase) if line.in_line):
                self._bound(number, line.lowest_net_kw, line.highest_net_kw)

    def _bound(self, number: int, low: Any, high: Any) -> None:
        self.low_kw[:, number] = np.maximum(self.low_kw[:, number], low)
        self.high_kw[:, number] = np.minimum(self.high_kw[:, number], high)

    def nets(self, step: Any, net: np.ndarray, used: np.ndarray) -> np.ndarray:
        """Net import of each phase, of shape (rows, phases). [kW]"""
        phases: np.ndarray = self.load_kw[step] - net @ self.share - used @ self.ac_share
        return phases

    def registers(self, phases: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Import and export of all registers, of shape (rows,). [kW]"""
        if self.netted:
            total = phases.sum(axis=1)
            return np.maximum(total, 0.0), np.maximum(-total, 0.0)
        return np.maximum(phases, 0.0).sum(axis=1), np.maximum(-phases, 0.0).sum(axis=1)

    def broken(self, step: Any, phases: np.ndarray) -> np.ndarray:
        """The most by which nets break a limit, of shape (rows,). [kW]"""
        total = phases.sum(axis=1)
        worst = np.maximum(total - self.import_kw[step], -self.export_kw[step] - total)
        worst = np.maximum(
            worst, np.maximum(phases - self.high_kw[step], self.low_kw[step] - phases).max(axis=1)
        )
        if self.imbalance_kw is not None:
            worst = np.maximum(worst, phases.max(axis=1) - phases.min(axis=1) - self.imbalance_kw)
        made: np.ndarray = np.maximum(worst, 0.0)
        return made


def at_connection(
    connected: Connected,
    step: Any,
    wanted: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    ac_most: np.ndarray,
    ac_least: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Powers near the wanted ones that keep the connection's limits.

    Parameters
    ----------
    connected : Connected
    step : int or slice
        One step for all rows, or a step a row.
    wanted, low, high : array of shape (rows, inverters)
        Output less input, and its bounds. [kW]
    ac_most, ac_least : array of shape (rows, systems)
        AC solar that may be used, and what of it cannot be made to give way. [kW]

    Returns
    -------
    (array, array, array)
        Output less input, AC solar used, and by how much a limit is broken because nothing can keep it. [kW]
    """
    net, used = np.clip(wanted, low, high), ac_most
    phases = connected.nets(step, net, used)
    broken = connected.broken(step, phases)
    if not (broken > NEAR).any():
        return net, used, np.zeros(len(net))
    if connected.shared:
        net, used = _shared(connected, step, net, used, low, high, ac_least)
        phases = connected.nets(step, net, used)
    net, used = _by_phase(connected, step, net, used, low, high, ac_least, phases)
    return net, used, connected.broken(step, connected.nets(step, net, used))


def _by_phase(
    connected: Connected,
    step: Any,
    net: np.ndarray,
    used: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    ac_least: np.ndarray,
    phases: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Move each phase by its own units to the nearest nets that keep phase, imbalance and whole."""
    own, ac_own = connected.own, connected.ac_own
    reach_low = phases - (high - net) @ own
    reach_high = phases + (net - low) @ own + (used - ac_least) @ ac_own
    box_low = np.minimum(np.maximum(connected.low_kw[step], reach_low), reach_high)
    box_high = np.maximum(np.minimum(connected.high_kw[step], reach_high), reach_low)
    target = np.clip(phases, box_low, box_high)
    bottom, top = box_low, box_high
    if (most := connected.imbalance_kw) is not None:
        bottom = np.maximum(box_low, box_low.max(axis=1, keepdims=True) - most)
        top = np.minimum(box_high, box_high.min(axis=1, keepdims=True) + most)
        spread = target.max(axis=1) - target.min(axis=1)
        # The highest and the lowest phase meet half way, unless one of them cannot.
        middle = (target.max(axis=1) + target.min(axis=1) - most) / 2
        base = np.clip(
            middle, box_low.max(axis=1) - most, np.maximum(box_high.min(axis=1), box_low.max(axis=1) - most)
        )
        closer = np.clip(target, base[:, None], base[:, None] + most)
        target = np.where((spread > most)[:, None], closer, target)
    total = target.sum(axis=1)
    for limit, end in ((connected.import_kw[step], bottom), (-connected.export_kw[step], top)):
        change, room = total - limit, total - end.sum(axis=1)
        wrong = change > 0 if end is bottom else change < 0
        share = np.divide(change, room, out=np.zeros(len(room)), where=wrong & (np.abs(room) > NEAR))
        target = target + np.clip(share, 0.0, 1.0)[:, None] * (end - target)
        total = target.sum(axis=1)
    return _given(connected, net, used, low, high, ac_least, target - phases)


def _given(
    connected: Connected,
    net: np.ndarray,
    used: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    ac_least: np.ndarray,
    change: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Move the net import of phases by their own units: towards nothing first, then AC solar, then beyond."""
    own, ac_own = connected.own, connected.ac_own
    less, more = np.maximum(change, 0.0), np.maximum(-change, 0.0)
    net, less = _part(net, np.minimum(net, 0.0), own, less)
    used, less = _part(used, ac_least, ac_own, less)
    net, _ = _part(net, low, own, less)
    net, more = _part(net, np.maximum(net, 0.0), own, more)
    net, _ = _part(net, high, own, more)
    return net, used


def _part(
    powers: np.ndarray, ends: np.ndarray, own: np.ndarray, asked: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Bring powers towards their ends by what phases ask, each by its share of the room; and what is still asked."""
    room = np.abs(ends - powers) @ own
    taken = np.minimum(asked, room)
    share = np.divide(taken, room, out=np.zeros_like(room), where=room > 0)
    return powers + (ends - powers) * (share @ own.T), asked - taken


def _shared(
    connected: Connected,
    step: Any,
    net: np.ndarray,
    used: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    ac_least: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Move what feeds all phases alike, once what is on single phases has gone as far as the same order allows.

    First units go to nothing, then solar gives way, then units go beyond.
    """
    own, count = connected.own, connected.load_kw.shape[1]
    common, ac_common = connected.common, connected.ac_common
    for reach in ("nothing", "solar", "all"):
        # Import that is left too high, or export, once the phases' own units have gone as far as `reach` says.
        phases = connected.nets(step, net, used)
        up_to = high if reach == "all" else np.maximum(net, 0.0)
        down_to = low if reach == "all" else np.minimum(net, 0.0)
        given_way = 0.0 if reach == "nothing" else (used - ac_least) @ connected.ac_own
        highest = phases + (net - np.minimum(down_to, net)) @ own + given_way
        less = count * (connected.low_kw[step] - highest).max(axis=1)
        less = np.maximum(np.maximum(less, -connected.export_kw[step] - highest.sum(axis=1)), 0.0)
        if reach == "solar":
            used, _ = _whole(used, np.where(ac_common, ac_least, used), less)
            continue
        least = phases - (np.maximum(up_to, net) - net) @ own
        more = count * (least - connected.high_kw[step]).max(axis=1)
        more = np.maximum(np.maximum(more, least.sum(axis=1) - connected.import_kw[step]), 0.0)
        net, _ = _whole(net, np.where(common, down_to, net), less)
        net, _ = _whole(net, np.where(common, up_to, net), more)
    return net, used


def _whole(powers: np.ndarray, ends: np.ndarray, asked: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    room = np.abs(ends - powers).sum(axis=1)
    taken = np.minimum(asked, room)
    share = np.divide(taken, room, out=np.zeros_like(room), where=room > 0)
    return powers + (ends - powers) * share[:, None], asked - taken


def _shares(site: Site, parts: Any) -> np.ndarray:
    rows = [[site.share(part, phase) for phase in site.phase_names] for part in parts]
    return np.array(rows, float).reshape(len(rows), site.phases)
