"""Finished cases on disk: one file each, named by the hash of everything that shapes it."""

from __future__ import annotations

import json
import os
from collections.abc import Collection
from contextlib import suppress
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ..files.arrays import PARTIAL, read_arrays, write_arrays
from ..files.lock import LOCK, FolderLock
from ..files.output import write_whole, writing
from ..response import Note, Reflection
from .case import CaseResult

SUFFIX = ".case"
SETTING = ".setting"
ABOUT = "about.txt"
_ABOUT = """\
Finished cases of a roomsim study and solved settings of its rooms, one file each. They let an interrupted run go on
where it stopped, and the next run compute only what has changed. Nothing else needs this folder: delete it whenever
you like.
"""


def store_folder(output: Path) -> Path:
    """Where the finished cases of an output folder are kept: beside it, or inside where it is a disk of its own."""
    output = Path(os.path.abspath(output))
    return output / "cases" if os.path.ismount(output) else output.with_name(f"{output.name}.cases")


class CaseStore:
    """A folder of finished cases.

    One process at a time uses it, as a context manager; only that one writes, workers never do.

    Parameters
    ----------
    folder : made where it is missing, parents too
    what : how messages call what the store belongs to; the folder itself by default

    Raises
    ------
    OutputError : the folder cannot be made or written, or another process uses it
    """

    def __init__(self, folder: str | os.PathLike[str], what: str = "") -> None:
        self.folder = Path(os.path.abspath(folder))
        self._lock = FolderLock(self.folder, what or str(self.folder))

    def __enter__(self) -> CaseStore:
        with writing(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
        self._lock.__enter__()
        try:
            with writing(self.folder):
                for pattern in (f"*{SUFFIX}{PARTIAL}", f".*{SETTING}.*.partial"):     # of a run that was killed
                    for partial in self.folder.glob(pattern):
                        partial.unlink()
                (self.folder / ABOUT).write_text(_ABOUT, "utf-8")
        except BaseException:
            self._lock.__exit__()
            raise
        return self

    def __exit__(self, *error: object) -> None:
        self._lock.__exit__(*error)
        settings = list(self.folder.glob(f"*{SETTING}"))
        solved = any("solution" in (self.setting(path.name.removesuffix(SETTING)) or {}) for path in settings)
        if not solved and not any(self.folder.glob(f"*{SUFFIX}")):
            # A store without a finished case or anything that took a solver is of no use to anybody.
            for path in (self.folder / ABOUT, self.folder / LOCK, *settings):
                with suppress(OSError):
                    path.unlink()
            with suppress(OSError):
                self.folder.rmdir()

    def path(self, key: str) -> Path:
        """File of a case."""
        return self.folder / f"{key}{SUFFIX}"

    def keys(self) -> set[str]:
        """Hashes of all finished cases, damaged files among them."""
        return {path.name.removesuffix(SUFFIX) for path in self.folder.glob(f"*{SUFFIX}")}

    def get(self, key: str) -> CaseResult | None:
        """A finished case, None where there is none or its file is damaged."""
        found = read_arrays(self.path(key))
        if found is None:
            return None
        try:
            return _case_result(*found)
        except (AttributeError, KeyError, TypeError, ValueError):     # whole, but of another making
            return None

    def put(self, key: str, result: CaseResult) -> None:
        """Keep a case.

        Raises
        ------
        OutputError : the disk is full, or the folder cannot be written
        """
        record = {name: getattr(result, name) for name in _RECORDED}
        for name in ("reflections", "notes"):
            record[name] = [asdict(one) for one in record[name]]
        write_arrays(self.path(key), {**result.arrays, "band_hz": result.band_hz}, record)

    def setting(self, key: str) -> dict[str, Any] | None:
        """What is kept of a solved setting, None where there is nothing or its file is damaged."""
        try:
            found = json.loads(self.folder.joinpath(f"{key}{SETTING}").read_text("utf-8"))
        except (OSError, ValueError):
            return None
        return found if isinstance(found, dict) else None

    def put_setting(self, key: str, record: dict[str, Any]) -> None:
        """Keep a solved setting.

        Raises
        ------
        OutputError : the disk is full, or the folder cannot be written
        """
        write_whole(self.folder / f"{key}{SETTING}", json.dumps(record))

    def keep_settings(self, keys: Collection[str]) -> None:
        """Delete all other settings: those of earlier inputs."""
        for path in self.folder.glob(f"*{SETTING}"):
            if path.name.removesuffix(SETTING) not in keys:
                with suppress(OSError):
                    path.unlink()

    def keep_only(self, keys: Collection[str]) -> None:
        """Delete all other cases: those of earlier inputs."""
        for key in self.keys() - set(keys):
            with suppress(OSError):
                self.path(key).unlink()


_RECORDED = tuple(field.name for field in fields(CaseResult) if field.name not in ("arrays", "band_hz"))


def _case_result(arrays: dict[str, NDArray], record: dict[str, Any]) -> CaseResult | None:
    """A case from what its file holds; None, or an error, where that is not what a case says."""
    if {*record} != {*_RECORDED}:
        return None
    record["reflections"] = tuple(
        Reflection(**{**one, "faces": tuple(one["faces"])}) for one in record["reflections"])
    record["notes"] = tuple(Note(**one) for one in record["notes"])
    for name in ("channels", "decay_method"):
        record[name] = tuple(record[name])
    band_hz = arrays.pop("band_hz")
    return CaseResult(arrays=arrays, band_hz=band_hz, **record)
