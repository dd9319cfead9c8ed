"""A scenario's program as plans see it: stated on what is known, its bounds free of what must not be seen."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.engine.decisions import WHOLE, Decisions, decisions
from optimiser.engine.pattern import compile_pattern
from optimiser.engine.tiling import Problem, tile
from optimiser.equipment.bank import StorageBank
from optimiser.equipment.site import Site
from optimiser.fields import Column
from optimiser.flows import MeterFlows
from optimiser.foresight.facts import Columns
from optimiser.scenario.file import Scenario, Solve
from optimiser.services.product import Product
from optimiser.tariff.fixed import MinimumCharge
from optimiser.terms.data import InputData, Numbers
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Timeline


class _Contract:
    """A tariff with bounds that know nothing of the data: what limits alone let a meter import and export.

    A least bill is left out where the amounts that it is compared with have prices or loads from data.
    """

    def __init__(self, scenario: Scenario):
        self._tariff = scenario.tariff
        self._scenario = scenario
        references = [place for place, _ in scenario.references() if place.startswith("tariff.")]
        if references:
            kept = [c for c in self._tariff.component if not isinstance(c, MinimumCharge)]
            self._tariff = self._tariff.model_copy(update={"component": tuple(kept)})

    def lines(self, flows: MeterFlows, terms: Terms) -> list[Line]:
        """Every line of the bill."""
        site, connection = self._scenario.site, self._scenario.site.connection
        most_in = terms.values(connection.import_limit_kw)
        most_out = terms.values(connection.export_limit_kw)
        if site.phases == 3 and site.registers == "per_phase":
            whole_in, whole_out = site.phase_most_of_any_load_kw(terms)
            phase_in, phase_out = site.phase_limits_kw(terms)
            most_in = sum(np.minimum(limit, whole_in) for limit in phase_in.values())
            most_out = sum(np.minimum(limit, whole_out) for limit in phase_out.values())
        most_in, most_out = most_in + flows.crossing_most_kw, most_out + flows.crossing_most_kw
        return self._tariff.lines(
            dataclasses.replace(flows, import_most_kw=most_in, export_most_kw=most_out), terms
        )


@dataclass(frozen=True)
class AsKnown:
    """A scenario as plans see it; all that stating the program asks for."""

    scenario: Scenario
    columns: Columns

    @property
    def timeline(self) -> Timeline:
        """Its steps."""
        return self.scenario.timeline

    @property
    def site(self) -> Site:
        """The site."""
        return self.scenario.site

    @property
    def storage(self) -> Sequence[StorageBank]:
        """Its storage banks."""
        return self.scenario.storage

    @property
    def service(self) -> Sequence[Product]:
        """The products it may sell."""
        return self.scenario.service

    @property
    def solve(self) -> Solve:
        """How the answer is looked for."""
        return self.scenario.solve

    @property
    def tariff(self) -> _Contract:
        """The contract, with bounds free of data."""
        return _Contract(self.scenario)

    def read(self, reference: Column) -> Numbers:
        """The numbers behind a constant or "source.column", as they are known."""
        return self.columns[reference] if isinstance(reference, str) else reference

    @property
    def data(self) -> InputData:
        """The numbers as they are known."""
        return InputData(self.scenario.timeline, self.read)


@dataclass
class Data:
    """What of a program depends on data: sides of rows, bounds of columns, what columns bring."""

    row_lower: np.ndarray
    row_upper: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    objective: np.ndarray

    @classmethod
    def of(cls, problem: Problem, base: Problem) -> Data:
        """A problem's, in the order of another's rows and columns; rows that it lacks, as the other has them.

        A current limit that can never bind on some data has no row there.
        """
        made = cls(
            *(
                array.copy()
                for array in (base.row_lower, base.row_upper, base.lower, base.upper, base.objective)
            )
        )
        for name in base.row_places.keys() & problem.row_places.keys():
            to, at = base.row_places[name], problem.row_places[name]
            made.row_lower[to], made.row_upper[to] = problem.row_lower[at], problem.row_upper[at]
        for name in base.places.keys() & problem.places.keys():
            to, at = base.places[name], problem.places[name]
            made.lower[to], made.upper[to] = problem.lower[at], problem.upper[at]
            made.objective[to] = problem.objective[at]
        return made

    def take(self, other: Data, rows: np.ndarray, columns: np.ndarray) -> None:
        """Some rows and columns from other data."""
        self.row_lower[rows], self.row_upper[rows] = other.row_lower[rows], other.row_upper[rows]
        self.lower[columns], self.upper[columns] = other.lower[columns], other.upper[columns]
        self.objective[columns] = other.objective[columns]


def built(scenario: Scenario, columns: Columns) -> Problem:
    """The program of a scenario on what is known of its series."""
    return tile(compile_pattern(AsKnown(scenario, columns)), scenario.timeline)


def of_steps(problem: Problem) -> Decisions:
    """Pairs and orders of a problem in the order of their steps; whole numbers stay relaxed in plans."""
    every = decisions(problem)
    order = np.argsort(every.step, kind="stable")
    order = order[every.kind[order] != WHOLE]
    return Decisions(*(getattr(every, field.name)[order] for field in dataclasses.fields(Decisions)))
