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
                    "  (not a whole year: the payback is scaled up from these days, and knows no other "
                    "season)"
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


@main.command("import")
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option(
    "--as",
    "format_name",
    type=click.Choice(["nem12", "greenbutton", "table"]),
    help="Format of the files; left out: told from their first bytes, where they are certain.",
)
@click.option(
    "--mapping", help="For a table: a small file that says what its columns are, or a shipped one's name."
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    help="A register or column to take; again for more. Left out: all.",
)
@click.option(
    "--repair",
    "repairs",
    multiple=True,
    help="hold:N, interpolate:N (gaps up to N steps) or same_time_last_week.",
)
@click.option("--step", "step_minutes", type=int, help="Minutes of a step; left out: the files' own.")
@click.option("--zone", help="Clock that months and days are cut on; left out: the file's.")
@click.option(
    "--unit",
    type=click.Choice(["mWh", "Wh", "kWh"]),
    help="Green Button without a reading type: unit of its values (mWh: thousandths of a watt-hour).",
)
@click.option(
    "--into", type=click.Path(path_type=Path), default=".", help="Folder to write to; left out: this one."
)
@click.option("--name", required=True, help="Name of the source: NAME.parquet and NAME.html are written.")
@click.option("--overwrite", is_flag=True, help="Replace files of these names.")
def import_(files: tuple[Path, ...], into: Path, name: str, overwrite: bool, **options: Any) -> None:
    """Turn meter files or market tables (FILES of one format) into a source of a scenario."""
    from optimiser.importing import bring_in, source_text, summary_lines, use_lines, write_import

    made = bring_in(files, name, **options)
    paths = write_import(made, into, overwrite)
    for line in summary_lines(made):
        click.echo(line)
    for words in made.found.notes:
        click.echo(f"note: {words}", err=True)
    click.echo(f"Wrote {paths['table']} and {paths['page']}. For scenario.toml:")
    click.echo("\n" + source_text(made))
    for line in use_lines(made):
        click.echo(line)


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


@main.command()
@click.argument("load", type=click.Path(path_type=Path))
@click.option("--tariff", required=True, type=click.Path(path_type=Path), help="Tariff file, or scenario.")
@click.option("--before", is_flag=True, help="A scenario's contract of the case before.")
@click.option("--import", "into", default="import_kw", show_default=True, help="Column of what is imported.")
@click.option("--export", "out", help="Column of what is exported; left out: export_kw if there is one.")
@click.option(
    "--unit",
    type=click.Choice(["kW", "kWh"]),
    help="What the columns hold: mean power, or energy of each interval; left out: what their names end in.",
)
@click.option("--time", "time_column", default="interval_start", show_default=True, help="Column of stamps.")
@click.option(
    "--stamps",
    type=click.Choice(["start", "end"]),
    default="start",
    show_default=True,
    help="What stamps mark.",
)
@click.option("--zone", help="Zone of stamps that carry none; left out: the tariff's.")
@click.option("--csv", "csv", type=click.Path(path_type=Path), help="New file for every line of every bill.")
@click.option("--year-only", is_flag=True, help="Print the sum of all bills alone.")
def bill(
    load: Path,
    tariff: Path,
    before: bool,
    into: str,
    out: str | None,
    unit: Any,
    time_column: str,
    stamps: Any,
    zone: str | None,
    csv: Path | None,
    year_only: bool,
) -> None:
    """What the metered load in the file LOAD costs under a tariff, without any storage: each bill, then all."""
    from optimiser.billing import make_bills, metered_columns
    from optimiser.scenario import read_tariff

    _refuse_existing(csv)
    columns = metered_columns(load, into, out, unit)
    made = make_bills(
        load,
        read_tariff(tariff, before=before),
        import_column=columns.into,
        export_column=columns.out,
        unit=columns.unit,
        time_column=time_column,
        stamps=stamps,
        zone=zone,
    )
    currency = made.contract.currency or "currency of the tariff"
    click.echo(f"{made.contract.tariff.name}: amounts in {currency}, positive is to pay.")
    timeline, energy = made.timeline, made.energy_kwh
    click.echo(
        f"{load}: {timeline.steps:,} intervals of {timeline.step_minutes} min from {timeline.when(0)} "
        f"({timeline.zone}), stamps at their {stamps}; {energy['import']:,.1f} kWh in, {energy['export']:,.1f} kWh out."
    )
    periods = list(dict.fromkeys(made.table["billing_period"]))
    for period in [] if year_only else periods:
        _echo_bill(period, made.table[made.table["billing_period"] == period])
    if year_only or len(periods) > 1:
        _echo_bill(f"All {len(periods)} bills", made.year())
    for note in made.notes:
        click.echo(f"note: {note}", err=True)
    if csv is not None:
        _write_new(csv, made.table.round(6).to_csv(index=False))
        click.echo(f"Wrote {csv}.")


def _echo_bill(title: str, table: Any) -> None:
    """A bill's lines with quantity, unit, rate and amount, and their sum."""
    wide = max(24, *(len(line) for line in table["line"]))
    click.echo(f"\n{title}")
    click.echo(f"  {'':{wide}} {'quantity':>14} {'unit':15} {'rate':>10} {'to pay':>12}")
    rows = sorted(table.itertuples(), key=lambda row: row.group == "tax")
    for row in rows:
        counted = row.quantity == row.quantity
        quantity = f"{row.quantity:14,.3f}" if counted else " " * 14
        rate = f"{row.rate:10.5f}" if row.rate == row.rate else " " * 10
        click.echo(f"  {row.line:{wide}} {quantity} {row.unit:15} {rate} {row.to_pay + 0.0:12,.2f}")
    click.echo(f"  {'Total':{wide}} {'':14} {'':15} {'':10} {table['to_pay'].sum() + 0.0:12,.2f}")


@main.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--before", is_flag=True, help="A scenario's contract of the case before.")
@click.option(
    "--year", type=click.IntRange(1970, 2199), help="Year drawn; left out: the scenario's, or this one."
)
@click.option(
    "--html", type=click.Path(path_type=Path), help="New file for a page with the same as a picture."
)
def tariff(file: Path, before: bool, year: int | None, html: Path | None) -> None:
    """Draw the tariff in FILE, a tariff file or a scenario: what each hour of each kind of day costs."""
    import datetime

    from optimiser.rates import as_text, draw
    from optimiser.scenario import read_tariff

    _refuse_existing(html)
    contract = read_tariff(file, before=before)
    drawn = draw(contract, year or contract.year or datetime.date.today().year)
    click.echo(as_text(drawn))
    if html is not None:
        from optimiser.report.rates import page

        _write_new(html, page(drawn))
        click.echo(f"Wrote {html}.")


def _refuse_existing(path: Path | None) -> None:
    if path is not None and path.exists():
        raise OptimiserError(f"{path} exists and is not written over. Choose another name.")


def _write_new(path: Path, words: str) -> None:
    """Write a new file whole or not at all."""
    part = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        part.write_text(words, encoding="utf-8", newline="\n")
        os.link(part, path)
    except FileExistsError:
        _refuse_existing(path)
    except OSError as problem:
        raise OptimiserError(f"{path} cannot be written: {problem.strerror}. Choose another name.") from None
    finally:
        part.unlink(missing_ok=True)


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
