"""Up-firing and side-firing channels of a study by way of ceiling and side walls: over ceiling height, slope and
seat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..analysis.bounce import Bounce, bounce
from ..errors import InvalidValue
from ..scene import Emitter, Scene
from .plan import make_plan

if TYPE_CHECKING:
    from ..definitions import StudyDefinition

UP_DEG, ASIDE_DEG = 20.0, 30.0
"""A channel whose first driver points at least so far up, or aside, is judged by its bounce."""
HEIGHTS_M = (2.3, 2.5, 2.8, 3.2)
SLOPES_DEG = (0.0, 10.0, 20.0)
"""Of the ceiling, rising from the wall behind the loudspeaker into the room."""


def bounce_rows(
    study: StudyDefinition, *, heights_m: Sequence[float] | None = None, slopes_deg: Sequence[float] = SLOPES_DEG
) -> list[dict[str, Any]]:
    """A line per design, room, place, channel and ceiling, the worst and best seat of each.

    Parameters
    ----------
    study : its settings do not matter, its first is taken; vary keys are not used
    heights_m : of the ceiling above the wall behind the loudspeaker; each room's own and HEIGHTS_M by default
    slopes_deg : of the ceiling

    Returns
    -------
    design, room, place, channel, surface, height_m, slope_deg (None for side walls), level_db of the middle seat,
    worst_db, delay_ms, elevation_deg, verdict (of the worst seat), seats that fail and their number; nothing for
    channels that point at the listener

    Raises
    ------
    InvalidValue : heights or slopes that cannot be
    """
    for height in heights_m or ():
        if not 1.5 <= height <= 15:
            raise InvalidValue("heights_m", height, "must be 1.5 to 15 m")
    for slope in slopes_deg:
        if not -60 <= slope <= 60:
            raise InvalidValue("slopes_deg", slope, "must be -60 to 60 degrees")
    rows = []
    for case in make_plan(replace(study, vary={}, settings=study.settings[:1])).cases:
        scene = case.scene()
        labels = {d: v for d, v in case.labels if d != "setting"}
        for index, channel in enumerate(case.channels):
            emitters = scene.channel_emitters(index)
            found = _of_channel(scene, emitters, heights_m, slopes_deg)
            rows += [{**labels, "channel": channel, **row} for row in found]
    return rows


def _of_channel(
    scene: Scene, emitters: Sequence[Emitter], heights_m: Sequence[float] | None, slopes_deg: Sequence[float]
) -> list[dict[str, Any]]:
    axis = np.asarray(emitters[0].rotation)[:, 0]
    face = scene.room.geometry.face(scene.loudspeakers[0].wall or "front")
    up, out = float(np.degrees(np.arcsin(np.clip(axis[2], -1, 1)))), float(axis @ face.normal)
    aside = float(np.degrees(np.arccos(np.clip(out / max(np.hypot(axis[0], axis[1]), 1e-9), -1, 1))))
    rows = []
    if up >= UP_DEG:
        own = float(scene.room.geometry.size_m[2])
        heights = tuple(heights_m) if heights_m is not None else (own, *(h for h in HEIGHTS_M if abs(h - own) > 0.05))
        for height in heights:
            for slope in slopes_deg:
                tilt = np.radians(slope)
                normal = np.sin(tilt) * face.normal - np.cos(tilt) * np.array([0, 0, 1.0])
                foot = np.array([*face.corners_m[0][:2], height])
                ceiling = {"height_m": round(height, 3), "slope_deg": slope}
                rows.append(_row(scene, emitters, "ceiling", foot, normal, ceiling))
    elif abs(aside) >= ASIDE_DEG:
        side = max((f for f in scene.room.geometry.faces if abs(f.normal[2]) < 1e-6 and f.name != face.name),
                   key=lambda f: float(-axis @ f.normal))
        none = {"height_m": None, "slope_deg": None}
        rows.append(_row(scene, emitters, side.name, side.corners_m[0], side.normal, none))
    return [row for row in rows if row]


def _row(
    scene: Scene, emitters: Sequence[Emitter], surface: str, point: Any, normal: Any, ceiling: dict[str, Any]
) -> dict[str, Any]:
    finish = scene.room.materials[surface]
    speed = scene.room.air.speed_m_s
    found: list[Bounce] = [
        b for seat in scene.listeners_m if (b := bounce(emitters, seat, point, normal, finish, speed)) is not None
    ]
    if not found:
        return {}
    worst = min(found, key=lambda b: b.level_db)
    return {
        "surface": surface, **ceiling, "level_db": round(found[0].level_db, 2), "worst_db": round(worst.level_db, 2),
        "best_db": round(max(b.level_db for b in found), 2), "delay_ms": round(found[0].delay_ms, 2),
        "elevation_deg": round(found[0].elevation_deg, 1), "angle_deg": round(found[0].angle_deg, 1),
        "verdict": worst.verdict, "failing_seats": sum(b.verdict == "fails" for b in found), "seats": len(found),
    }
