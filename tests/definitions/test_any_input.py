"""Whatever a file holds, the reader answers with problems or a definition, never with another error."""

from __future__ import annotations

import copy
import json
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from roomsim.definitions import check, load

GOOD = Path(__file__).parent / "good"
TEXTS = {path.name: path.read_text("utf-8") for path in sorted(GOOD.glob("*.yaml"))}
DATA = {name: yaml.safe_load(text) for name, text in TEXTS.items()}

DATA_FOLDERS = {"orbits.yaml": ("polar",), "chamber.yaml": ("chamber",)}
"""Data files beside a definition."""

leaves = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12),
    st.sampled_from(["front", "ceiling", "room.yaml", "study.yaml", "a/.yaml", ".sofa", "ordinary", "1e3", "4,2"]),
)
values = st.recursive(leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner,
                                                                                         max_size=3), max_leaves=6)


def places(node: Any, where: tuple = ()) -> Iterator[tuple]:
    """Every place in plain data but the top."""
    inside = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, item in inside:
        yield (*where, key)
        yield from places(item, (*where, key))


def judge(name: str, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for file, text in TEXTS.items():
            (Path(folder) / file).write_text(text, "utf-8")
        for beside in DATA_FOLDERS.get(name, ()):
            shutil.copytree(GOOD / beside, Path(folder) / beside)
        (Path(folder) / name).write_bytes(content)
        path = Path(folder) / name
        problems = check([path])
        for problem in problems:
            assert problem.file and problem.rule and "\n" not in str(problem)
            json.dumps(problem.as_dict(), allow_nan=False)
        if problems:
            return
        definition = load(path)
        if hasattr(definition, "varied"):
            assert definition.varied()
        if hasattr(definition, "room"):
            assert all(definition.room(setting).geometry.volume_m3 > 0 for setting in definition.settings)
        if hasattr(definition, "directivity"):
            assert np.all(np.isfinite(definition.directivity.far_pressure([20, 1000, 20000], np.eye(3))))
        if hasattr(definition, "correction"):
            assert np.all(np.isfinite(definition.correction.correction_db([20, 1000, 20000])))


@pytest.mark.parametrize("name", TEXTS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_value_anywhere(name: str, data: st.DataObject):
    spoilt = copy.deepcopy(DATA[name])
    where = data.draw(st.sampled_from(list(places(spoilt))))
    holder = spoilt
    for key in where[:-1]:
        holder = holder[key]
    holder[where[-1]] = data.draw(values)
    judge(name, yaml.safe_dump(spoilt, sort_keys=False, allow_unicode=True).encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize("name", TEXTS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_text_anywhere(name: str, data: st.DataObject):
    text = TEXTS[name]
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(start + 20, len(text))))
    insert = data.draw(st.text(alphabet=st.sampled_from("{}[]:,-#&*!|>'\"%@`?\t\n \\0.e<~aä\u2028\x00"), max_size=6))
    judge(name, (text[:start] + insert + text[end:]).encode())


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(content: bytes):
    judge("room.yaml", content)


def test_the_good_files_pass_this_way_too(tmp_path: Path):
    shutil.copytree(GOOD, tmp_path / "job")
    for name in TEXTS:
        assert check([tmp_path / "job" / name]) == []
        judge(name, TEXTS[name].encode())
