"""Products of real markets: their files, how a scenario takes them, and their rules against figures from outside.

Prices are invented unless a test names real ones, which lie beside the checkout (see real_data.py) and are skipped
where they are not.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import real_data as real
from click.testing import CliRunner
from conftest import SPOT, battery, inverter, table, write_site
from scipy import optimize

import optimiser
from optimiser import read_scenario, solve, vary
from optimiser.cli import main
from optimiser.dispatch import Dispatch
from optimiser.errors import ScenarioError
from optimiser.scenario.checks.review import warnings
from optimiser.services.product import Product
from optimiser.services.product_sets import as_product, in_force, product_sets

VERSIONS = [
    pytest.param(table, id=f"{one.name}/{name} {number}")
    for one in product_sets().values()
    for name, many in one.versions.items()
    for number, table in enumerate(many)
]


def rules_of(name: str, day: datetime.date = datetime.date(2026, 1, 1)) -> Product:
    """A shipped product as it stands on a day."""
    group, _, product = name.partition("/")
    found = in_force(product_sets()[group].versions[product], day, day + datetime.timedelta(days=1))
    assert 1 == len(found)
    return as_product(found[0])


def unit(
    folder: Path,
    services: Sequence[Mapping[str, Any]],
    columns: Mapping[str, Sequence[float]],
    *,
    components: Sequence[Mapping[str, Any]] = (),
    kw: float = 1000.0,
    kwh: float = 8000.0,
    efficiency: float = 1.0,
    start: str = "2025-01-01",
    days: int = 1,
    zone: str = "UTC",
    site: Mapping[str, Any] | None = None,
    store: Mapping[str, Any] | None = None,
    step_minutes: int = 60,
) -> optimiser.Scenario:
    """A plain single-phase unit: one inverter, one battery, no load."""
    whole = {
        "phases": 1,
        "connection": {"import_limit_kw": 3 * kw, "export_limit_kw": 3 * kw},
        "inverter": [inverter(kw, efficiency)],
        **(site or {}),
    }
    text = table(
        start=start, days=days, zone=zone, site=whole, components=components, step_minutes=step_minutes,
        storage=[battery(kwh, 2 * kw, **(store or {}))], service=services,
    )  # fmt: skip
    first = pd.Timestamp(start, tz=zone).isoformat()
    return read_scenario(write_site(folder, text, columns, step_minutes, first))


def offered(made: Dispatch, name: str) -> np.ndarray:
    """What a product offers. [kW]"""
    return next(np.asarray(offer.offered_kw) for offer in made.offers if offer.product.name == name)


def hours(count: int, *first: float) -> np.ndarray:
    """A few values, zero after."""
    return np.r_[np.asarray(first, float), np.zeros(count - len(first))]


# --- the files ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rules", VERSIONS)
def test_every_shipped_product_is_whole_dated_and_sourced(rules):
    """Each has a source, a day of its rules, and marks that name its own keys."""
    product = as_product(rules)
    assert product.source
    assert product.rules_as_of is not None
    assert set(product.from_memory) <= rules.keys()
    marked = {rule.heading for rule in product.rules_in_words() if rule.from_memory}
    assert bool(marked) == bool(set(product.from_memory) - {"rules_as_of"})


def test_contingency_is_credited_what_a_droop_gives():
    """1.7 % of 50 Hz beyond a dead band of 0.015 Hz: half a hertz calls for 0.485 / 0.85 of the rating.

    Source: AEMO, 2025, read second hand; the mark says that what is registered follows from it is from memory.
    """
    for name, versions in product_sets()["nem"].versions.items():
        for rules in versions if "regulation" not in name else ():
            assert pytest.approx((0.5 - 0.015) / (0.017 * 50), abs=1e-4) == rules["derating"]
            assert "derating" in rules["from_memory"]


@pytest.mark.parametrize(
    ("day", "as_of"),
    [("2023-10-08", "2017-05-01"), ("2023-10-09", "2023-10-09"), ("2025-01-01", "2023-10-09")],
)
def test_the_rules_of_fast_services_changed_on_a_day(day, as_of):
    """The multiplier for fast services fell away on 9 October 2023. Source: operator's frequently asked questions."""
    first = datetime.date.fromisoformat(day)
    (rules,) = in_force(
        product_sets()["nem"].versions["raise 6 s"], first, first + datetime.timedelta(days=1)
    )
    assert as_of == str(rules["rules_as_of"])


@pytest.mark.parametrize(
    ("product", "more", "words"),
    [
        ("nem/raise regulation", {}, "may be sold by scheduled units only"),
        ("nem/raise regulation", {"sold_as": "scheduled"}, "needs 5,000 kW registered"),
        ("nem/raise 6 s", {"bid_by": "site"}, "needs 1,000 kW registered"),
        ("nem/raise 6 s", {}, None),
    ],
)
def test_a_site_is_told_what_it_may_not_sell(tmp_path, product, more, words):
    """Regulation is in effect sold by large scheduled units: trade press, 2024. 1 MW: service specification, second
    hand; 5 MW: from memory. A site of 10 kW behind an aggregator may sell contingency services.
    """
    scenario = unit(tmp_path, [{"product": product, "price": 3.0} | more], {}, kw=10.0, kwh=10.0)
    told = [said for said in warnings(scenario) if said.startswith("service.0")]
    assert (told == []) if words is None else any(words in said for said in told), told


