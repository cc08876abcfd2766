"""Where source and microphones of an AES69 file stand, in any position type and unit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from ..loudspeaker.measurement import directions_from_angles
from ..sphere import unit_vectors

_LENGTHS = {"metre": 1.0, "meter": 1.0, "m": 1.0, "centimetre": 0.01, "centimeter": 0.01, "cm": 0.01,
            "millimetre": 1e-3, "millimeter": 1e-3, "mm": 1e-3}
_ANGLES = {"degree": 1.0, "deg": 1.0, "°": 1.0, "radian": 180 / np.pi, "rad": 180 / np.pi}
_FARTHEST = 1e7
"""No coordinate is larger in any unit; netCDF puts 9.97e36 where nothing was written."""

_DEFAULT_UNITS = {"cartesian": "metre", "spherical": "degree, degree, metre"}


def field(sofa: Any, key: str, default: Any = None) -> Any:
    """A variable of the file, or the error that it is missing."""
    value = getattr(sofa, key, default)
    if value is None:
        raise InvalidValue(key, None, "is missing")
    return value


def receiver_directions(
    sofa: Any, source_position_is_direction: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Directions (M, R, 3) and distances (M, R) of the receivers in the source's frame, and emitters (E, 3).

    A microphone stands at ListenerPosition plus its ReceiverPosition turned by ListenerView and ListenerUp;
    the source at SourcePosition looks along SourceView. Whichever of them changes with the measurement, the
    direction is that from the source to the microphone in the source's own axes.
    """
    source, listener = _points(sofa, "SourcePosition"), _points(sofa, "ListenerPosition", (0, 0, 0))
    receiver, emitter = _points(sofa, "ReceiverPosition"), _points(sofa, "EmitterPosition", (0, 0, 0))
    if receiver.ndim == 2:
        receiver = receiver[..., None]                                                   # (R, 3, M)
    emitter = emitter[..., 0] if emitter.ndim == 3 else emitter
    if source.ndim != 2 or listener.ndim != 2:
        raise InvalidValue("SourcePosition, ListenerPosition", None, "must have one row per measurement")
    source_axes, listener_axes = _axes(sofa, "Source"), _axes(sofa, "Listener")
    parts = (source, listener, source_axes, listener_axes)
    counts = {*map(len, parts), receiver.shape[2]} - {1}
    if 0 in counts:
        raise InvalidValue("positions", None, "are there for no measurement")
    if len(counts) > 1:
        raise InvalidValue("positions", sorted(counts), "stand for different numbers of measurements")
    count = counts.pop() if counts else 1
    source, listener, source_axes, listener_axes = (
        np.broadcast_to(part, (count, *part.shape[1:])) for part in parts
    )
    receiver = np.broadcast_to(receiver, (*receiver.shape[:2], count))
    if source_position_is_direction:
        offset = np.broadcast_to(source[:, None, :], (count, len(receiver), 3))
    else:
        if np.ptp(source, axis=0).max() > 1e-6 and getattr(sofa, "SourceView", None) is None:
            raise InvalidValue(
                "SourcePosition", f"{count} positions",
                "the loudspeaker moves, but SourceView does not say how it turns",
                "if these are turntable angles, read them as directions (source_position_is_direction)",
            )
        microphone = listener[:, None, :] + np.einsum("mij,rjm->mri", listener_axes, receiver)
        offset = np.einsum("mij,mri->mrj", source_axes, microphone - source[:, None, :])
    distance = np.linalg.norm(offset, axis=2)
    if np.any(distance < 1e-3):
        raise InvalidValue("ReceiverPosition", None, "a microphone stands at the loudspeaker's own position")
    return offset / distance[..., None], distance, emitter


def _points(
    sofa: Any, key: str, default: tuple[float, float, float] | None = None, kind: str | None = None
) -> NDArray[np.float64]:
    """Positions or views [m], shape (n, 3) or (n, 3, M), of any type and unit."""
    try:
        value = np.asarray(field(sofa, key, None if default is None else np.array([default])), float)
    except (TypeError, ValueError) as error:
        raise InvalidValue(key, None, "must be numbers") from error
    value = np.atleast_2d(value)
    if value.ndim > 3 or value.shape[1] != 3:
        raise InvalidValue(key, value.shape, "must have three coordinates per point")
    if not value.size:
        raise InvalidValue(key, value.shape, "holds no point")
    if not np.all(np.isfinite(value)) or np.any(np.abs(value) > _FARTHEST):
        raise InvalidValue(key, None, "holds NaN or infinite values, or ones never written")
    kind = str(getattr(sofa, f"{key}_Type", kind or "cartesian")).strip().lower()
    if kind not in _DEFAULT_UNITS:
        raise InvalidValue(f"{key}_Type", kind, "must be cartesian or spherical")
    units = str(getattr(sofa, f"{key}_Units", _DEFAULT_UNITS[kind]))
    words = [_singular(word.strip().lower()) for word in units.replace(";", ",").split(",")]
    points = np.moveaxis(value, 1, -1)
    if kind == "cartesian":
        words = words * 3 if len(words) == 1 else words
        if len(words) != 3 or any(word not in _LENGTHS for word in words):
            raise InvalidValue(f"{key}_Units", units, "must be a length", "metre")
        points = points * [_LENGTHS[word] for word in words]
    else:
        if len(words) != 3 or words[0] not in _ANGLES or words[1] not in _ANGLES or words[2] not in _LENGTHS:
            raise InvalidValue(f"{key}_Units", units, "must be two angles and a length", "degree, degree, metre")
        az, el = points[..., 0] * _ANGLES[words[0]], points[..., 1] * _ANGLES[words[1]]
        try:
            unit = directions_from_angles(az, el) if _ANGLES[words[0]] == 1 else unit_vectors(az, el)
        except InvalidValue as error:
            raise InvalidValue(key, error.value, error.rule, error.cure) from error
        points = unit * (points[..., 2:] * _LENGTHS[words[2]])
    return np.moveaxis(points, -1, 1)


def _singular(word: str) -> str:
    return word[:-1] if word[:-1] in _LENGTHS or word[:-1] in _ANGLES else word


def _axes(sofa: Any, who: str) -> NDArray[np.float64]:
    """Axes (columns) of the source's or listener's frame, shape (M, 3, 3).

    AES69 gives View and Up one type; an Up of [0, 0, 1] is taken as upwards whatever the type says, since
    as a spherical one it would point forwards.
    """
    view = _points(sofa, f"{who}View", (1, 0, 0))
    up = np.asarray(getattr(sofa, f"{who}Up", [[0, 0, 1]]))
    if up.ndim == 2 and np.array_equal(up, np.tile([0, 0, 1], (len(up), 1))):
        up = up.astype(float)
    else:
        up = _points(sofa, f"{who}Up", kind=str(getattr(sofa, f"{who}View_Type", "cartesian")))
    if view.ndim != 2 or len({len(view), len(up)} - {1}) > 1:
        raise InvalidValue(f"{who}View", view.shape, f"does not fit {who}Up: {up.shape}")
    view, up = np.broadcast_arrays(view, up)
    x = view / np.maximum(np.linalg.norm(view, axis=1, keepdims=True), 1e-12)
    y = np.cross(up, x)
    length = np.linalg.norm(y, axis=1, keepdims=True)
    if np.any(length < 1e-6):
        raise InvalidValue(f"{who}View", None, f"must not be zero nor parallel to {who}Up")
    y = y / length
    return np.stack([x, y, np.cross(x, y)], axis=-1)
