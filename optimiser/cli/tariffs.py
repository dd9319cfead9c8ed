"""Commands that draw a tariff and make out bills under it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from optimiser.cli.common import refuse_existing, refuse_meter_file, write_new


@click.command()
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
    from optimiser.accounts.billing import make_bills, metered_columns
    from optimiser.scenario.contract import read_tariff

    refuse_existing(csv)
    refuse_meter_file(load)
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
    currency = made.contract.currency or "the tariff's money"
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
        _echo_bill(f"All {len(periods)} bills" if len(periods) > 1 else periods[0], made.year())
    for note in made.notes:
        click.echo(f"note: {note}", err=True)
    if csv is not None:
        from optimiser.writing import write_csv

        write_new(csv, write_csv(made.table))
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


@click.command()
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

    from optimiser.accounts.rates import as_text, draw
    from optimiser.scenario.contract import read_tariff

    refuse_existing(html)
    contract = read_tariff(file, before=before)
    drawn = draw(contract, year or contract.year or datetime.date.today().year)
    click.echo(as_text(drawn))
    if html is not None:
        from optimiser.report.rates import page

        write_new(html, page(drawn))
        click.echo(f"Wrote {html}.")


COMMANDS = (bill, tariff)
