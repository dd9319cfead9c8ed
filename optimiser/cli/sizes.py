"""Commands that choose sizes."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from optimiser.cli.common import BEST_FOUND, Number, refuse_unwritable, scenario_name
from optimiser.cli.display import progress


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option(
    "--choices", type=click.Path(path_type=Path), required=True, help="File of the sizes to choose from."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME-sizes."
)
@click.option(
    "--share",
    type=Number(0, 1, min_open=True),
    help="Share of the ceiling's saving to count on; left out: measured by running the site without foresight.",
)
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def size(scenario: Path, choices: Path, out: Path | None, share: float | None, quiet: bool) -> None:
    """Find the sizes of storage, inverters and arrays that leave SCENARIO most a year once they are paid for."""
    from optimiser.batch.sizing.file import read_choices
    from optimiser.batch.sizing.sizes import find_sizes
    from optimiser.batch.sizing.write import write_sizing
    from optimiser.scenario.read import read_scenario

    folder = out or Path("reports") / f"{scenario_name(scenario)}-sizes"
    refuse_unwritable(folder, scenario, choices)
    read = read_scenario(scenario)
    file = read_choices(choices, read)
    with progress(quiet) as say:
        made = find_sizes(read, file, share=share, progress=say)
        say("writing the page")
        paths = write_sizing(made, folder)
    found, currency = made.summary, made.summary.currency
    best = found.best
    if not quiet:
        for words in found.warnings:
            click.echo(f"warning: {words}", err=True)
        sizes = ", ".join(f"{name} {size:g}" for name, size in best.sizes.items())
        click.echo(f"{found.title}: {sizes} ({best.verdict}, {found.runs} runs)")
        click.echo(f"  capital        {best.capital:12,.2f} {currency}")
        click.echo(f"  saving a year  {best.counted_saving_a_year:12,.2f} {currency}  ({found.basis})")
        click.echo(f"  cost a year    {best.cost_a_year:12,.2f} {currency}")
        click.echo(f"  left a year    {best.net_a_year:12,.2f} {currency}")
    click.echo(f"Page: {paths['page']}")
    if best.verdict != "best":
        sys.exit(BEST_FOUND)


COMMANDS = (size,)
