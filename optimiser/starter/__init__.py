"""A commented scenario to begin from, and the command's hands that write it."""

from __future__ import annotations

import shutil
from pathlib import Path

from optimiser.errors import OptimiserError

FILES = ("scenario.toml", "site.csv", "market.csv")


def write_starter(folder: str | Path) -> Path:
    """Copy the starter into a new folder.

    Raises
    ------
    OptimiserError
        If the folder exists: nothing is ever written over.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True)
    except FileExistsError:
        raise OptimiserError(f"{folder} exists and is not written over. Choose a new folder.") from None
    except OSError as problem:
        raise OptimiserError(f"{folder} cannot be made: {problem.strerror}. Choose another folder.") from None
    for name in FILES:
        shutil.copyfile(Path(__file__).parent / name, folder / name)
    return folder / FILES[0]
