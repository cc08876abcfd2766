"""What a report draws beside curves: rooms, what stands in them, and the loudspeakers by themselves, as plain lists."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ..bands import OCTAVES_HZ, analysis_grid_hz
from ..loudspeaker.channels import Loudspeaker
from ..loudspeaker.overview import ChannelOverview, channel_overview
from ..room.room import Room
from ..scene import Scene
from .plan import Case, Plan

MOST_SCENES = 600
"""Scenes that are recorded: one per room, design and place, in the order of the study."""
MOST_ROOMS = 300
"""Rooms and their settings that are recorded."""
CHANNELS_EACH, MOST_CHANNELS = 4, 24
"""Channels that are recorded of one design, and of all."""

_PER_OCTAVE, _MAP_STEP = 12, 2
_MAP_ANGLE_DEG, _MAP_LOW_DB = 10.0, -40.0


def record(plan: Plan) -> dict[str, Any]:
    """Rooms, scenes, finishes and loudspeakers of a plan, bounded however many cases there are.

    Returns
    -------
    rooms : per room and setting its faces, patches and furniture
    finishes : name -> kind, absorption per octave, what of it is assumed, sources
    scenes : per room, design and place (first setting, first values of the vary keys): cabinets, channels, seats
    loudspeakers : per design and channel: standard curves and maps
    """
    rooms: dict[tuple, dict[str, Any]] = {}
    scenes: dict[tuple, dict[str, Any]] = {}
    finishes: dict[str, dict[str, Any]] = {}
    for case in plan.cases:
        labels = dict(case.labels)
        state = labels["room"], labels["setting"]
        if state not in rooms and len(rooms) < MOST_ROOMS:
            rooms[state] = {"room": state[0], "setting": state[1], **room_record(case.room)}
            for material in _materials(case.room):
                finishes.setdefault(str(material.name), finish_record(material))
        key = labels["room"], labels["design"], labels["place"]
        if key not in scenes and len(scenes) < MOST_SCENES:
            scenes[key] = {**labels, **scene_record(case.scene())}
    return {
        "rooms": list(rooms.values()), "finishes": finishes, "scenes": list(scenes.values()),
        "loudspeakers": _loudspeakers(plan.cases),
    }


def room_record(room: Room) -> dict[str, Any]:
    """Faces with their finishes, patches and furniture of a room; metres."""
    return {
        "name": room.name, "plan": _rounded(room.geometry.plan_m), "size": _rounded(room.geometry.size_m),
        "faces": [{"name": face.name, "corners": _rounded(face.corners_m), **_finish_of(room.materials[face.name])}
                  for face in room.geometry.faces],
        "patches": [{"face": patch.face, "corners": _rounded(patch.corners_m(room.geometry)),
                     **_finish_of(patch.material)} for patch in room.patches],
        "furniture": [{"name": item.name, "count": item.count, "assumed": item.assumed, "source": item.source,
                       "footprint": None if (corners := item.footprint_m()) is None else _rounded(corners),
                       "height": None if item.size_m is None else round(float(item.size_m[2]), 3)}
                      for item in room.furniture],
        "temperature_c": room.air.temperature_c, "humidity_percent": room.air.humidity_percent,
    }


def finish_record(material: Any) -> dict[str, Any]:
    """What is known of a finish."""
    return {
        "kind": getattr(material, "kind", ""), "absorption": _rounded(material.absorption(OCTAVES_HZ), 2),
        "assumed": list(getattr(material, "assumed_bands", ())), "sources": list(getattr(material, "sources", ())),
    }


def scene_record(scene: Scene) -> dict[str, Any]:
    """Where loudspeakers and seats are, and the middle of each channel's drivers; metres and degrees."""
    cabinets = []
    for placed in scene.loudspeakers:
        speaker = placed.loudspeaker
        depth = 0.0 if speaker.mounting == "on-wall" else speaker.depth_m
        cabinets.append({
            "name": speaker.name, "at": _rounded(placed.position_m), "azimuth_deg": round(placed.azimuth_deg, 2),
            "size": _rounded([depth, speaker.width_m, speaker.height_m]), "wall": placed.wall,
            "gap_m": round(placed.gap_m, 4),
        })
    middles = {
        name: _rounded(np.mean([emitter.position_m for emitter in scene.channel_emitters(k)], axis=0), 4)
        for k, name in enumerate(scene.channels)
    }
    plates = [
        {"name": plate.name, "corners": _rounded(plate.corners_m, 4)}
        for placed in scene.loudspeakers for plate in placed.plates
    ]
    return {"cabinets": cabinets, "channels": middles, "plates": plates, "seats": _rounded(scene.listeners_m)}


