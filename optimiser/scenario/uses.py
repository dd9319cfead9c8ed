"""TOML files and what they use of one another: bounded, within the folders named, syntax faults with a way out."""

from __future__ import annotations

import datetime
import hashlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optimiser.errors import ScenarioError
from optimiser.series.bounded import bounded_bytes, refuse_no_file

FILE_NAME = "scenario.toml"


MOST_BYTES = 2_000_000


MOST_USES, MOST_USED_BYTES = 200, 10_000_000


DATA_ENDINGS = (".csv", ".gz", ".parquet")


TARIFFS = ("tariff", "before_tariff")


TOO_DEEP = "its brackets or tables are nested too deeply. Close each bracket."


def outside_folders(raw: dict[str, Any]) -> tuple[str, ...]:
    """The folders beyond its own from which a file may read."""
    named = raw.get("outside_folders", [])
    return tuple(map(str, named)) if isinstance(named, list) else ()


def parse(path: Path) -> tuple[dict[str, Any], str]:
    """A scenario or tariff file with all that it uses, and the digest of them all."""
    refuse_no_file(path, "Give a folder that holds scenario.toml.", ScenarioError)
    digest = hashlib.sha256()
    raw = parsed(path, digest)
    try:
        whole = with_uses(path, raw, Uses(outside_folders(raw), digest), ())
    except RecursionError:
        raise ScenarioError(str(path), [TOO_DEEP]) from None
    for key in TARIFFS:
        if isinstance(raw.get(key), dict) and "use" in raw[key]:
            whole[key] = rebased(whole[key], raw[key]["use"])
    return whole, digest.hexdigest()


def shared_keys(table: Mapping[str, Any]) -> dict[str, Any]:
    """What a tariff file says beside the tariff's own keys, to which `source` belongs where it is text."""
    keys = ("currency", "outside_folders", *(("source",) if isinstance(table.get("source"), dict) else ()))
    return {key: table[key] for key in keys if key in table}


def rebased(tariff: dict[str, Any], name: str) -> dict[str, Any]:
    """A tariff from a file, its data files and folders named from where the file is used."""
    folder, shared = Path(name).parent, shared_keys(tariff)
    sources = {
        own: {**table, "file": (folder / table["file"]).as_posix()}
        if isinstance(table, dict) and isinstance(table.get("file"), str)
        else table
        for own, table in shared.get("source", {}).items()
    }
    outside = [(folder / other).as_posix() for other in outside_folders(tariff)]
    return {
        **tariff,
        **({"source": sources} if "source" in shared else {}),
        **({"outside_folders": outside} if "outside_folders" in shared else {}),
    }


def parsed(path: Path, digest: Any, *, quoted: bool = True) -> dict[str, Any]:
    """The file, parsed; `quoted` is whether a fault may show the line that it is in."""
    content = bounded_bytes(path, MOST_BYTES, "Data belong in CSV or Parquet files.", ScenarioError)
    digest.update(content)
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except RecursionError:
        raise ScenarioError(str(path), [TOO_DEEP]) from None
    except UnicodeDecodeError:
        raise ScenarioError(str(path), ["the file is not text in UTF-8. Save it as UTF-8."]) from None
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(
            str(path), [_toml_fault(content.decode("utf-8-sig"), str(problem), quoted)]
        ) from None
    except ValueError:
        raise ScenarioError(str(path), ["a whole number has thousands of digits. Shorten it."]) from None


_HINTS = (
    (r"=\s*-?\d{1,3}(,\d{3})+(?!\d)", "Write numbers without commas: 50000, and 0.5 with a point."),
    (r"=\s*-?\d+,\d", "Write a decimal number with a point: 10.5."),
    (r"=\s*\d\d?:\d\d\s*($|#|,|}|\n)", 'Put clock times in quotes: "07:00".'),
    (r"=\s*-?[\d.]+\s*%", "Write a percentage as a fraction: 0.19."),
    (r"[\u201c\u201d\u2018\u2019]", "Use straight quotes, \" or '."),
    (r"^[^\n]*\\", "Write paths with / or put them in single quotes."),
    (r"\nIllegal character|\nUnterminated", "Close the quotes on the line they were opened on."),
    (r"\nInvalid date", "There is no such date; write one that exists, such as 2025-06-30."),
    (r"\nCannot (overwrite|declare)|\nDuplicate", "The key or table stands there twice; keep one."),
    (r"=\s*[A-Za-z].*\nInvalid value", 'Put text in quotes: title = "My site".'),
    (r"=\s*-?[\d.]+\s*[A-Za-z]", "Write a number without its unit."),
)


def _toml_fault(content: str, words: str, quoted: bool) -> str:
    """What is wrong with the syntax, with a hint for the usual slips."""
    found = re.search(r"at line (\d+)", words)
    lines = content.splitlines()
    line = lines[int(found[1]) - 1].strip() if found and int(found[1]) <= len(lines) else ""
    hints = (hint for pattern, hint in _HINTS if re.search(pattern, f"{line}\n{words}"))
    hint = next(hints, "Check brackets, quotes and equals signs there.")
    shown = f" ({line[:80]!r})" if line and quoted else ""
    return f"the syntax is not TOML: {words}{shown}. {hint}"


