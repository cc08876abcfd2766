"""Scenes and doubles shared by the tests of the ray engine."""

from __future__ import annotations

import dataclasses

import numpy as np

from roomsim.bands import OCTAVES_HZ
from roomsim.engines.ray_surfaces import RaySurfaces
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.drivers import Omni
from roomsim.room.geometry import box
from roomsim.room.materials import Finish
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

SIZE = (5.5, 4.2, 2.5)
SOURCE = (1.2, 1.5, 1.1)
SEATS = np.array([[4.0, 2.5, 1.2], [3.0, 1.0, 0.9], [4.4, 3.0, 1.4], [3.3, 2.2, 0.7], [4.8, 1.2, 1.0]])


def finish(absorption=0.2, scattering=0.3, kind="hard"):
    return Finish.from_table(
        name="double", kind=kind, frequency_hz=OCTAVES_HZ, absorption=np.broadcast_to(absorption, 8),
        scattering=np.broadcast_to(scattering, 8),
    )


def small_room(geometry=None, absorption=0.2, scattering=0.3, **more):
    geometry = geometry or box(*SIZE)
    one = finish(absorption, scattering)
    return Room(name="test", geometry=geometry, materials=dict.fromkeys(geometry.face_names, one), **more)


def speaker(directivity=None, mounting="free", offsets_m=((0, 0, 0),)):
    directivity = directivity or Omni(name="omni")
    drivers = tuple(
        PlacedDriver(name=f"d{k}", directivity=directivity, position_m=np.array(offset, float))
        for k, offset in enumerate(offsets_m)
    )
    return Loudspeaker(
        name="test", width_m=0.1, height_m=0.1, depth_m=0.1, mounting=mounting, channels={"mono": drivers}
    )


def scene(room=None, *, source=SOURCE, seats=SEATS, wall=None, loudspeaker=None, azimuth_deg=0.0):
    placed = PlacedLoudspeaker(
        loudspeaker=loudspeaker or speaker(), position_m=np.array(source, float), azimuth_deg=azimuth_deg, wall=wall
    )
    return Scene(room=room or small_room(), loudspeakers=(placed,), listeners_m=np.atleast_2d(seats))


def constant_surfaces(room, band_hz, absorption, scattering):
    """Energy absorption per face that does not depend on the angle (which no locally reacting wall has)."""
    surfaces = RaySurfaces.of(room, band_hz, 1)
    n, b = surfaces.scatter.shape
    kept = 1 - np.broadcast_to(np.asarray(absorption, float), n)
    return dataclasses.replace(
        surfaces,
        reflect=np.broadcast_to(kept[:, None, None], (n, 3, b)).copy(),
        scatter=np.full((n, b), float(scattering)),
    )
