"""How much a file may ask for: sizes and counts beyond which it is refused before memory or time runs out.

ROOMSIM_LIMITS in the environment raises (or lowers) them: `ROOMSIM_LIMITS="cases=200000, sofa_bytes=4e9"`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, fields, replace
from functools import lru_cache

from .errors import RoomsimError, nearest

VARIABLE = "ROOMSIM_LIMITS"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Largest sizes and counts.

    Attributes
    ----------
    definition_bytes : of a YAML file; one of a thousand finishes stays far below
    definition_values : values in it, with aliases written out
    definition_depth : mappings and lists inside each other
    corners : of a plan, and names of its walls
    seats : of a study
    cases : of a study
    text_bytes : of a text file with a frequency response or a correction
    wav_bytes : of a WAV file
    sofa_bytes : of an AES69 file, and of all its arrays once they are unpacked
    result_bytes : of a netCDF result once unpacked; those above 64 MB are read on demand
    open_s : seconds that opening a foreign AES69 or netCDF file may take
    survey_bytes, survey_rows : of a survey of rooms
    """

    definition_bytes: int = 500_000
    definition_values: int = 50_000
    definition_depth: int = 20
    corners: int = 200
    seats: int = 500
    cases: int = 100_000
    text_bytes: int = 20_000_000
    wav_bytes: int = 1_000_000_000
    sofa_bytes: int = 1_000_000_000
    result_bytes: int = 100_000_000_000
    open_s: int = 30
    survey_bytes: int = 500_000_000
    survey_rows: int = 5_000_000


class LimitError(RoomsimError):
    """ROOMSIM_LIMITS cannot be understood."""


def limits() -> Limits:
    """The limits that hold: the usual ones, changed as ROOMSIM_LIMITS says.

    Raises
    ------
    LimitError : a name that is none, a value that is no whole number above 0
    """
    return _read(os.environ.get(VARIABLE, ""))


@lru_cache(maxsize=4)
def _read(text: str) -> Limits:
    known = [field.name for field in fields(Limits)]
    found: dict[str, int] = {}
    for part in filter(None, (part.strip() for part in text.split(","))):
        name, _, value = (word.strip() for word in part.partition("="))
        if name not in known:
            raise LimitError(f"{VARIABLE}: {part!r} names no limit; known: {', '.join(nearest(name, known))}")
        try:
            number = float(value)
            found[name] = int(number)
        except (ValueError, OverflowError):
            raise LimitError(f"{VARIABLE}: {part!r} must be name=number") from None
        if found[name] != number or not 0 < number < 2**62:
            raise LimitError(f"{VARIABLE}: {part!r} must be a whole number above 0")
    return replace(Limits(), **found)
