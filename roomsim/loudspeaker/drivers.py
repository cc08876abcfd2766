"""Sketched drivers: directivities that follow from a few lengths, for designs that do not exist yet.

A designer's signal processing flattens what a driver sends forward, so every sketch is equalised flat on
its axis: D = 1 Pa m there at every frequency, phase zero referred to the reference point (`calibrated` is
False: levels are relative). What is left is how it beams. A box alignment (boxes.py) and a filter then
shape it. All hold at every frequency at which the sketch itself makes sense: real cones break up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import REFERENCE_SPEED_M_S
from ..errors import InvalidValue
from .directivity import Directivity

_SPHERE_MARGIN = 1.15
"""A cap's sphere is at least this much larger than the cap, so that some sphere is left around it."""

_POINT = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sketch:
    """What all sketched drivers share.

    Attributes
    ----------
    name : for messages and labels
    assumption : one sentence for people on what the sketch takes for granted, "" for nothing to say
    speed_m_s : speed of sound for which ka is formed [m/s]
    """

    name: str
    assumption: str = ""
    speed_m_s: float = REFERENCE_SPEED_M_S

    has_phase: ClassVar[bool] = True
    calibrated: ClassVar[bool] = False
    low_hz: ClassVar[float] = 0.0
    high_hz: ClassVar[float] = math.inf

    def _wave_numbers(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """k [rad/m], shape (n_frequency,)."""
        return 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float)) / self.speed_m_s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Omni(_Sketch):
    """The same in every direction: the limit of any small driver. Reference point: the source."""

    radius_m: ClassVar[float] = 0.0
    axisymmetric: ClassVar[bool] = True
    half_space: ClassVar[bool] = False

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D = 1 Pa m, shape (n_direction, n_frequency)."""
        return np.ones((len(_vectors(directions)), np.size(frequency_hz)), complex)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piston(_Sketch):
    """A rigid circular piston in an infinite baffle; the reference point is its centre.

    D = 2 J1(x)/x, x = ka sinθ, the same on both sides of the baffle (an even extension for engines that
    image the wall). References: [morse-ingard1968] ch. 7 (from memory), [beranek-mellow2012] ch. 13.

    Attributes
    ----------
    radius_m : of the piston [m]
    """

    radius_m: float
    axisymmetric: ClassVar[bool] = True
    half_space: ClassVar[bool] = True

    def __post_init__(self) -> None:
        _check_length("radius_m", self.radius_m)

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        n = _vectors(directions)
        sine = np.hypot(n[:, 1], n[:, 2])
        return jinc(np.outer(sine, self._wave_numbers(frequency_hz) * self.radius_m)).astype(complex)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RectangularPiston(_Sketch):
    """A rigid rectangular piston in an infinite baffle; the reference point is its centre.

    D = sinc(k w n_y / 2) sinc(k h n_z / 2). References: [beranek-mellow2012] ch. 13 (from memory).

    Attributes
    ----------
    width_m, height_m : along y and z [m]
    """

    width_m: float
    height_m: float
    axisymmetric: ClassVar[bool] = False
    half_space: ClassVar[bool] = True

    def __post_init__(self) -> None:
        _check_length("width_m", self.width_m)
        _check_length("height_m", self.height_m)

    @property
    def radius_m(self) -> float:
        """Half of the diagonal [m]."""
        return math.hypot(self.width_m, self.height_m) / 2

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        n, k = _vectors(directions), self._wave_numbers(frequency_hz)
        across = np.sinc(np.outer(n[:, 1], k * self.width_m) / (2 * np.pi))
        return (across * np.sinc(np.outer(n[:, 2], k * self.height_m) / (2 * np.pi))).astype(complex)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line(_Sketch):
    """A straight line of even strength in free field; the reference point is its middle.

    D = sinc(k L n_axis / 2). References: [beranek-mellow2012] ch. 4 (from memory).

    Attributes
    ----------
    length_m : L [m]
    axis : "vertical" (along z) or "horizontal" (along y)
    """

    length_m: float
    axis: str = "vertical"
    axisymmetric: ClassVar[bool] = False
    half_space: ClassVar[bool] = False

    def __post_init__(self) -> None:
        _check_length("length_m", self.length_m)
        if self.axis not in ("vertical", "horizontal"):
            raise InvalidValue("axis", self.axis, "must be vertical or horizontal")

    @property
    def radius_m(self) -> float:
        """Half of the length [m]."""
        return self.length_m / 2

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        along = _vectors(directions)[:, 2 if self.axis == "vertical" else 1]
        half = self._wave_numbers(frequency_hz) * self.length_m / (2 * np.pi)
        return np.sinc(np.outer(along, half)).astype(complex)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dipole(_Sketch):
    """An open driver without a baffle: front and back in antiphase; the reference point is its centre.

    D = cosθ · 2 J1(x)/x, x = ka sinθ: a disk across which the pressure jumps evenly (the resilient disk in
    free space). `radius_m` = 0 is the ideal dipole. References: [beranek-mellow2012] ch. 13 (from memory).

    Attributes
    ----------
    radius_m : of the disk [m], 0 for a point
    """

    radius_m: float = 0.0
    axisymmetric: ClassVar[bool] = True
    half_space: ClassVar[bool] = False

    def __post_init__(self) -> None:
        if self.radius_m:
            _check_length("radius_m", self.radius_m)

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        n = _vectors(directions)
        x = np.outer(np.hypot(n[:, 1], n[:, 2]), self._wave_numbers(frequency_hz) * self.radius_m)
        return (n[:, :1] * jinc(x)).astype(complex)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cap(_Sketch):
    """A vibrating cap on a rigid sphere: a driver in a small free-standing cabinet.

    The reference point is the centre of the cap on the sphere's surface (not the sphere's centre): the
    travel time over the sphere's radius is removed, so that D stays smooth in frequency. The on-axis value,
    with its own phase, is divided out.

    Attributes
    ----------
    radius_m : of the cap's rim [m]
    sphere_radius_m : of the sphere [m], larger than the cap

    Notes
    -----
    Harmonics about the reference point beyond order k·radius_m + 2 hold less than 1e-3 of the energy up to
    800 Hz for spheres to 0.16 m, though the sphere reaches farther than the cap.

    f(θ) = Σ ½[P_{n-1}(cos α) - P_{n+1}(cos α)] j^n / h_n^{(2)}'(ka) P_n(cos θ), first term (1 - cos α)/2,
    sin α = cap radius / sphere radius; the cap moves evenly in the radial direction.
    References: [williams1999] ch. 6, [morse-ingard1968] ch. 7 (from memory).
    """

    radius_m: float
    sphere_radius_m: float
    axisymmetric: ClassVar[bool] = True
    half_space: ClassVar[bool] = False

    def __post_init__(self) -> None:
        _check_length("radius_m", self.radius_m)
        _check_length("sphere_radius_m", self.sphere_radius_m)
        if self.sphere_radius_m <= self.radius_m:
            raise InvalidValue("sphere_radius_m", self.sphere_radius_m, "must exceed the cap's radius_m")

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        cosine = np.clip(_vectors(directions)[:, 0], -1, 1)
        ka = np.maximum(self._wave_numbers(frequency_hz) * self.sphere_radius_m, _POINT)
        series = _flat_series(ka.tobytes(), math.asin(self.radius_m / self.sphere_radius_m))
        order = np.arange(len(series))
        # Where few distinct angles stand behind many directions (a grid), work is done once per angle.
        angle, where = np.unique(np.round(cosine, 12), return_inverse=True)
        if 2 * angle.size > cosine.size:
            angle, where = cosine, slice(None)
        legendre = _legendre(order.size - 1, angle)
        field = (legendre @ series.view(float)).view(complex)
        return (field * np.exp(1j * np.outer(1 - angle, ka)))[where]


def sketch_piston(
    radius_m: float,
    *,
    mounting: str,
    width_m: float,
    height_m: float,
    depth_m: float,
    name: str = "piston",
    speed_m_s: float = REFERENCE_SPEED_M_S,
) -> Piston | Cap:
    """What `piston: {radius_m}` means: a piston in the wall, or a cap on a sphere that is the cabinet.

    Parameters
    ----------
    radius_m : of the driver [m]
    mounting : "on-wall" or "free"
    width_m, height_m, depth_m : of the cabinet [m]

    Returns
    -------
    On a wall: the baffled `Piston`. Free: a `Cap` of the same radius on a sphere whose great circle has the
    area of the cabinet's smallest cross-section (a bar: height times depth), since sound bends round a
    cabinet the shortest way; at least 1.15 times the cap's radius. Common practice, no source; the choice
    stands in words in `.assumption`.

    Raises
    ------
    InvalidValue : lengths that are not positive, an unknown mounting
    """
    if mounting == "on-wall":
        text = f"{name}: a rigid piston of radius {radius_m:g} m in a large rigid wall, flat on its axis"
        return Piston(name=name, radius_m=radius_m, assumption=text, speed_m_s=speed_m_s)
    if mounting != "free":
        raise InvalidValue("mounting", mounting, "must be free or on-wall")
    for key, value in (("width_m", width_m), ("height_m", height_m), ("depth_m", depth_m)):
        _check_length(key, value, 5.0)
    _check_length("radius_m", radius_m)
    short, middle, _ = sorted((width_m, height_m, depth_m))
    sphere = max(math.sqrt(short * middle / math.pi), _SPHERE_MARGIN * radius_m)
    text = (
        f"{name}: diffraction round the cabinet is that of a cap of radius {radius_m:g} m on a rigid sphere "
        f"of radius {sphere:.3g} m (the cabinet's smallest cross-section), flat on its axis"
    )
    return Cap(name=name, radius_m=radius_m, sphere_radius_m=sphere, assumption=text, speed_m_s=speed_m_s)


def jinc(x: ArrayLike) -> NDArray[np.float64]:
    """2 J1(x)/x, 1 at x = 0; same shape."""
    from scipy.special import j1

    x = np.asarray(x, float)
    safe = np.where(np.abs(x) < _POINT, 1.0, x)
    return np.where(np.abs(x) < _POINT, 1.0, 2 * j1(safe) / safe)


def cap_coefficients(ka: ArrayLike, half_angle_rad: float) -> NDArray[np.complex128]:
    """Legendre series of the far field of a cap on a rigid sphere, shape (n_order, n_ka).

    Referred to the sphere's centre, up to a factor that is the same for all orders; orders beyond those
    that leave the sphere at the largest ka are cut (they fall faster than exponentially).
    """
    from scipy.special import eval_legendre, spherical_jn, spherical_yn

    ka = np.atleast_1d(np.asarray(ka, float))
    last = np.ceil(ka + 5 * np.cbrt(ka) + 8)
    n = np.arange(int(last.max()) + 1)[:, None]
    with np.errstate(over="ignore", invalid="ignore"):
        slope = spherical_jn(n, ka, derivative=True) - 1j * spherical_yn(n, ka, derivative=True)
        above = eval_legendre(n[:, 0] + 1, math.cos(half_angle_rad))
        below = eval_legendre(np.maximum(n[:, 0] - 1, 0), math.cos(half_angle_rad))   # P_{-1} = 1
        velocity = (below - above) / 2
        return np.where(n <= last, (velocity * 1j ** (n[:, 0] % 4))[:, None] / slope, 0)


@lru_cache(maxsize=256)
def _flat_series(ka: bytes, half_angle_rad: float) -> NDArray[np.complex128]:
    """The cap's series with 1 on axis (P_n(1) = 1); remembered, since callers ask again on the same grid."""
    series = cap_coefficients(np.frombuffer(ka), half_angle_rad)
    series = series / series.sum(axis=0)
    series.setflags(write=False)
    return series


def _legendre(order: int, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """P_0 … P_order at x, shape (n, order + 1)."""
    out = np.empty((order + 1, x.size))
    out[0] = 1
    if order:
        out[1] = x
    for n in range(1, order):
        out[n + 1] = ((2 * n + 1) * x * out[n] - n * out[n - 1]) / (n + 1)
    return out.T


def _vectors(directions: ArrayLike) -> NDArray[np.float64]:
    return np.atleast_2d(np.asarray(directions, float))


def _check_length(key: str, value: float, highest: float = 2.0) -> None:
    if not 0 < value <= highest:
        cure = "is this in millimetres?" if highest < value <= 1000 * highest else ""
        raise InvalidValue(key, value, f"must be above 0 and at most {highest:g} m", cure)


__all__ = [
    "Cap", "Dipole", "Directivity", "Line", "Omni", "Piston", "RectangularPiston", "cap_coefficients", "jinc",
    "sketch_piston",
]
