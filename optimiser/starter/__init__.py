"""Commented scenarios to begin from, and the command's hands that write one."""

from __future__ import annotations

import shutil
from pathlib import Path

from optimiser.errors import OptimiserError

STARTERS = {1: "one-phase", 3: "three-phases"}


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
