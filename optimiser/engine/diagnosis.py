"""Why no schedule exists: which limit asks for more than which other allows, when, and by how much.

Offers of services may always be zero and money forbids nothing, so both are left out and what remains is
small: the balances, the sun, the limits and what a warranty covers in a month. `check_supply` compares, step
by step, what must be served with the most that could serve it, and adds up the most that could be stored by
then. `explained` is asked once there is known to be no schedule: it walks the weeks with as much energy stored
as could be, until one cannot be done, finds the step by which it fails, and there asks of each limit by how
much it would have to be moved.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

import highspy
import numpy as np
from scipy import sparse

from optimiser.engine.solver import quiet_highs
from optimiser.engine.tiling import Problem, build_problem
from optimiser.equipment.limits import current_a, power_kw
from optimiser.equipment.site import HELD_BACK, bank_on_bus
from optimiser.equipment.storage import voltage_at
from optimiser.errors import DriftError, InfeasibleError
from optimiser.terms.verbs import SettledTerms

TOLERANCE = 1e-6
MOST_COLUMNS_WHOLE = 40_000
SPAN_HOURS = 168
WALK_SECONDS = 8.0
NEAR_THE_MOST = 0.999
WARRANTED = ".warranted_kwh"


@dataclass(frozen=True)
class Hold:
    """A rule or a column bound that one limit puts: on which side, and in which steps (None: all)."""

    place: str
    upper: bool
    is_column: bool = True
    steps: np.ndarray | None = None


@dataclass(frozen=True)
class MovableLimit:
    """A limit that a person can move, with every row and bound that it puts.

    Attributes
    ----------
    rule : str
        Its name in a sentence.
    rank : int
        Which of several limits is named first: the lowest. A wish (reserve, end state) comes before what the
        network allows, and that before ratings of equipment.
    unit : str
    field : str
        Where it stands in the scenario file.
    holds : tuple of Hold
    value : callable
        From a step to the limit there, in its unit; None where it has no single value.
    kind : str
        How it is told: the "most" of something, energy to be "stored", "wear" that a month may see, or what is "given"
        whether wanted or not.
    """

    rule: str
    rank: int
    unit: str
    field: str
    holds: tuple[Hold, ...]
    value: Callable[[int], float] | None = None
    kind: Literal["most", "stored", "wear", "given"] = "most"


def limits_of(scenario: Any, problem: Problem) -> list[MovableLimit]:
    """Every limit of a scenario that a person can move and that has a place in `problem`."""
    made = [*_connection_limits(scenario), *_solar_limits(scenario), *_inverter_limits(scenario)]
    made += [*_bank_limits(scenario), *_warranties(scenario, problem)]
    rows = {family.name for family in problem.rows}
    kept = []
    for limit in made:
        holds = tuple(h for h in limit.holds if h.place in (problem.columns if h.is_column else rows))
        if holds:
            kept.append(replace(limit, holds=holds))
    return kept


def _connection_limits(scenario: Any) -> Iterator[MovableLimit]:
    site, terms = scenario.site, _numbers(scenario)
    connection, phases = site.connection, site.phase_names

    for word, whole, own in (
        ("import", connection.import_limit_kw, connection.import_limit_kw_per_phase),
        ("export", connection.export_limit_kw, connection.export_limit_kw_per_phase),
    ):
        field, taken = f"site.connection.{word}_limit_kw", word == "import"
        holds = (
            Hold(f"meter.{word}_kw", True),
            Hold(f"{word} limit of the connection", True, is_column=False),
        )
        yield MovableLimit(f"{word} limit of the connection", 1, "kW", field, holds, _of(terms.values(whole)))
        if own is not None:
            own_holds = [Hold(f"limits of phase {phase}", taken, is_column=False) for phase in phases]
            own_holds += [Hold(f"meter.{phase}.{word}_kw", True) for phase in phases]
            name = f"{word} limit of phase {{phase}}"
            yield MovableLimit(name, 1, "kW", f"{field}_per_phase", tuple(own_holds), _of(terms.values(own)))
    pairs = [(one, other) for index, one in enumerate(phases) for other in phases[index + 1 :]]
    both = [
        Hold(f"imbalance of phases {one} and {other}", upper, is_column=False)
        for one, other in pairs
        for upper in (True, False)
    ]
    if connection.imbalance_limit_kw is not None:
        field, most = "site.connection.imbalance_limit_kw", connection.imbalance_limit_kw
        yield MovableLimit("imbalance limit between phases", 1, "kW", field, tuple(both), lambda step: most)


def _solar_limits(scenario: Any) -> Iterator[MovableLimit]:
    """What existing solar gives at the least because nobody commands it."""
    least = scenario.site.least_given_kw(_numbers(scenario))
    for index, system in enumerate(scenario.site.ac_solar):
        if system.name in least:
            hold = Hold(f"ac_solar.{system.name}.solar_kw", False)
            rule, field = f"output of {system.name}", f"site.ac_solar.{index}.commandable"
            yield MovableLimit(rule, 3, "kW", field, (hold,), _of(least[system.name]), "given")


def _warranties(scenario: Any, problem: Problem) -> Iterator[MovableLimit]:
    """What a month may see discharged where a warranty is kept."""
    for index, bank in enumerate(scenario.storage):
        place = f"storage.{bank.name}{WARRANTED}"
        if place in problem.columns:
            groups, most = problem.timeline.groups(problem.columns[place].per), problem.columns[place].upper
            rule, field = f"warranty of {bank.name}", f"storage.{index}.life.keep_warranty"
            yield MovableLimit(rule, 0, "kWh", field, (Hold(place, True),), _of(most[groups.of_step]), "wear")


def _inverter_limits(scenario: Any) -> Iterator[MovableLimit]:
    site = scenario.site
    for index, inverter in enumerate(site.inverter):
        name, place = inverter.name, f"site.inverter.{index}"
        holds = tuple(
            Hold(f"pass-through current of inverter {name} on {phase}", upper, is_column=False)
            for phase in site.phase_names
            for upper in (True, False)
        )
        through = site.pass_through_kw(inverter)
        yield MovableLimit(
            f"pass-through current of inverter {name}",
            2,
            "kW",
            f"{place}.pass_through_limit_a",
            holds,
            _always(through),
        )
        for word, rule in (("output_kw", "output rating"), ("input_kw", "input rating")):
            hold = Hold(f"inverter.{name}.{word}", True)
            rating = getattr(inverter, word)
            yield MovableLimit(
                f"{rule} of inverter {name}", 4, "kW", f"{place}.{word}", (hold,), _always(rating)
            )
        for way in ("out", "in"):
            rule = f"DC current of inverter {name}, {way}"
            yield MovableLimit(rule, 3, "kW", f"{place}.dc_current_limit_a", _current_holds(rule))
    for index, controller in enumerate(site.solar_controller):
        rule = f"current of controller {controller.name}"
        yield MovableLimit(
            rule, 3, "kW", f"site.solar_controller.{index}.current_limit_a", _current_holds(rule)
        )


def _bank_limits(scenario: Any) -> Iterator[MovableLimit]:
    timeline = scenario.timeline
    for index, bank in enumerate(scenario.storage):
        place, stored = f"storage.{index}", f"storage.{bank.name}.stored_kwh"
        floor, last = bank.floor_kwh(timeline), timeline.steps - 1
        end_kwh = min(bank.end_kwh, bank.capacity_kwh)
        has_end = end_kwh > floor[last] + TOLERANCE
        if has_end:
            hold = Hold(stored, False, steps=np.arange(timeline.steps) == last)
            yield MovableLimit(
                f"end state of {bank.name}",
                0,
                "kWh",
                f"{place}.end_fraction",
                (hold,),
                _always(end_kwh),
                "stored",
            )
        kept = floor > 0
        kept[last] &= not has_end
        if kept.any():
            hold = Hold(stored, False, steps=kept)
            yield MovableLimit(
                f"reserve of {bank.name}", 0, "kWh", f"{place}.reserve", (hold,), _of(floor), "stored"
            )
        for word in ("charge", "discharge"):
            whole = f"storage.{bank.name}.{word}_kw"
            pieces = len(bank.charge_pieces() if word == "charge" else bank.discharge_pieces())
            holds = (Hold(whole, True), Hold(f"storage.{bank.name}.{word}_piece_{pieces}_kw", True))
            most = bank.charge_limit_kw if word == "charge" else bank.discharge_limit_kw
            yield MovableLimit(
                f"{word} power of {bank.name}", 5, "kW", f"{place}.{word}_kw", holds, _always(most)
            )
            rule = f"{word} current of {bank.name}"
            yield MovableLimit(rule, 3, "kW", f"{place}.{word}_current_a", _current_holds(rule))
        size = _always(bank.capacity_kwh)
        yield MovableLimit(
            f"capacity of {bank.name}", 6, "kWh", f"{place}.units", (Hold(stored, True),), size
        )


def _of(series: np.ndarray) -> Callable[[int], float]:
    return lambda step: float(series[step])


def _always(number: float) -> Callable[[int], float]:
    return lambda step: number


def _current_holds(rule: str) -> tuple[Hold, ...]:
    """Rows of a current limit: one where the voltage is constant, else lines at both edges of the step."""
    lines = ["", *(f", line {index}" for index in range(2, 21))]
    edges = ["", " at start of step", " at end of step"]
    return tuple(Hold(f"{rule}{edge}{line}", True, is_column=False) for edge in edges for line in lines)


class DiagnosisWindow:
    """The problem of steps `first` to `stop` (left out), with one column a limit that moves it by so much.

    Parameters
    ----------
    problem : Problem
        Without services and money: only stored energy links its steps.
    limits : list of MovableLimit
    first, stop : int
    carried : array or None
        The most energy that each bank could hold before `first`; None: all that it can hold. [kWh]
    """

    def __init__(
        self, problem: Problem, limits: list[MovableLimit], first: int, stop: int, carried: np.ndarray | None
    ):
        self.problem, self.limits, self.first, self.stop = problem, limits, first, stop
        wide, tall = problem.step_columns, problem.step_rows
        self._before = max(first - 1, 0) * wide
        lower = problem.lower[self._before : stop * wide].copy()
        upper = problem.upper[self._before : stop * wide].copy()
        if first > 0:
            held = stored_places(problem, first - 1) - self._before
            lower[held] = 0.0
            if carried is not None:
                upper[held] = carried
        matrix = problem.matrix[first * tall : stop * tall, self._before : stop * wide].tocsr()
        low, high = (
            problem.row_lower[first * tall : stop * tall],
            problem.row_upper[first * tall : stop * tall],
        )
        totals, most = self._totals()
        low, high = np.r_[low, np.full(len(most), -np.inf)], np.r_[high, most]
        stacked = sparse.csr_array(sparse.vstack([matrix, totals], format="csr"))
        self._assemble(stacked, low, high, lower, upper)

    def _totals(self) -> tuple[sparse.csr_array, np.ndarray]:
        """Sums over months, of what this window has of each, as rows of their own, and the most of each."""
        problem, wide = self.problem, self.problem.step_columns
        own = slice(self.first * wide, self.stop * wide)
        ahead, parts, most = self.first * wide - self._before, [], [np.zeros(0)]
        count = (self.stop - self.first) * problem.step_rows
        self._total_rows: dict[str, np.ndarray] = {}
        for name in (name for name in problem.columns if name.endswith(WARRANTED)):
            groups = problem.timeline.groups(problem.columns[name].per)
            met = np.unique(groups.of_step[self.first : self.stop])
            rows = problem.matrix[problem.row_places[name][met]][:, own]
            parts.append(sparse.hstack([sparse.csr_array((len(met), ahead)), rows], format="csr"))
            most.append(problem.upper[problem.places[name][met]])
            self._total_rows[name] = count + np.arange(len(met))
            count += len(met)
        nothing = sparse.csr_array((0, self.stop * wide - self._before))
        return sparse.csr_array(sparse.vstack([nothing, *parts], format="csr")), np.concatenate(most)

    def _assemble(
        self, matrix: Any, low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray
    ) -> None:
        columns = len(lower)
        self.movers = columns + np.arange(len(self.limits))
        blocks, lows, highs = [], [], []
        for mover, limit in zip(self.movers, self.limits, strict=True):
            for hold in limit.holds:
                part, bound, local = self._held(hold, matrix, low, high, lower, upper)
                move = sparse.csr_array(
                    (
                        np.full(len(bound), -1.0 if hold.upper else 1.0),
                        (np.arange(len(bound)), np.full(len(bound), mover - columns)),
                    ),
                    shape=(len(bound), len(self.limits)),
                )
                blocks.append(sparse.hstack([part, move], format="csr"))
                lows.append(np.full(len(bound), -np.inf) if hold.upper else bound)
                highs.append(bound if hold.upper else np.full(len(bound), np.inf))
                self._loosen(hold, local, low, high, lower, upper)
        whole = sparse.csr_array(
            (matrix.data, matrix.indices, matrix.indptr), shape=(matrix.shape[0], columns + len(self.limits))
        )
        model = highspy.HighsLp()
        stacked = sparse.vstack([whole, *blocks], format="csr")
        model.num_col_, model.num_row_ = stacked.shape[1], stacked.shape[0]
        model.col_cost_ = np.zeros(stacked.shape[1])
        model.col_lower_ = np.r_[lower, np.zeros(len(self.limits))]
        model.col_upper_ = np.r_[upper, np.zeros(len(self.limits))]
        model.row_lower_, model.row_upper_ = np.concatenate([low, *lows]), np.concatenate([high, *highs])
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.num_col_, model.a_matrix_.num_row_ = stacked.shape[1], stacked.shape[0]
        model.a_matrix_.start_ = stacked.indptr.astype(np.int32)
        model.a_matrix_.index_ = stacked.indices.astype(np.int32)
        model.a_matrix_.value_ = stacked.data
        self._highs = quiet_highs()
        for option, value in (("output_flag", False), ("threads", 1), ("time_limit", 60.0)):
            self._highs.setOptionValue(option, value)
        self._highs.passModel(model)
        self._columns = columns

    def _held(
        self, hold: Hold, matrix: Any, low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray
    ) -> tuple[Any, np.ndarray, np.ndarray]:
        """Rows that say a hold once more, their bound, and the numbers of what they stand for."""
        if hold.place in self._total_rows:
            local = self._total_rows[hold.place]
            return matrix[local], high[local].copy(), local
        places = self.problem.places if hold.is_column else self.problem.row_places
        inside = places[hold.place][self.first : self.stop]
        if hold.steps is not None:
            inside = inside[hold.steps[self.first : self.stop]]
        if hold.is_column:
            local = inside - self._before
            one = (np.ones(len(local)), (np.arange(len(local)), local))
            part = sparse.csr_array(one, shape=(len(local), len(lower)))
            return part, (upper if hold.upper else lower)[local].copy(), local
        local = inside - self.first * self.problem.step_rows
        return matrix[local], (high if hold.upper else low)[local].copy(), local

    def _loosen(
        self,
        hold: Hold,
        local: np.ndarray,
        low: np.ndarray,
        high: np.ndarray,
        lower: np.ndarray,
        upper: np.ndarray,
    ) -> None:
        """Lift the original of a hold, which its movable copy now stands for."""
        if not hold.is_column or hold.place in self._total_rows:
            (high if hold.upper else low)[local] = np.inf if hold.upper else -np.inf
        elif hold.upper:
            upper[local] = np.inf
        else:
            lower[local] = 0.0

    def fullest(self, moved: dict[int, float] | None = None) -> np.ndarray | None:
        """The most energy that each bank can hold at the end; None if not every limit can be kept. [kWh]

        `moved` are amounts by which limits, by number, may be moved.
        """
        most = np.zeros(len(self.limits))
        for number, amount in (moved or {}).items():
            most[number] = amount
        fullest = []
        # Bank by bank: together they cannot hold more, so what is impossible from there is certainly so.
        for last in stored_places(self.problem, self.stop - 1) - self._before:
            costs = np.zeros(self._columns)
            costs[last] = -1.0
            self._price(costs, np.zeros(len(self.limits)), most)
            x = self._run()
            if x is None:
                return None
            fullest.append(x[last])
        if not fullest:
            self._price(np.zeros(self._columns), np.zeros(len(self.limits)), most)
            return None if self._run() is None else np.zeros(0)
        return np.array(fullest)

    def possible(self) -> bool:
        """Whether every limit can be kept."""
        nothing = np.zeros(len(self.limits))
        self._price(np.zeros(self._columns), nothing, nothing)
        return self._run() is not None

    def least(self, weights: dict[int, float]) -> np.ndarray | None:
        """The least moves of some limits, by number, that make a schedule possible; None if none do."""
        costs, most = np.zeros(len(self.limits)), np.zeros(len(self.limits))
        for number, weight in weights.items():
            costs[number], most[number] = weight, np.inf
        self._price(np.zeros(self._columns), costs, most)
        x = self._run()
        if x is None:
            return None
        self.x = x[: self._columns]
        return np.maximum(x[self.movers], 0.0)

    def _price(self, costs: np.ndarray, moves: np.ndarray, most: np.ndarray) -> None:
        every = np.arange(self._columns + len(self.limits), dtype=np.int32)
        self._highs.changeColsCost(len(every), every, np.r_[costs, moves])
        if len(most):
            self._highs.changeColsBounds(len(most), self.movers.astype(np.int32), np.zeros(len(most)), most)

    def _run(self) -> np.ndarray | None:
        self._highs.run()
        if self._highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        return np.array(self._highs.getSolution().col_value)

    def value(self, name: str, step: int) -> float:
        """A column's value in the last answer."""
        return float(self.x[self.problem.places[name][step] - self._before])


