"""Cases on a real Dask scheduler with worker processes: the same bytes as at home, and clear errors."""

from __future__ import annotations

import functools
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import xarray as xr
from made_studies import STUDY, write_study

import roomsim
from roomsim.cli import main
from roomsim.engines.hybrid import Options
from roomsim.errors import InvalidValue
from roomsim.files.netcdf import write_netcdf
from roomsim.report import write
from roomsim.studies import cluster, plan, run

HOME = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
ENVIRONMENT = {**os.environ, "PYTHONPATH": HOME, "OMP_NUM_THREADS": "1"}
SMALL = STUDY.replace("8000, per_octave: 12", "2000, per_octave: 3").replace("count: 3", "count: 2")
SCHEDULER = """import asyncio, sys
from distributed import Scheduler
async def go():
    async with Scheduler(host="127.0.0.1", port=int(sys.argv[1]), dashboard=False) as it:
        await it.finished()
asyncio.run(go())"""
WORKER = """import asyncio, sys
from distributed import Worker
async def go():
    async with Worker(sys.argv[1], nthreads=int(sys.argv[2]), dashboard=False, host="127.0.0.1") as it:
        await it.finished()
asyncio.run(go())"""


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays and few figures: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))
    monkeypatch.setattr(write, "MOST_FIGURES", 1)


