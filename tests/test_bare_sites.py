"""Sites that lack most of what a site has: each run ends in a whole report or in a sentence, with every study.

There is nothing to earn or to pay there but what is worked out beside each case by hand.
"""

from __future__ import annotations

from typing import Any

import pytest
from click.testing import CliRunner
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.cli import main
from optimiser.report.blocks import room_for_labels
from optimiser.studies.catalogue import STUDIES

SERVICE = {
    "name": "raise",
    "direction": "up",
    "sustain_hours": 0.5,
    "price": 5.0,
    "price_unit": "per_mw_hour",
}
FLAT = {"kind": "energy_charge", "rate_per_kwh": 0.2}
BARE = {"connection": {"import_limit_kw": 5.0, "export_limit_kw": 5.0}, "load": []}

# What each earns in its day: nothing where nothing can be offered. 1 kW offered for 24 h at 5 per MW and hour is 0.12.
SITES: dict[str, tuple[dict[str, Any], float]] = {
    "one service and no store": ({"site": BARE | {"inverter": [inverter(2.0)]}, "service": [SERVICE]}, 0.0),
    "one service and a store": (
        {
            "site": BARE | {"inverter": [inverter(2.0)]},
            "storage": [battery(2.0, 1.0)],
            "service": [SERVICE],
        },
        0.12,
    ),
    "one service that pays nothing, with costs": (
        {
            "site": BARE | {"inverter": [inverter(2.0)]},
            "storage": [battery(2.0, 1.0)],
            "service": [SERVICE | {"price": 0.0}],
            "cost": {"capital": 1000.0, "life_years": 10, "discount_rate_fraction": 0.0},
        },
        0.0,
    ),
    "no equipment at all": ({"site": BARE}, 0.0),
    "three phases and no load": (
        {
            "site": BARE | {"phases": 3, "registers": "netted", "inverter": [inverter(2.0)]},
            "service": [SERVICE],
        },
        0.0,
    ),
}


@pytest.mark.parametrize("components", [[FLAT], []], ids=["rate", "standing charge of nothing"])
@pytest.mark.parametrize("name", SITES)
def test_a_bare_site_has_its_report(tmp_path, name, components):
    """Without load, sun or flows the page is made, with every study, and the money is what is offered."""
    tables, earned = SITES[name]
    tables = tables | {"site": {"phases": 1} | tables["site"]}
    scenario = optimiser.read_scenario(write_site(tmp_path, table(components=components, **tables), {}))
    made = optimiser.run(scenario, studies=list(STUDIES))
    if earned and not components:
        earned += (
            0.005  # energy is free: the 1 kWh of room is filled in an hour whose charging a call also stops
        )
    assert earned == pytest.approx(made.statement.saving, abs=1e-6)
    optimiser.write_results(made, tmp_path / "out")
    assert (tmp_path / "out" / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


def test_nothing_offered_is_told_with_a_way_out(tmp_path):
    """`activate` on a plan that offers nothing."""
    tables, _ = SITES["one service and no store"]
    folder = write_site(
        tmp_path, table(components=[FLAT], **tables | {"site": {"phases": 1} | tables["site"]}), {}
    )
    done = CliRunner().invoke(main, ["activate", str(folder), "--out", str(tmp_path / "out")])
    assert 2 == done.exit_code
    assert "nothing can be called. Check prices, limits and sustain times of its services." in done.stderr


@pytest.mark.parametrize("values", [[], [0.0]])
def test_an_axis_of_nothing_begins_at_zero(values):
    """A chart without a bar, or with a bar of nothing, has an axis all the same."""
    assert [0.0, 0.0] == room_for_labels(values)