def stored_places(problem: Problem, step: int) -> np.ndarray:
    """Places of the banks' stored energy at the end of a step."""
    names = [name for name in problem.places if name.startswith("storage.") and name.endswith(".stored_kwh")]
    return np.array([problem.places[name][step] for name in names], int)


def bare_problem(scenario: Any) -> Problem:
    """The problem of a scenario without money and services, which never forbid a schedule.

    A register's bound is drawn tight by what its inverters can move; here it is the limit alone, so that
    moving a rating is not held back by what was derived from it.
    """
    tariff = scenario.file.tariff.model_copy(update={"component": ()})
    solve = scenario.file.solve.model_copy(update={"tie_break_per_kwh": 0.0})
    file = scenario.file.model_copy(update={"service": (), "tariff": tariff, "solve": solve})
    problem = build_problem(replace(scenario, file=file))
    lower, upper = problem.lower.copy(), problem.upper.copy()
    site, terms = scenario.site, _numbers(scenario)
    of_phases = dict(zip(("import", "export"), site.phase_limits_kw(terms), strict=True))
    for name, places in problem.places.items():
        if name.startswith("meter."):
            *_, phase, word = name.removesuffix("_kw").split(".")
            whole = getattr(site.connection, f"{word}_limit_kw")
            upper[places] = terms.values(whole) if phase == "meter" else of_phases[word][phase]
        elif name.startswith("export room of ") or HELD_BACK in name:
            # The limit stands in a rule of its own.
            lower[places], upper[places] = -np.inf, np.inf
    return replace(problem, lower=lower, upper=upper)


