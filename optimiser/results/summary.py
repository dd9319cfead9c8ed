"""The machine-readable summary of a run, with its provenance."""

from __future__ import annotations

import dataclasses
import datetime
import platform
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, crossing_effect
from optimiser.dispatch import Dispatch
from optimiser.equipment.losses import OF_LOSS, OF_POWER
from optimiser.finance import Appraisal, appraise
from optimiser.finance.yearly import is_year, yearly_saving
from optimiser.results.cash import cash_flow
from optimiser.scenario import checks
from optimiser.scenario.file import Scenario
from optimiser.studies.price_years import spread
from optimiser.study import Study
from optimiser.versions import versions
from optimiser.writing import new_run

CEILING = "ceiling: perfect foresight of prices, load and sun, an upper bound"


def resting_on(statement: Statement, studies: Mapping[str, Study]) -> Statement:
    """The statement that payback and present value rest on: the forecast-driven one, where a study made it."""
    headline: Statement | None = getattr(studies.get("without_foresight"), "headline", None)
    return statement if headline is None else headline


def summarise(
    statement: Statement, appraisal: Appraisal | None, studies: Mapping[str, Study], seconds: dict[str, float]
) -> dict[str, Any]:
    """The machine-readable summary of a run, with its provenance."""
    dispatch = statement.dispatch
    scenario = dispatch.scenario
    timeline, file, proof = scenario.timeline, scenario.file, dispatch.proof
    end = timeline.starts[-1] + pd.Timedelta(minutes=timeline.step_minutes)
    lines = statement.table.groupby(["case", "group", "line", "cash"], sort=False, as_index=False)[
        "amount"
    ].sum()
    return {
        "run": new_run(),
        "title": file.title,
        "description": file.description,
        "invented": file.invented,
        "currency": file.currency,
        "zone": timeline.zone,
        "start": timeline.local()[0].isoformat(),
        "end": end.tz_convert(timeline.local().tz).isoformat(),
        "step_minutes": timeline.step_minutes,
        "steps": timeline.steps,
        "phases": scenario.site.phases,
        "headline": _headline(statement, appraisal, resting_on(statement, studies), studies),
        "lines": lines.to_dict(orient="records"),  # type: ignore[call-overload]
        "energy_kwh": statement.energy_kwh,
        "balance": _balance(statement),
        "services": _services(statement),
        "crossing": crossing_effect(statement),
        "storage": _storage(statement),
        "proof": {
            **{name: getattr(proof, name) for name in ("verdict", "route", "bound", "settled")},
            "gap_absolute": proof.gap_absolute,
            "gap_relative": proof.gap_relative,
            "turnover": proof.turnover,
            "tolerance_relative": proof.tolerance_relative,
            "primal_violation": proof.primal_violation,
            "replay_violation": proof.replay_violation,
            "direction": {
                "tested_pairs": proof.tested_pairs,
                "inverted_steps": proof.inverted_steps,
                "binding_steps": proof.binding_steps,
                "remaining_violations": proof.remaining_violations,
            },
        },
        "cash_flow": cash_flow(appraisal),
        "appraisal": _appraisal(appraisal),
        "studies": {name: study.summary for name, study in studies.items()},
        "warnings": [
            *checks.warnings(scenario),
            *(appraisal.warnings if appraisal else ()),
            *(w for study in studies.values() for w in study.warnings),
        ],
        "approximations": [*_relaxed_lines(dispatch), *_approximations(scenario, appraisal)],
        "data_notes": list(checks.data_notes(scenario)),
        "provenance": _provenance(scenario, seconds),
    }


def _headline(
    statement: Statement, appraisal: Appraisal | None, driven: Statement, studies: Mapping[str, Study]
) -> dict[str, Any]:
    """The ceiling's bills, and what of them a site earns that does not know the year."""
    cost = statement.dispatch.scenario.file.cost
    known = None if driven is statement else driven
    ceiling = appraise(statement, studies) if known else appraisal
    return {
        "bill_before": statement.bill_before,
        **_figures("ceiling", statement, ceiling),
        **_figures("forecast_driven", known, appraisal),
        "rests_on": "forecast_driven" if known else "ceiling",
        "bases": {"ceiling": CEILING, "forecast_driven": known.dispatch.proof.route if known else None},
        "scaled_to_year": not is_year(statement.dispatch.scenario.timeline.hours),
        "capital_cost": cost.at_start if cost else None,
        "yearly_cost": cost.yearly if cost else None,
        "discount_rate_fraction": appraisal.discount_rate_fraction if appraisal else None,
        "life_years": cost.life_years if cost else None,
    }


