"""Where cases are worked out: processes of this machine, an executor of the user's, or a Dask cluster.

All three are executors of the standard library's kind, and one loop serves them.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from multiprocessing.connection import wait as wait_for
from typing import Any

from optimiser.batch.sweep.cases import CaseOutcome, Model, attempt_packed
from optimiser.engine.windows import cores
from optimiser.errors import OptimiserError
from optimiser.versions import versions

Work = tuple[str, Mapping[str, Any]]
LOST = "its process ended without a word, as when memory runs out. Use fewer workers, or a shorter timeline."


class WorkPool:
    """An executor given by the user.

    Parameters
    ----------
    executor : Executor
    workers : int or None
        How many cases it works on at once; left out: the cores of this machine.
    """

    def __init__(self, executor: Executor, workers: int | None = None):
        self.executor = executor
        self.workers = workers or cores()

    def share(self, packed: bytes) -> Any:
        """The model as each task is handed it."""
        return packed

    def submit(self, call: Callable[..., Any], *given: Any) -> Future[Any]:
        """Hand in a task."""
        return self.executor.submit(call, *given)

    def renew(self) -> None:
        """Take up work again after a process was lost."""
        raise OptimiserError(
            "the executor that was given has lost a process and takes no more work. Finished cases are kept; "
            "go on with a new one."
        )

    def close(self) -> None:
        """The executor stays the user's."""


class LocalProcesses(WorkPool):
    """Processes of this machine, started afresh rather than forked, so that it is the same on every platform."""

    def __init__(self, workers: int | None = None):
        super().__init__(self._pool(workers or cores()), workers)
        try:
            self.submit(os.getpid).result()
        except BrokenExecutor:
            self.close()
            raise OptimiserError(
                "no worker process could be started. In a script, call this below "
                "`if __name__ == '__main__':`, since workers read the script too."
            ) from None
        except BaseException:  # an interruption: what the pool holds of the system is given back
            self.close()
            raise

    @staticmethod
    def _pool(workers: int) -> Executor:
        return ProcessPoolExecutor(
            workers, mp_context=multiprocessing.get_context("spawn"), initializer=_as_worker
        )

    def submit(self, call: Callable[..., Any], *given: Any) -> Future[Any]:
        """Hand in a task; a process that is started for it hears of no interruption from its first moment on."""
        with _interruptions_held():
            return self.executor.submit(call, *given)

    def renew(self) -> None:
        """New processes in place of the lost ones."""
        self.close()
        self.executor = self._pool(self.workers)

    def close(self) -> None:
        """End the processes."""
        self.executor.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def _interruptions_held() -> Iterator[None]:
    """Hold interruptions back for a moment; processes that are started within never get theirs, this one does after.

    Where the platform has no such mask, a worker heeds them until `_as_worker` has run.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _as_worker() -> None:
    """Leave interruptions to the process that started this one, and end when it is gone, however it went."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: Any) -> None:
    wait_for([sentinel])
    os.kill(os.getpid(), signal.SIGTERM)


class Cluster(WorkPool):
    """A Dask cluster that is already running.

    Parameters
    ----------
    address : str
        Of its scheduler, such as tcp://scheduler:8786.

    Raises
    ------
    OptimiserError
        If it does not answer, or a worker has another version of this package or of the solver.
    """

    def __init__(self, address: str):
        try:
            from distributed import Client
        except ImportError:
            raise OptimiserError(
                "a cluster needs Dask, which is not installed. Install the extra: pip install 'optimiser[cluster]'."
            ) from None
        try:
            self._client = Client(address, timeout=20, set_as_default=False)
        except (OSError, ValueError) as problem:
            raise OptimiserError(
                f"the cluster at {address} does not answer: {problem}. Check the address."
            ) from None
        try:
            self._check(address)
        except BaseException:
            self._client.close()
            raise
        threads = sum(self._client.nthreads().values())
        super().__init__(self._client.get_executor(pure=False), threads)

    def _check(self, address: str) -> None:
        found = self._client.run(versions, on_error="return")
        if not found:
            raise OptimiserError(f"the cluster at {address} has no workers. Start some.")
        other = {worker: words for worker, words in found.items() if words != versions()}
        if other:
            worker, words = next(iter(other.items()))
            raise OptimiserError(
                f"{len(other)} of {len(found)} workers of the cluster cannot take part; {worker} has {words!r}, here "
                f"is {versions()!r}. Install the same version of this package there."
            )

    def share(self, packed: bytes) -> Any:
        """The model, sent to each worker once."""
        return self._client.scatter(packed, broadcast=True)

    def renew(self) -> None:
        """The cluster replaces its own workers."""

    def close(self) -> None:
        """Leave the cluster as it is."""
        self.executor.shutdown(wait=False)
        self._client.close()


def carry_out(
    model: Model, works: Iterable[Work], pool: WorkPool, keep: Callable[[CaseOutcome], None]
) -> None:
    """Work out cases, no more than twice as many under way as there are workers, and hand on each as it is done.

    When a process is lost, the cases that were under way are tried again one by one: what is lost then is to blame.

    Parameters
    ----------
    model : callable
        Picklable.
    works : iterable of (str, dict)
        Key and changes of each case.
    pool : WorkPool
    keep : callable
        Told each outcome, in the order in which they come.
    """
    shared = pool.share(pickle.dumps(model))
    waiting: Iterator[Work] = iter(works)
    under_way: dict[Future[CaseOutcome], Work] = {}

    def submit(work: Work) -> None:
        under_way[pool.submit(attempt_packed, shared, *work)] = work

    while True:
        broken: list[Work] = []
        while len(under_way) < 2 * pool.workers and (work := next(waiting, None)) is not None:
            try:
                submit(work)
            except BrokenExecutor:
                broken.append(work)
                break
        if not under_way and not broken:
            return
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            work = under_way.pop(future)
            outcome = _outcome(future, work)
            if outcome is None:
                broken.append(work)
            else:
                keep(outcome)
        if broken:
            broken += under_way.values()
            under_way.clear()
            _one_by_one(shared, broken, pool, keep)


def _one_by_one(shared: Any, works: list[Work], pool: WorkPool, keep: Callable[[CaseOutcome], None]) -> None:
    pool.renew()
    for work in works:
        try:
            outcome = _outcome(pool.submit(attempt_packed, shared, *work), work)
        except BrokenExecutor:
            outcome = None
        if outcome is None:
            pool.renew()
            outcome = CaseOutcome(work[0], "process lost", LOST, 0.0, {})
        keep(outcome)


def _outcome(future: Future[CaseOutcome], work: Work) -> CaseOutcome | None:
    """What came of a case; None if its process was lost."""
    try:
        return future.result()
    except BrokenExecutor:
        return None
    except (
        Exception
    ) as problem:  # the executor's own trouble: a worker that vanished too often, what cannot be sent
        return CaseOutcome(work[0], "process lost", f"{type(problem).__name__}: {problem}", 0.0, {})
