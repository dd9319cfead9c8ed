"""What depends on what: the site solved again without each service, without any, and for services first."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Mapping
from typing import Any

import pandas as pd

from optimiser.accounts.settlement import Statement, settle
from optimiser.dispatch import Dispatch, replay, solve
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import vary
from optimiser.services.product import Product
from optimiser.study import Figures, Study

# Services are worth this many times the bill where they come first: the bill then decides only among plans that earn
# the same from services. Services reward burning energy, so the last digits of that proof are dear: a thousandth does.
FIRST = 100.0
FIRST_GAP = 1e-3
FIRST_SECONDS = 60.0


@dataclasses.dataclass(frozen=True)
class StreamVariant:
    """One way of running the site.

    Attributes
    ----------
    saving, services_income : float
        Saving with the services' income in it, and that income alone. [currency]
    worth : float
        What the objective makes of it, wear and tie-break included, at true prices. [currency]
    gap : float
        How far the best plan may be above. [currency]
    """

    saving: float
    services_income: float
    worth: float
    gap: float


class StackFigures(Figures):
    """What services add to the saving, and what the plan gives up for them. [currency]"""

    ceiling_saving: float
    saving_without_services: float
    services_add: float
    services_paid: float
    energy_given_up: float
    services_first_paid: float
    services_first_saving: float
    services_at_most: float
    sum_of_parts: float
    sum_gained_alone: float
    sum_lost_if_left_out: float
    gap_absolute: float


def make_stack(statement: Statement, say: Callable[[str], None]) -> Study | None:
    """Solve the site with some of its streams switched off; None where no services are sold.

    A stream is a response group: products that share the same kW. What is switched off earns nothing; the bill is paid
    in every case. Tables: "streams", a row a stream, "services", a row a service left out by itself, and "cases",
    a row a solve.

    Notes
    -----
    In this order hold, up to the gaps of the proofs: the plan with everything earns at least as much as any with some
    streams off, and at most the sum of what the bill alone and the services alone could bring.
    """
    dispatch = statement.dispatch
    groups = streams(dispatch.scenario)
    if not groups:
        return None
    runs = _Runs(dispatch, say)
    everyone = {name for members in groups.values() for name in members}
    everything = _variant(statement)
    energy = runs.without(everyone, "without any service")
    first, bound = runs.services_first()
    rows, singly = [], []
    cases = {"everything": everything, "energy alone": energy, "services first": first}
    for name, members in groups.items():
        others = everyone - set(members)
        left_out = runs.without(members, f"without {name}") if others else energy
        alone = runs.without(others, f"{name} as the only service") if others else everything
        cases[f"without {name}"], cases[f"energy and {name}"] = left_out, alone
        rows.append(
            {
                "stream": name,
                "services": ", ".join(members),
                "paid_in_plan": _paid(dispatch, members),
                "lost_if_left_out": everything.saving - left_out.saving,
                "gained_if_alone": alone.saving - energy.saving,
            }
        )
        for service in members:
            apart = left_out if len(members) == 1 else runs.without([service], f"without {service}")
            if len(members) > 1:
                cases[f"without {service} alone"] = apart
            singly.append(
                {
                    "service": service,
                    "stream": name,
                    "paid_in_plan": _paid(dispatch, [service]),
                    "lost_if_left_out": everything.saving - apart.saving,
                }
            )
    table = pd.DataFrame(
        [{"case": name, **dataclasses.asdict(found)} for name, found in cases.items()],
    )
    # What the plan's services could be at the most: the bound is on 100 times services and the bill together.
    at_most = (bound - (everything.worth - everything.services_income)) / FIRST
    return Study(
        _figures(everything, energy, first, at_most, rows).model_dump(),
        {"streams": pd.DataFrame(rows), "services": pd.DataFrame(singly), "cases": table},
    )


def _figures(
    everything: StreamVariant,
    energy: StreamVariant,
    first: StreamVariant,
    at_most: float,
    rows: list[dict[str, Any]],
) -> StackFigures:
    return StackFigures(
        ceiling_saving=everything.saving,
        saving_without_services=energy.saving,
        services_add=everything.saving - energy.saving,
        services_paid=everything.services_income,
        energy_given_up=energy.saving - (everything.saving - everything.services_income),
        services_first_paid=first.services_income,
        services_first_saving=first.saving,
        services_at_most=at_most,
        sum_of_parts=energy.saving + at_most,
        sum_gained_alone=sum(row["gained_if_alone"] for row in rows),
        sum_lost_if_left_out=sum(row["lost_if_left_out"] for row in rows),
        gap_absolute=max(everything.gap, energy.gap),
    )


def streams(scenario: Scenario) -> dict[str, list[str]]:
    """Names of the products of each response group."""
    found: dict[str, list[str]] = {}
    for product in scenario.service:
        found.setdefault(product.group, []).append(product.name)
    return found


class _Runs:
    """Solves one after the other, each from the last."""

    def __init__(self, dispatch: Dispatch, say: Callable[[str], None]):
        self._plan, self._last, self._say = dispatch, dispatch, say

    def without(self, names: Collection[str], words: str) -> StreamVariant:
        """The site with some products switched off."""
        self._say(f"solving again {words}")
        scenario = self._plan.scenario
        products = tuple(
            product.model_copy(update={"most_kw" if _costs(product) else "site_share": 0.0})
            if product.name in names
            else product
            for product in scenario.service
        )
        file = scenario.file.model_copy(update={"service": products})
        return _variant(settle(self._solve(dataclasses.replace(scenario, file=file))))

    def services_first(self) -> tuple[StreamVariant, float]:
        """The plan that earns the most from services, the bill next, and the bound of its objective."""
        scenario = self._plan.scenario
        self._say("solving again for services first")
        limits = {
            "solve.gap_tolerance": max(FIRST_GAP, scenario.solve.gap_tolerance),
            "solve.time_limit_s": min(FIRST_SECONDS, scenario.solve.most_seconds),
        }
        quick = vary(scenario, limits)
        products = tuple(
            product.model_copy(update={"site_share": product.site_share * FIRST})
            for product in scenario.service
        )
        eager = dataclasses.replace(quick, file=quick.file.model_copy(update={"service": products}))
        solved = self._solve(eager)
        stated, _ = replay(scenario, solved.values)
        true = dataclasses.replace(solved, scenario=scenario, lines=tuple(stated.lines))
        worth = float(sum(line.values.sum() for line in stated.lines))
        found = dataclasses.replace(
            _variant(settle(true)), worth=worth, gap=solved.proof.gap_absolute / FIRST
        )
        return found, solved.proof.bound

    def _solve(self, scenario: Scenario) -> Dispatch:
        self._last = solve(scenario, start=self._last, keep_solver=True, progress=self._say)
        return self._last


def _costs(product: Product) -> bool:
    """Whether an offer moves energy or holds power the other way, so that one without pay is not just nothing.

    Others are left out by paying nothing for them, which keeps the shape of the linear program.
    """
    return bool(product.utilisation_gross or product.opposite_headroom_share or product.bids_alone)


def _variant(statement: Statement) -> StreamVariant:
    proof = statement.dispatch.proof
    return StreamVariant(statement.saving, statement.services_income, proof.settled, proof.gap_absolute)


def _paid(dispatch: Dispatch, members: list[str]) -> float:
    """What the plan earns from some services, delivered energy at a price of its own included. [currency]"""
    names: Mapping[str, None] = dict.fromkeys(
        f"{word}, {name}" for name in members for word in ("Availability", "Delivered energy")
    )
    return float(sum(line.values.sum() for line in dispatch.lines if line.name in names))
