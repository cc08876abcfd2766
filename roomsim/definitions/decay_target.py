"""A wanted decay time: one for the mid bands, or one per octave."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from ..bands import OCTAVES_HZ
from .fields import band_hz, refusal
from .scalars import number_cure

DECAY_S = (0.05, 20.0)


def decay_target() -> Any:
    """A decay time in seconds, or a mapping from octaves to decay times."""
    low, high = DECAY_S
    rule = f"must be {low:g} to {high:g} s, or octave in Hz: decay time"

    def number_of(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            cure = number_cure(value, "s") if isinstance(value, str) else ""
            raise refusal(f"has no value; {rule}" if value is None else rule, cure)
        if not low <= value <= high:
            slip = low <= value / 1000 <= high
            raise refusal(rule, f"is this in milliseconds? then write {value / 1000:g}" if slip else "")
        return float(value)

    def check(value: Any) -> float | dict[str, float]:
        if not isinstance(value, dict):
            return number_of(value)
        if not value:
            raise refusal("must name an octave, or be one number", "write {500: 0.4, 1000: 0.4}")
        for band in value:
            try:
                known = any(abs(band_hz(str(band)) / octave - 1) < 0.06 for octave in OCTAVES_HZ)
            except ValueError:
                known = False
            if not known:
                raise refusal(f"{band} is no octave from 63 Hz to 8 kHz", "write 125, 1000 or 1k")
        return {str(band): number_of(one) for band, one in value.items()}

    single = {"type": "number", "minimum": low, "maximum": high}
    schema = {"oneOf": [single, {"type": "object", "minProperties": 1, "additionalProperties": single}]}
    return Annotated[Any, BeforeValidator(check), WithJsonSchema(schema)]


def target_of(decay_s: float | Mapping[str, float] | None) -> float | dict[float, float] | None:
    """A wanted decay time: one for the mid bands, or exact midband -> decay time."""
    from ..room.materials import exact_bands_hz

    if not isinstance(decay_s, Mapping):
        return decay_s
    return {float(exact_bands_hz([band_hz(band)])[0][0]): time for band, time in decay_s.items()}
