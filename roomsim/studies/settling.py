"""Solving the settings of a study's rooms before its cases run: told as it goes, kept on disk, taken up again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..bands import OCTAVES_HZ
from ..errors import DefinitionError, Problem
from ..settings import solver
from ..settings.decay import RoomDecay
from ..settings.solver import Solution
from .fingerprint import source_hash, versions
from .settings import absorption_spread, is_held, put_setting, setting_state, solved_setting

if TYPE_CHECKING:
    from ..definitions import RoomDefinition, StudyDefinition
    from .store import CaseStore

Progress = Callable[[int, int, str], None]


def settle(
    study: StudyDefinition, *, jobs: int | None = None, progress: Progress | None = None,
    store: CaseStore | None = None,
) -> None:
    """Find everything about the settings of a study's rooms; whatever asks for it later in this process has it.

    Parameters
    ----------
    study : as `roomsim.load` returns it
    jobs : settings at once, on threads; all cores by default
    progress : told after each, as `predict` tells of cases
    store : keeps each as soon as it is found, so that an interrupted run goes on from there and a later one has it

    Raises
    ------
    DefinitionError : every decay time that cannot be met
    KeyboardInterrupt : Ctrl-C; its text says how much is kept
    """
    pairs = {_key(room, setting): (label, room, setting)
             for label, room in study.rooms.items() for setting in study.settings}
    wanted = dict(pairs)
    if store is not None:
        wanted = {key: one for key, one in pairs.items()
                  if not is_held(*one[1:]) and not _restored(store.setting(key), *one[1:])}
    done, problems = len(pairs) - len(wanted), []
    if done and progress:
        progress(done, len(pairs), "")
    try:
        for key, found in _found(wanted, jobs):
            label, room, setting = pairs[key]
            if isinstance(found, DefinitionError):
                problems += [problem for problem in found.problems if problem not in problems]
                continue
            if store is not None:
                store.put_setting(key, record_of(room, setting))
            done += 1
            if progress:
                progress(done, len(pairs), f"{label}, {setting}")
    except KeyboardInterrupt:
        kept = "nothing is kept" if store is None else (
            f"{done} of {len(pairs)} settings are solved and kept: the same command goes on from there")
        raise KeyboardInterrupt(f"interrupted; {kept}") from None
    if problems:
        raise DefinitionError(_in_order(problems))
    if store is not None:
        for key, (_, room, setting) in pairs.items():
            if store.setting(key) is None:
                store.put_setting(key, record_of(room, setting))
        store.keep_settings(pairs.keys())


def record_of(definition: RoomDefinition, setting: str) -> dict[str, Any]:
    """Everything about one setting that was found, as plain numbers; exact."""
    _, found, areas = solved_setting(definition, setting)
    per_band, mid = absorption_spread(definition, setting)
    record: dict[str, Any] = {"areas_m2": list(areas), "spread": [per_band.tolist(), mid]}
    if found is not None:
        record["solution"] = {"error": list(found.error), "iterations": found.iterations, "rays": found.rays,
                              "noise": found.noise, "at_least": list(found.at_least), "at_most": list(found.at_most)}
    if definition.adjustables():
        state = setting_state(definition, setting)
        record["decay"] = {"decay_s": state.decay.decay_s.tolist(), "error": state.decay.error.tolist(),
                           "rays": state.decay.rays, "seed": state.decay.seed}
        record["scattering"] = [state.half_mid_s, state.double_mid_s]
    return record


def _restored(record: dict[str, Any] | None, definition: RoomDefinition, setting: str) -> bool:
    """Whether a record could be taken up; nothing is taken of one that is damaged."""
    if record is None:
        return False
    try:
        areas = tuple(map(float, record["areas_m2"]))
        target = definition.target(setting)
        found = None
        if target is not None:
            said = record["solution"]
            found = Solution(
                areas_m2=areas, target=target, error=tuple(map(float, said["error"])), rays=int(said["rays"]),
                iterations=int(said["iterations"]), noise=float(said["noise"]),
                at_least=tuple(map(str, said["at_least"])), at_most=tuple(map(str, said["at_most"])))
        per_band, mid = np.array(record["spread"][0], float), float(record["spread"][1])
        decay, scattering = None, (float("nan"), float("nan"))
        if definition.adjustables():
            traced = record["decay"]
            decay = RoomDecay(band_hz=OCTAVES_HZ, decay_s=_octaves(traced["decay_s"]), error=_octaves(traced["error"]),
                              rays=int(traced["rays"]), seed=int(traced["seed"]))
            half, double = record["scattering"]
            scattering = float(half), float(double)
        limits = definition.adjustables()
        if len(areas) != len(limits) or per_band.shape != OCTAVES_HZ.shape or not all(
            one.least_m2 - 0.01 <= area <= one.most_m2 + 0.01 for one, area in zip(limits, areas, strict=True)
        ):
            return False
        put_setting(definition, setting, areas, found, decay, scattering, (per_band, mid))
    except (KeyError, TypeError, ValueError):
        return False
    return True


def _octaves(values: Any) -> np.ndarray:
    found = np.array(values, float)
    if found.shape != OCTAVES_HZ.shape:
        raise ValueError("octaves are missing")
    return found


def _found(
    wanted: dict[str, tuple[str, RoomDefinition, str]], jobs: int | None
) -> Iterator[tuple[str, DefinitionError | None]]:
    """Key and problem of each setting, as they are found."""
    from joblib import cpu_count

    def one(key: str) -> tuple[str, DefinitionError | None]:
        _, definition, setting = wanted[key]
        try:
            if definition.adjustables():
                setting_state(definition, setting)
            absorption_spread(definition, setting)
        except DefinitionError as error:
            return key, error
        return key, None

    workers = min(jobs or cpu_count(), len(wanted))
    if workers <= 1:
        yield from map(one, wanted)
        return
    pool = ThreadPoolExecutor(max_workers=workers)
    try:
        for future in as_completed([pool.submit(one, key) for key in wanted]):
            yield future.result()
    finally:
        pool.shutdown(cancel_futures=True)


def _in_order(problems: list[Problem]) -> list[Problem]:
    return sorted(problems, key=lambda one: (one.file, one.line or 0))


def _key(definition: RoomDefinition, setting: str) -> str:
    """SHA-256 of what shapes a setting: the room's files, roomsim's source and the versions beside it."""
    text = f"{_common()} {definition.content_hash} {setting}"
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@cache
def _common() -> str:
    folders = Path(solver.__file__).parent, Path(__file__).parent
    files = [*sorted(folders[0].glob("*.py")), folders[1] / "settings.py"]
    own = hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()
    return f"{sorted(versions().items())} {source_hash()} {own}"


__all__ = ["Progress", "record_of", "settle"]
