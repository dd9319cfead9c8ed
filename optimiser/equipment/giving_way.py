"""Solar that gives way by itself: the limits of the connection that it obeys, and what it holds back for each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import numpy as np

from optimiser.columns import of_export_room, of_held_back
from optimiser.equipment.site import Site
from optimiser.equipment.solar import AcSolar
from optimiser.terms.data import InputData
from optimiser.terms.verbs import Terms


@dataclass(frozen=True, eq=False)
class Obeyed:
    """A limit of the connection that solar on the AC side adds to.

    Attributes
    ----------
    words : str
        Where it is.
    weights : dict of str to float
        How the signed powers of phases count: out of a phase, or out of one and into another. [-]
    limit_kw : array of shape (steps,)
        The most of their sum that may flow out.
    """

    words: str
    weights: dict[str, float]
    limit_kw: np.ndarray

    def part(self, by_phase: Mapping[str, float]) -> float:
        """What the limit sees of a power that is spread over phases so; negative where it makes room. [-]"""
        return sum(weight * by_phase[phase] for phase, weight in self.weights.items())


def giving_way(
    available_kw: Mapping[str, np.ndarray],
    shares: Mapping[str, Mapping[str, float]],
    load_kw: Mapping[str, np.ndarray],
    beside_kw: Mapping[str, float],
    limits: Iterable[Obeyed],
) -> dict[str, np.ndarray]:
    """Solar that gives way by itself: all that add to a limit in proportion, limit after limit, and no further.

    Parameters
    ----------
    available_kw : dict of str to array of shape (steps,)
        Power that the sun allows, by system. [kW]
    shares : dict of str to dict of str to float
        Part of each system's power on each phase. [-]
    load_kw : dict of str to array of shape (steps,)
        By phase. [kW]
    beside_kw : dict of str to float
        What else may be taken on a phase that another one is held against. [kW]
    limits : iterable of Obeyed

    Returns
    -------
    dict of str to array of shape (steps,)
        What each gives. [kW]

    References
    ----------
    .. [1] A solar inverter that keeps an export limit throttles itself by what its meter sees: common practice, no
       source.
    """
    given = dict(available_kw)
    for limit in limits:
        spare = limit.limit_kw.copy()
        for phase, weight in limit.weights.items():
            spare = spare + weight * (load_kw[phase] + (beside_kw.get(phase, 0.0) if weight < 0 else 0.0))
        seen = {name: limit.part(by_phase) for name, by_phase in shares.items()}
        spare = spare - sum((part * given[name] for name, part in seen.items() if part < 0), 0.0 * spare)
        added = sum((part * given[name] for name, part in seen.items() if part > 0), 0.0 * spare)
        left = np.divide(spare, added, out=np.ones_like(added), where=added > np.maximum(spare, 0.0))
        for name in [name for name, part in seen.items() if part > 0]:
            given[name] = given[name] * np.clip(left, 0.0, 1.0)
    return given


def obeyed(site: Site, data: InputData) -> tuple[Obeyed, ...]:
    """The limits of the connection that existing solar has always obeyed."""
    phases, alone, against = site.phase_names, [], {}
    for limit in site.net_limits(data):
        if limit.phase and np.isfinite(limit.most_out_kw).all():
            alone.append(Obeyed(limit.words, dict(limit.weights), limit.most_out_kw))
        elif limit.of_pair:
            for one, other in permutations(limit.weights):
                weights = {one: 1.0, other: -1.0}
                against[one, other] = Obeyed(f"phase {one} against {other}", weights, limit.most_out_kw)
    whole = Obeyed("the connection", dict.fromkeys(phases, 1.0), data.values(site.connection.export_limit_kw))
    return *alone, *(against[pair] for pair in permutations(phases, 2) if pair in against), whole


def _adds_to(site: Site, system: AcSolar, limit: Obeyed) -> float:
    """Part of a system's power that a limit of the connection sees. [-]"""
    return max(0.0, limit.part({phase: site.share(system, phase) for phase in site.phase_names}))


def given_before_kw(site: Site, data: InputData) -> dict[str, np.ndarray]:
    """AC power of each existing system in the case before, each of shape (steps,). [kW]"""
    needs = {phase: site.needs_before_kw(data, phase) for phase in site.phase_names}
    return _within_limits(site, data, [s for s in site.ac_solar if s.existing], needs, {})


