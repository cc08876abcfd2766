"""A result made of random numbers, in the shape that a study returns: for tests of files, tables and figures."""

from __future__ import annotations

import json

import numpy as np
import xarray as xr

from roomsim.bands import OCTAVES_HZ, analysis_grid_hz

ROOMS = {"small": (4.0, 3.3, 2.5), "typical": (5.2, 4.5, 2.5), "large": (7.4, 5.1, 2.6)}


def made_result(
    *,
    designs: tuple[str, ...] = ("narrow", "wide"),
    rooms: dict[str, tuple[float, float, float]] = ROOMS,
    settings: tuple[str, ...] = ("as built",),
    places: tuple[str, ...] = ("wall",),
    vary: dict[str, list[float]] | None = None,
    channels: tuple[str, ...] = ("left", "right"),
    seats: int = 15,
    per_octave: int = 48,
    high_hz: float = 20000.0,
    seed: int = 1,
    title: str = "A made-up result",
    absolute: bool = False,
) -> xr.Dataset:
    """Direct sound with a roll-off, random early paths, an even late part; levels are not physics."""
    rng = np.random.default_rng(seed)
    vary = vary or {}
    f = analysis_grid_hz(20.0, high_hz, per_octave)
    lead = {"design": designs, "room": tuple(rooms), "setting": settings, "place": places, **vary}
    shape = tuple(len(v) for v in lead.values())
    full = (*shape, len(channels), seats, f.size)
    direct = np.empty(full, complex)
    early = np.empty(full, complex)
    late = np.empty(full)
    for index in np.ndindex(*shape):
        size = rooms[list(rooms)[index[1]]]
        decay = 0.16 * np.prod(size) / (0.17 * 2 * (size[0] * size[1] + size[2] * (size[0] + size[1])))
        roll = (1j * f / 60) ** 2 / (1 + 1.2j * f / 60 + (1j * f / 60) ** 2)
        roll = roll * (1 + (0.25 + 0.2 * index[0]) * np.sin(2.2 * np.log(f / 300)))
        for channel in range(len(channels)):
            for seat in range(seats):
                path = 3 + rng.uniform(-0.4, 0.4)
                direct[index][channel, seat] = roll / path * np.exp(-2j * np.pi * f * path / 343)
                lengths = path + rng.gamma(2.0, 4.0, 60)
                gains = rng.choice([-1, 1], 60) * np.exp(-6.9 * lengths / 343 / decay) / lengths
                early[index][channel, seat] = (
                    roll * (gains @ np.exp(-2j * np.pi * np.outer(lengths, f) / 343))
                )
                late[index][channel, seat] = np.abs(roll) ** 2 * 0.012 * decay
    offset = 74.0 if absolute else 0.0
    dims = (*lead, "channel", "listener", "frequency")
    reference = "re 20 µPa" if absolute else "re the design's mean free-field level at 1 m"
    total = np.abs(direct + early) ** 2 + late

    def level(mean_square: np.ndarray, name: str) -> tuple:
        attrs = {"units": "dB", "long_name": name, "reference": reference}
        return dims, 10 * np.log10(mean_square) + offset, attrs

    scale = 20e-6 * 10 ** (offset / 20)
    sizes = np.array(list(rooms.values()))
    bands = dims[:-3]
    octave = OCTAVES_HZ[high_hz > OCTAVES_HZ]
    decay_s = np.broadcast_to(
        0.4 * (octave / 1000) ** -0.12 * (sizes.prod(axis=1)[:, None] / 60) ** 0.3, (len(rooms), octave.size)
    )
    expand = (slice(None), *(None for _ in shape[2:]), slice(None))
    decay_s = np.broadcast_to(decay_s[expand], (*shape, octave.size)).copy()
    transition = 2000 * np.sqrt(0.4 / sizes.prod(axis=1))
    per_room = np.broadcast_to(transition[:, None], (len(rooms), len(settings)))
    trusted = np.broadcast_to(
        transition.reshape((1, -1) + (1,) * (len(shape) - 2)), shape
    ).copy()
    metadata = {
        "notes": [{"code": "statistical-late-field", "text": "The late field is statistical.", "low_hz": None,
                   "high_hz": None, "cases": "all"}],
        "reflections": [],
        "versions": {"roomsim": "0.1.0"},
    }
    return xr.Dataset(
        {
            "level_db": level(total, "Level at the seat"),
            "direct_level_db": level(np.abs(direct) ** 2, "Level of the direct sound"),
            "early_level_db": level(np.abs(early) ** 2, "Level of the early reflections"),
            "late_level_db": level(late, "Level of the late sound"),
            "pressure_real": (dims, (direct + early).real * scale, {"units": "Pa"}),
            "pressure_imag": (dims, (direct + early).imag * scale, {"units": "Pa"}),
            "decay_s": ((*bands, "band"), decay_s, {"units": "s", "long_name": "Decay time"}),
            "decay_method": ((*bands, "band"), np.full((*shape, octave.size), "Eyring")),
            "trusted_from_hz": (bands, trusted, {"units": "Hz"}),
            "length_m": ("room", sizes[:, 0], {"units": "m"}),
            "width_m": ("room", sizes[:, 1], {"units": "m"}),
            "height_m": ("room", sizes[:, 2], {"units": "m"}),
            "volume_m3": ("room", sizes.prod(axis=1), {"units": "m3"}),
            "floor_m2": ("room", sizes[:, 0] * sizes[:, 1], {"units": "m2"}),
            "transition_hz": (("room", "setting"), per_room.copy(), {"units": "Hz"}),
            "decay_mid_s": (("room", "setting"), np.broadcast_to(
                decay_s[0, :, 0].reshape(len(rooms), -1)[:, 3:4], (len(rooms), len(settings))
            ).copy(), {"units": "s"}),
        },
        coords={
            **{key: list(value) for key, value in lead.items()},
            "channel": list(channels),
            "listener": [f"seat {k + 1}" for k in range(seats)],
            "frequency": ("frequency", f, {"units": "Hz"}),
            "band": ("band", octave, {"units": "Hz"}),
        },
        attrs={"title": title, "metadata": json.dumps(metadata)},
    )
