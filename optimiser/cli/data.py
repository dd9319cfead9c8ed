"""Commands that turn what people have into series of a scenario."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click


@click.command("import")
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


@click.group()
def make() -> None:
    """Make solar and load series from what there is: weather files, bills, part of a year, a net meter."""


def _made_from(recipe: Path | None, out: Path | None, overwrite: bool, makes: Callable[[Path], Any]) -> None:
    """Make a recipe's series, write it beside the recipe or where `out` says, and show what came out."""
    from optimiser.making.made import described, refuse_existing, to_paste, write

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
    from optimiser.making import recipe as recipes
    from optimiser.making.sun import SunRecipe, make_sun

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
    type=click.Choice(
        ["profile", "months", "months_like", "extend", "redate", "gross", "hot_water", "shifts"]
    ),
    help="Print a commented recipe of a method to begin from.",
)
def load(recipe: Path | None, out: Path | None, overwrite: bool, example: str | None) -> None:
    """A year of load from bills, a standard profile, part of a year, another year or a net meter, as RECIPE says."""
    from optimiser.making.load import make_load
    from optimiser.making.recipe import example as printed

    if example:
        click.echo(printed(f"load-{example}"), nl=False)
        return
    _made_from(recipe, out, overwrite, make_load)


COMMANDS = (import_, make)