@pytest.mark.parametrize("one", product_sets().values(), ids=product_sets().keys())
def test_versions_of_a_product_follow_each_other_without_overlap(one):
    """A day has one version at most."""
    for many in one.versions.values():
        for earlier, later in itertools.pairwise(many):
            assert earlier["valid_until"] <= later["valid_from"]


@pytest.mark.parametrize(
    ("name", "mwh"),
    [
        ("ercot/regulation up", 0.5),
        ("ercot/responsive reserve", 0.5),
        ("ercot/contingency reserve", 1.0),
        ("ercot/fast frequency response", 0.25),
        ("ercot/non-spinning reserve", 4.0),
        ("continental/FCR", 0.25),
        ("nem/raise 6 s", 1 / 6),
        ("gb/containment low", 0.25),
    ],
)
def test_energy_that_one_megawatt_holds(tmp_path, name, mwh):
    """A full lossless store of that energy can offer 1 MW, one of 1 % less offers 1 % less.

    Sources: ERCOT NPRR 1282 (April 2025) and 1339 (May 2026): regulation and responsive reserve 30 min, contingency
    reserve 1 h; fast response 15 min and non-spinning 4 h by a report of the stakeholder meeting. TenneT, FCR Manual
    for BSPs, V3.10, section 3.2: 15 min each way. Ten minutes of the contingency chain: Prakash and others 2022.
    Great Britain: 15 min, system operator's Service Terms, second hand.
    """
    product = rules_of(name)
    assert mwh == pytest.approx(product.sustain_hours)
    both = product.direction == "symmetric"
    for share in (1.0, 0.99):
        scenario = unit(
            tmp_path / str(share),
            [{"product": name, "price": 10.0, "most_kw": 1000.0, "derating": 1.0}],
            {},
            kw=2000.0,
            kwh=1000 * mwh * share * (2 if both else 1),
            store={"start_fraction": 0.5 if both else 1.0},
            start="2026-01-01",
        )
        np.testing.assert_allclose(offered(solve(scenario), product.name), 1000 * share, rtol=1e-6)


def test_rating_behind_one_megawatt_of_fcr(tmp_path):
    """A unit of limited energy rated 1.25 MW sells 1 MW of FCR, 0.25 MWh each way.

    Source: TenneT, FCR Manual for BSPs, V3.10, section 3.2.5, rating to prequalified power at least 1.25 to 1.
    """
    scenario = unit(tmp_path, [{"product": "continental/FCR", "price": 10.0}], {}, kw=1250.0, kwh=4000.0,
                    store={"start_fraction": 0.5})  # fmt: skip
    np.testing.assert_allclose(offered(solve(scenario), "FCR"), 1000.0, rtol=1e-6)


@pytest.mark.parametrize(
    ("kind", "mwh", "mw"), [("containment", 5, 2), ("moderation", 10, 4), ("regulation", 20, 8)]
)
def test_power_kept_to_recover_dynamic_response(tmp_path, kind, mwh, mw):
    """20 MW of low response needs 5, 10, 20 MWh and keeps 2, 4, 8 MW of the other direction.

    A fifth of the response energy in each half hour: system operator's Service Terms and state-of-energy guidance,
    second hand. A unit that can take in just that power sells 20 MW; one that can take in half of it sells 10.
    """
    product = rules_of(f"gb/{kind} low")
    assert mwh == pytest.approx(20 * product.sustain_hours)
    assert mw == pytest.approx(20 * product.opposite_share)
    for share in (1.0, 0.5):
        one = inverter(20_000.0) | {"input_kw": 1000.0 * mw * share}
        scenario = unit(
            tmp_path / str(share),
            [{"product": f"gb/{kind} low", "price": 10.0}],
            {},
            kw=20_000.0,
            kwh=1e6,
            site={"inverter": [one]},
            store={"start_fraction": 0.5, "wear_per_kwh": 1.0},
            start="2025-01-02",
        )
        # Power that stops flowing out counts too: wear keeps the unit at rest.
        assert pytest.approx(20_000 * share, rel=1e-6) == offered(solve(scenario), product.name)[3:20].min()


# --- how a scenario takes them ------------------------------------------------------------------------------------


def test_a_service_takes_the_rules_of_its_product_and_its_own_keys_win(tmp_path):
    """What the scenario says itself is from its writer, not from memory."""
    given = {"product": "nem/raise 1 s", "price": 3.0, "full_response_s": 2.0, "name": "quick"}
    (product,) = unit(tmp_path, [given], {}).service
    assert "contingency raise" == product.response_group
    assert 2.0 == product.full_response_s
    assert "quick" == product.name
    assert "full_response_s" not in product.from_memory
    assert "price_unit" in product.from_memory


