"""Responses as plain text: every usual layout, every usual mistake."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomsim.errors import DefinitionError, RoomsimError
from roomsim.files.response_text import read_response_text, write_response_text

F, LEVEL, PHASE = [20.0, 1000.0, 2500.5], [80.5, -3.25, 91.0], [0.0, -170.5, 12.0]


@pytest.mark.parametrize(
    "text",
    [
        "20 80.5 0\n1000 -3.25 -170.5\n2500.5 91 12\n",
        "20\t80.5\t0\n1000\t-3.25\t-170.5\n2500.5\t91\t12\n",
        "20,80.5,0\n1000,-3.25,-170.5\n2500.5,91,12\n",
        "20, 80.5, 0\n1000, -3.25, -170.5\n2500.5, 91, 12",
        "20;80.5;0\r\n1000;-3.25;-170.5\r\n2500.5;91;12\r\n",
        "20;80,5;0\n1000;-3,25;-170,5\n2500,5;91;12\n",
        "20,0\t80,5\t0,0\n1000,0\t-3,25\t-170,5\n2500,5\t91,0\t12,0\n",
        "20,0 80,5 0,0\n1000,0 -3,25 -170,5\n2500,5 91,0 12,0\n",
        "  20   80.5   0  \n\n 1e3   -3.25  -170.5\n 2.5005E3 91.0 12\n",
        "\ufeff# a comment\n* another\n; a third\n\\ a fourth\n% x\n// y\n! z\n"
        "20 80.5 0\n1000 -3.25 -170.5\n2500.5 91 12\n",
        "Freq(Hz)\tSPL(dB)\tPhase(deg)\n20\t80.5\t0\n1000\t-3.25\t-170.5\n2500.5\t91\t12\n",
        "0 70 0\n20 80.5 0\n1000 -3.25 -170.5\n2500.5 91 12\n",
    ],
    ids=["blanks", "tabs", "commas", "comma-blank", "semicolons", "semicolon-decimal-comma", "tab-decimal-comma",
         "blank-decimal-comma", "exponents", "comments", "heading", "zero-hertz"],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1"])
def test_layouts(tmp_path: Path, text: str, encoding: str) -> None:
    path = tmp_path / "response.txt"
    path.write_bytes(text.lstrip("\ufeff" if encoding != "utf-8" else "").encode(encoding))
    f, level, phase = read_response_text(path)
    assert (f.tolist(), level.tolist()) == (F, LEVEL)
    assert phase is not None and phase.tolist() == PHASE


def test_two_columns_have_no_phase(tmp_path: Path) -> None:
    path = tmp_path / "response.csv"
    path.write_text("20,80.5\n1000,-3.25\n")
    assert read_response_text(path)[2] is None


@pytest.mark.parametrize(
    ("content", "messages"),
    [
        (b"", ["is empty"]),
        (b"  \n\n", ["is empty"]),
        (b"RIFF\x00\x01\x02WAVE", ["is binary, not text"]),
        (b"\xff\xfe2\x000", ["no readable text"]),
        (b"# only a comment\n", ["holds no numbers"]),
        (b"20 80\n10 81\n", [":2 frequency = 10.0: must rise; the line before has 20"]),
        (b"20 80\n20 81\n", [":2 frequency = 20.0: is given twice"]),
        (b"-20 80\n20 81\n", [":1 frequency = -20.0: must be positive"]),
        (b"20 nan\n30 80\n", [":1 level = nan: must be a finite number"]),
        (b"20 80 0\n30 81 inf\n", [":2 phase = inf: must be a finite number"]),
        (b"20 80 0\n30 81\n", [":2 columns = 2: must be 3 as in the first line"]),
        (b"20 80 0 0.9\n", [":1 columns = 4: must be frequency, level, and optionally phase"]),
        (b"20 80\nhum 81\n40 82\n", [":2 line = 'hum 81': must hold numbers"]),
        (b"20 nan\n10 80\n30 81\n30 82\n", [":1 level = nan", ":2 frequency = 10.0", ":4 frequency = 30.0"]),
    ],
)
def test_mistakes_are_named_with_their_lines(tmp_path: Path, content: bytes, messages: list[str]) -> None:
    path = tmp_path / "bad.txt"
    path.write_bytes(content)
    with pytest.raises(DefinitionError) as caught:
        read_response_text(path)
    assert all(f"{path}" in line for line in str(caught.value).splitlines())
    for message in messages:
        assert message in str(caught.value)
    assert path.read_bytes() == content


def test_many_mistakes_are_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_text("\n".join(f"{i} nan" for i in range(1, 200)))
    with pytest.raises(DefinitionError) as caught:
        read_response_text(path)
    assert len(caught.value.problems) == 21 and "and 179 more problems" in str(caught.value)


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.txt", tmp_path):
        with pytest.raises(DefinitionError, match="does not exist"):
            read_response_text(path)


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode())))
def test_no_content_ends_in_a_traceback(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(content)
    try:
        f, level, _ = read_response_text(path)
    except RoomsimError as error:
        assert "any.txt" in str(error)
    else:
        assert f.size == level.size > 0 and np.all(np.diff(f) > 0) and np.all(np.isfinite(level))


def test_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    write_response_text(path, F, LEVEL, PHASE, heading="left woofer\non axis")
    f, level, phase = read_response_text(path)
    assert (f.tolist(), level.tolist(), phase.tolist()) == (F, LEVEL, PHASE)
    with pytest.raises(RoomsimError, match="cannot be written"):
        write_response_text(tmp_path / "no" / "out.txt", F, LEVEL)
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.txt"]
