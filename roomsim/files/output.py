"""An output folder that appears whole or not at all.

Everything is first written into a hidden folder on the same disk and moved into place at the end. Until
then an earlier result stays as it was; after an error, or Ctrl-C, nothing half-written is left.
"""

from __future__ import annotations

import glob
import os
import secrets
import shutil
import signal
import threading
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

from ..errors import RoomsimError

CONTENTS = "contents.txt"
"""Names of the files that the last run wrote, one a line: those the next run may replace."""

_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
_LONGEST = 60


class OutputError(RoomsimError):
    """The output folder cannot be written, or a file in it is not ours to replace."""


def safe_name(label: object) -> str:
    """A file name (without suffix) for any label: letters, digits, `.`, `_` and `-`, at most 60 characters.

    Letters of every script stay. Names that a system keeps for devices get a leading `_`.

    >>> safe_name("../../etc/passwd"), safe_name("Flat, 2nd floor"), safe_name("...")
    ('etc-passwd', 'Flat-2nd-floor', 'unnamed')
    """
    text = unicodedata.normalize("NFC", str(label))
    kept = "".join(c if c.isalnum() or c in "._" else "-" for c in text)
    while any(pair in kept for pair in ("--", "..", ".-", "-.")):
        for pair in ("--", "..", ".-", "-."):
            kept = kept.replace(pair, "-")
    kept = kept.strip(".-")
    while len(kept) > _LONGEST or len(kept.encode()) > 180:
        kept = kept[:-1]
    kept = kept.rstrip(".-") or "unnamed"
    return f"_{kept}" if kept.split(".")[0].casefold() in _RESERVED else kept


def safe_names(labels: Iterable[object]) -> list[str]:
    """`safe_name` of each label, told apart by a number where two would meet (case does not count)."""
    taken: set[str] = set()
    names = []
    for label in labels:
        base = name = safe_name(label)
        count = 1
        while name.casefold() in taken:
            count += 1
            name = f"{base}-{count}"
        taken.add(name.casefold())
        names.append(name)
    return names


