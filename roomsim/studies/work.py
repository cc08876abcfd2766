"""A case on its way to a worker process: what many cases share is packed once and unpacked once."""

from __future__ import annotations

import os
import pickle
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from .case import CaseResult, run_case
from .fingerprint import Fingerprints
from .plan import Case

MOST_HELD = 24
"""Rooms and loudspeakers that a worker keeps, with the tables that engines have made of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shared:
    """An object that several cases have in common, packed."""

    key: bytes
    packed: bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """A case without what it shares."""

    index: int
    case: Case
    shared: dict[str, Shared]


class Packer:
    """Makes tasks of cases; each room and loudspeaker is packed once."""

    def __init__(self, prints: Fingerprints) -> None:
        self._prints = prints
        self._known: dict[bytes, Shared] = {}

    def task(self, index: int, case: Case) -> Task:
        """The task of a case."""
        shared = {name: self._shared(getattr(case, name)) for name in SHARED}
        return Task(index=index, case=replace(case, **dict.fromkeys(SHARED)), shared=shared)

    def _shared(self, value: Any) -> Shared:
        key = self._prints.of(value)
        if key not in self._known:
            self._known[key] = Shared(key=key, packed=pickle.dumps(value, pickle.HIGHEST_PROTOCOL))
        return self._known[key]


SHARED = ("room", "loudspeaker", "system")
"""Fields of a case that many cases share."""

_HELD: OrderedDict[bytes, Any] = OrderedDict()
_HOLDING = threading.Lock()


def run_tasks(*tasks: Task) -> list[tuple[int, CaseResult]]:
    """Run tasks in a worker, on one thread; index and result of each."""
    with one_thread():
        return [
            (task.index, run_case(replace(task.case, **{name: _held(one) for name, one in task.shared.items()})))
            for task in tasks
        ]


def _held(shared: Shared) -> Any:
    with _HOLDING:                                      # a cluster's worker may run several cases on threads
        if shared.key not in _HELD:
            _HELD[shared.key] = pickle.loads(shared.packed)
            if len(_HELD) > MOST_HELD:
                _HELD.popitem(last=False)
        _HELD.move_to_end(shared.key)
        return _HELD[shared.key]


_LIMITED = threading.Lock()
_limit: Any = None
_inside = 0


@contextmanager
def one_thread() -> Iterator[None]:
    """Linear algebra on one thread: two would already change the bits.

    The limit holds for the whole process, so that of several threads inside the last to leave lifts it.
    """
    global _limit, _inside
    with _LIMITED:
        if _inside == 0:
            _limit = _controller().limit(limits=1)
        _inside += 1
    try:
        yield
    finally:
        with _LIMITED:
            _inside -= 1
            if _inside == 0:
                _lift(_limit)


def _controller() -> Any:
    import scipy.linalg  # noqa: F401  what the engines load must be there to be limited
    from threadpoolctl import ThreadpoolController

    from ..engines import hybrid  # noqa: F401

    return ThreadpoolController()


def _lift(limit: Any) -> None:
    """End a limit, also from another thread than the one that set it: newer versions obey that one alone until told."""
    from threadpoolctl import OpenBLASController

    release = getattr(OpenBLASController, "clear_controlling_thread", lambda force: None)
    release(force=True)
    limit.restore_original_limits()
    release(force=True)


@contextmanager
def sheltered() -> Iterator[None]:
    """Processes that start inside never see Ctrl-C, which a terminal sends to all: this one alone answers, afterwards.

    They inherit the blocked signal, so that it cannot strike while they still load, before any code of ours runs.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker as plain

    from joblib.externals.loky.backend import resource_tracker as of_the_pool

    for tracker in (plain, of_the_pool):                # their start lifts the block again: let it be over
        tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def end_with(parent: int) -> None:
    """End this worker soon after the process that started it, however that one ended."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    if os.name == "posix":
        threading.Thread(target=watch, daemon=True).start()
