"""Loudspeakers for systems: a small box and a subwoofer, ideal points."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_studies import STUDY, write_study

POINT = """\
loudspeaker: {name}
cabinet_m: {width: 0.2, height: 0.3, depth: 0.2}
mounting: free
drivers: {cone: {omni: {}}}
channels: {all: [{driver: cone, at_m: [0, 0, 0], filter: {FILTER}}]}
"""


def point(name: str, settings: str = "") -> str:
    """The file of a loudspeaker of one point, with a filter."""
    return POINT.replace("{name}", name).replace("FILTER", settings)


def write_system(folder: Path, designs: str, *, study: str = STUDY, **filters: str) -> Path:
    """A study of these designs (YAML); box.yaml and sub.yaml stand beside it, with the filters given by name."""
    for name in ("box", "sub"):
        (folder / f"{name}.yaml").write_text(point(name, filters.get(name, "gain_db: 0")), "utf-8")
    return write_study(folder, study=study.replace("designs: {bar: {loudspeaker: bar.yaml}}", f"designs:\n{designs}"))


def draw_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are left empty: they take most of the time of a small study."""
    from roomsim.report import write

    for name in [name for name in vars(write) if name.endswith("_figure")]:
        monkeypatch.setattr(write, name, lambda *arguments: "nothing")
    monkeypatch.setattr(write, "_drawings", lambda study: [])
    monkeypatch.setattr(write, "save", lambda figure, path: path.touch())
