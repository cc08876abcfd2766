"""Loudspeakers: drivers, filters and limits in the words of the engines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..constants import REFERENCE_PRESSURE_PA
from ..loudspeaker.channels import Loudspeaker, PlacedDriver
from ..loudspeaker.filters import Filter, Section
from ..loudspeaker.limits import DriverLimits
from ..loudspeaker.measured import MeasuredDirectivity
from ..loudspeaker.quality import summary
from .loudspeaker import DriverModel, FilterModel, LoudspeakerModel

if TYPE_CHECKING:
    from ..loudspeaker.boxes import Box
    from ..loudspeaker.directivity import Directivity
    from ..loudspeaker.filters import Fir

SENSITIVITY_V = 2.83
"""Voltage that a sensitivity is for: 1 W into 8 ohms."""


def built(
    model: LoudspeakerModel, measured: Mapping[str, MeasuredDirectivity], firs: Mapping[tuple[str, int], Fir]
) -> tuple[Loudspeaker, tuple[str, ...]]:
    """The design, and sentences on what it takes for granted.

    Raises
    ------
    InvalidValue : values that do not go together
    """
    directivity: dict[str, Directivity] = {
        name: _driven(measured[name], model.drive_v) if name in measured else _sketched(name, driver, model)
        for name, driver in model.drivers.items()
    }
    limits = {name: _limits(driver) for name, driver in model.drivers.items()}
    loudspeaker = Loudspeaker(
        name=model.loudspeaker,
        width_m=model.cabinet_m.width, height_m=model.cabinet_m.height, depth_m=model.cabinet_m.depth,
        mounting=model.mounting,
        channels={
            channel: tuple(
                PlacedDriver(
                    name=placed.driver, directivity=directivity[placed.driver], position_m=_fixed(placed.at_m),
                    azimuth_deg=placed.aim.azimuth_deg, elevation_deg=placed.aim.elevation_deg,
                    filter=_filter(placed.filter, firs.get((channel, k))), limits=limits[placed.driver],
                )
                for k, placed in enumerate(drivers)
            )
            for channel, drivers in model.channels.items()
        },
    )
    return loudspeaker, tuple(dict.fromkeys(_assumed(model, directivity)))


def _assumed(model: LoudspeakerModel, directivity: Mapping[str, Directivity]) -> Iterator[str]:
    used = dict.fromkeys(placed.driver for drivers in model.channels.values() for placed in drivers)
    for name in used:
        driver = directivity[name]
        if sentence := getattr(driver, "assumption", ""):
            yield sentence
        if isinstance(driver, MeasuredDirectivity):
            yield from (f"{name}: {sentence}" for sentence in (summary(driver), *driver.notes))
    measured = [name for name in used if isinstance(directivity[name], MeasuredDirectivity)]
    if all(directivity[name].calibrated for name in used):
        yield f"levels are for {model.drive_v:g} V before every driver's filter"
    elif measured and len(used) > 1:
        yield (f"the levels of {', '.join(measured)} are relative: the balance of the drivers is as in their data "
               "(a sketched driver has 1 Pa at 1 m on its axis)")


def _driven(data: MeasuredDirectivity, drive_v: float) -> MeasuredDirectivity:
    """Absolute data for another drive than theirs."""
    if not data.calibrated or data.drive_v is None or data.drive_v == drive_v:
        return data
    return data.with_changes(values=data.values * (drive_v / data.drive_v), drive_v=drive_v)


def _sketched(name: str, driver: DriverModel, model: LoudspeakerModel) -> Directivity:
    from ..loudspeaker.boxes import Boxed
    from ..loudspeaker.wrapped import Scaled

    sketch = _bare(name, driver, model)
    if driver.sensitivity_db is not None:
        axis = REFERENCE_PRESSURE_PA * 10 ** (driver.sensitivity_db / 20) * model.drive_v / SENSITIVITY_V
        sketch = Scaled(driver=sketch, axis_pa_m=axis)
    box = _box(driver)
    return sketch if box is None else Boxed(driver=sketch, box=box)


def _box(driver: DriverModel) -> Box | None:
    from ..loudspeaker import boxes

    if driver.closed_box:
        return boxes.ClosedBox(**driver.closed_box.model_dump())
    if driver.vented_box:
        return boxes.VentedBox(**driver.vented_box.model_dump())
    return None


def _bare(name: str, driver: DriverModel, model: LoudspeakerModel) -> Directivity:
    from ..loudspeaker import drivers

    if driver.piston:
        cabinet = model.cabinet_m
        return drivers.sketch_piston(
            driver.piston.radius_m, mounting=model.mounting, name=name,
            width_m=cabinet.width, height_m=cabinet.height, depth_m=cabinet.depth,
        )
    kinds = {
        "rectangle": drivers.RectangularPiston, "cap": drivers.Cap, "dipole": drivers.Dipole, "line": drivers.Line,
        "omni": drivers.Omni,
    }
    kind = next(kind for kind in kinds if getattr(driver, kind) is not None)
    return kinds[kind](name=name, **getattr(driver, kind).model_dump())


def _limits(driver: DriverModel) -> DriverLimits | None:
    said = driver.limits
    if said is None:
        return None
    cone = driver.piston or driver.cap
    radius = said.cone_radius_m or (cone.radius_m if cone else None)
    return DriverLimits(
        cone_radius_m=radius if said.excursion_m is not None else None, excursion_m=said.excursion_m,
        sensitivity_db=said.watt_level_db, power_w=said.power_w, box=_box(driver),
    )


def _filter(said: FilterModel, fir: Fir | None) -> Filter:
    plain = said.model_dump(exclude={"polarity", "equaliser", "fir"})
    sections = tuple(Section(**section.model_dump()) for section in said.equaliser)
    return Filter(invert=said.polarity == "inverted", equaliser=sections, fir=fir, **plain)


def _fixed(position_m: tuple[float, float, float]) -> NDArray[np.float64]:
    position = np.array(position_m)
    position.setflags(write=False)
    return position
