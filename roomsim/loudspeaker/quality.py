"""What a measurement is worth: what was measured, what was filled, how well it is known between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bands import OCTAVE, midbands_hz
from .coverage import coverage_of
from .far_field import far_field_limit_hz
from .measured import MeasuredDirectivity
from .nearfield import expansion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasurementQuality:
    """Numbers that say how far measured data can be trusted.

    Attributes
    ----------
    measured, filled : directions
    filled_share : part of the solid angle (of the half sphere for half-sphere data) without a measurement near
    spacing_deg : typical distance of measured neighbours
    band_hz : exact octave midbands, shape (n_band,)
    leave_out_db : level error [dB rms] at measured directions that were left out and interpolated, NaN where the
        data are not trusted, shape (n_band,)
    far_field_hz : up to here the measuring distance is in the far field, by the source's radius
    removed_hz : up to here the distance was removed by expansion; None where there is none
    order : of the expansion, None where there is none
    uncertainty_db : largest standard uncertainty of a level per octave band (chamber correction), shape
        (n_band,); None where nothing was corrected
    """

    measured: int
    filled: int
    filled_share: float
    spacing_deg: float
    band_hz: NDArray[np.float64]
    leave_out_db: NDArray[np.float64]
    far_field_hz: float
    removed_hz: float | None
    order: int | None
    uncertainty_db: NDArray[np.float64] | None


def measurement_quality(data: MeasuredDirectivity) -> MeasurementQuality:
    """Judge a measurement; `data` with the measuring distance still in it."""
    f = data.frequency_hz
    bands = midbands_hz(1, 31.5, 16000)
    bands = bands[(bands > f[0] * OCTAVE**-0.5) & (bands < f[-1] * OCTAVE**0.5)]
    inside = [(f >= band * OCTAVE**-0.5) & (f < band * OCTAVE**0.5) for band in bands]
    error = data.leave_out_db()
    uncertain = data.level_uncertainty_db
    seen = coverage_of(data.directions[~data.filled])
    waves = None
    if data.has_phase and not data.filled.any() and not data.far_field and data.distance_m > data.radius_m:
        waves = expansion(data)
    return MeasurementQuality(
        measured=int((~data.filled).sum()), filled=int(data.filled.sum()), filled_share=seen.missing,
        spacing_deg=seen.spacing_deg, band_hz=bands,
        leave_out_db=np.array([_rms(error[chosen]) for chosen in inside]),
        far_field_hz=far_field_limit_hz(data.distance_m, data.radius_m, data.speed_m_s),
        removed_hz=None if waves is None else waves.limit_hz, order=None if waves is None else waves.order,
        uncertainty_db=None if uncertain is None else np.array(
            [uncertain[chosen].max() if chosen.any() else np.nan for chosen in inside]
        ),
    )


def summary(data: MeasuredDirectivity) -> str:
    """One sentence for people: what was measured, and what was not."""
    measured = int((~data.filled).sum())
    sphere = {"full": "a full sphere", "half": "a half sphere", "orbits": "two orbits", "partial": "part of a sphere"}
    filled = "all between them filled in" if data.coverage == "orbits" else "the others filled in"
    parts = [
        f"measured in {measured} directions ({sphere[data.coverage]}) at {data.distance_m:g} m "
        f"{'with' if data.has_phase else 'without'} phase",
        filled if data.filled.any() else "nothing filled in",
        f"trusted from {data.low_hz:.0f} to {data.high_hz:.0f} Hz",
    ]
    return ", ".join(parts)


def _rms(values: NDArray[np.float64]) -> float:
    good = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(good**2))) if good.size else float("nan")
