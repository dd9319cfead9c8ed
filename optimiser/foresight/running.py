"""A year run under a policy: plan, carry out, go on from what happened; then settled like any other schedule.

Where nothing is sold and the policy may err, the plan hands the device modes, which it carries out by its own meter
(`handed`). Elsewhere the controller follows the plan's set-point of the store: inverters give or take what that leaves
of the sun that there is, shared as the plan shares it; the meter takes the error. Solar that such a plan curtails stays
curtailed, unless nobody commands it; without a plan the store rests. The plant's limits always hold. What is sold is
reduced, for a whole block, where reality leaves no room for it: what is not available is not paid.
"""

from __future__ import annotations

import dataclasses
import time
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from optimiser.columns import of_ac_solar, of_bank, of_flexible, of_inverter
from optimiser.control.allowances import Kept
from optimiser.control.own_use import own_load
from optimiser.dispatch import Dispatch, Progress, Proof, replay
from optimiser.engine.proof import relative_gap, within
from optimiser.equipment.shed_load import ShedLoad
from optimiser.errors import DriftError, InfeasibleError
from optimiser.flows import Activation
from optimiser.foresight.facts import Facts, Plans, Policy
from optimiser.foresight.handed import ByModes
from optimiser.foresight.planner import Plan, Planner, Remembered
from optimiser.foresight.reserve import placed
from optimiser.plant.executed import activated, columns
from optimiser.plant.walk import SHORT, Caps, Orders, Plant, State, Walk
from optimiser.progress import Step
from optimiser.scenario.file import Scenario

NONE_CURTAILED = 1e-6
MOST_ATTEMPTS = 6  # at a window whose services cannot all be held; the last sells none
WINDOWS_BACK = (
    4  # that a run may go back, where a block that moves energy turns out not to be held to its end
)


@dataclass(frozen=True)
class Executed:
    """A year as a policy ran it.

    Attributes
    ----------
    dispatch : Dispatch
        What happened, every rule and line replayed; its bound is that of perfect foresight.
    plans, without_plan : int
        Plans that were due, and those that could not be made.
    sold_kw_hours, held_kw_hours : float
        What plans offered of services, and what of it could be held.
    """

    dispatch: Dispatch
    plans: int
    without_plan: int
    sold_kw_hours: float
    held_kw_hours: float


def run_under(scenario: Scenario, policy: Policy, ceiling: Dispatch, say: Progress | None = None) -> Executed:
    """Run a scenario under a policy.

    Parameters
    ----------
    scenario : Scenario
        Its table [foresight] says how far plans see and how much of each is kept.
    policy : Policy
    ceiling : Dispatch
        The scenario with perfect foresight, for the bound and for where another run may start.
    say : callable, optional
        Told now and then how far it has come.

    Raises
    ------
    InfeasibleError
        If the controller could not keep a limit: how much was missing, and when.
    DriftError
        If what happened breaks a rule: a defect of the package.
    """
    began = time.perf_counter()
    table = scenario.foresight
    plans = Plans.of(scenario.timeline, table.keep_hours, table.view_hours)
    planner = Planner(Facts.of(scenario), plans, policy)
    built = time.perf_counter()
    sold_share = 1.0 if policy.sure else table.services_sold_share
    controller = _Controller(scenario, planner, sold_share, by_modes=not policy.sure)
    worth: dict[str, float] | None = None
    number, without, sold, last = 0, 0, 0.0, time.perf_counter()
    before: dict[int, tuple[_Moment, dict[str, float] | None, int, float]] = {}
    while number < plans.count:
        before[number] = controller.moment(), worth, without, sold
        before.pop(number - WINDOWS_BACK, None)
        plan = planner.plan(number, worth)
        without += plan is None
        worth = worth if plan is None else plan.worth
        sold += controller.carry_out(number, plan)
        if controller.gave_up(number):
            number -= 1
            if number not in before:
                raise DriftError(
                    f"offers around {scenario.timeline.when(int(plans.edges[number]))} are not settled. "
                )
            then, worth, without, sold = before[number]
            controller.go_back(then)
            continue
        number += 1
        if say and time.perf_counter() - last > 1:
            last = time.perf_counter()
            words = f"{policy.name}, day {number} of {plans.count}"
            say(Step(words, job=policy.name, share=number / plans.count))
    controller.refuse_shortage()
    values = planner.problem.split(planner.x)
    stated, worst = replay(scenario, values)
    settled = float(sum(line.values.sum() for line in stated.lines))
    dispatch = Dispatch(
        scenario,
        values,
        tuple(stated.lines),
        stated.flows,
        tuple(stated.offers),
        {bank.name: np.full(scenario.timeline.steps, np.nan) for bank in scenario.storage},
        _proof(ceiling.proof, policy, settled, worst, scenario.file.currency),
        {"build": built - began, "solve": time.perf_counter() - built},
        ceiling.start,
    )
    return Executed(dispatch, plans.count, without, sold, _offered(values, planner))


