"""Free rigid rectangles close to a loudspeaker: the bench under it, the recess it stands in, the screen above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plate:
    """A thin, rigid rectangle.

    Attributes
    ----------
    name : as reports call it
    corner_m, first_m, second_m : a corner and the two sides from it in the room, shape (3,), at right angles

    Raises
    ------
    InvalidValue : sides that have no length or are not at right angles
    """

    name: str
    corner_m: NDArray[np.float64]
    first_m: NDArray[np.float64]
    second_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        for key in ("corner_m", "first_m", "second_m"):
            array = np.array(getattr(self, key), float)
            array.setflags(write=False)
            object.__setattr__(self, key, array)
        if self.size_m.min() < 1e-3:
            raise InvalidValue(self.name, self.size_m.tolist(), "a plate must be at least a millimetre wide and deep")
        if abs(self.first_m @ self.second_m) > 1e-9 * np.prod(self.size_m):
            raise InvalidValue(self.name, None, "the sides of a plate must be at right angles")

    @property
    def size_m(self) -> NDArray[np.float64]:
        """Lengths of its two sides, shape (2,)."""
        return np.array([np.linalg.norm(self.first_m), np.linalg.norm(self.second_m)])

    @property
    def axes(self) -> NDArray[np.float64]:
        """Unit vectors along its sides and its normal as rows, shape (3, 3)."""
        first, second = self.first_m / self.size_m[0], self.second_m / self.size_m[1]
        return np.stack([first, second, np.cross(first, second)])

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """Shape (4, 3)."""
        return np.array([self.corner_m + a * self.first_m + b * self.second_m
                         for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))])

    def local(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Coordinates along its sides and along its normal, from its corner, shape (..., 3)."""
        return (np.asarray(points_m, float) - self.corner_m) @ self.axes.T

    def mirrored(self, points_m: ArrayLike) -> NDArray[np.float64]:
        """Mirror images of points in its plane, shape (..., 3)."""
        points = np.asarray(points_m, float)
        height = self.local(points)[..., 2:]
        return points - 2 * height * self.axes[2]

    @property
    def reflection(self) -> NDArray[np.float64]:
        """The matrix that mirrors directions in its plane, shape (3, 3)."""
        return np.eye(3) - 2 * np.outer(self.axes[2], self.axes[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTop:
    """The top of the furniture that a loudspeaker stands on; it stands against the wall behind.

    Attributes
    ----------
    below_m : from the baffle's centre down to it
    depth_m : from the wall to its front edge
    width_m : along the wall, the loudspeaker in its middle
    """

    below_m: float
    depth_m: float
    width_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recess:
    """A compartment open to the front that a loudspeaker stands in: bottom, top and two sides out from the wall.

    Attributes
    ----------
    width_m, height_m : of the opening, the loudspeaker in the middle of its width
    depth_m : from the wall to its front edges
    below_m : from the baffle's centre down to its bottom; half the height for None
    """

    width_m: float
    height_m: float
    depth_m: float
    below_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """A screen parallel to the wall, centred over the loudspeaker.

    Attributes
    ----------
    above_m : from the baffle's centre up to its lower edge; negative where it reaches below that
    width_m, height_m : of the screen
    gap_m : from the wall to its front
    """

    above_m: float
    width_m: float
    height_m: float
    gap_m: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """What stands close to a loudspeaker, None for what does not."""

    bench_top: BenchTop | None = None
    recess: Recess | None = None
    screen: Screen | None = None


def near_plates(
    near: Near, wall_m: NDArray[np.float64], normal: NDArray[np.float64], height_m: float, cabinet_m: tuple[float, ...],
    gap_m: float,
) -> tuple[Plate, ...]:
    """The plates that stand close to a loudspeaker at a wall.

    Parameters
    ----------
    near : what there is
    wall_m : the point of the wall behind the loudspeaker, any height, shape (3,)
    normal : of the wall, into the room, shape (3,)
    height_m : of the baffle's centre above the floor
    cabinet_m : width, height and depth of the cabinet
    gap_m : from the wall to its back

    Raises
    ------
    InvalidValue : a plate that cuts the cabinet or lies below the floor; keys are those of `Near`
    """
    up = np.array([0.0, 0.0, 1.0])
    left = np.cross(up, normal)             # of the loudspeaker; the right-hand side of those who face the wall
    foot = np.array([wall_m[0], wall_m[1], 0.0])
    width, height, depth = cabinet_m

    def at(out: float, aside: float, above: float) -> NDArray[np.float64]:
        return foot + out * normal + aside * left + (height_m + above) * up

    made = []
    if (bench := near.bench_top) is not None:
        _refuse(bench.below_m < height / 2 - 1e-9, "bench_top.below_m", bench.below_m,
                f"would cut the cabinet, whose lower side is {height / 2:g} m below the baffle's centre")
        _refuse(bench.below_m > height_m, "bench_top.below_m", bench.below_m, "is below the floor")
        made.append(Plate(name="bench top", corner_m=at(0, -bench.width_m / 2, -bench.below_m),
                          first_m=bench.depth_m * normal, second_m=bench.width_m * left))
    if (recess := near.recess) is not None:
        below = recess.height_m / 2 if recess.below_m is None else recess.below_m
        above = recess.height_m - below
        _refuse(recess.width_m < width - 1e-9, "recess.width_m", recess.width_m, f"the cabinet is {width:g} m wide")
        _refuse(min(below, above) < height / 2 - 1e-9, "recess.height_m", recess.height_m,
                f"would cut the cabinet, which is {height:g} m high")
        _refuse(below > height_m, "recess.below_m", below, "is below the floor")
        half, out = recess.width_m / 2, recess.depth_m * normal
        corner, across, rise = at(0, -half, -below), recess.width_m * left, recess.height_m * up
        made += [
            Plate(name="recess bottom", corner_m=corner, first_m=out, second_m=across),
            Plate(name="recess top", corner_m=corner + rise, first_m=out, second_m=across),
            Plate(name="recess left side", corner_m=corner, first_m=out, second_m=rise),
            Plate(name="recess right side", corner_m=corner + across, first_m=out, second_m=rise),
        ]
    if (screen := near.screen) is not None:
        overlaps = screen.above_m < height / 2 - 1e-9 and screen.above_m + screen.height_m > -height / 2 + 1e-9
        _refuse(overlaps and gap_m < screen.gap_m < gap_m + depth, "screen.gap_m", screen.gap_m,
                f"would cut the cabinet, which stands {gap_m:g} to {gap_m + depth:g} m from the wall")
        made.append(Plate(name="screen", corner_m=at(screen.gap_m, -screen.width_m / 2, screen.above_m),
                          first_m=screen.width_m * left, second_m=screen.height_m * up))
    return tuple(made)


def _refuse(wrong: bool, key: str, value: float, rule: str) -> None:
    if wrong:
        raise InvalidValue(f"near.{key}", value, rule)
