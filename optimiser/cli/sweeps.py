"""Commands that work out many variants of a scenario."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

import click

from optimiser.cli.common import EXIT, refuse_unwritable
from optimiser.cli.display import progress
from optimiser.errors import InfeasibleError


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--plan",
    "plan_only",
    is_flag=True,
    help="Say what would be done and, after a few cases, how long it takes.",
)
@click.option("--case", "number", type=int, help="Run this case alone and write its report.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME-sweep."
)
@click.option(
    "--workers", type=click.IntRange(1, 1024), help="Processes of this machine; left out: one a core."
)
@click.option("--cluster", help="Address of a Dask cluster to work on instead.")
@click.option("--retry", is_flag=True, help="Work out again the cases that failed before.")
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def sweep(
    file: Path,
    plan_only: bool,
    number: int | None,
    out: Path | None,
    workers: int | None,
    cluster: str | None,
    retry: bool,
    quiet: bool,
) -> None:
    """Work out every case of the sweep in FILE; what is finished already is kept, so the same command goes on."""
    from optimiser.batch.sweep import sweep as road
    from optimiser.batch.sweep.cases import WITH_RESULTS
    from optimiser.batch.sweep.plan import read_plan

    plan = read_plan(file)
    folder = out or Path("reports") / f"{file.resolve().parent.name}-{file.stem}"
    refuse_unwritable(folder, file)
    folder.mkdir(parents=True, exist_ok=True)
    command = f"optimiser sweep {shlex.quote(str(file))}" + (f" --out {shlex.quote(str(out))}" if out else "")
    with road.open_store(plan, folder / road.STORE_NAME) as store, progress(quiet) as say:
        if number is not None:
            _one_case(plan, number, store, folder, say)
            return
        if not quiet:
            _describe(plan, store, retry)
        with road.pool_of(workers, None, cluster) as pool:
            if plan_only:
                _cost(road.try_some(plan, store, pool, say), folder)
                return
            road.work_out(plan, store, pool, retry=retry, progress=say)
        table = road.table_of(plan, store)
        say("writing the page")
        paths = road.write_sweep(plan, table, folder, command)
    counts = table[table["case"] > 0]["status"].value_counts()
    if not quiet:
        click.echo(road.basis_of(plan))
        click.echo(
            f"{plan.file.title}: {', '.join(f'{count:,} {status}' for status, count in counts.items())}."
        )
    click.echo(f"Page: {paths['page']}")
    if len(counts) and not set(counts.index) & set(WITH_RESULTS):
        click.echo("No case has an answer; why is in the column message of cases.csv.", err=True)
        sys.exit(EXIT[InfeasibleError])


def _describe(plan: Any, store: Any, retry: bool) -> None:
    """The plan in words."""
    from optimiser.batch.sweep.sweep import missing

    left = len(missing(plan, store, retry))
    design = ", ".join(
        f"{name} {value}" for name, value in plan.file.design.model_dump().items() if name != "kind"
    )
    kind = plan.file.design.kind.replace("_", " ")
    click.echo(
        f"{plan.file.title}: {len(plan.cases):,} cases, {kind}{f' ({design})' if design else ''}; {left:,} to work out."
    )
    for factor in plan.file.factor:
        values = list(dict.fromkeys(case.values[factor.name] for case in plan.cases))
        numbers = all(isinstance(value, (int, float)) for value in values)
        words = (
            f"{min(values):.6g} to {max(values):.6g}"
            if numbers and len(values) > 6
            else ", ".join(f"{value:.6g}" if numbers else str(value) for value in values[:6])
        )
        more = f" ({len(values):,} values)" if len(values) > 6 else ""
        click.echo(f"  {factor.name:24} {words}{more} {factor.unit}".rstrip())
    click.echo(f"  recorded: {', '.join(plan.file.record)}")
    for words in plan.warnings:
        click.echo(f"warning: {words}", err=True)


def _cost(cost: Any, folder: Path) -> None:
    """What the rest will take."""
    from optimiser.batch.sweep.sweep import in_words

    click.echo(
        f"{cost.tried} cases tried and kept: {cost.seconds_a_case:.2f} s each on average, the slowest "
        f"{cost.slowest:.2f} s, with {cost.workers} at once."
    )
    expected, most = in_words(cost.expected_seconds), in_words(cost.most_seconds)
    beyond = f", hardly more than {most}" if cost.error > 0 and most != expected else ""
    click.echo(f"The {cost.left:,} cases that are left will take about {expected}{beyond}. Kept in {folder}.")


def _one_case(plan: Any, number: int, store: Any, folder: Path, say: Any) -> None:
    """A case run by itself, compared with what the sweep has of it, and its report."""
    from optimiser.batch.sweep.sweep import basis_of, case_of, run_case
    from optimiser.results.write import write_results

    case = case_of(plan, number)
    kept = next((outcome for outcome in store.outcomes() if outcome.key == case.key), None)
    made, found = run_case(plan, case, store, say)
    paths = write_results(made, folder / f"case-{number}")
    click.echo(f"Case {number} of {plan.file.title}:")
    click.echo(basis_of(plan))
    for path, value in case.changes.items():
        click.echo(f"  {path} = {'a table' if isinstance(value, dict) else value}")
    for path, value in found.results.items():
        before = kept.results.get(path) if kept else value
        other = "" if before == value else f"   (the sweep has {before})"
        click.echo(f"  {path:32} {value}{other}")
    click.echo(f"Report: {paths['report']}")
    headline = made.summary.headline
    if headline.rests_on == "forecast_driven" and "without_foresight" not in plan.file.studies:
        driven = headline.bases.forecast_driven
        click.echo(f"The report's payback is forecast-driven ({driven}), not the sweep's ceiling.")


COMMANDS = (sweep,)