@pytest.mark.parametrize(
    ("given", "hint"),
    [
        ("nem/rise 6 s", 'did you mean "nem/raise 6 s"?'),
        ("nen/raise 6 s", 'did you mean "nem/raise 6 s"?'),
        ("nordic/xyz", "that set has FCR-N."),
        ("mars", "the sets are continental, ercot"),
        (7, "must be text in quotes"),
    ],
)
def test_a_product_that_does_not_exist_is_named_with_a_way_out(tmp_path, given, hint):
    """Beside the other faults of the file, at the place where the file has it."""
    services = [{"product": "nem/raise 6 s", "price": 1.0}, {"product": given, "price": 1.0}]
    services.append({"product": "nem/lower 6 s", "price": 1.0, "site_share": 2.0})
    with pytest.raises(ScenarioError) as caught:
        unit(tmp_path, services, {})
    about = [fault for fault in caught.value.faults if fault.startswith("service.1.product")]
    assert 1 == len(about)
    assert hint in about[0]
    assert any(fault.startswith("service.2.site_share must be at most 1") for fault in caught.value.faults)


def texas(folder: Path, start: str, days: int, **more: Any) -> optimiser.Scenario:
    """A unit with 1 MWh that sells contingency reserve in Texas."""
    given = [{"product": "ercot/contingency reserve", "price": 10.0} | more]
    return unit(folder, given, {}, kwh=1000.0, store={"start_fraction": 1.0}, start=start, days=days,
                zone="America/Chicago")  # fmt: skip


def test_a_rule_that_changes_within_the_timeline_holds_on_its_days(tmp_path):
    """A full MWh carries 0.5 MW for two hours until 4 December 2025 and 1 MW for one hour from the next day.

    The durations: ERCOT NPRR 1282; the day of the change is from memory.
    """
    made = solve(texas(tmp_path, "2025-12-03", 4))
    before, after = offered(made, "contingency reserve"), offered(made, "contingency reserve from 2025-12-05")
    np.testing.assert_allclose(before, np.repeat([500, 0], 48), atol=1e-6)
    np.testing.assert_allclose(after, np.repeat([0, 1000], 48), atol=1e-6)
    assert pytest.approx(48 * 5 + 48 * 10) == made.proof.settled


def test_the_version_in_force_is_taken_and_another_timeline_takes_another(tmp_path):
    """Changing the days of a scenario changes the rule; days before the first version sell nothing."""
    scenario = texas(tmp_path, "2024-06-01", 1)
    assert 2.0 == scenario.service[0].sustain_hours
    later = vary(scenario, {"timeline.start": datetime.date(2026, 6, 1)})
    assert [1.0] == [product.sustain_hours for product in later.service]
    early = vary(scenario, {"timeline.start": datetime.date(2022, 6, 1)})
    assert 0.0 == solve(early).proof.settled


def test_faults_of_a_service_with_two_versions_are_said_once_at_its_place(tmp_path):
    """The file has one service where the program has two."""
    with pytest.raises(ScenarioError) as caught:
        texas(tmp_path, "2025-12-03", 4, price="missing.price", site_share=3.0)
    assert 1 == sum("site_share" in fault for fault in caught.value.faults)
    with pytest.raises(ScenarioError) as caught:
        texas(tmp_path / "other", "2025-12-03", 4, price="missing.price")
    assert ["service.0.price"] == [fault.split(" = ")[0] for fault in caught.value.faults]


def test_the_command_lists_sets_and_rules():
    """Names, dates, sources and marks; a name that does not exist is answered with one that does."""
    every = CliRunner().invoke(main, ["products"])
    assert 0 == every.exit_code
    assert all(f"{name}:" in every.output for name in product_sets())
    one = CliRunner().invoke(main, ["products", "ercot"])
    assert "until before 2025-12-05 *" in one.output
    assert "NPRR" in one.output or "Protocol Revision" in one.output
    wrong = CliRunner().invoke(main, ["products", "ercto"])
    assert 2 == wrong.exit_code
    assert "Did you mean ercot?" in wrong.output


def test_the_report_shows_rules_and_marks(tmp_path):
    """A figure from memory is marked in the services section."""
    folder = tmp_path / "site"
    daily = [{"kind": "daily_charge", "rate_per_day": 1.0}]
    unit(folder, [{"product": "nem/raise 1 s", "price": 3.0}], {}, components=daily)
    made = optimiser.run(folder)
    paths = optimiser.write_results(made, tmp_path / "results")
    words = paths["report"].read_text(encoding="utf-8")
    assert "within 1 s †" in words
    assert "FCAS Model in NEMDE" in words


# --- the operator's worked example --------------------------------------------------------------------------------

SOURCE_OF_EXAMPLE = "AEMO, FCAS Model in NEMDE, May 2017, appendix A"


def slope(width: float, most: float) -> float:
    """MW of energy given up for each MW of the service (section 6.2 of the guide)."""
    return width / most


