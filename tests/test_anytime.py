"""A result at any time: an early page while the search goes on, Ctrl-C, and a search that is counted, not timed."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimiser.cli import early, main
from optimiser.dispatch import Dispatch, seconds_a_digit, solve
from optimiser.engine import directions
from optimiser.errors import ScenarioError
from optimiser.report import Results, render, state
from optimiser.results.run import SoFar, run
from optimiser.scenario.file import Solve
from optimiser.scenario.read import read_scenario, vary
from optimiser.starter import write_starter
from optimiser.studies.catalogue import STUDIES
from optimiser.summary.run import RunState

HOME = Path(__file__).parent.parent / "scenarios" / "single-phase-home"
FEW_DAYS = {"timeline.days": 21, "solve.route": "days", "solve.gap_tolerance": 1e-9}


@pytest.fixture
def steps_of_a_search(monkeypatch):
    """Three weeks of a site with inverted prices, by windows, with a first schedule as for a large problem."""
    monkeypatch.setattr(directions.path, "FEWEST_STEPS", 10**9)
    monkeypatch.setattr(directions, "FEWEST_ROWS_LEANT", 0)
    return vary(read_scenario(HOME), FEW_DAYS)


def test_each_schedule_on_the_way_is_feasible_and_bounded(steps_of_a_search):
    """Every one is replayed and settled; none makes more than any bound, so none more than the last one's (weak
    duality), and bounds and gaps only shrink."""
    found: list[Dispatch] = []
    last = solve(steps_of_a_search, better=lambda make: found.append(make()))
    proofs = [one.proof for one in found]
    assert len(found) > 1
    assert proofs[0].route.endswith("as the linear program leans")
    for proof in proofs:
        assert proof.remaining_violations == 0
        assert proof.replay_violation <= 1e-5
        assert proof.settled <= last.proof.bound + 1e-6 * proof.turnover
        assert proof.bound >= last.proof.settled - 1e-6 * proof.turnover
    bounds = [proof.bound for proof in proofs]
    assert bounds == sorted(bounds, reverse=True)
    rounds = [proof.settled for proof in proofs[1:]]
    assert rounds == sorted(rounds)
    assert last.proof.settled == pytest.approx(rounds[-1], rel=1e-9)


def test_a_count_of_rounds_gives_the_same_answer_whatever_the_machine(steps_of_a_search, monkeypatch):
    """With one core and with four; the gap that is left is said, with why the search ended."""
    proofs = []
    for cores in (1, 4):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        proofs.append(solve(steps_of_a_search.searched(rounds=1)).proof)
    one, four = proofs
    assert (one.bound, one.settled) == (four.bound, four.settled)
    assert "1 round of windows" in one.route
    assert one.gap_relative > 1e-9
    assert one.ended == "the rounds were used up"


def test_the_end_of_a_search_is_time_rounds_or_proof():
    """600 s where nothing is said; no time where rounds are; `until_proven` has no other end."""
    assert Solve().most_seconds == 600
    assert Solve(rounds=3).most_seconds == float("inf")
    assert Solve(until_proven=True).most_seconds == float("inf")
    assert Solve(rounds=3, time_limit_s=5.0).most_seconds == 5
    with pytest.raises(ScenarioError, match="until_proven has no other end"):
        vary(read_scenario(HOME), {"solve.until_proven": True, "solve.rounds": 2})


def test_a_digit_costs_what_the_last_ones_did():
    """From 1e-2 at 10 s to 1e-4 at 30 s: two digits in 20 s. Rounds that gained nothing count in; one point says
    nothing."""
    assert seconds_a_digit([(5.0, 1.0), (10.0, 1e-2), (30.0, 1e-4)]) == pytest.approx(10.0)
    assert seconds_a_digit([(10.0, 1e-2), (30.0, 1e-3), (50.0, 1e-3)]) == pytest.approx(40.0)
    assert seconds_a_digit([(10.0, 1e-2)]) is None
    assert seconds_a_digit([(10.0, 1e-2), (20.0, 1e-2)]) is None


@pytest.fixture(scope="module")
def week(tmp_path_factory) -> Path:
    """The starter's week."""
    folder = tmp_path_factory.mktemp("anytime") / "site"
    write_starter(folder)
    return folder


def test_a_run_hands_over_what_it_knows(week):
    """Before each study and after the last; as a run it says what it lacks, and rests on what there is."""
    known: list[SoFar] = []
    whole = run(week, studies=["patterns", "without_foresight"], better=known.append)
    ready = [one for one in known if not one.searching]
    order = tuple(name for name in STUDIES if name in ("patterns", "without_foresight"))
    assert [one.waiting for one in ready] == [order, order[1:], ()]
    first, last = ready[0].as_run("early"), ready[-1].as_run("stopped")
    assert first.summary.state.stage == "early"
    assert first.summary.headline.rests_on == "ceiling"
    assert first.summary.headline.ceiling_saving == whole.summary.headline.ceiling_saving
    assert last.summary.headline == whole.summary.headline
    end = whole.summary.state
    assert (end.stage, end.searching, end.waiting) == ("final", False, ())


