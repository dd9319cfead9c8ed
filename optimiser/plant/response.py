"""The plant as it stands in a plan, and what it can do from there: physics alone, none of the plan's rules.

Voltages follow the stored energy by the square root, currents are power over voltage, losses are those of the power
that flows. Signs: inverters and banks positive outwards (to the AC side, to the bus), phases positive for import.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from optimiser.columns import of_ac_solar, of_controller
from optimiser.dispatch import Dispatch
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.binding import Margin, Through
from optimiser.equipment.inverter import Inverter
from optimiser.equipment.laws import current_a, drawn_kw
from optimiser.equipment.limits import INVERTER_DC_A, INVERTER_KW, STORAGE_A, STORAGE_KW, STORED_KWH
from optimiser.equipment.storage import bank_on_bus
from optimiser.equipment.voltage import voltage_at

HALVINGS = 30  # of the interval in which the power is looked for that storage can follow
NEGLIGIBLE = 1e-9


@dataclass(frozen=True)
class Response:
    """What the plant does at one moment.

    Attributes
    ----------
    given_kw : float
        Change of all inverters' AC power from the plan, positive outwards. [kW]
    inverter_kw, bank_kw, solar_kw : dict of str to float
        AC power of inverters, bus power of banks, bus power of solar controllers. [kW]
    rates_kw : dict of str to float
        How much faster than planned each bank's stored energy falls. [kW]
    limited_by : str
        What kept the response from what was wanted; empty if nothing did.
    margins : dict of str to float
        What is left to each limit, negative where it is broken; only limits that the site has.
    """

    given_kw: float
    inverter_kw: Mapping[str, float]
    bank_kw: Mapping[str, float]
    solar_kw: Mapping[str, float]
    rates_kw: Mapping[str, float]
    limited_by: str
    margins: Mapping[str, float]


@dataclass(frozen=True)
class _Point:
    """A place that power passes, and the share of each inverter's power that passes it."""

    name: str
    room_kw: float
    shares: Mapping[str, float]


@dataclass(frozen=True)
class _Reach:
    """Bus power between which a bank can be, and the limits that say so. [kW]"""

    lowest_kw: float
    highest_kw: float
    lowest_limit: str
    highest_limit: str


