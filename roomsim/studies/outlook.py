"""What a study is about to take: how many cases, and about how long."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..conventions import HAND_OVER_S
from .plan import Case

# Processor time of cases on the machine where PROBE_S was measured: 1 to 28 drivers, 1 to 45 seats, 45 to 481
# frequencies, boxes of 20 to 135 m³, plans, slopes, patches. tests/benchmarks/bench_study.py prints estimate and truth.
CASE_S, CHANNEL_S, SEAT_S = 0.16, 0.14, 0.0067
PATH_S, PATH_FREQUENCY_S = 1.0e-6, 1.3e-9
"""Per visible path, driver and seat; the second per frequency too."""
PATCHED, NO_BOX = 2.6, 9.0
"""Times as long in a room with patches, and in one that is no box."""
PROBE_S = 2.11e-4
START_S = 3.0
"""Until worker processes have loaded everything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is to be done before the first case starts.

    Attributes
    ----------
    total : cases of the study
    finished : of these, found in the store
    left : to be computed; fewer than total less finished where some are alike
    workers : at once; 0 where a cluster will say, 1 for a map of the caller's own
    seconds : about how long, half to twice that; None where it cannot be known from here
    compiling : the engines' loops are compiled on the way, once on a machine
    """

    total: int
    finished: int
    left: int
    workers: int
    seconds: float | None
    compiling: bool = False

    @property
    def words(self) -> str:
        """In one line."""
        if self.left == 0:
            return "Every case is finished and kept: nothing is computed again"
        found = f"{self.finished} of {self.total} cases are finished and kept; " if self.finished else ""
        if found:
            rest = f"the other {self.left}" if self.left > 1 else "the last"
        else:
            rest = "they" if self.left > 1 else "it"
        verb = "take" if self.left > 1 else "takes"
        if self.seconds is None:
            said = f"{found}{rest} {verb} as long as the cluster needs: the time left is shown as they finish"
        else:
            on = f" on {self.workers} cores" if self.workers > 1 else ""
            first = ", compiling once on this machine a minute more" if self.compiling else ""
            said = f"{found}{rest} {verb} {duration(self.seconds)}{on}{first} (an estimate: half to twice that)"
        return said[0].upper() + said[1:]


def outlook(
    cases: Sequence[Case], total: int, finished: int, workers: int | None, processes: bool = False
) -> Outlook:
    """What is left of a study, with the time that it takes on this machine.

    Parameters
    ----------
    cases : those left
    total, finished : of the study
    workers : at once, None for a cluster
    processes : workers have to be started
    """
    seconds = None
    if workers is not None:
        spent = sum(case_seconds(case) for case in cases) * machine_speed()
        longest = max((case_seconds(case) for case in cases), default=0.0)
        seconds = max(spent / workers, longest) + (START_S if processes else 0.0)
    return Outlook(total=total, finished=finished, left=len(cases), workers=workers or 0, seconds=seconds,
                   compiling=not compiled())


def case_seconds(case: Case) -> float:
    """Processor time of a case on the machine where the costs were measured [s]."""
    speakers = (case.loudspeaker,) if case.system is None else case.system.loudspeakers(case.loudspeaker)
    channels = [drivers for one in speakers for drivers in one.channels.values()]
    drivers, seats = sum(map(len, channels)), case.seats.count
    reach_m = case.room.air.speed_m_s * HAND_OVER_S + case.seats.distance_m
    paths = 4 / 3 * math.pi * reach_m**3 / case.room.geometry.volume_m3
    spent = CASE_S + CHANNEL_S * len(channels) + SEAT_S * seats
    spent += paths * drivers * seats * (PATH_S + PATH_FREQUENCY_S * case.frequency_hz.size)
    if case.room.geometry.kind != "box":
        return NO_BOX * spent
    return PATCHED * spent if case.room.patches else spent


def machine_speed() -> float:
    """Time of a short sum here, re that on the machine where the costs were measured: the quickest of a few."""
    x = np.linspace(0, 50, 40_000, dtype=np.float32)
    times = []
    for _ in range(15):
        start = time.perf_counter()
        for _ in range(4):
            np.sin(x) * x + np.cos(x)
        times.append(time.perf_counter() - start)
    return min(times) / PROBE_S


def compiled() -> bool:
    """Whether the loop of the image sum has been compiled on this machine; True where that cannot be told."""
    from ..engines.kernels import path_sums

    try:
        return bool(path_sums.signatures) or bool(path_sums._cache._cache_file._load_index())
    except (AttributeError, OSError):
        return True


def duration(seconds: float) -> str:
    """A time as people say it, no more exact than an estimate is."""
    if seconds < 8:
        return "a few seconds"
    if seconds < 95:
        return f"about {round(seconds, -1):.0f} s"
    if seconds < 5400:
        return f"about {seconds / 60:.0f} min"
    return f"about {seconds / 3600:.1f} h" if seconds < 36000 else f"about {seconds / 3600:.0f} h"