def explained(scenario: Any) -> InfeasibleError | DriftError:
    """The error that names what cannot be kept.

    Parameters
    ----------
    scenario : Scenario
        Its limits are stated afresh, without services.

    Returns
    -------
    InfeasibleError or DriftError
        Its `findings` name each limit that has to be moved, with the step, the local time and the amount. Where every
        limit can be kept after all, it is a defect of ours.
    """
    try:
        check_weeks(scenario)
    except InfeasibleError as error:
        return error
    bare = bare_problem(scenario)
    steps = bare.timeline.steps
    if not DiagnosisWindow(bare, [], 0, steps, None).possible():
        # Each span can be done from the most that could be stored before it, but not all of them together.
        return _together(scenario, bare, limits_of(scenario, bare), 0, steps, None, "")
    return DriftError(
        "the solver finds no schedule, yet every limit of site and storage can be kept, services may always be left "
        "unsold and no price forbids anything"
    )


def check_weeks(scenario: Any) -> None:
    """Walk the weeks of a scenario, or its months where a warranty counts by them, each from as much energy as could be
    stored before it.

    A short scenario is looked at as a whole, which is exact. Takes seconds for a year.

    Raises
    ------
    InfeasibleError
        If a week cannot be done, with the limit that has to be moved, the step and the amount.
    """
    problem = bare_problem(scenario)
    limits = limits_of(scenario, problem)
    found = _first_impossible(problem)
    if found is not None:
        raise _told(scenario, problem, limits, *found)


