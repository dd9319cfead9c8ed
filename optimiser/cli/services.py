"""Commands about services: what a plan does when it is called on, and what a droop setting could credit."""

from __future__ import annotations

from pathlib import Path

import click

from optimiser.cli.common import Number, refuse_unwritable, scenario_name
from optimiser.cli.display import progress
from optimiser.errors import OptimiserError


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option(
    "--events",
    type=click.Path(path_type=Path),
    help="Table of start, minutes, service, share; left out: the hardest events of the plan and some at random.",
)
@click.option(
    "--frequency",
    type=click.Path(path_type=Path),
    help="Table of time, hz, answered by --droop, --dead-band.",
)
@click.option("--droop", type=Number(), default=1.7, show_default=True, help="Of --frequency, in percent.")
@click.option("--dead-band", type=Number(), default=0.015, show_default=True, help="Of --frequency, in Hz.")
@click.option("--nominal", type=Number(), default=50.0, show_default=True, help="Of --frequency, in Hz.")
@click.option(
    "--tight", type=click.IntRange(0, 1000), default=3, show_default=True, help="Hardest steps a service."
)
@click.option(
    "--random", type=click.IntRange(0, 10000), default=20, show_default=True, help="Events at random."
)
@click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Of the random moments."
)
@click.option(
    "--fine-seconds", type=Number(1, 300), default=10.0, show_default=True, help="Step of the walk."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME-activate."
)
@click.option("--overwrite", is_flag=True, help="Replace the files of earlier events.")
@click.option("--quiet", is_flag=True, help="Print only the outcome.")
def activate(
    scenario: Path,
    events: Path | None,
    frequency: Path | None,
    droop: float,
    dead_band: float,
    nominal: float,
    tight: int,
    random: int,
    seed: int,
    fine_seconds: float,
    out: Path | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Solve SCENARIO and call on what it offers: do power, currents, energy and connection hold, at what cost?"""
    from optimiser.dispatch import solve
    from optimiser.plant.events import hardest, read_events, read_frequency
    from optimiser.report.activation import page
    from optimiser.scenario.read import read_scenario
    from optimiser.services.droop import Droop, creditable
    from optimiser.studies.activation import ActivationFigures, replay_events
    from optimiser.writing import write_files

    if events is not None and frequency is not None:
        raise OptimiserError("--events and --frequency are two ways to say what happens. Give one of them.")
    folder = out or Path("reports") / f"{scenario_name(scenario)}-activate"
    paths = {kind: folder / f"activation.{kind}" for kind in ("html", "csv", "json")}
    refuse_unwritable(folder, scenario)
    if not overwrite:
        for path in paths.values():
            if path.exists():
                raise OptimiserError(
                    f"{path} is there already, and not written over. Say --overwrite, or another --out."
                )
    answer = Droop(droop, dead_band, nominal)
    creditable(1.0, answer)  # refuses figures that cannot be meant
    read = read_scenario(scenario)
    if not read.service:
        raise OptimiserError(f"{scenario} offers no services, so nothing can be called. Add a [[service]].")
    with progress(quiet) as say:
        dispatch = solve(read, progress=say)
        if events is not None:
            wanted = read_events(events, dispatch)
        elif frequency is not None:
            wanted = read_frequency(frequency, dispatch, answer)
        else:
            wanted = hardest(dispatch, tight, random, seed)
        if not wanted:
            raise OptimiserError(
                f"{scenario}: the plan offers nothing in any step, so nothing can be called. Check prices, limits and "
                "sustain times of its services."
            )
        found = replay_events(dispatch, wanted, say, fine_seconds)
    summary, table = found.typed(ActivationFigures), found.tables["events"]
    if not quiet:
        shown = table.sort_values("short_kwh", ascending=False, kind="stable").head(20)
        click.echo(
            f"{'event':22} {'start':25} {'min':>6} {'wanted':>9} {'delivered':>9} {'amount':>10}  verdict"
        )
        for row in shown.to_dict("records"):
            words = row["verdict"] + (f" ({row['limited_by']})" if row["limited_by"] else "")
            click.echo(
                f"{row['event'][:22]:22} {row['start'][:25]:25} {row['minutes']:6.1f} {row['wanted_kw']:6.2f} kW "
                f"{row['delivered_kw']:6.2f} kW {row['amount']:10.2f}  {words}"
            )
        if len(table) > len(shown):
            click.echo(f"... and {len(table) - len(shown)} more in {paths['csv']}.")
        for words in summary.observations:
            click.echo(f"note: {words}")
    click.echo(
        f"{summary.delivered} of {summary.events} events delivered in full, {summary.short} short, "
        f"{summary.short_beyond_the_rules} short where the schedule's rules promise nothing."
    )
    for words in found.warnings:
        click.echo(f"warning: {words}", err=True)
    made = page(read.file.title, read.file.invented, read.file.currency, summary, table)
    write_files({paths["html"]: made, paths["csv"]: table, paths["json"]: found.summary})
    click.echo(f"Page: {paths['html']}")


@click.command()
@click.option("--rating-kw", type=Number(), required=True, help="Continuous rating that answers, kW.")
@click.option(
    "--droop", "percent", type=Number(), default=1.7, show_default=True, help="Percent, from memory."
)
@click.option("--dead-band", type=Number(), default=0.015, show_default=True, help="Hz, from memory.")
@click.option("--nominal", type=Number(), default=50.0, show_default=True, help="Nominal frequency, Hz.")
@click.option(
    "--excursion",
    type=Number(),
    multiple=True,
    help="Hz from nominal; again for more. Left out: 0.5, from memory.",
)
@click.option("--delay", type=Number(), default=0.2, show_default=True, help="Seconds to start, from memory.")
@click.option("--ramp", type=Number(), help="kW per second from then on; left out: at once.")
@click.option(
    "--within",
    type=Number(),
    multiple=True,
    help="Seconds in which it must stand; again for more. Left out: 1, 6, 60, 300, from memory.",
)
def droop(
    rating_kw: float,
    percent: float,
    dead_band: float,
    nominal: float,
    excursion: tuple[float, ...],
    delay: float,
    ramp: float | None,
    within: tuple[float, ...],
) -> None:
    """What a droop setting delivers of a rating, and what a service could credit; a market's own rule decides."""
    from optimiser.services.droop import SERVICES, Droop, Service, creditable

    setting = Droop(percent, dead_band, nominal)
    times = within or tuple(service.seconds for service in SERVICES)
    services = [Service(f"{s:g} s, {hz:g} Hz", hz, s) for hz in excursion or (0.5,) for s in times]
    found = creditable(rating_kw, setting, services, delay_seconds=delay, ramp_kw_per_second=ramp)
    click.echo(f"Droop {percent:g} %, dead band {dead_band:g} Hz: full output at {setting.full_hz:.3f} Hz.")
    click.echo(f"{'service':18} {'of rating':>10} {'creditable':>12} {'per kW':>8}  limited by")
    for credit in found:
        click.echo(
            f"{credit.service.name:18} {100 * credit.share:8.2f} % {credit.kw:9.3f} kW {credit.per_kw:8.4f}  "
            f"{credit.limited_by}"
        )
    click.echo(
        "'per kW' goes into a product as its derating. The operator's registration decides, not this figure."
    )


COMMANDS = (activate, droop)
