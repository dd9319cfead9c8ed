"""Charts drawn as SVG: what stands on the page is as long as the figures say.

The reference is plain proportion, read from the drawing's own coordinates (W3C, Scalable Vector Graphics 2).
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import pytest
from report_sample import sample_results

from optimiser.report import render
from optimiser.report.blocks import Chart
from optimiser.report.drawn import Axis, drawn
from optimiser.report.earnings import steps


def test_the_customers_page_is_light_and_runs_nothing() -> None:
    """No script, nothing allowed to run, below 300 kB, a drawing with words for each chart."""
    page = render(sample_results(28), edition="customer")
    assert "<script" not in page
    assert "script-src 'none'" in page.replace("&#39;", "'")
    assert len(page.encode("utf-8")) < 300_000
    assert page.count("<svg") == page.count("<figure>") >= 2


def test_steps_are_as_long_as_what_they_stand_for() -> None:
    """From 100 by 60 less, 10 more and 70 less to -20, with a name that is no markup."""
    chart = steps(100.0, [("Energy <in> & out", 60.0), ("Fixed", -10.0), ("Demand", 70.0)], "AUD", "Steps")
    picture = ElementTree.fromstring(drawn(chart))
    boxes = [
        (float(box.attrib["x"]), float(box.attrib["width"])) for box in picture.iter() if box.tag == "rect"
    ]
    starts, lengths = zip(*boxes, strict=True)
    scale = lengths[0] / 100
    assert lengths == pytest.approx([100 * scale, 60 * scale, 10 * scale, 70 * scale, 20 * scale], abs=0.2)
    zero = starts[0]
    assert starts == pytest.approx(
        [zero, zero + 40 * scale, zero + 40 * scale, zero - 20 * scale, zero - 20 * scale], abs=0.2
    )
    assert "Energy <in> & out" in {text.text for text in picture.iter("text")}


def test_bars_are_piled_from_zero_both_ways_and_lines_lie_on_their_values() -> None:
    """Two kinds up, one down, and a line: heights are proportional, the second pile begins where the first ends."""
    bar = {"type": "bar", "x": [0, 1]}
    line = {"type": "scatter", "x": [0, 1], "y": [-2.0, 4.0], "line": {"color": "@ink", "width": 2}}
    chart = Chart(
        "made",
        "Made",
        "up",
        (
            {**bar, "name": "a", "y": [1.0, 2.0], "marker": {"color": "@gain"}},
            {**bar, "name": "b", "y": [3.0, -1.0], "marker": {"color": "@loss"}},
            {**line, "name": "sum"},
        ),
        {"xaxis": {}, "yaxis": {"title": {"text": "kW"}}},
    )
    picture = ElementTree.fromstring(drawn(chart))
    piles = [path.attrib["d"] for path in picture.iter("path") if path.attrib["style"].startswith("fill:var")]
    number = r"(-?[\d.]+)"
    (first, second) = ([tuple(map(float, box)) for box in boxes_of(pile, number)] for pile in piles)
    scale = first[0][3]
    assert [box[3] for box in first] == pytest.approx([scale, 2 * scale], abs=0.2)
    assert [box[3] for box in second] == pytest.approx([3 * scale, scale], abs=0.2)
    zero = first[0][1] + first[0][3]
    assert second[0][1] + second[0][3] == pytest.approx(first[0][1], abs=0.2)
    assert second[1][1] == pytest.approx(zero, abs=0.2)
    points = [float(point.attrib["cy"]) for point in picture.iter("circle")]
    assert points == pytest.approx([zero + 2 * scale, zero - 4 * scale], abs=0.2)


def boxes_of(path: str, number: str) -> list[tuple[str, ...]]:
    """Left, top, width and height of each box of a path."""
    return re.findall(rf"M{number} {number}h{number}v{number}", path)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-15_000.0, 4_300.0), (0.0, 0.037), (-3.0, 88.0)])
def test_ticks_are_round_even_and_within_the_axis(low: float, high: float) -> None:
    """Zero among them where it lies on the axis; steps are 1, 2 or 5 times a power of ten."""
    ticks = Axis(low, high, 0.0, 1.0).ticks(6)
    step = ticks[1] - ticks[0]
    assert float(f"{step:.0e}"[0]) in {1.0, 2.0, 5.0}
    assert 0.0 in ticks
    assert low - 1e-9 <= ticks[0]
    assert ticks[-1] <= high + 1e-9
    assert 3 <= len(ticks) <= 8


def test_what_cannot_be_drawn_is_refused() -> None:
    """A kind of trace that only the library knows is named, not left out."""
    with pytest.raises(ValueError, match="no way to draw pie"):
        drawn(Chart("made", "Made", "up", ({"type": "pie"},)))