def loudspeaker_record(overview: ChannelOverview) -> dict[str, Any]:
    """Standard curves per twelfth, maps per sixth of an octave and 10°, levels re the axis cut at −40 dB."""
    curves = overview.curves
    named = {
        "on_axis_db": curves.on_axis_db, "listening_window_db": curves.listening_window_db,
        "early_reflections_db": curves.early_reflections_db, "sound_power_db": curves.sound_power_db,
        "in_room_db": curves.in_room_db, "early_index_db": curves.early_index_db,
        "power_index_db": curves.power_index_db,
    }
    angles = np.flatnonzero(np.abs(overview.angle_deg / _MAP_ANGLE_DEG % 1) < 1e-6)
    return {
        "half_space": overview.half_space, "calibrated": overview.calibrated,
        "low_hz": float(overview.low_hz), "high_hz": float(overview.high_hz) if overview.high_hz < 1e9 else None,
        "frequency_hz": _rounded(overview.frequency_hz, 3),
        **{name: None if level is None else _rounded(level, 2) for name, level in named.items()},
        "map_frequency_hz": _rounded(overview.frequency_hz[::_MAP_STEP], 3),
        "map_angle_deg": _rounded(overview.angle_deg[angles], 1),
        **{name: _rounded(np.maximum(level[angles, ::_MAP_STEP], _MAP_LOW_DB), 1) for name, level in (
            ("horizontal_db", overview.horizontal_db), ("vertical_db", overview.vertical_db))},
        "notes": list(overview.notes),
    }


def _loudspeakers(cases: Iterable[Case]) -> list[dict[str, Any]]:
    designs: dict[Any, tuple[Loudspeaker, float]] = {}
    for case in cases:
        designs.setdefault(dict(case.labels)["design"], (case.loudspeaker, case.room.air.speed_m_s))
    wanted = [
        (turn, design, name) for design, (speaker, _) in designs.items()
        for turn, name in enumerate(list(speaker.channels)[:CHANNELS_EACH])
    ]
    found = []
    for _, design, name in sorted(wanted, key=lambda one: one[0])[:MOST_CHANNELS]:     # first channels of all first
        speaker, speed = designs[design]
        overview = _overview(speaker, name, speed)
        found.append({"design": design, "channel": name, "speaker": speaker.name, **loudspeaker_record(overview)})
    return found


@lru_cache(maxsize=MOST_CHANNELS)
def _overview(speaker: Loudspeaker, channel: str, speed_m_s: float) -> ChannelOverview:
    """Curves and maps of one channel."""
    return channel_overview(speaker.channels[channel], name=channel, speed_m_s=speed_m_s,
                            frequency_hz=analysis_grid_hz(per_octave=_PER_OCTAVE))


def _materials(room: Room) -> list[Any]:
    return [*room.materials.values(), *(patch.material for patch in room.patches)]


def _finish_of(material: Any) -> dict[str, str]:
    return {"finish": str(material.name), "kind": getattr(material, "kind", "")}


def _rounded(values: ArrayLike, digits: int = 3) -> list[Any]:
    return np.round(np.asarray(values, float), digits).tolist()
