"""What a result depends on beside its data: this program's own files, and the libraries that it reckons with."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import sys
from pathlib import Path

from optimiser import __version__

# Libraries that a figure goes through; those that draw pages or read the command line change none.
LIBRARIES = (
    *("highspy", "pyomo", "numpy", "scipy", "numba", "pandas", "pyarrow"),
    *("pydantic", "holidays", "rainflow", "tzdata"),
)


@functools.cache
def code_sha256() -> str:
    """Digest of every file of this package, name and content, so that results of a changed program are told apart."""
    folder, digest = Path(__file__).parent, hashlib.sha256()
    files = (path for path in folder.rglob("*") if path.is_file())
    for path in sorted(files, key=lambda path: path.relative_to(folder).as_posix()):
        parts = path.relative_to(folder).parts
        if not any(part.startswith(".") or part == "__pycache__" for part in parts):
            content = path.read_bytes()
            digest.update(f"{'/'.join(parts)} {len(content)}\n".encode() + content)
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """This package, its code, Python and the libraries: two results with the same of all may stand in one table."""
    return dict(_versions())


@functools.cache
def _versions() -> dict[str, str]:
    python = ".".join(map(str, sys.version_info[:2]))
    libraries = {name: importlib.metadata.version(name) for name in LIBRARIES}
    return {"optimiser": __version__, "code": code_sha256(), "python": python, **libraries}
