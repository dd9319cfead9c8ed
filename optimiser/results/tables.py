"""Results as data frames and files, each written whole or not at all, reconciled with each other."""

from __future__ import annotations

import dataclasses
import datetime
import platform
import time
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.accounts.settlement import Statement, crossing_effect, settle
from optimiser.dispatch import Dispatch, Progress, solve
from optimiser.engine.answer import Start
from optimiser.equipment.losses import OF_LOSS, OF_POWER
from optimiser.equipment.storage import voltage_at
from optimiser.errors import DriftError, OptimiserError
from optimiser.finance import Appraisal, appraise, discounted
from optimiser.finance.yearly import is_year, yearly_saving
from optimiser.results.workbook import write_workbook
from optimiser.scenario import checks
from optimiser.scenario.cost import SUMS, YEAR
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario
from optimiser.studies.catalogue import STUDIES, make_studies, usual, with_required
from optimiser.studies.price_years import spread
from optimiser.study import Study
from optimiser.terms.books import SettledTerms
from optimiser.versions import versions
from optimiser.writing import Content, new_run, write_csv, write_files

TABLE_KINDS = ("csv", "parquet")
CEILING = "ceiling: perfect foresight of prices, load and sun, an upper bound"


@dataclass(frozen=True)
class Run:
    """Everything that one run made.

    Attributes
    ----------
    scenario : Scenario
    dispatch : Dispatch
    statement : Statement
    appraisal : Appraisal or None
    summary : dict
        The machine-readable summary.
    dispatch_table : DataFrame
        One row a step.
    studies : dict of str to Study
        What else was worked out.
    """

    scenario: Scenario
    dispatch: Dispatch
    statement: Statement
    appraisal: Appraisal | None
    summary: dict[str, Any]
    dispatch_table: pd.DataFrame
    studies: Mapping[str, Study]


def run(
    scenario: str | Path | Scenario,
    *,
    start: Run | Start | None = None,
    studies: Iterable[str] | None = None,
    progress: Progress | None = None,
) -> Run:
    """Walk the road: read, solve, settle, appraise, and bundle the results.

    Parameters
    ----------
    scenario : str, Path or Scenario
        A scenario folder, or a scenario already read.
    start : Run or Start, optional
        A run of the same shape, or its `dispatch.start`, with other prices, limits or efficiencies, to start from.
    studies : iterable of str, optional
        Names of what else to work out (`optimiser.studies.catalogue`); left out: the usual ones.
    progress : callable, optional
        Told in a phrase what is being done.
    """
    began = time.perf_counter()
    if not isinstance(scenario, Scenario):
        scenario = read_scenario(scenario)
    read = time.perf_counter()
    dispatch = solve(scenario, start=start.dispatch if isinstance(start, Run) else start, progress=progress)
    settling = time.perf_counter()
    seconds = {"read": read - began, **dispatch.seconds}
    return _studied(settle(dispatch), studies, progress, seconds, settling)


def run_again(made: Run, *, studies: Iterable[str] | None = None, progress: Progress | None = None) -> Run:
    """The same solved and settled run with other studies; what was solved is not solved again."""
    dispatch, began = made.dispatch, time.perf_counter()
    return _studied(made.statement, studies, progress, dict(dispatch.seconds), began)


def _studied(
    statement: Statement,
    studies: Iterable[str] | None,
    progress: Progress | None,
    seconds: dict[str, float],
    settling: float,
) -> Run:
    """A run from its settled statement on; `settling` is the clock when that began."""
    dispatch, scenario = statement.dispatch, statement.dispatch.scenario
    names = with_required(scenario, usual() if studies is None else studies)
    asked = time.perf_counter()
    made = make_studies(statement, names, progress or (lambda words: None))
    studied = time.perf_counter()
    appraisal = appraise(resting_on(statement, made), made, statement)
    table = dispatch_table(dispatch)
    settle_s = asked - settling + time.perf_counter() - studied
    seconds = {**seconds, "settle": settle_s, "make studies": studied - asked}
    summary = summarise(statement, appraisal, made, seconds)
    check_reconciled(statement, summary, table)
    return Run(scenario, dispatch, statement, appraisal, summary, table, made)


def resting_on(statement: Statement, studies: Mapping[str, Study]) -> Statement:
    """The statement that payback and present value rest on: the forecast-driven one, where a study made it."""
    headline: Statement | None = getattr(studies.get("without_foresight"), "headline", None)
    return statement if headline is None else headline


