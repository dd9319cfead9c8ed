"""A site cut off from the grid, followed step by step from every start at once: plain simulation, no schedule.

It knows the same ratings, currents, voltages and losses as the schedule, and no price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.columns import of_dc_load
from optimiser.equipment.backup import Backup
from optimiser.equipment.inverter import Inverter
from optimiser.equipment.laws import power_kw, standby_kw, volts_of
from optimiser.equipment.site import Site
from optimiser.plant.stores import SPARE_KWH, Stores
from optimiser.scenario.file import Scenario
from optimiser.terms.data import InputData

LASTS, RATING, EMPTY, LIMIT = range(4)
ENDINGS = (
    "lasts as long as it is followed",
    "load above the inverters' rating",
    "stored energy used up",
    "power or current limit of the DC side",
)
HALVINGS = 40  # of a step: far below a second


@dataclass(frozen=True)
class Rides:
    """How long the critical load lasts, for outages that begin in several steps.

    Attributes
    ----------
    hours : array of shape (starts,)
        At most as long as outages are followed. [h]
    ending : int array of shape (starts,)
        Place in `ENDINGS`.
    """

    hours: np.ndarray
    ending: np.ndarray

    def share_lasting(self, hours: float) -> float:
        """Share of the starts that last at least `hours`. [-]"""
        return float(np.mean(self.hours >= hours - 1e-9))


@dataclass(frozen=True)
class Island:
    """What an outage meets in each step.

    Attributes
    ----------
    step_hours : float
    critical_kw, rating_kw : dict of str to array or float
        By phase: load that must stay on, of shape (steps,), and the continuous rating behind it. [kW]
    overloaded : bool array of shape (steps,)
        Where a phase asks for more than its rating.
    shed_below : array of shape (sheds,)
        Shares of all stored energy below which DC loads are disconnected, falling.
    drawn_kw : array of shape (sheds + 1, steps)
        What the inverters, standby and DC loads draw from the bus, less what solar on the AC side brings to it: with
        all loads, then after each shedding. [kW]
    least_volts : array of shape (sheds + 1, steps)
        Bus voltage below which an inverter's DC current would be too high, or a load's peak could not be carried. [V]
    solar_kw : array of shape (sources, steps)
        What arrays could bring to the bus, and loads give back to it. [kW]
    solar_limit_a : array of shape (sources,)
        Infinite where there is no limit. [A]
    source_lasts : bool array of shape (sheds + 1, sources)
        Whether a source is still there after each shedding.
    stores : Stores
    """

    step_hours: float
    critical_kw: dict[str, np.ndarray]
    rating_kw: dict[str, float]
    overloaded: np.ndarray
    shed_below: np.ndarray
    drawn_kw: np.ndarray
    least_volts: np.ndarray
    solar_kw: np.ndarray
    solar_limit_a: np.ndarray
    source_lasts: np.ndarray
    stores: Stores

    @property
    def steps(self) -> int:
        """Steps of the timeline."""
        return int(self.drawn_kw.shape[1])

    def shed(self, held: np.ndarray) -> np.ndarray:
        """How often loads were shed at the energies held, int of shape (starts,)."""
        share = held.sum(axis=1) / self.stores.capacity_kwh.sum()
        made: np.ndarray = (share[:, None] < self.shed_below - 1e-12).sum(axis=1)
        return made

    def solar_at(self, steps: np.ndarray, shed: np.ndarray, volts: np.ndarray) -> np.ndarray:
        """Power of sources that reaches the bus in `steps` at `volts`, of shape (starts,). [kW]"""
        limits = power_kw(self.solar_limit_a[:, None], volts)
        found = np.minimum(self.solar_kw[:, steps], limits) * self.source_lasts[shed].T
        made: np.ndarray = found.sum(axis=0)
        return made


def island_of(scenario: Scenario, backup: Backup) -> Island:
    """The scenario's site with the grid away.

    A phase's load is shared by its inverters in proportion to their ratings, as units in parallel share it.
    """
    site, data = scenario.site, scenario.data
    steps = scenario.timeline.steps
    critical = {phase: backup.critical_kw(data, site, phase) for phase in site.phase_names}
    rating = {phase: sum(site.share(i, phase) * i.output_kw for i in site.inverter) for phase in critical}
    solar = {phase: _ac_solar(site, data, phase, steps, backup.ac_solar) for phase in critical}
    rest = {phase: np.maximum(critical[phase] - solar[phase], 0.0) for phase in critical}
    beyond = {phase: np.maximum(solar[phase] - critical[phase], 0.0) for phase in critical}
    draws = [_draw(site, inverter, rest, rating) for inverter in site.inverter]
    volts = np.zeros(steps)
    for inverter, draw in zip(site.inverter, draws, strict=True):
        for current in (c for c in inverter.bus_currents() if c.out):
            volts = np.maximum(volts, volts_of(draw, current.amperes))
    lowest = site.lowest_bus_voltage(scenario.storage)
    brought = sum((_brought(site, inverter, beyond, lowest) for inverter in site.inverter), np.zeros(steps))
    sources = site.bus_sources(data)
    limited = [
        min([limit.amperes for limit in c.bus_currents()], default=np.inf) for c in site.solar_controller
    ]
    below = np.array(sorted({load.shed_below for load in site.dc_load if load.shed_below}, reverse=True))
    standby = standby_kw(site.inverter, scenario.storage)
    needs, least_volts, lasts = [], [], []
    for limit in (np.inf, *below):
        running = [load for load in site.dc_load if load.shed_below is None or load.shed_below < limit]
        needs.append(sum((data.values(load.power_kw) for load in running), np.full(steps, standby)))
        peak = site.peak(data, scenario.storage, running)
        least_volts.append(volts if peak is None else np.maximum(volts, peak.open_v))
        gone = {of_dc_load(load.name, "regenerated_kw") for load in site.dc_load if load not in running}
        lasts.append([name not in gone for name in sources])
    return Island(
        scenario.timeline.step_hours,
        critical,
        rating,
        np.any([rest[phase] > rating[phase] + 1e-9 for phase in critical], axis=0),
        below,
        np.array(needs) + sum(draws, np.zeros(steps)) - brought,
        np.array(least_volts),
        np.array(list(sources.values())).reshape(len(sources), steps),
        np.array([*limited, *[np.inf] * (len(sources) - len(limited))]),
        np.array(lasts, bool).reshape(len(below) + 1, len(sources)),
        Stores(scenario.storage, scenario.timeline, lowest, site.floor_kwh(data, scenario.storage)),
    )


def _ac_solar(site: Site, data: InputData, phase: str, steps: int, runs: bool) -> np.ndarray:
    parts = [site.share(s, phase) * s.available(data) for s in site.ac_solar if runs]
    return sum(parts, np.zeros(steps))


def _draw(
    site: Site, inverter: Inverter, rest: dict[str, np.ndarray], rating: dict[str, float]
) -> np.ndarray:
    """What an inverter draws from the bus for its share of every phase's load. [kW]"""
    output = np.zeros(len(next(iter(rest.values()))))
    for phase, load in rest.items():
        if rating[phase]:
            output = output + site.share(inverter, phase) * inverter.output_kw / rating[phase] * load
    return output / inverter.output_efficiency


