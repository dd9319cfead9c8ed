"""Arguments in, library calls, files out; the only room that prints or exits."""

from __future__ import annotations

import sys
from typing import Any

import click

from optimiser.cli import (
    data,
    guide,
    lookback,
    many,
    markets,
    running,
    services,
    sizes,
    steering,
    sweeps,
    tariffs,
)
from optimiser.cli.common import EXIT, INTERRUPTED, leave
from optimiser.errors import OptimiserError


class _Group(click.Group):
    """A group whose commands turn this package's errors into one message and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except OptimiserError as error:
            click.echo(str(error), err=True)
            codes = [code for kind, code in EXIT.items() if isinstance(error, kind)]
            sys.exit(codes[0] if codes else 2)
        except KeyboardInterrupt:
            leave("Stopped. No file was left half written.", INTERRUPTED)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="optimiser")
def main() -> None:
    """What will a solar-and-storage site earn, and when is it paid back?

    optimiser guide: how to describe a site, and what each result means.

    Exit codes: 0 done; 2 the command or a file has a fault; 3 no schedule keeps every limit; 4 the solver stopped
    without an answer; 5 an answer that is not proven within tolerance; 6 stopped by Ctrl-C, the best so far kept;
    130 stopped without a result; 1 a defect of this program.
    """


FAMILIES = (running, steering, tariffs, markets, services, data, lookback, sizes, sweeps, many, guide)

for family in FAMILIES:
    for command in family.COMMANDS:
        main.add_command(command)