def _figures(basis: str, statement: Statement | None, appraisal: Appraisal | None) -> dict[str, float | None]:
    """The figures of one basis, each with the basis in its name; all None where there is no such run."""
    yearly = appraisal.yearly_saving if appraisal else yearly_saving(statement) if statement else None
    figures = {
        "bill_after": statement.bill_after if statement else None,
        "services_income": statement.services_income if statement else None,
        "saving": statement.saving if statement else None,
        "saving_per_year": yearly if statement else None,
        "payback_years": appraisal.payback_years if statement and appraisal else None,
        "npv": appraisal.npv if statement and appraisal else None,
    }
    return {f"{basis}_{name}": figure for name, figure in figures.items()}


def _appraisal(appraisal: Appraisal | None) -> dict[str, Any] | None:
    """What the appraisal found beside the cash flow."""
    if appraisal is None:
        return None
    return {
        "ceiling_saving": appraisal.ceiling_saving,
        "realised_share": appraisal.realised_share,
        "real_rate_fraction": appraisal.real_rate_fraction,
        "discounted_payback_years": appraisal.discounted_payback_years,
        "dips_again": appraisal.dips_again,
        "internal_rates": list(appraisal.internal_rates),
        "modified_rate": appraisal.modified_rate,
        "return_on_investment": appraisal.return_on_investment,
        "storage_cost_per_kwh": appraisal.storage_cost_per_kwh,
        "storage_cost_name": appraisal.storage_cost_name,
        "storage_cost_words": appraisal.storage_cost_words,
        "kinds": {item.name: item.kind for item in appraisal.items},
        "banks": [asdict(bank) for bank in appraisal.course.banks],
        "solved_years": list(appraisal.course.ages),
        "sensitivities": [asdict(one) for one in appraisal.sensitivities],
        "price_years": _spread([asdict(year) for year in appraisal.price_years]),
    }


def _spread(years: list[dict[str, Any]]) -> dict[str, Any] | None:
    return {"years": years, "spread": spread(years)} if years else None


def _balance(statement: Statement) -> dict[str, dict[str, float]]:
    """Energy into the site and out of it, with equal sums."""
    energy = statement.energy_kwh
    losses = energy["inverter losses"] + sum(
        e for name, e in energy.items() if name.endswith(" losses") and name != "inverter losses"
    )
    stored = sum(e for name, e in energy.items() if name.endswith("stored more at the end"))
    into = {"imported": energy["import"], "solar used": energy["solar used"]}
    out = {
        "load": energy["load"],
        "DC load": energy["DC load"],
        "exported": energy["export"],
        "standby": energy["standby"],
        "losses in inverters and storage": losses,
    }
    activated = energy["delivered to activation, at the store"]
    metered = _metered_activation(statement)
    (out if stored >= 0 else into)["stored more at the end" if stored >= 0 else "stored less at the end"] = (
        abs(stored)
    )
    beyond = activated - metered
    if abs(activated) > 1e-9 or abs(metered) > 1e-9:
        name = "activation of services, net of what the meter saw"
        (out if beyond >= 0 else into)[name] = abs(beyond)
    return {"in": {n: e for n, e in into.items() if e}, "out": {n: e for n, e in out.items() if e}}


def _metered_activation(statement: Statement) -> float:
    """Energy that activated services gave to the meter's side. [kWh]"""
    hours = statement.dispatch.scenario.timeline.step_hours
    total = 0.0
    for offer in statement.dispatch.offers:
        product = offer.product
        if product.delivered_energy == "meter":
            given, taken = product.moved
            total += float(np.sum(offer.offered_kw)) * hours * (given - taken)
    return total


