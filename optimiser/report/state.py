"""What an early or a stopped page is: how good its schedule is, what goes on, what is not worked out."""

from __future__ import annotations

from optimiser.report.blocks import Block, Heading, Points
from optimiser.summary.run import ProofFigures, Summary
from optimiser.words import listed, number, of_turnover


def blocks(summary: Summary) -> list[Block]:
    """A box at the top of the page; nothing on a final one."""
    if summary.state.stage == "final":
        return []
    early = summary.state.stage == "early"
    title = "An early page" if early else "Stopped on request"
    return [Heading(title), Points(tuple(sentences(summary)), tone="warning")]


def sentences(summary: Summary) -> list[str]:
    """What a page shows of a run that is not through."""
    state, proof = summary.state, summary.proof
    early, searching = state.stage == "early", state.searching
    after = f"after {number(state.seconds)}\u00a0s"
    gap = of_turnover(proof.gap_relative, proof.gap_absolute, summary.currency)
    which = f"This is the best schedule found {after}" if searching else "The schedule is final"
    said = [
        f"{which}. It keeps every limit, and it is proven that no other can be better by more than {gap}."
    ]
    if searching:
        said.append(
            "The search for a better one goes on."
            if early
            else "A longer run may find a better one, or prove that there is hardly any."
        )
    if state.waiting:
        names = listed([name.replace("_", " ") for name in state.waiting])
        said.append(f"Not worked out yet: {names}." if early else f"Not worked out: {names}.")
    if early:
        said.append("The final page takes the place of this one: load it again later.")
    return said


def further_digit(proof: ProofFigures) -> str:
    """What another digit of the proof would cost, where that is known."""
    seconds = proof.seconds_a_digit
    if proof.ended.startswith("the search led"):
        return "not to be had by more time: the search led no further"
    if seconds is None:
        return ""
    if seconds < 120:
        return f"about {max(1, round(seconds))}\u00a0s more, at the pace of this run"
    return f"about {number(seconds / 60)}\u00a0minutes more, at the pace of this run"