def _brought(site: Site, inverter: Inverter, beyond: dict[str, np.ndarray], volts: float) -> np.ndarray:
    """What an inverter brings to the bus of solar on the AC side that no load takes. [kW]"""
    total = np.zeros(len(next(iter(beyond.values()))))
    for phase, power in beyond.items():
        into = sum(site.share(other, phase) * other.input_kw for other in site.inverter)
        if into:
            total = total + site.share(inverter, phase) * inverter.input_kw / into * np.minimum(power, into)
    total = total * inverter.input_efficiency
    for current in (c for c in inverter.bus_currents() if not c.out):
        total = np.minimum(total, current.most_kw(volts))
    return total


def follow(island: Island, stored_kwh: np.ndarray, first: np.ndarray, hours: float) -> Rides:
    """Follow outages from several starts at once.

    Parameters
    ----------
    island : Island
    stored_kwh : array of shape (banks, starts)
        Usable energy held when the outage begins; the reserve may be used. [kWh]
    first : int array of shape (starts,)
        Step in which it begins. After the timeline's last step its first comes again.
    hours : float
        How far it is followed. [h]

    Returns
    -------
    Rides

    Notes
    -----
    DC loads with `shed_below` are off in steps that begin with less, and from the start of one that cannot be carried
    with them. Within a step powers are constant, so the moment at which the store can give no more is found exactly.
    Solar current limits use the lower voltage of the step's ends, as the schedule does. Several banks give in
    proportion to the energy they hold, each within its limits, so that none is left behind.

    References
    ----------
    .. [1] With one bank, constant load and no sun it is the autonomy formula of stand-alone systems, usable energy x
       efficiency / (load + standby); common practice, no source.
    """
    step = island.step_hours
    lasted, ending = np.full(len(first), float(hours)), np.full(len(first), LASTS)
    stores, alive = island.stores, np.arange(len(first))
    held = np.array(stored_kwh, float).reshape(len(stores.banks), len(first)).T
    for ahead in range(int(np.ceil(hours / step - 1e-9))):
        now = (first[alive] + ahead) % island.steps
        kept = stores.kept * held
        shed, whole = island.shed(kept), np.full(len(now), step)
        wanted = _wanted(island, now, shed, kept)
        held_next, holds = _through(island, now, shed, kept, wanted, whole)
        if len(island.shed_below) and not holds.all():
            shed = np.where(holds, shed, len(island.shed_below))
            wanted = _wanted(island, now, shed, kept)
            held_next, holds = _through(island, now, shed, kept, wanted, whole)
        holds &= ~island.overloaded[now]
        ended = np.flatnonzero(~holds)
        if len(ended):
            part, why = _end(island, now[ended], shed[ended], kept[ended], wanted[ended])
            lasted[alive[ended]] = np.minimum(hours, ahead * step + part)
            ending[alive[ended]] = np.where(ahead * step + part >= hours, LASTS, why)
            alive, held_next = alive[holds], held_next[holds]
        held = held_next
        if not len(alive):
            break
    return Rides(lasted, ending)