def _proof(ceiling: Proof, policy: Policy, settled: float, worst: float, currency: str) -> Proof:
    """What is known of a schedule that was run: the bound of perfect foresight holds for it too."""
    gap = max(0.0, ceiling.bound - settled)
    relative = relative_gap(ceiling.bound, settled, ceiling.turnover)
    return dataclasses.replace(
        ceiling,
        verdict=f"run under {policy.name}, {within(relative)} of turnover below the ceiling ({gap:,.2f} {currency})",
        route=f"plans that see what {policy.name} knows, carried out step by step",
        settled=settled,
        gap_absolute=gap,
        gap_relative=relative,
        replay_violation=worst,
        primal_violation=worst,
    )


def _offered(values: dict[str, np.ndarray], planner: Planner) -> float:
    """Offered kW times hours of all bids."""
    timeline, total = planner.problem.timeline, 0.0
    for name, numbers in values.items():
        if name.endswith("offer_kw"):
            groups = timeline.groups(planner.problem.columns[name].per)
            total += float((numbers * groups.sizes).sum()) * timeline.step_hours
    return total


@dataclass(frozen=True)
class _Moment:
    """Between two windows: what stores hold, also behind loads, what the planner knows, what was short so far."""

    stored: np.ndarray
    waiting: np.ndarray
    planner: Remembered
    short: tuple[float, int, int]