class Local:
    """A scheduler and its workers, each a process of its own."""

    def __init__(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{port}"
        self.scheduler = self._start(SCHEDULER, str(port))
        self.workers: list[subprocess.Popen] = []

    def _start(self, code: str, *arguments: str) -> subprocess.Popen:
        return subprocess.Popen([sys.executable, "-c", code, *arguments], env=ENVIRONMENT,
                                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def worker(self, threads: int = 1) -> subprocess.Popen:
        self.workers.append(self._start(WORKER, self.address, str(threads)))
        return self.workers[-1]

    def wait_for(self, count: int) -> None:
        from distributed import Client

        with Client(self.address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def end(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def local() -> Iterator[Local]:
    it = Local()
    yield it
    it.end()


def workers_used(address: str) -> set[int]:
    """Process ids of the workers that have run cases: those that hold what cases share."""
    from distributed import Client

    def held() -> tuple[int, int]:
        import os

        from roomsim.studies import work

        return os.getpid(), len(work._HELD)

    with Client(address, timeout=60, set_as_default=False) as client:
        return {number for number, count in client.run(held).values() if count}


def identical(one: xr.Dataset, other: xr.Dataset) -> bool:
    xr.testing.assert_identical(one, other)
    return all(one[name].values.tobytes() == other[name].values.tobytes()
               for name in one.data_vars if one[name].dtype != object)


def test_serial_pool_and_cluster_give_the_same_bytes(tmp_path: Path, local: Local, monkeypatch) -> None:
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(6)]
    path = write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n")
    local.worker()
    local.worker(threads=2)
    local.wait_for(2)
    monkeypatch.setattr(run, "PROCESS_FROM", 2)
    monkeypatch.setattr(write, "fill", lambda output, result, *_: write_netcdf(result, output.path("result.nc")))
    for name, how in {"one": ["--jobs", "1"], "pool": ["--jobs", "2"], "far": ["--cluster", local.address]}.items():
        assert main(["predict", str(path), *how, "--out", str(tmp_path / name)]) == 0
    bytes_of = {name: (tmp_path / name / "result.nc").read_bytes() for name in ("one", "pool", "far")}
    assert bytes_of["one"] == bytes_of["pool"] == bytes_of["far"]
    assert workers_used(local.address) == {worker.pid for worker in local.workers}      # both, and no other process
    cases = [{p.name: p.read_bytes() for p in (tmp_path / f"{name}.cases").glob("*.case")} for name in bytes_of]
    assert cases[0] == cases[1] == cases[2] and len(cases[0]) == 6


def test_a_worker_that_dies_and_a_scheduler_that_goes(tmp_path: Path, local: Local, monkeypatch) -> None:
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(14)]
    path = write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n")
    study = roomsim.load(path)
    local.worker()
    local.worker()
    local.wait_for(2)
    done: list[int] = []

    def one_dies(finished: int, total: int, title: str) -> None:
        done.append(finished)
        if len(done) == 3:
            local.workers[1].send_signal(signal.SIGKILL)
        if len(done) == 7:
            local.scheduler.send_signal(signal.SIGKILL)

    with pytest.raises(cluster.ClusterFailed, match=r"the cluster.* of 14 cases are finished and kept: the same"):
        roomsim.predict(study, cluster=local.address, store=tmp_path / "kept", progress=one_dies)
    assert 7 <= len(done) < 14                       # the other worker went on with what the dead one had
    kept = len(list((tmp_path / "kept").glob("*.case")))
    assert kept == done[-1]
    again: list[int] = []
    whole = roomsim.predict(study, jobs=1, store=tmp_path / "kept", progress=lambda n, *_: again.append(n))
    assert len(again) == 1 + 14 - kept                # nothing is computed twice
    assert identical(whole, roomsim.predict(study, mapper=map))


def test_a_cluster_without_workers_left(tmp_path: Path, local: Local, monkeypatch) -> None:
    monkeypatch.setattr(cluster, "WORKERS_S", 4)
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(12)]
    study = roomsim.load(write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n"))
    with pytest.raises(InvalidValue, match="has no workers; start workers that join this scheduler"):
        roomsim.predict(study, cluster=local.address)
    worker = local.worker()
    local.wait_for(1)
    with pytest.raises(cluster.ClusterFailed, match="has had no worker for 4 s; nothing is kept"):
        roomsim.predict(study, cluster=local.address, progress=lambda *_: worker.kill())


def test_ctrl_c_leaves_the_cluster_as_it_was(tmp_path: Path, local: Local) -> None:
    gaps = [round(0.05 + 0.01 * k, 3) for k in range(12)]
    study = roomsim.load(write_study(tmp_path, study=SMALL + f"vary: {{place.gap_m: {gaps}}}\n"))
    local.worker()
    local.wait_for(1)

    def pressed(done: int, total: int, title: str) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt, match="2 of 12 cases are finished and kept"):
        roomsim.predict(study, cluster=local.address, store=tmp_path / "kept", progress=pressed)
    from distributed import Client

    with Client(local.address, timeout=60, set_as_default=False) as client:
        deadline = time.monotonic() + 60
        while client.run_on_scheduler(lambda dask_scheduler: len(dask_scheduler.tasks)):
            assert time.monotonic() < deadline, "tasks stay behind"
            time.sleep(0.1)
    assert roomsim.predict(study, cluster=local.address, store=tmp_path / "kept").sizes["place.gap_m"] == 12
    assert workers_used(local.address) == {local.workers[0].pid}       # one worker of one thread is used too


def test_wrong_addresses_and_workers_are_told(tmp_path: Path, local: Local, monkeypatch, capsys) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 1)
    path = write_study(tmp_path, study=SMALL)
    study = roomsim.load(path)
    for address in ("tcp://127.0.0.1:9", "nonsense://here", "no-such-host.invalid:8786", ""):
        with pytest.raises(InvalidValue, match="no Dask scheduler answers there"):
            roomsim.predict(study, cluster=address)
    assert main(["predict", str(path), "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert re.search(r"cluster = 'tcp://127.0.0.1:9': no Dask scheduler answers there", capsys.readouterr().err)
    assert main(["predict", str(path), "--cluster", local.address, "--jobs", "2"]) == 2
    assert "give one of" in capsys.readouterr().err
    monkeypatch.setattr(cluster, "CONNECT_S", 30)
    local.worker()
    local.wait_for(1)
    real = cluster.software()
    monkeypatch.setattr(cluster, "versions", lambda: {**{k: real[k] for k in real if " " not in k}, "numpy": "0.1"})
    with pytest.raises(InvalidValue, match=r"its worker tcp://\S+ has numpy \d\S+ instead of 0.1"):
        roomsim.predict(study, cluster=local.address)


def test_one_thread_holds_until_the_last_of_several_threads_leaves() -> None:
    from threadpoolctl import threadpool_info

    from roomsim.studies.work import one_thread

    def most() -> int:
        return max((pool["num_threads"] for pool in threadpool_info()), default=1)

    inside, leave = threading.Event(), threading.Event()

    def first() -> None:
        with one_thread():
            inside.set()
            leave.wait()

    thread = threading.Thread(target=first)
    thread.start()
    inside.wait()
    with one_thread():
        leave.set()
        thread.join()                                  # who came first has left: the limit stays
        assert most() == 1
