"""A field's unit, bounds and meaning, said once: what scenario files are made of."""

from __future__ import annotations

import datetime
import difflib
import functools
import re
import unicodedata
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictStr, field_validator

REQUIRED = ...
MOST = 1_000_000_000  # a figure beyond it cannot be meant, and would cost a sum of money its cents
# Names of earlier drafts, for the fault that meets one.
RENAMED = {
    "intake_kw": "input_kw",
    "intake_efficiency": "input_efficiency",
    "capture": "without_foresight",
    "ride_through": "outages",
    "programme": "timetable",
    "rectifier_efficiency": "before_efficiency",
}


# What a figure in a unit can hardly be for a site of solar-and-storage cabinets, however rightly it is typed: common
# practice, no source, but for 1,500 V DC, the end of low voltage (IEC 61140). Warned of, never refused.
PLAUSIBLE: dict[str, tuple[float, float]] = {
    "kW": (-20_000.0, 20_000.0),
    "kWp": (0.0, 20_000.0),
    "kVA": (0.0, 20_000.0),
    "kWh": (0.0, 100_000.0),
    "A": (0.5, 20_000.0),
    "V": (1.0, 1500.0),
    "W": (0.0, 10_000.0),
    "ohm": (0.0, 10.0),
    "years": (0.0, 60.0),
    "h": (0.0, 1000.0),
    "full cycles": (100.0, 10_000_000.0),
    "degrees C": (-60.0, 100.0),
    "currency/kWh": (-5.0, 5.0),
    "currency/MWh": (-25_000.0, 25_000.0),
    "currency/kW": (-1000.0, 1000.0),
    "currency/kVA": (-1000.0, 1000.0),
    "currency/day": (-10_000.0, 10_000.0),
}


class Component(BaseModel):
    """A frozen, strict piece of a scenario: unknown keys, wrong types and NaN are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _plain_text(cls, value: Any) -> Any:
        """Every text of every file is one that every result can hold."""
        for words in value if isinstance(value, (list, tuple, dict)) else (value,):
            if isinstance(words, str) and (unfit := unfit_in(words)):
                raise ValueError(f"holds U+{ord(unfit):04X}, which is no character to be read; take it out")
        return value


def unfit_in(words: str) -> str | None:
    """The first character that a page, a table or a spreadsheet cannot hold or show; line ends and tabs are fine.

    References
    ----------
    .. [1] W3C, Extensible Markup Language (XML) 1.0, fifth edition, production [2] Char, which spreadsheets keep to.
    .. [2] The Unicode Standard, chapter 23: control codes (general category Cc), surrogates, noncharacters.
    """
    return next((letter for letter in words if letter not in "\n\t" and _is_unfit(letter)), None)


def _is_unfit(letter: str) -> bool:
    code = ord(letter)
    no_character = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
    return no_character or unicodedata.category(letter) in ("Cc", "Cs")


def quantity(
    unit: str,
    meaning: str,
    *,
    default: Any = REQUIRED,
    at_least: float | None = None,
    above: float | None = None,
    at_most: float | None = None,
    plausible: tuple[float, float] | None = None,
) -> Any:
    """A number with its unit, meaning and bounds.

    Parameters
    ----------
    unit : str
        Shown in messages, the schema and the documentation, "kW" for example; "-" for a pure number.
    meaning : str
        A phrase that completes "this is the ...".
    default : optional
        Left out: the key is required.
    at_least, above, at_most : float, optional
        Inclusive lower, exclusive lower and inclusive upper bound, in `unit`; left out: what can be meant.
    plausible : (float, float), optional
        What is not warned of; left out: what `PLAUSIBLE` says of the unit.
    """
    return Field(
        default=default,
        ge=-MOST if at_least is None and above is None else at_least,
        gt=above,
        le=MOST if at_most is None else at_most,
        description=f"{meaning} [{unit}]",
        json_schema_extra={"unit": unit, **_range(unit, plausible)},
    )


def choice(meaning: str, *, default: Any = REQUIRED) -> Any:
    """One of the words that the type lists."""
    return Field(default=default, description=meaning)


def text(meaning: str, *, default: Any = REQUIRED) -> Any:
    """A name or sentence for people, of at most 400 characters."""
    return Field(default=default, description=meaning, max_length=400)


def column(unit: str, meaning: str, *, default: Any = REQUIRED, at_least: float | None = None) -> Any:
    """A constant number, or "source.column": a column of a data file.

    The bound is checked on every value when the data are read.
    """
    return Field(
        default=default,
        description=f"{meaning}: a number, or source.column of a data file [{unit}]",
        json_schema_extra={"unit": unit, "at_least": at_least, "series": True, **_range(unit, None)},
    )


def _range(unit: str, plausible: tuple[float, float] | None) -> dict[str, Any]:
    found = plausible or PLAUSIBLE.get(unit)
    return {"plausible": list(found)} if found else {}


Column = float | StrictStr


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _as_clock(value: Any) -> Any:
    if isinstance(value, str) and re.fullmatch("[0-2][0-9]:[0-5][0-9]", value):
        total = int(value[:2]) * 60 + int(value[3:])
        if total <= 24 * 60:
            return total
    raise ValueError('must be a clock time between "00:00" and "24:00", four digits in quotes')


def _as_zone(value: Any) -> Any:
    if isinstance(value, str):
        zone_of(value)
    return value


ClockMinutes = Annotated[int, BeforeValidator(_as_clock), Field(json_schema_extra={"type": "string"})]
ZoneName = Annotated[str, BeforeValidator(_as_zone)]


Item = TypeVar("Item")
# A list in a file, held as a tuple.
Several = Annotated[tuple[Item, ...], BeforeValidator(_as_tuple)]


@functools.cache  # the list of all zones is read from disk anew each time it is asked for
def zone_of(name: str) -> datetime.tzinfo:
    """The zone of a name of the tz database, or of a fixed offset such as "UTC+10:00".

    Raises
    ------
    ValueError
        If there is no such zone.
    """
    fixed = re.fullmatch(r"UTC([+-])([0-9]{1,2})(?::([0-9]{2}))?", name)
    if fixed and int(fixed[2]) <= 14 and int(fixed[3] or 0) < 60:
        offset = datetime.timedelta(hours=int(fixed[2]), minutes=int(fixed[3] or 0))
        return datetime.timezone(offset if fixed[1] == "+" else -offset)
    if name in available_timezones():
        return ZoneInfo(name)
    known = {zone.lower(): zone for zone in sorted(available_timezones())}
    near = difflib.get_close_matches(name.lower(), known, 1)
    hint = f'did you mean "{known[near[0]]}"?' if near else 'such as "Europe/Berlin"'
    raise ValueError(f'must be a zone of the tz database ({hint}) or a fixed "UTC+10:00"')
