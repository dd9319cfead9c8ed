"""The offers of all sites joined into bids that a market takes, and the income shared again.

A market's steps and least bids are the aggregator's to keep. The offers of all sites are added up in each block,
rounded down to a whole bid, and each site is paid for the part of its offer that the bid holds.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from optimiser.batch.fleet.answers import SiteAnswer, answers_of
from optimiser.batch.fleet.file import Fleet
from optimiser.columns import START
from optimiser.dispatch import OPTIMAL
from optimiser.services.product import Product
from optimiser.summary.fleet import FleetSummary
from optimiser.terms.data import InputData

# A bid is a whole one if it misses it by less than what a solver's tolerance can take away.
ROUNDING_KW = 1e-6


@dataclass(frozen=True)
class FleetResult:
    """What a fleet comes to.

    Attributes
    ----------
    summary : FleetSummary
    services : DataFrame
        One row a product: what is offered and bid (kW hours), what the offers and the bids would pay, what rounding
        loses, and what the sites could earn if each had to keep the market's steps by itself. [currency]
    sites : DataFrame
        One row a site: bill before, bill after, services as offered, services as bid, saving, gap, verdict.
    bids : DataFrame
        One row a step: what is offered and bid of each product. [kW]
    """

    summary: FleetSummary
    services: pd.DataFrame
    sites: pd.DataFrame
    bids: pd.DataFrame


def whole_bids(product: Product, offered_kw: np.ndarray, data: InputData) -> np.ndarray:
    """The bid that a market takes for what is offered: whole steps, nothing below the least, one a block.

    Parameters
    ----------
    product : Product
    offered_kw : array of shape (steps,)
    data : InputData

    Returns
    -------
    array of shape (steps,)
        [kW]

    References
    ----------
    .. [1] Least bids of 1 MW in whole megawatts: regelleistung.net (German transmission operators), "Tendering and
       bidding process"; that a bid is rounded down is common practice, no source.
    """
    blocks = data.groups(product.block(data))
    offered = -blocks.max(-offered_kw)
    if product.bid_step_kw is not None:
        offered = np.floor((offered + ROUNDING_KW) / product.bid_step_kw) * product.bid_step_kw
    offered = np.where(offered < product.least_bid_kw - ROUNDING_KW, 0.0, offered)
    return offered[blocks.of_step]


def joined(fleet: Fleet, found: Sequence[SiteAnswer], kept: Path) -> FleetResult:
    """Bids out of the answers of all sites, and what each is paid of them."""
    solved = [answer for answer in found if not answer.problem]
    timeline = fleet.example.timeline
    data = fleet.example.data
    names = [product.name for product in fleet.products]
    offered = {name: np.zeros(timeline.steps) for name in names}
    paid = {name: np.zeros(timeline.steps) for name in names}
    alone = dict.fromkeys(names, 0.0)
    for _, frame in answers_of(solved, kept):
        for product in fleet.products:
            if f"{product.name}.paid" not in frame:
                continue
            own, money = (frame[f"{product.name}.{what}"].to_numpy() for what in ("offered_kw", "paid"))
            offered[product.name] += own
            paid[product.name] += money
            alone[product.name] += float((money * _share(whole_bids(product, own, data), own)).sum())
    bids = {product.name: whole_bids(product, offered[product.name], data) for product in fleet.products}
    shares = {name: _share(bids[name], offered[name]) for name in names}
    hours = timeline.step_hours
    services = pd.DataFrame(
        [
            {
                "service": name,
                "offered_kw_hours": float(offered[name].sum() * hours),
                "bid_kw_hours": float(bids[name].sum() * hours),
                "income_as_offered": float(paid[name].sum()),
                "income_as_bid": float((paid[name] * shares[name]).sum()),
                "income_if_alone": alone[name],
            }
            for name in names
        ],
        columns=[
            "service",
            "offered_kw_hours",
            "bid_kw_hours",
            "income_as_offered",
            "income_as_bid",
            "income_if_alone",
        ],
    )
    services["lost_by_rounding"] = services["income_as_offered"] - services["income_as_bid"]
    rows = []
    for facts, frame in answers_of(solved, kept):
        as_bid = sum(
            float((frame[f"{n}.paid"].to_numpy() * shares[n]).sum()) for n in names if f"{n}.paid" in frame
        )
        rows.append(
            {
                "site": facts["name"],
                "bill_before": facts["bill_before"],
                "ceiling_bill_after": facts["bill_after"],
                "services_as_offered": facts["services_income"],
                "services_as_bid": as_bid,
                "ceiling_saving": facts["bill_before"] - facts["bill_after"] + as_bid,
                "gap_relative": facts["gap_relative"],
                "gap_absolute": facts["gap_absolute"],
                "verdict": facts["verdict"],
                "changes": json.dumps(facts["changes"]),
            }
        )
    sites = pd.DataFrame(rows)
    table = pd.DataFrame(
        {
            f"{name}.{what}": made[name]
            for name in names
            for what, made in (("offered_kw", offered), ("bid_kw", bids))
        },
        index=timeline.starts.rename(START),
    )
    return FleetResult(_summary(fleet, services, sites, found), services, sites, table)


def _share(bid_kw: np.ndarray, offered_kw: np.ndarray) -> np.ndarray:
    """The part of each offer that a bid holds."""
    made: np.ndarray = np.divide(bid_kw, offered_kw, out=np.zeros_like(bid_kw), where=offered_kw > 0)
    return made


def _summary(
    fleet: Fleet, services: pd.DataFrame, sites: pd.DataFrame, found: Sequence[SiteAnswer]
) -> FleetSummary:
    timeline = fleet.example.timeline
    unproven = sites[sites["verdict"] != OPTIMAL].sort_values("gap_relative", ascending=False, kind="stable")
    return FleetSummary(
        title=fleet.file.title,
        description=fleet.file.description,
        invented=fleet.file.invented or fleet.example.file.invented,
        currency=fleet.example.file.currency,
        zone=timeline.zone,
        start=timeline.local()[0].isoformat(),
        steps=timeline.steps,
        step_minutes=timeline.step_minutes,
        sites=len(sites),
        failed={answer.name: answer.problem for answer in found if answer.problem},
        defects=tuple(answer.name for answer in found if answer.defect),
        verdict=str(unproven["verdict"].iloc[0]) if len(unproven) else OPTIMAL,  # the widest
        unproven=dict(zip(unproven["site"], unproven["verdict"], strict=True)),
        ceiling_saving=float(sites["ceiling_saving"].sum()),
        income_as_offered=float(services["income_as_offered"].sum()),
        income_as_bid=float(services["income_as_bid"].sum()),
        income_if_alone=float(services["income_if_alone"].sum()),
        lost_by_rounding=float(services["lost_by_rounding"].sum()),
        widest_gap_relative=float(sites["gap_relative"].max()),
        gaps_absolute=float(sites["gap_absolute"].sum()),
    )
