"""Products whose market, dates or expected calls deserve a second look."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from optimiser.scenario.checks.words import shown, span_words
from optimiser.scenario.file import Scenario
from optimiser.services.offers import most_kw


def sellers(scenario: Scenario) -> Iterator[str]:
    """Services that a site of this standing or size may not sell."""
    for index, product in enumerate(scenario.service):
        place = f"service.{index} ({product.name})"
        if product.sellers and product.sold_as not in product.sellers:
            may = " and ".join(product.sellers)
            yield (
                f"{place} may be sold by {may} units only, this site sells it as {product.sold_as}: its income is not "
                f'to be had. Take it out, or set sold_as = "{product.sellers[0]}" if that is what the site is.'
            )
        least, most = product.least_registered_kw, most_kw(scenario.site, product)
        alone = product.bid_by == "site" or product.sold_as == "scheduled"
        if least is not None and alone and most < least:
            yield (
                f"{place} needs {shown(least)} kW registered, this site by itself can turn round {shown(most)} kW; "
                'join an aggregation (sold_as = "aggregated", bid_by = "aggregator") or take it out.'
            )


def crossing(scenario: Scenario) -> Iterator[str]:
    """Calls through both registers, in steps where that earns instead of costing."""
    data = scenario.data
    called = [
        p.name for p in scenario.service if max(p.moved) * p.crossing_share and p.delivered_energy == "meter"
    ]
    if not called:
        return
    share = float((scenario.tariff.export_price(data) > scenario.tariff.import_price(data)).mean())
    if share > 0:
        yield (
            f"expected calls of {', '.join(called)} run through both registers, and in {share:.1%} of the steps export "
            "pays more than import costs, so that this earns money there. Set crossing_share = 0 to be safe."
        )


def service_dates(scenario: Scenario) -> Iterator[str]:
    """Products that are never or only partly sold within the timeline."""
    terms, local = scenario.data, scenario.timeline.local()
    first, last = local[0].date(), local[-1].date()
    for index, product in enumerate(scenario.service):
        place = f"service.{index} ({product.name})"
        since, until = _span_of_rules(scenario.service, product)
        if (since is not None and since > last) or (until is not None and until <= first):
            yield (
                f"{place} is valid {span_words(since, until)}, outside the timeline of {first} to {last}; it will "
                "never be sold. Correct the dates or remove it."
            )
        elif (since is not None and since > first) or (until is not None and until <= last):
            yield (
                f"{place} is valid {span_words(since, until)}, which covers only part of the timeline of {first} "
                f"to {last}; its income is not a full period's. Check the dates."
            )
        elif not product.sold(terms).any():
            yield (
                f"{place} is sold in no step: no block lies wholly within its window. Check `when`, "
                "block_minutes and block_start."
            )


def _span_of_rules(services: Any, product: Any) -> tuple[Any, Any]:
    """Dates of validity, those of the version before and after of the same shipped product included."""
    since, until = product.valid_from, product.valid_until
    versions = [other for other in services if product.product and other.product == product.product]
    if since is not None and since in [other.valid_until for other in versions]:
        since = min((other.valid_from for other in versions if other.valid_from), default=None)
        since = None if any(other.valid_from is None for other in versions) else since
    if until is not None and until in [other.valid_from for other in versions]:
        until = max((other.valid_until for other in versions if other.valid_until), default=None)
        until = None if any(other.valid_until is None for other in versions) else until
    return since, until
