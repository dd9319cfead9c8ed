"""The one-line diagram: every part of the scenario stands on it once, with its figures, and words are words."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from optimiser import read_scenario, vary
from optimiser.report.diagram import COLUMN, LONGEST, diagram, in_words

SCENARIOS = sorted(
    path.parent for path in (Path(__file__).parent.parent / "scenarios").glob("*/scenario.toml")
)


@pytest.mark.parametrize("folder", SCENARIOS, ids=lambda folder: folder.name)
def test_every_part_stands_on_it_once(folder: Path) -> None:
    """Names of inverters, banks, controllers and solar systems; nothing outside the picture, no room used twice."""
    scenario = read_scenario(folder)
    site = scenario.site
    picture = ElementTree.fromstring(diagram(scenario))
    words = [text.text or "" for text in picture.iter("text")]
    named = [*site.inverter, *scenario.storage, *site.solar_controller, *site.ac_solar, *site.dc_load]
    for part in named:
        assert sum(line == part.name[:LONGEST] for line in words) >= 1, part.name
        assert part.name in in_words(scenario)
    width = float(picture.attrib["viewBox"].split()[2])
    places = {
        (round(float(text.attrib["x"])), round(float(text.attrib["y"]))) for text in picture.iter("text")
    }
    assert len(places) == len(words)
    assert all(0 <= x <= width for x, _ in places)
    assert width >= COLUMN * max(len(site.inverter), len(scenario.storage) + len(site.solar_controller))


def test_names_are_words_and_limits_as_given() -> None:
    """A long name is cut, the connection's limits stand beside the grid."""
    scenario = vary(
        read_scenario(SCENARIOS[[folder.name for folder in SCENARIOS].index("single-phase-home")]),
        {"site.inverter.0.name": "main and more than fits in here", "site.connection.export_limit_kw": 3.5},
    )
    words = [text.text for text in ElementTree.fromstring(diagram(scenario)).iter("text")]
    assert f"{'main and more than fits in here'[: LONGEST - 1]}…" in words
    assert "export up to 3.5 kW" in words
