"""Peak currents of DC loads against what bank, cable and breaker carry."""

from __future__ import annotations

from collections.abc import Iterator

from optimiser.equipment.load import DcLoad
from optimiser.equipment.storage import bank_on_bus
from optimiser.scenario.checks.words import shown
from optimiser.scenario.file import Scenario

MUCH_KEPT = 0.5  # of a bank's energy that peaks lock up: a second look is worth it
CAUTION = "work on the DC side is for a licensed electrician, with the bank isolated"


def loads(scenario: Scenario) -> Iterator[str]:
    """Each load's peak against its cable and breaker, which protects the cable."""
    for index, load in enumerate(scenario.site.dc_load):
        place = f"site.dc_load.{index} ({load.name})"
        yield from _of_load(load, place)


def _of_load(load: DcLoad, place: str) -> Iterator[str]:
    peak, seconds, cable, breaker = load.peak_a, load.peak_seconds, load.cable_a, load.breaker_a
    if cable is not None and breaker is not None and breaker > cable * (1 + 1e-9):
        yield (
            f"{place}: its breaker of {shown(breaker)} A does not protect a cable for {shown(cable)} A; fit a smaller "
            f"breaker or a thicker cable ({CAUTION})."
        )
    if peak is None or seconds is None:
        return
    if cable is None and breaker is None:
        yield (
            f"{place}: its peak of {shown(peak)} A is compared with no cable and no breaker; give cable_a "
            "and breaker_a."
        )
    if cable is not None and peak > cable * (1 + 1e-9):
        yield (
            f"{place}: its peak of {shown(peak)} A for {shown(seconds)} s is above the {shown(cable)} A that its cable "
            "carries continuously; a cable bears short peaks by its heat capacity, so hold duration and how often they "
            f"come against the cable's short-time rating, or take a thicker one ({CAUTION})."
        )
    if breaker is not None and peak > breaker * (1 + 1e-9):
        yield (
            f"{place}: its peak of {shown(peak)} A for {shown(seconds)} s is {peak / breaker:.2f} times its breaker of "
            f"{shown(breaker)} A, which may trip; read the trip curve at {shown(seconds)} s, and take a breaker rated "
            f"for DC at the bus voltage ({CAUTION})."
        )


def kept(scenario: Scenario) -> Iterator[str]:
    """All peaks and what is beside them against the bank, and the energy that they keep from use."""
    site, bank = scenario.site, bank_on_bus(scenario.storage)
    peak = site.peak(scenario.data, scenario.storage)
    if peak is None or bank is None:
        return
    index = scenario.storage.index(bank)
    place = f"storage.{index} ({bank.name})"
    step = int((peak.amperes + peak.beside_a).argmax())
    whole = float(peak.amperes[step] + peak.beside_a[step])
    told = (
        f"{shown(peak.amperes[step])} A of peaks beside {shown(peak.beside_a[step])} A of all else on the bus"
    )
    given, continuous = bank.peak_discharge_a, bank.discharge_current_a
    if given is not None and whole > bank.units * given * (1 + 1e-9):
        yield (
            f"{place}: {told} are {shown(whole)} A, above the {shown(bank.units * given)} A that it gives for seconds; "
            "its protection may open and drop the whole bus. Add units, or keep the inverters lower beside the peak."
        )
    elif given is None and continuous is not None and whole > bank.units * continuous * (1 + 1e-9):
        yield (
            f"{place}: {told} are {shown(whole)} A, above the {shown(bank.units * continuous)} A that it gives "
            f"continuously; take its current for seconds from the data sheet as storage.{index}.peak_discharge_a, or "
            "add units."
        )
    if not bank.peak_ohm:
        yield (
            f"{place}: peaks are drawn from it, but its resistance_ohm is 0, so that its voltage does not fall under "
            "them; give the data sheet's figure, cables and fuses of the bank included."
        )
    share = float(peak.floor_kwh.max()) / bank.capacity_kwh
    if share > MUCH_KEPT:
        yield (
            f"{place}: the peaks keep up to {share:.0%} of its energy from use, so that the voltage holds to their "
            "end; add units or thicker cables, limit the inverters' current, or say when peaks come (peak_when)."
        )
