"""The command that looks back on logged operation."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from optimiser.cli.common import refuse_meter_file, refuse_unwritable, scenario_name
from optimiser.cli.display import progress
from optimiser.errors import OptimiserError, SeriesError

if TYPE_CHECKING:
    from optimiser.daily.lookback import LookBack


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option(
    "--log", required=True, type=click.Path(path_type=Path), help="CSV or Parquet file of the meter."
)
@click.option("--import", "into", default="import_kw", show_default=True, help="Column of what is imported.")
@click.option(
    "--export", "out_column", help="Column of what is exported; left out: export_kw if there is one."
)
@click.option(
    "--unit",
    type=click.Choice(["kW", "kWh"]),
    help="What the columns hold: mean power, or energy of each interval; left out: what their names end in.",
)
@click.option("--stored", help="Column of stored energy or state of charge, all banks together.")
@click.option(
    "--stored-unit",
    type=click.Choice(["kWh", "%", "fraction"]),
    help="Its unit; left out: kWh where its name ends in kwh.",
)
@click.option(
    "--stored-at",
    type=click.Choice(["start", "end"]),
    help="Moment of an interval that a reading of it is from; left out: the one that stamps mark.",
)
@click.option("--time", "time_column", default="interval_start", show_default=True, help="Column of stamps.")
@click.option(
    "--stamps",
    type=click.Choice(["start", "end"]),
    default="start",
    show_default=True,
    help="What stamps mark.",
)
@click.option("--zone", help="Zone of stamps that carry none; left out: the site's.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME-lookback."
)
@click.option("--no-policies", is_flag=True, help="Leave out the scenario's policies, which take longest.")
@click.option("--overwrite", is_flag=True, help="Replace the files of an earlier look back.")
@click.option("--quiet", is_flag=True, help="Print only where the page is.")
def lookback(
    scenario: Path,
    log: Path,
    into: str,
    out_column: str | None,
    unit: Any,
    stored: str | None,
    stored_unit: Any,
    stored_at: Any,
    time_column: str,
    stamps: Any,
    zone: str | None,
    out: Path | None,
    no_policies: bool,
    overwrite: bool,
    quiet: bool,
) -> None:
    """What logged operation of SCENARIO earned, beside no system and the best schedule of the same days."""
    from optimiser.accounts.billing import metered_columns
    from optimiser.daily.log import LoggedStore
    from optimiser.daily.lookback import look_back, refuse_replacing, write_look_back
    from optimiser.series.table import column_names, no_column

    if stored is None and (stored_unit or stored_at):
        raise OptimiserError("--stored-unit and --stored-at speak of --stored, which is not given. Add it.")
    folder = out or Path("reports") / f"{scenario_name(scenario)}-lookback"
    refuse_unwritable(folder, scenario, log)
    refuse_replacing(folder, overwrite)
    refuse_meter_file(log)
    store = None
    if stored is not None:
        known = column_names(log)
        if stored not in known:
            raise SeriesError(str(log), [f"--stored: {no_column(stored, known)}"])
        if stored_unit is None and not stored.lower().endswith("kwh"):
            raise OptimiserError(f"--stored {stored}: say --stored-unit kWh, % or fraction.")
        store = LoggedStore(stored, stored_unit or "kWh", stored_at or stamps)
    columns = metered_columns(log, into, out_column, unit)
    with progress(quiet) as say:
        made = look_back(
            scenario,
            log,
            columns,
            store=store,
            time_column=time_column,
            stamps=stamps,
            zone=zone,
            policies=not no_policies,
            progress=say,
        )
        say("writing the page")
        paths = write_look_back(made, folder, overwrite)
    if not quiet:
        _echo(made)
    click.echo(f"Page: {paths['page']}")


def _echo(made: LookBack) -> None:
    """The comparison in a few lines."""
    summary = made.summary
    currency = summary.currency
    for words in summary.notes:
        click.echo(f"note: {words}", err=True)
    click.echo(f"{summary.title}: {summary.days} days, {summary.first_day} to {summary.last_day}")
    for name, to_pay in summary.to_pay.items():
        click.echo(f"  to pay {name:20} {to_pay:12,.2f} {currency}")
    share = summary.share_of_possible
    words = "" if share is None else f", {100 * share:.0f} % of the {summary.possible:,.2f} that could be had"
    click.echo(f"  earned {'':20} {summary.earned:12,.2f} {currency}{words}")
    for entry in made.differences.to_dict(orient="records"):
        click.echo(f"  {entry['when']}: lost {entry['lost']:,.2f}. {entry['words']}")


COMMANDS = (lookback,)
