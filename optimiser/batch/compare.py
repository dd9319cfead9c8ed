"""Several scenarios, or variants of one, each solved by itself and set side by side."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr

from optimiser.accounts.settlement import before_flows
from optimiser.dispatch import Progress
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.fields import Component, Several, text
from optimiser.finance.appraisal import appraise, at_share
from optimiser.finance.yearly import is_year
from optimiser.results.run import Run, run
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary
from optimiser.scenario.uses import inside, read_toml
from optimiser.studies.measured_share import MeasuredShare, measured
from optimiser.summary.compare import (
    MEASURED,
    PLANNED,
    UNKNOWN,
    UNPLANNED,
    CompareSummary,
    Judged,
    Source,
    VariantFigures,
    YearFigures,
)
from optimiser.terms.books import SettledTerms
from optimiser.terms.line import Line
from optimiser.timeline import STEP
from optimiser.writing import Content, write_folder

WITHOUT = "without the system"


class VariantEntry(Component):
    """One variant: a scenario, and what is changed in it."""

    name: StrictStr = text("name of the variant")
    scenario: StrictStr = text(
        "scenario folder or file, beside this file; left out: the first variant's", default=""
    )
    tariff: StrictStr = text("file of a tariff that takes the place of the scenario's", default="")
    before_tariff: StrictStr = text(
        "the same for the case without the system; left out: the contract that the scenario has", default=""
    )
    change: dict[str, Any] = Field(default_factory=dict, description="values by path")


class CompareFile(Component):
    """Everything that a file of variants may say."""

    title: StrictStr = text("title of the page")
    description: StrictStr = text("a sentence or two", default="")
    variant: Several[VariantEntry] = Field(min_length=2, description="the variants")


@dataclass(frozen=True)
class Variant:
    """A scenario with the name that it goes by."""

    name: str
    scenario: Scenario


@dataclass(frozen=True)
class ComparePlan:
    """What is to be compared."""

    title: str
    description: str
    variants: tuple[Variant, ...]


@dataclass(frozen=True)
class Comparison:
    """What the variants come to.

    Attributes
    ----------
    summary : CompareSummary
    variants : DataFrame
        One row a variant: its days; over them what the site pays without the system (`bill_before`), and what it would
        pay so on the variant's contract (`bill_unequipped`); then the `ceiling_...` figures with perfect foresight,
        the `forecast_driven_...` ones without it and where these come from; capital and gap.
    lines : DataFrame
        One row a line of any bill: what is to pay in each variant's case after, and in the first variant's case
        before. [currency]
    hours : DataFrame
        One row a month and hour of the local clock: what each variant makes by lines charged step by step, and the best
        of them; empty where the timelines differ. [currency]
    """

    summary: CompareSummary
    variants: pd.DataFrame
    lines: pd.DataFrame
    hours: pd.DataFrame


def read_plan(paths: Sequence[str | Path]) -> ComparePlan:
    """What to compare: a file of variants, or two and more scenarios.

    Raises
    ------
    ScenarioError
        With every fault of the file and of every variant.
    """
    first = Path(paths[0])
    if len(paths) == 1:
        return _read_file(first)
    variants: list[Variant] = []
    faults: list[str] = []
    for path in map(Path, paths):
        try:
            scenario = read_scenario(path)
        except ScenarioError as error:
            faults += [f"{error.where}: {fault}" for fault in error.faults]
            continue
        variants.append(Variant(_free(scenario.path.resolve().parent.name, variants), scenario))
    if faults:
        raise ScenarioError("what is to be compared", faults)
    return ComparePlan(
        "Comparison of " + ", ".join(v.name for v in variants),
        "",
        _of_one_currency(variants, "the scenarios"),
    )


def _free(name: str, variants: list[Variant]) -> str:
    """A name that no variant has yet."""
    taken = {variant.name for variant in variants}
    number = 2
    while name in taken:
        name, number = f"{name.removesuffix(f' {number - 1}')} {number}", number + 1
    return name


def _read_file(path: Path) -> ComparePlan:
    if path.is_dir():
        raise OptimiserError(f"{path} is one scenario. Name two or more, or a file of variants.")
    raw, _ = read_toml(path)
    file, faults = checked(CompareFile, raw)
    if file is None:
        raise ScenarioError(str(path), faults)
    variants: list[Variant] = []
    scenario_of_first = file.variant[0].scenario
    if not scenario_of_first:
        faults.append("variant.0.scenario is required but missing. Name the scenario's folder.")
    faults += _name_faults(file)
    for index, entry in enumerate(file.variant):
        folder = entry.scenario or scenario_of_first
        if not folder:
            continue
        try:
            scenario = read_scenario(path.parent / folder)
            changes = {**_contracts(path, entry, scenario), **entry.change}
            variants.append(Variant(entry.name, vary(scenario, changes) if changes else scenario))
        except ScenarioError as error:
            faults += [f"variant.{index}: {error.where}: {fault}" for fault in error.faults]
    if faults:
        raise ScenarioError(str(path), faults)
    return ComparePlan(file.title, file.description, _of_one_currency(variants, str(path)))


def _name_faults(file: CompareFile) -> list[str]:
    """Variants without a name, and names that come again."""
    faults, seen = [], set()
    for index, entry in enumerate(file.variant):
        if not entry.name.strip():
            faults.append(f"variant.{index}.name is empty. Give each variant its own name.")
        elif entry.name in seen:
            faults.append(f"variant.{index}.name is {entry.name!r} again. Give each variant its own name.")
        seen.add(entry.name)
    return faults


def _contracts(path: Path, entry: VariantEntry, scenario: Scenario) -> dict[str, Any]:
    """The tariffs that take the place of a scenario's own.

    A new tariff comes with the system: without it the site stays on the contract that it has, unless another is named.
    """
    found = {}
    for key in ("tariff", "before_tariff"):
        name = getattr(entry, key)
        if name:
            file = inside(path, name, (), "this file's folder", "Copy it in.")
            content, _ = read_toml(file)
            content = content.get("tariff", content)
            if not isinstance(content, dict):
                raise ScenarioError(name, [f"{name}: tariff must be a table. Begin it with [tariff]."])
            found[key] = {
                k: v for k, v in content.items() if k not in ("currency", "source", "outside_folders")
            }
    if "tariff" in found:
        found.setdefault("before_tariff", scenario.raw.get("before_tariff", scenario.raw["tariff"]))
    return found


def _of_one_currency(variants: list[Variant], where: str) -> tuple[Variant, ...]:
    currencies = dict.fromkeys(variant.scenario.file.currency for variant in variants)
    if len(currencies) > 1:
        raise ScenarioError(
            where, [f"the variants are in {', '.join(currencies)}. Compare those of one currency."]
        )
    return tuple(variants)


def compare(plan: ComparePlan, *, measure: bool = False, progress: Progress | None = None) -> Comparison:
    """Solve every variant and set them side by side.

    Parameters
    ----------
    plan : ComparePlan
    measure : bool
        Run each variant as a run does, by every plan and device; left out, by what the headline needs alone
        (`studies.measured_share`). Either way on its own contract, size and series.
    progress : callable, optional

    Raises
    ------
    OptimiserError
        If a variant has no answer, with its name.
    """
    say = progress or (lambda words: None)
    runs: list[tuple[str, Run]] = []
    shares: list[MeasuredShare | None] = []
    for number, variant in enumerate(plan.variants, 1):
        told = partial(_said, say, f"{variant.name} ({number} of {len(plan.variants)}): ")
        try:
            made = run(variant.scenario, studies=None if measure else (), progress=told)
            shares.append(None if measure else measured(made.statement, told))
        except OptimiserError as error:
            error.args = (f"{variant.name}: {error.args[0] if error.args else ''}", *error.args[1:])
            raise
        runs.append((variant.name, made))
    found = [_variant(name, made, share) for (name, made), share in zip(runs, shares, strict=True)]
    lines = _lines(runs)
    variants = pd.DataFrame([figures.model_dump() for figures in found])
    return Comparison(_summary(plan, runs, found, lines), variants, lines, _hours(runs))


def _said(say: Progress, where: str, words: str) -> None:
    say(where + words)


def _variant(name: str, made: Run, share: MeasuredShare | None) -> VariantFigures:
    """What a variant comes to on both bases."""
    head, proof = made.summary.headline, made.summary.proof
    driven, source = _forecast_driven(made, share)
    return VariantFigures(
        variant=name,
        days=made.scenario.timeline.hours / 24,
        bill_unequipped=_unequipped(made.scenario),
        bill_before=head.bill_before,
        ceiling_bill_after=head.ceiling_bill_after,
        ceiling_services_income=head.ceiling_services_income,
        ceiling_saving=head.ceiling_saving,
        ceiling_saving_per_year=head.ceiling_saving_per_year,
        ceiling_payback_years=head.ceiling_payback_years,
        ceiling_npv=head.ceiling_npv,
        forecast_driven_saving_per_year=driven.saving_per_year,
        forecast_driven_payback_years=driven.payback_years,
        forecast_driven_npv=driven.npv,
        forecast_driven_from=source,
        capital_cost=head.capital_cost,
        gap_relative=proof.gap_relative,
        gap_absolute=proof.gap_absolute,
        verdict=proof.verdict,
    )


def _unequipped(scenario: Scenario) -> float:
    """What the site would pay without the system on the contract that comes with it. [currency]"""
    lines = scenario.tariff.lines(before_flows(scenario), SettledTerms(scenario.data))
    return -float(sum(line.values.sum() for line in lines if line.cash))


def _forecast_driven(made: Run, share: MeasuredShare | None) -> tuple[YearFigures, Source]:
    """What a year comes to without foresight, and where that comes from."""
    if made.summary.headline.rests_on == "forecast_driven":
        rested = made.summary.headline.rested
        planned = YearFigures(
            saving_per_year=rested.saving_per_year, payback_years=rested.payback_years, npv=rested.npv
        )
        return planned, PLANNED
    if share is None and made.scenario.storage:
        return YearFigures(saving_per_year=None, payback_years=None, npv=None), UNKNOWN
    part = 1.0 if share is None else share.of_ceiling
    saving, payback, npv = at_share(made.statement, appraise(made.statement), part)
    found = YearFigures(saving_per_year=saving, payback_years=payback, npv=npv)
    return found, UNPLANNED if share is None else MEASURED


def _judged_by(variants: Sequence[VariantFigures]) -> Judged:
    """The one figure by which all variants can be ranked: present value where each has costs, else saving a year.

    Both on one basis: forecast-driven where each variant has that figure, else the ceiling.
    """
    order: tuple[Judged, ...] = (
        "forecast_driven_npv",
        "ceiling_npv",
        "forecast_driven_saving_per_year",
        "ceiling_saving_per_year",
    )
    return next(name for name in order if all(getattr(variant, name) is not None for variant in variants))


def _lines(runs: list[tuple[str, Run]]) -> pd.DataFrame:
    parts = [_to_pay(WITHOUT, runs[0][1], "before"), *(_to_pay(name, made, "after") for name, made in runs)]
    together = pd.concat(parts)
    order = list(dict.fromkeys(zip(together["group"], together["line"], strict=True)))
    groups = list(dict.fromkeys(together["group"]))
    order.sort(key=lambda key: groups.index(key[0]))
    wide = together.pivot_table(
        index=["group", "line"], columns="case", values="to_pay", aggfunc="sum", fill_value=0.0
    )
    names = pd.MultiIndex.from_tuples(order, names=["group", "line"])
    return wide.reindex(index=names, columns=[WITHOUT, *(name for name, _ in runs)]).reset_index()


def _to_pay(name: str, made: Run, case: str) -> pd.DataFrame:
    """Lines of a case that are really paid, positive is to pay."""
    table = made.statement.table
    cash = table[(table["case"] == case) & table["cash"]]
    sums = cash.groupby(["group", "line"], sort=False, as_index=False)["amount"].sum()
    return pd.DataFrame(
        {"group": sums["group"], "line": sums["line"], "case": name, "to_pay": -sums["amount"]}
    )


def _by_step(lines: Iterable[Line], steps: int) -> np.ndarray:
    """Money of lines charged step by step, of shape (steps,)."""
    total = np.zeros(steps)
    for line in lines:
        if line.cash and line.per == STEP:
            total += np.asarray(line.values, float)
    return total


def _hours(runs: list[tuple[str, Run]]) -> pd.DataFrame:
    timelines = [made.scenario.timeline for _, made in runs]
    first = timelines[0]
    if len({(t.starts[0], t.steps, t.step_minutes) for t in timelines}) > 1:
        return pd.DataFrame()
    local = first.local()
    frame = pd.DataFrame({name: _by_step(made.dispatch.lines, first.steps) for name, made in runs})
    sums = frame.groupby([local.strftime("%Y-%m"), local.hour]).sum().rename_axis(["month", "hour"])
    return sums.assign(best=sums.idxmax(axis=1)).reset_index()


def _summary(
    plan: ComparePlan,
    runs: list[tuple[str, Run]],
    variants: Sequence[VariantFigures],
    lines: pd.DataFrame,
) -> CompareSummary:
    first = runs[0][1].summary
    judged_by = _judged_by(variants)
    best = max(variants, key=lambda variant: getattr(variant, judged_by))
    return CompareSummary(
        title=plan.title,
        description=plan.description,
        invented=any(made.summary.invented for _, made in runs),
        currency=first.currency,
        zone=first.zone,
        contract_without=_one_of({made.scenario.before_tariff.name for _, made in runs}),
        days=_one_of({made.scenario.timeline.hours / 24 for _, made in runs}),
        scaled_to_year=any(not is_year(made.scenario.timeline.hours) for _, made in runs),
        start=first.start,
        steps=first.steps,
        step_minutes=first.step_minutes,
        judged_by=judged_by,
        best=best.variant,
        variants=tuple(variants),
        to_pay={name: float(lines[name].sum()) for name, _ in runs},
    )


def _one_of(values: set[Any]) -> Any:
    """The one value that all share, or None."""
    return next(iter(values)) if len(values) == 1 else None


def write_comparison(made: Comparison, folder: str | Path) -> dict[str, Path]:
    """Write the page, its tables and the summary, whole or not at all.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.compare import compare_page

    tables = {"variants": made.variants, "lines": made.lines, "hours": made.hours}
    page = compare_page(made.summary, made.lines, made.hours)
    files: dict[str, tuple[str, Content]] = {
        "page": ("compare.html", page),
        "summary": ("compare.json", made.summary.as_dict()),
    }
    files |= {name: (f"compare-{name}.csv", table) for name, table in tables.items() if len(table)}
    return write_folder(Path(folder), files, stale=["compare-*.csv"])