class _Controller:
    """Carries plans out on the plant, window by window."""

    def __init__(self, scenario: Scenario, planner: Planner, sold_share: float, by_modes: bool):
        self._scenario, self._planner = scenario, planner
        self._sold_share = np.full(scenario.timeline.steps, sold_share)
        self._plant = Plant(scenario)
        self._device: ByModes | None = None
        # A rule over a month is the plan's to keep, and so are offers: their powers are carried out as they are. Where
        # there is neither load nor sun, the meter takes no error, and a price that differs from what was expected is
        # no reason to leave the plan.
        meets = self._plant.load_kw.any() or self._plant.ac_kw.any() or self._plant.dc_kw.any()
        kept = bool(scenario.service) or Kept(self._plant).any
        if by_modes and scenario.site.inverter and meets and not kept:
            self._device = ByModes(self._plant, (planner.import_price, planner.export_price))
        self._edges = planner.edges
        self._stored = np.array([[bank.start_kwh for bank in scenario.storage]])
        self._needs = [load.need(scenario.data) for load in scenario.site.flexible_load]
        self._alone_kw = self._plant.waited.power_kw.copy()
        self._waiting = np.array([need.start_kwh for need in self._needs])
        self._moves = any(product.utilisation_gross for product in scenario.service)
        self._short_kw, self._short_steps, self._short_first = 0.0, 0, 0

    def carry_out(self, number: int, plan: Plan | None) -> float:
        """A window's steps under a plan; gives back what was sold in them. [kW h]"""
        first, stop = int(self._edges[number]), int(self._edges[number + 1])
        planner, steps = self._planner, self._scenario.timeline.steps
        self._begun = planner.begun_and_moving(first)
        if plan is not None and self._scenario.service:
            plan = planner.selling(plan, self._sold_share)
        sold = {} if plan is None else planner.offers(plan, first, stop)
        offers, held = plan, np.ones(steps)
        self._serve(first, stop, plan)
        for attempt in range(MOST_ATTEMPTS):
            if attempt == MOST_ATTEMPTS - 1:
                offers = None
            if self._moves:
                self._activate(first, stop, offers)
            walk = self._walk(first, stop, offers or plan, keep_reserve=offers is not None)
            flows = columns(self._scenario, walk, first=first, start_kwh=self._stored[0])
            if planner.happened(number, flows, offers):
                break
            if offers is not None and plan is not None:
                held[first:stop] *= ~planner.unheld(offers, flows, first, stop)
                offers = planner.selling(plan, held)
        else:
            self._note_shortage(first, walk)
            self.refuse_shortage()
            raise DriftError(
                f"what the controller did from {self._scenario.timeline.when(first)} on breaks a rule of the program. "
            )
        self._note_shortage(first, walk)
        self._stored, self._waiting = walk.stored_kwh[-1], walk.flexible_kwh[-1, 0]
        return float(sum(amount.sum() for amount in sold.values())) * self._plant.hours

    def _serve(self, first: int, stop: int, plan: Plan | None) -> None:
        """Let flexible loads take what the plan has, or must be taken in any case; without a plan, as by themselves."""
        loads = self._scenario.site.flexible_load
        wanted = self._alone_kw[first:stop]
        if plan is not None:
            names = [of_flexible(load.name, "power_kw") for load in loads]
            planned = self._planner.of_plan(plan, names, first, stop)
            # Of a load that may be shed all that there is is taken, unless the plan sheds some of it.
            whole = np.stack(
                [need.most_kw[first:stop] for need in self._needs] or [np.zeros(stop - first)], axis=1
            )
            may_be_shed = np.array([isinstance(load, ShedLoad) for load in loads], bool)
            unshed = planned >= self._planner.bounds(names, first, stop) - NONE_CURTAILED
            wanted = np.where(may_be_shed & unshed, whole, planned) if len(loads) else planned
        served = [
            need.steered(
                partial(_planned, wanted[:, number], first), first, stop, float(self._waiting[number])
            )
            for number, need in enumerate(self._needs)
        ]
        if served:
            power, stored = (np.stack(part, axis=1) for part in zip(*served, strict=True))
            self._plant.serve(first, stop, power, stored)

    def gave_up(self, number: int) -> bool:
        """Whether a window could not hold an offer that the one before has already given energy for.

        Such a block is not sold at all: what it moved has to be taken out of the window in which it began, too.
        """
        now = self._planner.begun_and_moving(int(self._edges[number]))
        lost = [began for name, (began, kw) in self._begun.items() if abs(now[name][1] - kw) > SHORT]
        for began in lost:
            self._sold_share[began : int(self._edges[number])] = 0.0
        return bool(lost)

    def moment(self) -> _Moment:
        """Everything that the windows so far have left behind."""
        return _Moment(
            self._stored.copy(),
            self._waiting.copy(),
            self._planner.remember(),
            (self._short_kw, self._short_steps, self._short_first),
        )

    def go_back(self, then: _Moment) -> None:
        """Take up again from there, but for the blocks that were given up since."""
        self._stored, self._waiting = then.stored.copy(), then.waiting.copy()
        self._planner.go_back(then.planner)
        self._short_kw, self._short_steps, self._short_first = then.short

    def _note_shortage(self, first: int, walk: Walk) -> None:
        """Remember where the plant could not keep its limits: bounds of what happened are not asked for by window."""
        short = walk.short_kw[:, 0]
        where = np.flatnonzero(short > SHORT)
        if len(where):
            self._short_first = self._short_first if self._short_steps else first + int(where[0])
            self._short_kw = max(self._short_kw, float(short.max()))
            self._short_steps += len(where)

    def refuse_shortage(self) -> None:
        """Refuse a year in which a limit could not be kept.

        Raises
        ------
        InfeasibleError
            By how much, in how many steps so far, and when first.
        """
        if self._short_steps:
            steps = "1 step" if self._short_steps == 1 else f"{self._short_steps} steps"
            raise InfeasibleError(
                f"it cannot be carried out within the limits (short by {self._short_kw:.3g} kW in {steps}, the first "
                f"{self._scenario.timeline.when(self._short_first)}). Ask for more stored energy to be kept (reserve), "
                "or for a higher limit."
            )

    def _activate(self, first: int, stop: int, plan: Plan | None) -> None:
        """Let the plant feel what accepted offers are expected to move."""
        sold = Activation() if plan is None else activated(self._scenario, self._planner.sold(plan))
        self._plant.expect(first, stop, sold)

    def _walk(self, first: int, stop: int, plan: Plan | None, keep_reserve: bool) -> Walk:
        steps = np.arange(first, stop)
        if self._device is not None:
            self._device.handed = None if plan is None else self._planner.handed(plan, first, stop)
            if self._needs:  # loads that wait were moved by the plan
                self._device.device.own_kw = own_load(self._plant)
            return self._plant.walk(self._device, steps=steps, start_kwh=self._stored)
        follow = _Follow(self._scenario, self._plant, self._planner, (first, stop), plan, keep_reserve)
        return self._plant.walk(follow, steps=steps, start_kwh=self._stored, caps=follow.caps)


