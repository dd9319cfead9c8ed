"""The summary of a run made from its statement, appraisal and studies."""

from __future__ import annotations

import datetime
import platform
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, crossing_effect
from optimiser.dispatch import Proof
from optimiser.finance import Appraisal, appraise
from optimiser.finance.yearly import is_year, yearly_saving
from optimiser.results.approximations import approximations_of, relaxed_lines
from optimiser.results.cash import cash_flow
from optimiser.scenario.checks import review
from optimiser.scenario.file import Scenario
from optimiser.studies.price_years import spread
from optimiser.studies.without_foresight import paid_for
from optimiser.study import Study
from optimiser.summary.run import (
    AppraisalFigures,
    Balance,
    Bases,
    BasisFigures,
    Crossing,
    Direction,
    Headline,
    LineTotal,
    PriceYearSpread,
    ProofFigures,
    Provenance,
    RunState,
    SoldService,
    StoreUse,
    Summary,
)
from optimiser.versions import versions
from optimiser.writing import new_run

CEILING = "ceiling: perfect foresight of prices, load and sun, an upper bound"


def resting_on(statement: Statement, studies: Mapping[str, Study]) -> Statement:
    """The statement that payback and present value rest on: the forecast-driven one, where a study made it."""
    return paid_for(statement, studies.get("without_foresight"))


def summarise(
    statement: Statement,
    appraisal: Appraisal | None,
    studies: Mapping[str, Study],
    seconds: dict[str, float],
    state: RunState,
) -> Summary:
    """The summary of a run, with its provenance."""
    dispatch, paid = statement.dispatch, resting_on(statement, studies)
    scenario = dispatch.scenario
    timeline, file = scenario.timeline, scenario.file
    end = timeline.starts[-1] + pd.Timedelta(minutes=timeline.step_minutes)
    return Summary(
        run=new_run(),
        title=file.title,
        description=file.description,
        invented=file.invented,
        currency=file.currency,
        zone=timeline.zone,
        start=timeline.local()[0].isoformat(),
        end=end.tz_convert(timeline.local().tz).isoformat(),
        step_minutes=timeline.step_minutes,
        steps=timeline.steps,
        phases=scenario.site.phases,
        state=state,
        headline=_headline(statement, appraisal, paid, studies),
        lines=tuple(_lines(statement)),
        energy_kwh=paid.energy_kwh,
        balance=_balance(paid),
        services=tuple(_services(statement)),
        crossing=_crossing(statement),
        storage=tuple(_storage(paid)),
        proof=_proof(dispatch.proof),
        cash_flow=tuple(cash_flow(appraisal)),
        appraisal=None if appraisal is None else _appraisal(appraisal),
        studies={name: study.summary for name, study in studies.items()},
        warnings=(
            *review.warnings(scenario),
            *(appraisal.warnings if appraisal else ()),
            *(w for study in studies.values() for w in study.warnings),
        ),
        approximations=(*relaxed_lines(dispatch), *approximations_of(scenario, appraisal)),
        data_notes=tuple(review.data_notes(scenario)),
        provenance=_provenance(scenario, seconds),
    )


def _lines(statement: Statement) -> Iterator[LineTotal]:
    """Each line of each case, summed over billing periods."""
    keys = ["case", "group", "line", "cash"]
    totals = statement.table.groupby(keys, sort=False)[["amount"]].sum().reset_index()
    for row in totals.to_dict(orient="records"):
        yield LineTotal.model_validate(row)


def _proof(proof: Proof) -> ProofFigures:
    return ProofFigures(
        verdict=proof.verdict,
        route=proof.route,
        bound=proof.bound,
        settled=proof.settled,
        gap_absolute=proof.gap_absolute,
        gap_relative=proof.gap_relative,
        turnover=proof.turnover,
        tolerance_relative=proof.tolerance_relative,
        seconds_a_digit=proof.seconds_a_digit,
        ended=proof.ended,
        primal_violation=proof.primal_violation,
        replay_violation=proof.replay_violation,
        direction=Direction(
            tested_pairs=proof.tested_pairs,
            inverted_steps=proof.inverted_steps,
            binding_steps=proof.binding_steps,
            remaining_violations=proof.remaining_violations,
        ),
    )


def _crossing(statement: Statement) -> Crossing | None:
    found = crossing_effect(statement)
    return None if found is None else Crossing(**found)


def _headline(
    statement: Statement, appraisal: Appraisal | None, driven: Statement, studies: Mapping[str, Study]
) -> Headline:
    """The ceiling's bills, and what of them a site earns that does not know the year."""
    cost = statement.dispatch.scenario.file.cost
    known = None if driven is statement else driven
    ceiling = appraise(statement, studies) if known else appraisal
    return Headline(
        bill_before=statement.bill_before,
        **_figures("ceiling", statement, ceiling),
        **_figures("forecast_driven", known, appraisal),
        rests_on="forecast_driven" if known else "ceiling",
        bases=Bases(ceiling=CEILING, forecast_driven=known.dispatch.proof.route if known else None),
        scaled_to_year=not is_year(statement.dispatch.scenario.timeline.hours),
        capital_cost=cost.at_start if cost else None,
        yearly_cost=cost.yearly if cost else None,
        discount_rate_fraction=appraisal.discount_rate_fraction if appraisal else None,
        life_years=cost.life_years if cost else None,
    )


