"""Progress on standard error: a bar on a terminal, plain lines elsewhere, and never long without a word."""

from __future__ import annotations

import contextlib
import math
import sys
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import click

from optimiser.progress import Step

LONGEST_SILENCE_S = 4.0  # between two lines
TICK_S = 0.25
LEAST_SEEN_S = 1.0  # of a job before what is left of it is guessed
LEAST_SHARE = 0.01


@dataclass
class Standing:
    """How far the work has come, from what it says.

    Attributes
    ----------
    began : float
        The clock when the work began. [s]
    words, job : str
        The last phrase, and what it counts.
    """

    began: float
    words: str = "starting"
    job: str = ""
    share: float | None = None
    gap: float | None = None
    _job_began: float = 0.0
    _first_share: float = 0.0
    _gaps: list[tuple[float, float]] = field(default_factory=list)
    _aim: float | None = None
    _last: float = math.inf

    def tell(self, words: str, now: float) -> bool:
        """Take a phrase; True where it is of another job than the last."""
        step = words if isinstance(words, Step) else Step(words)
        new = step.job != self.job
        if step.afresh:
            self.gap, self._gaps, self._last = None, [], math.inf
        if new:
            self.job, self._job_began, self._first_share = step.job, now, step.share or 0.0
        self.words, self.share = str(step), step.share
        if step.gap is not None:
            self.gap, self._aim = step.gap, step.aim
            self._gaps.append((now, step.gap))
        if step.seconds is not None:
            self._last = now + step.seconds
        return new

    def left(self, now: float) -> str:
        """What is left of this job in words, learnt from its pace so far; nothing where nobody can know."""
        if self.share is not None:
            done, took = self.share - self._first_share, now - self._job_began
            if self.share >= 1 or took < LEAST_SEEN_S or done < LEAST_SHARE:
                return ""
            return f"about {in_short((1 - self.share) * took / done)} left of this"
        if self.gap is None or self._last <= now:
            return ""
        latest = self._last - now
        pace = self._pace()
        if pace is not None and self._aim and pace < latest:
            return f"about {in_short(pace)} left of this"
        return "" if latest == math.inf else f"at most {in_short(latest)} left of this"

    def _pace(self) -> float | None:
        """Seconds until the gap is as small as it is to be, if it goes on falling as it did. [s]"""
        if len(self._gaps) < 2 or not self._aim:
            return None
        (first, wide), (last, narrow) = self._gaps[0], self._gaps[-1]
        if not 0 < narrow < wide or narrow <= self._aim:
            return None
        return (last - first) * math.log(narrow / self._aim) / math.log(wide / narrow)


def in_short(seconds: float) -> str:
    """A length of time: 45 s, 3 min, 2 h."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


class progress:  # noqa: N801 - used as a word after `with`
    """What is being done, how far it has come and what is left of it, on standard error.

    Parameters
    ----------
    quiet : bool
        Whether to say nothing at all.
    """

    def __init__(self, quiet: bool):
        self._standing = Standing(time.monotonic())
        self._form: _Bar | _Lines | None = None if quiet else _form()
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._tick, daemon=True)

    def __enter__(self) -> progress:
        if self._form is not None:
            self._form.begin()
            self._thread.start()
        return self

    def __exit__(self, *problem: Any) -> None:
        self._over.set()
        if self._form is not None:
            self._thread.join()
            self._form.end(self._standing)

    def __call__(self, words: str) -> None:
        """Take a phrase of the work."""
        now = time.monotonic()
        with self._lock:
            new = self._standing.tell(words, now)
            if self._form is not None and not self._over.is_set():
                self._form.told(self._standing, now, new)

    def note(self, words: str) -> None:
        """A line that stays, above what is being done."""
        with self._lock:
            if self._form is not None and not self._over.is_set():
                self._form.note(words)

    def _tick(self) -> None:
        while not self._over.wait(TICK_S):
            with self._lock:
                assert self._form is not None
                self._form.tick(self._standing, time.monotonic())


class _Lines:
    """A line when something else begins, and often enough while it lasts."""

    def begin(self) -> None:
        """Work begins."""
        self._began = self._printed = time.monotonic()
        self._shown = ""

    def end(self, standing: Standing) -> None:
        """Work is over: how far it came is said, if it was not."""
        if self._shown and self._shown != standing.words:
            self._print(standing, time.monotonic())

    def told(self, standing: Standing, now: float, new: bool) -> None:
        """A phrase has come."""
        if new:
            self._print(standing, now)

    def tick(self, standing: Standing, now: float) -> None:
        """Time has passed."""
        if now - self._printed >= LONGEST_SILENCE_S:
            self._print(standing, now)

    def note(self, words: str) -> None:
        """A line that stays."""
        self._echo(words, time.monotonic())

    def _print(self, standing: Standing, now: float) -> None:
        self._shown, left = standing.words, standing.left(now)
        gap = "" if standing.gap is None or "gap" in standing.words else f", gap {percent(standing.gap)}"
        self._echo(standing.words + gap + (f", {left}" if left else ""), now)

    def _echo(self, words: str, now: float) -> None:
        self._printed = now
        with contextlib.suppress(OSError, ValueError):  # nobody reads it any more
            click.echo(f"{now - self._began:6.1f} s  {words}", err=True)


class _Bar:
    """One line that changes: what is being done, a bar where its parts can be counted, the gap, what is left."""

    def begin(self) -> None:
        """Work begins."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
        from rich.table import Column

        words = TextColumn("{task.description}", markup=False, table_column=Column(ratio=1, no_wrap=True))
        self._progress = Progress(
            SpinnerColumn(),
            words,
            BarColumn(bar_width=16),
            TextColumn("{task.fields[facts]}", markup=False, table_column=Column(no_wrap=True)),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
            expand=True,
        )
        self._task = self._progress.add_task("starting", total=None, facts="")
        self._progress.start()

    def end(self, standing: Standing) -> None:
        """Work is over."""
        self._progress.stop()

    def told(self, standing: Standing, now: float, new: bool) -> None:
        """A phrase has come."""
        self.tick(standing, now)

    def tick(self, standing: Standing, now: float) -> None:
        """Time has passed."""
        gap = "" if standing.gap is None else f"gap {percent(standing.gap)}"
        facts = ", ".join(words for words in (gap, standing.left(now)) if words)
        total = None if standing.share is None else 1.0
        self._progress.update(
            self._task,
            description=standing.words,
            total=total,
            completed=standing.share or 0.0,
            facts=facts,
        )

    def note(self, words: str) -> None:
        """A line that stays."""
        self._progress.console.print(words, markup=False, highlight=False)


def percent(gap: float) -> str:
    """A gap as a share of the turnover."""
    return f"{100 * gap:.2g} %"


def _form() -> _Bar | _Lines:
    if sys.stderr.isatty():
        from rich.console import Console

        if not Console(stderr=True).is_dumb_terminal:
            return _Bar()
    return _Lines()
