"""Files that are written whole or not at all, several together."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any


def all_or_nothing(writers: dict[Path, Callable[[Path], Any]]) -> None:
    """Write every file under another name, then move them all into place, so that runs never mix.

    Parameters
    ----------
    writers : dict of Path to callable
        The file, and what writes it when called with a path.
    """
    temporary = {path: path.with_name(f".{os.getpid()}-{path.name}") for path in writers}
    try:
        for path, write in writers.items():
            write(temporary[path])
        for path, other in temporary.items():
            os.replace(other, path)
    finally:
        for other in temporary.values():
            other.unlink(missing_ok=True)
