"""A timetable learnt: windows that prices and the best schedule suggest, tried on the true bill, the best kept.

Rules are added one at a time to each category, the one that earns most first, then moved about while that earns more.
Every trial is a walk of the plant, so the store's state, losses and limits count; money is the tariff's own lines.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from optimiser.accounts.settlement import before_flows
from optimiser.control.modes import ALL, apart
from optimiser.control.timetable import (
    DAY_MINUTES,
    Category,
    Timed,
    TimedRule,
    Timetable,
    category_of,
    clock_minutes,
    empty_timetable,
)
from optimiser.dispatch import Dispatch, Progress
from optimiser.plant.executed import settled_lines
from optimiser.plant.walk import SHORT, Plant, Walk
from optimiser.scenario.file import Scenario
from optimiser.terms.books import SettledTerms
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.timeline import Grouping

LONGEST_SPAN_DAYS = 31
LEAST_SHARE = (
    0.005  # of the season's bill without the system: what earns less is luck, or not worth typing in
)
ROUNDS = 6
NEGLIGIBLE = 1e-6  # what rounding may make of an equal sum [currency]


def by_step(line: Line, data: InputData) -> np.ndarray:
    """A line's amount laid evenly over the steps of each of its groups, of shape (steps,). [currency]"""
    groups = data.groups(line.per)
    spread: np.ndarray = np.asarray(line.values, float)[groups.of_step] / groups.sizes[groups.of_step]
    return spread


def money_by_step(
    scenario: Scenario, walk: Walk, case: int, terms: SettledTerms, wear: bool = True
) -> np.ndarray:
    """What a case earns in each step, wear counted where asked, of shape (steps,). [currency]"""
    lines = settled_lines(scenario, walk, case, terms)
    money = sum((by_step(line, terms) for line in lines), np.zeros(scenario.timeline.steps))
    if wear:
        rates = np.array([bank.wear_per_kwh / bank.converter_efficiency for bank in scenario.storage])
        money = money - (walk.discharge_kw[:, case] @ rates) * scenario.timeline.step_hours
    return money


