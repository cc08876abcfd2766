"""The note that says why a traced decay is longer than the formula."""

from __future__ import annotations

import numpy as np

from roomsim.analysis.decay_notes import uneven_absorption_note
from roomsim.bands import OCTAVES_HZ
from roomsim.room.geometry import box
from roomsim.room.materials import Finish
from roomsim.room.room import Room
from roomsim.room.statistics import eyring_kuttruff_s


def finish(absorption, scattering=0.05):
    return Finish.from_table(
        name="double", kind="hard", frequency_hz=OCTAVES_HZ, absorption=[absorption] * 8, scattering=[scattering] * 8
    )


def room(floor, walls):
    geometry = box(5.5, 4.2, 2.5)
    flat = {"floor": finish(floor), "ceiling": finish(floor)}
    materials = {**dict.fromkeys(geometry.face_names, finish(walls)), **flat}
    return Room(name="test", geometry=geometry, materials=materials)


def test_it_names_the_faces_the_bands_and_the_scattering():
    uneven = room(0.5, 0.06)
    decay = eyring_kuttruff_s(uneven, OCTAVES_HZ) * np.array([1, 1, 1.3, 2.04, 1.4, 1, 1, np.nan])
    note = uneven_absorption_note(uneven, OCTAVES_HZ, decay)
    assert "2.0 times" in note.text and "(500 Hz)" in note.text
    assert "floor and ceiling absorb 0.50" in note.text and "only 0.06" in note.text and "0.05 on average" in note.text
    assert (note.low_hz, note.high_hz) == (OCTAVES_HZ[2], OCTAVES_HZ[4])


def test_even_absorption_is_called_even():
    even = room(0.2, 0.2)
    note = uneven_absorption_note(even, OCTAVES_HZ, eyring_kuttruff_s(even, OCTAVES_HZ) * 1.3)
    assert "absorption is even" in note.text


def test_no_note_where_the_formula_holds():
    even = room(0.2, 0.2)
    assert uneven_absorption_note(even, OCTAVES_HZ, eyring_kuttruff_s(even, OCTAVES_HZ) * 1.1) is None
