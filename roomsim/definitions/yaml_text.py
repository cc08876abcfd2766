"""Plain data to YAML text that `yaml_lines` reads back the same."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from .scalars import plain_scalar

WIDTH = 120
_PLAIN = re.compile(r"[^\W\d_][\w ./()+-]*")
_BAND = re.compile(r"[0-9]{1,5}(\.[0-9]+)?k?")


def document_text(data: Mapping[str, Any], comment: str = "") -> str:
    """A file: the comment (wrapped, each line after #), then a key a line; long mappings and lists a line per entry."""
    lines = [f"# {line}" for line in _wrapped(comment)]
    for key, value in data.items():
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            lines += [f"{_key(key)}:", *(f"  - {inline(item)}" for item in value)]
        elif isinstance(value, Mapping) and (len(value) > 3 or any(isinstance(v, Mapping) for v in value.values())):
            lines += [f"{_key(key)}:", *(f"  {_key(name)}: {inline(item)}" for name, item in value.items())]
        else:
            lines.append(f"{_key(key)}: {inline(value)}")
    return "\n".join(lines) + "\n"


def inline(value: Any) -> str:
    """One value on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)}: {inline(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(inline(item) for item in value) + "]"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    return _quoted(str(value))


def _key(key: str) -> str:
    return key if _BAND.fullmatch(key) else _quoted(key)


def _quoted(text: str) -> str:
    """As it is where that reads back as this text, else in single quotes."""
    plain = _PLAIN.fullmatch(text) and not text.endswith(" ") and plain_scalar(text) == text
    return text if plain else "'" + text.replace("'", "''") + "'"


def _wrapped(text: str) -> list[str]:
    """Lines of at most WIDTH - 2 characters; line breaks stay."""
    import textwrap

    return [line for part in text.splitlines() for line in textwrap.wrap(part, WIDTH - 2) or [""]]
