"""Commands that work on many sites or runs at once."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from optimiser.cli.common import progress


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; left out: one a core.")
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def fleet(file: Path, out: Path | None, workers: int | None, quiet: bool) -> None:
    """Solve the sites in the fleet's FILE apart, join their offers into whole bids, share the income.

    Sites that are solved are kept: a run that was stopped goes on where it was.
    """
    from optimiser.fleet import read_fleet, solve_fleet, write_fleet

    read = read_fleet(file)
    folder = out or Path("reports") / file.stem
    with progress(quiet) as say:
        result = solve_fleet(read, folder, workers=workers, progress=say)
        say("writing the page")
        paths = write_fleet(result, folder)
    found, currency = result.summary, result.summary["currency"]
    if not quiet:
        click.echo(f"{found['title']}: {found['sites']} sites")
        click.echo(f"  saving, services as bid included {found['saving']:14,.2f} {currency}")
        click.echo(f"  services as offered              {found['income_as_offered']:14,.2f} {currency}")
        click.echo(f"  services as bid                  {found['income_as_bid']:14,.2f} {currency}")
        click.echo(f"  lost by rounding                 {found['lost_by_rounding']:14,.2f} {currency}")
    for name, words in result.failed.items():
        click.echo(f"warning: {name} has no answer and is in no figure: {words}", err=True)
    click.echo(f"Page: {paths['page']}")
    if result.failed:
        sys.exit(3)


COMMANDS = (fleet,)
