"""What controllers earn on real prices and homes without knowing what comes: `pytest -m benchmark -s`, a table.

Of each row: what storage adds with perfect foresight (ceiling less no storage), and the share of that which own use,
the worth of stored energy and the choice on the past earn. Printed, not asserted, but for what holds by reason: no
controller passes the ceiling's bound, and the choice runs own use in its first period. Sources of the data stand in
`real_data`, what is invented in `real_sites`.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
import real_sites as sites
from real_sites import Case

from optimiser import settle, solve
from optimiser.accounts.settlement import Statement
from optimiser.control.chosen import Candidate, choose
from optimiser.control.own_use import OwnUse
from optimiser.control.stored_worth import StoredWorth
from optimiser.plant.executed import settled_walk
from optimiser.plant.walk import Plant
from optimiser.scenario.file import Scenario

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.timeout(3000),
    pytest.mark.skipif(
        not all(file.is_file() for file in sites.FILES), reason=f"the real data are not in {sites.real.DATA}"
    ),
]

HEADING = (
    "| prices, contract, site, step | storage adds | own use | stored worth | chosen | ceiling CPU s | walks CPU s |\n"
    "| --- | --- | --- | --- | --- | --- | --- |"
)
REGIONS = ("SA1", "NSW1", "VIC1", "TAS1")
CASES = [
    *(Case("SA1", contract, site, 30) for contract in sites.CONTRACTS[:2] for site in sites.ARRAY_KWP),
    *(
        Case(region, contract, site, 30)
        for contract in sites.CONTRACTS[2:]
        for region in REGIONS
        for site in ("home", "other home")
    ),
    *(Case(region, contract, "three phases", 30) for contract in sites.CONTRACTS[2:] for region in ("NSW1",)),
    Case("NL", sites.CONTRACTS[3], "home", 15, "after"),
    *(Case("ERCOT", contract, "home", 60, "day_ahead") for contract in sites.CONTRACTS[2:]),
    *(Case(region, contract, "home", 5) for contract in sites.CONTRACTS[2:] for region in REGIONS),
]


def without_storage(scenario: Scenario) -> float:
    """The cash of a year of the same site without its store: sun beyond the load is fed in where that pays."""
    load = sum(values for name, values in scenario.columns.items() if name.startswith("data.load"))
    net = np.asarray(load) - scenario.columns["data.sun"]
    pays, gets = scenario.tariff.import_price(scenario.data), scenario.tariff.export_price(scenario.data)
    most = float(np.max(scenario.site.connection.export_limit_kw))
    fed_in = np.where(gets > 0, np.minimum(np.maximum(-net, 0.0), most), 0.0)
    return float((gets * fed_in - pays * np.maximum(net, 0.0)).sum()) * scenario.timeline.step_hours


def cash(statement: Statement) -> float:
    """What is paid and got in the case with the system. [currency]"""
    rows = statement.table
    return float(rows.loc[(rows["case"] == "after") & rows["cash"], "amount"].sum())


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_controllers_earn(case, capsys):
    """A row of the table."""
    scenario = sites.scenario(case)
    begun = time.process_time()
    ceiling = solve(scenario)
    solved = time.process_time()
    choice = choose(Plant(scenario), [Candidate("own use", OwnUse), Candidate("stored worth", StoredWorth)])
    walked = time.process_time()
    made = [settled_walk(ceiling, choice.walk, number) for number in range(3)]
    none, most = without_storage(scenario), settle(ceiling)
    adds = cash(most) - none
    shares = [(cash(one) - none) / adds for one in made]
    told = " | ".join(f"{100 * share:.1f} %" for share in shares)
    with capsys.disabled():
        if case == CASES[0]:
            print(f"\n{HEADING}")
        print(
            f"| {case.name} | {adds:,.0f} | {told} | {solved - begun:.0f} | {walked - solved:.0f} |",
            flush=True,
        )
    assert choice.ran[0] == 0
    for one in made:
        assert one.saving <= most.saving + ceiling.proof.gap_absolute + 1e-6