def _wanted(island: Island, now: np.ndarray, shed: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """What the bus asks of its banks in a step. [kW]"""
    volts = _lower_volts(island, now, shed, kept)
    made: np.ndarray = island.drawn_kw[shed, now] - island.solar_at(now, shed, volts)
    return made


def _lower_volts(island: Island, now: np.ndarray, shed: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """The lower of the bus voltages at the start and, by a first guess, at the end of a step."""
    volts = island.stores.voltage_by_law(kept)
    if not np.isfinite(island.solar_limit_a).any():
        return volts
    wanted = island.drawn_kw[shed, now] - island.solar_at(now, shed, volts)
    after, _ = _through(island, now, shed, kept, wanted, np.full(len(now), island.step_hours))
    made: np.ndarray = np.minimum(volts, island.stores.voltage_by_law(after))
    return made


def _through(
    island: Island,
    now: np.ndarray,
    shed: np.ndarray,
    kept: np.ndarray,
    wanted: np.ndarray,
    hours: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Energy held after `hours` of a step, and whether what is wanted of the banks can be given throughout."""
    stores, least_v = island.stores, island.least_volts[shed, now]
    given_most = stores.most_given(kept, hours, least_v)
    most = given_most.sum(axis=1)
    holds = wanted <= most + 1e-9
    # Solar alone cannot hold up a bus whose voltage is too low for the inverters, nor a bank that is not there.
    holds &= least_v <= stores.voltage_by_law(kept) + 1e-9
    bank_kw = -_by_energy(np.clip(wanted, 0, most), kept, given_most)
    surplus = np.maximum(-wanted, 0.0)
    if surplus.any():
        # In proportion to what each can take; the rest is curtailed.
        bank_kw = bank_kw + stores.shared_out(surplus, np.zeros_like(kept), stores.most_taken(kept))
    return np.maximum(kept + hours[:, None] * stores.rates(bank_kw, kept, hours), 0.0), holds


def _by_energy(wanted: np.ndarray, kept: np.ndarray, most: np.ndarray) -> np.ndarray:
    """What each bank gives: in proportion to the energy it holds, so that all last as long, within its own most."""
    capped = np.zeros(kept.shape, bool)
    given = np.zeros(kept.shape)
    for _ in range(kept.shape[1]):
        weight = np.where(capped, 0.0, kept + SPARE_KWH)
        rest = wanted - np.where(capped, most, 0.0).sum(axis=1)
        whole = weight.sum(axis=1)[:, None]
        shares = np.divide(weight * rest[:, None], whole, out=np.zeros(kept.shape), where=whole > 0)
        given = np.where(capped, most, shares)
        capped |= given > most
    made: np.ndarray = np.minimum(given, most)
    return made


def _end(
    island: Island, now: np.ndarray, shed: np.ndarray, kept: np.ndarray, wanted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """When in a step an outage ends [h], and why."""
    low, high = np.zeros(len(now)), np.full(len(now), island.step_hours)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        _, holds = _through(island, now, shed, kept, wanted, middle)
        low, high = np.where(holds, middle, low), np.where(holds, high, middle)
    over = island.overloaded[now]
    part = np.where(over, 0.0, low)
    left, _ = _through(island, now, shed, kept, wanted, part)
    empty = left.sum(axis=1) <= 1e-6 * island.stores.capacity_kwh.sum()
    return part, np.where(over, RATING, np.where(empty, EMPTY, LIMIT))