def dispatch_table(dispatch: Dispatch) -> pd.DataFrame:
    """One row a step: powers in kW, energies in kWh at the end of the step, prices per kWh.

    Returns
    -------
    DataFrame
        Indexed by `interval_start` in UTC, with the local start as text.
    """
    scenario, values, flows = dispatch.scenario, dispatch.values, dispatch.flows
    site, terms = scenario.site, SettledTerms(scenario.timeline, scenario.read, values)
    steps = scenario.timeline.steps
    zero = np.zeros(steps)
    columns: dict[str, Any] = {}
    loads = {phase: site.load_kw(terms, phase) for phase in site.phase_names}
    columns["site.load_kw"] = sum(loads.values(), zero)
    solar = {f"controller.{c.name}": c.available(terms) for c in site.solar_controller}
    solar |= {f"ac_solar.{s.name}": s.available(terms) for s in site.ac_solar}
    columns["site.solar_kw"] = sum((values[f"{name}.solar_kw"] for name in solar), zero)
    columns["site.solar_available_kw"] = sum(solar.values(), zero)
    banks = flows.banks
    columns["site.charge_kw"] = sum((f.taken_kw for f in banks.values()), zero)
    columns["site.discharge_kw"] = sum((f.given_kw for f in banks.values()), zero)
    columns["site.stored_kwh"] = sum((f.end_kwh for f in banks.values()), zero)
    columns["meter.import_kw"], columns["meter.export_kw"] = flows.meter.import_kw, flows.meter.export_kw
    if np.any(flows.meter.crossing_kw):
        columns["meter.crossing_kw"] = flows.meter.crossing_kw
    columns["price.import_per_kwh"] = scenario.tariff.import_price(terms)
    columns["price.export_per_kwh"] = scenario.tariff.export_price(terms)
    for name, worth in dispatch.worth_per_kwh.items():
        columns[f"worth.{name}.stored_per_kwh"] = worth
    if dispatch.worth_per_kwh:
        columns["worth.stored_per_kwh"] = next(iter(dispatch.worth_per_kwh.values()))
    for phase in site.phase_names:
        columns[f"phase.{phase}.load_kw"] = loads[phase]
        columns[f"phase.{phase}.net_import_kw"] = flows.phases[phase].net_import_kw
    if site.registers == "per_phase":
        for phase in site.phase_names:
            for way in ("import_kw", "export_kw"):
                crossing = flows.meter.crossing_kw / site.phases
                columns[f"phase.{phase}.{way}"] = values[f"meter.{phase}.{way}"] + crossing
    for name in flows.inverters:
        for way in ("output_kw", "input_kw"):
            columns[f"inverter.{name}.{way}"] = values[f"inverter.{name}.{way}"]
    for name, available in solar.items():
        columns[f"{name}.solar_kw"], columns[f"{name}.available_kw"] = values[f"{name}.solar_kw"], available
    for bank in scenario.storage:
        flow = banks[bank.name]
        columns[f"storage.{bank.name}.charge_kw"] = flow.taken_kw
        columns[f"storage.{bank.name}.discharge_kw"] = flow.given_kw
        if np.any(flow.worn_kw != flow.given_kw):
            columns[f"storage.{bank.name}.called_charge_kw"] = flow.called_charge_kw + zero
            columns[f"storage.{bank.name}.called_discharge_kw"] = flow.called_discharge_kw
        columns[f"storage.{bank.name}.stored_kwh"] = flow.end_kwh
        columns[f"storage.{bank.name}.bus_voltage_v"] = voltage_at(bank, flow.end_kwh)
    for offer in dispatch.offers:
        columns[f"service.{offer.product.name}.offer_kw"] = offer.offered_kw
        columns[f"service.{offer.product.name}.price_per_kw_h"] = offer.product.price_per_kw_hour(terms)
    index = scenario.timeline.starts.rename("interval_start")
    table = pd.DataFrame({name: np.asarray(numbers, float) for name, numbers in columns.items()}, index=index)
    local = scenario.timeline.local()
    # Text, so that the hour that the clock repeats stays two different stamps.
    table.insert(0, "interval_start_local", pd.Index([stamp.isoformat() for stamp in local]))
    return table


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
        "cash_flow": _cash_flow(appraisal),
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


def _cash_flow(appraisal: Appraisal | None) -> list[dict[str, Any]]:
    """A row a year: every item, their sum, and the running sums."""
    if appraisal is None:
        return []
    running = np.cumsum(appraisal.flows)
    present = np.cumsum(discounted(appraisal.flows, appraisal.discount_rate_fraction))
    return [
        {
            "year": year,
            "items": {item.name: item.amounts[year] for item in appraisal.items},
            "amount": amount,
            "cumulative": float(running[year]),
            "discounted_cumulative": float(present[year]),
        }
        for year, amount in enumerate(appraisal.flows)
    ]


def cash_flow_table(appraisal: Appraisal) -> pd.DataFrame:
    """The cash flow as a table: a row a year, a column an item, their sum and the running sums."""
    rows = _cash_flow(appraisal)
    return pd.DataFrame([{YEAR: row["year"], **row["items"], **_sums(row)} for row in rows])


def _sums(row: dict[str, Any]) -> dict[str, float]:
    return dict(zip(SUMS, (row["amount"], row["cumulative"], row["discounted_cumulative"]), strict=True))


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


