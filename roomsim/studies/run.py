"""Running the cases of a study: serially, on threads, processes or a cluster, in any order, with the same bits."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Protocol

from ..errors import InvalidValue, RoomsimError
from .case import CaseResult, run_case
from .cluster import ClusterFailed, connected
from .fingerprint import Fingerprints
from .outlook import Outlook, outlook
from .plan import Case, Plan, make_plan
from .result import assemble, result_bytes
from .settling import settle
from .store import CaseStore
from .work import Packer, end_with, one_thread, run_tasks, sheltered

if TYPE_CHECKING:
    import xarray

    from ..definitions import StudyDefinition

Progress = Callable[[int, int, str], None]
"""Called with the number of finished cases, the number of all, and the title of the last ("" where finished cases were
found at the start)."""

Before = Callable[[Outlook], None]
"""Called once, before the first case starts."""

Mapper = Callable[[Callable[[Case], CaseResult], Iterable[Case]], Iterable[CaseResult]]
"""Any map over cases that keeps their order."""

PROCESS_FROM = 12
"""Fewer cases run on threads: starting processes would cost more than it saves."""

IN_MEMORY_BYTES = 256_000_000
"""Larger results stay on disk and are read as they are asked for."""


class WorkerDied(RoomsimError):
    """A worker process was ended from outside."""


class Keeper(Protocol):
    """Where finished cases are kept."""

    def keys(self) -> set[str]: ...
    def get(self, key: str) -> CaseResult | None: ...
    def put(self, key: str, result: CaseResult) -> None: ...


class _Memory:
    """Finished cases of a small study."""

    def __init__(self) -> None:
        self._cases: dict[str, CaseResult] = {}

    def keys(self) -> set[str]:
        return set(self._cases)

    def get(self, key: str) -> CaseResult | None:
        return self._cases.get(key)

    def put(self, key: str, result: CaseResult) -> None:
        self._cases[key] = result


def predict(
    study: StudyDefinition,
    *,
    progress: Progress | None = None,
    before: Before | None = None,
    jobs: int | None = None,
    mapper: Mapper | None = None,
    cluster: str | None = None,
    store: CaseStore | str | os.PathLike[str] | None = None,
    settling: Progress | None = None,
) -> xarray.Dataset:
    """Predict every case of a study.

    Parameters
    ----------
    study : as `roomsim.load` returns it
    progress : told after each case
    before : told once how many cases are left, and about how long they take (`studies.outlook.Outlook`)
    jobs : cases at once; all cores by default
    mapper : any map over cases that keeps their order, instead of threads or processes
    cluster : address of a Dask scheduler, such as "tcp://127.0.0.1:8786", whose workers run the cases
    store : folder in which each finished case is kept, so that an interrupted study goes on where it stopped and
        a changed one computes only what the change touches; kept nowhere by default
    settling : told after each setting of a room that was solved, before the cases run

    Returns
    -------
    labelled arrays; see DEVELOPERS.md, section Result. A result above 256 MB stays on disk, in the store or in a
    temporary folder until Python ends, and is read as it is asked for

    Raises
    ------
    DefinitionError : where a case breaks a rule
    InvalidValue : jobs below 1, more than one of jobs, mapper and cluster, a cluster that does not answer
    OutputError : the store cannot be written, or another process uses it
    WorkerDied : a worker process was ended from outside
    ClusterFailed : the cluster lost its scheduler or all its workers
    KeyboardInterrupt : Ctrl-C; its text says how much is kept

    Notes
    -----
    What comes out does not depend on jobs, mapper, cluster, store, or the order in which cases finish.

    Examples
    --------
    >>> quick = {"rooms.small": None, "rooms.large": None, "settings": ["ordinary"], "seats.count": 3,
    ...          "frequency.per_octave": 6}
    >>> result = roomsim.predict(roomsim.load(roomsim.write_demo("roomsim-demo"), changes=quick))
    >>> result.level_db.dims
    ('design', 'room', 'setting', 'place', 'channel', 'listener', 'frequency')
    """
    refuse_ways(jobs, mapper, cluster)               # before settings are solved, which may take a while
    if store is not None and not isinstance(store, CaseStore):
        with CaseStore(store) as kept:
            return predict(study, progress=progress, before=before, jobs=jobs, mapper=mapper, cluster=cluster,
                           store=kept, settling=settling)
    settle(study, jobs=jobs, progress=settling, store=store)
    plan = make_plan(study)
    return predict_plan(plan, study, progress=progress, before=before, jobs=jobs, mapper=mapper, cluster=cluster,
                        store=store)


def predict_plan(
    plan: Plan,
    study: StudyDefinition,
    *,
    progress: Progress | None = None,
    before: Before | None = None,
    jobs: int | None = None,
    mapper: Mapper | None = None,
    cluster: str | None = None,
    store: CaseStore | str | os.PathLike[str] | None = None,
) -> xarray.Dataset:
    """Predict the cases of a plan that was made from a study, such as its places moved or its materials drawn.

    Parameters
    ----------
    plan : its first dimensions are those of a study's plan
    study : for the record of inputs
    progress, before, jobs, mapper, cluster, store : as for `predict`

    Returns
    -------
    as `predict`, with the plan's dimensions
    """
    refuse_ways(jobs, mapper, cluster)
    with _keeper(plan, store) as kept:
        prints = Fingerprints()
        keys = [prints.of_case(case) for case in plan.cases]
        _finish(plan, keys, kept, progress, before, _Way(prints=prints, jobs=jobs, mapper=mapper, cluster=cluster))
        if isinstance(kept, CaseStore):
            kept.keep_only(keys)
        return assemble(plan, keys, kept.get, study, in_memory=result_bytes(plan) <= IN_MEMORY_BYTES)


def refuse_ways(jobs: int | None, mapper: Mapper | None, cluster: str | None) -> None:
    """Refuse ways to run cases that are none, or several at once."""
    if jobs is not None and jobs < 1:
        raise InvalidValue("jobs", jobs, "must be 1 or more")
    if sum(x is not None for x in (jobs, mapper, cluster)) > 1:
        raise InvalidValue("jobs", jobs, "give one of jobs, mapper and cluster")


def pending(study: StudyDefinition, store: CaseStore) -> int:
    """How many cases of a study are still to be computed."""
    prints = Fingerprints()
    return len({prints.of_case(case) for case in make_plan(study).cases} - store.keys())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """How cases are run."""

    prints: Fingerprints
    jobs: int | None
    mapper: Mapper | None
    cluster: str | None

    def workers(self, cases: int) -> int | None:
        """How many run at once; None where a cluster will say."""
        if self.cluster is not None:
            return None
        return 1 if self.mapper is not None else max(min(self.cores, cases), 1)

    @property
    def cores(self) -> int:
        """How many may be used here."""
        from joblib import cpu_count

        return self.jobs or cpu_count()

    def processes(self, cases: int) -> bool:
        """Whether worker processes are started here, not threads."""
        return self.cluster is None and self.mapper is None and cases >= PROCESS_FROM and self.workers(cases) != 1

    def outlook(self, cases: list[tuple[int, Case]], total: int, finished: int) -> Outlook:
        count = len(cases)
        return outlook([case for _, case in cases], total, finished, self.workers(count), self.processes(count))


def _finish(
    plan: Plan, keys: Sequence[str], kept: Keeper, progress: Progress | None, before: Before | None, way: _Way
) -> None:
    """Compute what is not there yet."""
    alike = Counter(keys)
    whole = {key for key in kept.keys() & alike.keys() if kept.get(key) is not None}
    first = {key: k for k, key in reversed(list(enumerate(keys)))}
    done = sum(key in whole for key in keys)
    total = len(keys)
    wanted = in_order([(k, plan.cases[k]) for k in sorted(first[key] for key in first.keys() - whole)])
    if before:
        before(way.outlook(wanted, total, done))
    if done and progress:
        progress(done, total, "")
    if not wanted:
        return
    try:
        for index, result in _results(wanted, way):
            kept.put(keys[index], result)
            done += alike[keys[index]]
            if progress:
                progress(done, total, plan.cases[index].title)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(f"interrupted; {_standing(done, total, kept)}") from None
    except (WorkerDied, ClusterFailed) as error:
        raise type(error)(f"{error}; {_standing(done, total, kept)}") from None


def _standing(done: int, total: int, kept: Keeper) -> str:
    if not isinstance(kept, CaseStore):
        return "nothing is kept"
    if done == 0:
        return "no case is finished yet, nothing half-written was left"
    return f"{done} of {total} cases are finished and kept: the same command goes on from there"


@contextmanager
def _keeper(plan: Plan, store: CaseStore | str | os.PathLike[str] | None) -> Iterator[Keeper]:
    """The store as given (in use already, where it is one), memory, or a temporary folder for a large result."""
    if isinstance(store, CaseStore):
        yield store
        return
    if store is None:
        if result_bytes(plan) <= IN_MEMORY_BYTES:
            yield _Memory()
            return
        store = tempfile.mkdtemp(prefix="roomsim-")
        atexit.register(shutil.rmtree, store, ignore_errors=True)
    with CaseStore(store) as kept:
        yield kept


def _results(cases: list[tuple[int, Case]], way: _Way) -> Iterator[tuple[int, CaseResult]]:
    """Index and result of each case, as they finish."""
    if way.mapper is not None:
        done = way.mapper(run_case, [case for _, case in cases])
        for (index, _), result in zip(cases, done, strict=True):
            yield index, result
        return
    packer, workers = Packer(way.prints), way.workers(len(cases))
    if workers is None:
        with connected(way.cluster) as (backend, count):
            tasks = ([packer.task(*one) for one in some] for some in together(cases, count))
            yield from _parallel(run_tasks, tasks, count, backend=backend)
    elif way.processes(len(cases)):
        tasks = ([packer.task(*one) for one in some] for some in together(cases, workers))
        yield from _parallel(run_tasks, tasks, workers, backend="loky", initializer=end_with, initargs=(os.getpid(),))
    else:
        # So many cases at once as there are cores; those that are left over have several cores each.
        left = cases if workers == 1 else cases[len(cases) - len(cases) % workers :]
        with one_thread():
            if len(cases) > len(left):
                at_once = together(cases[: len(cases) - len(left)], workers)
                yield from _parallel(_run_together, at_once, workers, backend="threading")
            for index, case in left:
                yield index, run_case(case, threads=way.cores)


MOST_TOGETHER = 6
"""Cases that a worker takes at once, and that are lost when it is killed."""


def together(cases: Sequence[tuple[int, Case]], workers: int) -> Iterator[list[tuple[int, Case]]]:
    """Cases in the order in which they share most: designs at one place in one room go to a worker together."""
    most = max(1, min(MOST_TOGETHER, len(cases) // (2 * workers)))
    for _, group in groupby(in_order(cases), key=lambda one: _where(one[1])):
        some = list(group)
        yield from (some[k : k + most] for k in range(0, len(some), most))


def in_order(cases: Sequence[tuple[int, Case]]) -> list[tuple[int, Case]]:
    """Rooms as they are, in each room place by place, at each place design by design."""
    first: dict[Any, int] = {}
    for index, case in cases:
        first.setdefault(_where(case), index)
    return sorted(cases, key=lambda one: (first[_where(one[1])], one[0]))


def _where(case: Case) -> tuple[Any, ...]:
    """What cases that differ only in the design have in common."""
    return id(case.room), case.place, case.seats


def _run_together(*some: tuple[int, Case]) -> list[tuple[int, CaseResult]]:
    return [(index, run_case(case)) for index, case in some]


def _parallel(
    function: Callable[..., Any], arguments: Iterable[Sequence[Any]], workers: int, *, backend: Any, **settings: Any
) -> Iterator[tuple[int, CaseResult]]:
    from joblib import Parallel, delayed, parallel_config
    from joblib.externals.loky.process_executor import BrokenProcessPool

    # Ctrl-C is told once, in our words.
    warnings.filterwarnings("ignore", r"\d+ tasks (which|have)", UserWarning)
    with parallel_config(backend=backend, **settings):
        pool = Parallel(n_jobs=workers, return_as="generator_unordered", batch_size=1, max_nbytes=None)
        try:
            with sheltered() if backend == "loky" else nullcontext():
                results = pool(delayed(function)(*some) for some in arguments)
            for some in results:
                yield from some
        except BrokenProcessPool:
            raise WorkerDied("a worker process died; where memory is short, fewer --jobs may help") from None