def example_program() -> optimize.OptimizeResult:
    """Appendix A.2 as a program of its own: energy, raise and lower regulation, raise and lower 5 minutes."""
    most_raise, raise_end = (
        min(100, 3 * 5),
        min(680, 670),
    )  # appendix A.1: scaled to the ramp and the AGC limit
    most_lower, lower_start = min(100, 2 * 5), max(300, 280)
    assert (15, 670, 656.5) == (most_raise, raise_end, raise_end - most_raise * slope(680 - 590, 100))
    assert (10, 300, 310) == (most_lower, lower_start, lower_start + most_lower * slope(400 - 300, 100))
    assert 1.0 == slope(690 - 624, 66)
    assert 0.0 == slope(690 - 690, 76)
    assert 1.0 == slope(366 - 290, 76)
    assert 0.1515 == pytest.approx(slope(300 - 290, 66), abs=5e-5)
    up, down = 450 + 3 * 5, 450 - 2 * 5
    assert (465, 440) == (up, down)
    rows = [  # E, RReg, R5, LReg, L5
        ([1, 1, 0, 0, 0], up),
        ([-1, 0, 0, 1, 0], -down),
        ([1, 1, slope(690 - 624, 66), 0, 0], 690),
        ([-1, 0, slope(300 - 290, 66), 1, 0], -290),
        ([1, 1, 0, 0, slope(690 - 690, 76)], 690),
        ([-1, 0, 0, 1, slope(366 - 290, 76)], -290),
        ([1, slope(680 - 590, 100), 0, 0, 0], raise_end),
        ([-1, 0, 0, slope(400 - 300, 100), 0], -lower_start),
    ]
    return optimize.linprog(
        [-20, -2, -2, -2, -2],
        A_ub=[row for row, _ in rows],
        b_ub=[limit for _, limit in rows],
        bounds=[(0, 690), (0, most_raise), (0, 66), (0, most_lower), (0, 76)],
    )


def equivalent(folder: Path, planned: float, **most: float) -> Dispatch:
    """The example's unit between 290 and 690 MW as a battery between 0 and 400, in kW for MW.

    What the operator's ramp allows for the energy target is a load that the unit may save at 20; services of 2 each,
    the 5-minute ones in a group of their own beside regulation. The example's slopes are 1, as here, or 0.
    """
    directions = {"RReg": "up", "R5": "up", "LReg": "down", "L5": "down"}
    services = [
        {
            "name": name,
            "direction": directions[name],
            "sustain_hours": 1 / 12,
            # Regulation is given first, so that what is left for the other is the term of the example.
            "price": 2.0 if len(most) == 4 else 3.0 - 2 * (number > 0),
            "price_unit": "per_mw_hour",
            "most_kw": kw,
        }
        for number, (name, kw) in enumerate(most.items())
    ]
    site = {
        "inverter": [inverter(400.0) | {"input_kw": 0.0}],
        "load": [{"power_kw": planned - 290}],
        # Nothing else is gained by exporting than room for services that lower: it is shut where those are alone.
        "connection": {
            "import_limit_kw": 1000.0,
            "export_limit_kw": 400.0 if {"RReg", "R5"} & most.keys() else 0.0,
        },
    }
    saved = [{"kind": "energy_charge", "rate_per_kwh": 0.020}]
    scenario = unit(folder, services, {}, components=saved, kw=400.0, kwh=1e5, site=site,
                    store={"start_fraction": 0.5, "end_fraction": 0.0})  # fmt: skip
    return solve(scenario)


def test_the_operators_example_is_met_by_an_equivalent_plant(tmp_path):
    """E 465, RReg 0, R5 66, LReg 10, L5 76, worth 20 E + 2 (sum of services) = 9,604 an hour.

    Source: SOURCE_OF_EXAMPLE, A.1 and A.2, solved here as a program of its own and by the package's rules.
    """
    found = example_program()
    np.testing.assert_allclose(found.x, [465, 0, 66, 10, 76], atol=1e-6)
    assert pytest.approx(9604) == -found.fun
    # With the target at 465, the ramp leaves 465 - 465 = 0 of raise regulation.
    made = equivalent(tmp_path, 465.0, RReg=0.0, R5=66.0, LReg=10.0, L5=76.0)
    for name, kw in {"RReg": 0, "R5": 66, "LReg": 10, "L5": 76}.items():
        np.testing.assert_allclose(offered(made, name), kw, atol=1e-6)
    np.testing.assert_allclose(made.values["meter.import_kw"], 0.0, atol=1e-6)
    saved = 24 * 0.020 * (465 - 290)
    services = made.proof.settled  # nothing is imported, so the rest is income from services
    assert pytest.approx(9604 * 24 / 1000) == 24 * 0.020 * 290 + saved + services


