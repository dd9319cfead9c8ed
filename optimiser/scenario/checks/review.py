"""Every check of a scenario, one after the other, and what its data files say of themselves."""

from __future__ import annotations

from collections.abc import Iterator

from optimiser.fields import zone_of
from optimiser.scenario.checks import connection, contracts, currents, figures, peaks, services, storage
from optimiser.scenario.file import Scenario


def warnings(scenario: Scenario) -> list[str]:
    """Sentences on hardware, connection and data that deserve a second look; none stops a run.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    list of str
        Each names what was found with its numbers, and what to do.

    References
    ----------
    .. [1] Breakers loaded to 80 % of their rating in continuous duty: common practice, from memory; local
       code governs.
    """
    checks = (
        data_notes,
        figures.forecasts,
        currents.controllers,
        currents.breakers,
        currents.bank_currents,
        connection.against_inverters,
        connection.phases,
        currents.pass_through,
        currents.ac_breakers,
        peaks.loads,
        peaks.kept,
        connection.export,
        storage.power,
        storage.standby,
        storage.self_discharge,
        storage.life,
        contracts.demand_intervals,
        contracts.window_edges,
        services.service_dates,
        services.sellers,
        services.crossing,
        contracts.component_dates,
        contracts.nothing_charged,
        figures.implausible,
        storage.strangled,
        figures.price_units,
        figures.load_units,
        figures.load_without_system,
        figures.sun_units,
    )
    return [words for check in checks for words in check(scenario)]


def data_notes(scenario: Scenario) -> Iterator[str]:
    """What every data file says of itself (repairs, other years, guesses), and what was done to it on reading."""
    for name, table in scenario.tables.items():
        source = table.source
        for words in (*table.warnings, *table.notes):
            yield f"source.{name}: {words}"
        if source.redate != "none":
            own = table.starts.tz_convert(zone_of(source.zone))
            yield (
                f"source.{name}: data of {own[0]:%Y-%m-%d} to {own[-1]:%Y-%m-%d} re-dated to the timeline "
                "by season and weekday (each day takes the nearest day in season of the same weekday)."
            )
        if source.coarsen == "mean" and source.step_minutes < scenario.timeline.step_minutes:
            yield (
                f"source.{name}: {source.step_minutes} min values averaged to {scenario.timeline.step_minutes} min "
                "steps, which hides the spread of prices within a step."
            )
