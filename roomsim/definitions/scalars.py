"""Words and numbers as a person means them, whatever YAML 1.1 would make of them."""

from __future__ import annotations

import math
import re

Scalar = str | int | float | bool | None

_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})")
_DECIMAL = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?")
_CONSTANTS: dict[str, Scalar] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False,
}

SCALE = {
    "m": {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": 0.0254, "ft": 0.3048, "km": 1e3},
    "Hz": {"hz": 1.0, "khz": 1e3},
    "ms": {"ms": 1.0, "s": 1e3, "us": 1e-3, "µs": 1e-3},
    "%": {"%": 1.0, "percent": 1.0},
    "": {"%": 1e-2},
    "dB": {"db": 1.0},
    "°": {"deg": 1.0, "°": 1.0, "rad": 180 / math.pi},
    "°C": {"°c": 1.0, "c": 1.0, "deg": 1.0},
    "kPa": {"kpa": 1.0, "hpa": 0.1, "mbar": 0.1, "pa": 1e-3},
}
"""Units that people write behind a number, by the unit of the key, as factors."""

_WITH_UNIT = re.compile(r"([-+]?[0-9]*\.?[0-9]+) *([a-zµA-Z%°]+)")


def plain_scalar(text: str) -> Scalar:
    """What an unquoted word stands for.

    Numbers are decimal: `1e3` is 1000. `yes`, `no`, `on`, `off`, dates, `1:30`, `010`, `0x10`, `1_000`, `.inf`
    and `.nan` stay text: fine as a name, and refused with a cure (`number_cure`) where a number is wanted.
    """
    if text in _CONSTANTS:
        return _CONSTANTS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if _DECIMAL.fullmatch(text) and math.isfinite(value := float(text)):
        return value
    return text


def number_cure(text: str, unit: str = "") -> str:
    """What to write instead of a text where a number is wanted, "" where that is anyone's guess."""
    word = text.strip()
    plain = word.replace("−", "-").replace("–", "-")
    if plain != word and _DECIMAL.fullmatch(plain):
        return f"write {plain} with the keyboard's minus sign"
    if _DECIMAL.fullmatch(word):
        finite = math.isfinite(float(word))
        return f"write {word} without quotes" if finite else "infinity is no value"
    if word.lower().lstrip("+-.") in ("inf", "infinity", "nan"):
        return "write a finite number"
    if re.fullmatch(r"[-+]?[0-9]{1,3}(,[0-9]{3})+", word):
        decimal = f", or {word.replace(',', '.')} if the comma is a decimal one" if word.count(",") == 1 else ""
        return f"write {word.replace(',', '')}{decimal}"
    if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", word):
        return f"write {word.replace(',', '.')} with a point"
    if re.fullmatch(r"[-+]?[0-9][0-9_]*(\.[0-9_]+)?", word) and "_" in word:
        return f"write {word.replace('_', '')}"
    if re.fullmatch(r"[-+]?0+[0-9]+(\.[0-9]*)?", word):
        return f"write {word.lstrip('+-0') or '0'}: some programs read a leading zero as base eight"
    if re.fullmatch(r"[-+]?0[xXbBoO][0-9a-fA-F]+", word):
        return "write it in base ten"
    if re.fullmatch(r"[-+]?[0-9]+(:[0-9]{1,2})+(\.[0-9]*)?", word):
        return "write one decimal number, without colons"
    if re.fullmatch(r"[-+]?[0-9.]+ */ *[0-9.]+", word):
        return "write a decimal number, not a fraction"
    if (match := _WITH_UNIT.fullmatch(word)) and (factor := SCALE.get(unit, {}).get(match[2].lower())):
        return f"write {float(match[1]) * factor:g}: the unit stands in the key"
    if match:
        return "write a number alone: the unit stands in the key"
    return ""
