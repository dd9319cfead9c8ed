"""How a table of someone else's is laid out: a small TOML text that names its columns, clock and units."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, StrictStr, ValidationError, model_validator

from optimiser.errors import ScenarioError
from optimiser.fields import Component, Several, ZoneName, choice, quantity, text
from optimiser.series.bounded import bounded_bytes

SHIPPED = Path(__file__).parent / "mappings"
_MOST_BYTES = 200_000

Unit = Literal["W", "kW", "MW", "Wh", "kWh", "MWh", "kvar", "kvarh"]
Flow = Literal["import", "export", "reactive import", "reactive export", "net", "unknown"]


class Target(Component):
    """What a column of the table becomes."""

    name: StrictStr = text("our name of the column")
    flow: Flow = choice("which way the energy went", default="unknown")
    scale: float = quantity("-", "factor on every value, for another unit or sign", default=1.0)


class Pivot(Component):
    """A table that names in one column what the value of another is."""

    by: StrictStr = text("the column of names")
    value: StrictStr | None = text("the column of values; left out only for day rows", default=None)


class DayRows(Component):
    """A table of one row a day with a column for each interval."""

    first: StrictStr = text("heading of the day's first interval")
    last: StrictStr = text("heading of the day's last interval")


class Repeated(Component):
    """A column that marks the second pass of the hour that autumn repeats."""

    column: StrictStr = text("the column")
    words: Several[StrictStr] = choice("its words for the second pass")


class QualityColumn(Component):
    """A column that says how far each value can be trusted."""

    column: StrictStr = text("the column")
    actual: Several[StrictStr] = choice("its words for metered values")
    substituted: Several[StrictStr] = choice("its words for replaced values", default=())
    estimated: Several[StrictStr] = choice("its words for estimates", default=())


class Mapping(Component):
    """The layout of a table.

    `columns` names each wanted column and what it becomes, a name or `{ name, flow, scale }`; with `pivot` it names
    words of the column `by` instead, and may be left out to take them all.
    """

    title: StrictStr = text("what the table is", default="")
    stamp: Several[StrictStr] = choice("the column of the time stamp, or those of date and time")
    stamp_format: StrictStr | None = text(
        'how stamps are written, such as "%d/%m/%Y %H:%M"; left out: like 2025-01-31T13:30', default=None
    )
    stamps: Literal["start", "end"] = choice("whether a stamp marks the start or the end of its interval")
    position: StrictStr | None = text(
        "a column that counts the intervals of each local day from 1; the stamp is then the day", default=None
    )
    zone: ZoneName = text("zone of stamps that carry none")
    step_minutes: int = quantity("min", "length of an interval", above=0, at_most=1440)
    separator: Literal[",", ";", "tab"] = choice("what stands between the columns of a CSV file", default=",")
    decimal: Literal[".", ","] = choice("the decimal mark", default=".")
    skip_lines: int = quantity("-", "lines before the headings", default=0, at_least=0, at_most=1000)
    empty: Several[StrictStr] = choice("words that mean no value", default=())
    where: dict[str, StrictStr] = Field(
        default_factory=dict, description="rows to keep: a column and its word"
    )
    columns: dict[str, StrictStr | Target] = Field(
        default_factory=dict, description="columns of the table and what they become"
    )
    pivot: Pivot | None = Field(default=None, description="names in one column, values in another")
    day_rows: DayRows | None = Field(default=None, description="one row a day, a column for each interval")
    repeated: Repeated | None = Field(default=None, description="the mark of a repeated hour's second pass")
    quality: QualityColumn | None = Field(default=None, description="the column of quality")
    unit: Unit | None = choice("unit of a meter's values; a market's prices have none", default=None)

    @model_validator(mode="before")
    @classmethod
    def _one_stamp(cls, given: Any) -> Any:
        if isinstance(given, dict) and isinstance(given.get("stamp"), str):
            return {**given, "stamp": [given["stamp"]]}
        return given

    @model_validator(mode="after")
    def _check(self) -> Mapping:
        if not 1 <= len(self.stamp) <= 2:
            raise ValueError("stamp must name one column, or two for date and time")
        if 1440 % self.step_minutes:
            raise ValueError(f"step_minutes must divide a day, got {self.step_minutes}")
        if not self.columns and not self.pivot:
            raise ValueError("columns must name at least one column and what it becomes")
        if self.pivot and (self.pivot.value is None) == (self.day_rows is None):
            raise ValueError("pivot.value must be given, and left out only where day_rows hold the values")
        if self.day_rows and not self.pivot and len(self.columns) != 1:
            raise ValueError(
                "columns must hold one entry for day rows: any word, and the name that the values get"
            )
        if self.day_rows and self.position:
            raise ValueError("position and day_rows are two ways of saying the same; leave one out")
        names = [target.name for target in self.targets().values()]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"columns gives the name {twice[0]!r} to more than one column")
        return self

    def targets(self) -> dict[str, Target]:
        """What each named column becomes."""
        return {
            name: Target(name=given) if isinstance(given, str) else given
            for name, given in self.columns.items()
        }


def shipped_mappings() -> dict[str, Path]:
    """The mappings of public layouts that come with the package, by name."""
    return {path.stem: path for path in sorted(SHIPPED.glob("*.toml"))}


def read_mapping(file: Path | str) -> Mapping:
    """Read a mapping: a TOML file, or the name of a shipped one.

    Raises
    ------
    ScenarioError
        With every fault found: no such file, no TOML, keys unknown, missing or out of bounds.
    """
    path = shipped_mappings().get(str(file), Path(file))
    if not path.is_file():
        known = ", ".join(shipped_mappings())
        raise ScenarioError(str(file), [f"the mapping does not exist. Name a file, or one of: {known}."])
    raw = bounded_bytes(
        path, _MOST_BYTES, "A mapping is a page of text: check which file it is.", ScenarioError
    )
    try:
        table = tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise ScenarioError(str(path), ["it is not text in UTF-8. Save it as UTF-8."]) from None
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(str(path), [f"it is not TOML: {problem}. Correct that place."]) from None
    try:
        return Mapping.model_validate(table)
    except ValidationError as problem:
        raise ScenarioError(str(path), [_sentence(error) for error in problem.errors()]) from None


def _sentence(error: Any) -> str:
    place = ".".join(str(part) for part in error["loc"] if part not in ("str", "Target"))
    came = repr(error.get("input"))[:60]
    if error["type"] == "missing":
        return f"{place} is missing. {_meaning(place)}"
    if error["type"] == "extra_forbidden":
        return f"{place} is not known here. The keys are: {', '.join(Mapping.model_fields)}."
    words = str(error["msg"]).removeprefix("Value error, ")
    if not place:
        return f"{words[0].lower()}{words[1:]}."
    words = words.replace("Input should be", "must be")
    return f"{place}: {words[0].lower()}{words[1:]}, got {came}. {_meaning(place)}".rstrip()


def _meaning(place: str) -> str:
    known = Mapping.model_fields.get(place.split(".")[0])
    return f"It is {known.description}." if known and known.description and "." not in place else ""