def _first_impossible(problem: Problem) -> tuple[int, int, np.ndarray | None] | None:
    """The first week that cannot be done from as much energy as could be stored before it."""
    carried = None
    for first, stop in pairwise(_edges(problem, 0)):
        fullest = DiagnosisWindow(problem, [], first, stop, carried).fullest()
        if fullest is None:
            return first, stop, carried
        carried = fullest
    return None


def _edges(problem: Problem, first: int) -> list[int]:
    """A step and the ends of the spans after it: all that is left where that is short, else months or weeks."""
    steps = problem.timeline.steps
    if steps * problem.step_columns <= MOST_COLUMNS_WHOLE:
        return [first, steps]
    counted = [family for name, family in problem.columns.items() if name.endswith(WARRANTED)]
    if counted:
        ends = [int(start) for start in problem.timeline.groups(counted[0].per).first_step]
    else:
        ends = list(range(first, steps, max(1, round(SPAN_HOURS / problem.timeline.step_hours))))
    return [first, *(end for end in ends if first < end < steps), steps]


def _smallest(lowest: int, highest: int, holds: Callable[[int], bool]) -> int:
    """The smallest number from `lowest` to `highest` that holds, given that all after it hold too."""
    while lowest < highest:
        middle = (lowest + highest) // 2
        if holds(middle):
            highest = middle
        else:
            lowest = middle + 1
    return highest


