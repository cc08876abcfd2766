"""The demo: an invented scenario that a user runs first and then edits."""

from __future__ import annotations

import os
from importlib.resources import files
from pathlib import Path

from ..errors import DefinitionError, Problem
from ..files.output import OutputError, write_whole, writing

STUDY = "study.yaml"


def demo_files() -> dict[str, str]:
    """File name -> text of everything the demo writes."""
    found = (files(__package__) / "files").iterdir()
    return {entry.name: entry.read_text("utf-8") for entry in sorted(found, key=lambda e: e.name)
            if entry.name.endswith(".yaml")}


def write_demo(folder: str | os.PathLike[str]) -> Path:
    """Write the demo's files and return its study; files that are there and unchanged stay.

    Raises
    ------
    DefinitionError : a file of that name is there and says something else, so that no edit is lost
    OutputError : the folder cannot be written

    Examples
    --------
    >>> roomsim.write_demo("roomsim-demo").name
    'study.yaml'
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder")
    wanted = demo_files()
    with writing(folder):
        there = {name for name in wanted if os.path.lexists(folder / name)}
        edited = [name for name in sorted(there) if _text(folder / name) != wanted[name]]
        if edited:
            study = folder / STUDY
            raise DefinitionError(
                Problem(key="", file=str(folder / name), rule="is there and differs from the demo's file",
                        cure=f"run `roomsim predict {study}` to use it, or name another folder")
                for name in edited
            )
        folder.mkdir(parents=True, exist_ok=True)
        for name in wanted:
            if name not in there:
                write_whole(folder / name, wanted[name])
    return folder / STUDY


def _text(path: Path) -> str | None:
    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        return None
