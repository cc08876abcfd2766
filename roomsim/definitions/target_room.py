"""A target room of a survey as a room file: size and shape from the survey, the rest from another room."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import DefinitionError, InvalidValue
from ..room.sizes import TargetRoom
from .reading import Reader
from .room_definition import RoomDefinition, define
from .yaml_lines import parse
from .yaml_text import document_text

NEAR_M = 0.8
"""Furniture that stands closer to a wall than this keeps its distance when the room changes its size."""

_SHAPE = ("room", "source", "width_m", "length_m", "height_m")
_ORDER = ("air", "finishes", "surfaces", "patches", "furniture", "adjustable", "settings")
_AXES = {"front": (1, 2), "back": (1, 2), "left": (0, 2), "right": (0, 2), "floor": (0, 1), "ceiling": (0, 1)}


def target_room_text(target: TargetRoom, survey: str, homes: int, like: RoomDefinition, name: str = "") -> str:
    """The room file of a target room; it loads.

    Parameters
    ----------
    target : size and shape
    survey, homes : its name, and how many homes it has
    like : the room from which air, finishes, surfaces, patches and furniture come
    name : what the room is called, by its percentile without one

    Notes
    -----
    Patches stretch with the surfaces they lie on. Furniture keeps its distance to a wall nearer than NEAR_M, else
    its relative place; what does not fit there loses its place and keeps its absorption.

    Raises
    ------
    InvalidValue : `like` is no box, or the survey's size is no possible room
    """
    if like.is_plan:
        raise InvalidValue("like", like.source.name, "is a floor plan; a target room is a box",
                           "name a room with width_m and length_m")
    said = like.said
    rank = "the mean" if target.label == "mean" else f"the {ordinal(target.percentile)} percentile"
    unit = "m³" if target.by == "volume" else "m²"
    size = f"{target.size:.1f} {unit} (90 % confidence {target.low:.1f} to {target.high:.1f} {unit}, bootstrap)"
    data: dict[str, Any] = {
        "room": f"{name[:1].upper()}{name[1:]} room" if name else f"Room at {rank} of {target.by}",
        "source": f"{_shown(survey)}, {homes} homes: {rank} of {target.by}, {size}; shape of the {target.neighbours} "
                  "homes nearest to that size (median of length over width, median height)",
        "width_m": target.width_m, "length_m": target.length_m, "height_m": target.height_m,
    }
    data |= {key: said[key] for key in _ORDER if key in said}
    data |= {key: value for key, value in said.items() if key not in data and key not in _SHAPE}
    ratio = [target.length_m / said["length_m"], target.width_m / said["width_m"], target.height_m / said["height_m"]]
    sizes = ((said["length_m"], target.length_m), (said["width_m"], target.width_m))
    for key in ("patches", "openings"):
        if key in data:
            data[key] = [_stretched(patch, ratio) for patch in data[key]]
    if "obstacles" in data:
        data["obstacles"] = {label: _moved(one, sizes) for label, one in data["obstacles"].items()}
    if "furniture" in data:
        data["furniture"] = [_moved(item, sizes) for item in data["furniture"]]
    comment = _comment(target, like, "; patches and furniture follow the size" if ratio != [1, 1, 1] else "")
    text = document_text(data, comment)
    problems = _problems(text)
    for where in sorted({p.key.split(".")[0] for p in problems if p.key.startswith("furniture[")}):
        item = data["furniture"][int(where[10:-1])]
        for key in ("at_m", "azimuth_deg"):
            item.pop(key, None)
    if problems:
        text = document_text(data, comment)
        problems = _problems(text)
    if problems:
        raise DefinitionError(problems)
    return text


def ordinal(number: float) -> str:
    """1st, 22nd, 62.5th."""
    whole = round(number, 1)
    if whole != int(whole):
        return f"{whole:g}th"
    teens = int(whole) % 100 in (11, 12, 13)
    return f"{int(whole)}{'th' if teens else {1: 'st', 2: 'nd', 3: 'rd'}.get(int(whole) % 10, 'th')}"


def _shown(name: str) -> str:
    """The name of a file in one line of text, whatever it is made of."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in name).split()) or "survey"
    return plain if len(plain) <= 120 else plain[:119] + "…"


def _comment(target: TargetRoom, like: RoomDefinition, followed: str) -> str:
    lines = ["Made by roomsim rooms; source says how. Change what you know better."]
    if target.decay_s is not None:
        lines.append(f"Homes of this size decay in {target.decay_s:.2f} s (median of the {target.measured} measured of "
                     f"the {target.neighbours} nearest).")
    template = _shown(like.source.name)
    lines.append(f"Air, finishes, surfaces, patches and furniture: as in the room file {template}{followed}.")
    return "\n".join(lines)


def _stretched(patch: Mapping[str, Any], ratio: list[float]) -> dict[str, Any]:
    along = [ratio[axis] for axis in _AXES[patch["surface"]]]
    return dict(patch) | {
        key: [_cm(value, value * factor) for value, factor in zip(patch[key], along, strict=True)]
        for key in ("from_m", "to_m")
    }


def _moved(item: Mapping[str, Any], sizes: tuple[tuple[float, float], ...]) -> dict[str, Any]:
    moved = dict(item)
    if "at_m" in moved:
        moved["at_m"] = [_cm(value, _place(value, *size)) for value, size in zip(moved["at_m"], sizes, strict=True)]
    return moved


def _place(value: float, before: float, after: float) -> float:
    if value <= NEAR_M:
        return value
    if before - value <= NEAR_M:
        return after - (before - value)
    if before <= 2 * NEAR_M or after <= 2 * NEAR_M:
        return value * after / before
    return NEAR_M + (value - NEAR_M) * (after - 2 * NEAR_M) / (before - 2 * NEAR_M)


def _cm(before: float, after: float) -> float:
    """Rounded to a centimetre where it changed."""
    return before if abs(after - before) < 1e-9 else round(after, 2)


def _problems(text: str) -> list[Any]:
    path = Path("room.yaml")
    document, problems = parse(text, file=path.name, path=path)
    reader = Reader(path, allow_outside=False)
    if document is not None:
        define(document, reader)
    return [*problems, *reader.problems]