def test_an_early_page_says_what_it_is(week):
    """Its gap as a share of the turnover with the money, what goes on, what is missing; a final one nothing of it."""
    made = run(week, studies=[])
    waiting = ("without_foresight",)
    early_on = RunState(stage="early", searching=True, waiting=waiting, seconds=31.2)
    proof = made.summary.proof.model_copy(update={"gap_relative": 0.0213, "gap_absolute": 141.321})
    summary = made.summary.model_copy(update={"state": early_on, "proof": proof})
    page = render(Results(summary, made.dispatch_table, made.statement.table))
    assert "An early page" in page
    assert "no other can be better by more than 2.2\u00a0% of turnover (EUR\u00a0141.33)" in page
    assert "best schedule found after 31\u00a0s" in page
    assert "Not worked out yet: without foresight." in page
    assert f"{made.summary.title} (early)" in page
    stopped = summary.model_copy(update={"state": early_on.model_copy(update={"stage": "stopped"})})
    assert "takes the place" not in " ".join(state.sentences(stopped))
    final = render(Results(made.summary, made.dispatch_table, made.statement.table))
    assert not [words for words in ("An early page", "Stopped on request", "(early)") if words in final]


def test_an_early_page_is_written_and_its_place_taken(week, tmp_path, monkeypatch):
    """With no time to wait, a page is there while the studies are worked out; the final one is the last."""
    monkeypatch.setattr(early, "FIRST_PAGE_S", 0.0)
    monkeypatch.setattr(early, "BETWEEN_PAGES_S", 0.0)
    seen: list[dict] = []
    true_write = early.EarlyPages._write

    def watched(self, so_far):
        true_write(self, so_far)
        seen.append(json.loads((tmp_path / "out" / "summary.json").read_text())["state"])

    monkeypatch.setattr(early.EarlyPages, "_write", watched)
    ran = CliRunner().invoke(main, ["run", str(week), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 0, ran.output
    assert seen
    assert {one["stage"] for one in seen} == {"early"}
    assert "early page: " in ran.stderr
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert summary["state"]["stage"] == "final"
    assert "An early page" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_options_end_the_search(week, tmp_path):
    """They stand in the provenance; two ends that contradict each other are refused."""
    words = ["run", str(week), "--no-study", "all", "--quiet", "--out", str(tmp_path / "out")]
    assert CliRunner().invoke(main, [*words, "--rounds", "2"]).exit_code == 0
    options = json.loads((tmp_path / "out" / "summary.json").read_text())["provenance"]["options"]
    assert (options["rounds"], options["time_limit_s"]) == (2, None)
    refused = CliRunner().invoke(main, [*words, "--until-proven", "--rounds", "2"])
    assert refused.exit_code == 2
    assert "--until-proven has no other end" in refused.stderr


PAUSED = """
import sys, time
from optimiser.cli import main
{patch}
sys.argv = ["optimiser", "run", *sys.argv[1:]]
main()
"""
WAITS_IN_A_STUDY = """
from optimiser.studies import catalogue
def waits(statement, say, *read):
    print("waiting", flush=True)
    time.sleep(60)
last = list(catalogue.STUDIES)[-1]
catalogue.STUDIES = {**catalogue.STUDIES, last: catalogue.Entry(waits, usual=True)}
"""
WAITS_FIRST = """
from optimiser import dispatch
def waits(problem, *more):
    print("waiting", flush=True)
    time.sleep(60)
dispatch.answer = waits
"""


def interrupted(patch: str, week: Path, out: Path) -> subprocess.CompletedProcess[str]:
    """A run that is interrupted by Ctrl-C once it says that it waits."""
    process = subprocess.Popen(
        [sys.executable, "-c", PAUSED.format(patch=patch), str(week), "--out", str(out)],
        # A check that runs in the background may itself ignore what a terminal's Ctrl-C sends, and hand that on.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    told, errors = process.communicate(timeout=120)
    return subprocess.CompletedProcess(process.args, process.returncode, line + told, errors)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal")
def test_ctrl_c_keeps_the_best_so_far(week, tmp_path):
    """In a study: the proven schedule and what was worked out before it, labelled; code 6."""
    ran = interrupted(WAITS_IN_A_STUDY, week, tmp_path / "out")
    assert ran.returncode == 6, ran.stderr
    assert "the best so far is kept" in ran.stderr
    assert "Traceback" not in ran.stderr
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert summary["state"]["stage"] == "stopped"
    assert summary["state"]["waiting"] == [list(STUDIES)[-1]]
    assert "patterns" in summary["studies"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Stopped on request" in page


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal")
def test_ctrl_c_before_any_schedule_writes_nothing(week, tmp_path):
    """One sentence, code 130, no folder."""
    ran = interrupted(WAITS_FIRST, week, tmp_path / "out")
    assert ran.returncode == 130
    assert ran.stderr.endswith("Stopped before any schedule was found; nothing was written.\n")
    assert not (tmp_path / "out").exists()


def test_stopping_in_the_search_gives_the_best_of_its_rounds(steps_of_a_search):
    """What a run knows in the middle of the search is a whole result: settled, summed up, reconciled, its gap wider
    than the last one's."""
    known: list[SoFar] = []
    whole = run(dataclasses.replace(steps_of_a_search), studies=[], better=known.append)
    soon = next(one for one in known if one.searching).as_run("stopped")
    assert soon.summary.proof.gap_relative > whole.summary.proof.gap_relative
    assert soon.summary.headline.ceiling_saving < whole.summary.headline.ceiling_saving
    assert "longer run may find a better one" in " ".join(state.sentences(soon.summary))