def least_given_kw(site: Site, data: InputData) -> dict[str, np.ndarray]:
    """What existing systems that nobody commands give at the least, each of shape (steps,). [kW]

    As much as limits let them give beside the load alone: whatever the new system takes in is room for more, and it
    never pushes them aside. On a phase against another, what inverters may take in on the other is left free.
    """
    loads = {phase: site.load_kw(data, phase) for phase in site.phase_names}
    inputs = {
        phase: sum(site.share(i, phase) * i.input_kw for i in site.inverter) for phase in site.phase_names
    }
    return _within_limits(site, data, [s for s in site.ac_solar if s.gives_way_alone], loads, inputs)


def _within_limits(
    site: Site,
    data: InputData,
    systems: list[AcSolar],
    loads: dict[str, np.ndarray],
    taken: dict[str, float],
) -> dict[str, np.ndarray]:
    """Solar that gives way, all that add to a limit in proportion, until every limit is kept."""
    limits = obeyed(site, data)
    # What gives way for the whole connection may tilt the phases again.
    limits += tuple(limit for limit in limits if min(limit.weights.values()) < 0)
    available = {s.name: s.available(data) for s in systems}
    shares = {s.name: {phase: site.share(s, phase) for phase in site.phase_names} for s in systems}
    return giving_way(available, shares, loads, taken, limits)


def held_back(
    site: Site,
    terms: Terms,
    nets: dict[str, Any],
    ac_solar: dict[str, Any],
    least: dict[str, np.ndarray],
    activated_most_kw: float,
) -> dict[str, Any]:
    """The rule that solar nobody commands gives way to a limit only while that limit is reached.

    What a system holds back is split by the limits that it may owe it to; of each part and the room that is left
    to its limit only one is above zero.
    """
    if not least:
        return {}
    most_in, most_out = site.phase_most_kw(terms, activated_most_kw)
    parts: dict[str, list[Any]] = {name: [] for name in least}
    for limit in obeyed(site, terms):
        adding = [s for s in site.ac_solar if s.name in least and _adds_to(site, s, limit)]
        if not adding:
            continue
        room_most = limit.limit_kw + sum(
            w * most_in[phase] if w > 0 else -w * most_out[phase] for phase, w in limit.weights.items()
        )
        spare = of_export_room(limit.words)
        room = terms.column(spare, at_most=room_most)
        net = sum(weight * nets[phase] for phase, weight in limit.weights.items())
        terms.equal(f"export room of {limit.words}", room, terms.series(limit.limit_kw) + net)
        for s in adding:
            most = s.available(terms) - least[s.name]
            column = of_held_back(s.name, limit.words)
            parts[s.name].append(terms.column(column, at_most=most))
            terms.one_direction(f"{s.name} giving way at {limit.words}", column, spare, most, room_most)
    for s in site.ac_solar:
        if s.name in least:
            available = terms.series(s.available(terms))
            terms.equal(f"what {s.name} holds back", ac_solar[s.name] + sum(parts[s.name]), available)
    return {name: sum(owed) for name, owed in parts.items()}


def held_back_kw(
    site: Site, data: InputData, given: dict[str, np.ndarray], nets: dict[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """The columns of giving way for a schedule that is known: each system's owed to the limit with the least room.

    Parameters
    ----------
    site : Site
    data : InputData
    given : dict of str to array
        AC power of each system. [kW]
    nets : dict of str to array
        Signed power of each phase, import positive. [kW]
    """
    made: dict[str, np.ndarray] = {}
    rooms = {
        limit: limit.limit_kw + sum(w * nets[phase] for phase, w in limit.weights.items())
        for limit in obeyed(site, data)
    }
    for system in site.ac_solar:
        if not system.gives_way_alone:
            continue
        adding = [limit for limit in rooms if _adds_to(site, system, limit)]
        tightest = np.argmin([rooms[limit] for limit in adding], axis=0)
        held = system.available(data) - given[system.name]
        for number, limit in enumerate(adding):
            made[of_export_room(limit.words)] = np.maximum(rooms[limit], 0.0)
            made[of_held_back(system.name, limit.words)] = np.where(tightest == number, held, 0.0)
    return made
