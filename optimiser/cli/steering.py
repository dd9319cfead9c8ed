"""Commands about how a site is steered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from optimiser.cli.common import refuse_unwritable, scenario_name
from optimiser.cli.display import progress
from optimiser.errors import OptimiserError

if TYPE_CHECKING:
    from optimiser.scenario.file import Scenario
    from optimiser.study import Study

SEASONS: dict[str, Literal[1, 2, 4]] = {"1": 1, "2": 2, "4": 4}


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option(
    "--rules", type=click.IntRange(1, 6), default=3, show_default=True, help="Most, of each season and days."
)
@click.option(
    "--seasons", type=click.Choice(list(SEASONS)), default="4", show_default=True, help="Parts of the year."
)
@click.option("--one-kind-of-day", is_flag=True, help="The same rules on workdays and other days.")
@click.option(
    "--learn",
    default="months",
    show_default=True,
    help="Every other of the months or weeks is learnt from; or the scenario of another year of the same plant.",
)
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to; left out: reports/NAME.")
@click.option("--quiet", is_flag=True, help="Print only where the timetable is.")
def timetable(
    scenario: Path, rules: int, seasons: str, one_kind_of_day: bool, learn: str, out: Path | None, quiet: bool
) -> None:
    """Learn a few timed rules for SCENARIO on one part of its data and judge them on the rest.

    Writes timetable.csv, the rules to type in, and timetable.html, which shows what they earn.
    """
    from optimiser.dispatch import solve
    from optimiser.scenario.read import read_scenario
    from optimiser.studies.timetable import Settings, make_timetable, study_of, without_services

    folder = out or Path("reports") / scenario_name(scenario)
    refuse_unwritable(folder, scenario)
    if learn not in ("months", "weeks") and not Path(learn).exists():
        raise OptimiserError(
            f"--learn takes months, weeks or the scenario of another year, and there is no {learn}. Name one of them."
        )
    read = read_scenario(scenario)
    way: Literal["months", "weeks"] = "weeks" if learn == "weeks" else "months"
    other = None if learn in ("months", "weeks") else read_scenario(learn)
    settings = Settings(rules, SEASONS[seasons], not one_kind_of_day, way)
    with progress(quiet) as say:
        best = solve(without_services(read), progress=say)
        judged = replace(
            make_timetable(best, settings, other=other, say=say), services_left_out=bool(read.service)
        )
        found = study_of(judged, read.file.currency)
        say("writing the page")
        paths = _write(read, found, folder)
    if not quiet:
        _print(found, read.file.currency)
    click.echo(f"Timetable: {paths['csv']}, {paths['html']}")


def _write(read: Scenario, found: Study, folder: Path) -> dict[str, Path]:
    """The table, the page and the summary, all or none."""
    from optimiser.report.timetable import timetable_page
    from optimiser.studies.timetable import TimetableFigures
    from optimiser.summary.timetable import TimetableSummary
    from optimiser.writing import write_files

    summary = TimetableSummary(
        title=read.file.title,
        invented=read.file.invented,
        currency=read.file.currency,
        start=read.timeline.local()[0].isoformat(),
        step_minutes=read.timeline.step_minutes,
        found=found.typed(TimetableFigures),
    )
    rules = found.tables["rules"]
    page = timetable_page(summary, rules)
    paths = {kind: folder / f"timetable.{kind}" for kind in ("csv", "html", "json")}
    write_files({paths["csv"]: rules.round(4), paths["html"]: page, paths["json"]: summary.as_dict()})
    return paths


def _print(found: Study, currency: str) -> None:
    """The rules, then what each case pays."""
    from optimiser.studies.timetable import TimetableFigures

    for words in found.warnings:
        click.echo(f"warning: {words}", err=True)
    figures = found.typed(TimetableFigures)
    last = ""
    for rule in figures.rules:
        if rule.days != last:
            click.echo(f"{rule.days}:")
        click.echo(f"  {rule.rule}")
        last = rule.days
    click.echo(f"Otherwise: {figures.otherwise}.")
    click.echo(f"Learnt from: {figures.learnt_from}.")
    for bill in figures.bills:
        share = ""
        if bill.realised_share is not None:
            share = f"{100 * bill.realised_share:6.0f} % of the ceiling's saving"
        click.echo(f"  {bill.part:12} {bill.case:14} {bill.to_pay:12,.2f} {currency} to pay {share}")
    better, words = figures.better_by, "more than" if figures.better_by > 0 else "less than"
    click.echo(
        f"It earns {abs(better):,.2f} {currency} {words} covering the own load alone, where it is judged."
    )


COMMANDS = (timetable,)
