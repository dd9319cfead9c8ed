"""What services earn, told plainly: offered, paid, moved, and how unevenly over the steps of the run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement
from optimiser.equipment.storage import capacity_shares
from optimiser.services.offers import activation
from optimiser.services.product import Offer
from optimiser.study import Figures, Study
from optimiser.timeline import Grouping

SHARES = (0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)
SUMMED = ("_kw_hours", "_kwh", "paid", "_amount", "_used")
TOGETHER = "together"


class ConcentrationFigures(Figures):
    """What services pay over the run [currency], for how much power, and how few steps that comes from."""

    paid: float
    offered_kw_hours: float
    best_one_percent_share: float
    gini: float | None
    steps_for_half: int
    steps: int


def make_concentration(statement: Statement, say: Callable[[str], None]) -> Study | None:
    """Earnings of services by service and month, and their concentration; None where no services are sold.

    Tables: "services" (one row a service and one for all together), "curve" (share of income from the best steps),
    "months" (one row a service and month of the site's calendar).
    """
    dispatch = statement.dispatch
    if not dispatch.offers:
        return None
    timeline = dispatch.scenario.timeline
    lines = {line.name: np.asarray(line.values, float) for line in dispatch.lines}
    paid = {o.product.name: lines[f"Availability, {o.product.name}"] for o in dispatch.offers}
    rows = [_row(statement, offer, paid[offer.product.name], lines) for offer in dispatch.offers]
    services = pd.DataFrame(rows)
    together: dict[str, Any] = {
        name: float(services[name].sum()) for name in services.columns if name.endswith(SUMMED)
    }
    whole = np.sum(list(paid.values()), axis=0)
    hours = together["offered_kw_hours"]
    together |= {"service": TOGETHER, "direction": "", "delivered_settled_at": "", **_spread(whole)}
    together["paid_per_kw_hour"] = float(whole.sum()) / hours if hours else np.nan
    services = pd.concat([services, pd.DataFrame([together])[services.columns]], ignore_index=True)
    curve = pd.DataFrame(
        [
            {"service": name, "best_share_of_steps": share, "share_of_income": best_share(values, share)}
            for name, values in [*paid.items(), (TOGETHER, whole)]
            if values.sum() > 0
            for share in SHARES
        ],
        columns=["service", "best_share_of_steps", "share_of_income"],
    )
    months = timeline.groups(Grouping("month", timeline.zone))
    monthly = pd.DataFrame(
        [
            {"month": label, "service": o.product.name, "offered_kw_hours": kw_hours, "paid": amount}
            for o in dispatch.offers
            for label, kw_hours, amount in zip(
                months.labels,
                months.sum(np.asarray(o.offered_kw, float) * timeline.step_hours),
                months.sum(paid[o.product.name]),
                strict=True,
            )
        ]
    )
    figures = ConcentrationFigures(
        paid=float(whole.sum()),
        offered_kw_hours=hours,
        best_one_percent_share=best_share(whole, 0.01),
        gini=gini(whole) if whole.max(initial=0.0) > 0 else None,
        steps_for_half=steps_for(whole, 0.5),
        steps=timeline.steps,
    )
    return Study(figures.model_dump(), {"services": services, "curve": curve, "months": monthly})


def _row(
    statement: Statement, offer: Offer, paid: np.ndarray, lines: dict[str, np.ndarray]
) -> dict[str, Any]:
    """One service: offered, paid, what it is expected to move, and what that is worth."""
    dispatch, product = statement.dispatch, offer.product
    hours = dispatch.scenario.timeline.step_hours
    kw_hours = float(np.sum(offer.offered_kw)) * hours
    accepted = np.asarray(offer.offered_kw, float) * product.acceptance_share * hours
    given, taken = product.moved
    delivered = np.asarray(offer.offered_kw, float) * (given - taken) * hours
    amount = _delivered_amount(statement, offer, delivered, lines)
    drained, worth = _drained(statement, offer)
    return {
        "service": product.name,
        "direction": product.direction,
        "offered_kw_hours": kw_hours,
        "paid": float(paid.sum()),
        "paid_per_kw_hour": float(paid.sum()) / kw_hours if kw_hours else np.nan,
        "delivered_kwh": float(delivered.sum()),
        "moved_kwh": float(accepted.sum()) * product.utilisation_gross,
        "delivered_settled_at": product.delivered_energy,
        "delivered_amount": amount,
        "stored_kwh_used": drained,
        "stored_amount": worth,
        **_spread(paid),
    }


def _spread(paid: np.ndarray) -> dict[str, float]:
    return {"best_one_percent_share": best_share(paid, 0.01), "gini": gini(paid)}


def _delivered_amount(
    statement: Statement, offer: Offer, delivered: np.ndarray, lines: dict[str, np.ndarray]
) -> float:
    """What delivered energy brings: at its own price, or at the rate of the register that moves in that step."""
    product, dispatch = offer.product, statement.dispatch
    if product.delivered_energy == "none" or not delivered.any():
        return 0.0
    if product.delivered_energy == "price":
        return float(lines[f"Delivered energy, {product.name}"].sum())
    scenario = dispatch.scenario
    data = scenario.data
    imports = np.asarray(dispatch.flows.meter.import_kw) > np.asarray(dispatch.flows.meter.export_kw)
    rate = np.where(imports, scenario.tariff.import_price(data), scenario.tariff.export_price(data))
    return float((rate * delivered).sum())


def _drained(statement: Statement, offer: Offer) -> tuple[float, float]:
    """Stored energy that the service is expected to use, losses both ways included, and its marginal worth."""
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    moved = activation(scenario.site, bool(scenario.storage), [offer])
    used = worth = 0.0
    for bank, share in zip(scenario.storage, capacity_shares(scenario.storage), strict=True):
        kw = bank.drained_by_calls(moved.charge_kw * share, moved.discharge_kw * share)
        kwh = np.asarray(kw, float) * scenario.timeline.step_hours * np.ones(scenario.timeline.steps)
        used, worth = used + float(kwh.sum()), worth + float((kwh * dispatch.worth_per_kwh[bank.name]).sum())
    return used, -worth


def gini(values: np.ndarray) -> float:
    """Gini coefficient of amounts: 0 where all are equal, 1 - 1/n where one of n has all.

    Parameters
    ----------
    values : array of shape (n,)
        Amounts below nothing count as nothing.

    Returns
    -------
    float
        [-]; nan where there is nothing to share.

    References
    ----------
    .. [1] C. Gini, "Variabilità e mutabilità", 1912; in the form of sorted values,
       G = 2 sum(i x_i) / (n sum(x)) - (n + 1)/n.
    """
    ordered = np.sort(np.maximum(np.asarray(values, float), 0.0))
    count, whole = len(ordered), ordered.sum()
    if not whole:
        return float("nan")
    return float(2 * (np.arange(1, count + 1) * ordered).sum() / (count * whole) - (count + 1) / count)


def best_share(values: np.ndarray, share: float) -> float:
    """Share of a sum that the best `share` of its terms bring, one at least; 0 where it is not positive. [-]"""
    ordered = np.sort(np.asarray(values, float))[::-1]
    whole = ordered.sum()
    return float(ordered[: max(1, round(share * len(ordered)))].sum() / whole) if whole > 0 else 0.0


def steps_for(values: np.ndarray, share: float) -> int:
    """The least number of terms that make up a share of the sum; 0 where the sum is not above 0."""
    ordered = np.sort(np.asarray(values, float))[::-1]
    whole = ordered.sum()
    if whole <= 0:
        return 0
    return int(np.searchsorted(np.cumsum(ordered), share * whole - 1e-12 * whole) + 1)
