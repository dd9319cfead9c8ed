"""A controller that compares the price of the moment with what stored energy is worth, learnt from past days alone.

Each day, the worth of stored energy by time of day and price regime is carried back from the next day over the days
just past: what load, sun and market prices were in them, with the contract's own rates of the days to come. In each
step the running price, load and sun are known, so the device takes what the step pays best beside the worth of what it
leaves. The worth is the mean of two readings of the market: by its prices, and by how far they are from what they
usually are at that time of day. Each is wrong in its own way, so that their mean earns more than either.

References
----------
.. [1] R. Bellman, "Dynamic Programming", Princeton University Press, 1957: the backward pass.
.. [2] M. V. F. Pereira, L. M. V. G. Pinto, "Multi-stage stochastic optimization applied to energy planning",
   Mathematical Programming 52 (1991) 359-375: a release compared with the worth of stored water; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimiser.control.allowances import Demand, Kept, ceiling_kw
from optimiser.control.backward import GRID, Chain, Samples, Step, Unit, decide, inverters_kw, learn
from optimiser.control.modes import Device, Mode, Told
from optimiser.control.regimes import HIGH, NO_MARKET, PARTS, learnt, tensions
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.storage import capacity_shares
from optimiser.plant.walk import Orders, Plant, State
from optimiser.scenario.file import Scenario
from optimiser.scenario.foresight import Role, role_of
from optimiser.scenario.published import known_until
from optimiser.terms.data import InputData
from optimiser.timeline import Grouping, Window

MEMORY_DAYS = 28
LEAST_DAYS = 3  # before that nothing is learnt, and the device covers its own load
OTHER_KIND = 0.5  # what a day of the other kind, workday or not, counts
SHORTEST_MINUTES = 5  # of a step that worth is learnt in
NOTHING = 1e-6
FIRST_SEEN = 1.3  # how far above a level the prices of a regime are taken to be that was never seen


@dataclass(frozen=True)
class Prices:
    """What a kWh costs and brings, in what the contract says and what a market makes of it, of shape (steps,).

    Attributes
    ----------
    pays_fixed, gets_fixed : array
        Known for all time. [currency/kWh]
    pays_market, gets_market : array
        Known as the series that they come from are published. [currency/kWh]
    """

    pays_fixed: np.ndarray
    gets_fixed: np.ndarray
    pays_market: np.ndarray
    gets_market: np.ndarray

    @classmethod
    def of(cls, scenario: Scenario) -> Prices:
        """Of a scenario's contract: what is left of its prices with every series at nothing is the contract's."""
        whole = scenario.data
        zero = np.zeros(scenario.timeline.steps)
        fixed = InputData(scenario.timeline, lambda entry: zero if isinstance(entry, str) else entry)
        pays, gets = scenario.tariff.import_price(fixed), scenario.tariff.export_price(fixed)
        return cls(
            pays, gets, scenario.tariff.import_price(whole) - pays, scenario.tariff.export_price(whole) - gets
        )

    @property
    def market(self) -> np.ndarray:
        """What tells one price regime from another; all alike where no market makes a price."""
        made: np.ndarray = self.pays_market + self.gets_market
        return made


def knowledge(scenario: Scenario, times: int) -> tuple[bool, np.ndarray]:
    """Whether some price of the contract is known only after its step, and up to where all are known, for each step.

    Parameters
    ----------
    scenario : Scenario
    times : int
        Steps of the scenario in one that worth is learnt in.
    """
    own = np.arange(scenario.timeline.steps) + 1
    series = [reference for place, reference in scenario.references() if place.startswith("tariff.")]
    series = [reference for reference in series if role_of_series(scenario, reference) == "price"]
    until = np.min([known_until(scenario, reference) for reference in series], axis=0) if series else own
    # Prices known for some hours from the start of each plan's window on.
    hours = scenario.foresight.prices_known_hours
    if hours and series:
        blocks = scenario.timeline.groups(
            Grouping("block", scenario.timeline.zone, scenario.foresight.keep_hours * 60)
        )
        since = blocks.first_step[blocks.of_step]
        until = np.maximum(until, np.minimum(since + round(hours / scenario.timeline.step_hours), len(own)))
    return bool((until < own).any()), until[::times] // times


def role_of_series(scenario: Scenario, reference: str) -> Role | None:
    """What a series is to a planner, by the first place that it stands in within the contract."""
    places = [
        place for place, name in scenario.references() if name == reference and place.startswith("tariff.")
    ]
    return role_of(places[0])


def unit_of(plant: Plant) -> Unit:
    """A plant's banks and inverters as one, with mean efficiencies."""
    scenario, banks = plant.scenario, plant.scenario.storage
    shares = np.asarray(capacity_shares(banks))
    stores = plant.stores
    # Halfway up the power: losses that rise with power count as they do on the whole.
    into = sum(share * _halfway_in(bank) for share, bank in zip(shares, banks, strict=True))
    out = sum(share * _halfway_out(bank) for share, bank in zip(shares, banks, strict=True))
    output, taken = plant.output_kw.sum(), plant.input_kw.sum()
    tie = scenario.solve.tie_break_per_kwh
    return Unit(
        float(stores.capacity_kwh.sum()),
        float(sum(bank.charge_limit_kw for bank in banks)),
        float(sum(bank.discharge_limit_kw for bank in banks)),
        float(into),
        float(out),
        float(output),
        float(taken),
        float(plant.out_efficiency @ plant.output_kw / output) if output else 1.0,
        float(plant.in_efficiency @ plant.input_kw / taken) if taken else 1.0,
        float(np.min(plant.connected.import_kw)),
        float(np.min(plant.connected.export_kw)),
        float(shares @ [bank.wear_per_kwh / bank.converter_efficiency for bank in banks]) + tie,
        float(shares @ stores.kept),
        plant.hours,
    )


