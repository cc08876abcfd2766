"""Every source that a docstring cites stands in references.bib."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import roomsim

FOLDER = Path(roomsim.__file__).parent
BIB = (FOLDER / "references.bib").read_text("utf-8")
# a key ends in a year or names a standard's part: [kuttruff2016], [iso9613-1]; array indices and words are none
KEY = re.compile(
    r"\[((?:[a-z]+(?:-[a-z]+)*\d{4}[a-z]?|(?:iso|iec|en|ansi|itu)-?[a-z]*\d[\d-]*)(?:\s*,\s*[a-z0-9-]+)*)\]"
)


def keys_in_bib(text: str) -> list[str]:
    return re.findall(r"^@\w+\{([^,\s]+),", text, re.MULTILINE)


def cited(text: str) -> set[str]:
    return {key.strip() for group in KEY.findall(text) for key in group.split(",")}


def docstrings(path: Path) -> str:
    """All docstrings of a module, those under its constants too, and its comments."""
    source = path.read_text("utf-8")
    tree = ast.parse(source)
    strings = [
        node.value.value for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
    ]
    comments = [line.split("#", 1)[1] for line in source.splitlines() if "#" in line]
    return "\n".join(strings + comments)


def test_every_cited_key_resolves() -> None:
    known = set(keys_in_bib(BIB))
    missing = {
        f"{path.relative_to(FOLDER)}: [{key}]"
        for path in sorted(FOLDER.rglob("*.py")) for key in cited(docstrings(path)) - known
    }
    missing |= {
        f"{path.name}: [{key}]"
        for path in sorted(FOLDER.rglob("*.csv")) for key in cited(path.read_text("utf-8")) - known
    }
    assert not missing, sorted(missing)


def test_keys_are_unique() -> None:
    keys = keys_in_bib(BIB)
    assert len(keys) == len(set(keys))


def test_the_search_finds_keys_and_leaves_other_brackets_alone() -> None:
    text = "as [kuttruff2016, iso9613-1] and [allen-berkley1979] say; shape [n_listener], [Pa m], [0, 1], [dB re 1]"
    assert cited(text) == {"kuttruff2016", "iso9613-1", "allen-berkley1979"}


def test_something_is_cited() -> None:
    assert len({key for path in FOLDER.rglob("*.py") for key in cited(docstrings(path))}) >= 5