def check_reconciled(statement: Statement, summary: dict[str, Any], table: pd.DataFrame) -> None:
    """Refuse outputs that disagree: summary with statement, energies with the dispatch table.

    Raises
    ------
    DriftError
        Naming both figures.
    """
    hours = statement.dispatch.scenario.timeline.step_hours
    head = summary["headline"]
    pairs = [
        ("saving", head["ceiling_saving"], statement.total("after") - statement.total("before")),
        (
            "bill before",
            head["bill_before"],
            -sum(x["amount"] for x in summary["lines"] if x["case"] == "before" and x["cash"]),
        ),
        (
            "services income",
            head["ceiling_services_income"],
            sum(x["paid"] for x in summary["services"]) + statement.total("after", "activation"),
        ),
        ("energy imported", summary["energy_kwh"]["import"], float(table["meter.import_kw"].sum() * hours)),
        ("energy balance", sum(summary["balance"]["in"].values()), sum(summary["balance"]["out"].values())),
    ]
    flow = summary["cash_flow"]
    if flow:
        for row in flow:
            pairs.append((f"the cash flow of year {row['year']}", row["amount"], sum(row["items"].values())))
        pairs.append(
            ("net present value", head[f"{head['rests_on']}_npv"], flow[-1]["discounted_cumulative"])
        )
        kinds = summary["appraisal"]["kinds"]
        first = sum(amount for name, amount in flow[1]["items"].items() if kinds[name] == "saving")
        pairs.append(("the saving of year 1", head[f"{head['rests_on']}_saving_per_year"], first))
    for name, one, other in pairs:
        if abs(one - other) > 0.004 + 1e-7 * abs(one):
            raise DriftError(f"two outputs disagree on {name}: {one:.4f} and {other:.4f}")


def write_results(made: Run, folder: str | Path) -> dict[str, Path]:
    """Write the report, the tables and the summary of a run.

    All files are written under other names first and then moved into place, so an interruption leaves neither half
    a file nor the files of two runs.

    Returns
    -------
    dict of str to Path
        "report", "customer" (two sheets of paper), "dispatch_csv", "dispatch_parquet", "statement_csv", "summary", with
        costs "cash_flow_csv" and "appraisal", "STUDY-TABLE" for each table of a study, and
        "without_foresight-schedule-NAME", a Parquet file with the columns of the dispatch, for each way of running the
        site beside the ceiling.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report import render
    from optimiser.report.results import Results

    folder = Path(folder)
    paths = {
        "report": folder / "report.html",
        "customer": folder / "customer.html",
        "dispatch_csv": folder / "dispatch.csv",
        "dispatch_parquet": folder / "dispatch.parquet",
        "statement_csv": folder / "statement.csv",
        "summary": folder / "summary.json",
    }
    tables = {
        f"{study}-{name}": table
        for study, found in made.studies.items()
        for name, table in found.tables.items()
    }
    paths |= {name: folder / f"{name}.csv" for name in tables}
    results = Results(made.summary, made.dispatch_table, made.statement.table, tables)
    files: dict[str, Content] = {
        "report": render(results),
        "customer": render(results, edition="customer"),
        "dispatch_csv": partial(write_csv, made.dispatch_table, index=True),
        "dispatch_parquet": made.dispatch_table.to_parquet,
        "statement_csv": made.statement.table,
        "summary": made.summary,
        **tables,
    }
    for name, schedule in getattr(made.studies.get("without_foresight"), "schedules", {}).items():
        key = f"without_foresight-schedule-{name.replace(' ', '-')}"
        paths[key], files[key] = folder / f"{key}.parquet", dispatch_table(schedule).to_parquet
    appraisal, cost = made.appraisal, made.scenario.file.cost
    if appraisal is not None and cost is not None:
        paths |= {"cash_flow_csv": folder / "cash-flow.csv", "appraisal": folder / "appraisal.xlsx"}
        files["cash_flow_csv"] = cash_flow_table(appraisal)
        files["appraisal"] = partial(write_workbook, appraisal, cost, made.summary)
    # Tables that an earlier run made and this one does not would speak of another run.
    stale = [
        *(f"{name}-*.{kind}" for name in STUDIES for kind in TABLE_KINDS),
        "cash-flow.csv",
        "appraisal.xlsx",
    ]
    _refuse_inputs(made.scenario, {*paths.values(), *(path for name in stale for path in folder.glob(name))})
    write_files({paths[name]: content for name, content in files.items()}, stale)
    return paths


def _refuse_inputs(scenario: Scenario, paths: Iterable[Path]) -> None:
    """Refuse to write over what the run was made from."""
    read = {path.resolve() for path in (scenario.path, *(file.path for file in scenario.files))}
    for path in paths:
        if path.resolve() in read:
            raise OptimiserError(
                f"{path} is data of the scenario and is not written over. Choose another folder."
            )
