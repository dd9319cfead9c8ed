"""Progress: what is left is learnt from the pace so far, jobs side by side make one phrase, and no long silence."""

from __future__ import annotations

import time

import pytest

from optimiser.cli import display
from optimiser.cli.display import Standing, in_short, progress
from optimiser.progress import SideBySide, Step, prefixed


def test_what_is_left_of_a_job_follows_from_its_share():
    """A quarter in 10 s leaves 30 s; nothing is guessed before a second of it was seen, nor when it is done."""
    standing = Standing(0.0)
    assert standing.tell(Step("day 1 of 100", job="day", share=0.01), 5.0)
    assert standing.left(5.0) == ""
    assert not standing.tell(Step("day 26 of 100", job="day", share=0.26), 15.0)
    assert standing.left(15.0) == "about 30 s left of this"  # 0.74 / 0.25 * 10 s
    standing.tell(Step("day 100 of 100", job="day", share=1.0), 45.0)
    assert standing.left(45.0) == ""


def test_what_is_left_of_a_search_follows_from_how_its_gap_fell():
    """A tenth of the gap in 20 s: a hundredth more takes 40 s; no more than the time limit leaves, if it says more."""
    standing = Standing(0.0)
    standing.tell(Step("round 1", job="search", gap=1e-1, aim=1e-4, seconds=500.0), 100.0)
    assert standing.left(100.0) == "at most 8 min left of this"
    standing.tell(Step("round 2", job="search", gap=1e-2, aim=1e-4, seconds=480.0), 120.0)
    assert (standing.left(120.0), standing.gap) == ("about 40 s left of this", 1e-2)
    standing.tell(Step("round 3", job="search", gap=1e-2, aim=1e-4, seconds=30.0), 570.0)
    assert standing.left(570.0) == "at most 30 s left of this"
    standing.tell(Step("another problem", afresh=True), 571.0)
    assert (standing.left(571.0), standing.gap) == ("", None)


def test_lengths_of_time_are_short():
    """Seconds, minutes, hours."""
    assert [in_short(s) for s in (12.4, 180, 9000)] == ["12 s", "3 min", "2.5 h"]


def test_jobs_side_by_side_make_one_phrase():
    """Both last phrases each time, with the mean of their shares."""
    said: list[str] = []
    together = SideBySide(said.append, "a year of plans", ("one", "other"))
    together.of("one")(Step("one, day 10 of 100", share=0.1))
    together.of("other")(Step("other, day 30 of 100", share=0.3))
    assert said == [
        "a year of plans: one, day 10 of 100",
        "a year of plans: one, day 10 of 100; other, day 30 of 100",
    ]
    last = said[-1]
    assert isinstance(last, Step)
    assert (last.job, last.share) == ("a year of plans", pytest.approx(0.2))


def test_a_phrase_keeps_its_figures_behind_a_prefix():
    """Of one variant among several."""
    said: list[str] = []
    prefixed(said.append, "site B: ", Step("day 1 of 4", job="day", share=0.25))
    prefixed(said.append, "site B: ", "settling")
    assert said == ["site B: day 1 of 4", "site B: settling"]
    assert isinstance(said[0], Step)
    assert (said[0].job, said[0].share) == ("site B: day", 0.25)


def test_lines_come_while_nothing_new_is_said(monkeypatch, capsys):
    """A line when a job begins, none for each of its parts, one now and then while it lasts, and how far it came."""
    monkeypatch.setattr(display, "LONGEST_SILENCE_S", 0.2)
    monkeypatch.setattr(display, "TICK_S", 0.02)
    with progress(quiet=False) as say:
        say("solving")
        time.sleep(0.7)
        for part in range(50):
            say(Step(f"part {part} of 50", job="part", share=part / 50))
    lines = [line.split("s  ", 1)[1] for line in capsys.readouterr().err.splitlines()]
    assert lines.count("solving") >= 2
    assert [line for line in lines if line.startswith("part")] == ["part 0 of 50", "part 49 of 50"]


def test_quiet_says_nothing(capsys):
    """Neither words nor notes."""
    with progress(quiet=True) as say:
        say("solving")
        say.note("a page is there")
    assert capsys.readouterr() == ("", "")
