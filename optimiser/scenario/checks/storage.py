"""Banks against inverters and standby: power that cannot be moved, energy that is lost, a life that is short."""

from __future__ import annotations

from collections.abc import Iterator

from optimiser.equipment.laws import standby_kw
from optimiser.scenario.checks.words import shown
from optimiser.scenario.file import Scenario

HOURS_A_YEAR = 8760
SLOW_HOURS = (
    24.0  # a store that takes longer one way is held back by its current, not built so: common practice
)


def strangled(scenario: Scenario) -> Iterator[str]:
    """Current limits at which a bank takes more than a day to fill or to empty."""
    for index, bank in enumerate(scenario.storage):
        for word, current in (("charge", bank.current(out=False)), ("discharge", bank.current(out=True))):
            if current is None:
                continue
            carried = current.most_kw(bank.voltages[1])
            hours = bank.capacity_kwh / carried
            if hours > SLOW_HOURS:
                yield (
                    f"storage.{index}.{current.limit.key} ({bank.name}): {shown(current.amperes)} A in all carry "
                    f"{shown(carried)} kW at the most, so its {shown(bank.capacity_kwh)} kWh take {shown(hours)} "
                    f"hours to {word}; the limit strangles the bank. Check the figure."
                )


def power(scenario: Scenario) -> Iterator[str]:
    """Storage power against inverter power."""
    if not scenario.storage or not scenario.site.inverter:
        return
    site, banks = scenario.site, scenario.storage
    for word, inverters, bank_kw in (
        (
            "discharge",
            sum(i.output_kw / i.output_efficiency for i in site.inverter),
            sum(b.discharge_limit_kw for b in banks),
        ),
        (
            "charge",
            sum(i.input_kw * i.input_efficiency for i in site.inverter),
            sum(b.charge_limit_kw for b in banks),
        ),
    ):
        if bank_kw < inverters * 0.8:
            yield (
                f"storage: the banks {word} at most {shown(bank_kw)} kW, the inverters move "
                f"{shown(inverters)} kW on the DC side; part of the inverters' rating cannot be used from "
                "storage. Add units or smaller inverters."
            )
        elif bank_kw > inverters * 2 and inverters:
            yield (
                f"storage: the banks {word} up to {shown(bank_kw)} kW, the inverters move only "
                f"{shown(inverters)} kW on the DC side; the storage's power cannot be used. Check the "
                "ratings."
            )


def standby(scenario: Scenario) -> Iterator[str]:
    """Standby a year."""
    standby = standby_kw(scenario.site.inverter, scenario.storage)
    if standby:
        yield (
            f"standby of inverters and storage is {shown(standby * 1000)} W, {shown(standby * HOURS_A_YEAR)} "
            "kWh a year; switch units off in idle hours where they allow it."
        )
    elif scenario.site.inverter:
        yield (
            "standby of inverters and storage is 0 W, which real units do not have; give standby_w from the "
            "data sheets (three inverters at 20 W are 526 kWh a year)."
        )


def self_discharge(scenario: Scenario) -> Iterator[str]:
    """Self-discharge of capacitors, high or forgotten."""
    for index, bank in enumerate(scenario.storage):
        rate, place = bank.self_discharge_per_day, f"storage.{index}.self_discharge_per_day ({bank.name})"
        if bank.kind == "capacitor_bank" and rate == 0:
            yield f"{place} is 0; capacitors leak a measurable share a day. Give the data sheet's figure."
        if rate > 0.02:
            yield (
                f"{place} is {rate:.1%}, up to {shown(rate * bank.capacity_kwh)} kWh a day and "
                f"{shown(rate * bank.capacity_kwh * 365)} kWh a year when kept full; check the figure, and "
                "that no reserve is kept for nothing."
            )


def life(scenario: Scenario) -> Iterator[str]:
    """Which end of life comes first: cycles or years."""
    for index, bank in enumerate(scenario.storage):
        if bank.life is None:
            continue
        place, life = f"storage.{index}.life ({bank.name})", bank.life
        a_day = life.cycle_life / (life.calendar_life_years * 365)
        most_a_day = 24 / (bank.capacity_kwh * (1 / bank.charge_limit_kw + 1 / bank.discharge_limit_kw))
        if a_day > most_a_day:
            years = life.cycle_life / (most_a_day * 365)
            yield (
                f"{place}: {shown(life.cycle_life)} cycles last {shown(years)} years even at "
                f"{shown(most_a_day)} full cycles a day, the most its power allows; the calendar life of "
                f"{shown(life.calendar_life_years)} years counts for more. Appraise it on years, not on "
                "cycles."
            )
        elif a_day < 1:
            yield (
                f"{place}: {shown(life.cycle_life)} cycles over {shown(life.calendar_life_years)} years "
                f"are {shown(a_day)} a day; a schedule with one cycle a day wears it out in "
                f"{shown(life.cycle_life / 365)} years. Set wear_per_kwh."
            )
