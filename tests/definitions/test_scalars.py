"""Plain words and numbers: read as a person means them, not as YAML 1.1 does."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomsim.definitions.scalars import number_cure, plain_scalar


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1e3", 1000.0),             # text in PyYAML, a number for a person
        ("1E3", 1000.0), ("1e-3", 0.001), ("+2", 2), ("-0.35", -0.35), (".5", 0.5), ("5.", 5.0), ("0", 0), ("-0", 0),
        ("yes", "yes"), ("no", "no"), ("on", "on"), ("off", "off"), ("y", "y"), ("N", "N"),   # booleans in YAML 1.1
        ("true", True), ("False", False), ("null", None), ("~", None), ("", None),
        ("1:30", "1:30"), ("010", "010"), ("0x10", "0x10"), ("1_000", "1_000"), ("0b11", "0b11"),
        (".inf", ".inf"), ("-.INF", "-.INF"), (".nan", ".nan"), ("nan", "nan"), ("1e400", "1e400"),
        ("2024-05-01", "2024-05-01"), ("4,2", "4,2"), ("٣", "٣"), ("1 000", "1 000"),
        ("12345678901234567890", 12345678901234567890.0),
    ],
)
def test_plain_words(text: str, value: object):
    found = plain_scalar(text)
    assert found == value
    assert type(found) is type(value)


def test_very_long_numbers_do_not_hang():
    assert plain_scalar("9" * 100_000) == "9" * 100_000      # infinite as a float: left as text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_that_python_writes_is_read_back(value: float):
    found = plain_scalar(repr(value))
    assert isinstance(found, (int, float))
    assert float(found) == value


@given(st.text(max_size=30))
def test_any_text_is_read_and_has_a_cure_or_none(text: str):
    found = plain_scalar(text)
    assert found is None or isinstance(found, (bool, str)) or math.isfinite(found)
    assert isinstance(number_cure(text, "m"), str)


@pytest.mark.parametrize(
    ("text", "unit", "cure"),
    [
        ("50%", "", "write 0.5: the unit stands in the key"),
        ("2.5 kHz", "Hz", "write 2500: the unit stands in the key"),
        ("13 ft", "m", "write 3.9624: the unit stands in the key"),
        ("90 deg", "°", "write 90: the unit stands in the key"),
        ("1 ms", "ms", "write 1: the unit stands in the key"),
        ("1013 hPa", "kPa", "write 101.3: the unit stands in the key"),
        ("1,000,000", "m", "write 1000000"),
        ("wide", "m", ""),
    ],
)
def test_cures(text: str, unit: str, cure: str):
    assert number_cure(text, unit) == cure