@dataclass
class Uses:
    """What the files of one scenario share while they are put together.

    Attributes
    ----------
    folders : tuple of str
        Folders outside the scenario's own that files may be taken from.
    digest : hash
        Of the bytes of all.
    files : dict of Path to tuple
        Each file that was used, parsed, and its size in bytes.
    count, size : int
        How many uses there were, and how many bytes they stand for.
    """

    folders: tuple[str, ...]
    digest: Any
    files: dict[Path, tuple[dict[str, Any], int]] = field(default_factory=dict)
    count: int = 0
    size: int = 0

    def content(self, path: Path, used: Path) -> dict[str, Any]:
        """A used file, read once; files that use files many times over stand for more than can be meant."""
        if used not in self.files:
            own = used.is_relative_to(path.parent.resolve())  # of others no line is ever shown
            self.files[used] = parsed(used, self.digest, quoted=own), used.stat().st_size
        content, size = self.files[used]
        self.count, self.size = self.count + 1, self.size + size
        if self.count > MOST_USES or self.size > MOST_USED_BYTES:
            raise ScenarioError(
                str(path),
                [
                    f"`use` stands more than {MOST_USES} times in the scenario and the files that it uses, or for more "
                    f"than {MOST_USED_BYTES} bytes. Join equal equipment by `units`, or write the tables out."
                ],
            )
        return content


def with_uses(path: Path, table: Any, uses: Uses, users: tuple[Path, ...]) -> Any:
    """Replace each table that says `use = "file.toml"` with that file's content under its own keys.

    `users` are the files that led here, so that a circle is seen.
    """
    if isinstance(table, list):
        return [with_uses(path, item, uses, users) for item in table]
    if not isinstance(table, dict):
        return table
    table = {key: with_uses(path, value, uses, users) for key, value in table.items()}
    if "use" not in table:
        return table
    name = table.pop("use")
    if not isinstance(name, str):
        raise ScenarioError(str(path), [f"use must name a TOML file in quotes, got {shown_value(name)}."])
    used = inside(path, name, uses.folders, endings=(".toml",))
    if not used.is_file():
        raise ScenarioError(str(path), [f'use = "{name}" names a file that does not exist. Check the path.'])
    if used in users or used == path.resolve() or len(users) > 5:
        raise ScenarioError(
            str(path),
            [
                f'use = "{name}" leads back to a file that uses it, or through more than 6 files. Break the chain.'
            ],
        )
    content = with_uses(path, uses.content(path, used), uses, (*users, used))
    (header, inner), *others = content.items() or [("", None)]
    if isinstance(inner, dict) and not others:
        shown = f"[{header}]" if used.is_relative_to(path.parent.resolve()) else "a header"
        raise ScenarioError(
            str(path), [f'use = "{name}": that file puts its keys under {shown}. Remove the header there.']
        )
    return {**content, **table}


def inside(
    path: Path,
    name: str,
    folders: tuple[str, ...] = (),
    where: str = "the scenario folder",
    way: str = "Copy it in, or name its folder in outside_folders.",
    endings: tuple[str, ...] = (),
) -> Path:
    """A file that the file at `path` names, which must lie in its folder or in one that it names.

    Raises
    ------
    ScenarioError
        If it lies elsewhere, outside `where`, with the way out; lies in a folder named with another of the `endings`
        wanted, so that a fault never shows what other files hold; or is no path that can be used.
    """
    try:
        folder = path.parent.resolve()
        target = (folder / name).resolve()
        allowed = [folder, *((folder / other).resolve() for other in folders)]
        target.is_file()
    except (OSError, ValueError, RuntimeError) as problem:  # too long, a zero byte, links in a circle
        words = getattr(problem, "strerror", None) or str(problem)
        raise ScenarioError(
            str(path), [f"{name[:80]!r} is no path that can be used: {words}. Check it."]
        ) from None
    if not any(target.is_relative_to(parent) for parent in allowed):
        raise ScenarioError(str(path), [f'"{name}" lies outside {where}. {way}'])
    if endings and not target.is_relative_to(folder) and target.suffix.lower() not in endings:
        wanted = " or ".join(endings)
        raise ScenarioError(
            str(path), [f'"{name}" lies outside {where}, where a file must end in {wanted}. Rename it.']
        )
    return target


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """A TOML file as it was parsed, and its digest.

    Raises
    ------
    ScenarioError
        If there is no such file or it is not TOML: line, column and the usual slip behind it.
    """
    refuse_no_file(path, "Check its name.", ScenarioError)
    digest = hashlib.sha256()
    return parsed(path, digest), digest.hexdigest()


def shown_value(value: Any) -> str:
    """A value as the file writes it, cut to a line."""
    if isinstance(value, (dict, list, tuple)):
        kind = "table" if isinstance(value, dict) else "list"
        return f"a {kind}" if value else f"an empty {kind}"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    words = repr(value)
    return words if len(words) <= 80 else f"{words[:76]} ..."
