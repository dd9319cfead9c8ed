"""What is being done, said while it is done: phrases that also tell how far a job has come and how wide its gap is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

Say = Callable[[str], None]

LEAST_PAUSE_S = 1.0


class Step(str):
    """A phrase of progress with the figures that a bar needs; read as plain words where nobody draws one.

    Attributes
    ----------
    job : str
        What is being counted, the same in every phrase about it; the phrase itself where nothing is.
    share : float or None
        Of the job that is done; None where nobody can know.
    gap : float or None
        Proven gap of the best schedule so far, a share of the turnover.
    aim : float or None
        The gap that is looked for.
    seconds : float or None
        Until the search ends in any case. [s]
    afresh : bool
        True where another problem begins, so that what was said of a gap is over.
    """

    job: str
    share: float | None
    gap: float | None
    aim: float | None
    seconds: float | None
    afresh: bool

    def __new__(
        cls,
        words: str,
        *,
        job: str = "",
        share: float | None = None,
        gap: float | None = None,
        aim: float | None = None,
        seconds: float | None = None,
        afresh: bool = False,
    ) -> Step:
        """The phrase with its figures."""
        made = super().__new__(cls, words)
        made.job, made.share, made.afresh = job or words, share, afresh
        made.gap, made.aim, made.seconds = gap, aim, seconds
        return made


class Countdown:
    """Says how far a job of many alike parts has come, from whatever thread a part ends in."""

    def __init__(self, say: Say, words: str, parts: int):
        self._say, self._words, self._parts = say, words, parts
        self._done, self._last = 0, time.perf_counter()
        self._lock = threading.Lock()

    def step(self) -> None:
        """One part is done; said once a second at most."""
        with self._lock:
            self._done += 1
            now = time.perf_counter()
            if now - self._last < LEAST_PAUSE_S and self._done < self._parts:
                return
            self._last = now
            words = f"{self._words}, {self._done} of {self._parts}"
            self._say(Step(words, job=self._words, share=self._done / self._parts))


class SideBySide:
    """Makes one phrase of what several jobs say that are worked at the same time.

    Parameters
    ----------
    say : callable
        Told all jobs' last phrases together, with the mean of their shares.
    words : str
        What the jobs are together.
    names : sequence of str
        The jobs.
    """

    def __init__(self, say: Say, words: str, names: tuple[str, ...]):
        self._say, self._words = say, words
        self._last: dict[str, str] = dict.fromkeys(names, "")
        self._lock = threading.Lock()

    def of(self, name: str) -> Say:
        """What the job of that name is to tell."""

        def told(words: str) -> None:
            with self._lock:
                self._last[name] = words
                shares = [getattr(last, "share", None) or 0.0 for last in self._last.values()]
                phrase = "; ".join(last for last in self._last.values() if last)
                share = sum(shares) / len(shares)
                self._say(Step(f"{self._words}: {phrase}", job=self._words, share=share))

        return told


def prefixed(say: Say, where: str, words: str) -> None:
    """Say a phrase of one job among several, with its figures."""
    if isinstance(words, Step):
        figures = {name: getattr(words, name) for name in ("share", "gap", "aim", "seconds", "afresh")}
        say(Step(where + words, job=where + words.job, **figures))
    else:
        say(where + words)
