"""The catalogue of furniture: absorption by published rows times plan area, or by the rule for hard objects."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .. import bands
from ..errors import InvalidValue, nearest
from .furnishing import Furniture
from .materials import exact_bands_hz, material
from .statistics import hard_object_m2

HARD = "hard"
AUDIENCE = "seated audience"
"""The finish of people where they sit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One entry of the catalogue.

    Attributes
    ----------
    name : what room files call it
    size_m : width, depth, height
    volume_m3 : what it fills
    absorbs : the finish that its plan area absorbs as, or "hard"
    area_m2 : that plan area, 0 for hard ones
    occupied_m2 : plan area of the people on it when occupied, 0 where nobody sits
    scattering : as in Furniture
    """

    name: str
    size_m: tuple[float, float, float]
    volume_m3: float
    absorbs: str
    area_m2: float
    occupied_m2: float
    scattering: float

    def absorption_m2(self, occupied: bool = False) -> np.ndarray:
        """Absorption area in the octaves 63 Hz to 8 kHz, shape (8,).

        Occupied, each band has the larger of the empty item and the people on it: they cover what they sit on.

        Raises
        ------
        InvalidValue : occupied, where nobody can sit
        """
        if self.absorbs == HARD:
            empty = np.full(bands.OCTAVES_HZ.size, float(hard_object_m2(self.volume_m3)))
        else:
            empty = self.area_m2 * material(self.absorbs).table
        if not occupied:
            return empty
        if not self.occupied_m2:
            seats = [item.name for item in furniture_catalogue().values() if item.occupied_m2]
            raise InvalidValue("occupied", "true", f"nobody sits on a {self.name}", "seats are " + ", ".join(seats))
        return np.maximum(empty, self.occupied_m2 * material(AUDIENCE).table)

    def source(self, occupied: bool = False) -> str:
        """Where its absorption comes from."""
        if self.absorbs == HARD:
            empty = "[en12354-6] hard object, A = V^(2/3)"
        else:
            empty = f"{material(self.absorbs).source}, times {self.area_m2:g} m² of plan"
        return f"{empty}; people as {AUDIENCE}: {material(AUDIENCE).source}" if occupied else empty

    def assumed(self, occupied: bool = False) -> str:
        """What of it is an assumption."""
        if self.absorbs == HARD:
            said = f"counts as a hard object of {self.volume_m3:g} m³ (EN 12354-6)"
        else:
            said = f"absorbs like {self.absorbs} over {self.area_m2:g} m² of plan"
        people = f", with people like {AUDIENCE} on {self.occupied_m2:g} m²" if occupied else ""
        return f"{said}{people}; that, its volume and its scattering are assumptions"


def furniture(name: str, count: int = 1, *, occupied: bool = False, position_m: ArrayLike | None = None,
              azimuth_deg: float = 0.0) -> Furniture:
    """Items of the catalogue.

    Raises
    ------
    InvalidValue : not in the catalogue (the nearest names are listed), or occupied where nobody sits

    Examples
    --------
    >>> furniture("three-seat sofa").absorption_m2([1000.0]).round(2)    # 0.89 of seating over 1.89 m²
    array([1.68])
    """
    known = furniture_catalogue()
    if name not in known:
        raise InvalidValue("item", name, "is not in the catalogue of furniture",
                           "did you mean " + ", ".join(nearest(name, list(known))) + "?")
    item = known[name]
    return Furniture(
        name=name + (", occupied" if occupied else ""), count=count, band_hz=bands.OCTAVES_HZ,
        absorption_area_m2=item.absorption_m2(occupied), volume_m3=item.volume_m3, scattering=item.scattering,
        source=item.source(occupied), assumed=item.assumed(occupied), size_m=item.size_m,
        position_m=None if position_m is None else np.array(position_m, float), azimuth_deg=azimuth_deg,
    )


def own_furniture(
    *, name: str, count: int = 1, volume_m3: float, absorption_m2: Mapping[float, float] | None = None,
    scattering: float = 0.5, source: str = "user", size_m: tuple[float, float, float] | None = None,
    position_m: ArrayLike | None = None, azimuth_deg: float = 0.0,
) -> Furniture:
    """Furniture of a user's own.

    Parameters
    ----------
    absorption_m2 : nominal or exact midband [Hz] -> absorption area of one item; a hard object by EN 12354-6 without

    Raises
    ------
    InvalidValue : bands that are no octaves or third octaves
    """
    if absorption_m2 is None:
        band_hz, area = bands.OCTAVES_HZ, np.full(bands.OCTAVES_HZ.size, float(hard_object_m2(volume_m3)))
        source = "[en12354-6] hard object, A = V^(2/3)"
        assumed = f"counts as a hard object of {volume_m3:g} m³ (EN 12354-6); that and its scattering are assumptions"
    else:
        table = dict(sorted(absorption_m2.items()))
        band_hz, _ = exact_bands_hz(list(table))
        area = np.array(list(table.values()), float)
        low, high = (bands.nominal(float(band_hz[k])) for k in (0, -1))
        whole = low == "63" and high == "8k"
        assumed = "" if whole else f"absorption area below {low} Hz and above {high} Hz is kept, an assumption"
    return Furniture(
        name=name, count=count, band_hz=band_hz, absorption_area_m2=area, volume_m3=volume_m3, scattering=scattering,
        source=source, assumed=assumed, measured=absorption_m2 is not None, size_m=size_m,
        position_m=None if position_m is None else np.array(position_m, float), azimuth_deg=azimuth_deg,
    )


@cache
def furniture_catalogue() -> Mapping[str, Item]:
    """The shipped items by name."""
    with (Path(__file__).parent / "furniture.csv").open(encoding="utf-8", newline="") as lines:
        rows = csv.DictReader((line for line in lines if not line.startswith("#")), delimiter=";")
        found = [
            Item(
                name=row["name"], volume_m3=float(row["volume_m3"]), absorbs=row["absorbs"],
                size_m=(float(row["width_m"]), float(row["depth_m"]), float(row["height_m"])),
                area_m2=float(row["area_m2"] or 0), occupied_m2=float(row["occupied_m2"] or 0),
                scattering=float(row["scattering"]),
            )
            for row in rows
        ]
    return MappingProxyType({item.name: item for item in found})


def furniture_table() -> list[dict[str, Any]]:
    """The catalogue as plain rows: name, size, volume, absorption area per band empty and occupied, source."""
    names = [bands.nominal(f) for f in bands.OCTAVES_HZ]

    def per_band(area_m2: np.ndarray) -> dict[str, float]:
        return dict(zip(names, area_m2.round(3).tolist(), strict=True))

    return [
        {
            "name": item.name, "width_m": item.size_m[0], "depth_m": item.size_m[1], "height_m": item.size_m[2],
            "volume_m3": item.volume_m3, "absorption_m2": per_band(item.absorption_m2()),
            "occupied_absorption_m2": per_band(item.absorption_m2(True)) if item.occupied_m2 else None,
            "scattering": item.scattering, "source": item.source(), "assumed": item.assumed(),
        }
        for item in furniture_catalogue().values()
    ]
