"""JSON Schema of every kind of file, for editors."""

from __future__ import annotations

from typing import Any

from ..errors import InvalidValue
from .fields import Model


def models() -> dict[str, type[Model]]:
    """Kind -> the model that judges it."""
    from .loudspeaker import LoudspeakerModel
    from .materials import MaterialsModel
    from .measurement import CorrectionModel, MeasurementModel
    from .room import RoomModel
    from .study import StudyModel

    return {"room": RoomModel, "loudspeaker": LoudspeakerModel, "study": StudyModel, "materials": MaterialsModel,
            "measurement": MeasurementModel, "correction": CorrectionModel}


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a kind of file.

    Rules that take more than one key or more than one file are not in it.

    Raises
    ------
    InvalidValue : no such kind
    """
    known = models()
    if kind not in known:
        raise InvalidValue("kind", kind, f"must be one of {', '.join(known)}")
    found = known[kind].model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_without_null_defaults(found)}


def _without_null_defaults(node: Any) -> Any:
    """A default of None only says that the key may be missing."""
    if isinstance(node, dict):
        return {key: _without_null_defaults(item) for key, item in node.items() if (key, item) != ("default", None)}
    if isinstance(node, list):
        return [_without_null_defaults(item) for item in node]
    return node
