"""Files that definitions name: where they may be, and their bytes."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator

from ..errors import InvalidValue
from ..limits import limits
from .fields import checked_text, near, refusal

YAML_SUFFIXES = (".yaml", ".yml")


def file_path(*suffixes: str, names: bool = False) -> Any:
    """The path of a file beside the one that names it; with `names`, a word without suffix passes too.

    Without `suffixes` any will do.
    """
    return Annotated[str, BeforeValidator(lambda value: checked_path(value, suffixes, names))]


def checked_path(value: Any, suffixes: tuple[str, ...], names: bool = False) -> str:
    """`value`, refused where it is no path with one of the suffixes; where it may be a name, a word passes too."""
    if not isinstance(value, str):
        rule = "must be a file name" + (" or a shipped room's name" if names else "")
        raise refusal(f"has no value; {rule}" if value is None else rule)
    value = checked_text(value, 300)
    if "\\" in value:
        raise refusal("holds a backslash", "write / between folders")
    if not is_path(value) and names:
        return value
    if suffixes and Path(value).suffix.lower() not in suffixes:
        raise refusal(f"must end in {' or '.join(suffixes)}")
    return value


def is_path(text: str) -> bool:
    """Whether a text is a file's path and not a shipped room's name."""
    return "/" in text or Path(text).suffix.lower() in YAML_SUFFIXES


def shipped_rooms() -> dict[str, Path]:
    """The rooms that come with roomsim: name -> file, sorted by name."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "rooms", package.parent / "rooms"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.yaml"))}
    return {}


def locate(text: str, *, beside: Path, root: Path, allow_outside: bool) -> Path:
    """The existing file that a text names.

    Parameters
    ----------
    text : a path, as the file says it
    beside : the folder of that file
    root : the folder that may not be left
    allow_outside : let it be left

    Raises
    ------
    InvalidValue : outside the folder, or no such file
    """
    try:
        path = (beside / text).resolve()
        found = path.exists()
    except (OSError, ValueError, RuntimeError) as error:      # too long a name, a loop of links
        raise InvalidValue("", text, f"is no path ({getattr(error, 'strerror', None) or error})") from None
    if not allow_outside and not path.is_relative_to(root.resolve()):
        raise InvalidValue(
            "", text, f"lies outside the folder {root.resolve().name}/ of the definition",
            "copy the file there, or allow it in Python: load(…, allow_outside=True)",
        )
    if not found:
        raise InvalidValue("", text, "there is no such file", _alike(path))
    return path


def shipped(name: str) -> Path:
    """The file of a shipped room.

    Raises
    ------
    InvalidValue : no such room
    """
    rooms = shipped_rooms()
    if name not in rooms:
        told = f"{near(name, list(rooms))}; " if rooms else ""
        raise InvalidValue("", name, "is no shipped room", f"{told}the path of a file of your own ends in .yaml")
    return rooms[name]


def read_text(path: Path) -> str:
    """Text of a definition file.

    Raises
    ------
    InvalidValue : missing, not a plain file, not readable, too large, not UTF-8
    """
    _check_plain(path)
    most = limits().definition_bytes
    try:
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        raise InvalidValue("", None, f"cannot be read ({error.strerror})") from None
    if len(data) > most:
        raise InvalidValue("", None, f"is larger than {most / 1000:g} kB",
                           "is this a definition? ROOMSIM_LIMITS=definition_bytes=… allows more")
    if b"\0" in data[:4096] and data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise InvalidValue("", None, "is no text file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InvalidValue("", None, f"is not UTF-8 text (line {line})", "save the file as UTF-8") from None


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    InvalidValue : missing, not a plain file, not readable
    """
    _check_plain(path)
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InvalidValue("", None, f"cannot be read ({error.strerror})") from None


def _check_plain(path: Path) -> None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise InvalidValue("", None, "there is no such file", _alike(path)) from None
    except (OSError, ValueError) as error:
        raise InvalidValue("", None, f"cannot be read ({getattr(error, 'strerror', None) or error})") from None
    if stat.S_ISDIR(mode):
        raise InvalidValue("", None, "is a folder", "name a file in it")
    if not stat.S_ISREG(mode):
        raise InvalidValue("", None, "is no plain file")


def _alike(path: Path) -> str:
    """Names like a missing file's among those of its kind in the same folder (the first 200)."""
    try:
        found = (item.name for item in path.parent.iterdir() if item.suffix.lower() == path.suffix.lower())
        names = sorted(name for _, name in zip(range(200), found, strict=False))
    except OSError:
        names = []
    return near(path.name, names) if names else ""