class Trials:
    """Timetables tried on a part of the timeline, its spans side by side.

    Parameters
    ----------
    scenario : Scenario
        Without services.
    categories : tuple of Category
    learn : bool array of shape (steps,)
        The steps that may be learnt from.
    """

    def __init__(self, scenario: Scenario, categories: tuple[Category, ...], learn: np.ndarray):
        self.scenario, self.categories, self.learn = scenario, categories, learn
        self.plant = Plant(scenario)
        self.terms = SettledTerms(scenario.data)
        self.of_step = category_of(scenario, categories)
        seasons = list(dict.fromkeys(category.season for category in categories))
        season = np.array([seasons.index(category.season) for category in categories])
        # Money of a category is that of its whole season: what a workday leaves in the store counts on the next day.
        self.season_of, self.of_season = season, season[self.of_step]
        self.starts, self.lengths = _spans(
            learn, round(LONGEST_SPAN_DAYS * 24 / scenario.timeline.step_hours)
        )
        price = scenario.tariff.import_price(self.terms)[learn].mean()
        self.worth_per_kwh = max(float(price), 0.0) * self.plant.out_efficiency.mean()

    def money(self, timetables: Sequence[Timetable]) -> np.ndarray:
        """What each timetable earns in the season of each category, of shape (timetables, categories). [currency]"""
        cases, spans, steps = len(timetables), len(self.starts), self.scenario.timeline.steps
        offsets = np.arange(self.lengths.max())[:, None]
        rows = np.minimum(np.repeat(self.starts, cases) + offsets, steps - 1)
        walk = self.plant.walk(
            Timed(self.plant, self.of_step, timetables), cases=cases * spans, keep="meter", steps=rows
        )
        whole = self._laid_out(walk, cases)
        count = self.season_of.max() + 1
        found = np.zeros((cases, count))
        for case in range(cases):
            money = money_by_step(self.scenario, whole, case, self.terms)
            found[case] = np.bincount(self.of_season[self.learn], weights=money[self.learn], minlength=count)
            if whole.short[case] > SHORT:
                found[case] = -np.inf
        ends = self.starts + self.lengths - 1
        # What a span leaves in the store is paid for by the next: less than at the start costs, more earns nothing yet.
        left = np.minimum(whole.stored_kwh[ends].sum(axis=2) - self.plant.stores.start_kwh.sum(), 0.0)
        left *= self.worth_per_kwh
        for end, worth in zip(ends, left, strict=True):
            found[:, self.of_season[end]] += worth
        return found[:, self.season_of]

    def bill_before(self) -> np.ndarray:
        """The size of what is paid without the system in the season of each category. [currency]"""
        lines = self.scenario.before_tariff.lines(before_flows(self.scenario), self.terms)
        money = sum((by_step(line, self.terms) for line in lines), np.zeros(len(self.learn)))
        by_season = np.bincount(
            self.of_season[self.learn], weights=money[self.learn], minlength=self.season_of.max() + 1
        )
        size: np.ndarray = np.abs(by_season[self.season_of])
        return size

    def _laid_out(self, walk: Walk, cases: int) -> Walk:
        """A walk of spans side by side put back onto the timeline, nothing elsewhere."""
        steps = self.scenario.timeline.steps
        made = {}
        for name in ("import_kw", "export_kw", "discharge_kw", "short_kw", "stored_kwh"):
            rows = getattr(walk, name)
            whole = np.zeros((steps, cases, *rows.shape[2:]))
            for number, (start, length) in enumerate(zip(self.starts, self.lengths, strict=True)):
                whole[start : start + length] = rows[:length, number * cases : (number + 1) * cases]
            made[name] = whole
        return Walk(**made)


@dataclass(frozen=True)
class Hints:
    """What the best schedule does on average in each step, of shape (steps,). [kW]

    Attributes
    ----------
    from_grid_kw, to_grid_kw : array
        What inverters take while the site imports, and give while it exports.
    import_kw : array
        What the site imports.
    """

    from_grid_kw: np.ndarray
    to_grid_kw: np.ndarray
    import_kw: np.ndarray

    def coarser(self, times: int) -> Hints:
        """The means of so many steps each."""
        return Hints(*(series.reshape(-1, times).mean(axis=1) for series in vars(self).values()))


def hints_of(best: Dispatch) -> Hints:
    """What a solved schedule suggests."""
    flows, steps = best.flows, best.scenario.timeline.steps
    into = sum((f.input_kw for f in flows.inverters.values()), np.zeros(steps))
    out = sum((f.output_kw for f in flows.inverters.values()), np.zeros(steps))
    meter = flows.meter
    return Hints(np.minimum(into, meter.import_kw), np.minimum(out, meter.export_kw), meter.import_kw + 0.0)


