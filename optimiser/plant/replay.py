"""An event walked through at fine steps: what the plant gives, what is left to each limit, and what it costs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimiser.dispatch import Dispatch
from optimiser.equipment.limits import STORED_KWH
from optimiser.flows import MeterFlows
from optimiser.plant.events import Event
from optimiser.plant.response import CalledPlant
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms

FINE_SECONDS = 10.0
MOST_MOMENTS = 1500  # of one event; longer ones are walked in longer steps
RECOVERY_HOURS = 24.0
SHORT_KW = 1e-3
MOVED_KWH = 1e-3


@dataclass(frozen=True)
class Replayed:
    """What came of an event.

    Attributes
    ----------
    event : Event
    step : int
        Step of the plan in which it starts.
    wanted_kw, delivered_kw : float
        Largest power wanted; the part of it that was there at the worst moment: wanted less the largest shortfall.
        [kW]
    short_kw : float
        Largest shortfall. [kW]
    short_kwh : float
        Energy wanted and not given. [kWh]
    leak_kwh : float
        Self-discharge of full banks in a step, on the AC side: the rules look at what is left after it. [kWh]
    beyond : str
        Why the plan's rules do not promise what was short; empty where they do. "after its step": power after the step
        of the offer, energy after the steps that the rules cover. "controller current": solar controllers carry less at
        the voltage that a call leaves, and storage had to stand in.
    limited_by : str
        What caused the largest shortfall.
    given_kwh : float
        Energy given beyond the plan on the AC side; negative: taken. [kWh]
    stored_kwh : float
        Change of stored energy from the plan when the event ends. [kWh]
    margins : dict of str to float
        The least that was left to each limit.
    solar_lost_kwh : float
        Solar power that controllers could not bring in at the voltage that was left. [kWh]
    energy_amount : float
        What the event's energy brings at the meter or at its own price, demand included. [currency]
    demand_amount : float
        The part of it that is demand charges, before tax. [currency]
    recovery_amount : float
        What it brings, mostly negative, to get back to the plan, demand included. [currency]
    recovery_demand_amount : float
        The part of it that is demand charges, before tax. [currency]
    recovery_hours : float
        Until the stored energy is back on the plan; nan where it is not within a day. [h]
    left_amount : float
        Worth of the stored energy that is still missing then. [currency]
    """

    event: Event
    step: int
    wanted_kw: float
    delivered_kw: float
    short_kw: float
    short_kwh: float
    leak_kwh: float
    beyond: str
    limited_by: str
    given_kwh: float
    stored_kwh: float
    margins: dict[str, float]
    solar_lost_kwh: float
    energy_amount: float
    demand_amount: float
    recovery_amount: float
    recovery_demand_amount: float
    recovery_hours: float
    left_amount: float

    @property
    def kept(self) -> bool:
        """Whether all that was wanted was given, but for what self-discharge takes in a step."""
        return self.short_kw <= SHORT_KW or self.short_kwh <= self.leak_kwh

    @property
    def raised_amount(self) -> float:
        """Demand charges, of the event and of the way back together; negative: more to pay. [currency]"""
        return self.demand_amount + self.recovery_demand_amount

    @property
    def amount(self) -> float:
        """What the event brings in all, apart from availability; negative: a cost. [currency]"""
        return self.energy_amount + self.recovery_amount + self.left_amount


class _Change:
    """What an event changes at the meter: kWh per phase and fine step, put into the registers when asked."""

    def __init__(self, plant: CalledPlant):
        self._plant = plant
        self._parts: dict[int, list[tuple[float, dict[str, float]]]] = {}

    def add(self, step: int, hours: float, inverters: dict[str, float]) -> None:
        """Note a change of inverters' power for some hours."""
        site = self._plant.site
        kw = {p: sum(site.share(i, p) * inverters[i.name] for i in site.inverter) for p in site.phase_names}
        self._parts.setdefault(step, []).append((hours, kw))

    def meter(self) -> MeterFlows:
        """The registers with the change: what was planned, and what the change adds while it lasts."""
        plant = self._plant
        dispatch, site = plant.dispatch, plant.site
        planned = dispatch.flows.meter
        imported, exported = np.array(planned.import_kw, float), np.array(planned.export_kw, float)
        nets = {p: point.net_import_kw for p, point in dispatch.flows.phases.items()}
        for step, parts in self._parts.items():
            for hours, change in parts:
                before = [float(nets[p][step]) for p in site.phase_names]
                after = [now - change[p] for now, p in zip(before, site.phase_names, strict=True)]
                if site.phases == 1 or site.registers == "netted":
                    before, after = [sum(before)], [sum(after)]
                share = hours / plant.hours
                imported[step] += share * sum(
                    max(a, 0) - max(b, 0) for a, b in zip(after, before, strict=True)
                )
                exported[step] += share * sum(
                    max(-a, 0) - max(-b, 0) for a, b in zip(after, before, strict=True)
                )
        return MeterFlows(
            imported,
            exported,
            np.maximum(planned.import_most_kw, imported),
            np.maximum(planned.export_most_kw, exported),
            planned.load_kw,
        )


