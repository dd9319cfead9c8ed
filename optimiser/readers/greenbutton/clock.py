"""The local clock that a Green Button file names, in words; starts are UTC, so it moves no reading.

References
----------
.. [1] IEEE Std 2030.5, DstRuleType: the bits of a rule of daylight saving (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from optimiser.readers.greenbutton.resources import Resource, whole_number

_DAYS = ("", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("", "January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_ORDINALS = {2: "first", 3: "second", 4: "third", 5: "fourth", 6: "fifth", 7: "last"}


def dst_rule_words(rule: str) -> str | None:
    """A rule of daylight saving of eight hexadecimal digits in words, or None where it is no such rule.

    From the lowest bit: seconds (12), hour (5), day of week (3, Monday is 1), day of month (5), operator (3: on the
    day of month, on or after it, the first to the last such weekday), month (4) [1]_ of the module.
    """
    if not re.fullmatch("[0-9A-Fa-f]{8}", rule):
        return None
    bits = int(rule, 16)
    seconds, hour, weekday = bits & 0xFFF, bits >> 12 & 0x1F, bits >> 17 & 0x7
    day, operator, month = bits >> 20 & 0x1F, bits >> 25 & 0x7, bits >> 28
    if not 1 <= month <= 12 or hour > 24 or seconds >= 3600:
        return None
    clock = f"{hour:02d}:{seconds // 60:02d}"
    if operator in _ORDINALS and weekday:
        return f"{_ORDINALS[operator]} {_DAYS[weekday]} of {_MONTHS[month]} at {clock}"
    if operator == 1 and weekday and day:
        return f"{_DAYS[weekday]} on or after {day} {_MONTHS[month]} at {clock}"
    if operator == 0 and day:
        return f"{day} {_MONTHS[month]} at {clock}"
    return None


def clock_words(text: dict[str, str]) -> str:
    """The utility's local clock in words; starts are UTC, so it moves no reading."""
    offset, ahead = whole_number(text.get("tzOffset")), whole_number(text.get("dstOffset"))
    if offset is None:
        return "the file does not say its local clock; starts are UTC and need none"
    sign = "-" if offset < 0 else "+"
    zone = f"the file's local clock is UTC{sign}{abs(offset) // 3600:02d}:{abs(offset) % 3600 // 60:02d}"
    start, end = (dst_rule_words(text.get(key, "")) for key in ("dstStartRule", "dstEndRule"))
    if not ahead:
        return zone
    if start and end:
        return f"{zone}, {ahead // 60} min ahead from the {start} to the {end}"
    return f"{zone}, with a rule of daylight saving that cannot be read; starts are UTC and do not need it"


def clock_of(parameters: Sequence[Resource]) -> str:
    """The standard time of the first local clock that the file names, else UTC."""
    for resource in parameters:
        offset = whole_number(resource.text.get("tzOffset"))
        if offset is not None and abs(offset) <= 14 * 3600 and offset % 60 == 0:
            sign = "-" if offset < 0 else "+"
            return f"UTC{sign}{abs(offset) // 3600:02d}:{abs(offset) % 3600 // 60:02d}"
    return "UTC"
