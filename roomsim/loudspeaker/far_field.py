"""What becomes of a finite measuring distance before a measurement is used."""

from __future__ import annotations

import math
from dataclasses import replace

from ..errors import InvalidValue
from .measured import MeasuredDirectivity
from .nearfield import to_far_field

_SPARE_ORDERS = 12
"""So many orders above ka are fitted at most: more than the sound radiates, enough to see noise."""


def far_field_limit_hz(distance_m: float, radius_m: float, speed_m_s: float) -> float:
    """Frequency up to which a distance is in the far field of a source of that radius: r ≥ 2 (2a)²/λ.

    The path difference over the aperture is then at most λ/16; common practice, no source.
    """
    return speed_m_s * distance_m / (8 * radius_m**2)


def without_distance(data: MeasuredDirectivity) -> MeasuredDirectivity:
    """The measurement as it would be far away, as far as its phase and its directions allow; its notes say how far.

    Data without phase, or with directions that were filled, keep their distance.

    Raises
    ------
    InvalidValue : the microphones stood inside the sphere that holds the source
    """
    if data.far_field:
        return data
    if data.distance_m <= data.radius_m:
        raise InvalidValue(
            "distance_m", round(data.distance_m, 3),
            f"must exceed the source's radius ({data.radius_m:g} m): no microphone stands inside it",
            "state the distance from the frame's origin, and radius_m of all that sounds",
        )
    why = "no phase" if not data.has_phase else "directions were filled" if data.filled.any() else ""
    if not why:
        top = 2 * math.pi * data.high_hz * data.radius_m / data.speed_m_s
        return to_far_field(data, math.ceil(top) + _SPARE_ORDERS)
    limit = far_field_limit_hz(data.distance_m, data.radius_m, data.speed_m_s)
    if limit >= data.high_hz:
        return replace(data, far_field=True)
    text = (
        f"{why}: the measuring distance of {data.distance_m:g} m stays in the data, far enough up to {limit:.0f} Hz "
        f"for a source of {data.radius_m:g} m radius"
    )
    return replace(data, notes=(*data.notes, text))