def learn(
    scenario: Scenario,
    best: Hints | None,
    categories: tuple[Category, ...],
    learn: np.ndarray,
    most_rules: int,
    say: Progress = lambda words: None,
) -> Timetable:
    """Find a timetable.

    Parameters
    ----------
    scenario : Scenario
        Without services.
    best : Hints or None
        What the best schedule does; its steps of the learnt part suggest windows.
    categories : tuple of Category
    learn : bool array of shape (steps,)
        The steps that may be looked at; nothing of the others is. (The best schedule was solved over all steps, so near
        the edges of that part its suggestions know what comes; what is kept is decided by the learnt money alone.)
    most_rules : int
        Rules of a category at the most.
    say : callable
        Told in a phrase what is being done.

    Returns
    -------
    Timetable
    """
    trials = Trials(scenario, categories, learn)
    found = empty_timetable(categories)
    worth = trials.money([found])[0]
    least = LEAST_SHARE * trials.bill_before() + NEGLIGIBLE
    kinds = list(dict.fromkeys(category.days for category in categories))
    for number in range(most_rules):
        for days in kinds:
            say(f"trying rules for {days}, {number + 1} of {most_rules} at the most")
            options = [
                [
                    [*found.rules[c], *more]
                    for more in _additions(trials, best, c, most_rules - len(found.rules[c]))
                    if not any(_overlap(rule, other) for rule in more for other in found.rules[c])
                ]
                if category.days == days and len(found.rules[c]) >= number
                else []
                for c, category in enumerate(categories)
            ]
            found, worth = _better(trials, found, worth, options, least)
        for days in kinds:
            for turn in range(ROUNDS):
                say(f"moving rules for {days}, round {turn + 1}")
                options = [
                    list(_neighbours(trials, found.rules[c])) if category.days == days else []
                    for c, category in enumerate(categories)
                ]
                before = found
                found, worth = _better(trials, found, worth, options, np.full(len(least), NEGLIGIBLE))
                if found == before:
                    break
    return _pruned(trials, found, least)


def _better(
    trials: Trials,
    found: Timetable,
    worth: np.ndarray,
    options: Sequence[Sequence[Sequence[TimedRule]]],
    least: np.ndarray,
) -> tuple[Timetable, np.ndarray]:
    """Take for each season the option that earns most, where it earns `least` more; all seasons are tried at once."""
    count = max(map(len, options))
    if not count:
        return found, worth
    tried = []
    for number in range(count):
        timetable = found
        for c, own in enumerate(options):
            if number < len(own):
                timetable = timetable.changed(c, own[number])
        tried.append(timetable)
    money = trials.money(tried)
    changed = found
    for c, own in enumerate(options):
        if own:
            best = int(np.argmax(money[: len(own), c]))
            if money[best, c] > worth[c] + least[c]:
                changed = changed.changed(c, own[best])
    if changed == found:
        return found, worth
    return changed, trials.money([changed])[0]


def _pruned(trials: Trials, found: Timetable, least: np.ndarray) -> Timetable:
    """Leave out rules that, in the end, earn too little to be worth typing in, the least worthy first."""
    while numbered := found.numbered():
        tried = [found, *(found.without(c, place) for c, place, _ in numbered)]
        money = trials.money(tried)
        lost = [(money[0, c] - money[n, c] - least[c], n) for n, (c, _, _) in enumerate(numbered, 1)]
        worst, number = min(lost)
        if worst >= 0:
            return found
        found = tried[number]
    return found


def _additions(
    trials: Trials, best: Hints | None, category: int, places: int
) -> Iterable[tuple[TimedRule, ...]]:
    """Rules to add, alone or in pairs that buy and sell: neither of a pair need pay without the other."""
    rules = list(_candidates(trials, best, category)) if places else []
    yield from ((rule,) for rule in rules)
    if places >= 2:
        power = max((rule.power_kw for rule in rules), default=0.0)
        lowest = min((rule.fraction for rule in rules), default=0.0)
        buy = [
            r for r in rules if r.action == "charge" and r.fraction == 1.0 and r.power_kw >= power / 2 + 0.1
        ]
        sell = [
            r
            for r in rules
            if r.action == "discharge" and r.fraction == lowest and r.power_kw >= power / 2 + 0.1
        ]
        yield from ((one, other) for one, other in product(buy, sell) if not _overlap(one, other))


