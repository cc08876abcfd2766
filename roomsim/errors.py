"""What roomsim says when something is wrong.

Every error a user can cause is a `RoomsimError`. Files collect all their problems into one
`DefinitionError`, so that a user mends a file once and not line by line.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any


class RoomsimError(Exception):
    """Base of all errors that a user's input or machine can cause."""


class Fault(RoomsimError):
    """A mistake of roomsim itself, found before it could give wrong numbers."""


class InvalidValue(RoomsimError, ValueError):
    """One value breaks one rule; readers turn it into a `Problem` with file and line."""

    def __init__(self, key: str, value: Any, rule: str, cure: str = "") -> None:
        self.key, self.value, self.rule, self.cure = key, value, rule, cure
        super().__init__(str(Problem(key=key, value=value, rule=rule, cure=cure)))

    def __reduce__(self) -> tuple[Any, ...]:
        """It comes back whole from a worker process."""
        return type(self), (self.key, self.value, self.rule, self.cure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong in one place: where, value, rule, cure."""

    key: str
    rule: str
    value: Any = None
    cure: str = ""
    file: str = ""
    line: int | None = None

    def __str__(self) -> str:
        where = self.file + (f":{self.line}" if self.line is not None else "")
        name = self.key + (f" = {shown(self.value)}" if self.value is not None else "")
        text = " ".join(part for part in (where, name) if part)
        text = f"{text}: {self.rule}" if text else self.rule
        return f"{text}; {self.cure}" if self.cure else text

    def as_dict(self) -> dict[str, Any]:
        """The same for machines; the value as it is shown to people."""
        return {
            "file": self.file, "line": self.line, "key": self.key,
            "value": None if self.value is None else shown(self.value),
            "rule": self.rule, "cure": self.cure,
        }


class DefinitionError(RoomsimError):
    """All the problems of one or several files at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[Any, ...]:
        """It comes back whole from a worker process."""
        return type(self), (self.problems,)


def shown(value: Any, limit: int = 60) -> str:
    """A value as a message shows it: on one line, cut at `limit` characters."""
    text = repr(value) if isinstance(value, str) else str(value)
    text = " ".join(text.split())
    return text if len(text) <= limit else text[: limit - 1] + "…"


def nearest(name: str, known: Sequence[str], count: int = 5) -> list[str]:
    """The known names, nearest first, at most `count`."""
    folded = {entry.casefold(): entry for entry in known}
    score = {
        entry: difflib.SequenceMatcher(None, name.casefold(), key).ratio() for key, entry in folded.items()
    }
    return sorted(score, key=lambda entry: (-score[entry], entry))[:count]