def _told(
    scenario: Any,
    problem: Problem,
    limits: list[MovableLimit],
    first: int,
    stop: int,
    carried: np.ndarray | None,
    also: str = "",
) -> InfeasibleError:
    """What has to give way in a span that cannot be done."""
    soonest = _smallest(
        first + 1, stop, lambda b: not DiagnosisWindow(problem, [], first, b, carried).possible()
    )
    alone = _cures(DiagnosisWindow(problem, limits, first, soonest, carried), limits)
    if not alone:
        return _together(scenario, problem, limits, first, soonest, carried, also)
    # Named is the limit that comes first by rank; among equals the one that has to be moved least.
    order = sorted(alone, key=lambda number: (limits[number].rank, alone[number]))
    whole = DiagnosisWindow(problem, limits, first, stop, carried)
    wholly = {number: moves for number in order if (moves := _least_of(whole, number)) is not None}
    number = next(iter(wholly), order[0])
    amount, worst, needed = alone[number], soonest, alone
    if number in wholly and stop - first > 1:
        hardest = _hardest(problem, limits[number], (first, stop, carried), wholly[number])
        first, stop, carried, amount = hardest.first, hardest.stop, hardest.carried, hardest.amount
        if hardest.looked_at < problem.timeline.steps and not also:
            since = scenario.timeline.when(hardest.looked_at)
            also = f"What follows {since} was not looked at and may need more."
        if amount > alone[number] * (1 + TOLERANCE):
            needed = _cures(DiagnosisWindow(problem, limits, first, stop, carried), limits)
            enough = amount * NEAR_THE_MOST
            worst = _smallest(
                first + 1,
                stop,
                lambda b: (
                    (_least_of(DiagnosisWindow(problem, [limits[number]], first, b, carried), 0) or 0.0)
                    >= enough
                ),
            )
    by_itself = not DiagnosisWindow(problem, [], worst - 1, worst, None).possible()
    window = DiagnosisWindow(problem, limits, first, worst, carried)
    window.least({number: 1.0})
    finding = _finding(scenario, window, limits[number], amount, worst - 1)
    others = {other: needed[other] for other in order if other != number and other in needed}
    names = [_rule(limits[other], "") for other in others if limits[other].rank < 5][:3]
    words = [_sentence(scenario, window, limits[number], finding, names, by_itself)]
    instead = [_alternative(limits[other], others[other]) for other in others][:3]
    if instead:
        words.append("Or instead: " + "; or ".join(instead) + ".")
    if worst != soonest:
        words.append(f"It is first missing at {scenario.timeline.when(soonest - 1)}.")
    finding["instead"] = [
        {"rule": _rule(limits[other], ""), "amount": others[other], "unit": limits[other].unit}
        for other in others
    ]
    return InfeasibleError("no schedule keeps every limit: " + " ".join([*words, also]).strip(), [finding])


@dataclass(frozen=True)
class _Hardest:
    """The span in which a limit has to be moved most, by how much, and the step up to which was looked."""

    first: int
    stop: int
    carried: np.ndarray | None
    amount: float
    looked_at: int


def _hardest(problem: Problem, limit: MovableLimit, span: tuple[int, int, Any], amount: float) -> _Hardest:
    """Walk on from a span with a limit moved by what it lacks there, and further where that falls short."""
    began, steps = time.perf_counter(), problem.timeline.steps
    first, stop, carried = span
    hardest = span
    if steps * problem.step_columns <= MOST_COLUMNS_WHOLE:
        return _Hardest(*span, amount, stop)
    enough = {0: amount * (1 + TOLERANCE)}
    carried = DiagnosisWindow(problem, [limit], first, stop, carried).fullest(enough)
    for at, end in pairwise(_edges(problem, stop)):
        if at >= end or carried is None or time.perf_counter() - began >= WALK_SECONDS:
            break
        window = DiagnosisWindow(problem, [limit], at, end, carried)
        fullest = window.fullest(enough)
        if fullest is None:
            more = _least_of(window, 0)
            if more is None:
                break
            amount, hardest, enough = more, (at, end, carried), {0: more * (1 + TOLERANCE)}
            fullest = window.fullest(enough)
        carried, stop = fullest, end
    return _Hardest(*hardest, amount, stop)


