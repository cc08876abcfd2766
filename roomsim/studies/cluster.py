"""Cases on a Dask cluster: the workers' packages are checked, and a cluster that falls away is an error, not a wait."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from ..errors import InvalidValue, RoomsimError
from .fingerprint import source_hash, versions

CONNECT_S, WORKERS_S = 15, 20
"""How long an answer of the scheduler, and how long a worker, is waited for."""


class ClusterFailed(RoomsimError):
    """The cluster lost its scheduler or its workers during the work."""


@contextmanager
def connected(address: str) -> Iterator[tuple[Any, int]]:
    """A joblib backend on the cluster at an address, and how many cases its workers can run at once.

    Raises
    ------
    InvalidValue : no distributed package here, nothing answers at the address, no worker joins, or workers without
        the same roomsim, numpy, scipy, numba and Python
    """
    try:
        from distributed import Client
    except ImportError:
        raise InvalidValue("cluster", address, "needs the package distributed",
                           "pip install 'roomsim[cluster]' installs it") from None
    log = logging.getLogger("distributed")
    level = log.level
    log.setLevel(logging.CRITICAL)                  # lost connections are told once, in our words
    try:
        client = Client.__new__(Client)
        try:
            client.__init__(address, timeout=CONNECT_S, set_as_default=False)
        except Exception as error:                  # what the package raises differs by address and version
            with suppress(Exception):               # or it closes itself once collected, perhaps inside the next one's
                client.close(timeout=5)             # start, where it would wait for that one's lock for ever
            raise InvalidValue("cluster", address, f"no Dask scheduler answers there ({_first_line(error)})",
                               "start one, and say its address as it prints it, such as tcp://10.0.0.5:8786") from None
        try:
            _check_workers(client, address)
            backend = _backend(client)
            with _watched(client, backend):
                yield backend, max(sum(client.ncores().values()), 1)
        finally:
            client.close(timeout=5)
    finally:
        log.setLevel(level)


def software() -> dict[str, str]:
    """What must be the same everywhere for the same bits."""
    return {**versions(), "roomsim's source": source_hash()[:12]}


def _check_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TimeoutError:
        raise InvalidValue("cluster", address, "has no workers", "start workers that join this scheduler") from None
    try:
        found = client.run(software)
    except Exception as error:
        raise InvalidValue("cluster", address, f"its workers cannot run roomsim ({_first_line(error)})",
                           "install the same roomsim in the environment of every worker") from None
    here = software()
    for worker, there in sorted(found.items()):
        if other := [f"{name} {there.get(name, 'missing')} instead of {here[name]}" for name in here
                     if there.get(name) != here[name]]:
            raise InvalidValue("cluster", address, f"its worker {worker} has {', '.join(other)}",
                               "results would depend on where a case runs: install the same versions everywhere")


def _backend(client: Any) -> Any:
    """joblib's Dask backend that also reports tasks which the cluster itself could not finish.

    joblib's own tells its caller nothing of these, and would wait for ever.
    """
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):
        def __init__(self) -> None:
            super().__init__(client=client)
            self._pending: dict[Any, Callable[[Any], None]] = {}
            self._guard = threading.Lock()

        def effective_n_jobs(self, n_jobs: int) -> int:
            return max(super().effective_n_jobs(n_jobs), 2)       # for a single one joblib would run all of it here

        def submit(self, func: Any, callback: Callable[[Any], None] | None = None) -> Any:
            future = super().submit(func, callback)
            if callback is not None:
                with self._guard:
                    self._pending[future] = callback
                future.add_done_callback(self._ended)
            return future

        def _ended(self, future: Any) -> None:
            with self._guard:
                callback = self._pending.pop(future, None)
            if callback is not None and not future.cancelled() and (error := future.exception()) is not None:
                callback(_Lost(error))

        def give_up(self, why: str) -> None:
            """Every task that is still out has failed."""
            with self._guard:
                callbacks = list(self._pending.values())
                self._pending.clear()
            for callback in callbacks:
                callback(_Lost(ClusterFailed(why)))

        def retrieve_result_callback(self, out: Any) -> Any:
            error = out.error if isinstance(out, _Lost) else out
            if isinstance(error, RoomsimError):
                raise error
            if isinstance(error, BaseException):         # of the cluster; those of a case come wrapped
                raise ClusterFailed(f"the cluster could not finish a case ({_first_line(error)}); where its workers "
                                    "are short of memory, give them more or run fewer at once")
            return super().retrieve_result_callback(out)

    return Backend()


class _Lost:
    """Stands for the result of a task that the cluster could not finish."""

    def __init__(self, error: BaseException) -> None:
        self.error = error


@contextmanager
def _watched(client: Any, backend: Any) -> Iterator[None]:
    """Give up when the scheduler has gone, or when no worker has been there for WORKERS_S."""
    over = threading.Event()

    def watch() -> None:
        alone = 0.0
        while not over.wait(2.0):
            if client.status not in ("running", "connecting"):
                return backend.give_up("the cluster's scheduler has gone")
            try:
                alone = 0.0 if client.ncores() else alone + 2.0
            except Exception:                           # the connection is just breaking: the status will tell
                continue
            if alone >= WORKERS_S:
                return backend.give_up(f"the cluster has had no worker for {WORKERS_S} s")

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(5)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [""])[0][:200] or type(error).__name__
