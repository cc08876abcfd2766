"""Foreign netCDF and AES69 files, opened in a process of its own that may die.

Randomly damaged files crash the library that reads them, and a file may name others to read from. The process of
`foreign_child.py` gets the bytes, can open nothing, and hands plain numbers and text back.
"""

from __future__ import annotations

import atexit
import json
import os
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue, shown
from ..limits import limits

_CURE = "export or copy the file again"
_CRASHES = "is damaged: it crashes the library that reads such files"
_SCRIPT = Path(__file__).with_name("foreign_child.py")
_DENSEST = 1100
"""So many bytes come out of one at most (zlib: 1032)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variable:
    """An array of a file.

    Attributes
    ----------
    dims : names of its dimensions
    values : numbers, single characters (bytes), or texts (objects), as stored: nothing masked or scaled
    attributes : text, texts or numbers
    """

    dims: tuple[str, ...]
    values: NDArray
    attributes: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contents:
    """What a file holds at its top: attributes and variables of numbers and text; other types are left out."""

    attributes: dict[str, Any]
    variables: dict[str, Variable]


class TooLarge(InvalidValue):
    """The file, or what it unpacks to, is above the limit."""


def read_foreign(path: Path, most_bytes: int, limit: str, kind: str = "AES69") -> Contents:
    """What a netCDF or AES69 file holds.

    Parameters
    ----------
    most_bytes : that the file, and its arrays as its header declares them, may take
    limit : name of that limit in roomsim.limits, for the message
    kind : what the file should be, for the message

    Raises
    ------
    TooLarge : larger than that
    InvalidValue : not there, cannot be read, empty, damaged, takes too long
    """
    if not path.is_file():
        raise InvalidValue("file", None, "does not exist")
    try:
        size = path.stat().st_size
        if size > most_bytes:
            raise TooLarge("file", None, f"is larger than {_size(most_bytes)}", f"ROOMSIM_LIMITS={limit}=… raises that")
        data = path.read_bytes()
    except OSError as error:
        raise InvalidValue("file", None, f"cannot be read ({error.strerror or error})") from error
    if not data:
        raise InvalidValue("file", None, "is empty")
    said, blobs = _asked(data, most_bytes)
    if "error" in said:
        raise _damaged(kind, said["error"])
    if "declared" in said:
        raise TooLarge("file", None, f"declares {_size(said['declared'])} of data; "
                       f"at most {_size(most_bytes)} are read", f"ROOMSIM_LIMITS={limit}=… raises that")
    variables = {}
    for name, one in said["variables"].items():
        if "texts" in one:
            values = np.empty(len(one["texts"]), dtype=object)
            values[:] = one["texts"]
        else:
            values = np.frombuffer(blobs[name], np.dtype(one["type"])).copy()
        variables[name] = Variable(dims=tuple(one["dims"]), values=values.reshape(one["shape"]),
                                   attributes=_attributes(one["attributes"]))
    return Contents(attributes=_attributes(said["attributes"]), variables=variables)


def probe_foreign(path: Path, most_bytes: int, limit: str) -> None:
    """Let a process of its own open a netCDF file that is too large to be handed over, and read of every array.

    Raises
    ------
    InvalidValue : damaged, larger than most_bytes once unpacked, or declares far more than it can hold
    """
    command = [sys.executable, "-P", str(_SCRIPT), "0", str(path.resolve())]
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=limits().open_s)
        said = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        raise InvalidValue("file", None, f"could not be opened within {limits().open_s} s", _CURE) from None
    except (OSError, ValueError):
        raise InvalidValue("file", None, _CRASHES, _CURE) from None
    if "error" in said:
        raise _damaged("netCDF", said["error"])
    if said["declared"] > min(most_bytes, _DENSEST * path.stat().st_size):
        raise TooLarge("file", None, f"declares {_size(said['declared'])} of data in a file of "
                       f"{_size(path.stat().st_size)}; at most {_size(most_bytes)} are read",
                       f"ROOMSIM_LIMITS={limit}=… raises that")


def _damaged(kind: str, error: str) -> InvalidValue:
    return InvalidValue("file", None, f"is damaged, cut short, or no {kind} file ({shown(error, 120)})", _CURE)


def _attributes(said: dict[str, list[Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, (kind, *rest) in said.items():
        if kind == "numbers":
            value = np.array(rest[1], np.dtype(rest[0]))
            found[name] = value if value.ndim else value[()]
        else:
            found[name] = rest[0]
    return found


def _size(count: int) -> str:
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= scale:
            return f"{count / scale:.4g} {unit}"
    return f"{count} bytes"


@dataclass(slots=True, eq=False)
class _Child:
    """The process that reads, and whose it is."""

    process: subprocess.Popen[bytes]
    owner: int


_lock = threading.Lock()
_child: _Child | None = None


def _asked(data: bytes, most_bytes: int) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The child's answer; a child that dies of a file is followed by another at the next one."""
    with _lock:
        process = _running()
        assert process.stdin is not None and process.stdout is not None
        late: list[bool] = []
        try:
            with _ended_after(process, limits().open_s, late):
                process.stdin.write(struct.pack("<QQ", len(data), most_bytes))
                process.stdin.write(data)
                process.stdin.flush()
                said = json.loads(_exactly(process.stdout, struct.unpack("<Q", _exactly(process.stdout, 8))[0]))
                blobs = {name: _exactly(process.stdout, one["bytes"])
                         for name, one in said.get("variables", {}).items() if "bytes" in one}
        except (OSError, EOFError):
            end_child()
            if late:
                raise InvalidValue("file", None, f"could not be opened within {limits().open_s} s", _CURE) from None
            raise InvalidValue("file", None, _CRASHES, _CURE) from None
        except BaseException:             # Ctrl-C in between: what it would still send belongs to nobody
            end_child()
            raise
        return said, blobs


def _running() -> subprocess.Popen[bytes]:
    global _child
    if _child is not None and (_child.owner != os.getpid() or _child.process.poll() is not None):
        end_child()
    if _child is None:
        largest = str(limits().sofa_bytes)
        command = [sys.executable, "-P", str(_SCRIPT), largest]      # -P: the script's neighbours are no modules
        try:
            process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                       stderr=subprocess.DEVNULL)
        except OSError as error:
            raise InvalidValue("file", None, f"cannot be opened: no process to read it in ({error.strerror})") from None
        _child = _Child(process=process, owner=os.getpid())
    return _child.process


def end_child() -> None:
    """End the process that reads foreign files, if there is one; the next file starts another."""
    global _child
    child, _child = _child, None
    if child is None:
        return
    for stream in (child.process.stdin, child.process.stdout):
        with suppress(OSError):
            if stream is not None:
                stream.close()
    if child.owner == os.getpid():
        with suppress(OSError):
            child.process.kill()
        child.process.wait()


atexit.register(end_child)


@contextmanager
def _ended_after(process: subprocess.Popen[bytes], seconds: float, late: list[bool]) -> Iterator[None]:
    """End the process if it takes longer; `late` then holds an entry."""

    def end() -> None:
        late.append(True)
        process.kill()

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _exactly(stream: IO[bytes], count: int) -> bytes:
    """So many bytes, or EOFError."""
    data = stream.read(count)
    if len(data) != count:
        raise EOFError
    return data