def _least_of(window: DiagnosisWindow, number: int) -> float | None:
    """The least move of one limit alone that makes a schedule possible, if any does."""
    moves = window.least({number: 1.0})
    return None if moves is None else float(moves[number])


def _cures(window: DiagnosisWindow, limits: list[MovableLimit]) -> dict[int, float]:
    """The limits that make a schedule possible by being moved alone, and by how much."""
    moves = {number: _least_of(window, number) for number in range(len(limits))}
    return {number: move for number, move in moves.items() if move is not None and move > TOLERANCE}


def _together(
    scenario: Any, problem: Problem, limits: list[MovableLimit], start: int, stop: int, given: Any, also: str
) -> InfeasibleError:
    """Several limits that have to be moved at once."""
    window = DiagnosisWindow(problem, limits, start, stop, given)
    moves = window.least({number: 4.0**limit.rank for number, limit in enumerate(limits)})
    when = scenario.timeline.when(stop - 1)
    if moves is None:
        return InfeasibleError(
            f"no schedule keeps every limit, and at {when} none that can be moved helps: the DC bus has no "
            "way to be supplied. Add an inverter that can take power in, or storage.",
            [
                {
                    "rule": "balance of the DC bus",
                    "step": stop - 1,
                    "when": when,
                    "amount": _fixed_kw(scenario, stop - 1),
                    "unit": "kW",
                }
            ],
        )
    numbers = sorted(np.flatnonzero(moves > TOLERANCE), key=lambda number: limits[number].rank)
    findings = [_finding(scenario, window, limits[n], float(moves[n]), stop - 1) for n in numbers]
    words = [_sentence(scenario, window, limits[n], f) for n, f in zip(numbers, findings, strict=True)]
    listed = " And: ".join(words)
    text = f"no schedule keeps every limit, and {len(words)} have to be moved at once: {listed} {also}"
    return InfeasibleError(text.strip(), findings)


def _numbers(scenario: Any) -> SettledTerms:
    return SettledTerms(scenario.timeline, scenario.read, {})


def _finding(
    scenario: Any, window: DiagnosisWindow, limit: MovableLimit, amount: float, step: int
) -> dict[str, Any]:
    rule = _rule(limit, _phase_that_binds(scenario, window, limit, step))
    return {
        "rule": rule,
        "step": step,
        "when": scenario.timeline.when(step),
        "amount": amount,
        "unit": limit.unit,
    }


def _rule(limit: MovableLimit, phase: str) -> str:
    return limit.rule.replace("phase {phase}", f"phase {phase}" if phase else "each phase")


def _phase_that_binds(scenario: Any, window: DiagnosisWindow, limit: MovableLimit, step: int) -> str:
    """The phase that goes furthest beyond a limit that all share."""
    if "{phase}" not in limit.rule:
        return ""
    sign = 1 if limit.rule.startswith("import") else -1
    nets = {phase: sign * _net_kw(scenario, window, phase, step) for phase in scenario.site.phase_names}
    return max(nets, key=lambda phase: nets[phase])


def _net_kw(scenario: Any, window: DiagnosisWindow, phase: str, step: int) -> float:
    """Signed power of a phase in a window's last answer. [kW]"""
    site = scenario.site
    net = float(site.load_kw(_numbers(scenario), phase)[step])
    for system in site.ac_solar:
        net -= site.share(system, phase) * window.value(f"ac_solar.{system.name}.solar_kw", step)
    for inverter in site.inverter:
        name, share = f"inverter.{inverter.name}", site.share(inverter, phase)
        net += share * (window.value(f"{name}.input_kw", step) - window.value(f"{name}.output_kw", step))
    return net


def _fixed_kw(scenario: Any, step: int) -> float:
    """DC load and standby of everything on the bus. [kW]"""
    return float(scenario.site.dc_needs_kw(_numbers(scenario), scenario.storage)[step])


def _asked(scenario: Any, step: int) -> str:
    """What has to be served in a step, in words."""
    site, terms = scenario.site, _numbers(scenario)
    loads = {phase: float(site.load_kw(terms, phase)[step]) for phase in site.phase_names}
    words = f"a load of {_shown(sum(loads.values()))} kW"
    if len(loads) > 1:
        words += " (" + ", ".join(f"{phase} {_shown(load)}" for phase, load in loads.items()) + ")"
    fixed = _fixed_kw(scenario, step)
    return f"{words} and {_shown(fixed)} kW of DC load and standby" if fixed else words


