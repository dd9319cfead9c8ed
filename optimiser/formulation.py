"""The whole problem of a site said once: every column, every rule, every amount of money.

Run with `LpTerms` it makes the linear program; run with `SettledTerms` it replays the rules and values the lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from optimiser.equipment.bank import StorageBank
from optimiser.equipment.site import Site
from optimiser.equipment.site_rules import site_flows
from optimiser.flows import MeterFlows, SiteFlows
from optimiser.services import rules
from optimiser.services.offers import activation, offers
from optimiser.services.product import Offer, Product
from optimiser.terms.data import InputData
from optimiser.terms.line import Line
from optimiser.terms.verbs import Terms
from optimiser.timeline import Timeline


class Bill(Protocol):
    """What makes a bill of what the meter sees."""

    def lines(self, flows: MeterFlows, terms: Terms) -> list[Line]:
        """Every line of the bill."""


class Steering(Protocol):
    """How an answer is steered."""

    @property
    def tie_break_per_kwh(self) -> float:
        """Price of moving energy that breaks ties. [currency/kWh]"""


class Stated(Protocol):
    """What the problem is stated from: a scenario, or one as a plan sees it."""

    @property
    def data(self) -> InputData:
        """The numbers on its timeline."""

    @property
    def timeline(self) -> Timeline:
        """Its steps."""

    @property
    def site(self) -> Site:
        """The site."""

    @property
    def storage(self) -> Sequence[StorageBank]:
        """Its storage banks."""

    @property
    def service(self) -> Sequence[Product]:
        """The products it may sell."""

    @property
    def tariff(self) -> Bill:
        """The contract."""

    @property
    def solve(self) -> Steering:
        """How the answer is looked for."""


@dataclass(frozen=True)
class Formulation:
    """What running the problem on terms left behind.

    Attributes
    ----------
    lines : list of Line
        All amounts of money; the objective is their sum.
    flows : SiteFlows
    offers : list of Offer
    """

    lines: list[Line]
    flows: SiteFlows
    offers: list[Offer]


def formulate(scenario: Stated, terms: Terms) -> Formulation:
    """State the scenario's problem on `terms`."""
    site, banks = scenario.site, scenario.storage
    made = offers(terms, site, scenario.service)
    flows = site_flows(site, terms, banks, activation(site, bool(banks), made))
    rules.rules(terms, site, banks, flows, made)
    lines = scenario.tariff.lines(flows.meter, terms)
    for offer in made:
        lines += offer.product.lines(offer, terms)
    for load in site.flexible_load:
        lines += load.lines(flows.flexible[load.name], terms)
    lines += _steering_lines(scenario, terms, flows)
    return Formulation(lines, flows, made)


def _steering_lines(scenario: Stated, data: InputData, flows: SiteFlows) -> list[Line]:
    """Wear and the tie-break: in the objective, on no bill."""
    lines = []
    for bank in scenario.storage:
        energy = flows.banks[bank.name].worn_kw * data.step_hours
        if bank.wear_per_kwh:
            lines.append(
                Line(
                    f"Wear of {bank.name}",
                    "wear",
                    -bank.wear_per_kwh * energy,
                    cash=False,
                    quantity=energy,
                    unit="kWh",
                )
            )
    # Far below any price's resolution: among equal schedules, the one that moves less energy is taken.
    moved = [flow.discharge_kw for flow in flows.banks.values()]
    moved += [flow.input_kw + flow.output_kw for flow in flows.inverters.values()]
    # Where energy is worth nothing, that also keeps losses at what the law says.
    moved += [
        flow.charge_kw - flow.filling_kw + flow.draining_kw - flow.discharge_kw
        for bank, flow in ((bank, flows.banks[bank.name]) for bank in scenario.storage)
        if bank.voltage_moves_losses
    ]
    moved += flows.held_back.values()
    if moved and scenario.solve.tie_break_per_kwh:
        total = sum(moved[1:], moved[0]) * data.step_hours
        lines.append(Line("Tie-break", "tie-break", -scenario.solve.tie_break_per_kwh * total, cash=False))
    return lines