class OutputFolder:
    """A folder of files that are written together.

    Use as a context manager: inside, `path(name)` gives the place to write a file to; on leaving without
    an error all files move into `folder` and those of the run before that were not written again go.
    Files that no run wrote are left alone, and never replaced.

    Parameters
    ----------
    folder : the wanted folder; parents are made where they are missing

    Raises
    ------
    OutputError : the folder cannot be made or written, or holds a foreign file of the same name
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(os.path.abspath(folder))
        self._made: list[Path] = []
        self._partial: Path | None = None

    def path(self, name: str) -> Path:
        """Where to write the file `name` for now; `name` is one plain file name, no folder.

        Raises
        ------
        OutputError : a name that would lead out of the folder
        """
        if self._partial is None:
            raise RuntimeError("an OutputFolder is written inside its with block")
        plain = bool(name) and name not in (".", "..", CONTENTS) and not set(name) & set('/\\:\0')
        if not plain or Path(name).name != name:
            raise OutputError(f"{name!r} is no plain file name: files stay inside {self.folder}")
        return self._partial / name

    @property
    def names(self) -> list[str]:
        """Names of the files written so far, sorted."""
        return sorted(os.listdir(self._partial)) if self._partial else []

    def __enter__(self) -> OutputFolder:
        with writing(self.folder):
            if self.folder.exists() and not self.folder.is_dir():
                raise OutputError(f"{self.folder} is a file; name a folder")
            self.folder = self.folder.resolve()
            for parent in reversed([p for p in self.folder.parents if not p.exists()]):
                parent.mkdir()
                self._made.append(parent)
            # beside a folder that is not there yet, inside one that is (it may be a disk of its own)
            home = self.folder if self.folder.is_dir() else self.folder.parent
            partial = home / f".{self.folder.name}.{secrets.token_hex(4)}.partial"
            try:
                partial.mkdir()
            except BaseException:
                self._clean()
                raise
            self._partial = partial
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                with writing(self.folder), _undisturbed():
                    self._move()
                self._made.clear()
        finally:
            self._clean()

    def _move(self) -> None:
        partial = self._partial
        assert partial is not None
        names = self.names
        (partial / CONTENTS).write_text("".join(f"{name}\n" for name in names), "utf-8")
        if not self.folder.exists():
            partial.rename(self.folder)
            return
        ours = self._earlier()
        for name in (*names, CONTENTS):
            there = self.folder / name
            if os.path.lexists(there) and name not in ours:
                raise OutputError(
                    f"{there} was not written by roomsim and would be replaced; move it, or name another folder"
                )
        aside = self.folder / f"{partial.name}.before"
        aside.mkdir()
        kept, moved = [], []
        try:
            for name in sorted(ours):
                if os.path.lexists(self.folder / name):
                    os.rename(self.folder / name, aside / name)
                    kept.append(name)
            for name in (*names, CONTENTS):
                os.rename(partial / name, self.folder / name)
                moved.append(name)
        except BaseException:
            for name in moved:
                os.rename(self.folder / name, partial / name)
            for name in kept:
                os.rename(aside / name, self.folder / name)
            aside.rmdir()
            raise
        shutil.rmtree(aside, ignore_errors=True)

    def _earlier(self) -> set[str]:
        """Names that the run before wrote here."""
        try:
            lines = (self.folder / CONTENTS).read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            return set()
        plain = {line for line in lines if line and Path(line).name == line and line not in (".", "..")}
        return {name for name in plain if not (self.folder / name).is_dir()} | {CONTENTS}

    def _clean(self) -> None:
        if self._partial is not None:
            shutil.rmtree(self._partial, ignore_errors=True)
            self._partial = None
        for parent in reversed(self._made):
            with suppress(OSError):
                parent.rmdir()
        self._made.clear()


def recover(folder: str | os.PathLike[str]) -> None:
    """Clear up after a run that was killed: its unfinished files go, and where it was killed while files moved into
    place, the earlier ones come back.

    Only for a caller who knows that no other process writes the folder.

    Raises
    ------
    OutputError : the folder cannot be written
    """
    folder = Path(os.path.abspath(folder))
    with writing(folder):
        folder = folder.resolve()
        for home in (folder, folder.parent):
            for partial in home.glob(f".{glob.escape(folder.name)}.{'[0-9a-f]' * 8}.partial"):
                aside = folder / f"{partial.name}.before"
                if aside.is_dir() and (partial / CONTENTS).exists():        # CONTENTS is the last to move
                    _take_back(folder, partial, aside)
                shutil.rmtree(aside, ignore_errors=True)
                shutil.rmtree(partial)


def _take_back(folder: Path, partial: Path, aside: Path) -> None:
    for name in (partial / CONTENTS).read_text("utf-8").splitlines():
        if not (partial / name).exists() and not (aside / name).exists():   # new, and moved already
            (folder / name).unlink(missing_ok=True)
    for earlier in aside.iterdir():
        os.replace(earlier, folder / earlier.name)


def write_whole(path: str | os.PathLike[str], text: str) -> None:
    """Write one text file (UTF-8) so that it appears whole or not at all.

    Raises
    ------
    OutputError : the file cannot be written
    """
    target = Path(path)
    partial = target.parent / f".{target.name}.{secrets.token_hex(4)}.partial"
    with writing(target):
        try:
            partial.write_text(text, "utf-8")
            os.replace(partial, target)
        finally:
            with suppress(OSError):
                partial.unlink()


@contextmanager
def writing(where: str | os.PathLike[str]) -> Iterator[None]:
    """Turn the system's errors while something is written into `OutputError`s that name `where`."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"cannot write {os.fspath(where)}: {error.strerror or error}") from error


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Let Ctrl-C wait for the short moment in which files move."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: caught.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before or signal.SIG_DFL)
        if caught:
            signal.raise_signal(signal.SIGINT)
