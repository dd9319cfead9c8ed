"""Arguments in, library calls, files out; the only place that prints or exits."""

from __future__ import annotations

import os
import shlex
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from optimiser.errors import DriftError, InfeasibleError, OptimiserError, ScenarioError, UnprovenError

EXIT = {ScenarioError: 2, InfeasibleError: 3, UnprovenError: 4, DriftError: 1}
BEST_FOUND = 5
INTERRUPTED = 130


class _Group(click.Group):
    """A group whose commands turn this package's errors into one message and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except OptimiserError as error:
            click.echo(str(error), err=True)
            codes = [code for kind, code in EXIT.items() if isinstance(error, kind)]
            sys.exit(codes[0] if codes else 2)
        except KeyboardInterrupt:
            click.echo("Stopped. No file was left half written.", err=True)
            # The solver's threads do not hear of it; leaving at once ends them too.
            sys.stderr.flush()
            os._exit(INTERRUPTED)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="optimiser")
def main() -> None:
    """What will a solar-and-storage site earn, and when is it paid back?

    Exit codes: 0 done; 2 the command or a file has a fault; 3 no schedule keeps every limit; 4 the solver stopped
    without an answer; 5 an answer that is not proven within tolerance; 1 a defect of this program.
    """


@main.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option("--quiet", is_flag=True, help="Print only where the report is.")
def run(scenario: Path, out: Path | None, quiet: bool) -> None:
    """Solve SCENARIO and write its report, tables and summary."""
    from optimiser.tables import run as walk
    from optimiser.tables import write_results

    folder = out or Path("reports") / _name(scenario)
    if os.path.isfile(folder):
        raise OptimiserError(f"{folder} is a file. Choose another folder with --out.")
    with _progress(quiet) as say:
        try:
            made = walk(scenario, progress=say)
        except OptimiserError:
            if os.path.exists(folder / "report.html"):
                click.echo(f"{folder} still holds the report of an earlier run.", err=True)
            raise
        say("writing the report")
        paths = write_results(made, folder)
    head, proof, currency = made.summary["headline"], made.summary["proof"], made.summary["currency"]
    if not quiet:
        for words in made.summary["warnings"]:
            click.echo(f"warning: {words}", err=True)
        click.echo(f"{made.summary['title']}: {proof['verdict']} (gap {100 * proof['gap_relative']:.2g} %)")
        click.echo(f"  bill before    {head['bill_before']:12,.2f} {currency}")
        click.echo(f"  bill after     {head['bill_after']:12,.2f} {currency}")
        click.echo(f"  services       {head['services_income']:12,.2f} {currency}")
        click.echo(f"  saving         {head['saving']:12,.2f} {currency}  ({head['basis']})")
        if head["capital_cost"] is not None:
            years = head["simple_payback_years"]
            words = "never within its life" if years is None else f"{years:.1f} years"
            click.echo(f"  simple payback {words}, net present value {head['npv']:,.2f} {currency}")
            if head["scaled_to_year"]:
                click.echo(
                    "  (not a whole year: the payback is scaled up from these days, and knows no other season)"
                )
    click.echo(f"Report: {paths['report']}")
    if proof["gap_relative"] > proof["tolerance_relative"]:
        sys.exit(BEST_FOUND)


@main.command()
@click.argument("scenario", type=click.Path(path_type=Path))
def check(scenario: Path) -> None:
    """Check SCENARIO: its file, its data, and its hardware as a practitioner would."""
    from optimiser.checks import warnings
    from optimiser.engine.diagnosis import check_supply
    from optimiser.scenario import read_scenario

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


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--phases",
    type=click.Choice(["1", "3"]),
    default="1",
    show_default=True,
    help="1: a home with a battery; 3: a business with an inverter a phase and a capacitor bank.",
)
def start(folder: Path, phases: str) -> None:
    """Write a commented starter scenario into the new FOLDER."""
    from optimiser.starter import write_starter

    written = write_starter(folder, int(phases))
    click.echo(f"Wrote {written}. Edit it, then: optimiser run {shlex.quote(str(folder))}")


@main.command()
@click.option("--out", type=click.Path(path_type=Path), help="File to write; left out: print it.")
def schema(out: Path | None) -> None:
    """The JSON Schema of scenario files, so that an editor completes and checks them."""
    import json

    from optimiser.scenario import json_schema

    words = json.dumps(json_schema(), indent=2)
    if out is None:
        click.echo(words)
        return
    if out.exists():
        raise OptimiserError(f"{out} exists and is not written over. Choose another name.")
    try:
        out.write_text(words + "\n")
    except OSError as problem:
        raise OptimiserError(f"{out} cannot be written: {problem.strerror}. Choose another name.") from None
    click.echo(f"Wrote {out}.")


@main.group()
def make() -> None:
    """Make solar and load series from what there is: weather files, bills, part of a year, a net meter."""


def _made_from(recipe: Path | None, out: Path | None, overwrite: bool, makes: Callable[[Path], Any]) -> None:
    """Make a recipe's series, write it beside the recipe or where `out` says, and show what came out."""
    from optimiser.intake.made import described, refuse_existing, to_paste, write

    if recipe is None:
        raise click.UsageError("Name a recipe file, or print one to begin from with --example.")
    path = out or recipe.parent / f"{recipe.stem}.parquet"
    refuse_existing(path, overwrite)
    made = makes(recipe)
    write(made, path, overwrite=overwrite)
    click.echo(f"Wrote {path}.")
    for line in described(made):
        click.echo(line)
    for words in made.warnings:
        click.echo(f"warning: {words}", err=True)
    click.echo(f"\nPaste into the scenario of that folder:\n\n{to_paste(made, path)}", nl=False)


