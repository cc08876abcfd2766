"""A hash of everything that shapes a case, so that it is computed once and again only when something changes."""

from __future__ import annotations

import dataclasses
import hashlib
import struct
import sys
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from .plan import Case

SHAPING = ("*.py", "room/*", "loudspeaker/*", "engines/*", "analysis/*", "studies/case*.py", "studies/decay.py")
"""Files of the package whose change may change a case."""

PACKAGES = ("numpy", "scipy", "numba")
"""Packages whose version may change its last bits."""


class Fingerprints:
    """Hashes of cases; what several of them share is hashed once.

    Remembers objects by their identity and keeps them alive for it: use one for a study and drop it.
    """

    def __init__(self) -> None:
        self._known: dict[int, tuple[Any, bytes]] = {}
        self._common = _digest(f"{k}={v}".encode() for k, v in (*versions().items(), ("source", source_hash())))

    def of_case(self, case: Case) -> str:
        """SHA-256 of the case's scene, frequencies and options, of roomsim's own source and the versions beside it.

        Labels, file names and places on disk do not count: cases that are alike share a hash.
        """
        for shared in (case.room, case.loudspeaker, case.system, case.frequency_hz, case.options):
            self.of(shared)
        known = dict(self._known)
        receiver = None if case.system is None else (case.system.receiver, case.channels)
        parts = (case.scene(), case.frequency_hz, case.options, receiver)
        found = _digest([self._common, *map(self.of, parts)]).hex()
        self._known = known           # what belongs to this case alone is let go, or memory would grow with the cases
        return found

    def of(self, value: Any) -> bytes:
        """Hash of a value made of dataclasses, arrays, mappings, sequences, numbers and text.

        Of a dataclass those fields count that its maker gave, not what it works out or remembers by itself.
        """
        shared = dataclasses.is_dataclass(value) or isinstance(value, np.ndarray)
        if shared and id(value) in self._known:
            return self._known[id(value)][1]
        found = _digest(self._parts(value))
        if shared:
            self._known[id(value)] = value, found
        return found

    def _parts(self, value: Any) -> Iterator[bytes]:
        kind = type(value)
        yield f"{kind.__module__}.{kind.__qualname__}".encode()
        if value is None:
            return
        if isinstance(value, (str, bool, int)):
            yield str(value).encode("utf-8", "surrogatepass")
        elif isinstance(value, float):
            yield struct.pack("<d", value)
        elif isinstance(value, np.generic):
            yield value.tobytes()
        elif isinstance(value, np.ndarray) and value.dtype.kind in "biufcUS":
            yield f"{value.dtype.str}{value.shape}".encode()
            yield value.tobytes()
        elif dataclasses.is_dataclass(value):
            for field in dataclasses.fields(value):
                if field.init:
                    yield field.name.encode()
                    yield self.of(getattr(value, field.name))
        elif isinstance(value, Mapping):
            for key, item in value.items():
                yield self.of(key)
                yield self.of(item)
        elif isinstance(value, (tuple, list)):
            for item in value:
                yield self.of(item)
        else:
            raise TypeError(f"{kind.__qualname__} is nothing that can be hashed by its content")


@cache
def versions() -> dict[str, str]:
    """Versions that a result records."""
    from .. import __version__

    found = {"roomsim": __version__}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    found["python"] = f"{sys.version_info.major}.{sys.version_info.minor}"
    return found


@cache
def source_hash() -> str:
    """SHA-256 of those files of roomsim that shape a case."""
    package = Path(__file__).resolve().parents[1]
    files = sorted({file for pattern in SHAPING for file in package.glob(pattern) if file.suffix in (".py", ".csv")})
    return _digest(f"{file.relative_to(package).as_posix()}\n".encode() + file.read_bytes() for file in files).hex()


def _digest(parts: Any) -> bytes:
    """SHA-256 of a sequence of byte strings, each with its length."""
    whole = hashlib.sha256()
    for part in parts:
        whole.update(len(part).to_bytes(8, "little"))
        whole.update(part)
    return whole.digest()
