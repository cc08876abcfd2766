"""Values put in the place of what definition files say, before they are judged."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from ..errors import Problem
from .yaml_lines import Document, Path_

_PART = re.compile(r"\[(\d+)\]|([^.\[\]]+)")


def parsed(changes: Mapping[str | Path_, Any] | None) -> dict[Path_, Any]:
    """Dotted keys taken apart: "patches[0].material" is ("patches", 0, "material"); tuples stay as they are."""
    found: dict[Path_, Any] = {}
    for key, value in (changes or {}).items():
        if isinstance(key, tuple):
            found[key] = value
            continue
        found[tuple(int(number) if number else name for number, name in _PART.findall(key))] = value
    return found


def changed(document: Document, changes: Mapping[Path_, Any]) -> tuple[Document, list[Problem]]:
    """A document with values put in.

    Parameters
    ----------
    document : as its file says it
    changes : place -> value; None takes the key away. A place beyond the name of a file is kept for that file

    Returns
    -------
    the changed document, which holds what is kept for other files, and what could not be put in
    """
    if not changes:
        return document, []
    data, kept, problems = copy.deepcopy(document.data), {}, []
    for where, value in changes.items():
        reason = _put(data, where, copy.deepcopy(value))
        if reason == _IN_A_FILE:
            kept[where] = value
        elif reason:
            problems.append(document.problem(where, reason, value=value))
    return replace(document, data=data, changes=kept), problems


def below(document: Document, where: Path_) -> dict[Path_, Any]:
    """Changes kept for the file that a document names at a place."""
    return {key[len(where):]: value for key, value in document.changes.items() if key[: len(where)] == where}


def unused(document: Document, named: set[Path_]) -> list[Problem]:
    """Problems of changes kept for files that a document does not name."""
    return [
        document.problem(key, "is beyond a value that names no file", value=value)
        for key, value in document.changes.items() if not any(key[: len(where)] == where for where in named)
    ]


_IN_A_FILE = "in a file"


def _put(data: Any, where: Path_, value: Any) -> str:
    """Put a value in; says why not, or that the place is in another file."""
    if not where:
        return "names no key"
    for part in where[:-1]:
        if reason := _no_way(data, part):
            return reason
        if isinstance(data, dict) and data.get(part) is None:
            data[part] = {}
        data = data[part]
    last = where[-1]
    if reason := _no_way(data, last):
        return reason
    if value is None and isinstance(data, dict):
        data.pop(last, None)
    else:
        data[last] = value
    return ""


def _no_way(data: Any, part: str | int) -> str:
    """Why a key or position cannot be in a value; empty where it can."""
    if isinstance(data, str):
        return _IN_A_FILE
    if isinstance(data, list):
        return "" if isinstance(part, int) and part < len(data) else f"there is no entry {part} of {len(data)}"
    return "" if isinstance(data, dict) else "is inside a number"
