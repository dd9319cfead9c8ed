"""A timetable on real price years: learnt on every other month, judged on the rest, beside plain self-consumption.

The data lie beside the checkout and are not part of it; without them these tests skip. Sources are named in
real_data.py. Whole years: run with -m slow, and with -s for the figures.
"""

from __future__ import annotations

import pytest
import real_data as real

import optimiser
from optimiser.dispatch import solve
from optimiser.studies.timetable import (
    JUDGED,
    OWN_LOAD,
    TIMETABLE,
    make_timetable,
    study_of,
    without_services,
)

pytestmark = [
    pytest.mark.skipif(
        not all(file.is_file() for file in real.FILES), reason=f"the real data are not in {real.DATA}"
    ),
    pytest.mark.slow,
    pytest.mark.timeout(1800),
]

HALF_HOURS = {"timeline.step_minutes": 30, "source.spot.coarsen": "mean"}


def south_australia(folder):
    """Five-minute prices of 2024 as means of half-hours."""
    made = real.home_scenario(folder, real.SPOT_IMPORT, "2024-01-01", 366, 1e-3)
    return optimiser.vary(optimiser.read_scenario(made), HALF_HOURS)


def netherlands(folder):
    """Quarter-hours of two prices that part."""
    return optimiser.read_scenario(real.dutch_scenario(folder, "2024-01-01", 365, 1e-3))


def texas(folder):
    """Hours of the day-ahead market, three phases."""
    return optimiser.vary(
        optimiser.read_scenario(real.texas_scenario(folder, "2023-01-01", 365)), {"solve.gap_tolerance": 1e-3}
    )


@pytest.mark.parametrize("year", [south_australia, netherlands, texas], ids=lambda year: year.__name__)
def test_the_timetable_beats_own_use_out_of_sample_or_says_that_it_does_not(year, tmp_path):
    """Judged on months that it never saw; where it loses, the first screen warns."""
    scenario = year(tmp_path / "site")
    judged = make_timetable(solve(without_services(scenario)))
    bills = {case: judged.bills[JUDGED, case] for case in ("no system", OWN_LOAD, TIMETABLE, "ceiling")}
    found = study_of(judged, scenario.file.currency)
    print(f"\n{year.__name__}: " + ", ".join(f"{case} {amount:.2f}" for case, amount in bills.items()))
    shares = [judged.realised_share(JUDGED, case) for case in (OWN_LOAD, TIMETABLE)]
    print(f"shares of the ceiling's saving {shares[0]:.3f} and {shares[1]:.3f}")
    for rule in found.summary["rules"]:
        print(f"  {rule['days']}: {rule['rule']}")
    better = bills[OWN_LOAD] - bills[TIMETABLE]
    assert found.summary["beats_own_load"] == (better > 0.005)
    assert any("does not beat" in words for words in found.warnings) == (better <= 0.005)
    # The ceiling is that of the whole year; its part of the judged months may be less than theirs alone, by little.
    assert bills["ceiling"] <= bills[TIMETABLE] + 1.0
