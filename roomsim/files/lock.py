"""A folder that one process at a time writes to."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

from .output import OutputError, writing

LOCK = "in-use"
"""Name of the file that is locked; it says by whom."""


class FolderLock:
    """Held while a process writes to a folder; the system lets go of it when the process ends, however it ends.

    Use as a context manager.

    Parameters
    ----------
    folder : must exist
    what : how a message calls what is locked

    Raises
    ------
    OutputError : another process holds it, or the folder cannot be written
    """

    def __init__(self, folder: str | os.PathLike[str], what: str) -> None:
        self.path = Path(folder) / LOCK
        self.what = what
        self._descriptor: int | None = None

    def __enter__(self) -> FolderLock:
        with writing(self.path.parent):
            descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            if not _taken(descriptor):
                holder = os.pread(descriptor, 20, 0).decode(errors="replace").strip() if hasattr(os, "pread") else ""
                raise OutputError(
                    f"another run{f' (process {holder})' if holder.isdigit() else ''} is writing {self.what}; "
                    "wait for it, or name another folder"
                )
            with writing(self.path):
                os.ftruncate(descriptor, 0)
                os.write(descriptor, f"{os.getpid()}\n".encode())
        except BaseException:
            os.close(descriptor)
            raise
        self._descriptor = descriptor
        return self

    def __exit__(self, *error: object) -> None:
        if self._descriptor is not None:
            with suppress(OSError):
                os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = None


def _taken(descriptor: int) -> bool:
    """Try to lock an open file; True too where the file system knows no locks (files there still appear whole)."""
    try:
        import fcntl
    except ImportError:
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)   # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES, errno.EAGAIN)
    return True