class CalledPlant:
    """A site at the set-points of its plan.

    Parameters
    ----------
    dispatch : Dispatch
    """

    def __init__(self, dispatch: Dispatch):
        self.dispatch, self.scenario = dispatch, dispatch.scenario
        self.site, self.banks = self.scenario.site, self.scenario.storage
        self.hours = self.scenario.timeline.step_hours
        self.steps = self.scenario.timeline.steps
        self.data = data = self.scenario.data
        site, flows = self.site, dispatch.flows
        self.inverter_kw = {n: f.output_kw - f.input_kw for n, f in flows.inverters.items()}
        self.bank_kw = {n: f.discharge_kw - f.charge_kw for n, f in flows.banks.items()}
        self.solar_kw = {
            c.name: dispatch.values[of_controller(c.name, "solar_kw")] for c in site.solar_controller
        }
        # Flexible loads go on as planned: no call counts on them.
        self.load_kw = {
            p: sum(
                (site.share(f, p) * flows.flexible[f.name].power_kw for f in site.flexible_load),
                site.load_kw(data, p),
            )
            for p in site.phase_names
        }
        self.through = [line for p in site.phase_names for line in site.through(data, p)]
        self.net_limits = site.net_limits(data)
        self.bus_currents = site.bus_currents(data)
        # From the parts, since the plan's own figure counts the activation that it expects on average.
        self.net_kw = {
            p: self.load_kw[p]
            - sum(
                (site.share(s, p) * dispatch.values[of_ac_solar(s.name, "solar_kw")] for s in site.ac_solar),
                np.zeros(self.steps),
            )
            - sum((site.share(i, p) * self.inverter_kw[i.name] for i in site.inverter), np.zeros(self.steps))
            for p in site.phase_names
        }
        # What the plan expects services to drain on average; in an event they are called in full or not at all.
        self.expected_kw = {
            n: (f.kept_kwh - f.end_kwh) / self.hours + f.filling_kw - f.draining_kw
            for n, f in flows.banks.items()
        }
        self.floor_kwh = dict(
            zip(
                (b.name for b in self.banks),
                site.floor_kwh(data, self.banks),
                strict=True,
            )
        )

    @cached_property
    def on_bus(self) -> Any:
        """The bank that fixes the bus voltage, or None."""
        return bank_on_bus(self.banks)

    def stored_kwh(self, moment: float) -> dict[str, float]:
        """Energy that the plan holds at a moment: the start's less its self-discharge until then, and the flows. [kWh]

        Parameters
        ----------
        moment : float
            Hours since the first step.
        """
        step = min(int(moment / self.hours + NEGLIGIBLE), self.steps - 1)
        hours = moment - step * self.hours
        stored = {}
        for bank in self.banks:
            flow = self.dispatch.flows.banks[bank.name]
            moved = float(flow.end_kwh[step] - flow.kept_kwh[step]) * hours / self.hours
            stored[bank.name] = float(flow.start_kwh[step]) * bank.kept(hours) + moved
        return stored

    def least_kwh(self, moment: float) -> dict[str, float]:
        """Energy kept for backup at a moment; where the floor rises, it counts from the end of that step. [kWh]"""
        step = min(int(moment / self.hours + NEGLIGIBLE), self.steps - 1)
        at_edge = moment / self.hours - step < NEGLIGIBLE
        least = {}
        for name, floor in self.floor_kwh.items():
            before = floor[step - 1] if step else min(floor[0], self.stored_kwh(0.0)[name])
            least[name] = float(before if at_edge else min(before, floor[step]))
        return least

    def respond(
        self,
        moment: float,
        hours: float,
        moved_kwh: Mapping[str, float],
        wanted_kw: float,
        lasting_hours: float,
        *,
        called: bool,
    ) -> Response:
        """What the plant does from `moment` on for `hours`, within one step of the plan.

        Parameters
        ----------
        moment, hours : float
            Start, since the first step, and length. [h]
        moved_kwh : dict of str to float
            Energy that each bank holds beyond the plan. [kWh]
        wanted_kw : float
            Change of AC power that is wanted, positive outwards. [kW]
        lasting_hours : float
            How long it may be wanted, so that banks share it in proportion to what they can last. [h]
        called : bool
            Services are called: what the plan expects of them on average does not run beside.
        """
        step = min(int(moment / self.hours + NEGLIGIBLE), self.steps - 1)
        planned = self.stored_kwh(moment)
        stored = {n: planned[n] + moved_kwh[n] for n in planned}
        volts = self._bus_volts(stored)
        solar = self._solar(step, volts)
        lost = sum(float(self.solar_kw[n][step]) - kw for n, kw in solar.items())
        spared = {n: float(kw[step]) if called else 0.0 for n, kw in self.expected_kw.items()}
        reaches = {
            b.name: self._reach(
                b, step, moment, hours, stored[b.name], moved_kwh[b.name] + spared[b.name] * hours
            )
            for b in self.banks
        }
        base = sum(float(kw[step]) for kw in self.bank_kw.values()) + lost
        lowest = sum(r.lowest_kw for r in reaches.values())
        highest = sum(r.highest_kw for r in reaches.values())

        def asked(change: float) -> tuple[dict[str, float], str, float]:
            given, limit = self._spread(step, volts, change)
            return given, limit, base + self._bus_change(step, given)

        given, limit, need = asked(wanted_kw)
        enduring = lowest
        if called and wanted_kw < 0:
            enduring = max(lowest, self._taken_throughout(moment, stored, lasting_hours))
        if need < enduring - NEGLIGIBLE:
            # What storage cannot take until the call ends, the sun need not bring.
            cut = min(enduring - need, sum(solar.values()))
            solar = {n: kw - cut * kw / sum(solar.values()) if kw else 0.0 for n, kw in solar.items()}
            base += cut
            need += cut
        if not lowest - NEGLIGIBLE <= need <= highest + NEGLIGIBLE:
            up = need > highest
            names = {r.highest_limit if up else r.lowest_limit for r in reaches.values()} or {"no storage"}
            limit = ", ".join(sorted(names))
            good = self._furthest(step, volts, not up)
            bad = sum(given.values())
            for _ in range(HALVINGS):
                middle = (good + bad) / 2
                outside = asked(middle)[2] > highest if up else asked(middle)[2] < lowest
                good, bad = (good, middle) if outside else (middle, bad)
            given, _, need = asked(good)
        banks = self._share_banks(step, reaches, need, moved_kwh, moment, lasting_hours)
        inverters = {n: float(kw[step]) + given[n] for n, kw in self.inverter_kw.items()}
        rates = {
            b.name: self._rate(b, banks[b.name], stored[b.name])
            - self._rate(b, float(self.bank_kw[b.name][step]), stored[b.name])
            - spared[b.name]
            for b in self.banks
        }
        total = sum(given.values())
        short = abs(wanted_kw - total) > 1e-6
        return Response(
            total,
            inverters,
            banks,
            solar,
            rates,
            limit if short else "",
            self._margins(step, volts, stored, inverters, banks, given),
        )

    def _bus_volts(self, stored: Mapping[str, float]) -> float:
        bank = self.on_bus
        if bank is None:
            return self.site.lowest_bus_voltage(self.banks)
        return float(voltage_at(bank, stored[bank.name]))

    def _solar(self, step: int, volts: float) -> dict[str, float]:
        """What the controllers bring to the bus: planned, or what their current allows at the voltage there is."""
        found = {}
        for c in self.site.solar_controller:
            found[c.name] = min(
                float(self.solar_kw[c.name][step]), self._by_current("site.solar_controller", c.name, volts)
            )
        return found

    def _by_current(self, owner: str, part: str, volts: float, *, out: bool = True) -> float:
        """Power on the bus that a part's own current limits allow. [kW]"""
        own = [
            c.most_kw(volts)
            for c in self.bus_currents
            if (c.limit.owner, c.part, c.out) == (owner, part, out)
        ]
        return float(min(own, default=math.inf))

    def _bus_change(self, step: int, given: Mapping[str, float]) -> float:
        """Power that a change of the inverters asks of the bus. [kW]"""
        return sum(
            _dc_kw(i, float(self.inverter_kw[i.name][step]) + given[i.name])
            - _dc_kw(i, float(self.inverter_kw[i.name][step]))
            for i in self.site.inverter
        )

    def _spread(self, step: int, volts: float, wanted_kw: float) -> tuple[dict[str, float], str]:
        """Share a change over the inverters in proportion to their room; what limited it, if anything did.

        Inverters of one phase and of three share the room of phases, so two orders are tried and the better taken.
        """
        up = bool(wanted_kw >= 0)
        rooms, names = {}, {}
        for inverter in self.site.inverter:
            rooms[inverter.name], names[inverter.name] = self._inverter_room(inverter, step, volts, up)
        points = self._points(step, up)
        all_three = [i.name for i in self.site.inverter if i.phase == "all"]
        single = [i.name for i in self.site.inverter if i.phase != "all"]
        orders = [[[*all_three, *single]]]
        if all_three and single:
            orders += [[all_three, single], [single, all_three]]
        best: tuple[dict[str, float], str] = ({}, "")
        for order in orders:
            found = _fill(abs(wanted_kw), rooms, names, points, order)
            if not best[0] or sum(found[0].values()) > sum(best[0].values()) + NEGLIGIBLE:
                best = found
        sign = 1.0 if up else -1.0
        return {name: sign * kw for name, kw in best[0].items()}, best[1]

    def _furthest(self, step: int, volts: float, up: bool) -> float:
        """The furthest change that inverters and connection allow. [kW]"""
        return sum(self._spread(step, volts, 1e6 if up else -1e6)[0].values())

    def _inverter_room(self, inverter: Any, step: int, volts: float, up: bool) -> tuple[float, str]:
        now = float(self.inverter_kw[inverter.name][step])
        on_bus = self._by_current("site.inverter", inverter.name, volts, out=up)
        if up:
            rating, current = inverter.output_kw, on_bus * inverter.output_efficiency
        else:
            rating, current = inverter.input_kw, on_bus / inverter.input_efficiency
        margin = INVERTER_KW if rating <= current else INVERTER_DC_A
        return max(0.0, min(rating, current) - (now if up else -now)), margin.stops

    def _points(self, step: int, up: bool) -> list[_Point]:
        """What is left at the connection, its phases and inverters in line."""
        site, sign, points = self.site, 1.0 if up else -1.0, []
        nets = {phase: float(net[step]) for phase, net in self.net_kw.items()}
        for limit in self.net_limits:
            shares = {i.name: limit.net_kw({p: site.share(i, p) for p in nets}) for i in site.inverter}
            shares = {name: share for name, share in shares.items() if share}
            for side, out, most in limit.sides:
                if out == up and side.margin is not None and side.margin.stops:
                    room = float(most[step]) + sign * limit.net_kw(nets)
                    points.append(_Point(side.margin.stops, room, shares))
        for line in self.through:
            shares = {line.inverter: line.share}
            if line.in_line:
                shares = {
                    i.name: site.share(i, line.phase) for i in site.inverter if site.share(i, line.phase)
                }
            stops = line.limit.margin.stops if line.limit.margin else line.limit.words
            through = self._through_kw(
                line, step, nets, {n: float(kw[step]) for n, kw in self.inverter_kw.items()}
            )
            points.append(_Point(stops, line.limit_kw + sign * through, shares))
        return points

    @staticmethod
    def _through_kw(
        line: Through, step: int, nets: Mapping[str, float], inverters: Mapping[str, float]
    ) -> float:
        """What passes an inverter's AC side on a phase, inwards. [kW]"""
        if line.in_line:
            return nets[line.phase] - float(line.before_kw[step])
        return -line.share * inverters[line.inverter]

    def _reach(
        self, bank: StorageBank, step: int, moment: float, hours: float, stored: float, moved: float
    ) -> _Reach:
        """Bus power between which a bank can be for `hours`: power, current at its voltage, stored energy."""
        name, conversion = bank.name, bank.converter_efficiency
        volts = float(voltage_at(bank, stored))
        now = self._rate(bank, float(self.bank_kw[name][step]), stored)
        after = self.stored_kwh(moment + hours)[name] + moved
        highest, lowest = (
            [(STORAGE_KW.stops, bank.discharge_limit_kw)],
            [(STORAGE_KW.stops, bank.charge_limit_kw)],
        )
        if (current := bank.current(out=True)) is not None:
            highest.append((STORAGE_A.stops, current.most_kw(volts) * conversion))
        if (current := bank.current(out=False)) is not None:
            lowest.append((STORAGE_A.stops, current.most_kw(volts) / conversion))
        spare = (after - self.least_kwh(moment + hours)[name]) / hours
        highest.append((STORED_KWH.stops, self._power_at(bank, now + spare, stored)))
        left = (bank.capacity_kwh - after) / hours
        lowest.append((STORED_KWH.stops, -self._power_at(bank, now - left, stored)))
        most, least = min(highest, key=lambda pair: pair[1]), min(lowest, key=lambda pair: pair[1])
        return _Reach(min(-least[1], most[1]), most[1], least[0], most[0])

    def _rate(self, bank: StorageBank, bus_kw: float, stored: float) -> float:
        """Rate at which stored energy falls at a bus power, losses at the voltage there is. [kW]"""
        conversion, volts = bank.converter_efficiency, float(voltage_at(bank, stored))
        if bus_kw >= 0:
            return bank.drained_kw(bus_kw / conversion, volts)
        return -bank.stored_kw(-bus_kw * conversion, volts)

    def _power_at(self, bank: StorageBank, rate_kw: float, stored: float) -> float:
        """Bus power at which stored energy falls at a rate. [kW]"""
        most = bank.discharge_limit_kw if rate_kw >= 0 else -bank.charge_limit_kw
        if abs(rate_kw) >= abs(self._rate(bank, most, stored)):
            return most
        bus = rate_kw
        for _ in range(8):
            reached = self._rate(bank, bus, stored) if abs(bus) > NEGLIGIBLE else bus
            bus = bus * rate_kw / reached if abs(reached) > NEGLIGIBLE else rate_kw
        return bus

    def _share_banks(
        self,
        step: int,
        reaches: Mapping[str, _Reach],
        need_kw: float,
        moved_kwh: Mapping[str, float],
        moment: float,
        lasting_hours: float,
    ) -> dict[str, float]:
        """Share the bus power over the banks: first what each can keep up, then what each can do at all."""
        banks = {
            n: min(max(float(self.bank_kw[n][step]), r.lowest_kw), r.highest_kw) for n, r in reaches.items()
        }
        if len(banks) == 1:
            name, reach = next(iter(reaches.items()))
            return {name: min(max(need_kw, reach.lowest_kw), reach.highest_kw)}
        for enduring in (True, False):
            missing = need_kw - sum(banks.values())
            if abs(missing) <= NEGLIGIBLE:
                break
            rooms = {}
            for bank in self.banks:
                reach, now = reaches[bank.name], banks[bank.name]
                room = reach.highest_kw - now if missing > 0 else now - reach.lowest_kw
                if enduring:
                    energy = self._energy_left(bank, moment, moved_kwh[bank.name], missing > 0)
                    room = min(room, max(0.0, energy / max(lasting_hours, NEGLIGIBLE)))
                rooms[bank.name] = max(0.0, room)
            whole = sum(rooms.values())
            if whole <= NEGLIGIBLE:
                continue
            share = min(1.0, abs(missing) / whole) * math.copysign(1.0, missing)
            banks = {n: kw + share * rooms[n] for n, kw in banks.items()}
        return banks

    def _taken_throughout(self, moment: float, stored: Mapping[str, float], lasting_hours: float) -> float:
        """Bus power at which the banks would just be full when a call ends, negative. [kW]"""
        hours = max(lasting_hours, NEGLIGIBLE)
        return sum(
            self._power_at(bank, -max(0.0, bank.capacity_kwh - stored[bank.name]) / hours, stored[bank.name])
            for bank in self.banks
        )

    def _energy_left(self, bank: StorageBank, moment: float, moved: float, up: bool) -> float:
        stored = self.stored_kwh(moment)[bank.name] + moved
        if up:
            return (stored - self.least_kwh(moment)[bank.name]) * bank.least_efficiency[1]
        return bank.capacity_kwh - stored

    def _margins(
        self,
        step: int,
        volts: float,
        stored: Mapping[str, float],
        inverters: Mapping[str, float],
        banks: Mapping[str, float],
        given: Mapping[str, float],
    ) -> dict[str, float]:
        """What is left to every limit that the site has, from the powers that flow."""
        margins: dict[str, float] = {}

        def note(margin: Margin | None, left: float) -> None:
            if margin is not None:
                margins[margin.name] = min(margins.get(margin.name, math.inf), left)

        site, on_bus_kw = (
            self.site,
            {("site.solar_controller", n): float(kw[step]) for n, kw in self.solar_kw.items()},
        )
        for i in site.inverter:
            kw = inverters[i.name]
            note(INVERTER_KW, i.output_kw - kw if kw >= 0 else i.input_kw + kw)
            on_bus_kw["site.inverter", i.name] = _dc_kw(i, kw)
        for current in self.bus_currents:
            kw = on_bus_kw[current.limit.owner, current.part]
            if current.out == (kw >= 0):
                note(current.limit.margin, current.amperes - current_a(abs(kw), volts))
        for bank in self.banks:
            kw, conversion = banks[bank.name], bank.converter_efficiency
            note(STORAGE_KW, bank.discharge_limit_kw - kw if kw >= 0 else bank.charge_limit_kw + kw)
            if (at_terminals := bank.current(out=kw >= 0)) is not None:
                at_bank = kw / conversion if kw >= 0 else -kw * conversion
                own = current_a(at_bank, float(voltage_at(bank, stored[bank.name])))
                note(at_terminals.limit.margin, at_terminals.amperes - own)
        nets = {
            p: float(net[step]) - sum(site.share(i, p) * given[i.name] for i in site.inverter)
            for p, net in self.net_kw.items()
        }
        for limit in self.net_limits:
            net = limit.net_kw(nets)
            for side, out, most in limit.sides:
                note(side.margin, float(most[step]) + (net if out else -net))
        for line in self.through:
            passing = current_a(abs(self._through_kw(line, step, nets, inverters)), line.volts)
            note(line.limit.margin, line.amperes - passing)
        return margins


