"""What a run assumes and only comes near, in sentences."""

from __future__ import annotations

from optimiser.accounts.within_step import effect_before
from optimiser.dispatch import Dispatch
from optimiser.equipment.losses import OF_LOSS, OF_POWER
from optimiser.finance import Appraisal
from optimiser.scenario.file import Scenario
from optimiser.words import money, number

LONG_MINUTES = 15  # steps of which the mean hides much


def relaxed_lines(dispatch: Dispatch) -> list[str]:
    """Each sentence of lines that the program only came near, with their names."""
    names: dict[str, list[str]] = {}
    for line in dispatch.lines:
        if line.approximates and line.group != "tax":
            names.setdefault(line.approximates, []).append(line.name)
    return [f"{', '.join(dict.fromkeys(lines))}: {words}" for words, lines in names.items()]


def approximations_of(scenario: Scenario, appraisal: Appraisal | None) -> list[str]:
    """What the scenario's contract, equipment and services assume, and how later years were made."""
    notes = list(appraisal.notes) if appraisal else []
    contracts = dict.fromkeys((scenario.before_tariff, scenario.tariff))
    told = dict.fromkeys(note for tariff in contracts for note in tariff.notes(scenario.timeline))
    notes += [f"Bill: {note}" for note in told]
    for bank in scenario.storage:
        if bank.voltages[0] != bank.voltages[1]:
            notes.append(
                f"Current limits at {bank.name} use straight lines at most 1 % below its true voltage, at "
                "the start "
                "and the end of every step."
            )
        if bank.resistance_ohm:
            near = f"within {OF_LOSS:.0%} of the loss and {OF_POWER:.1%} of its power"
            where = (
                f"at the voltage of the energy in the middle of each step, {near}"
                if bank.voltage_moves_losses
                else "at its voltage, in three straight pieces"
            )
            notes.append(f"Resistance losses of {bank.name} are taken {where}.")
        if bank.measured_points:
            notes.append(f"Losses of {bank.name} follow straight lines between its measured points.")
    if scenario.service:
        alone = [product.name for product in scenario.service if product.bids_alone]
        if len(alone) < len(scenario.service):
            others = "Other offers" if alone else "Offers"
            notes.append(
                f"{others} are a price-taker's, in any kW: steps and minimums are left to an aggregator of many "
                "sites."
            )
        if alone:
            notes.append(f"Steps and least bids are kept exactly, in every block, by {', '.join(alone)}.")
        if any(product.bid_price is not None for product in scenario.service):
            notes.append("A bid clears where the market's mean price of the block is at least the bid.")
        if any(product.from_solar for product in scenario.service):
            notes.append("Down offers count on solar that runs through the whole sustain time being reduced.")
        notes.append(
            "Every offer is held in full, with the whole sustain time, whether or not it is accepted."
        )
    notes += within_step(scenario)
    notes.append("The schedule is constant within each step and knows all prices, load and sun beforehand.")
    return notes


def within_step(scenario: Scenario) -> list[str]:
    """What the mean of a step hides, of steps that are long beside what switches in them."""
    minutes = scenario.timeline.step_minutes
    if minutes < LONG_MINUTES:
        return []
    words = (
        f"Within {minutes} minutes a meter's registers may run both ways, of which the mean shows neither: import and "
        "export are understated by as much each, with the system and without. At one metered home with three phases "
        "netted, 30-minute means hold 8 % less import and 15 % less export than its minutes. Finer data show it, "
        "where there are any"
    )
    found = effect_before(scenario)
    if found is None:
        return [f"{words}; spread_within_step_kw ([settlement]) tells what a spread makes of the bill."]
    imported, exported, paid = found
    spread = scenario.settlement.spread_within_step_kw
    return [
        f"{words}. With a spread of {spread:g} kW, normal about each step's mean, the site without the system would "
        f"import {number(imported)} kWh and export {number(exported)} kWh more over this run and pay "
        f"{money(paid, scenario.file.currency)} more. The store, told to cover own load, would meet what of that its "
        "limits allow; no figure of this run counts on either."
    ]
