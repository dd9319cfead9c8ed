"""Files that are written whole or not at all, several together; tables that no spreadsheet takes for formulas."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import shutil
import sys
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from optimiser.errors import OptimiserError

if sys.platform != "win32":
    import fcntl

Content = str | dict[str, Any] | pd.DataFrame | Callable[[Path], Any]

# A hidden folder beside the files while they change. In it PART is being written, WHOLE is complete and moves out, OLD
# holds what it replaces; ORDER lists the names in WHOLE and what goes without replacement.
STAGE, PART, WHOLE, OLD, ORDER = ".writing", "part", "whole", "old", ".order.json"
LONGEST_WAIT_S = 60.0

# A part of a file that is written by itself.
_PART = re.compile(r"\.(\d+)-(.+)")

# How a cell begins that spreadsheets take as a formula: OWASP, "CSV Injection", with the wide forms of the same signs.
_FORMULA = re.compile(r"[\t\n]|\s*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def write_files(files: Mapping[Path, Content], stale: Iterable[str] = ()) -> None:
    """Write the files of a folder, which is made if need be, whole or not at all.

    Parameters
    ----------
    files : dict of Path to content
        Text; a table, written as CSV to six digits without its index; a dictionary, written as JSON with the `run` that
        it is of and the SHA-256 of the other `files`; or what writes the file when called with a path.
    stale : iterable of str
        Patterns of names. What fits one and is not among `files` is of an earlier run, and goes.

    Raises
    ------
    OptimiserError
        If one cannot be written; all of them are then as they were.
    """
    folder = next(iter(files)).parent
    records = {path: content for path, content in files.items() if isinstance(content, dict)}
    others = {path: _writer(content) for path, content in files.items() if not isinstance(content, dict)}
    record_writers = {path: partial(_write_record, content, others) for path, content in records.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        all_or_nothing({**others, **record_writers}, stale)
    except OSError as problem:
        raise OptimiserError(
            f"{folder} cannot be written to: {problem.strerror}. Choose another folder."
        ) from None


def write_folder(
    folder: Path, files: Mapping[str, tuple[str, Content]], stale: Iterable[str] = ()
) -> dict[str, Path]:
    """Write what a result is made of into a folder, all or none.

    Parameters
    ----------
    folder : Path
    files : dict of str to (str, Content)
        Of each part its file's name, and what goes into it as in `write_files`.
    stale : iterable of str
        Patterns of files of an earlier result that would be left beside them.

    Returns
    -------
    dict of str to Path
        Where each part is.
    """
    paths = {part: folder / name for part, (name, _) in files.items()}
    write_files({paths[part]: content for part, (_, content) in files.items()}, stale)
    return paths


def _writer(content: str | pd.DataFrame | Callable[[Path], Any]) -> Callable[[Path], Any]:
    """What writes a content to a path."""
    if isinstance(content, pd.DataFrame):
        return partial(write_csv, content)
    return partial(write_text, content) if isinstance(content, str) else content


def _write_record(content: Mapping[str, Any], others: Iterable[Path], path: Path) -> None:
    """Write a dictionary as JSON, with the run that it is of and the digests of what was written beside it."""
    digests = {
        other.name: hashlib.sha256((path.parent / other.name).read_bytes()).hexdigest() for other in others
    }
    record = {"run": new_run(), **content, "files": digests}
    write_text(json.dumps(record, indent=1, allow_nan=False), path)


def new_run() -> str:
    """What a run is told from any other by."""
    return uuid.uuid4().hex[:12]


def write_text(words: str, path: Path) -> None:
    """Write text as UTF-8 with plain line ends; what UTF-8 cannot hold, half of a pair, is spelled out."""
    path.write_text(words, encoding="utf-8", newline="\n", errors="backslashreplace")


def write_csv(frame: pd.DataFrame, path: Any = None, *, index: bool = False, decimals: int | None = 6) -> Any:
    """Write a table as CSV, or give it as text where no path is named.

    Text that a spreadsheet would take as a formula, in cells and headings, begins with an apostrophe.

    Parameters
    ----------
    frame : DataFrame
    path : Path, optional
    index : bool
        Whether its index is a column too.
    decimals : int or None
        To which numbers are rounded; None: not at all.
    """
    plain = frame.copy(deep=False) if decimals is None else frame.round(decimals)
    for place, kind in enumerate(plain.dtypes):
        if not pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_datetime64_any_dtype(kind):
            plain.isetitem(place, list(plain.iloc[:, place].map(_harmless, na_action="ignore")))
    plain.columns = pd.Index([_harmless(name) for name in plain.columns])
    return plain.to_csv(path, index=index)


def _harmless(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    words = re.sub("\r\n?", "\n", value)  # a carriage return alone is not quoted and would begin a row
    return f"'{words}" if is_formula(words) else words


def is_formula(words: str) -> bool:
    """Whether a spreadsheet may take text as a formula."""
    return _FORMULA.match(words) is not None and _NUMBER.fullmatch(words) is None


def write_one(path: Path, write: Callable[[Path], Any]) -> None:
    """Write one file under another name, then move it into place; a killed process's part of it is removed.

    Raises
    ------
    OSError
        If it cannot be written; the old one then stays.
    """
    _remove_leftovers(path)
    part = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        write(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def _remove_leftovers(path: Path) -> None:
    """Remove parts of a file that a process left that is gone; other hidden files are none of ours."""
    for found in path.parent.glob(".*-*"):
        part = _PART.fullmatch(found.name)
        if part and part[2] == path.name and not _is_alive(int(part[1])):
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


def all_or_nothing(writers: Mapping[Path, Callable[[Path], Any]], stale: Iterable[str] = ()) -> None:
    """Change several files of one folder as one, so that runs never mix.

    All are written in a hidden folder, which is then renamed: from that moment on the new run is complete. What it
    replaces is moved aside, the last file first, and only then do the new ones come into place, the last file last.
    So a process may be killed at any moment: what stands in the folder is of one run, and all of it where its last
    file, its record, is there. Whoever writes to the folder next finishes what the dead process began.

    Parameters
    ----------
    writers : dict of Path to callable
        The file, and what writes it when called with a path.
    stale : iterable of str
        Patterns of names of an earlier run's files that go.

    Raises
    ------
    OSError
        If one cannot be written; all of them are then as they were.
    """
    folder = next(iter(writers)).parent
    assert {path.parent for path in writers} == {folder}
    with _held(folder):
        _finish(folder)
        for path in writers:
            if path.is_dir():
                raise IsADirectoryError(errno.EISDIR, f"{path.name} in it is a folder", str(path))
        stage = folder / STAGE
        try:
            (stage / PART).mkdir(parents=True)
            for path, write in writers.items():
                write(stage / PART / path.name)
            names = [path.name for path in writers]
            gone = sorted({path.name for pattern in stale for path in folder.glob(pattern)} - set(names))
            write_text(json.dumps({"names": names, "gone": gone}), stage / PART / ORDER)
            os.replace(stage / PART, stage / WHOLE)
            _move(folder)
        finally:
            if not (stage / WHOLE).exists():
                shutil.rmtree(stage, ignore_errors=True)


def _finish(folder: Path) -> None:
    """Go on with a change that was stopped: to its end where the new run was complete, else back to the start."""
    if (folder / STAGE / WHOLE).exists():
        _move(folder)
    if (folder / STAGE).exists():
        shutil.rmtree(folder / STAGE)


def _move(folder: Path) -> None:
    """Move a complete run out of its stage; if that cannot be, give every place its old file again."""
    stage = folder / STAGE
    whole, old = stage / WHOLE, stage / OLD
    names, gone = _order(whole / ORDER)
    try:
        old.mkdir(exist_ok=True)
        # What a stopped change has moved already is in its place, and new.
        for name in [*(name for name in reversed(names) if (whole / name).exists()), *gone]:
            if os.path.lexists(folder / name):
                os.replace(folder / name, old / name)
        for name in names:
            if (whole / name).exists():
                os.replace(whole / name, folder / name)
        os.replace(whole, stage / PART)
    except BaseException:
        _take_back(folder, names)
        raise
    shutil.rmtree(stage, ignore_errors=True)


def _order(path: Path) -> tuple[list[str], list[str]]:
    """The names that move into place, in order, and those that go without replacement."""
    try:
        order = json.loads(path.read_text(encoding="utf-8"))
        names, gone = ([Path(name).name for name in order[which]] for which in ("names", "gone"))
    except (ValueError, KeyError, TypeError):
        raise OSError(errno.EIO, f"the folder {STAGE} in it is damaged and must be removed first") from None
    return names, gone


def _take_back(folder: Path, names: list[str]) -> None:
    """The way back of `_move`. It may be stopped anywhere too: while WHOLE is there, what is left of it can move on."""
    whole, old = folder / STAGE / WHOLE, folder / STAGE / OLD
    with contextlib.suppress(OSError):  # what cannot be taken back waits for whoever writes next
        for name in reversed(names):
            if not (whole / name).exists():
                os.replace(folder / name, whole / name)
        for path in old.iterdir() if old.exists() else ():
            os.replace(path, folder / path.name)
        os.replace(whole, folder / STAGE / PART)


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Let one process at a time change a folder's files; a process that ends, however it ends, lets go."""
    if sys.platform == "win32":  # no locks on folders; a file in use cannot be moved there
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        last = time.monotonic() + LONGEST_WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > last:
                    raise OSError(errno.EBUSY, "another command is writing to it") from None
                time.sleep(0.05)
            except OSError:  # a file system without locks
                break
        yield
    finally:
        os.close(handle)