_RECIPE = click.argument("recipe", required=False, type=click.Path(path_type=Path))
_OUT = click.option(
    "--out", type=click.Path(path_type=Path), help="File to write; left out: the recipe's name with .parquet."
)
_OVERWRITE = click.option("--overwrite", is_flag=True, help="Write over a file that exists.")


@make.command()
@_RECIPE
@_OUT
@_OVERWRITE
@click.option("--example", is_flag=True, help="Print a commented recipe to begin from.")
def sun(recipe: Path | None, out: Path | None, overwrite: bool, example: bool) -> None:
    """Solar power of arrays from a weather file (TMY3, EPW, PVGIS) or a clear sky, as RECIPE says."""
    from optimiser.intake import recipe as recipes
    from optimiser.intake.sun import SunRecipe, make_sun

    if example:
        click.echo(recipes.example("sun"), nl=False)
        return
    _made_from(
        recipe, out, overwrite, lambda path: make_sun(recipes.read_recipe(path, SunRecipe), path.parent)
    )


@make.command()
@_RECIPE
@_OUT
@_OVERWRITE
@click.option(
    "--example",
    type=click.Choice(["profile", "months", "months_like", "extend", "redate", "gross"]),
    help="Print a commented recipe of a method to begin from.",
)
def load(recipe: Path | None, out: Path | None, overwrite: bool, example: str | None) -> None:
    """A year of load from bills, a standard profile, part of a year, another year or a net meter, as RECIPE says."""
    from optimiser.intake.load import make_load
    from optimiser.intake.recipe import example as printed

    if example:
        click.echo(printed(f"load-{example}"), nl=False)
        return
    _made_from(recipe, out, overwrite, make_load)


def _name(scenario: Path) -> str:
    path = scenario.resolve()
    return path.parent.name if os.path.isfile(path) else path.name


class _progress:  # noqa: N801 - used as a word after `with`
    """What is being done and for how long, on standard error."""

    def __init__(self, quiet: bool):
        self._quiet = quiet
        self._began = time.monotonic()
        self._status: Any = None

    def __enter__(self) -> Callable[[str], None]:
        if not self._quiet and sys.stderr.isatty():
            from rich.console import Console

            self._status = Console(stderr=True).status("starting")
            self._status.__enter__()
        return self._say

    def __exit__(self, *problem: Any) -> None:
        if self._status is not None:
            self._status.__exit__(*problem)

    def _say(self, words: str) -> None:
        seconds = time.monotonic() - self._began
        if self._status is not None:
            self._status.update(f"{words} ({seconds:.0f} s)")
        elif not self._quiet:
            click.echo(f"{seconds:6.1f} s  {words}", err=True)
