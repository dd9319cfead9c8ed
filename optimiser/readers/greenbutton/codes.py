"""Codes of the standard, and what they make of the values of a register."""

from __future__ import annotations

from dataclasses import dataclass

from optimiser.readers.greenbutton.resources import Resource, whole_number
from optimiser.readers.readings import ACTUAL, ESTIMATED, SUBSTITUTED, Kind

# Codes of the standard. A unit: what to multiply with for kW or kvar (power) or kWh or kvarh (energy).
ENERGY = {72: "kWh", 73: "kvarh"}
POWER = {38: "kWh", 63: "kvarh"}
UNIT_NAMES = {
    0: "no unit",
    5: "amperes",
    29: "volts",
    42: "cubic metres",
    61: "VA",
    65: "power factor",
    71: "VAh",
    119: "cubic feet",
    128: "US gallons",
    132: "British thermal units",
    134: "litres",
    169: "therms",
}
SERVICES = {0: "electricity", 1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage"}
ELECTRIC = {0, 1, 2}
DELTA = {None, 0, 4}
ACCUMULATIONS = {
    1: "bulk",
    2: "continuous cumulative",
    3: "cumulative",
    6: "indicating",
    9: "summation",
    12: "instant",
}
AVERAGE = 2
PLAIN = {None, 0, 2, 12}
QUALIFIERS = {8: "maximum", 9: "minimum"}
IMPORT = 1
EXPORT = 19
NET = 4
QUALITY_CODES = {
    0: (ACTUAL, "valid"),
    7: (SUBSTITUTED, "edited by hand"),
    8: (ESTIMATED, "estimated from a reference day"),
    9: (ESTIMATED, "estimated by interpolation"),
    10: (ESTIMATED, "questionable"),
    11: (SUBSTITUTED, "derived"),
    12: (ESTIMATED, "projected"),
    13: (SUBSTITUTED, "mixed"),
    14: (ACTUAL, "raw, not validated"),
    15: (SUBSTITUTED, "normalised for weather"),
    16: (SUBSTITUTED, "other"),
    17: (ACTUAL, "validated"),
    18: (ACTUAL, "verified"),
    19: (ACTUAL, "of billing quality"),
}
QUIET = {0, 17, 18, 19}


@dataclass(frozen=True)
class ReadingType:
    """What the values of a register mean."""

    unit: str
    scale: float  # kWh or kvarh of a value of 1, where the value is energy; kW or kvar where it is power
    is_power: bool
    kind: Kind
    length_s: int | None
    quality: int | None
    note: str = ""


MEANING = (
    *("uom", "powerOfTenMultiplier", "flowDirection", "commodity", "accumulationBehaviour"),
    *("dataQualifier", "intervalLength", "defaultQuality"),
)


def codes_of(reading_type: Resource) -> dict[str, int | None]:
    """The codes of a reading type, None where there is none or no whole number."""
    return {key: whole_number(reading_type.text.get(key)) for key in MEANING}


def not_energy(codes: dict[str, int | None]) -> str:
    """Why a register does not hold the energy of intervals of electricity; empty where it does."""
    uom, commodity = codes["uom"], codes["commodity"]
    if commodity is not None and commodity not in ELECTRIC:
        return f"is of commodity {commodity}, not electricity"
    if uom not in ENERGY and uom not in POWER:
        return f"is in {UNIT_NAMES.get(uom or 0, f'unit {uom}')}, not energy of electricity"
    if codes["accumulationBehaviour"] not in DELTA and not (
        uom in POWER and codes["dataQualifier"] == AVERAGE
    ):
        word = ACCUMULATIONS.get(codes["accumulationBehaviour"] or 0, str(codes["accumulationBehaviour"]))
        return f"is a count or a state ({word}), not energy of each interval"
    if codes["dataQualifier"] not in PLAIN:
        word = QUALIFIERS.get(codes["dataQualifier"] or 0, f"qualifier {codes['dataQualifier']}")
        return f"holds no plain values ({word})"
    if uom in POWER and codes["dataQualifier"] != AVERAGE:
        return "is power without a word that it is the average of its interval"
    return ""


WAYS: dict[int, Kind] = {IMPORT: "import", EXPORT: "export", NET: "net"}
REACTIVE_WAYS: dict[int, Kind] = {IMPORT: "reactive import", EXPORT: "reactive export"}


def direction_of(code: int | None, unit: str) -> Kind:
    """Which way the energy of a register went, by `flowDirection`."""
    return (REACTIVE_WAYS if unit == "kvarh" else WAYS).get(code or 0, "unknown")