@pytest.mark.parametrize(
    ("first", "kw", "second", "left"),
    [
        ("RReg", 10, "R5", 690 - 455 - 10),
        ("LReg", 10, "L5", 455 - 10 - 290),
        ("R5", 50, "RReg", 690 - 455 - 50),
        ("L5", 50, "LReg", 455 - 50 - 290),
    ],
)
def test_terms_of_availability_at_a_point(tmp_path, first, kw, second, left):
    """At E 455 the joint capacity leaves 225 for R5, 155 for L5, 185 for raise and 115 for lower regulation.

    Source: SOURCE_OF_EXAMPLE, A.4 (terms worked from its limits with slopes of 1); the maxima of 66, 76, 15 and 10 and
    the ramp's 10 and 15, which bind before them, are left out so that the joint capacity is seen.
    """
    made = equivalent(tmp_path, 455.0, **{first: kw, second: 1000.0})
    np.testing.assert_allclose(offered(made, first), kw, atol=1e-6)
    np.testing.assert_allclose(offered(made, second), left, rtol=1e-6)


def test_the_erratum_of_the_operators_example():
    """The own upper slope leaves (670 - 455)/0.9 = 238.9 MW, not the printed 193.5, which inverts the slope.

    Source: SOURCE_OF_EXAMPLE, A.4, corrected by its own section 6.2. At 680 MW, above 670, the unit is stranded.
    """
    own = (670 - 455) / slope(680 - 590, 100)
    assert 238.9 == pytest.approx(own, abs=0.05)
    assert 193.5 == pytest.approx((670 - 455) / (1 / slope(680 - 590, 100)), abs=0.05)
    assert 10 == min(15, 465 - 455, 690 - 455 - 50, 690 - 455, own)
    assert 670 - 680 < 0


# --- bids, steps, bundles, solar ----------------------------------------------------------------------------------


def paid(folder: Path, **more: Any) -> Dispatch:
    """1 MW offered in blocks of two hours at prices of 5 and 15, 12, and 4 per MW and hour, else nothing."""
    columns = {"price": hours(24, 5, 15, 12, 12, 4, 4)}
    given = {"name": "up", "direction": "up", "sustain_hours": 0.25, "price": "data.price"}
    given |= {"price_unit": "per_mw_hour", "block_minutes": 120, "most_kw": 1000.0}
    return solve(unit(folder, [given | more], columns))


@pytest.mark.parametrize(
    ("more", "income"),
    [
        ({}, 5 + 15 + 24 + 8),
        ({"bid_price": 10.0}, 5 + 15 + 24),
        ({"bid_price": 10.0, "pricing": "pay_as_bid"}, 4 * 10),
        ({"bid_price": 11.0, "pricing": "pay_as_bid"}, 2 * 11),
        ({"bid_price": 20.0, "pricing": "pay_as_bid"}, 0),
    ],
)
def test_bids_clear_by_the_mean_of_their_block(tmp_path, more, income):
    """The first block's mean is 10, the second's 12, the third's 4 (worked by hand)."""
    assert pytest.approx(income) == paid(tmp_path, **more).proof.settled


def test_what_does_not_clear_holds_nothing(tmp_path):
    """Acceptance is known before delivery: in blocks that do not clear the offer is zero."""
    np.testing.assert_allclose(
        offered(paid(tmp_path, bid_price=10.0), "up"), np.r_[np.full(4, 1000.0), np.zeros(20)], atol=1e-6
    )


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"pricing": "pay_as_bid"}, "needs bid_price"),
        ({"gate_time": "10:00"}, "gate_days_before and gate_time go together"),
        ({"gate_days_before": 1, "gate_time": "10:00", "gate_minutes_before": 5}, "two ways"),
        ({"from_memory": ["sustain_hour"]}, "no key of a product"),
        ({"from_solar": True}, "gives down power"),
        ({"price_unit": "per_mw_block", "block_minutes": 30}, "holds several blocks of 30 min"),
    ],
)
def test_rules_that_do_not_fit_are_refused(tmp_path, more, words):
    """Each with what to do."""
    with pytest.raises(ScenarioError, match=words):
        paid(tmp_path, **more)


@pytest.mark.parametrize(("bid_by", "kw"), [("aggregator", 2700.0), ("site", 2000.0)])
def test_whole_steps_are_the_sites_own_or_an_aggregators(tmp_path, bid_by, kw):
    """A unit of 2.7 MW sells 2.7 MW of 1 MW steps behind an aggregator and 2 MW by itself."""
    given = [{"product": "nem/raise 6 s", "price": 5.0, "bid_by": bid_by, "derating": 1.0}]
    full = {"start_fraction": 1.0, "wear_per_kwh": 1.0}
    made = solve(unit(tmp_path, given, {}, kw=2700.0, store=full))
    np.testing.assert_allclose(offered(made, "raise 6 s"), kw, atol=1e-5)


