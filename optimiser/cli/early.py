"""A first page soon: the best so far is kept at hand, and written while the search for a better one goes on."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimiser.results.run import SoFar
    from optimiser.summary.run import Summary

FIRST_PAGE_S = 25.0  # since the command began; writing it, on a busy machine, takes a while too
BETWEEN_PAGES_S = 60.0


class EarlyPages:
    """Keeps what a run knows so far, and writes it as an early page when the run takes long.

    Parameters
    ----------
    folder : Path
        Where the run's results go.
    note : callable
        Told in a line of each page.
    """

    def __init__(self, folder: Path, note: Callable[[str], None]):
        self.latest: SoFar | None = None
        self.written = False
        self._folder, self._note = folder, note
        self._due = time.monotonic() + FIRST_PAGE_S
        self._news, self._over = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> EarlyPages:
        self._thread.start()
        return self

    def __exit__(self, *problem: Any) -> None:
        """No page is begun from here on; one that is being written is finished first."""
        self._over.set()
        self._news.set()
        self._thread.join()

    def __call__(self, so_far: SoFar) -> None:
        """Take what the run knows."""
        self.latest = so_far
        self._news.set()

    def _watch(self) -> None:
        """Write what is new as soon as it is due."""
        while not self._over.is_set():
            self._news.wait()
            if self._over.wait(max(0.0, self._due - time.monotonic())):
                return
            self._news.clear()
            if self.latest is not None:
                self._write(self.latest)
                self._due = time.monotonic() + BETWEEN_PAGES_S

    def _write(self, so_far: SoFar) -> None:
        from optimiser.errors import OptimiserError
        from optimiser.results.write import write_results

        try:
            made = so_far.as_run("early")
            if self._over.is_set():
                return
            paths = write_results(made, self._folder)
        except OptimiserError as problem:
            self._note(f"no early page: {problem}")
            return
        self.written = True
        self._note(f"early page: {paths['report']} ({gap_in_words(made.summary)})")


def gap_in_words(summary: Summary) -> str:
    """The proven gap of a run, a share of the turnover with the money beside it."""
    from optimiser.words import of_turnover

    proof = summary.proof
    words = of_turnover(proof.gap_relative, proof.gap_absolute, summary.currency)
    return f"proven gap {words}".replace("\u00a0", " ")
