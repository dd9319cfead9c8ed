"""The command that prints the guide."""

from __future__ import annotations

import shutil

import click

WIDEST = 100  # longer lines are hard to read


@click.command()
@click.argument("topic", required=False)
def guide(topic: str | None) -> None:
    """Read the guide's page about TOPIC; without one, list the topics."""
    from optimiser.guide import page, plain, topics

    if topic is not None:
        width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
        click.echo(plain(page(topic), width), nl=False)
        return
    known = topics()
    wide = max(map(len, known))
    for name, words in known.items():
        click.echo(f"{name:{wide}}  {words}")
    click.echo("\nRead one with: optimiser guide TOPIC")


COMMANDS = (guide,)