class EventReplay:
    """A plan, ready to have events walked through it.

    Parameters
    ----------
    dispatch : Dispatch
    fine_seconds : float
        Length of a fine step. [s]
    """

    def __init__(self, dispatch: Dispatch, fine_seconds: float = FINE_SECONDS):
        self.plant, self.dispatch = CalledPlant(dispatch), dispatch
        self._fine_hours = fine_seconds / 3600
        self._planned_bill = self._bill(dispatch.flows.meter)
        self._peaks = self._highest_imports()

    def walk(self, event: Event) -> Replayed:
        """Walk one event through the plan.

        The controller holds the plan's set-points and adds what is wanted. Where the plan itself moves the way of the
        call, less is added: a response counts from the plan, or from the power at which the event found the plant,
        whichever asks for less.
        """
        plant, hours = self.plant, self.plant.hours
        step = min(int(event.start_hours / hours + 1e-9), plant.steps - 1)
        found = sum(float(kw[step]) for kw in plant.inverter_kw.values())
        moved = {bank.name: 0.0 for bank in plant.banks}
        change = _Change(plant)
        margins: dict[str, float] = {}
        most = worst = short_kwh = given_kwh = lost_kwh = amount = 0.0
        limited, later, upwards = "", True, False
        for start, end in self._moments(event):
            now = min(int(start / hours + 1e-9), plant.steps - 1)
            length, elapsed = end - start, start - event.start_hours
            wanted = event.wanted_kw(elapsed + length / 2)
            sign = 1.0 if wanted >= 0 else -1.0
            planned = sum(float(kw[now]) for kw in plant.inverter_kw.values())
            already = max(0.0, sign * (planned - found))
            asked = max(0.0, abs(wanted) - already)
            answer = plant.respond(start, length, moved, sign * asked, event.hours - elapsed, called=True)
            short = max(0.0, asked - sign * answer.given_kw)
            most, upwards = max(most, abs(wanted)), upwards or wanted > 0
            if short > SHORT_KW:
                short_kwh += short * length
                later &= now > step + self._held_steps(event, answer.limited_by)
                if short > worst:
                    limited = answer.limited_by
            worst = max(worst, short)
            for name, left in answer.margins.items():
                margins[name] = min(margins.get(name, math.inf), left)
            for name, rate in answer.rates_kw.items():
                moved[name] -= rate * length
            self._note_energy(margins, moved, end, sign)
            lost_kwh += length * sum(float(plant.solar_kw[n][now]) - kw for n, kw in answer.solar_kw.items())
            given_kwh += answer.given_kw * length
            share, price = self._settled_at(event, elapsed + length / 2, now)
            amount += answer.given_kw * length * price
            metered = {
                n: share * (kw - float(plant.inverter_kw[n][now])) for n, kw in answer.inverter_kw.items()
            }
            change.add(now, length, metered)
        end = min(event.start_hours + event.hours, plant.steps * hours)
        stored = sum(moved.values())
        with_event = self._bill(change.meter())
        recovery = self._recover(end, moved, change)
        with_all = self._bill(change.meter())
        return Replayed(
            event,
            step,
            most,
            most - worst,
            worst,
            short_kwh,
            self._leak_kwh(),
            self._beyond(later, worst, short_kwh, lost_kwh if upwards else 0.0),
            limited,
            given_kwh,
            stored,
            margins,
            lost_kwh,
            amount + float(with_event[0] - self._planned_bill[0]),
            float(with_event[1] - self._planned_bill[1]),
            float(with_all[0] - with_event[0]),
            float(with_all[1] - with_event[1]),
            recovery,
            self._worth(moved, end + (RECOVERY_HOURS if math.isnan(recovery) else recovery)),
        )

    def _beyond(self, later: bool, worst_kw: float, short_kwh: float, lost_kwh: float) -> str:
        if worst_kw <= SHORT_KW:
            return ""
        if later:
            return "after its step"
        return (
            "controller current" if short_kwh <= lost_kwh + self._leak_kwh() and lost_kwh > MOVED_KWH else ""
        )

    def _leak_kwh(self) -> float:
        """Self-discharge of full banks in a step, as AC energy that would fill it again. [kWh]"""
        through = min((i.input_efficiency for i in self.plant.site.inverter), default=1.0)
        return sum(
            b.capacity_kwh * (1 - b.kept(self.plant.hours)) / (through * b.least_efficiency[0])
            for b in self.plant.banks
        )

    def _moments(self, event: Event) -> list[tuple[float, float]]:
        """Starts and ends of fine steps, cut where the plan or what is wanted changes."""
        hours, start = self.plant.hours, event.start_hours
        end = min(start + event.hours, self.plant.steps * hours)
        fine = max(self._fine_hours, (end - start) / MOST_MOMENTS)
        edges = {start, end, *(start + call.hours for call in event.calls)}
        edges |= {start + edge for edge in event.edges_hours}
        edges |= set(np.arange(start, end, fine).tolist())
        edges |= {
            step * hours for step in range(math.ceil(start / hours), math.floor(end / hours + 1e-9) + 1)
        }
        kept = [edge for edge in sorted(edges) if start <= edge <= end]
        cut = [kept[0]]
        for edge in kept[1:]:
            # Two edges a hair apart are one, the later of them, so that a step's end stays exact.
            if edge - cut[-1] < 1e-7:
                cut[-1] = edge if len(cut) > 1 else cut[-1]
            else:
                cut.append(edge)
        return list(pairwise(cut))

    @staticmethod
    def _held_steps(event: Event, limited_by: str) -> int:
        """Steps after its own for which the plan's rules hold what a limit is about."""
        if limited_by == "stored energy":
            return min(call.holding.following for call in event.calls)
        return 0

    def _note_energy(
        self, margins: dict[str, float], moved: dict[str, float], moment: float, sign: float
    ) -> None:
        """What is left above the floor or below the ceiling of all banks. [kWh]"""
        if not self.plant.banks:
            return
        stored, least = self.plant.stored_kwh(moment), self.plant.least_kwh(moment)
        if sign > 0:
            left = sum(stored[n] + moved[n] - least[n] for n in stored)
        else:
            left = sum(b.capacity_kwh - stored[b.name] - moved[b.name] for b in self.plant.banks)
        margins[STORED_KWH.name] = min(margins.get(STORED_KWH.name, math.inf), left)

    def _settled_at(self, event: Event, elapsed: float, step: int) -> tuple[float, float]:
        """Share of the power that is settled by the meter, and the price of the rest per kWh of all of it."""
        metered = priced = whole = 0.0
        for call in event.calls:
            kw = abs(call.wanted_kw(elapsed))
            product = max(call.holding.members, key=lambda offer: float(offer.offered_kw[int(step)])).product
            whole += kw
            metered += kw * (product.delivered_energy == "meter")
            if product.delivered_energy == "price":
                price = self.plant.data.values(product.delivered_price_per_mwh)
                priced += kw * float(np.broadcast_to(price, (self.plant.steps,))[step]) / 1000
        return (metered / whole, priced / whole) if whole else (1.0, 0.0)

    def _recover(self, start: float, moved: dict[str, float], change: _Change) -> float:
        """Bring the store back to the plan as soon as equipment and connection allow; hours taken, nan if it fails.

        It imports no more than the plan's highest import of the billing period at the same time of such a day, so that
        it seldom raises a demand charge, whatever the hours that count. It still can: an average over steps that were
        highest on different days, or phases that are read apart; the bill with it tells how much.
        """
        plant = self.plant
        moment, last = start, min(start + RECOVERY_HOURS, plant.steps * plant.hours)
        while moment < last - 1e-9:
            if sum(map(abs, moved.values())) <= MOVED_KWH:
                return moment - start
            step = min(int(moment / plant.hours + 1e-9), plant.steps - 1)
            length = min((step + 1) * plant.hours - moment, 5 / 60, last - moment)
            wanted = self._towards_plan(sum(moved.values()) / length)
            if wanted < 0:
                total = sum(float(net[step]) for net in plant.net_kw.values())
                wanted = -min(-wanted, max(0.0, self._peaks[step] - total))
            answer = plant.respond(moment, length, moved, wanted, length, called=False)
            for name, rate in answer.rates_kw.items():
                moved[name] -= rate * length
            kw = {n: kw - float(plant.inverter_kw[n][step]) for n, kw in answer.inverter_kw.items()}
            change.add(step, length, kw)
            moment += length
        return math.nan if sum(map(abs, moved.values())) > MOVED_KWH else moment - start

    def _towards_plan(self, rate_kw: float) -> float:
        """AC power that changes the store at a rate, losses on the way counted. [kW]"""
        site, banks = self.plant.site, self.plant.banks
        if not site.inverter or not banks:
            return 0.0
        if rate_kw > 0:
            return rate_kw * max(i.output_efficiency for i in site.inverter) * banks[0].least_efficiency[1]
        return rate_kw / max(i.input_efficiency for i in site.inverter) / banks[0].best_efficiency[0]

    def _worth(self, moved: dict[str, float], moment: float) -> float:
        """Marginal worth of stored energy that is still away from the plan. [currency]"""
        if sum(map(abs, moved.values())) <= MOVED_KWH:
            return 0.0
        step = min(int(moment / self.plant.hours), self.plant.steps - 1)
        worth = self.dispatch.worth_per_kwh
        return sum(kwh * float(worth[name][step]) for name, kwh in moved.items())

    def _bill(self, meter: MeterFlows) -> np.ndarray:
        """All cash lines of the tariff with these registers, and demand charges before tax. [currency]"""
        lines = self.plant.scenario.tariff.lines(meter, SettledTerms(self.plant.data))
        sums = [(line.group, float(np.sum(line.values))) for line in lines if line.cash]
        return np.array([sum(a for _, a in sums), sum(a for group, a in sums if group == "demand")])

    def _highest_imports(self) -> np.ndarray:
        """The plan's highest import at each step's time of day, in its billing period, on workdays or weekends. [kW]"""
        scenario: Scenario = self.plant.scenario
        timeline, tariff = scenario.timeline, scenario.tariff
        local = timeline.local(tariff.zone)
        minute = (local.hour * 60 + local.minute).to_numpy()
        weekend = (local.day_of_week >= 5).astype(int)
        kind = (timeline.groups(tariff.period).of_step * 2 + weekend) * 1440 + minute
        _, place = np.unique(kind, return_inverse=True)
        highest = np.zeros(place.max() + 1)
        np.maximum.at(highest, place, self.dispatch.flows.meter.import_kw)
        return highest[place]
