"""What stands on the site or is offered for it: the diagram, and sizes in short."""

from __future__ import annotations

import math

from optimiser.report.blocks import Drawing, NamedValues, Section, Text
from optimiser.report.diagram import NOTE, Wired, diagram, in_words
from optimiser.report.results import Results
from optimiser.words import money, number


def section(results: Results) -> Section | None:
    """The site as its scenario has it; None where the results came without."""
    if results.wired is None:
        return None
    shown = Drawing("What is connected to what", in_words(results.wired), diagram(results.wired))
    facts = NamedValues((*sizes(results.wired), *capital(results)))
    return Section("site", "Site", "What it is", (shown, facts, Text(NOTE, tone="quiet")))


def sizes(wired: Wired) -> list[tuple[str, str]]:
    """Solar, storage and inverters summed up."""
    site = wired.site
    pairs = []
    there = [solar.size_kwp for solar in site.ac_solar if solar.existing]
    new = [solar.size_kwp for solar in site.ac_solar if not solar.existing]
    new += [controller.size_kwp for controller in site.solar_controller]
    for words, arrays in (("Solar", new), ("Solar that is there already", there)):
        known = [size for size in arrays if size is not None]
        if known and len(known) == len(arrays):
            pairs.append((words, f"{number(math.fsum(known), 1)} kWp"))
        elif arrays:
            pairs.append((words, f"{len(arrays)} arrays, as their series say"))
    if wired.storage:
        kwh = math.fsum(bank.capacity_kwh for bank in wired.storage)
        pairs.append(("Storage, usable", f"{number(kwh, 1)} kWh"))
    if site.inverter:
        out = math.fsum(inverter.output_kw for inverter in site.inverter)
        into = math.fsum(inverter.input_kw for inverter in site.inverter)
        pairs.append(("Inverters", f"{number(out, 1)} kW out, {number(into, 1)} kW in"))
    return pairs


def capital(results: Results) -> list[tuple[str, str]]:
    """What it costs, where that is given."""
    cost = results.summary.headline.capital_cost
    return [("Capital", money(cost, results.summary.currency))] if cost else []