def _figures(basis: str, statement: Statement | None, appraisal: Appraisal | None) -> dict[str, Any]:
    """The figures of one basis, each with the basis in its name; all None where there is no such run."""
    if statement is None:
        return {f"{basis}_{name}": None for name in BasisFigures.model_fields}
    figures = BasisFigures(
        bill_after=statement.bill_after,
        services_income=statement.services_income,
        saving=statement.saving,
        saving_per_year=appraisal.yearly_saving if appraisal else yearly_saving(statement),
        payback_years=appraisal.payback_years if appraisal else None,
        npv=appraisal.npv if appraisal else None,
    )
    return {f"{basis}_{name}": figure for name, figure in figures}


def _appraisal(appraisal: Appraisal) -> AppraisalFigures:
    """What the appraisal found beside the cash flow."""
    years = appraisal.price_years
    return AppraisalFigures(
        ceiling_saving=appraisal.ceiling_saving,
        realised_share=appraisal.realised_share,
        real_rate_fraction=appraisal.real_rate_fraction,
        discounted_payback_years=appraisal.discounted_payback_years,
        dips_again=appraisal.dips_again,
        internal_rates=appraisal.internal_rates,
        modified_rate=appraisal.modified_rate,
        return_on_investment=appraisal.return_on_investment,
        storage_cost_per_kwh=appraisal.storage_cost_per_kwh,
        storage_cost_name=appraisal.storage_cost_name,
        storage_cost_words=appraisal.storage_cost_words,
        kinds={item.name: item.kind for item in appraisal.items},
        banks=appraisal.course.banks,
        solved_years=appraisal.course.ages,
        sensitivities=appraisal.sensitivities,
        price_years=PriceYearSpread(years=years, spread=spread(years)) if years else None,
    )


def _balance(statement: Statement) -> Balance:
    """Energy into the site and out of it, with equal sums."""
    energy = statement.energy_kwh
    losses = energy["inverter losses"] + sum(
        e for name, e in energy.items() if name.endswith(" losses") and name != "inverter losses"
    )
    stored = sum(e for name, e in energy.items() if name.endswith("stored more at the end"))
    into = {"imported": energy["import"], "solar used": energy["solar used"]}
    into["given back by DC loads"] = energy.get("given back by DC loads", 0.0)
    out = {
        "load": energy["load"],
        "flexible loads": energy["flexible loads"],
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
    return Balance(into={n: e for n, e in into.items() if e}, out={n: e for n, e in out.items() if e})


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


def _services(statement: Statement) -> Iterator[SoldService]:
    dispatch = statement.dispatch
    timeline = dispatch.scenario.timeline
    lines = {line.name: line for line in dispatch.lines}
    for offer in dispatch.offers:
        line = lines[f"Availability, {offer.product.name}"]
        paid = np.sort(np.asarray(line.values))[::-1]
        best = paid[: max(1, round(timeline.steps / 100))].sum()
        yield SoldService(
            name=offer.product.name,
            direction=offer.product.direction,
            product=offer.product.product,
            rules=offer.product.rules_in_words(),
            source=offer.product.source,
            rules_as_of=str(offer.product.rules_as_of or ""),
            offered_kw_hours=float(np.sum(offer.offered_kw) * timeline.step_hours),
            paid=float(paid.sum()),
            best_one_percent_share=float(best / paid.sum()) if paid.sum() > 0 else 0.0,
        )


def _storage(statement: Statement) -> Iterator[StoreUse]:
    energy = statement.energy_kwh
    for bank in statement.dispatch.scenario.storage:
        for_calls = energy[f"{bank.name} discharge for calls"]
        discharged = energy[f"{bank.name} discharge"] + for_calls
        yield StoreUse(
            name=bank.name,
            technology=bank.kind.replace("_", " "),
            capacity_kwh=bank.capacity_kwh,
            cycles=discharged / bank.capacity_kwh,
            discharged_kwh=discharged,
            discharged_for_calls_kwh=for_calls,
            losses_kwh=energy[f"{bank.name} losses"],
        )


def _provenance(scenario: Scenario, seconds: dict[str, float]) -> Provenance:
    own = {**versions(), "python": platform.python_version()}
    return Provenance(
        package_version=own.pop("optimiser"),
        code_sha256=own.pop("code"),
        **own,
        created_at=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        scenario_sha256=scenario.sha256,
        files={f"{file.name}: {file.path.name}": file.sha256 for file in scenario.files},
        options=scenario.solve.model_dump(),
        seconds={name: round(value, 3) for name, value in seconds.items()},
    )
