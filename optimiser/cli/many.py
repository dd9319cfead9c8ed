"""Commands that work on many sites or runs at once."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from optimiser.cli.common import BEST_FOUND, EXIT, refuse_unwritable
from optimiser.cli.display import progress
from optimiser.errors import DriftError, InfeasibleError

MOST_NAMES = 12  # of sites in a line


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; left out: one a core.")
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def fleet(file: Path, out: Path | None, workers: int | None, quiet: bool) -> None:
    """Solve the sites in the fleet's FILE apart, join their offers into whole bids, share the income.

    Sites that are solved are kept: a run that was stopped goes on where it was.
    """
    from optimiser.batch.fleet.file import read_fleet
    from optimiser.batch.fleet.solving import solve_fleet
    from optimiser.batch.fleet.write import write_fleet

    folder = out or Path("reports") / file.stem
    refuse_unwritable(folder, file)
    read = read_fleet(file)
    with progress(quiet) as say:
        result = solve_fleet(read, folder, workers=workers, progress=say)
        say("writing the page")
        paths = write_fleet(result, folder)
    found, currency = result.summary, result.summary.currency
    if not quiet:
        click.echo(f"{found.title}: {found.sites} sites")
        click.echo(f"  ceiling saving, services as bid  {found.ceiling_saving:14,.2f} {currency}")
        click.echo(f"  services as offered              {found.income_as_offered:14,.2f} {currency}")
        click.echo(f"  services as bid                  {found.income_as_bid:14,.2f} {currency}")
        click.echo(f"  lost by rounding                 {found.lost_by_rounding:14,.2f} {currency}")
    for name, words in found.failed.items():
        click.echo(f"warning: {name} has no answer and is in no figure: {words}", err=True)
    if found.unproven:
        names = list(found.unproven)
        more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
        click.echo(f"warning: {found.verdict}: {', '.join(names[:MOST_NAMES])}{more}", err=True)
    click.echo(f"Page: {paths['page']}")
    if found.failed:
        sys.exit(EXIT[DriftError if found.defects else InfeasibleError])
    if found.unproven:
        sys.exit(BEST_FOUND)


@click.command()
@click.argument("scenarios", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("reports/compare"), show_default=True)
@click.option("--measure", is_flag=True, help="Try every plan for each variant too, as a run does.")
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def compare(scenarios: tuple[Path, ...], out: Path, measure: bool, quiet: bool) -> None:
    """Solve two or more SCENARIOS, or the variants in one file, and set their bills side by side."""
    from optimiser.batch.compare import compare as solve_all
    from optimiser.batch.compare import read_plan, write_comparison

    refuse_unwritable(out, *scenarios)
    plan = read_plan(scenarios)
    with progress(quiet) as say:
        made = solve_all(plan, measure=measure, progress=say)
        paths = write_comparison(made, out)
    currency = made.summary.currency
    if not quiet:
        wide = max(len(name) for name in made.summary.to_pay)
        basis = made.summary.basis
        click.echo(f"{'':{wide}} {'saving a year':>14} {'payback':>9}   {currency}, by")
        for row in made.summary.variants:
            year = row.on(basis)
            words = "never" if year.payback_years is None else f"{year.payback_years:.1f} y"
            words = words if row.capital_cost is not None else ""
            money = f"{year.saving_per_year:14,.2f} {words:>9}"
            source = basis if basis == "ceiling" else row.forecast_driven_from
            click.echo(f"{row.variant:{wide}} {money}   {source}")
        click.echo(f"Best by {made.summary.judged_by}: {made.summary.best}")
    click.echo(f"Page: {paths['page']}")
    unproven = [row for row in made.summary.variants if row.verdict != "optimal"]
    for row in unproven:
        click.echo(f"{row.variant}: {row.verdict}", err=True)
    if unproven:
        sys.exit(BEST_FOUND)


COMMANDS = (fleet, compare)
