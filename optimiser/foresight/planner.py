"""Plans: windows of one linear program, each with what its moment knows and what has happened before it.

The program of the whole timeline is built once. Its matrix holds no data that a planner must not see (what depends on
data stands in bounds, right-hand sides and prices, and these are replaced window by window), so a window is a slice of
it: what came before goes to the right-hand side, and peaks, sums and commitments go on from where they are.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.columns import of_bank, of_bundle, of_flexible, of_service
from optimiser.engine.branching import Part
from optimiser.engine.decisions import PAIR, Decisions, implied_rows, stacked
from optimiser.engine.solver import BASIC, Basis, Highs, Solution
from optimiser.engine.tiling import Problem
from optimiser.engine.windows import Draft, StepWindow, Windows, as_a_day_before
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.storage import capacity_shares
from optimiser.equipment.waiting import Flexible
from optimiser.errors import UnprovenError
from optimiser.foresight.facts import Facts, Plans, Policy
from optimiser.foresight.handed import Handed
from optimiser.foresight.policies import as_known
from optimiser.foresight.reserve import ServiceRoom
from optimiser.foresight.seen import AsKnown, Data, built, of_steps
from optimiser.scenario.file import Scenario
from optimiser.services.product import Product
from optimiser.tariff.demand import KINDS as DEMAND

# How hard a plan is searched for the best directions: what it may give up, linear programs, time.
SPARE, SEARCH_NODES, SEARCH_SECONDS = 2e-4, 16, 2.0


@dataclass(frozen=True)
class Plan:
    """What is meant to be done in the steps that a plan sees.

    Attributes
    ----------
    first, stop : int
        The steps.
    columns : int array
        Places in the whole program.
    x : array
        Values there.
    worth : dict of str to float
        Mean marginal worth of energy stored in each bank over the last day seen. [currency/kWh]
    after : array of shape (stop - first,)
        What a kWh left in the banks after each step is worth, by their capacities. [currency/kWh]
    """

    first: int
    stop: int
    columns: np.ndarray
    x: np.ndarray
    worth: dict[str, float]
    after: np.ndarray


@dataclass(frozen=True)
class Remembered:
    """What a planner knows of the windows so far: columns, groups that have begun, offers by their gates."""

    x: np.ndarray
    seen: np.ndarray
    committed: dict[str, np.ndarray]


class Planner:
    """The program of a scenario, cut into windows.

    Parameters
    ----------
    facts : Facts
    plans : Plans
    policy : Policy

    Attributes
    ----------
    problem : Problem
        Of the whole timeline, on what happens.
    x : array of shape (columns,)
        What has happened so far.
    seen : bool array of shape (columns,)
        Columns of groups that have begun.
    """

    def __init__(self, facts: Facts, plans: Plans, policy: Policy):
        scenario = facts.scenario
        self._scenario, self._plans = scenario, plans
        self.problem = built(scenario, dict(scenario.columns))
        self._actual = Windows(self.problem)
        self._known = [self._layer(policy, facts, lead) for lead in range(plans.seen)]
        self._work = Data.of(self.problem, self.problem)
        # The windows cut from what the work data say at the time.
        seen = dataclasses.replace(
            self.problem,
            **{name: getattr(self._work, name) for name in ("row_lower", "row_upper", "lower", "upper")},
        )
        self._windows = Windows(seen, self._work.objective)
        self._needs = {load.name: load.need(scenario.data) for load in scenario.site.flexible_load}
        self._draft = Draft.of(self.problem)
        self._done = 0
        self._of_steps = of_steps(self.problem)
        self.x, self.seen = self._draft.x, self._draft.seen
        self.reserve = ServiceRoom(scenario, self.problem)
        self._demand = _demand_columns(scenario, self.problem)
        self._gates = _gates(scenario, self.problem)
        self._moving = {
            name for product in scenario.service if product.utilisation_gross for name in _columns_of(product)
        }
        self._committed = {name: np.zeros(len(gates)) for name, gates in self._gates.items()}
        nearest = {**scenario.columns, **as_known(policy, facts, plans, 0)}
        #: What an exported kWh is expected to bring as its window begins, of shape (steps,). [currency/kWh]
        self.export_price = np.nan_to_num(scenario.tariff.export_price(AsKnown(scenario, nearest).data))
        #: What an imported one is expected to cost. [currency/kWh]
        self.import_price = np.nan_to_num(scenario.tariff.import_price(AsKnown(scenario, nearest).data))

    def _layer(self, policy: Policy, facts: Facts, lead: int) -> tuple[Data, np.ndarray]:
        """What plans knew so many windows ahead, and for which steps they knew nothing."""
        known = as_known(policy, facts, self._plans, lead)
        unknown = np.zeros(facts.timeline.steps, bool)
        for reference, values in known.items():
            unknown |= np.isnan(values)
            known[reference] = np.nan_to_num(values)
        columns = dict(facts.scenario.columns)
        same = all(np.array_equal(columns[name][~unknown], known[name][~unknown]) for name in known)
        problem = self.problem if same else built(facts.scenario, columns | known)
        return Data.of(problem, self.problem), unknown

    def plan(self, number: int, worth: dict[str, float] | None) -> Plan | None:
        """The best for a window as it is seen; None where nothing is known yet or no schedule keeps every limit.

        Parameters
        ----------
        number : int
            Of the window.
        worth : dict of str to float or None
            What a kWh left in each bank at the end of the view is worth; None: as the first plan reckons it.
        """
        first, stop = self._plans.span(number)
        if not self._look(number):
            return None
        window = self._windows.ahead(first, stop, self.x, self.seen)
        self._allow_what_is_stored(window, first, stop)
        self._aim(window)
        if stop < self._plans.edges[-1]:
            self._price_the_end(window, stop, worth)
        late = self._keep_what_is_fixed(window, first)
        found = self._solved(window, first, stop)
        if found is None and len(late):
            # What was offered cannot be held in full; what is not available is not paid.
            window.piece.lower[late] = 0.0
            found = self._solved(window, first, stop)
        if found is None:
            return None
        relaxed, x = found
        self._commit(window, x, first, int(self._plans.edges[number + 1]))
        worth = self._worth(window, relaxed, stop)
        return Plan(first, stop, window.columns, x, worth, self._after(window, relaxed, first, stop))

    def remember(self) -> Remembered:
        """What the windows so far have left behind, to go back to."""
        return Remembered(
            self.x.copy(), self.seen.copy(), {name: made.copy() for name, made in self._committed.items()}
        )

    def go_back(self, then: Remembered) -> None:
        """Take up again from where `remember` was called."""
        self.x[:], self.seen[:] = then.x, then.seen
        for name, made in then.committed.items():
            self._committed[name][:] = made

    def begun_and_moving(self, step: int) -> dict[str, tuple[int, float]]:
        """Offers that are expected to move energy, of blocks that began before a step and go on at it.

        Returns
        -------
        dict of str to (int, float)
            By column: the step in which the block began, and what was offered. [kW]
        """
        found = {}
        for name, places in self.problem.places.items():
            if name not in self._moving or step >= self.problem.timeline.steps:
                continue
            blocks = self.problem.timeline.groups(self.problem.columns[name].per)
            block = int(blocks.of_step[step])
            if (began := int(blocks.first_step[block])) < step:
                found[name] = (began, float(self.x[places[block]]))
        return found

    def _look(self, number: int) -> bool:
        """Fill the windows ahead with what is known of each; False if of one nothing is."""
        edges = self._plans.edges
        for lead, (data, unknown) in enumerate(self._known[: self._plans.count - number]):
            first, stop = int(edges[number + lead]), int(edges[number + lead + 1])
            if unknown[first:stop].any():
                return False
            columns, rows = self._windows.within(first, stop)
            self._work.take(data, rows, columns)
        return True

    def committed(self, name: str) -> np.ndarray:
        """What was offered by its gate in each block of a column with one. [kW]"""
        return self._committed[name]

    def _keep_what_is_fixed(self, window: StepWindow, first: int) -> np.ndarray:
        """Hold offers whose gate closed before this plan's moment to what an earlier plan offered; their places."""
        fixed = [np.zeros(0, int)]
        for name, gates in self._gates.items():
            at, inside = _among(window.columns, self.problem.places[name])
            late = gates[inside] < first
            offered = np.minimum(self._committed[name][inside[late]], window.piece.upper[at[late]])
            window.piece.lower[at[late]] = window.piece.upper[at[late]] = offered
            fixed.append(at[late])
        return np.concatenate(fixed)

    def _commit(self, window: StepWindow, x: np.ndarray, first: int, after: int) -> None:
        """Keep the offers whose gate closes before the next plan."""
        for name, gates in self._gates.items():
            at, inside = _among(window.columns, self.problem.places[name])
            closing = (gates[inside] >= first) & (gates[inside] < after)
            self._committed[name][inside[closing]] = x[at[closing]]

    def _aim(self, window: StepWindow) -> None:
        """Demand below the target earns nothing: the rest of the billing period is expected to reach it."""
        table = self._scenario.foresight
        if table.demand_target == "so_far":
            return
        for places in self._demand:
            for at, group in zip(*_among(window.columns, places), strict=True):
                if group == 0:
                    continue
                reached = self.x[places[:group]]
                last = reached[-1]
                if table.demand_target == "quantile":
                    last = np.quantile(reached, table.demand_quantile)
                target = min(table.demand_share * last, window.piece.upper[at])
                window.piece.lower[at] = max(window.piece.lower[at], target)

    def _price_the_end(self, window: StepWindow, stop: int, worth: dict[str, float] | None) -> None:
        """Energy left at the end of the view is worth what the last plan made of it, on average."""
        for bank in self._scenario.storage:
            place = self.problem.places[of_bank(bank.name, "stored_kwh")][stop - 1]
            at = np.searchsorted(window.columns, place)
            window.piece.objective[at] += (
                self._first_worth(window, bank) if worth is None else worth[bank.name]
            )

        for load in self._scenario.site.flexible_load:
            place = self.problem.places[of_flexible(load.name, "stored_kwh")][stop - 1]
            if not self._needs[load.name].kept[stop]:
                continue  # nothing is left of it in the step that follows
            at = np.searchsorted(window.columns, place)
            window.piece.objective[at] += (
                self._first_worth_of(window, load) if worth is None else worth[load.rule]
            )

    def _allow_what_is_stored(self, window: StepWindow, first: int, stop: int) -> None:
        """Where more was drawn from a store than expected, a plan asks a load for no more than can be reached again."""
        piece = window.piece
        for load in self._scenario.site.flexible_load:
            need, name = self._needs[load.name], of_flexible(load.name, "stored_kwh")
            at = np.searchsorted(window.columns, self.problem.places[name][first:stop])
            rows = np.searchsorted(window.rows, self.problem.row_places[load.rule][first:stop])
            # What is stored as the window begins stands with what is drawn on the right of the first row.
            most = piece.row_upper[rows] + need.hours * (need.gain * need.most_kw)[first:stop]
            stored = 0.0
            for step, (place, kept) in enumerate(zip(at, need.kept[first:stop], strict=True)):
                stored = min(float(most[step] + kept * stored), float(piece.upper[place]))
                piece.lower[place] = min(piece.lower[place], max(0.0, stored))

    def _first_worth(self, window: StepWindow, bank: StorageBank) -> float:
        """Half way between nothing and what the mean import of the view would cost, less the loss on the way out."""
        price = self._import_price(window, of_bank(bank.name, "stored_kwh"))
        out = min(inverter.output_efficiency for inverter in self._scenario.site.inverter)
        return price * out * bank.least_efficiency[1]

    def _first_worth_of(self, window: StepWindow, load: Flexible) -> float:
        """A kWh stored behind a load spares one that would have to be taken later. [currency/kWh]"""
        price = self._import_price(window, of_flexible(load.name, "stored_kwh"))
        return price / float(self._needs[load.name].gain.mean())

    def _import_price(self, window: StepWindow, column: str) -> float:
        """What a kWh of import costs on average in the steps of a view that a column has. [currency/kWh]"""
        places = self.problem.places[column]
        steps = np.flatnonzero(np.isin(places, window.columns))
        imports = [place[steps] for name, place in self.problem.places.items() if name.endswith("import_kw")]
        if not imports:
            return 0.0
        mean = np.mean([self._work.objective[place].mean() for place in imports])
        return max(0.0, float(-mean / self.problem.timeline.step_hours))

    def _solved(self, window: StepWindow, first: int, stop: int) -> tuple[Solution, np.ndarray] | None:
        """The relaxed schedule of a window and one that goes one way at a time; None if there is none."""
        highs = Highs(window.piece)
        day = 24 * 60 // self.problem.timeline.step_minutes
        if self._done >= day:
            as_a_day_before(self._windows, self._draft.basis, self._done, stop, day)
            highs.set_basis(self._draft.of_window(window))
        try:
            relaxed = highs.solve()
        except UnprovenError:
            return None
        if relaxed.verdict != "optimal":
            return None
        basis = highs.basis()
        self._keep_basis(window, basis)
        self._done = stop
        return relaxed, self._one_way(window, relaxed, basis, first, stop)

    def _keep_basis(self, window: StepWindow, basis: Basis) -> None:
        self._draft.basis.columns[window.columns] = basis.columns
        self._draft.basis.rows[window.rows] = basis.rows

    def _one_way(
        self, window: StepWindow, relaxed: Solution, basis: Basis, first: int, stop: int
    ) -> np.ndarray:
        """The schedule of a window with every pair used one way and every piece in order in the steps that are kept.

        Rows that hold either way round tighten the linear program of the whole view first; a short search decides what
        is carried out, deeper for leaving alone what the next plan will decide anew. As it is if that fails.
        """
        every, piece = self._decisions_of(window, first, stop), window.piece
        broken = every.broken(piece, relaxed.x)
        if not broken.any():
            return relaxed.x
        number = int(np.searchsorted(self._plans.edges, first))
        kept = self._decisions_of(window, first, int(self._plans.edges[number + 1]))
        invited = piece.objective[every.first] + piece.objective[every.second] > 0
        chosen = np.flatnonzero(broken | (invited & (every.kind == PAIR)))
        rows, most = implied_rows(piece, every, chosen)
        tighter = dataclasses.replace(
            piece,
            matrix=stacked(piece.matrix, rows),
            row_lower=np.append(piece.row_lower, np.full(len(most), -np.inf)),
            row_upper=np.append(piece.row_upper, most),
        )
        start = Basis(basis.columns, np.append(basis.rows, np.full(len(most), BASIC, np.int8)))
        part = Part(
            tighter,
            np.arange(len(piece.lower)),
            np.arange(len(tighter.row_upper)),
            kept,
            np.arange(len(kept.first)),
            start,
        )
        spare = SPARE * max(1.0, abs(relaxed.objective))
        deadline = time.perf_counter() + SEARCH_SECONDS
        found = part.best(piece.objective, None, spare, SEARCH_NODES, deadline)
        return relaxed.x if found.x is None else found.x

    def _decisions_of(self, window: StepWindow, first: int, stop: int) -> Decisions:
        """Pairs and orders of a window's steps, at their places in it."""
        every = self._of_steps
        here = slice(np.searchsorted(every.step, first), np.searchsorted(every.step, stop))
        offset = first * self.problem.step_columns
        return Decisions(
            every.step[here],
            every.last[here],
            every.first[here] - offset,
            every.second[here] - offset,
            every.kind[here],
            every.tempting[here],
        )

    def _worth(self, window: StepWindow, relaxed: Solution, stop: int) -> dict[str, float]:
        """Mean marginal worth of stored energy over the last day seen."""
        day = 24 * 60 // self.problem.timeline.step_minutes
        made = {}
        for bank in self._scenario.storage:
            rows = self.problem.row_places[f"energy of {bank.name}"][max(0, stop - day) : stop]
            at, _ = _among(window.rows, rows)
            made[bank.name] = float(np.mean(relaxed.row_dual[at])) if len(at) else 0.0
        for load in self._scenario.site.flexible_load:
            # Between sessions nothing is stored, and nothing would be worth anything.
            rows = self.problem.row_places[load.rule][max(0, stop - day) : stop]
            at, inside = _among(window.rows, rows)
            open_ = self._needs[load.name].high_kwh[max(0, stop - day) : stop][inside] > 0
            made[load.rule] = float(np.mean(relaxed.row_dual[at][open_])) if open_.any() else 0.0
        return made

    def _after(self, window: StepWindow, relaxed: Solution, first: int, stop: int) -> np.ndarray:
        """What a kWh left after each step is worth: what the balance of the next step makes of it."""
        made = np.zeros(stop - first)
        banks = self._scenario.storage
        for bank, share in zip(banks, capacity_shares(banks), strict=True):
            at, _ = _among(window.rows, self.problem.row_places[f"energy of {bank.name}"][first:stop])
            dual = relaxed.row_dual[at]
            made += share * np.append(dual[1:], dual[-1:])
        return made

    @property
    def edges(self) -> np.ndarray:
        """First step of each window, and the end."""
        return self._plans.edges

    def of_plan(self, plan: Plan, names: Sequence[str], first: int, stop: int) -> np.ndarray:
        """A plan's values of some columns of steps, of shape (steps, names)."""
        places = [self.problem.places[name][first:stop] for name in names]
        made = np.zeros((stop - first, len(names)))
        for number, place in enumerate(places):
            made[:, number] = plan.x[np.searchsorted(plan.columns, place)]
        return made

    def handed(self, plan: Plan, first: int, stop: int) -> Handed:
        """What a plan hands down for some of its steps, if nothing is sold."""
        left = self.of_plan(
            plan, [of_bank(b.name, "stored_kwh") for b in self._scenario.storage], first, stop
        )
        reached = [plan.x[_among(plan.columns, places)[0]] for places in self._demand]
        ceiling = float(np.max(np.concatenate([[0.0], *reached])))
        return Handed(first, plan.after[: stop - first], left.sum(axis=1), ceiling)

    def bounds(self, names: Sequence[str], first: int, stop: int) -> np.ndarray:
        """The most of some columns of steps as the last plan saw them, of shape (steps, names)."""
        made = np.zeros((stop - first, len(names)))
        for number, name in enumerate(names):
            made[:, number] = self._work.upper[self.problem.places[name][first:stop]]
        return made

    def sold(self, plan: Plan) -> dict[str, np.ndarray]:
        """Columns of services over the whole timeline as a plan has them, by name; nothing beyond it."""
        x = np.zeros(len(self.problem.lower))
        x[plan.columns] = plan.x
        return {name: x[places] for name, places in self.problem.places.items() if name.startswith("service")}

    def offers(self, plan: Plan, first: int, stop: int) -> dict[str, np.ndarray]:
        """Offered kW in each of some steps as a plan has them, by name of the bid."""
        sold = self.sold(plan)
        return {
            name: sold[name][self.problem.timeline.groups(self.problem.columns[name].per).of_step[first:stop]]
            for name in sold
            if name.endswith("offer_kw")
        }

    def selling(self, plan: Plan, share: np.ndarray) -> Plan:
        """A plan that sells a share of what it meant to, in each step of the timeline and so in each block.

        Rules of services hold with nothing sold and with all of it, and so with any part.
        """
        x = plan.x.copy()
        for name, places in self.problem.places.items():
            if name.startswith("service") or name.endswith("_headroom_kw"):
                groups = self.problem.timeline.groups(self.problem.columns[name].per)
                of_group = np.full(groups.count, np.inf)
                np.minimum.at(of_group, groups.of_step, share)
                at, inside = _among(plan.columns, places)
                x[at] *= of_group[inside]
        return dataclasses.replace(plan, x=x)

    def unheld(self, plan: Plan, values: dict[str, np.ndarray], first: int, stop: int) -> np.ndarray:
        """In which steps of a window flows leave no room for what a plan sells, of shape (steps,)."""
        x = self.x.copy()
        x[plan.columns] = plan.x
        for name, flow in values.items():
            x[self.problem.places[name][first:stop]] = flow
        return self.reserve.broken(x, first, stop)

    def happened(self, number: int, values: dict[str, np.ndarray], plan: Plan | None) -> bool:
        """Put what happened in a window into the books of the planner: flows as they were, offers as far as they held.

        Parameters
        ----------
        number : int
            Of the window.
        values : dict of str to array
            Columns of the plant's flows in the window's steps, by name.
        plan : Plan or None
            Where offers come from.

        Returns
        -------
        bool
            False, and nothing done, if the flows leave no room for what offers move.
        """
        first, stop = int(self._plans.edges[number]), int(self._plans.edges[number + 1])
        window = self._actual.ahead(first, stop, self.x, self.seen)
        piece = window.piece
        objective = piece.objective.copy()
        for name, places in self.problem.places.items():
            at, inside = _among(window.columns, places)
            if name in values:
                piece.lower[at] = piece.upper[at] = values[name]
            elif name.startswith("service") and not name.startswith("service group"):
                sold = np.zeros(len(at))
                if plan is not None:
                    sold = plan.x[np.searchsorted(plan.columns, places[inside])]
                # A block that began before is given up whole where the rest of it cannot be held.
                piece.lower[at] = 0.0
                piece.upper[at] = np.minimum(piece.upper[at], sold)
                objective[at] = 1.0
        for places in self._demand:
            # A peak that costs nothing by itself, below a ratchet or before its charge, is no higher than it was.
            objective[_among(window.columns, places)[0]] -= 1.0
        solution = Highs(dataclasses.replace(piece, objective=objective)).solve()
        if solution.verdict != "optimal":
            return False
        self.x[window.columns] = solution.x
        self.seen[self._actual.begun(window, stop)] = True
        return True


def _among(sorted_places: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where some places stand among others that rise, and which of them do."""
    at = np.searchsorted(sorted_places, places)
    inside = np.flatnonzero(sorted_places[np.minimum(at, len(sorted_places) - 1)] == places)
    return at[inside], inside


def _columns_of(product: Product) -> tuple[str, str]:
    """The columns that a product's offer may stand in: its own, or those of the bundle that it is in."""
    return (
        of_service(product.name, "offer_kw"),
        of_bundle(product.group, product.direction, "offer_kw"),
    )


def _gates(scenario: Scenario, problem: Problem) -> dict[str, np.ndarray]:
    """For each column of offers with a gate, the step in which that of each block closes."""
    data = scenario.data
    found: dict[str, np.ndarray] = {}
    for product in scenario.service:
        steps = product.gate_steps(data)
        for name in _columns_of(product):
            if steps is not None and name in problem.places:
                found[name] = steps[data.groups(problem.columns[name].per).first_step]
    return found


def _demand_columns(scenario: Scenario, problem: Problem) -> list[np.ndarray]:
    """Places of what each demand component measures, one a billing period."""
    names = [c.measured_as for c in scenario.tariff.component if isinstance(c, DEMAND)]
    return [problem.places[name] for name in names if name in problem.places]
