"""Finished cases in one SQLite file, each there as soon as it is done, and there again after the process was killed."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from optimiser.batch.sweep.cases import CaseOutcome
from optimiser.engine.answer import Start
from optimiser.engine.solver import Basis
from optimiser.errors import OptimiserError

# Every row carries a checksum of the rest of it: what changed on the disk never comes back as another number.
_TABLES = """
create table if not exists about (name text primary key, value text not null, checksum text not null);
create table if not exists start (
    only_one integer primary key check (only_one = 1), basis blob not null, checksum text not null
);
create table if not exists cases (
    key text primary key, status text not null, message text not null, seconds real not null, results text not null,
    checksum text not null
);
"""


class CaseStore:
    """The file that a sweep keeps its cases in; one sweep at a time holds it.

    Parameters
    ----------
    path : Path or None
        None keeps them in memory.
    identity : mapping
        What results depend on beside a case's changes.

    Raises
    ------
    OptimiserError
        If the file is of another sweep, is in use, is no such file or no whole one, or, of any method, if it can no
        longer be written to. What is kept by then stays.
    """

    def __init__(self, path: Path | None, identity: Mapping[str, Any]):
        self._path = path
        with self._in_words():
            self._file = sqlite3.connect(path or ":memory:", timeout=1.0, isolation_level=None)
            # Held until the process ends, however it ends.
            self._file.execute("pragma locking_mode = exclusive")
            self._file.execute("pragma journal_mode = wal")
            self._file.execute("pragma synchronous = normal")
            self._file.executescript(_TABLES)
            self._check(identity)

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        """The database's errors as sentences."""
        try:
            yield
        except sqlite3.OperationalError as problem:
            ways = {
                "locked": "Another sweep is at work on it; wait, or name another --out.",
                "full": "What is finished is kept; make room, then start the same sweep again.",
            }
            way = next((way for word, way in ways.items() if word in str(problem)), "Name another --out.")
            raise OptimiserError(f"{self._path} cannot be used: {problem}. {way}") from None
        except (sqlite3.DatabaseError, UnicodeDecodeError) as problem:
            what = "file" if "not a database" in str(problem) else "whole file"
            raise OptimiserError(
                f"{self._path} is no {what} of a sweep: {problem}. Move it away, or name another --out."
            ) from None

    @contextlib.contextmanager
    def _whole(self, what: str) -> Iterator[None]:
        """What a damaged file makes of reading as a sentence."""
        try:
            yield
        except Exception as problem:  # there is no end to what damaged bytes can set off
            words = f"{what} cannot be read ({type(problem).__name__})"
            raise OptimiserError(
                f"{self._path} is no whole file of a sweep: {words}. Move it away, or name another --out."
            ) from None

    def _check(self, identity: Mapping[str, Any]) -> None:
        words = {name: json.dumps(value, sort_keys=True) for name, value in identity.items()}
        rows = self._file.execute("select * from about").fetchall()
        kept = {row[0]: row[1] for row in rows}
        results = self._file.execute("select 1 from cases union all select 1 from start limit 1").fetchone()
        if results is None:  # a sweep that was refused before it had any must not block its own correction
            self._file.executescript(f"drop table about; drop table start; drop table cases; {_TABLES}")
            kept = {}
        other = sorted(name for name in words if kept and kept.get(name) != words[name])
        if other:
            raise OptimiserError(
                f"{self._path} holds results of another sweep: {', '.join(other)} changed since. "
                "Name another --out, or move the file away."
            )
        for row in rows if kept else ():
            with self._whole("what it depends on"):
                _checked(row)
        for name, word in words.items():
            self._keep_word(name, word)

    def _keep_word(self, name: str, word: str) -> None:
        row = (name, word, _checksum(name, word))
        self._file.execute("insert or ignore into about values (?, ?, ?)", row)

    def settled(self, name: str, value: int) -> int:
        """A number that the first sweep to use the file decides for all that go on with it."""
        with self._in_words():
            self._keep_word(name, json.dumps(value))
            row = self._file.execute(
                "select name, value, checksum from about where name = ?", (name,)
            ).fetchone()
        with self._whole(f"its number of {name}"):
            return int(json.loads(_checked(row)[1]))

    def outcomes(self) -> Iterator[CaseOutcome]:
        """Every case that is kept."""
        with self._in_words():
            rows = self._file.execute("select * from cases").fetchall()
        for row in rows:
            with self._whole(f"a case ({row[0]})"):
                key, status, message, seconds, results = _checked(row)
                outcome = CaseOutcome(
                    str(key), str(status), str(message), float(seconds), dict(json.loads(results))
                )
            yield outcome

    def keep(self, outcome: CaseOutcome) -> None:
        """Keep a case, at once."""
        row = (
            outcome.key,
            outcome.status,
            outcome.message,
            float(outcome.seconds),
            json.dumps(dict(outcome.results)),
        )
        with self._in_words():
            values = (*row, _checksum(*row))
            self._file.execute("insert or replace into cases values (?, ?, ?, ?, ?, ?)", values)

    def start(self) -> Start | None:
        """Where every case starts, if that was kept."""
        with self._in_words():
            row = self._file.execute("select basis, checksum from start").fetchone()
        if row is None:
            return None
        with self._whole("the start of its cases"):
            return Start(_unpacked(*_checked(row)))

    def keep_start(self, start: Start) -> None:
        """Keep where every case starts, so that a sweep that goes on later starts its cases from the same place."""
        with self._in_words():
            packed = _packed(start.basis)
            row = (packed, _checksum(packed))
            self._file.execute("insert or ignore into start values (1, ?, ?)", row)

    def close(self) -> None:
        """Let others have the file."""
        self._file.close()


def _checksum(*row: Any) -> str:
    """Digest of the values of a row, each with its kind and length."""
    digest = hashlib.sha256()
    for value in row:
        content = value if isinstance(value, bytes) else str(value).encode()
        digest.update(f"{type(value).__name__} {len(content)}\n".encode() + content)
    return digest.hexdigest()


def _checked(row: Sequence[Any]) -> Sequence[Any]:
    """A row without its checksum, which comes last; a ValueError if it is not that of the rest."""
    *values, checksum = row
    if checksum != _checksum(*values):
        raise ValueError("its checksum is another")
    return values


def _packed(basis: Basis) -> bytes:
    """A basis as plain arrays: reading a file that people share must never run what is in it."""
    packed = io.BytesIO()
    np.savez_compressed(packed, columns=basis.columns, rows=basis.rows)
    return packed.getvalue()


def _unpacked(packed: bytes) -> Basis:
    """The basis again; an error of any kind if that is none."""
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        basis = Basis(arrays["columns"], arrays["rows"])
    for status in (basis.columns, basis.rows):
        if status.ndim != 1 or status.dtype != np.int8 or not np.isin(status, range(5)).all():
            raise ValueError("no basis")
    return basis
