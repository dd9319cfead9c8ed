"""The bytes of a file that people send: plain, compressed, or alone in an archive, and never more than can be meant."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable
from pathlib import Path

from optimiser.errors import SeriesError
from optimiser.series.bounded import CUT, MOST_BYTES, TooMuchError, bounded_bytes, inflated

SHOWN = 20


class _ArchiveError(Exception):
    """An archive from which no one file can be chosen; the words are a sentence."""


def content_of(path: Path) -> bytes:
    """What a file holds, unpacked where it is compressed.

    A file is taken as compressed by its first bytes, not by its name; of an archive the only file is taken.

    Raises
    ------
    SeriesError
        If the file is missing, cannot be read or unpacked, is empty, holds several files, or unpacks to more than
        `MOST_BYTES`.
    """
    if path.is_dir():
        raise SeriesError(str(path), ["it is a folder. Name the file in it."])
    if not path.is_file():
        raise SeriesError(str(path), ["the file does not exist. Check its name and folder."])
    raw = bounded_bytes(path, MOST_BYTES, CUT, SeriesError)
    try:
        if raw[:2] == b"\x1f\x8b":
            raw = inflated(raw)
        elif raw[:4] == b"PK\x03\x04":
            raw = _only_member(raw)
    except (TooMuchError, _ArchiveError) as problem:
        raise SeriesError(str(path), [str(problem)]) from None
    except Exception as problem:  # each packing has errors of its own, and damaged bytes set off others
        words = str(problem).rstrip(".") or type(problem).__name__
        raise SeriesError(
            str(path),
            [f"the file is compressed and cannot be unpacked: {words}. Fetch it again, or unpack it."],
        ) from None
    if not raw.strip():
        raise SeriesError(str(path), ["the file is empty. Fetch it again."])
    return raw


def _only_member(raw: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        members = [
            item for item in archive.infolist() if not item.is_dir() and "__MACOSX" not in item.filename
        ]
        if len(members) != 1:
            names = ", ".join(item.filename for item in members[:6]) or "none"
            raise _ArchiveError(
                f"the archive must hold one file, it holds {len(members)}: {names}. Unpack it first."
            )
        with archive.open(members[0]) as member:
            unpacked = member.read(MOST_BYTES + 1)
        if len(unpacked) > MOST_BYTES:
            raise TooMuchError(f"it unpacks to more than {MOST_BYTES} bytes. {CUT}")
        return unpacked


def refuse(path: Path, faults: list[str]) -> None:
    """Raise a SeriesError with these faults, when there are any; many of them are counted instead of "
    "shown."""
    if not faults:
        return
    more = len(faults) - SHOWN
    rest = [f"and {more} more like these."] if more > 0 else []
    raise SeriesError(str(path), faults[:SHOWN] + rest)


def text_of(path: Path, raw: bytes) -> str:
    """The text of a file's bytes: UTF-8, UTF-16 by its mark, else one byte a letter, as older files have in names.

    Raises
    ------
    SeriesError
        If it is no text.
    """
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise SeriesError(
            str(path), [f"line {line} holds a zero byte, so this is no text. Fetch the file again."]
        )
    return text


def first_few(items: Iterable[object], most: int = 5) -> str:
    """Some things by name, then how many more there are."""
    listed = list(map(str, items))
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + more