def _candidates(trials: Trials, best: Hints | None, category: int) -> Iterable[TimedRule]:
    """Rules that prices and the best schedule suggest for a category."""
    plant = trials.plant
    into, output = float(plant.input_kw.sum()), float(plant.output_kw.sum())
    floor = (
        float(np.max(plant.stores.floor_kwh.sum(axis=1)[:-1], initial=0.0)) / plant.stores.capacity_kwh.sum()
    )
    floor = float(np.ceil(20 * floor - 1e-9) / 20)
    charging, giving = _windows(trials, best, category)
    powers = sorted({_tenth(into), _tenth(into / 2), 0.0})
    for (start, end), power, fraction in product(charging, powers, (0.4, 0.7, 1.0)):
        yield TimedRule("charge", start, end, power, fraction)
    powers = sorted({_tenth(output), _tenth(output / 2)})
    for (start, end), power, fraction in product(giving, powers, sorted({floor, 0.3, 0.6})):
        yield TimedRule("discharge", start, end, power, fraction)


def _windows(
    trials: Trials, best: Hints | None, category: int
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Windows of the day in which charging, and giving, may pay."""
    slot = _slot(trials)
    count = DAY_MINUTES // slot
    chosen = trials.learn & (trials.of_step == category)
    if not chosen.any():
        return [], []
    place = clock_minutes(trials.scenario)[chosen] // slot
    times = np.maximum(np.bincount(place, minlength=count), 1)

    def profile(series: np.ndarray) -> np.ndarray:
        mean: np.ndarray = np.bincount(place, weights=series[chosen], minlength=count) / times
        return mean

    pays = profile(trials.scenario.tariff.import_price(trials.terms))
    gets = profile(trials.scenario.tariff.export_price(trials.terms))
    charging = [*_extreme(pays, slot, least=True), *_runs_of_equal(pays)]
    giving = [*_extreme(gets, slot, least=False), *_extreme(pays, slot, least=False)]
    if best is not None:
        charging += _above(profile(best.from_grid_kw))
        giving += _above(profile(best.to_grid_kw))
        # Where the best schedule leaves the load to the grid, the store is kept for later.
        charging += _above(profile(best.import_kw))
    minutes = [
        [(a * slot, b * slot % DAY_MINUTES or DAY_MINUTES) for a, b in of] for of in (charging, giving)
    ]
    return list(dict.fromkeys(minutes[0])), list(dict.fromkeys(minutes[1]))


def _slot(trials: Trials) -> int:
    """Minutes that windows are made of: half-hours, or steps where they are longer."""
    return max(30, trials.scenario.timeline.step_minutes)


def _extreme(prices: np.ndarray, slot: int, least: bool) -> list[tuple[int, int]]:
    """The windows of some lengths with the lowest, or highest, mean; they may run over midnight."""
    found = []
    ring = np.concatenate([prices, prices])
    for hours in (1, 2, 3, 4, 6):
        size = hours * 60 // slot
        means = np.convolve(ring, np.ones(size) / size, "valid")[: len(prices)]
        start = int(np.argmin(means) if least else np.argmax(means))
        found.append((start, (start + size) % len(prices)))
    return found


def _runs_of_equal(prices: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of one price, where a day has few: a tariff's own windows."""
    edges = np.flatnonzero(np.abs(prices - np.roll(prices, 1)) > 1e-9)
    if not 2 <= len(edges) <= 8:
        return []
    return [(int(a), int(b)) for a, b in zip(edges, np.roll(edges, -1), strict=True)]


def _above(profile: np.ndarray) -> list[tuple[int, int]]:
    """Stretches in which a profile is above a quarter, or more than half, of its highest."""
    found: list[tuple[int, int]] = []
    for share in (0.25, 0.55):
        inside = profile > share * profile.max(initial=0.0) + 1e-6
        if inside.any() and not inside.all():
            starts = np.flatnonzero(inside & ~np.roll(inside, 1))
            ends = np.flatnonzero(~inside & np.roll(inside, 1))
            found += [(int(a), int(ends[ends > a][0] if (ends > a).any() else ends[0])) for a in starts]
    return found


def _neighbours(trials: Trials, rules: Sequence[TimedRule]) -> Iterable[list[TimedRule]]:
    """Each rule moved a little, in a way that overlaps no other; and each left out."""
    slot, plant = _slot(trials), trials.plant
    for place, rule in enumerate(rules):
        others = [*rules[:place], *rules[place + 1 :]]
        yield others
        rating = float((plant.input_kw if rule.action == "charge" else plant.output_kw).sum())
        names, members = apart(plant)
        ratings = (plant.input_kw if rule.action == "charge" else plant.output_kw) @ members.T
        if rule.phase != ALL:
            rating = float(ratings[names.index(rule.phase)])
        on_one = [
            replace(rule, phase=name, power_kw=_tenth(min(rule.power_kw, own)))
            for name, own in zip(names, ratings, strict=True)
            if name not in (ALL, rule.phase)
        ]
        for moved in (*_moved(rule, slot, rating), *on_one):
            if not any(_overlap(moved, other) for other in others):
                yield [*others, moved]


def _moved(rule: TimedRule, slot: int, rating: float) -> Iterable[TimedRule]:
    for first, last in (
        (-1, 0),
        (1, 0),
        (0, -1),
        (0, 1),
        (-1, -1),
        (1, 1),
        (-2, 0),
        (0, 2),
        (2, 2),
        (-2, -2),
    ):
        start = (rule.from_minutes + first * slot) % DAY_MINUTES
        end = (rule.to_minutes + last * slot) % DAY_MINUTES or DAY_MINUTES
        if start != end % DAY_MINUTES:
            yield replace(rule, from_minutes=start, to_minutes=end)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0) if rule.action == "charge" else (0.25, 0.5, 0.75, 1.0):
        if (power := _tenth(share * rating)) != rule.power_kw:
            yield replace(rule, power_kw=power)
    for change in (-0.2, -0.1, -0.05, 0.05, 0.1, 0.2):
        fraction = round(min(max(rule.fraction + change, 0.0), 1.0), 2)
        if fraction != rule.fraction:
            yield replace(rule, fraction=fraction)


