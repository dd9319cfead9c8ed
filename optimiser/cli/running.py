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
    INTERRUPTED,
    STOPPED,
    Number,
    leave,
    refuse_existing,
    refuse_unwritable,
    scenario_name,
    write_new,
)
from optimiser.cli.display import progress
from optimiser.cli.early import EarlyPages, gap_in_words
from optimiser.errors import OptimiserError
from optimiser.progress import Step

if TYPE_CHECKING:
    from optimiser.summary.run import Summary


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option(
    "--study", "studies", multiple=True, help="Work this out too (optimiser guide studies); again for more."
)
@click.option("--no-study", "leave_out", multiple=True, help="Leave out a usual study, or all of them.")
@click.option("--until-proven", is_flag=True, help="Go on until the gap is proven, however long it takes.")
@click.option(
    "--time-limit", type=Number(0, min_open=True), metavar="SECONDS", help="Search no longer than that."
)
@click.option(
    "--rounds",
    type=click.IntRange(1),
    metavar="N",
    help="Search that many rounds: the same answer on every machine.",
)
@click.option("--quiet", is_flag=True, help="Print only where the report is.")
def run(
    scenario: Path,
    out: Path | None,
    studies: tuple[str, ...],
    leave_out: tuple[str, ...],
    until_proven: bool,
    time_limit: float | None,
    rounds: int | None,
    quiet: bool,
) -> None:
    """Solve SCENARIO and write its report, tables and summary.

    A run that takes long writes an early page first, with the best schedule so far and its proven gap; the final page
    takes its place. Ctrl-C keeps the best so far as the result; a second Ctrl-C ends at once.
    """
    from optimiser.results.run import run as walk
    from optimiser.results.write import write_results
    from optimiser.studies.catalogue import chosen, not_arising

    names = chosen(studies, leave_out)
    folder = out or Path("reports") / scenario_name(scenario)
    refuse_unwritable(folder, scenario)
    limits = _limits(until_proven, time_limit, rounds)
    stopped = False
    with progress(quiet) as say:
        early = EarlyPages(folder, say.note)
        try:
            with early:
                say("reading the scenario")
                made = walk(scenario, studies=names, progress=say, better=early, limits=limits)
        except OptimiserError:
            _tell_what_stands(folder, early)
            raise
        except KeyboardInterrupt as asked:
            if isinstance(
                asked.__context__, KeyboardInterrupt
            ):  # again, while an early page was being finished
                raise
            if early.latest is None:
                leave("Stopped before any schedule was found; nothing was written.", INTERRUPTED)
            stopped = True
            say(Step("stopped: writing the best so far; Ctrl-C again ends at once", afresh=True))
            made = early.latest.as_run("stopped")
        say(Step("writing the report", afresh=True))
        try:
            paths = write_results(made, folder)
        except KeyboardInterrupt:
            if stopped:
                raise
            paths = write_results(made, folder)  # what is finished is not lost
    # Said even where little is to be said: the one who asked would look for it in the report.
    if not stopped:
        for words in not_arising((name for name in studies if name in names), made.studies):
            click.echo(f"warning: {words}", err=True)
    if not quiet:
        _echo_summary(made.summary)
    click.echo(f"Report: {paths['report']}")
    if stopped:
        leave("Stopped on request: the best so far is kept as the result, labelled so.", STOPPED)
    if not made.summary.proof.proven:
        sys.exit(BEST_FOUND)


def _limits(until_proven: bool, time_limit: float | None, rounds: int | None) -> dict[str, Any]:
    """What the options say of the table [solve]; they take the place of all that it says of the search's end."""
    if until_proven and (time_limit is not None or rounds is not None):
        raise click.UsageError("--until-proven has no other end; leave out --time-limit and --rounds, or it.")
    if not until_proven and time_limit is None and rounds is None:
        return {}
    return {"until_proven": until_proven, "time_limit_s": time_limit, "rounds": rounds}


def _tell_what_stands(folder: Path, early: EarlyPages) -> None:
    """Say what page a run that ended without a result of its own leaves."""
    if early.written:
        click.echo(f"{folder} holds the early page of this run.", err=True)
    elif os.path.exists(folder / "report.html"):
        click.echo(f"{folder} still holds the report of an earlier run.", err=True)


def _echo_summary(summary: Summary) -> None:
    """Warnings, the verdict with its gap, the money and the payback."""
    head, proof, currency = summary.headline, summary.proof, summary.currency
    for words in summary.warnings:
        click.echo(f"warning: {words}", err=True)
    click.echo(f"{summary.title}: {proof.verdict}" + (f" ({gap_in_words(summary)})" if proof.proven else ""))
    _echo_money(summary)
    if head.capital_cost is None:
        return
    years = head.rested.payback_years
    words = "never within its life" if years is None else f"{years:.1f} years"
    click.echo(f"  simple payback {words}, net present value {head.rested.npv:,.2f} {currency}")
    if head.scaled_to_year:
        click.echo(
            "  (not a whole year: the payback is scaled up from these days, and knows no other season)"
        )


def _echo_money(summary: Summary) -> None:
    """Bill before and after, services and saving: without foresight where that was worked out, and the ceiling."""
    from optimiser.studies.without_foresight import ForesightFigures

    head, currency = summary.headline, summary.currency
    driven, ceiling, rested = head.rests_on == "forecast_driven", head.bases.ceiling, head.rested
    without = summary.study("without_foresight", ForesightFigures)
    basis = f"run under {without.headline}" if driven and without is not None else ceiling
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
@click.argument(
    "of",
    type=click.Choice(["scenario", "summary", "plan", "fleet", "compare", "sizes", "lookback", "timetable"]),
    default="scenario",
)
@click.option("--out", type=click.Path(path_type=Path), help="File to write; left out: print it.")
def schema(of: str, out: Path | None) -> None:
    """The JSON Schema of scenario files, so that an editor completes and checks them, or of what a command writes for
    programs to read: a run's summary.json, a plan.json, a fleet.json, and so on."""
    import json

    from optimiser.scenario import file
    from optimiser.summary.schemas import SCHEMAS

    makes = file.json_schema if of == "scenario" else SCHEMAS[of]
    words = json.dumps(makes(), indent=2)
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
    from optimiser.columns import DOES, START_LOCAL, WHY
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
            begins = row[START_LOCAL][:16].replace("T", " ")
            click.echo(f"{begins}  {row[DOES]}: {row[WHY]}")
    click.echo(f"Page: {paths['page']}, set-points: {paths['table']}")


COMMANDS = (run, check, start, schema, plan)
