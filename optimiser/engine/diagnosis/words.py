"""A sentence for what keeps a scenario from being solved: the limit, the step, the amount, another way out."""

from __future__ import annotations

from typing import Any

from optimiser.columns import of_ac_solar, of_bank
from optimiser.engine.diagnosis.limits import MovableLimit
from optimiser.engine.diagnosis.window import DiagnosisWindow
from optimiser.equipment.laws import current_a
from optimiser.equipment.storage import bank_on_bus
from optimiser.equipment.voltage import voltage_at
from optimiser.scenario.file import Scenario


def finding_of(
    scenario: Scenario, window: DiagnosisWindow, limit: MovableLimit, amount: float, step: int
) -> dict[str, Any]:
    """What is missing, where and when, as figures for the error."""
    rule = rule_words(limit, _phase_that_binds(scenario, window, limit, step))
    return {
        "rule": rule,
        "step": step,
        "when": scenario.timeline.when(step),
        "amount": amount,
        "unit": limit.unit,
    }


def rule_words(limit: MovableLimit, phase: str) -> str:
    """The limit's name, with its phase."""
    return limit.rule.replace("phase {phase}", f"phase {phase}" if phase else "each phase")


def _phase_that_binds(scenario: Scenario, window: DiagnosisWindow, limit: MovableLimit, step: int) -> str:
    """The phase that goes furthest beyond a limit that all share."""
    if "{phase}" not in limit.rule:
        return ""
    sign = 1 if limit.rule.startswith("import") else -1
    nets: dict[str, float] = {
        phase: sign * _net_kw(scenario, window, phase, step) for phase in scenario.site.phase_names
    }
    return max(nets, key=lambda phase: nets[phase])


def _net_kw(scenario: Scenario, window: DiagnosisWindow, phase: str, step: int) -> float:
    """Signed power of a phase in a window's last answer. [kW]"""
    site = scenario.site
    net = float(site.load_kw(scenario.data, phase)[step])
    for system in site.ac_solar:
        net -= site.share(system, phase) * window.value(of_ac_solar(system.name, "solar_kw"), step)
    for inverter in site.inverter:
        name, share = f"inverter.{inverter.name}", site.share(inverter, phase)
        net += share * (window.value(f"{name}.input_kw", step) - window.value(f"{name}.output_kw", step))
    return net


def fixed_kw(scenario: Scenario, step: int) -> float:
    """DC load and standby of everything on the bus. [kW]"""
    return float(scenario.site.dc_needs_kw(scenario.data, scenario.storage)[step])


def asked_for(scenario: Scenario, step: int) -> str:
    """What has to be served in a step, in words."""
    site, data = scenario.site, scenario.data
    loads = {phase: float(site.load_kw(data, phase)[step]) for phase in site.phase_names}
    words = f"a load of {shown_amount(sum(loads.values()))} kW"
    if len(loads) > 1:
        words += " (" + ", ".join(f"{phase} {shown_amount(load)}" for phase, load in loads.items()) + ")"
    fixed = fixed_kw(scenario, step)
    return f"{words} and {shown_amount(fixed)} kW of DC load and standby" if fixed else words


def sentence_of(
    scenario: Scenario,
    window: DiagnosisWindow,
    limit: MovableLimit,
    finding: dict[str, Any],
    others: list[str] | None = None,
    by_itself: bool = True,
) -> str:
    """One finding: what is asked, what is allowed, what is missing, what to do."""
    step, amount, unit, when = finding["step"], finding["amount"], limit.unit, finding["when"]
    value = None if limit.value is None else limit.value(step)
    more = f"{shown_amount(amount)} {unit}"
    beyond = " and the ".join(others or ["other limits"])
    if limit.kind == "wear":
        return (
            f"the {finding['rule']} allows {shown_amount(value or 0)} kWh to be discharged in the month of {when}; to "
            f"serve {asked_for(scenario, step)} takes {more} more by then, counted from "
            f"{scenario.timeline.when(window.first)} on, within the {beyond}. Say {limit.field} = false, or lower what "
            "is asked for."
        )
    if limit.kind == "given":
        return (
            f"the {finding['rule']}, existing solar that nobody commands, is {shown_amount(value or 0)} kW at {when}, "
            f"of which {more} fit nowhere within the {beyond}. Say {limit.field} = true if it may be commanded."
        )
    if limit.kind == "stored":
        fraction = (value or 0.0) - amount
        return (
            f"the {finding['rule']} asks for {shown_amount(value or 0)} kWh at the end of the step of {when}, "
            f"{more} more than can be stored by then within the {beyond}. Lower {limit.field} so that it asks for at "
            f"most {shown_amount(fraction)} kWh."
        )
    allowed = "is too low" if value is None else f"allows {shown_amount(value)} {unit}"
    span = ""
    if not by_itself:
        span = f", counted from {scenario.timeline.when(window.first)} on"
    text = (
        f"the {finding['rule']} {allowed} at {when}; to serve {asked_for(scenario, step)} takes {more} "
        f"more{span}, after all that sun, storage and inverters can do within the {beyond}."
    )
    if value is None:
        return f"{text} Raise {limit.field}{amperes_of(scenario, window, limit, step, amount)}."
    target = f"{shown_amount(value + amount)} {unit}"
    if limit.figure_per_unit is not None:
        target = f"{shown_amount((value + amount) * limit.figure_per_unit)} {limit.limit.unit}"
    return f"{text} Raise {limit.field} to at least {target}, or lower what is asked for."


def amperes_of(
    scenario: Scenario, window: DiagnosisWindow, limit: MovableLimit, step: int, amount_kw: float
) -> str:
    """The current that a power is worth at the bus voltage of a step."""
    bank = bank_on_bus(scenario.storage)
    volts = scenario.site.lowest_bus_voltage(scenario.storage)
    if bank is not None:
        volts = float(voltage_at(bank, window.value(of_bank(bank.name, "stored_kwh"), step)))
    return f" by about {shown_amount(current_a(amount_kw, volts))} A in all (at {shown_amount(volts)} V)"


def alternative_words(limit: MovableLimit, amount: float) -> str:
    """Another limit that would do instead, and by how much."""
    if limit.kind == "wear":
        return f"go {shown_amount(amount)} {limit.unit} beyond the {limit.rule} ({limit.field})"
    verb = "raise" if limit.kind == "most" else "lower"
    return f"{verb} the {rule_words(limit, '')} by {shown_amount(amount)} {limit.unit} ({limit.field})"


def shown_amount(number: float) -> str:
    """Four figures of a number."""
    return f"{number:.4g}"
