"""Answers of sites, kept in a folder: a file each, with a checksum, good for the same scenario and program alone."""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimiser.errors import OptimiserError
from optimiser.scenario.file import Scenario
from optimiser.versions import versions

FACTS = b"answer"  # in the metadata of a kept answer
CHECKSUM = b"checksum"  # in the metadata of a kept answer


@dataclass(frozen=True)
class SiteAnswer:
    """Where a site's answer is kept.

    Attributes
    ----------
    name : str
        Of the site.
    digest : str
        Of all that the answer depends on.
    problem : str
        What went wrong; empty if nothing did.
    defect : bool
        Whether that is a defect of this package and no fault of the site.
    """

    name: str
    digest: str = ""
    problem: str = ""
    defect: bool = False


@contextlib.contextmanager
def folder_held(kept: Path) -> Iterator[None]:
    """Keep other fleets out of a folder until this one is done or its process has ended, however it ended."""
    try:
        lock = sqlite3.connect(kept / ".at-work", timeout=1.0, isolation_level=None)
    except sqlite3.Error as problem:
        raise OptimiserError(f"{kept} cannot be used: {problem}. Choose another folder.") from None
    try:
        try:
            lock.execute("begin exclusive")
        except sqlite3.Error as problem:
            way = "If another fleet is at work in it, wait, or choose another folder."
            if "full" in str(problem):
                way = "Make room, or choose another folder."
            raise OptimiserError(f"{kept} cannot be used: {problem}. {way}") from None
        yield
    finally:
        lock.close()


def write_answer(facts: Mapping[str, Any], frame: pd.DataFrame, path: Path) -> None:
    """One file of an answer: its steps, and in the file's metadata its facts and the checksum of both."""
    words = json.dumps(facts)
    table = pa.Table.from_pandas(frame)
    own = {FACTS: words, CHECKSUM: _checksum(words, frame)}
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, **own}), path)


def _checksum(facts: str, frame: pd.DataFrame) -> str:
    """Digest of an answer's facts and of every number of its steps."""
    digest = hashlib.sha256(facts.encode())
    for name in frame:
        digest.update(f"{name}\n".encode() + np.ascontiguousarray(frame[name], float).tobytes())
    return digest.hexdigest()


def digest_of(scenario: Scenario) -> str:
    """Of all that an answer depends on: the scenario with its changes, its data files, this program, its libraries."""
    parts = [
        scenario.sha256,
        sorted(f"{name}: {table.sha256}" for name, table in scenario.tables.items()),
        versions(),
    ]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def place_of(kept: Path, answer: SiteAnswer) -> Path:
    """The file of an answer, named so whatever the site is called."""
    return kept / f"{hashlib.sha256(answer.name.encode()).hexdigest()[:16]}-{answer.digest[:16]}.parquet"


def kept_answer(kept: Path, answer: SiteAnswer) -> tuple[dict[str, Any], pd.DataFrame] | None:
    """An answer's facts and steps; None if it is not kept, or not whole."""
    try:
        table = pq.read_table(place_of(kept, answer))
        frame = table.to_pandas()
        words = table.schema.metadata[FACTS].decode()
        if table.schema.metadata[CHECKSUM].decode() != _checksum(words, frame):
            return None
        facts = json.loads(words)
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        MemoryError,
        pa.ArrowException,
    ):  # what damage can set off
        return None
    return (facts, frame) if (facts["digest"], facts["name"]) == (answer.digest, answer.name) else None


def answers_of(solved: Sequence[SiteAnswer], kept: Path) -> Iterator[tuple[dict[str, Any], pd.DataFrame]]:
    """Each site's answer, one in memory at a time."""
    for answer in solved:
        found = kept_answer(kept, answer)
        if found is None:
            raise OptimiserError(
                f"{kept} lost the answer of {answer.name} while the fleet was at work. Start it again."
            )
        yield found
