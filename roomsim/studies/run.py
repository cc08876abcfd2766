"""Running the cases of a study, on threads or processes, in any order, with the same bits."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

from ..errors import InvalidValue
from .case import CaseResult, run_case
from .plan import Case, make_plan
from .result import assemble

if TYPE_CHECKING:
    import xarray

    from ..definitions import StudyDefinition

Progress = Callable[[int, int, str], None]
"""Called with the number of finished cases, the number of all, and the title of the last."""

PROCESS_FROM = 12
"""Studies of fewer cases run on threads: starting processes would cost more than it saves."""


def predict(
    study: StudyDefinition,
    *,
    progress: Progress | None = None,
    jobs: int | None = None,
    mapper: Callable[[Callable[[Case], CaseResult], Iterable[Case]], Iterable[CaseResult]] | None = None,
) -> xarray.Dataset:
    """Predict every case of a study.

    Parameters
    ----------
    study : as `roomsim.load` returns it
    progress : told after each case
    jobs : cases at once; all cores by default
    mapper : any map over cases that keeps their order, instead of threads or processes

    Returns
    -------
    labelled arrays; see DEVELOPERS.md, section Result

    Raises
    ------
    DefinitionError : where a case breaks a rule
    InvalidValue : jobs below 1
    """
    if jobs is not None and jobs < 1:
        raise InvalidValue("jobs", jobs, "must be 1 or more")
    plan = make_plan(study)
    done = mapper(run_case, plan.cases) if mapper else _run(plan.cases, jobs)
    results: list[CaseResult] = []
    for case, result in zip(plan.cases, done, strict=True):
        results.append(result)
        if progress:
            progress(len(results), len(plan.cases), case.title)
    return assemble(plan, results, study)


def _run(cases: tuple[Case, ...], jobs: int | None) -> Iterator[CaseResult]:
    from joblib import Parallel, cpu_count, delayed
    from threadpoolctl import threadpool_limits

    workers = min(jobs or cpu_count(), len(cases))
    with threadpool_limits(limits=1):
        if workers == 1:
            yield from map(run_case, cases)
            return
        backend: dict[str, Any] = (
            {"backend": "loky", "inner_max_num_threads": 1} if len(cases) >= PROCESS_FROM
            else {"backend": "threading"}
        )
        from joblib import parallel_config

        with parallel_config(**backend):
            yield from Parallel(n_jobs=workers, return_as="generator")(delayed(run_case)(c) for c in cases)
