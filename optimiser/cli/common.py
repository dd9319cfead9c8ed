"""What several commands share: exit codes and new files that replace nothing."""

from __future__ import annotations

import contextlib
import math
import os
import shlex
import sys
import tempfile
from pathlib import Path
from typing import Any, NoReturn

import click

from optimiser.errors import (
    DriftError,
    InfeasibleError,
    OptimiserError,
    ScenarioError,
    SeriesError,
    UnprovenError,
)

EXIT = {ScenarioError: 2, InfeasibleError: 3, UnprovenError: 4, DriftError: 1}
BEST_FOUND = 5
STOPPED = 6
INTERRUPTED = 130


def leave(words: str, code: int) -> NoReturn:
    """End the process with a sentence, without waiting for threads of the solver, which hear of nothing."""
    click.echo(words, err=True)
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code)


class Number(click.FloatRange):
    """A finite number of an option, within bounds if it has any; a plain range lets nan pass."""

    name = "number"  # what help and messages call it

    def _describe_range(self) -> str:  # what help says of bounds, where there are any
        return super()._describe_range() if (self.min, self.max) != (None, None) else ""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; refused in a sentence where it is none."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no finite number.", param, ctx)
        return number


def refuse_existing(path: Path | None) -> None:
    """Refuse to write over a file."""
    if path is not None and path.exists():
        raise OptimiserError(f"{path} exists and is not written over. Choose another name.")


def refuse_unwritable(folder: Path, *inputs: Path) -> None:
    """Refuse a folder that results could not be written to, or that inputs are in; nothing is made.

    Known before the work is done. Results beside inputs could take the place of one of the same name.
    """
    for path in inputs:
        if folder.resolve() == (path if os.path.isdir(path) else path.parent).resolve():
            raise OptimiserError(
                f"{folder} is the folder of {path.name or path}, which is read: results could be written over it. "
                "Choose another folder with --out."
            )
    try:
        there = next(path for path in (folder, *folder.absolute().parents) if os.path.lexists(path))
        if not there.is_dir():
            raise OptimiserError(f"{there} is a file. Choose another folder with --out.")
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as problem:
        raise OptimiserError(
            f"{folder} cannot be written to: {problem.strerror}. Choose another folder with --out."
        ) from None


def write_new(path: Path, words: str) -> None:
    """Write a new file whole or not at all."""
    from optimiser.writing import write_text

    part = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        write_text(words, part)
        os.link(part, path)
    except FileExistsError:
        refuse_existing(path)
    except OSError as problem:
        raise OptimiserError(f"{path} cannot be written: {problem.strerror}. Choose another name.") from None
    finally:
        part.unlink(missing_ok=True)


METER_FORMATS = {"nem12": "NEM12", "greenbutton": "Green Button"}


def refuse_meter_file(path: Path) -> None:
    """Refuse a meter's own format, which is read by the import and not where a table is wanted."""
    from optimiser.readers.detect import format_of

    found = ""
    with contextlib.suppress(SeriesError):  # what is no meter file for certain is judged as a table
        found = format_of(path) if path.is_file() else ""
    if found in METER_FORMATS:
        words = (
            f"it is {METER_FORMATS[found]}, a meter's own format, and no table. Bring it in first: optimiser import "
            f"{shlex.quote(str(path))} --name home; then give home.parquet and its columns."
        )
        raise SeriesError(str(path), [words])


def scenario_name(scenario: Path) -> str:
    """What a scenario is called: its folder's name."""
    path = scenario.resolve()
    return path.parent.name if os.path.isfile(path) else path.name
