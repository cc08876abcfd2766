"""YAML in, domain objects out, with every problem named by file and line."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "load": "reading", "check": "reading", "schema": "json_schema", "shipped_rooms": "references",
    "RoomDefinition": "room_definition", "LoudspeakerDefinition": "loudspeaker_definition",
    "StudyDefinition": "study_definition", "MaterialsDefinition": "materials",
    "MeasurementDefinition": "measurement_definition", "CorrectionDefinition": "correction_definition",
}

__all__ = [
    "CorrectionDefinition", "LoudspeakerDefinition", "MaterialsDefinition", "MeasurementDefinition", "RoomDefinition",
    "StudyDefinition", "check", "load", "schema", "shipped_rooms",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f".{_HOME[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
