"""Frequency responses as plain text: frequency in Hz, level in dB, optional phase in degrees."""

from __future__ import annotations

import os
import re
import secrets
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DefinitionError, Problem, RoomsimError
from ..limits import limits

_COMMENT = ("#", ";", "*", "%", "//", "\\", "!")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(e[+-]?\d+)?", re.IGNORECASE)
_SHOWN = 20
"""At most this many problems of one file are listed."""


def read_response_text(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None]:
    """Frequency [Hz], level [dB] and phase [degrees] (None where the file has two columns).

    Columns are parted by tabs, semicolons, commas or blanks; decimal commas are read where the columns are
    not parted by commas. Lines that start with # ; * % ! // or a backslash are comments, lines without
    numbers before the data are headings. A first line at 0 Hz is left out.

    Raises
    ------
    DefinitionError : every problem with its line
    """
    path = Path(path)
    text = response_text(path)
    numbers: list[tuple[int, list[float]]] = []
    problems: list[Problem] = []
    for number, line in enumerate(text.splitlines(), 1):
        line = line.strip().strip("\ufeff")
        if not line or line.startswith(_COMMENT):
            continue
        row = _row(line)
        if row is None:
            if numbers:
                problems.append(_problem(path, number, "line", line, "must hold numbers"))
            continue
        numbers.append((number, row))
    if not numbers and not problems:
        raise DefinitionError([Problem(key="", file=str(path), rule="holds no numbers")])
    columns = len(numbers[0][1])
    if columns not in (2, 3):
        problems.append(
            _problem(path, numbers[0][0], "columns", columns, "must be frequency, level, and optionally phase")
        )
        raise DefinitionError(problems)
    for number, row in numbers:
        if len(row) != columns:
            problems.append(_problem(path, number, "columns", len(row), f"must be {columns} as in the first line"))
    numbers = [(number, row) for number, row in numbers if len(row) == columns]
    if len(numbers) > 1 and numbers[0][1][0] == 0:
        numbers = numbers[1:]
    problems += _value_problems(path, numbers)
    if problems:
        more = len(problems) - _SHOWN
        listed = problems[:_SHOWN]
        if more > 0:
            listed.append(Problem(key="", file=str(path), rule=f"and {more} more problems"))
        raise DefinitionError(listed)
    table = np.array([row for _, row in numbers])
    return table[:, 0], table[:, 1], table[:, 2] if columns == 3 else None


def write_response_text(
    path: Path, frequency_hz: ArrayLike, level_db: ArrayLike, phase_deg: ArrayLike | None = None, heading: str = ""
) -> None:
    """Write a response as tab-separated text that `read_response_text` reads, whole or not at all."""
    columns = [np.asarray(frequency_hz, float), np.asarray(level_db, float)]
    names = ["frequency_hz", "level_db"]
    if phase_deg is not None:
        columns.append(np.asarray(phase_deg, float))
        names.append("phase_deg")
    head = [f"# {line}" for line in heading.splitlines()] + ["# " + "\t".join(names)]
    rows = ["\t".join(f"{value:.10g}" for value in row) for row in zip(*columns, strict=True)]
    write_text(Path(path), "\n".join(head + rows) + "\n")


def write_text(path: Path, text: str) -> None:
    """Write a small text file, whole or not at all."""
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.txt")
    try:
        draft.write_text(text, encoding="utf-8")
        os.replace(draft, path)
    except OSError as error:
        raise RoomsimError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            draft.unlink()


def response_text(path: Path) -> str:
    """Text of such a file, whatever its encoding.

    Raises
    ------
    DefinitionError : not there, unreadable, empty, too large, binary
    """

    def wrong(rule: str, cure: str = "") -> DefinitionError:
        return DefinitionError([Problem(key="", file=str(path), rule=rule, cure=cure)])

    if not path.is_file():
        raise wrong("does not exist")
    most = limits().text_bytes
    try:
        with path.open("rb") as stream:
            raw = stream.read(most + 1)
    except OSError as error:
        raise wrong(f"cannot be read ({error.strerror or error})") from error
    if not raw.strip():
        raise wrong("is empty")
    if len(raw) > most:
        raise wrong(f"is larger than {most / 1e6:g} MB", "is this a frequency response? ROOMSIM_LIMITS=text_bytes=…")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return raw.decode("utf-16")
        except UnicodeDecodeError as error:
            raise wrong("is no readable text", "save it as UTF-8 text") from error
    odd = sum(byte < 32 and byte not in b"\t\n\r\f\v\x1a" for byte in raw[:65536])
    if odd:
        raise wrong("is binary, not text", "export as text: frequency, level in dB, phase in degrees")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _row(line: str) -> list[float] | None:
    """Numbers of a line, None where it has none."""
    for mark in ("\t", ";", None, ","):
        if mark is not None and mark not in line:
            continue
        words = [word for word in (line.split(mark) if mark else line.split()) if word.strip()]
        words = [word.strip() for word in words]
        if len(words) < 2:
            continue
        if mark != "," and all("," not in word or _DECIMAL_COMMA.fullmatch(word) for word in words):
            words = [word.replace(",", ".") for word in words]
        elif mark is None and "," in line:
            continue
        try:
            return [float(word) for word in words]
        except ValueError:
            continue
    return None


def _value_problems(path: Path, numbers: list[tuple[int, list[float]]]) -> list[Problem]:
    problems = []
    names = ("frequency", "level", "phase")
    last = 0.0
    for number, row in numbers:
        for name, value in zip(names, row, strict=False):
            if not np.isfinite(value):
                problems.append(_problem(path, number, name, value, "must be a finite number"))
        f = row[0]
        if not np.isfinite(f):
            continue
        if f <= 0:
            problems.append(_problem(path, number, "frequency", f, "must be positive"))
        elif f == last:
            problems.append(_problem(path, number, "frequency", f, "is given twice"))
        elif f < last:
            problems.append(_problem(path, number, "frequency", f, f"must rise; the line before has {last:g}"))
        last = max(last, f)
    return problems


def _problem(path: Path, line: int, key: str, value: object, rule: str) -> Problem:
    return Problem(key=key, value=value, rule=rule, file=str(path), line=line)
