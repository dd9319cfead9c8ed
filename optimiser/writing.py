"""Files that are written whole or not at all, several together."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from optimiser.errors import OptimiserError

Content = str | dict[str, Any] | pd.DataFrame | Callable[[Path], Any]

# A file's part, its old self set aside, and a part of a part where a writer takes the same care itself.
_PART = re.compile(r"\.(\d+)-(?:\.\d+-)*(.+?)(?:\.was)?")


def write_files(files: Mapping[Path, Content]) -> None:
    """Write the files of a folder, which is made if need be, whole or not at all.

    Parameters
    ----------
    files : dict of Path to content
        Text; a table, written as CSV to six digits without its index; a dictionary, written as JSON; or what writes the
        file when called with a path.

    Raises
    ------
    OptimiserError
        If one cannot be written; all of them are then as they were.
    """
    folder = next(iter(files)).parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        all_or_nothing({path: _writer(content) for path, content in files.items()})
    except OSError as problem:
        raise OptimiserError(
            f"{folder} cannot be written to: {problem.strerror}. Choose another folder."
        ) from None


def _writer(content: Content) -> Callable[[Path], Any]:
    """What writes a content to a path."""
    if isinstance(content, pd.DataFrame):
        return partial(content.round(6).to_csv, index=False)
    if isinstance(content, dict):
        content = json.dumps(content, indent=1, allow_nan=False)
    if isinstance(content, str):
        return partial(Path.write_text, data=content, encoding="utf-8", newline="\n")
    return content


def all_or_nothing(writers: Mapping[Path, Callable[[Path], Any]]) -> None:
    """Write every file under another name, then move them all into place, so that runs never mix.

    Parts that a killed process left of the same files are removed first.

    Parameters
    ----------
    writers : dict of Path to callable
        The file, and what writes it when called with a path.

    Raises
    ------
    OSError
        If one cannot be written; all of them are then as they were.
    """
    _refuse_folders(writers)
    _remove_leftovers(writers)
    temporary = {path: path.with_name(f".{os.getpid()}-{path.name}") for path in writers}
    try:
        for path, write in writers.items():
            write(temporary[path])
        _move(temporary)
    finally:
        for other in temporary.values():
            other.unlink(missing_ok=True)


def _refuse_folders(paths: Mapping[Path, Any]) -> None:
    for path in paths:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, f"{path.name} in it is a folder", str(path))


def _move(temporary: dict[Path, Path]) -> None:
    """Move new files into place; if one cannot be, give every place its old file again."""
    old = {path: other.with_name(f"{other.name}.was") for path, other in temporary.items() if path.exists()}
    moved: list[Path] = []
    try:
        for path, aside in old.items():
            _second_name(path, aside)
        for path, other in temporary.items():
            os.replace(other, path)
            moved.append(path)
    except BaseException:
        for path in moved:
            if path in old:
                os.replace(old[path], path)
            else:
                path.unlink(missing_ok=True)
        raise
    finally:
        for aside in old.values():
            aside.unlink(missing_ok=True)


def _second_name(path: Path, other: Path) -> None:
    """Keep a file under a second name too, so that its own name never lacks one."""
    other.unlink(missing_ok=True)
    try:
        os.link(path, other)
    except OSError:  # a file system without links
        shutil.copy2(path, other)


def _remove_leftovers(paths: Mapping[Path, Any]) -> None:
    """Remove parts of these files that a process left that is gone; other hidden files are none of ours."""
    names: dict[Path, set[str]] = {}
    for path in paths:
        names.setdefault(path.parent, set()).add(path.name)
    for folder, ours in names.items():
        for found in folder.glob(".*-*"):
            part = _PART.fullmatch(found.name)
            if part and part[2] in ours and not _is_alive(int(part[1])):
                found.unlink(missing_ok=True)


def _is_alive(process: int) -> bool:
    if os.name == "nt":  # where a signal of 0 is no question but an end
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):  # another user's, or no number of a process
        return True
    return True
