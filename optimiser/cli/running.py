"""Commands that read a scenario and work out what it earns."""

from __future__ import annotations

import difflib
import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from optimiser.cli.common import (
    BEST_FOUND,
    Number,
    progress,
    refuse_existing,
    refuse_unwritable,
    scenario_name,
    write_new,
)
from optimiser.errors import OptimiserError

if TYPE_CHECKING:
    from optimiser.summary import Summary


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option(
    "--study", "studies", multiple=True, help="Work this out too (optimiser guide studies); again for more."
)
@click.option("--no-study", "leave_out", multiple=True, help="Leave out a usual study, or all of them.")
@click.option("--quiet", is_flag=True, help="Print only where the report is.")
def run(
    scenario: Path, out: Path | None, studies: tuple[str, ...], leave_out: tuple[str, ...], quiet: bool
) -> None:
    """Solve SCENARIO and write its report, tables and summary."""
    from optimiser.results.run import run as walk
    from optimiser.results.write import write_results
    from optimiser.studies.catalogue import chosen, not_arising

    names = chosen(studies, leave_out)
    folder = out or Path("reports") / scenario_name(scenario)
    refuse_unwritable(folder, scenario)
    with progress(quiet) as say:
        try:
            made = walk(scenario, studies=names, progress=say)
        except OptimiserError:
            if os.path.exists(folder / "report.html"):
                click.echo(f"{folder} still holds the report of an earlier run.", err=True)
            raise
        say("writing the report")
        paths = write_results(made, folder)
    head, proof, currency = made.summary.headline, made.summary.proof, made.summary.currency
    # Said even where little is to be said: the one who asked would look for it in the report.
    for words in not_arising((name for name in studies if name in names), made.studies):
        click.echo(f"warning: {words}", err=True)
    if not quiet:
        for words in made.summary.warnings:
            click.echo(f"warning: {words}", err=True)
        click.echo(
            f"{made.summary.title}: {proof.verdict} (gap {100 * proof.gap_relative:.2g} % of turnover)"
        )
        _echo_money(made.summary)
        if head.capital_cost is not None:
            years = head.rested.payback_years
            words = "never within its life" if years is None else f"{years:.1f} years"
            click.echo(f"  simple payback {words}, net present value {head.rested.npv:,.2f} {currency}")
            if head.scaled_to_year:
                click.echo(
                    "  (not a whole year: the payback is scaled up from these days, and knows no other "
                    "season)"
                )
    click.echo(f"Report: {paths['report']}")
    if not proof.proven:
        sys.exit(BEST_FOUND)


def _echo_money(summary: Summary) -> None:
    """Bill before and after, services and saving: without foresight where that was worked out, and the ceiling."""
    head, currency = summary.headline, summary.currency
    driven, ceiling, rested = head.rests_on == "forecast_driven", head.bases.ceiling, head.rested
    basis = f"run under {summary.studies['without_foresight']['headline']}" if driven else ceiling
    for name, amount in (
        ("bill before", head.bill_before),
        ("bill after", rested.bill_after),
        ("services", rested.services_income),
        ("saving", rested.saving),
    ):
        click.echo(f"  {name:14} {amount:12,.2f} {currency}" + (f"  ({basis})" if name == "saving" else ""))
    if driven:
        click.echo(f"  {'at most':14} {head.ceiling_saving:12,.2f} {currency}  ({ceiling})")


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
def check(scenario: Path) -> None:
    """Check SCENARIO: its file, its data, and its hardware as a practitioner would."""
    from optimiser.engine.diagnosis.supply import check_supply
    from optimiser.scenario.checks.review import warnings
    from optimiser.scenario.read import read_scenario

    read = read_scenario(scenario)
    check_supply(read)
    timeline = read.timeline
    click.echo(
        f"{read.file.title}: {timeline.steps} steps of {timeline.step_minutes} min from {timeline.when(0)}."
    )
    found = warnings(read)
    for words in found:
        click.echo(f"warning: {words}")
    click.echo(
        "The scenario can be run." if not found else f"The scenario can be run; {len(found)} warnings."
    )


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--phases",
    type=click.Choice(["1", "3"]),
    default="1",
    show_default=True,
    help="1: a home with a battery; 3: a business with an inverter a phase and a capacitor bank.",
)
@click.option("--example", "examples", multiple=True, help="Write this example into FOLDER; again for more.")
@click.option("--list", "listed", is_flag=True, help="List the examples.")
def start(folder: Path | None, phases: str, examples: tuple[str, ...], listed: bool) -> None:
    """Write a commented starter scenario into the new FOLDER, or examples of other files beside a scenario there."""
    from optimiser.starter import EXAMPLES, write_starter

    if listed:
        wide = max(map(len, EXAMPLES))
        for name, example in EXAMPLES.items():
            click.echo(f"{name:{wide}}  {example.words}")
        click.echo("\nWrite one beside a scenario with: optimiser start FOLDER --example NAME")
        return
    if folder is None:
        raise click.UsageError("Name a folder to write to, or ask for --list.")
    texts = _example_texts(folder, examples)
    if not examples or not os.path.lexists(folder):
        written = write_starter(folder, int(phases))
        click.echo(f"Wrote {written}. Edit it, then: optimiser run {shlex.quote(str(folder))}")
    for path, words in texts.items():
        write_new(path, words)
        click.echo(f"Wrote {path}.")
    for name in dict.fromkeys(examples):
        command = EXAMPLES[name].command.replace("FOLDER", shlex.quote(str(folder)))
        click.echo(f"Edit {folder / EXAMPLES[name].files[0]}, then: {command}")