def _sentence(
    scenario: Any,
    window: DiagnosisWindow,
    limit: MovableLimit,
    finding: dict[str, Any],
    others: list[str] | None = None,
    by_itself: bool = True,
) -> str:
    """One finding: what is asked, what is allowed, what is missing, what to do."""
    step, amount, unit, when = finding["step"], finding["amount"], limit.unit, finding["when"]
    value = None if limit.value is None else limit.value(step)
    more = f"{_shown(amount)} {unit}"
    beyond = " and the ".join(others or ["other limits"])
    if limit.kind == "wear":
        return (
            f"the {finding['rule']} allows {_shown(value or 0)} kWh to be discharged in the month of {when}; to serve "
            f"{_asked(scenario, step)} takes {more} more by then, counted from "
            f"{scenario.timeline.when(window.first)} on, within the {beyond}. Say {limit.field} = false, or lower what "
            "is asked for."
        )
    if limit.kind == "given":
        return (
            f"the {finding['rule']}, existing solar that nobody commands, is {_shown(value or 0)} kW at {when}, of "
            f"which {more} fit nowhere within the {beyond}. Say {limit.field} = true if it may be commanded."
        )
    if limit.kind == "stored":
        fraction = (value or 0.0) - amount
        return (
            f"the {finding['rule']} asks for {_shown(value or 0)} kWh at the end of the step of {when}, "
            f"{more} more than can be stored by then within the {beyond}. Lower {limit.field} so that it asks for at "
            f"most {_shown(fraction)} kWh."
        )
    allowed = "is too low" if value is None else f"allows {_shown(value)} {unit}"
    span = ""
    if not by_itself:
        span = f", counted from {scenario.timeline.when(window.first)} on"
    text = (
        f"the {finding['rule']} {allowed} at {when}; to serve {_asked(scenario, step)} takes {more} "
        f"more{span}, after all that sun, storage and inverters can do within the {beyond}."
    )
    if value is None:
        return f"{text} Raise {limit.field}{_amperes(scenario, window, limit, step, amount)}."
    target = f"{_shown(value + amount)} {unit}"
    if limit.field.endswith("pass_through_limit_a"):
        target = f"{_shown(current_a(value + amount, scenario.site.connection.phase_voltage_v))} A"
    return f"{text} Raise {limit.field} to at least {target}, or lower what is asked for."


def _amperes(scenario: Any, window: DiagnosisWindow, limit: MovableLimit, step: int, amount_kw: float) -> str:
    """The current that a power is worth at the bus voltage of a step."""
    bank = bank_on_bus(scenario.storage)
    volts = scenario.site.lowest_bus_voltage(scenario.storage)
    if bank is not None:
        volts = float(voltage_at(bank, window.value(f"storage.{bank.name}.stored_kwh", step)))
    return f" by about {_shown(current_a(amount_kw, volts))} A in all (at {_shown(volts)} V)"


def _alternative(limit: MovableLimit, amount: float) -> str:
    if limit.kind == "wear":
        return f"go {_shown(amount)} {limit.unit} beyond the {limit.rule} ({limit.field})"
    verb = "raise" if limit.kind == "most" else "lower"
    return f"{verb} the {_rule(limit, '')} by {_shown(amount)} {limit.unit} ({limit.field})"


def _shown(number: float) -> str:
    return f"{number:.4g}"


def check_supply(scenario: Any) -> None:
    """Compare, in every step by itself, what must be served with the most that could serve it.

    Only conclusions that are certain: banks are taken as full at their highest voltage, and all sun is used.

    Raises
    ------
    InfeasibleError
        If there is a step that no state of storage could serve (the worst is told, and how many there are),
        or if the banks run short of what they must hold however much is stored before.
    """
    missing = {name: excess for name, excess in _excesses(scenario) if excess.max(initial=0.0) > TOLERANCE}
    if not missing:
        if _runs_short(scenario):
            raise explained(scenario)
        return
    step = int(np.argmax(max(missing.values(), key=lambda excess: float(excess.max()))))
    problem = bare_problem(scenario)
    limits = limits_of(scenario, problem)
    count = int((np.max(list(missing.values()), axis=0) > TOLERANCE).sum())
    also = f"{count} steps cannot be served; this one lacks the most." if count > 1 else ""
    if (
        len(problem.lower) <= MOST_COLUMNS_WHOLE
        and not DiagnosisWindow(problem, [], 0, scenario.timeline.steps, None).possible()
    ):
        raise _told(scenario, problem, limits, 0, scenario.timeline.steps, None, also)
    if DiagnosisWindow(problem, [], step, step + 1, None).possible():
        return
    raise _told(scenario, problem, limits, step, step + 1, None, also)


