"""What a site offers of each product, in each step: bids, bundles, and what calls take and give."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from optimiser.columns import of_bundle, of_service
from optimiser.equipment.site import Site
from optimiser.flows import Activation
from optimiser.services.product import Offer, Product
from optimiser.terms.data import InputData
from optimiser.terms.verbs import Terms
from optimiser.timeline import STEP, Grouping


def most_kw(site: Site, product: Product) -> float:
    """The most that any rule could let a site offer: all inverters turned round. [kW]"""
    rating = sum(i.output_kw + i.input_kw for i in site.inverter)
    return rating if product.most_kw is None else min(product.most_kw, rating)


def offers(terms: Terms, site: Site, products: Iterable[Product]) -> list[Offer]:
    """Make the columns of the products' offers, one a block, zero where they may not be sold.

    Products of one group that differ in price, mask and sustain time alone are bundled: each is offered as much as
    the group holds wherever its own price is not negative, which is the best that any schedule could do.
    """
    bundles: dict[tuple[object, ...], list[Product]] = {}
    for product in products:
        bundles.setdefault(_bundle(terms, product), []).append(product)
    made: dict[str, Offer] = {}
    for members in bundles.values():
        first = members[0]
        per = first.block(terms)
        masks = [product.sold(terms) for product in members]
        if len(members) > 1:
            masks = [
                mask * (product.price_per_kw_hour(terms) >= 0)
                for mask, product in zip(masks, members, strict=True)
            ]
        sold = np.max(masks, axis=0)[terms.groups(per).first_step]
        name = (
            of_service(first.name, "offer_kw")
            if len(members) == 1
            else of_bundle(first.group, first.direction, "offer_kw")
        )
        most = sold * most_kw(site, first)
        bid = terms.column(name, per=per, at_most=most)
        _bid_rules(terms, first, bid, most, per)
        column = terms.broadcast(bid, per)
        for product, mask in zip(members, masks, strict=True):
            offered = column if len(members) == 1 else column * terms.series(mask)
            made[product.name] = Offer(product, offered, name, column)
    return [made[product.name] for product in products]


def _bid_rules(terms: Terms, product: Product, bid: Any, most: np.ndarray, per: Grouping) -> None:
    """Whole steps, and nothing below the least bid, where the site bids by itself."""
    if not product.bids_alone:
        return
    if product.bid_step_kw is not None:
        count = terms.column(
            of_service(product.name, "steps"),
            per=per,
            at_most=np.floor(most / product.bid_step_kw + 1e-9),
            unit="-",
        )
        terms.whole(of_service(product.name, "steps"))
        terms.equal(f"bid of {product.name} in whole steps", bid, product.bid_step_kw * count, per=per)
    if product.least_bid_kw:
        made = terms.column(
            of_service(product.name, "is_bid"),
            per=per,
            at_most=(most >= product.least_bid_kw).astype(float),
            unit="-",
        )
        terms.whole(of_service(product.name, "is_bid"))
        terms.at_most(f"least bid of {product.name}", product.least_bid_kw * made, bid, per=per)
        terms.at_most(f"bid of {product.name} only if made", bid, terms.series(most, per=per) * made, per=per)


def _bundle(data: InputData, product: Product) -> tuple[object, ...]:
    """What products must have in common to be offered together; none share with one that is activated."""
    alone = product.utilisation_gross or product.opposite_share or product.bids_alone
    if alone or product.block(data) != STEP:
        return (product.name,)
    return (
        product.group,
        product.direction,
        product.derating,
        product.most_kw,
        product.from_solar,
        (product.gate_days_before, product.gate_time, product.gate_minutes_before),
    )


def activation(site: Site, has_store: bool, made: list[Offer]) -> Activation:
    """What the accepted share of the offers is expected to move, from each product's utilisation.

    A meter that imports sees what calls give as less import, until a call is larger than the import and the rest runs
    out through the other register; one that exports sees what they take so. So what crosses is at most the larger of
    both ways, of which the product says the share.
    """
    metered: list[Any] = []
    crossing: list[Any] = []
    charge: list[Any] = []
    discharge: list[Any] = []
    metered_most = crossing_most = 0.0
    for offer in made:
        product, most = offer.product, most_kw(site, offer.product)
        given, taken = product.moved
        if not given + taken:
            continue
        if product.delivered_energy == "meter":
            net, crosses = given - taken, product.crossing_share * max(given, taken)
            if net:
                metered.append(offer.offered_kw * net)
                metered_most += abs(net) * most
            if crosses:
                crossing.append(offer.offered_kw * crosses)
                crossing_most += crosses * most
        if has_store:
            discharge.append(offer.offered_kw * (given / min(i.output_efficiency for i in site.inverter)))
            charge.append(offer.offered_kw * (taken * min(i.input_efficiency for i in site.inverter)))
    return Activation(
        summed(metered), summed(crossing), metered_most, crossing_most, summed(charge), summed(discharge)
    )


def summed(parts: list[Any]) -> Any:
    """The sum of parts that may be none."""
    return sum(parts[1:], parts[0]) if parts else 0.0


def longest_lag(products: Iterable[Product], step_hours: float) -> int:
    """Steps that follow an offer and that its energy must still last through."""
    return max([steps_following(product, step_hours) for product in products], default=0)


def steps_following(product: Product, step_hours: float) -> int:
    """How many steps beyond its own a call of full length reaches."""
    return max(0, math.ceil(product.sustain_hours / step_hours - 1e-9) - 1)
