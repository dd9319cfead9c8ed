"""Commented files to begin from: scenarios, and examples of the files that go with one."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from optimiser.errors import OptimiserError

STARTERS = {1: "one-phase", 3: "three-phases"}


@dataclass(frozen=True)
class Example:
    """A file that goes with a scenario, and those that it needs beside it.

    Attributes
    ----------
    words : str
        What it is for, in a line.
    files : tuple of str
        The file, then what it needs, under the names they get.
    command : str
        How it is used; FOLDER stands for the scenario's.
    recipe : str
        Name of the recipe of `optimiser make` that it is, if it is one.
    """

    words: str
    files: tuple[str, ...]
    command: str
    recipe: str = ""

    def texts(self) -> dict[str, str]:
        """The text of each file, by its name."""
        if self.recipe:
            from optimiser.making.recipe import example

            return {self.files[0]: example(self.recipe)}
        here = Path(__file__).parent / "examples"
        return {name: (here / name).read_text(encoding="utf-8") for name in self.files}


EXAMPLES: Mapping[str, Example] = {
    "tariff": Example(
        "a contract in a file of its own: seasons, hours, demand",
        ("my-tariff.toml",),
        "optimiser tariff FOLDER/my-tariff.toml",
    ),
    "sun": Example(
        "a recipe for a year of solar power, from a weather file or a clear sky",
        ("roof.toml",),
        "optimiser make sun FOLDER/roof.toml",
        "sun",
    ),
    "load": Example(
        "a recipe for a year of load, from twelve monthly totals",
        ("load.toml",),
        "optimiser make load FOLDER/load.toml",
        "load-months",
    ),
    "variants": Example(
        "a second battery and a flat contract, set side by side",
        ("variants.toml", "flat-tariff.toml"),
        "optimiser compare FOLDER/variants.toml",
    ),
    "sizes": Example(
        "sizes of storage and array to choose from, with their costs",
        ("sizes.toml",),
        "optimiser size FOLDER --choices FOLDER/sizes.toml",
    ),
    "sweep": Example(
        "what the saving hangs on: storage, rates and array varied",
        ("sweep.toml",),
        "optimiser sweep FOLDER/sweep.toml --plan",
    ),
    "fleet": Example(
        "ten sites that differ by chance, behind one aggregator",
        ("fleet.toml",),
        "optimiser fleet FOLDER/fleet.toml",
    ),
}


def write_starter(folder: str | Path, phases: int = 1) -> Path:
    """Copy a starter into a new folder.

    Parameters
    ----------
    folder : path
        A folder that does not exist yet.
    phases : int
        1 for a home with a battery, 3 for a business with a capacitor bank.

    Returns
    -------
    pathlib.Path
        The scenario file written.

    Raises
    ------
    OptimiserError
        If the folder exists: nothing is ever written over.
    """
    folder, here, kind = Path(folder), Path(__file__).parent, STARTERS[phases]
    try:
        folder.mkdir(parents=True)
    except FileExistsError:
        raise OptimiserError(f"{folder} exists and is not written over. Choose a new folder.") from None
    except OSError as problem:
        raise OptimiserError(f"{folder} cannot be made: {problem.strerror}. Choose another folder.") from None
    shutil.copyfile(here / "market.csv", folder / "market.csv")
    shutil.copyfile(here / f"{kind}-site.csv", folder / "site.csv")
    shutil.copyfile(here / f"{kind}.toml", folder / "scenario.toml")
    return folder / "scenario.toml"
