"""Commands about markets' products."""

from __future__ import annotations

import difflib
from typing import Any

import click

from optimiser.errors import OptimiserError

MARK = "*"


@click.command()
@click.argument("name", required=False)
def products(name: str | None) -> None:
    """List the markets' products whose rules come with the program; with NAME, a set, its rules and sources."""
    from optimiser.services.product_sets import product_sets

    sets = product_sets()
    if name is None:
        for one in sets.values():
            click.echo(f"{one.name}: {one.title}")
            click.echo(f"  {', '.join(one.versions)}")
        click.echo(
            '\nIn a scenario: [[service]] product = "SET/NAME" and price; any key given beside them wins.'
        )
        return
    if name not in sets:
        near = difflib.get_close_matches(name, sets, 1, cutoff=0.5)
        way = f"Did you mean {near[0]}?" if near else f"The sets are {', '.join(sets)}."
        raise OptimiserError(f"{name} is no set of products. {way}")
    _echo_set(sets[name])


def _echo_set(one: Any) -> None:
    """Every version of every product, then notes, and where rules are from."""
    from optimiser.services.product_sets import as_product

    sources: dict[str, list[str]] = {}
    marked = False
    click.echo(f"{one.title}")
    for name, versions in one.versions.items():
        for table in versions:
            product = as_product(table)
            click.echo(f"\n{one.name}/{name}")
            for rule in product.rules_in_words():
                marked |= rule.from_memory
                click.echo(f"  {rule.heading:20} {rule.words}{f' {MARK}' if rule.from_memory else ''}")
            mark = f" {MARK}" if "rules_as_of" in product.from_memory else ""
            marked |= bool(mark)
            sources.setdefault(f"{product.source} Rules as of {product.rules_as_of}{mark}.", []).append(name)
    click.echo("")
    for note in one.notes:
        click.echo(f"- {note}")
    for source, names in sources.items():
        which = "Source" if len(sources) == 1 else f"Source of {', '.join(dict.fromkeys(names))}"
        click.echo(f"{which}: {source}")
    if marked:
        click.echo(
            f"{MARK} holds a figure from memory that was not checked: check it against the market's rules."
        )


COMMANDS = (products,)
