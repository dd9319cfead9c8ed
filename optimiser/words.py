"""Numbers, money and dates as people read them; every function takes a value and gives back text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime

MINUS = "\u2212"
NARROW = "\u00a0"  # A no-break space, so that a number and its unit stay on one line.
NOT_KNOWN = "not known"

# ISO 4217:2015, table A.1: currencies whose minor unit is not two decimals (from memory).
MINOR_UNIT_DECIMALS: Mapping[str, int] = {
    "BHD": 3, "CLP": 0, "ISK": 0, "JOD": 3, "JPY": 0, "KRW": 0, "KWD": 3, "OMR": 3, "TND": 3, "VND": 0,
}  # fmt: skip


def is_missing(value: object) -> bool:
    """Whether there is no number to show: None, NaN, or an infinity."""
    return value is None or (isinstance(value, float) and not math.isfinite(value))


def number(value: float | None, decimals: int = 0) -> str:
    """A number with grouped thousands and a true minus sign; minus nothing is nothing."""
    if value is None or is_missing(value):
        return NOT_KNOWN
    text = f"{abs(value):,.{decimals}f}"
    is_zero = not text.strip("0.,")
    return f"{MINUS}{text}" if value < 0 and not is_zero else text


def amount(value: float | None, currency: str) -> str:
    """Money without its currency, for a table whose caption names it."""
    return number(value, MINOR_UNIT_DECIMALS.get(currency, 2))


def money(value: float | None, currency: str) -> str:
    """Money with its currency code in front, to the minor unit."""
    text = amount(value, currency)
    if text == NOT_KNOWN:
        return text
    if text.startswith(MINUS):
        return f"{MINUS}{currency}{NARROW}{text[1:]}"
    return f"{currency}{NARROW}{text}"


def quantity(value: float | None, unit: str, decimals: int | None = None) -> str:
    """A number with its unit; the decimals follow the size unless they are given."""
    if value is None or is_missing(value):
        return NOT_KNOWN
    return f"{number(value, fitting_decimals(value) if decimals is None else decimals)}{NARROW}{unit}"


def fitting_decimals(value: float) -> int:
    """Enough decimals for three or four leading digits of a measured quantity, never a false exactness."""
    size = abs(value)
    if size == 0 or size >= 1000:
        return 0
    if size >= 10:
        return 1
    return 2 if size >= 0.1 else 4


def percent(fraction: float | None, decimals: int = 1) -> str:
    """A fraction as a percentage; one too small for the decimals is said to be smaller, not zero, and one that is
    almost all to be less than that."""
    if fraction is None or is_missing(fraction):
        return NOT_KNOWN
    smallest = 10.0**-decimals
    if 0 < abs(fraction) * 100 < smallest / 2:
        return f"less than {number(smallest, decimals)}{NARROW}%"
    if 0 < 1 - fraction <= smallest / 200:
        return f"more than {number(100 - smallest, decimals)}{NARROW}%"
    return f"{number(fraction * 100, decimals)}{NARROW}%"


def percent_at_most(fraction: float) -> str:
    """A fraction as a percentage of two figures, rounded up, so that "within" never promises too much."""
    if fraction <= 0:
        return f"0{NARROW}%"
    step = 10.0 ** (math.floor(math.log10(fraction * 100)) - 1)
    raised = math.ceil(fraction * 100 / step - 1e-9) * step
    return f"{raised:.2g}{NARROW}%"


def of_turnover(share: float, gap: float, currency: str) -> str:
    """A proven gap as a share of the turnover with the money beside it, both rounded up.

    Parameters
    ----------
    share : float
        Of the turnover; what is below 0.001 % is said to be that. [-]
    gap : float
        The same as money. [currency]
    currency : str
    """
    cents = 10.0 ** MINOR_UNIT_DECIMALS.get(currency, 2)
    whole = math.ceil(gap * cents - 1e-6) / cents
    return f"{percent_at_most(max(share, 1e-5))} of turnover ({money(whole, currency)})"


def tiny(value: float | None) -> str:
    """A tolerance or violation in powers of ten, so that it never rounds to nothing."""
    if value is None or is_missing(value):
        return NOT_KNOWN
    if value == 0:
        return "0"
    if 0.001 <= abs(value) < 1e6:
        return number(value, 4 if abs(value) < 1 else 2)
    mantissa, exponent = f"{abs(value):.1e}".split("e")
    power = int(exponent)
    sign = MINUS if value < 0 else ""
    return f"{sign}{mantissa}{NARROW}×{NARROW}10{'⁻' if power < 0 else ''}{superscript(abs(power))}"


def superscript(value: int) -> str:
    """The digits of a whole number, raised."""
    return str(value).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))


def years(value: float | None) -> str:
    """A length of time in years; None means that the moment never comes."""
    if value is None or is_missing(value):
        return "never"
    return f"{number(value, 0 if float(value).is_integer() else 1)}{NARROW}years"


def day(value: str | date) -> str:
    """A date in words, from ISO 8601 text or a date."""
    moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    return f"{moment.day}{NARROW}{moment:%B}{NARROW}{moment.year}"


def run_span(
    first: str | date, last: str | date, steps: int, step_minutes: float, zone: str, currency: str
) -> str:
    """Which days a run has, which step, which clock, in a sentence."""
    length = f"{steps:,} {step_minutes:g}-minute steps"
    return f"{day(first)} to {day(last)}, {length}, clock of {zone}, money in {currency}."


def significant(value: float, digits: int = 4) -> str:
    """A measured value to so many digits, without zeros at its end; whole numbers are shown whole."""
    size = abs(value)
    if size >= 1e9 or 0 < size < 1e-4:
        return f"{value:.{digits}g}".replace("-", MINUS)
    if value == round(value):
        return number(value)
    decimals = max(0, digits - 1 - math.floor(math.log10(size)))
    text = number(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text


def month(value: str) -> str:
    """A billing period such as 2025-01 in words; any other label is shown as it is."""
    try:
        return f"{datetime.strptime(value, '%Y-%m'):%B %Y}"
    except ValueError:
        return value


def listed(items: list[str]) -> str:
    """Several things as a sentence says them: one, two and three."""
    return "".join(items) if len(items) < 2 else f"{', '.join(items[:-1])} and {items[-1]}"
