"""Days before the run: candidates learn from them, and what they would have earned there runs the first period."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path

import numpy as np
import pytest

from optimiser import read_scenario, vary
from optimiser.control.chosen import Candidate, choose
from optimiser.control.own_use import OwnUse
from optimiser.control.stored_worth import StoredWorth
from optimiser.errors import ScenarioError
from optimiser.plant.executed import settled_lines
from optimiser.plant.walk import Plant
from optimiser.results.run import run
from optimiser.scenario.read import warmed_up
from optimiser.terms.books import SettledTerms

HOME = Path(__file__).parent.parent / "scenarios" / "single-phase-home"
CANDIDATES = (Candidate("own use", OwnUse), Candidate("stored worth", StoredWorth))


@pytest.fixture(scope="module")
def home():
    """Five days of February with the 40 days before them to warm up by."""
    changes = {"timeline.start": datetime.date(2025, 2, 10), "timeline.days": 5, "foresight.warm_up_days": 40}
    return vary(read_scenario(HOME), changes)


@pytest.fixture(scope="module")
def choice(home):
    """The choice, warmed up."""
    return choose(Plant(warmed_up(home)), CANDIDATES, run=home)


def test_the_first_period_is_run_by_what_the_days_before_say(home, choice):
    """Each candidate walked through a scenario of those days alone, its bill made out: the higher one runs from the
    start of the run, where without days before it would be own use."""
    before = vary(
        home, {"timeline.start": datetime.date(2025, 1, 1), "timeline.days": 40, "foresight.warm_up_days": 0}
    )
    terms, made = SettledTerms(before.data), []
    for candidate in CANDIDATES:
        plant = Plant(before)
        lines = settled_lines(before, plant.walk(candidate.make(plant)), 0, terms)
        made.append(sum(float(np.sum(line.values)) for line in lines if line.cash))
    assert made[1] > made[0]
    assert [1] == choice.ran.tolist()
    assert [0] == choose(Plant(home), CANDIDATES).ran.tolist()
    # The run's own days are walked from where the scenario says the store stands, by what was learnt before.
    steps = home.timeline.steps
    assert steps == len(choice.walk.import_kw)
    assert np.isfinite(choice.controllers[1].worth_per_kwh[choice.lead :]).all()
    first = choice.walk.stored_kwh[0, -1, 0]
    bank = home.storage[0]
    assert (
        abs(first - bank.start_kwh)
        <= home.timeline.step_hours * max(bank.charge_limit_kw, bank.discharge_limit_kw) * 1.1
    )


def test_nothing_of_the_run_chooses_its_first_period(home):
    """Prices of the run scrambled: the same runs the first period, and nothing before the run moves."""
    longer = warmed_up(home)
    lead = longer.timeline.steps - home.timeline.steps
    rng = np.random.default_rng(3)

    def scrambled(columns, first):
        made = {name: values.copy() for name, values in columns.items()}
        for values in made.values():
            values[first:] = rng.permutation(values[first:])
        return made

    other = choose(
        Plant(dataclasses.replace(longer, columns=scrambled(longer.columns, lead))),
        CANDIDATES,
        run=dataclasses.replace(home, columns=scrambled(home.columns, 0)),
    )
    assert [1] == other.ran.tolist()


def test_a_run_says_by_which_days_it_was_chosen(home):
    """The words of the headline, and who ran."""
    found = run(home, studies=("without_foresight",)).summary.studies["without_foresight"]
    row = next(row for row in found["outcomes"] if row["name"] == found["headline"])
    assert "in those before and in 40 days before the run" in row["words"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"foresight.warm_up_days": 400}, "foresight.warm_up_days: .* has no 400 days before the timeline"),
        ({"foresight.headline": "backcast"}, "warm_up_days counts only where headline is chosen"),
    ],
)
def test_days_that_are_not_there_are_told(home, changes, words):
    """One sentence with the way out."""
    with pytest.raises(ScenarioError, match=words):
        vary(home, changes)


def test_who_ran_is_said_shortly(choice):
    """A few stretches by their months; many by how often."""
    few = dataclasses.replace(choice, ran=np.array([0, 1, 1]), labels=("2025-01", "2025-02", "2025-03"))
    assert few.words() == "own use in 2025-01, stored worth from 2025-02 to 2025-03"
    many = dataclasses.replace(choice, ran=np.array([0, 1, 0, 1, 1, 0, 1]), labels=("m",) * 7)
    assert many.words() == "stored worth in 4, own use in 3 of 7, own use in the first"