def _halfway_in(bank: StorageBank) -> float:
    """Energy stored over energy taken from the bus, at half the charge power."""
    power = bank.charge_kw * bank.units / 2
    return float(bank.stored_kw(power) / power * bank.converter_efficiency)


def _halfway_out(bank: StorageBank) -> float:
    """Energy given to the bus over energy drawn from the store, at half the discharge power."""
    power = bank.discharge_kw * bank.units / 2
    return float(power / bank.drained_kw(power) * bank.converter_efficiency)


class StoredWorth:
    """The controller, of any number of cases.

    Parameters
    ----------
    plant : Plant
    memory_days : int
        Past days whose load, sun and common prices are learnt from.

    Attributes
    ----------
    modes : int array of shape (steps,)
        What it told the device so far, the last case.
    power_kw, marks : array of shape (steps,)
    worth_per_kwh : array of shape (steps,)
        What one more kWh in the store was taken to be worth then; nan as long as nothing was learnt. [currency/kWh]
    """

    def __init__(self, plant: Plant, memory_days: int = MEMORY_DAYS):
        scenario, timeline = plant.scenario, plant.scenario.timeline
        self.plant, self.device, self.unit = plant, Device(plant), unit_of(plant)
        self.prices, self.memory_days = Prices.of(scenario), memory_days
        self.times = max(1, SHORTEST_MINUTES // timeline.step_minutes)
        self.per_day = 24 * 60 // (timeline.step_minutes * self.times)
        self.seen = Seen.of(plant, self.prices, self.times)
        local = timeline.local()
        part = (local.hour * 60 + local.minute) * PARTS // (24 * 60)
        self.part = np.ascontiguousarray(np.asarray(part, int)[:: self.times])
        markets = [self.seen.market]
        if np.ptp(self.seen.market) > NOTHING:
            markets.append(unusual(self.seen.market, self.per_day, memory_days))
        self.readings = [Reading(market) for market in markets]
        self.learnt_at = -1
        self.after, self.known = knowledge(scenario, self.times)
        coarse = len(self.known)
        #: Steps at which something is learnt: each day, and when prices of the next are published.
        self.lessons = np.arange(coarse) % self.per_day == 0
        self.lessons[1:] |= self.known[1:] - self.known[:-1] > 1
        self.demand, self.kept = Demand.of(plant), Kept(plant)
        self.ceiling_kw, self.reached_kw, self.period = np.inf, np.zeros(0), -1
        self.modes = np.zeros(timeline.steps, np.int8)
        self.power_kw, self.marks = np.zeros(timeline.steps), np.zeros(timeline.steps)
        self.worth_per_kwh = np.full(timeline.steps, np.nan)
        self.learning_unit = self.unit._replace(
            hours=self.unit.hours * self.times, kept=self.unit.kept**self.times
        )
        self.wear_per_kwh = self.unit.wear_per_kwh
        firsts = np.arange(0, timeline.steps, self.times)
        self.above = np.maximum.reduceat(self.demand.above, firsts)
        rating = self.device.members @ (plant.output_kw + plant.input_kw)
        self.share = rating / rating.sum() if rating.sum() else rating

    def __call__(self, step: int, state: State) -> Orders:
        """What is wanted in a step."""
        return self.device.orders(step, state, self.told(int(step), state))

    def told(self, step: int, state: State) -> Told:
        """The mode of a step, with its limits, of each case."""
        at = step // self.times
        cases, groups = len(state.stored_fraction), len(self.share)
        if self.demand.period[step] != self.period or len(self.reached_kw) != cases:
            # A case that joins starts from the highest that any has reached: it may do what they did.
            new = self.demand.period[step] != self.period
            self.reached_kw = np.full(cases, 0.0 if new else self.reached_kw.max(initial=0.0))
            self.period = int(self.demand.period[step])
        if self.lessons[at] and at != self.learnt_at:
            self.learn(at)
        mode, power_kw, marks = np.zeros(cases, int), np.zeros(cases), np.zeros(cases)
        pays, gets, worth = self.expected(step, at)
        if self.kept.any:
            self.kept.see(step, state.stored_fraction @ self.plant.stores.capacity_kwh)
        if worth is not None:
            now = Step(
                float(np.sum(state.load_kw)),
                float(np.sum(state.ac_solar_kw)),
                float(np.sum(state.dc_solar_kw)),
                float(np.sum(state.fixed_kw)),
                pays,
                gets,
                np.inf,
                float(self.demand.above[step]),
            )
            floor = float(self.seen.floor_kwh[at])
            held = state.stored_fraction @ self.plant.stores.capacity_kwh * self.unit.kept
            floors = (
                np.where(self.kept.spent(), np.maximum(held, floor), floor)
                if self.kept.any
                else held * 0 + floor
            )
            self.worth_per_kwh[step] = slope_at(worth, float(held[-1]), self.unit)
            for case in range(cases):
                mine = now
                if now.above > 0:
                    mine = now._replace(ceiling_kw=max(self.ceiling_kw, float(self.reached_kw[case])))
                power, mark_kwh = decide(held[case], floors[case], mine, self.unit, worth)
                mode[case], power_kw[case], marks[case] = mode_of(
                    power, mark_kwh, floors[case], mine, self.unit
                )
                if now.above > 0:
                    self.reached_kw[case] = max(self.reached_kw[case], import_kw(power, mine, self.unit))
        elif self.demand.above[step] > 0:
            self.reached_kw = np.maximum(
                self.reached_kw, float(np.sum(state.load_kw) - np.sum(state.ac_solar_kw))
            )
        self.modes[step], self.power_kw[step], self.marks[step] = mode[-1], power_kw[-1], marks[-1]
        every = np.ones((1, groups))
        return Told(
            mode[:, None] * every.astype(int),
            power_kw[:, None] * self.share,
            marks[:, None] * every,
            gets < 0,
        )

    def expected(self, step: int, at: int) -> tuple[float, float, np.ndarray | None]:
        """What an imported and an exported kWh are taken to cost and bring, and the worth of what is left in the store.

        Where prices are known no sooner than they end, means over what may follow the step before; else what they are.
        The worth is None as long as nothing is learnt.
        """
        prices = self.prices
        pays, gets = float(prices.pays_fixed[step]), float(prices.gets_fixed[step])
        if not self.after:
            pays, gets = pays + float(prices.pays_market[step]), gets + float(prices.gets_market[step])
        if self.learnt_at < 0:
            return pays, gets, None
        told = [reading.expected(at - self.learnt_at, self.after) for reading in self.readings]
        pays += sum(one[0] for one in told) / len(told)
        gets += sum(one[1] for one in told) / len(told)
        return pays, gets, np.mean([one[2] for one in told], axis=0)

    def learn(self, at: int) -> None:
        """Learn the worth of stored energy of the steps to come, from the days before.

        Steps whose prices are published come with these; from there on prices follow what the past says of them.
        """
        days = min(at // self.per_day, self.memory_days)
        if days < LEAST_DAYS:
            return
        seen = self.seen
        past = slice(at - days * self.per_day, at)
        if self.demand.any:
            need = seen.load_kw[past] - seen.ac_kw[past] - seen.dc_kw[past] + seen.fixed_kw[past]
            self.ceiling_kw = ceiling_kw(need, self.above[past], self.learning_unit)
        if self.kept.any and at % self.per_day == 0:
            typical = float(np.mean(seen.pays_fixed[past] + seen.pays_market[past]))
            wear = self.wear_per_kwh + self.kept.reprice(at * self.times, typical)
            self.unit = self.unit._replace(wear_per_kwh=wear)
            self.learning_unit = self.learning_unit._replace(wear_per_kwh=wear)
        known = int(self.known[at]) if self.known[at] > at + 1 else at
        ceiling = max(self.ceiling_kw, float(self.reached_kw.max(initial=0.0)))
        for reading in self.readings:
            reading.learn(
                Lesson(
                    at, known, days, seen, self.per_day, self.part, self.above, ceiling, self.learning_unit
                )
            )
        self.learnt_at = at


@dataclass(frozen=True)
class Lesson:
    """What worth is learnt from at one time.

    Attributes
    ----------
    at, known : int
        The step that begins, and the first whose price is not known.
    days : int
        Days before that are learnt from.
    seen : Seen
    per_day : int
    part : int array of shape (steps,)
        Part of the day of each step.
    above : array of shape (steps,)
        What a kWh above the ceiling costs more. [currency/kWh]
    ceiling_kw : float
    unit : Unit
    """

    at: int
    known: int
    days: int
    seen: Seen
    per_day: int
    part: np.ndarray
    above: np.ndarray
    ceiling_kw: float
    unit: Unit


def sure(steps: int) -> Chain:
    """Of steps whose prices are known: there is one regime."""
    nothing = np.zeros((1, 1))
    return Chain(np.zeros(steps, int), NO_MARKET.follow, NO_MARKET.tension, 1, 1, nothing, nothing)


class Reading:
    """The worth learnt while prices are told apart in one way.

    Parameters
    ----------
    market : array of shape (steps,)
        What tells them apart; all alike where no market makes a price. [currency/kWh]
    """

    def __init__(self, market: np.ndarray):
        self.market, self.any_market = market, bool(np.abs(market).max() > NOTHING)
        self.regimes = NO_MARKET
        self.begin: np.ndarray | None = None
        self.made = np.zeros((0, 1, 1, GRID))
        self.regime = self.tension = np.zeros(0, int)
        self.before, self.chains = (0, 0), sure(1)

    def expected(self, place: int, after: bool) -> tuple[float, float, np.ndarray]:
        """What a market adds to prices that are known no sooner than they end, and the worth after a step.

        Parameters
        ----------
        place : int
            Steps since the last lesson.
        after : bool
            Whether the step's own price is not known.
        """
        if not after:
            return 0.0, 0.0, self.made[place, self.regime[place], self.tension[place]]
        regime, tension = (self.regime[place - 1], self.tension[place - 1]) if place else self.before
        chain = self.chains
        part = chain.part[place]
        follow = chain.regime[part, tension, regime]
        tense = chain.tension[part, tension, int(regime >= chain.high)]
        pays, gets = float(follow @ chain.pays.mean(axis=1)), float(follow @ chain.gets.mean(axis=1))
        worth: np.ndarray = np.tensordot(np.outer(follow, tense), self.made[place], axes=2)
        return pays, gets, worth

    def learn(self, lesson: Lesson) -> None:
        """Learn the worth of stored energy of the steps to come."""
        at, known, per_day, seen = lesson.at, lesson.known, lesson.per_day, lesson.seen
        total = len(self.market)
        if self.any_market:
            self.regimes = learnt(self.market[:known], lesson.part[:known], per_day, lesson.days)
        # Of each step, what its own price and those before it say; read as the step comes.
        since, until = max(0, at - per_day), min(max(at + per_day, known), total)
        regime = self.regimes.of(self.market[since:until])
        tense = tensions(self.market[since:until], self.regimes.high_from, per_day / 24)
        self.regime, self.tension = regime[at - since :], tense[at - since :]
        self.before = int(regime[at - since - 1]), int(tense[at - since - 1])
        passes, shape = 1, self.regimes.shape
        if self.begin is None or self.begin.shape[:2] != shape:
            past = slice(at - lesson.days * per_day, at)
            typical = float(np.mean(seen.pays_fixed[past] + seen.pays_market[past])) * lesson.unit.out
            slope = np.linspace(0.0, max(typical, 0.0) * lesson.unit.capacity_kwh / 2, GRID)
            self.begin, passes = np.tile(slope, (*shape, 1)), 3
        self.made = np.zeros((max(min(per_day, total - known), 0), *shape, GRID))
        samples, self.chains = self.samples(lesson, known, per_day), self.chain(lesson)
        for _ in range(passes):
            self.begin = learn(samples, self.chains, self.begin, lesson.unit, self.made)
        if known > at:
            last = self.begin[regime[known - 1 - since], tense[known - 1 - since]][None, None]
            self.made = np.zeros((known - at, 1, 1, GRID))
            learn(
                self.samples(lesson, at, known - at, sure=True),
                sure(known - at),
                last,
                lesson.unit,
                self.made,
            )
            self.regime = self.tension = np.zeros(known - at, int)

    def samples(self, lesson: Lesson, first: int, steps: int, sure: bool = False) -> Samples:
        """Days before a moment laid onto steps to come, from `first` on; with their prices where `sure`."""
        seen, per_day, at = lesson.seen, lesson.per_day, lesson.at
        place = first + np.arange(steps)
        # The latest day of which a step has passed, and the days before that.
        latest = place - (-(-(place + 1 - at) // per_day)) * per_day
        rows = np.maximum(
            latest[None] - np.arange(lesson.days - 1, -1, -1)[:, None] * per_day, latest[None] % per_day
        )
        coming = np.minimum(place, len(seen.load_kw) - 1)
        alike = seen.workday[rows] == seen.workday[coming][None]
        prices = np.broadcast_to(coming, rows.shape) if sure else rows
        return Samples(
            seen.load_kw[rows],
            seen.ac_kw[rows],
            seen.dc_kw[rows],
            seen.fixed_kw[rows],
            seen.pays_market[prices],
            seen.gets_market[prices],
            np.zeros(rows.shape, int) if sure else self.regimes.of(self.market[rows]),
            np.where(alike, 1.0, OTHER_KIND),
            seen.pays_fixed[coming],
            seen.gets_fixed[coming],
            seen.floor_kwh[coming],
            np.full(steps, lesson.ceiling_kw),
            lesson.above[coming],
        )

    def chain(self, lesson: Lesson) -> Chain:
        """How regimes follow each other in the steps to come, and the prices that stand for each."""
        seen, regimes, known = lesson.seen, self.regimes, lesson.known
        coming = np.minimum(np.arange(known, known + lesson.per_day), len(lesson.part) - 1)
        if regimes is NO_MARKET:
            return sure(lesson.per_day)
        pays, gets = seen.pays_market[regimes.points], seen.gets_market[regimes.points]
        highest = int(np.argmax(self.market[:known]))
        for number in map(int, np.flatnonzero(regimes.points[:, 0] < 0)):
            # Never seen yet: a little above where it begins.
            level = FIRST_SEEN * regimes.levels[max(number - 1, 0)] / max(self.market[highest], NOTHING)
            pays[number], gets[number] = level * seen.pays_market[highest], level * seen.gets_market[highest]
        return Chain(lesson.part[coming], regimes.follow, regimes.tension, HIGH, regimes.own, pays, gets)


@dataclass(frozen=True)
class Seen:
    """Series in the steps that worth is learnt in, of shape (steps,); a learner reads of them what has passed.

    Attributes
    ----------
    load_kw, ac_kw, dc_kw, fixed_kw : array
    pays_fixed, gets_fixed, pays_market, gets_market, market : array
        [currency/kWh]
    floor_kwh : array
        Kept for backup.
    workday : bool array
    """

    load_kw: np.ndarray
    ac_kw: np.ndarray
    dc_kw: np.ndarray
    fixed_kw: np.ndarray
    pays_fixed: np.ndarray
    gets_fixed: np.ndarray
    pays_market: np.ndarray
    gets_market: np.ndarray
    market: np.ndarray
    floor_kwh: np.ndarray
    workday: np.ndarray

    @classmethod
    def of(cls, plant: Plant, prices: Prices, times: int) -> Seen:
        """Means over so many steps each."""
        scenario, timeline = plant.scenario, plant.scenario.timeline

        def coarse(series: np.ndarray) -> np.ndarray:
            values = np.asarray(series, float)
            firsts = np.arange(0, len(values), times)
            means: np.ndarray = np.add.reduceat(values, firsts) / np.diff(np.append(firsts, len(values)))
            return means

        holidays = scenario.tariff.holiday_dates(timeline)
        return cls(
            coarse(plant.load_kw.sum(axis=1)),
            coarse(plant.ac_kw.sum(axis=1)),
            coarse(plant.dc_kw.sum(axis=1)),
            coarse(plant.fixed_kw),
            coarse(prices.pays_fixed),
            coarse(prices.gets_fixed),
            coarse(prices.pays_market),
            coarse(prices.gets_market),
            coarse(prices.market),
            coarse(plant.stores.floor_kwh.sum(axis=1)),
            coarse(timeline.mask(Window(days=("workday",)), timeline.zone, holidays)) > 0.5,
        )


def slope_at(worth: np.ndarray, stored_kwh: float, unit: Unit) -> float:
    """What one more kWh in the store is worth. [currency/kWh]"""
    cell = unit.capacity_kwh / (GRID - 1)
    place = min(max(int(stored_kwh / cell), 0), GRID - 2)
    return float(worth[place + 1] - worth[place]) / cell


def unusual(market: np.ndarray, per_day: int, memory_days: int) -> np.ndarray:
    """How far each price is from the median of the same time on the days before, an hour either way taken together."""
    steps, hour = len(market), max(1, per_day // 24)
    days = -(-steps // per_day)
    by_day = np.pad(market, (0, days * per_day - steps), mode="edge").reshape(days, per_day)
    usual = np.full((days, per_day), market[0])
    for day in range(1, days):
        median = np.median(by_day[max(0, day - memory_days) : day], axis=0)
        ring = np.concatenate([median[-hour:], median, median[:hour]])
        usual[day] = np.convolve(ring, np.ones(2 * hour + 1) / (2 * hour + 1), "valid")
    made: np.ndarray = market - usual.ravel()[:steps]
    return made


def import_kw(power_kw: float, step: Step, unit: Unit) -> float:
    """What the meter imports while the store takes so much from the bus. [kW]"""
    net = inverters_kw(step.dc_solar_kw - step.fixed_kw - power_kw, unit)
    return max(step.load_kw - step.ac_solar_kw - net, 0.0)


def mode_of(
    power_kw: float, mark_kwh: float, floor_kwh: float, step: Step, unit: Unit
) -> tuple[Mode, float, float]:
    """The mode that makes of a step what was decided: mode, its power [kW], the mark at which it stops [-]."""
    sun = step.dc_solar_kw - step.fixed_kw
    net = inverters_kw(sun - power_kw, unit)
    meter = step.load_kw - step.ac_solar_kw - net
    floor = floor_kwh / unit.capacity_kwh
    mark = mark_kwh / unit.capacity_kwh
    if abs(meter) < NOTHING:
        return Mode.COVER_LOAD, 0.0, floor
    if abs(power_kw) < NOTHING:
        return Mode.HOLD, 0.0, 0.0
    if power_kw < 0:
        if meter < 0:
            return Mode.FEED_OUT, -meter, mark if mark_kwh >= 0 else floor
        if mark_kwh >= 0:
            return Mode.COVER_LOAD, 0.0, mark
        return Mode.CUT_PEAKS, meter, floor
    if meter > 0 and net < -NOTHING:
        return Mode.CHARGE, -net, mark if mark_kwh >= 0 else 1.0
    return Mode.SAVE_SUN, 0.0, mark if mark_kwh >= 0 else 1.0