def _example_texts(folder: Path, examples: tuple[str, ...]) -> dict[Path, str]:
    """The text of each file of some examples; refused before any is written, with all that stands in the way."""
    from optimiser.starter import EXAMPLES

    faults = []
    for name in dict.fromkeys(examples):
        if name not in EXAMPLES:
            near = difflib.get_close_matches(name, EXAMPLES, 1, cutoff=0.5)
            way = f"Did you mean {near[0]}?" if near else f"The examples are {', '.join(EXAMPLES)}."
            faults.append(f"{name} is no example. {way}")
    texts = {
        folder / file: words
        for name in examples
        if name in EXAMPLES
        for file, words in EXAMPLES[name].texts().items()
    }
    faults += [f"{path} exists and is not written over." for path in texts if os.path.lexists(path)]
    if examples and os.path.lexists(folder) and not (folder / "scenario.toml").is_file():
        faults.append(
            f"{folder} holds no scenario.toml, which examples go with. Name a scenario's folder, or a new one."
        )
    if faults:
        raise OptimiserError("\n".join(faults))
    return texts


@click.command()
@click.argument("of", type=click.Choice(["scenario", "summary"]), default="scenario")
@click.option("--out", type=click.Path(path_type=Path), help="File to write; left out: print it.")
def schema(of: str, out: Path | None) -> None:
    """The JSON Schema of scenario files, so that an editor completes and checks them, or of a run's summary.json."""
    import json

    from optimiser import summary
    from optimiser.scenario import file

    words = json.dumps(summary.json_schema() if of == "summary" else file.json_schema(), indent=2)
    if out is None:
        click.echo(words)
        return
    refuse_existing(out)
    write_new(out, words + "\n")
    click.echo(f"Wrote {out}.")


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--forecast", required=True, type=click.Path(path_type=Path), help="Table of what is expected.")
@click.option("--stored", required=True, type=Number(0, 100), help="How full the store is now, in %.")
@click.option("--stamps", type=click.Choice(["start", "end"]), default="start", show_default=True)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME-plan."
)
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def plan(scenario: Path, forecast: Path, stored: float, stamps: Any, out: Path | None, quiet: bool) -> None:
    """Set-points for the next day or two of SCENARIO, with the reason of each, from a forecast of its series."""
    from optimiser.daily.day_plan import plan_day, read_forecast, write_plan
    from optimiser.scenario.read import read_scenario

    folder = out or Path("reports") / f"{scenario_name(scenario)}-plan"
    refuse_unwritable(folder, scenario, forecast)
    read = read_scenario(scenario)
    table = read_forecast(forecast, read, stamps=stamps)
    with progress(quiet) as say:
        made = plan_day(read, table, stored / 100, progress=say)
    paths = write_plan(made, folder)
    if not quiet:
        for row in made.orders.to_dict("records"):
            begins = row["start_local"][:16].replace("T", " ")
            click.echo(f"{begins}  {row['does']}: {row['why']}")
    click.echo(f"Page: {paths['page']}, set-points: {paths['table']}")


COMMANDS = (run, check, start, schema, plan)