def test_products_that_are_bundled_earn_as_if_they_were_not(tmp_path):
    """Four contingency services of a direction share one column; limits that never bind keep them apart."""
    random = np.random.default_rng(3)
    names = [f"{way} {speed}" for way in ("raise", "lower") for speed in ("1 s", "6 s", "60 s", "5 min")]
    columns = {f"p{number}": random.uniform(-3, 20, 48) for number in range(8)}
    columns["price"] = random.uniform(-50, 150, 48)
    made = []
    for apart in (False, True):
        services = [
            {"product": f"nem/{name}", "price": f"data.p{number}"}
            | ({"most_kw": 5000.0 + number} if apart else {})
            for number, name in enumerate(names)
        ]
        folder = tmp_path / str(apart)
        made.append(
            solve(unit(folder, services, columns, components=SPOT, days=2, kwh=1500.0, efficiency=0.95))
        )
    assert 2 == len({offer.bundle for offer in made[0].offers})
    assert 8 == len({offer.bundle for offer in made[1].offers})
    assert made[1].proof.settled == pytest.approx(made[0].proof.settled, rel=1e-7)


SUNNY = hours(24, 5, 3, 4)


def sunny(folder: Path, roof: str, from_solar: bool, sustain_hours: float) -> np.ndarray:
    """Down offers of a battery without power that sells its solar of 5, 3 and 4 kW at 10 a kWh. [kW]"""
    part = {"name": "roof", "available_kw": "data.sun"}
    site = {
        "inverter": [inverter(10.0, 0.95)],
        "ac_solar": [part | {"phase": "all"}] if roof == "ac" else [],
        "solar_controller": [part | {"efficiency": 1.0}] if roof == "dc" else [],
    }
    given = {"name": "lower", "direction": "down", "sustain_hours": sustain_hours, "from_solar": from_solar}
    given |= {"price": 100.0, "price_unit": "per_mw_hour"}
    sold = [{"kind": "feed_in", "rate_per_kwh": 10.0}]
    scenario = unit(folder, [given], {"sun": SUNNY}, components=sold, kw=10.0, kwh=10.0, site=site,
                    store={"charge_kw": 1e-9, "discharge_kw": 1e-9})  # fmt: skip
    return offered(solve(scenario), "lower")


@pytest.mark.parametrize(("roof", "worth"), [("ac", 1.0), ("dc", 0.95)])
def test_down_power_from_solar_needs_no_room_in_the_store(tmp_path, roof, worth):
    """A store that can take nothing offers nothing by itself, and all solar that runs where that may be reduced.

    What lasts for 1.5 h is the lesser of the sun in its hour and the next (worked by hand).
    """
    np.testing.assert_allclose(sunny(tmp_path / "a", roof, False, 0.25), 0.0, atol=1e-6)
    np.testing.assert_allclose(sunny(tmp_path / "b", roof, True, 0.25), worth * SUNNY, atol=1e-5)
    np.testing.assert_allclose(sunny(tmp_path / "c", roof, True, 1.5), worth * hours(24, 3, 3, 0), atol=1e-5)


# --- a year of every set, recomputed from the exported table --------------------------------------------------------