def _excesses(scenario: Any) -> Iterator[tuple[str, np.ndarray]]:
    """How far what must be imported exceeds what may be, at the least, by rule. [kW]"""
    site, terms = scenario.site, _numbers(scenario)
    bus_kw, outputs, inputs = (
        _bus_kw(scenario, terms),
        _dc_limited(scenario, "out"),
        _dc_limited(scenario, "in"),
    )
    best_out = max((i.output_efficiency for i in site.inverter), default=1.0)
    best_in = max((i.input_efficiency for i in site.inverter), default=1.0)
    input_dc = sum(inputs[i.name] * i.input_efficiency for i in site.inverter)
    yield "DC bus", -bus_kw - input_dc
    lowest, highest = {}, {}
    phase_most, _ = site.phase_limits_kw(terms)
    for phase in site.phase_names:
        load = site.load_kw(terms, phase)
        solar = sum((site.share(s, phase) * s.available(terms) for s in site.ac_solar), np.zeros(len(load)))
        output = sum(site.share(i, phase) * outputs[i.name] for i in site.inverter)
        helped = np.minimum(output, best_out * np.maximum(bus_kw + input_dc, 0))
        lowest[phase] = load - solar - helped
        into = sum(site.share(i, phase) * inputs[i.name] for i in site.inverter)
        highest[phase] = np.minimum(load + into, phase_most[phase])
    load_less_sun = sum(site.load_kw(terms, phase) for phase in site.phase_names)
    load_less_sun = load_less_sun - sum((s.available(terms) for s in site.ac_solar), np.zeros(len(bus_kw)))
    given = np.minimum(sum(outputs.values()), best_out * np.maximum(bus_kw, 0))
    taken = np.maximum(-bus_kw, 0) / best_in
    yield "import limit", load_less_sun - given + taken - terms.values(site.connection.import_limit_kw)
    for phase in site.phase_names:
        if site.connection.import_limit_kw_per_phase is not None:
            yield f"phase {phase}", lowest[phase] - phase_most[phase]
        for line in site.pass_through(terms, phase):
            yield f"pass-through {line.inverter} {phase}", lowest[phase] - line.highest_net_kw
        if site.connection.imbalance_limit_kw is not None:
            for other in site.phase_names:
                if other != phase:
                    yield (
                        f"imbalance {phase} {other}",
                        lowest[phase] - highest[other] - site.connection.imbalance_limit_kw,
                    )


def _runs_short(scenario: Any) -> bool:
    """Whether all banks together fall below what they must hold, with every loss taken at its least."""
    banks, terms = scenario.storage, _numbers(scenario)
    if not banks:
        return False
    hours, timeline = terms.step_hours, scenario.timeline
    floor = sum(bank.floor_kwh(timeline) for bank in banks)
    floor[-1] = max(floor[-1], sum(min(bank.end_kwh, bank.capacity_kwh) for bank in banks))
    kept = max(bank.kept(hours) for bank in banks)
    into = max(bank.best_efficiency[0] for bank in banks)
    out_of = max(bank.best_efficiency[1] for bank in banks)
    most_in = sum(bank.charge_limit_kw for bank in banks)
    net = (
        _bus_kw(scenario, terms)
        - sum(bank.discharge_limit_kw for bank in banks)
        + _grid_to_bus_kw(scenario, terms)
    )
    change = hours * np.where(net > 0, np.minimum(net, most_in) * into, net / out_of)
    stored, capacity = sum(bank.start_kwh for bank in banks), sum(bank.capacity_kwh for bank in banks)
    for rise, least in zip(change.tolist(), floor.tolist(), strict=True):
        stored = min(capacity, kept * stored + rise)
        if stored < least - TOLERANCE:
            return True
    return False


def _grid_to_bus_kw(scenario: Any, terms: SettledTerms) -> np.ndarray:
    """The most that inverters can bring to the bus, less what loads beyond the import limits take. [kW]"""
    site = scenario.site
    best_out = max((i.output_efficiency for i in site.inverter), default=1.0)
    best_in = max((i.input_efficiency for i in site.inverter), default=1.0)
    inputs = _dc_limited(scenario, "in")

    def brought(room_kw: np.ndarray, most_kw: float) -> np.ndarray:
        return best_in * np.clip(room_kw, 0, most_kw) - np.maximum(-room_kw, 0) / best_out

    whole, by_phase = terms.values(site.connection.import_limit_kw).copy(), np.zeros(scenario.timeline.steps)
    phase_most, _ = site.phase_limits_kw(terms)
    for phase in site.phase_names:
        room = -site.load_kw(terms, phase)
        room = room + sum(site.share(s, phase) * s.available(terms) for s in site.ac_solar)
        whole = whole + room
        into = sum(site.share(i, phase) * inputs[i.name] for i in site.inverter)
        by_phase = by_phase + brought(phase_most[phase] + room, into)
    return np.minimum(brought(whole, sum(inputs.values())), by_phase)


def _bus_kw(scenario: Any, terms: SettledTerms) -> np.ndarray:
    """The most that sun and banks can bring to the bus, less its own load and standby. [kW]"""
    site = scenario.site
    volts = _highest_voltage(scenario)
    power = np.zeros(scenario.timeline.steps)
    for controller in site.solar_controller:
        amperes = controller.current_limit_a
        most = np.inf if amperes is None else power_kw(amperes, volts)
        power = power + np.minimum(controller.available(terms), most)
    for bank in scenario.storage:
        power = power + bank.discharge_limit_kw
    return power - site.dc_needs_kw(terms, scenario.storage)


def _dc_limited(scenario: Any, way: str) -> dict[str, float]:
    """Each inverter's AC power one way, within its DC current limit at the highest voltage. [kW]"""
    made = {}
    for inverter in scenario.site.inverter:
        rating, efficiency = inverter.input_kw, 1 / inverter.input_efficiency
        if way == "out":
            rating, efficiency = inverter.output_kw, inverter.output_efficiency
        amperes = inverter.dc_current_limit_a
        most = np.inf if amperes is None else power_kw(amperes, _highest_voltage(scenario)) * efficiency
        made[inverter.name] = min(rating, most)
    return made


def _highest_voltage(scenario: Any) -> float:
    bank = bank_on_bus(scenario.storage)
    return scenario.site.lowest_bus_voltage(scenario.storage) if bank is None else bank.voltages[1]