def _services(statement: Statement) -> list[dict[str, Any]]:
    dispatch = statement.dispatch
    timeline = dispatch.scenario.timeline
    lines = {line.name: line for line in dispatch.lines}
    rows = []
    for offer in dispatch.offers:
        line = lines[f"Availability, {offer.product.name}"]
        paid = np.sort(np.asarray(line.values))[::-1]
        best = paid[: max(1, round(timeline.steps / 100))].sum()
        rows.append(
            {
                "name": offer.product.name,
                "direction": offer.product.direction,
                "product": offer.product.product,
                "rules": [dataclasses.asdict(rule) for rule in offer.product.rules_in_words()],
                "source": offer.product.source,
                "rules_as_of": str(offer.product.rules_as_of or ""),
                "offered_kw_hours": float(np.sum(offer.offered_kw) * timeline.step_hours),
                "paid": float(paid.sum()),
                "best_one_percent_share": float(best / paid.sum()) if paid.sum() > 0 else 0.0,
            }
        )
    return rows


def _storage(statement: Statement) -> list[dict[str, Any]]:
    energy, rows = statement.energy_kwh, []
    for bank in statement.dispatch.scenario.storage:
        for_calls = energy[f"{bank.name} discharge for calls"]
        discharged = energy[f"{bank.name} discharge"] + for_calls
        rows.append(
            {
                "name": bank.name,
                "technology": bank.kind.replace("_", " "),
                "capacity_kwh": bank.capacity_kwh,
                "cycles": discharged / bank.capacity_kwh,
                "discharged_kwh": discharged,
                "discharged_for_calls_kwh": for_calls,
                "losses_kwh": energy[f"{bank.name} losses"],
            }
        )
    return rows


def _relaxed_lines(dispatch: Dispatch) -> list[str]:
    """Each sentence of lines that the program only came near, with their names."""
    names: dict[str, list[str]] = {}
    for line in dispatch.lines:
        if line.approximates and line.group != "tax":
            names.setdefault(line.approximates, []).append(line.name)
    return [f"{', '.join(dict.fromkeys(lines))}: {words}" for words, lines in names.items()]


def _approximations(scenario: Scenario, appraisal: Appraisal | None) -> list[str]:
    notes = list(appraisal.notes) if appraisal else []
    contracts = dict.fromkeys((scenario.before_tariff, scenario.tariff))
    told = dict.fromkeys(note for tariff in contracts for note in tariff.notes(scenario.timeline))
    notes += [f"Bill: {note}" for note in told]
    for bank in scenario.storage:
        if bank.voltages[0] != bank.voltages[1]:
            notes.append(
                f"Current limits at {bank.name} use straight lines at most 1 % below its true voltage, at "
                "the start "
                "and the end of every step."
            )
        if bank.resistance_ohm:
            near = f"within {OF_LOSS:.0%} of the loss and {OF_POWER:.1%} of its power"
            where = (
                f"at the voltage of the energy in the middle of each step, {near}"
                if bank.voltage_moves_losses
                else "at its voltage, in three straight pieces"
            )
            notes.append(f"Resistance losses of {bank.name} are taken {where}.")
        if bank.measured_points:
            notes.append(f"Losses of {bank.name} follow straight lines between its measured points.")
    if scenario.service:
        alone = [product.name for product in scenario.service if product.bids_alone]
        if len(alone) < len(scenario.service):
            others = "Other offers" if alone else "Offers"
            notes.append(
                f"{others} are a price-taker's, in any kW: steps and minimums are left to an aggregator of many "
                "sites."
            )
        if alone:
            notes.append(f"Steps and least bids are kept exactly, in every block, by {', '.join(alone)}.")
        if any(product.bid_price is not None for product in scenario.service):
            notes.append("A bid clears where the market's mean price of the block is at least the bid.")
        if any(product.from_solar for product in scenario.service):
            notes.append("Down offers count on solar that runs through the whole sustain time being reduced.")
        notes.append(
            "Every offer is held in full, with the whole sustain time, whether or not it is accepted."
        )
    notes.append("The schedule is constant within each step and knows all prices, load and sun beforehand.")
    return notes


def _provenance(scenario: Scenario, seconds: dict[str, float]) -> dict[str, Any]:
    own = versions()
    return {
        "package_version": own.pop("optimiser"),
        "code_sha256": own.pop("code"),
        **own,
        "python": platform.python_version(),
        "created_at": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "scenario_sha256": scenario.sha256,
        "files": {f"{file.name}: {file.path.name}": file.sha256 for file in scenario.files},
        "options": scenario.solve.model_dump(),
        "seconds": {name: round(value, 3) for name, value in seconds.items()},
    }