def _dc_kw(inverter: Inverter, ac_kw: float) -> float:
    """What an inverter draws from the bus, negative where it brings. [kW]"""
    return drawn_kw(ac_kw, inverter.output_efficiency, inverter.input_efficiency)


def _fill(
    wanted_kw: float,
    rooms: Mapping[str, float],
    names: Mapping[str, str],
    points: list[_Point],
    order: list[list[str]],
) -> tuple[dict[str, float], str]:
    """Raise inverters together, in proportion to their room, until all is given or a limit stops each of them."""
    given = dict.fromkeys(rooms, 0.0)
    left = [max(0.0, point.room_kw) for point in points]
    limits: set[str] = set()
    for members in order:
        active = {name for name in members if rooms[name] > NEGLIGIBLE}
        limits |= {names[name] for name in members if rooms[name] <= NEGLIGIBLE}
        while active and wanted_kw - sum(given.values()) > NEGLIGIBLE:
            pace = {name: rooms[name] for name in active}
            fraction = (wanted_kw - sum(given.values())) / sum(pace.values())
            fraction = min([fraction, *((rooms[n] - given[n]) / pace[n] for n in active)])
            loads = [sum(point.shares.get(n, 0.0) * pace[n] for n in active) for point in points]
            fraction = min([fraction, *(room / load for room, load in zip(left, loads, strict=True) if load)])
            for name in active:
                given[name] += fraction * pace[name]
            left = [max(0.0, room - fraction * load) for room, load in zip(left, loads, strict=True)]
            full = {n for n in active if rooms[n] - given[n] <= NEGLIGIBLE}
            limits |= {names[n] for n in full}
            for point, room in zip(points, left, strict=True):
                if room <= NEGLIGIBLE and active & point.shares.keys():
                    limits.add(point.name)
                    full |= active & point.shares.keys()
            active -= full
    short = wanted_kw - sum(given.values()) > 1e-6
    return given, ", ".join(sorted(limits)) if short else ""
