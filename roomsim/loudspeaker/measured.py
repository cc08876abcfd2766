"""A directivity that was measured: what was measured where, and how it is read between the measured points."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import db, midbands_hz, smoothed
from ..constants import REFERENCE_PRESSURE_PA, REFERENCE_SPEED_M_S
from ..errors import InvalidValue
from .coverage import DIP
from .harmonic_fit import ENERGY_LEFT, PRESSURE_LEFT, SphereField, sphere_field
from .interpolation import frequency_weights, minimum_phase

COVERAGES = ("full", "half", "orbits", "partial")
"""What was measured: the sphere, the half sphere x ≥ 0, two orbits, or something else."""

FLOOR = 1e-4
"""Where a magnitude without phase is zero, this part of the largest at that frequency stands for it (-80 dB)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredDirectivity:
    """Measured pressure times distance on a set of directions (the `Directivity` protocol).

    Attributes
    ----------
    name : for messages and labels
    frequency_hz : rising, shape (n_frequency,)
    directions : unit vectors in the loudspeaker's frame, no two alike, shape (n_direction, 3)
    values : pressure × distance [Pa m, rms], delay of propagation removed, phase referred to the frame's
        origin, shape (n_direction, n_frequency); real and positive where there is no phase
    has_phase : False where only magnitudes were measured; they then get their minimum phase
    filled : True for directions that were not measured but filled in, shape (n_direction,)
    fill_method : how they were filled, empty where none was
    half_space : the data stand for a source in a large rigid wall, and hold for x ≥ 0 only
    coverage : what was measured, one of COVERAGES
    low_hz, high_hz : trusted range; outside it the level at its end is held
    calibrated : True where the pressures are absolute, for `drive_v`
    drive_v : drive voltage of the data [V rms], None where not known
    distance_m : distance at which it was measured; far field where `far_field` is True
    far_field : True once finite distance was removed (or where the user says it does not matter)
    radius_m : of the smallest sphere about the origin that holds the sounding source
    acoustic_centre_m : the point about which phases are interpolated, shape (3,)
    delay_s : common delay left in the data, taken out for the interpolation and put back
    speed_m_s : speed of sound of the measurement
    level_uncertainty_db : standard uncertainty of the level per frequency, shape (n_frequency,), or None
    notes : sentences for people: what was assumed, what is not to be trusted
    """

    name: str
    frequency_hz: NDArray[np.float64]
    directions: NDArray[np.float64]
    values: NDArray[np.complex128]
    has_phase: bool
    filled: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    fill_method: str = ""
    half_space: bool = False
    coverage: str = "full"
    low_hz: float = 0.0
    high_hz: float = np.inf
    calibrated: bool = False
    drive_v: float | None = None
    distance_m: float = 1.0
    far_field: bool = False
    radius_m: float = 0.2
    acoustic_centre_m: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    delay_s: float = 0.0
    speed_m_s: float = REFERENCE_SPEED_M_S
    level_uncertainty_db: NDArray[np.float64] | None = None
    notes: tuple[str, ...] = ()
    _built: dict[Any, Any] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        def put(key: str, value: Any, dtype: type) -> None:
            array = np.array(value, dtype)
            array.setflags(write=False)
            object.__setattr__(self, key, array)

        put("frequency_hz", np.atleast_1d(self.frequency_hz), float)
        put("directions", np.atleast_2d(self.directions), float)
        put("values", np.atleast_2d(self.values), complex)
        count = len(self.directions)
        put("filled", self.filled if np.size(self.filled) else np.zeros(count, bool), bool)
        put("acoustic_centre_m", self.acoustic_centre_m, float)
        if self.level_uncertainty_db is not None:
            put("level_uncertainty_db", self.level_uncertainty_db, float)
        _check(self)
        f = self.frequency_hz
        inside = f[self.trusted]
        if inside.size:                                   # the range ends at measured frequencies
            object.__setattr__(self, "low_hz", float(inside[0]))
            object.__setattr__(self, "high_hz", float(inside[-1]))
        else:
            raise InvalidValue("low_hz, high_hz", (self.low_hz, self.high_hz), "no measured frequency lies between")

    @property
    def axisymmetric(self) -> bool:
        """Measured data are never taken to be the same all round."""
        return False

    @property
    def trusted(self) -> NDArray[np.bool_]:
        """Which measured frequencies lie in the trusted range, shape (n_frequency,)."""
        slack = 1e-6
        return (self.frequency_hz >= self.low_hz * (1 - slack)) & (self.frequency_hz <= self.high_hz * (1 + slack))

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m, rms] in unit vectors (n_direction, 3), shape (n_direction, n_frequency).

        Equal to the data at a measured direction and frequency. With phase, complex values are interpolated
        about the acoustic centre; without, energy, to which each direction's minimum phase belongs. Outside
        the trusted range the value at its end is held.
        """
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        q = np.atleast_2d(np.asarray(directions, float))
        if self.has_phase:
            return self._field_at(f).at(q) * self._turn(f, q)
        own = self.frequency_hz[self.trusted]
        log_size = np.log(self._magnitude(q))
        weights = frequency_weights(own, f)
        phase = minimum_phase(own, log_size)
        return np.exp((weights.T @ log_size.T).T + 1j * (weights.T @ phase.T).T)

    def is_measured(self, directions: ArrayLike) -> NDArray[np.bool_]:
        """Whether the measured directions, not the filled ones, bear the value there, shape (n_direction,)."""
        from scipy.spatial import cKDTree

        q = np.atleast_2d(np.asarray(directions, float))
        nearest = cKDTree(self.directions).query(q)[1]
        measured = ~self.filled[nearest]
        return measured & (q[:, 0] >= -1e-9) if self.half_space else measured

    def on_axis_level_db(self, low_hz: float = 300.0, high_hz: float = 3000.0) -> float:
        """Level on axis at 1 m [dB re 20 µPa], energy mean over a third-octave grid from low_hz to high_hz."""
        f = midbands_hz(3, low_hz, high_hz)
        return float(db(np.mean(np.abs(self.far_pressure(f, [[1.0, 0, 0]])) ** 2), REFERENCE_PRESSURE_PA**2))

    def leave_out_db(self, share: float = 0.1) -> NDArray[np.float64]:
        """Level error [dB rms] at measured directions that are left out and interpolated, shape (n_frequency,).

        About `share` of the measured directions are left out at once; those within 20 dB of the loudest at
        their frequency count; NaN outside the trusted range. The data's own gaps are narrower than the ones
        made here, so the true error between directions is smaller. It says nothing of filled directions.
        """
        from .coverage import left_out, orbit_fill

        measured = np.flatnonzero(~self.filled)
        smooth = self.smooth_values()
        if self.coverage == "orbits":
            inner = measured[np.abs(self.directions[measured, 0]) < 1 - 1e-6]
            out = inner[left_out(inner.size, share)]
            rest = np.setdiff1d(measured, out)
            guess = orbit_fill(self.directions[rest], smooth[rest], self.directions[out])
        else:
            inner = measured[self.directions[measured, 0] > 0.1] if self.half_space else measured
            out = inner[left_out(inner.size, share)]
            rest = np.setdiff1d(np.arange(len(self.directions)), out)
            nodes, rows = _mirrored(self.directions[rest]) if self.half_space else (self.directions[rest], slice(None))
            guess = sphere_field(nodes, smooth[rest][rows], self._left_over).at(self.directions[out])
        if not self.has_phase:
            guess = np.maximum(guess, DIP * smooth[measured].min(axis=0))
        per = 20 if self.has_phase else 10
        level = [per * np.log10(np.maximum(np.abs(x), 1e-30)) for x in (smooth[out], guess, smooth[measured])]
        true, found, loudest = level
        counts = true > loudest.max(axis=0) - 20
        result = np.full(self.frequency_hz.size, np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.sum(np.where(counts, (found - true) ** 2, 0), axis=0) / counts.sum(axis=0)
        result[self.trusted] = np.sqrt(mean)
        return result

    def with_changes(self, **changes: Any) -> MeasuredDirectivity:
        """A copy with some attributes changed."""
        return replace(self, **changes)

    def smooth_values(self, every: bool = False) -> NDArray:
        """What is interpolated, at the trusted (or all) frequencies, shape (n_direction, n_frequency).

        With phase: values about the acoustic centre, without the common delay. Without: energy |D|², which
        varies more smoothly over directions than level or magnitude do.
        """
        chosen = np.ones(self.frequency_hz.size, bool) if every else self.trusted
        f, values = self.frequency_hz[chosen], self.values[:, chosen]
        if self.has_phase:
            return values * np.conj(self._turn(f, self.directions))
        energy = np.abs(values) ** 2
        top = energy.max(axis=0)
        return np.maximum(energy, FLOOR**2 * np.where(top > 0, top, 1.0))

    def from_smooth(self, smooth: NDArray, directions: NDArray[np.float64]) -> NDArray[np.complex128]:
        """`values` in `directions` from what `smooth_values(every=True)` holds there."""
        if self.has_phase:
            return smooth * self._turn(self.frequency_hz, directions)
        least = DIP * self.smooth_values(every=True).min(axis=0)
        return np.sqrt(np.maximum(smooth, least)) + 0j

    def _turn(self, frequency_hz: NDArray[np.float64], directions: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Phase of the acoustic centre and of the common delay."""
        k = 2 * np.pi * frequency_hz / self.speed_m_s
        path = directions @ self.acoustic_centre_m - self.speed_m_s * self.delay_s
        return np.exp(1j * np.outer(path, k))

    @property
    def _left_over(self) -> tuple[float, float]:
        return PRESSURE_LEFT if self.has_phase else ENERGY_LEFT

    def _field(self) -> SphereField:
        """What is interpolated over directions, at the trusted frequencies; built once."""
        if "field" not in self._built:
            values = self.smooth_values()
            nodes, rows = _mirrored(self.directions) if self.half_space else (self.directions, slice(None))
            self._built["nodes"] = values[rows]
            self._built["field"] = sphere_field(nodes, values[rows], self._left_over)
        return self._built["field"]

    def _field_at(self, frequency_hz: NDArray[np.float64]) -> SphereField:
        """The field at these frequencies; the last ones asked for are kept."""
        key = frequency_hz.tobytes()
        last = self._built.get("at")
        if last is None or last[0] != key:
            own = self.frequency_hz[self.trusted]
            last = (key, self._field().combined(frequency_weights(own, frequency_hz)))
            self._built["at"] = last
        return last[1]

    def _magnitude(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """|D| at the trusted frequencies from interpolated energy, shape (n_direction, n_trusted)."""
        field = self._field()
        energy = field.at(directions)
        least = DIP * field.local.smallest_corner(directions, self._built["nodes"])
        return np.sqrt(np.maximum(energy, least))


def trusted_range(
    frequency_hz: ArrayLike, mean_square: ArrayLike, steepest_db_per_octave: float = 48.0
) -> tuple[float, float]:
    """Range in which the mean over the directions looks like a loudspeaker and not like a missing measurement.

    From the loudest frequency outwards, the range ends where the third-octave mean falls by more than
    `steepest_db_per_octave` over a third of an octave. An alignment of eighth order falls by 48 dB per octave;
    driver, box and crossover together rarely reach it (common practice, no source).
    """
    f = np.asarray(frequency_hz, float)
    energy = smoothed(np.asarray(mean_square, float), f, 3)
    if f.size < 2 or not np.any(energy > 0):
        return float(f[0]), float(f[-1])
    x = np.log2(f)
    level = db(np.maximum(energy, 1e-20 * energy.max()))
    rise = 3 * (np.interp(x + 1 / 3, x, level) - level)           # dB per octave above each frequency
    fall = 3 * (np.interp(x - 1 / 3, x, level) - level)
    peak = int(np.argmax(level))
    low = high = peak
    slack = steepest_db_per_octave + 1e-6
    while low > 0 and rise[low - 1] <= slack:
        low -= 1
    while high < f.size - 1 and fall[high + 1] <= slack:
        high += 1
    return float(f[low]), float(f[high])


def _mirrored(directions: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Directions of a half sphere and their mirror images in the wall x = 0, and the rows they take values from."""
    inside = np.flatnonzero(directions[:, 0] >= -1e-6)
    behind = np.flatnonzero(directions[:, 0] > 1e-6)
    image = directions[behind] * np.array([-1.0, 1, 1])
    return np.vstack([directions[inside], image]), np.concatenate([inside, behind])


def _check(data: MeasuredDirectivity) -> None:
    f, d, v = data.frequency_hz, data.directions, data.values
    if f.size == 0 or np.any(~np.isfinite(f)) or np.any(f <= 0) or np.any(np.diff(f) <= 0):
        raise InvalidValue("frequency_hz", f, "must be positive and rising, no value twice")
    if d.ndim != 2 or d.shape[1] != 3 or not np.allclose(np.linalg.norm(d, axis=1), 1, atol=1e-6):
        raise InvalidValue("directions", d.shape, "must be unit vectors, shape (n, 3)")
    if v.shape != (len(d), f.size):
        raise InvalidValue("values", v.shape, f"must have shape ({len(d)}, {f.size}): directions, frequencies")
    if not np.all(np.isfinite(v)):
        raise InvalidValue("values", None, "must be finite")
    if data.coverage not in COVERAGES:
        raise InvalidValue("coverage", data.coverage, f"must be one of {', '.join(COVERAGES)}")
    if data.filled.shape != (len(d),):
        raise InvalidValue("filled", data.filled.shape, "must have one entry per direction")
    if not data.has_phase and (np.any(v.imag != 0) or np.any(v.real < 0)):
        raise InvalidValue("values", None, "without phase must be magnitudes, real and not negative")
    if data.level_uncertainty_db is not None and data.level_uncertainty_db.shape != f.shape:
        raise InvalidValue("level_uncertainty_db", data.level_uncertainty_db.shape, "must have one entry per frequency")
    if not np.any(v):
        raise InvalidValue("values", None, "are all zero")