class _Follow:
    """Orders of a window: the plan's set-point of the store, with the sun that there is."""

    def __init__(
        self,
        scenario: Scenario,
        plant: Plant,
        planner: Planner,
        span: tuple[int, int],
        plan: Plan | None,
        keep_reserve: bool,
    ):
        site, (first, stop) = scenario.site, span
        self._plant, self._first = plant, first
        steps = stop - first

        def planned(names: list[str]) -> np.ndarray:
            """Columns of the plan, of shape (steps, names)."""
            if plan is None:
                return np.zeros((steps, len(names)))
            return planner.of_plan(plan, names, first, stop)

        output = planned([of_inverter(i.name, "output_kw") for i in site.inverter])
        into = planned([of_inverter(i.name, "input_kw") for i in site.inverter])
        self._drawn = output / plant.out_efficiency - into * plant.in_efficiency
        banks = [bank.name for bank in scenario.storage]
        given = planned([of_bank(bank, "discharge_kw") for bank in banks])
        taken = planned([of_bank(bank, "charge_kw") for bank in banks])
        self._store_kw = (given - taken).sum(axis=1)
        self._dc_most = plant.dc_kw[first:stop]
        ac_most = plant.ac_kw[first:stop]
        if plan is not None:
            dc = list(site.bus_sources(scenario.data))
            ac = [of_ac_solar(s.name, "solar_kw") for s in site.ac_solar]
            self._dc_most = _as_curtailed(self._dc_most, planned(dc), planner.bounds(dc, first, stop))
            curtailed = _as_curtailed(ac_most, planned(ac), planner.bounds(ac, first, stop))
            ac_most = np.where([s.gives_way_alone for s in site.ac_solar], ac_most, curtailed)
        self.caps = Caps(
            source_kw=placed(self._dc_most, plant.steps, first),
            ac_solar_kw=placed(ac_most, plant.steps, first),
        )
        if plan is not None and keep_reserve and scenario.service:
            x = planner.x.copy()
            x[plan.columns] = plan.x
            for number, system in enumerate(site.ac_solar):
                places = planner.problem.places[of_ac_solar(system.name, "solar_kw")]
                x[places[first:stop]] = ac_most[:, number]
            room = planner.reserve.room(x, first, stop)
            self.caps = room.caps(plant.steps, first, self._dc_most, ac_most)
        self._feed = planner.export_price[first:stop] > 0
        rating = np.maximum(plant.output_kw + plant.input_kw, 1e-9)
        self._share = rating / rating.sum() if len(rating) else rating

    def __call__(self, step: Any, state: State) -> Orders:
        """What is wanted in a step."""
        at = int(step) - self._first
        target = self._dc_most[at].sum() + self._store_kw[at] - float(state.fixed_kw)
        drawn = self._drawn[at] + (target - self._drawn[at].sum()) * self._share
        wanted = np.where(drawn > 0, drawn * self._plant.out_efficiency, drawn / self._plant.in_efficiency)
        return Orders(wanted, feed_surplus=bool(self._feed[at]))


def _planned(power_kw: np.ndarray, first: int, step: int, stored: float) -> float:
    """The power that a plan has for a flexible load in a step. [kW]"""
    return float(power_kw[step - first])


def _as_curtailed(available: np.ndarray, planned: np.ndarray, foreseen: np.ndarray) -> np.ndarray:
    """The most that solar may give: what there is, or what the plan uses where it leaves some unused."""
    curtailed = planned < foreseen - NONE_CURTAILED
    return np.where(curtailed, np.minimum(available, planned), available)
