"""Finished cases in one SQLite file, each there as soon as it is done, and there again after the process was killed."""

from __future__ import annotations

import contextlib
import json
import pickle
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from optimiser.engine.answer import Start
from optimiser.errors import OptimiserError
from optimiser.sweeping.cases import Outcome

_TABLES = """
create table if not exists about (name text primary key, value text not null);
create table if not exists start (only_one integer primary key check (only_one = 1), basis blob not null);
create table if not exists cases (
    key text primary key, status text not null, message text not null, seconds real not null, results text not null
);
"""


class Store:
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
        except sqlite3.DatabaseError as problem:
            raise OptimiserError(
                f"{self._path} is no file of a sweep: {problem}. Name another --out."
            ) from None

    def _check(self, identity: Mapping[str, Any]) -> None:
        words = {name: json.dumps(value, sort_keys=True) for name, value in identity.items()}
        kept = dict(self._file.execute("select name, value from about").fetchall())
        other = sorted(name for name in words if kept and kept.get(name) != words[name])
        if other:
            raise OptimiserError(
                f"{self._path} holds results of another sweep: {', '.join(other)} changed since. "
                "Name another --out, or move the file away."
            )
        self._file.executemany("insert or ignore into about values (?, ?)", words.items())

    def settled(self, name: str, value: int) -> int:
        """A number that the first sweep to use the file decides for all that go on with it."""
        with self._in_words():
            self._file.execute("insert or ignore into about values (?, ?)", (name, json.dumps(value)))
            row = self._file.execute("select value from about where name = ?", (name,)).fetchone()
        return int(json.loads(row[0]))

    def outcomes(self) -> Iterator[Outcome]:
        """Every case that is kept."""
        with self._in_words():
            rows = self._file.execute("select key, status, message, seconds, results from cases").fetchall()
        for key, status, message, seconds, results in rows:
            yield Outcome(key, status, message, seconds, json.loads(results))

    def keep(self, outcome: Outcome) -> None:
        """Keep a case, at once."""
        row = (
            outcome.key,
            outcome.status,
            outcome.message,
            outcome.seconds,
            json.dumps(dict(outcome.results)),
        )
        with self._in_words():
            self._file.execute("insert or replace into cases values (?, ?, ?, ?, ?)", row)

    def start(self) -> Start | None:
        """Where every case starts, if that was kept."""
        with self._in_words():
            row = self._file.execute("select basis from start").fetchone()
        return pickle.loads(row[0]) if row else None

    def keep_start(self, start: Start) -> None:
        """Keep where every case starts, so that a sweep that goes on later starts its cases from the same place."""
        with self._in_words():
            self._file.execute(
                "insert or ignore into start values (1, ?)", (pickle.dumps(Start(start.basis)),)
            )

    def close(self) -> None:
        """Let others have the file."""
        self._file.close()