def recomputed(frame: pd.DataFrame, prices: pd.DataFrame, product: Product, share: float) -> float:
    """Income of a product from the exported offers and the price file's rows, by the calendar of pandas alone."""
    kw, price = frame[f"service.{product.name}.offer_kw"].to_numpy(), prices[product.name].to_numpy()
    if product.pricing == "pay_as_bid":
        price = np.full(len(kw), BID)
    if product.price_unit == "per_mw_block":
        local = frame.index.tz_convert(product.zone)
        names = local.strftime("%Y-%m-%d ") + (local.hour // 4).astype(str)
        price = price / pd.Series(1.0, index=names).groupby(level=0).sum().loc[names].to_numpy()
    return float(price @ kw) / 1000 * share


BID = 12.0
ZONES = {"nem": "Australia/Adelaide", "continental": "Europe/Berlin", "gb": "Europe/London",
         "ercot": "America/Chicago", "nordic": "Europe/Copenhagen", "two-way": "America/New_York"}  # fmt: skip
CLOCK_CHANGES = {  # two days before each of 2025
    "Australia/Adelaide": ("2025-04-04", "2025-10-03"),
    "Europe/Berlin": ("2025-03-28", "2025-10-24"),
    "Europe/London": ("2025-03-28", "2025-10-24"),
    "Europe/Copenhagen": ("2025-03-28", "2025-10-24"),
    "America/Chicago": ("2025-03-07", "2025-10-31"),
    "America/New_York": ("2025-03-07", "2025-10-31"),
}


@pytest.mark.parametrize(
    "days",
    [
        pytest.param(5, id="five days about each clock change"),
        pytest.param(365, id="the year", marks=pytest.mark.slow),
    ],
)
@pytest.mark.parametrize("name", product_sets())
def test_income_is_recomputed_from_the_exported_dispatch(tmp_path, name, days):
    """2025 by the hour with both clock changes: every product of a set beside arbitrage, from a plain 1 MW unit."""
    changed = set()
    for start in ["2025-01-01"] if days == 365 else CLOCK_CHANGES[ZONES[name]]:
        changed |= income_is_recomputed(tmp_path / start, name, start, days)
    assert changed == {23, 25}


def income_is_recomputed(folder: Path, name: str, start: str, days: int) -> set[int]:
    """Compare every product's income with the exported dispatch, and tell which lengths of day but 24 h it held."""
    one, random = product_sets()[name], np.random.default_rng(11)
    zone = ZONES[name]
    first = pd.Timestamp(start, tz=zone)
    steps = round((first + pd.DateOffset(days=days) - first) / pd.Timedelta("1h"))
    names = list(one.versions)
    block = np.repeat(random.lognormal(2.5, 0.6, (steps // 4 + 1, len(names))), 4, axis=0)[:steps]
    prices = pd.DataFrame(block, columns=names)
    columns = {f"p{number}": prices[product] for number, product in enumerate(names)}
    columns["price"] = 60 + 40 * np.sin(np.arange(steps) * np.pi / 12) + random.normal(0, 15, steps)
    services = []
    for number, product in enumerate(names):
        more = {"bid_price": BID, "delivered_price_per_mwh": 50.0} if product.startswith("aFRR") else {}
        services.append(
            {"product": f"{name}/{product}", "price": f"data.p{number}", "site_share": 0.8} | more
        )
    unit(folder, services, columns, components=SPOT, kw=1000.0, kwh=2000.0, efficiency=0.95, start=start,
         days=days, zone=zone, store={"wear_per_kwh": 0.01})  # fmt: skip
    made = optimiser.run(vary(read_scenario(folder), {"solve.gap_tolerance": 1e-4}))
    frame = pd.read_parquet(optimiser.write_results(made, folder / "results")["dispatch_parquet"])
    earned = 0.0
    for product in made.scenario.service:
        of_product = prices.rename(columns={product.name.partition(" from ")[0]: product.name})
        expected = recomputed(frame, of_product, product, 0.8)
        assert expected == pytest.approx(real.money(made, f"Availability, {product.name}"), abs=1e-3)
        earned += expected
    assert earned == pytest.approx(made.summary.headline.ceiling_services_income, abs=1e-2)
    assert earned > 0
    local = frame.index.tz_convert(zone)
    return set(pd.Series(1, index=local.date).groupby(level=0).sum()) - {24}


# --- real prices --------------------------------------------------------------------------------------------------

DANISH = real.DATA / "dk-2021"


def alone(folder: Path, product: str, prices: np.ndarray, start: str, zone: str) -> float:
    """A year's income of a plain unit, with energy to spare, that sells 1 MW of one product. [currency]"""
    given = [{"product": product, "price": "data.price", "most_kw": 1000.0, "name": "sold"}]
    scenario = unit(folder, given, {"price": prices}, kw=2000.0, kwh=20_000.0, start=start, days=365, zone=zone,
                    store={"start_fraction": 0.5})  # fmt: skip
    made = solve(scenario)
    assert made.proof.verdict == "optimal"
    return made.proof.settled


@pytest.mark.skipif(not real.CAPACITY_FILE.is_file(), reason=f"the real data are not in {real.DATA}")
@pytest.mark.parametrize(
    ("column", "product"),
    [
        ("REGUP", "ercot/regulation up"),
        ("REGDN", "ercot/regulation down"),
        ("RRS", "ercot/responsive reserve"),
        ("ECRS", "ercot/contingency reserve"),
        ("NSPIN", "ercot/non-spinning reserve"),
    ],
)
def test_one_service_of_texas_alone_earns_the_sum_of_its_prices(tmp_path, column, product):
    """2023, 8,760 hours with both clock changes: ERCOT's clearing prices times 1 MW, summed row by row.

    Contingency reserve has no price before its first day, 10 June, which the product's date keeps out by itself.
    """
    prices = real.capacity_prices()[column]
    income = alone(tmp_path, product, prices.fillna(99.0).to_numpy(), "2023-01-01", "America/Chicago")
    assert prices.clip(lower=0).sum() == pytest.approx(income, abs=0.01)


@pytest.mark.skipif(not DANISH.is_dir(), reason=f"the real data are not in {real.DATA}")
@pytest.mark.parametrize(
    ("column", "product"),
    [
        ("FCR_N_PriceEUR", "nordic/FCR-N"),
        ("FCR_D_UpPriceEUR", "two-way/regulation up"),
        ("mFRR_UpPriceEUR", "two-way/regulation up"),
        ("FFR_MarginalPriceEUR", "two-way/regulation up"),
    ],
)
def test_one_danish_reserve_alone_earns_the_sum_of_its_prices(tmp_path, column, product):
    """2021 in the Nordic zone DK2, by the hour (Energinet); hours without a price count as zero, up products but FCR-N
    are held for half an hour."""
    prices = pd.read_csv(DANISH / "dk2_2021_hourly.csv.gz")[column].fillna(0.0).to_numpy(float)
    income = alone(tmp_path, product, prices, "2021-01-01", "Europe/Copenhagen")
    assert prices.clip(min=0).sum() == pytest.approx(income, abs=0.01)


def german_blocks() -> pd.DataFrame:
    """Prices of the FCR cooperation's 4-hour blocks in Germany, by local day and block. [EUR/MW]"""
    raw = pd.read_csv(DANISH / "fcr_cooperation_2021_4h.csv.gz")
    raw["block"] = raw["product"].str.extract(r"_(\d\d)_").astype(int) // 4
    return raw[["date", "block", "de_eur_per_mw_4h"]]


def german_hours() -> np.ndarray:
    """The block's price in each hour of 2021, zero on the day that the file lacks. [EUR/MW and block]"""
    local = pd.date_range("2021-01-01", "2022-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
    keys = pd.DataFrame({"date": local.strftime("%Y-%m-%d"), "block": local.hour // 4})
    return keys.merge(german_blocks(), how="left")["de_eur_per_mw_4h"].fillna(0.0).to_numpy(float)


@pytest.mark.skipif(not DANISH.is_dir(), reason=f"the real data are not in {real.DATA}")
def test_fcr_alone_earns_the_sum_of_its_blocks(tmp_path):
    """2021: one MW in every block earns the sum of the file's rows, whether a block has three, four or five hours."""
    income = alone(tmp_path, "continental/FCR", german_hours(), "2021-01-01", "Europe/Berlin")
    assert german_blocks()["de_eur_per_mw_4h"].sum() == pytest.approx(income, abs=0.01)


GAP = 1e-3


def streams(
    folder: Path, services: list[dict[str, Any]], columns: Mapping[str, Any], **more: Any
) -> list[Any]:
    """Proofs of what arbitrage and each service earn alone, then all together, on one feasible set.

    A service by itself pays nothing for energy, so that charging to stop is free: not every gap closes at once.
    """
    earned = []
    parts = [((), [one]) for one in services]
    for number, (components, sold) in enumerate([(SPOT, []), *parts, (SPOT, services)]):
        scenario = unit(folder / str(number), sold, columns, components=components, **more)
        made = solve(vary(scenario, {"solve.gap_tolerance": GAP, "solve.time_limit_s": 6.0}))
        assert made.proof.gap_relative <= 10 * GAP
        earned.append(made.proof)
    return earned


def hold_streams(earned: list[Any]) -> None:
    """The joint optimum is at least each part's and at most their sum."""
    *parts, joint = earned
    assert joint.verdict == "optimal"
    assert joint.settled >= max(part.settled for part in parts)
    assert joint.settled <= sum(part.bound for part in parts)
    assert joint.settled > 1.1 * max(part.bound for part in parts)


@pytest.mark.skipif(not real.CAPACITY_FILE.is_file(), reason=f"the real data are not in {real.DATA}")
def test_the_joint_optimum_in_texas_lies_between_its_parts(tmp_path):
    """The week from 7 June 2023, in which contingency reserve began: day-ahead energy and five services."""
    columns_of = {
        "REGUP": "regulation up",
        "REGDN": "regulation down",
        "RRS": "responsive reserve",
        "ECRS": "contingency reserve",
        "NSPIN": "non-spinning reserve",
    }
    capacity, points = real.capacity_prices(), pd.read_csv(real.POINTS_FILE)
    june = capacity["Delivery Date"].between("06/07/2023", "06/13/2023")
    columns = {name: capacity.loc[june, name].fillna(0.0) for name in columns_of}
    columns["price"] = points.loc[points["Delivery Date"].between("06/07/2023", "06/13/2023"), "LZ_AEN"]
    services = [
        {"product": f"ercot/{name}", "price": f"data.{own}", "most_kw": 1000.0}
        for own, name in columns_of.items()
    ]
    more = {"start": "2023-06-07", "days": 7, "zone": "America/Chicago", "kwh": 2000.0, "efficiency": 0.95}
    more["store"] = {"wear_per_kwh": 0.001}
    hold_streams(streams(tmp_path, services, columns, **more))


@pytest.mark.skipif(not DANISH.is_dir(), reason=f"the real data are not in {real.DATA}")
def test_the_joint_optimum_of_fcr_and_danish_spot_lies_between_its_parts(tmp_path):
    """The last ten days of March 2021 with a day of 23 hours: spot of DK1 (Energinet) and FCR's blocks."""
    local = pd.date_range("2021-01-01", "2022-01-01", freq="h", tz="Europe/Berlin", inclusive="left")
    march = np.asarray((local.month == 3) & (local.day > 21))
    spot = pd.read_csv(DANISH / "dk1_2021_hourly.csv.gz")["SpotPriceEUR"].to_numpy(float)
    columns = {"price": spot[march], "fcr": german_hours()[march]}
    services = [{"product": "continental/FCR", "price": "data.fcr"}]
    more = {"start": "2021-03-22", "days": 10, "zone": "Europe/Berlin", "kwh": 2000.0, "efficiency": 0.95}
    more["store"] = {"wear_per_kwh": 0.001}
    hold_streams(streams(tmp_path, services, columns, **more))
