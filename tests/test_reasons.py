"""Which mode ran and why: the modes' words, reasons that fit what happened, and a page that reads like the table."""

from __future__ import annotations

import re
import string
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from test_browser import BROWSER, browse

from optimiser import read_scenario, vary
from optimiser.columns import (
    CHARGE,
    DISCHARGE,
    EXPORT,
    EXPORT_PRICE,
    IMPORT,
    IMPORT_PRICE,
    LOAD,
    MODE,
    REASON,
    SOLAR,
    START_LOCAL,
    STORED,
    STORED_WORTH,
)
from optimiser.control import reasons
from optimiser.control.modes import WORDS, Mode
from optimiser.control.reasons import REASONS, explained, stretches, unknown
from optimiser.results.run import run
from optimiser.results.write import write_results

HOME = Path(__file__).parent.parent / "scenarios" / "single-phase-home"
NAMES = {"into", "out", "worth", "import"}


@pytest.fixture(scope="module")
def made():
    """Nine days of the shipped home: own use until a billing period has passed."""
    home = vary(read_scenario(HOME), {"timeline.days": 9, "foresight.policies": ["backcast"]})
    return run(home, studies=("without_foresight",))


def test_sentences_ask_for_nothing_that_is_not_there():
    """Each place to be filled in has a name that tables and page know."""
    for reason in REASONS:
        assert {name for _, name, _, _ in string.Formatter().parse(reason) if name} <= NAMES


def test_powers_are_read_as_the_modes_that_make_them(made):
    """By hand: bought, sun stored beside import, sun stored, fed out, load covered, at rest; and what each says."""
    scenario = made.scenario
    rows = [
        # load, solar, charge, discharge, import, export, stored
        ((1.0, 0.0, 2.0, 0.0, 3.0, 0.0, 5.0), Mode.CHARGE, "import costs 0.30; a stored kWh is worth 0.20"),
        (
            (1.0, 2.0, 2.0, 0.0, 1.0, 0.0, 5.0),
            Mode.SAVE_SUN,
            "sun is stored, the load is left to the grid at 0.30",
        ),
        (
            (1.0, 3.0, 2.0, 0.0, 0.0, 0.0, 5.0),
            Mode.COVER_LOAD,
            "sun beyond the load is stored: export pays 0.10",
        ),
        ((1.0, 0.0, 0.0, 3.0, 0.0, 2.0, 5.0), Mode.FEED_OUT, "export pays 0.10; kept, a kWh is worth 0.20"),
        (
            (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 5.0),
            Mode.COVER_LOAD,
            "the store covers the load: import costs 0.30",
        ),
        (
            (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 5.0),
            Mode.HOLD,
            "the load is imported at 0.30; kept, a kWh is worth 0.20",
        ),
    ]
    columns = (LOAD, SOLAR, CHARGE, DISCHARGE, IMPORT, EXPORT, STORED)
    steps = scenario.timeline.steps
    numbers = np.resize(np.array([row for row, _, _ in rows]), (steps, len(columns)))
    frame = pd.DataFrame(dict(zip(columns, numbers.T, strict=True)))
    frame[IMPORT_PRICE], frame[EXPORT_PRICE], frame[STORED_WORTH] = 0.3, 0.1, 0.2
    frame[START_LOCAL] = [stamp.isoformat() for stamp in scenario.timeline.local()]
    told = explained(made.dispatch, frame, reasons.Steered(("plan",), *unknown(steps)))
    assert [mode for _, mode, _ in rows] == told[MODE].tolist()[: len(rows)]
    words = stretches(told, ("plan",), scenario.timeline.step_minutes)["why"].tolist()
    for (_, _, expected), said in zip(rows, words, strict=False):
        assert said.startswith(expected)


def test_every_moment_has_a_mode_and_a_reason(made):
    """Rows follow each other without a gap over the whole run, in the one vocabulary; energy and reason agree."""
    table = made.studies["without_foresight"].tables["modes"]
    assert table["from_local"].iloc[0] == made.paid_table[START_LOCAL].iloc[0]
    assert table["to_local"].iloc[:-1].tolist() == table["from_local"].iloc[1:].tolist()
    assert set(table["mode"]) <= set(WORDS.values())
    paid = made.paid_table
    stores = paid[REASON] == reasons.STORES_SUN
    assert stores.any()
    assert (paid.loc[stores, CHARGE] > 0).all()
    assert (paid.loc[paid[REASON] == reasons.EMPTY, DISCHARGE] < reasons.MOVES_KW).all()


class _Rows(HTMLParser):
    """Cells of the table of modes."""

    def __init__(self):
        super().__init__()
        self.inside, self.cell, self.rows = False, False, []

    def handle_starttag(self, tag, attributes):
        self.inside |= ("id", "day-modes") in attributes
        if self.inside and tag == "tr":
            self.rows.append([])
        self.cell = self.inside and tag in ("td", "th")

    def handle_endtag(self, tag):
        self.cell = False
        self.inside &= tag != "table"

    def handle_data(self, words):
        if self.cell:
            self.rows[-1].append(words)


@pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed: the page was not drawn")
def test_the_page_reads_like_the_table(made, tmp_path):
    """The rows that the script makes of a day are those of the file, which are made apart from it."""
    write_results(made, tmp_path)
    page = tmp_path / "report.html"
    day = re.search(r'data-chosen="([^"]+)"', page.read_text(encoding="utf-8"))[1]
    shown = _Rows()
    shown.feed(browse(tmp_path, "report.html", "--dump-dom").stdout)
    table = pd.read_csv(tmp_path / "without_foresight-modes.csv")
    ends = table["to_local"].str.slice(0, 16)
    mine = table[(table["from_local"].str.slice(0, 10) <= day) & (ends > f"{day}T00:00")]
    told = [row[1:3] for row in shown.rows[1:]]
    # A stretch that runs over midnight is cut there on the page, so its prices are those of the day alone.
    inner = slice(1, -1)
    assert mine[["mode", "why"]].to_numpy().tolist()[inner] == told[inner]
    assert mine["mode"].tolist() == [row[0] for row in told]