def _overlap(one: TimedRule, other: TimedRule) -> bool:
    minutes = np.arange(0, DAY_MINUTES, 5)
    return one.shares_a_phase(other) and bool((one.holds(minutes) & other.holds(minutes)).any())


def _tenth(power_kw: float) -> float:
    return round(power_kw, 1)


def _spans(learn: np.ndarray, longest: int) -> tuple[np.ndarray, np.ndarray]:
    """First step and length of each stretch of steps to learn from, none longer than `longest`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], learn.astype(int), [0]])))
    starts: list[int] = []
    lengths: list[int] = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        pieces = int(np.ceil((stop - first) / longest))
        cuts = np.linspace(first, stop, pieces + 1).astype(int)
        starts += cuts[:-1].tolist()
        lengths += np.diff(cuts).tolist()
    return np.array(starts), np.array(lengths)


@dataclass(frozen=True)
class Split:
    """Which steps are learnt from and which judge, with the words for it."""

    learn: np.ndarray
    judge: np.ndarray
    words: str
    apart: bool


def split(scenario: Scenario, way: str) -> Split:
    """Cut a timeline into a part to learn from and a part that judges.

    Parameters
    ----------
    scenario : Scenario
    way : "months" or "weeks"
        Every other calendar month, or week; a timeline too short for months goes by weeks, one too short for those
        is learnt and judged as one, which is said.
    """
    local = scenario.timeline.local()
    months = np.asarray(local.year * 12 + local.month, int)
    days = scenario.timeline.groups(Grouping("day", scenario.timeline.zone)).of_step
    if way == "months" and months[-1] - months[0] >= 3:
        odd = (months - months[0]) % 2 == 0
        return Split(odd, ~odd, "every other month, from the first", True)
    if days[-1] >= 27:
        odd = days // 7 % 2 == 0
        return Split(odd, ~odd, "every other week, from the first", True)
    every = np.ones(len(months), bool)
    return Split(every, every, "all of these days, since they are too few to be parted", False)
