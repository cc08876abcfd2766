"""Recommendations for listening rooms: limits, and how rooms and places are held against them.

No text of a recommendation was at hand: limits are from memory, as `roomsim.analysis.recommendations` says per item.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from printed import assert_printed, published_table

from roomsim.analysis.recommendations import (
    IEC_BUILT_M,
    RECOMMENDATIONS,
    Item,
    PlaceFacts,
    RoomFacts,
    decay_mask_s,
    recommendations,
    response_mask_db,
    wanted_decay_s,
)
from roomsim.bands import OCTAVES_HZ, analysis_grid_hz
from roomsim.errors import InvalidValue


def facts(length: float, width: float, height: float, decay: float | np.ndarray = 0.25) -> RoomFacts:
    return RoomFacts(length_m=length, width_m=width, height_m=height, floor_m2=length * width,
                     volume_m3=length * width * height, decay_s=np.broadcast_to(decay, 8).astype(float),
                     from_modes=np.zeros(8, bool))


def of_room(name: str, room: RoomFacts) -> dict[str, Item]:
    return {item.key: item for item in RECOMMENDATIONS[name].room(room)}


def of_place(name: str, place: PlaceFacts | None) -> dict[str, Item]:
    return {item.key: item for item in RECOMMENDATIONS[name].place(place)}


@pytest.mark.parametrize("row", published_table("itu-bs1116_decay"), ids=lambda row: row["volume_m3"])
def test_the_wanted_decay_time_of_a_volume_is_the_printed_one(row):
    assert_printed({"decay_s": float(wanted_decay_s(float(row["volume_m3"])))}, row)


def test_the_mask_of_decay_times_opens_downwards():
    """Corners from memory: ±0.05 s from 200 Hz to 4 kHz, +0.3 s at 63 Hz, ±0.1 s at 8 kHz; straight over log f."""
    low, high = decay_mask_s([63, 112.25, 200, 1000, 4000, 8000, 31.5])
    assert high == pytest.approx([0.3, 0.175, 0.05, 0.05, 0.05, 0.1, np.nan], abs=2e-4, nan_ok=True)
    assert low == pytest.approx([-0.05] * 5 + [-0.1, np.nan], nan_ok=True)


def test_the_mask_of_responses_opens_upwards():
    """Corners from memory: ±3 dB to 2 kHz, −7 dB at 16 kHz; 5.66 kHz is half way between in octaves."""
    low, high = response_mask_db([25, 50, 2000, 2000 * 8**0.5, 16000])
    assert low == pytest.approx([np.nan, -3, -3, -5, -7], nan_ok=True)
    assert high == pytest.approx([np.nan, 3, 3, 3, 3], nan_ok=True)


def test_the_room_built_to_iec_60268_13_meets_it():
    """Its sides, 73 m³ and about 0.4 s were read in a text about that room."""
    assert_printed({"v": float(np.prod(IEC_BUILT_M))}, {"v": "73"})
    items = of_room("iec60268", facts(*IEC_BUILT_M, decay=0.4))
    assert {key for key, one in items.items() if one.status != "met"} == {"background_noise"}
    live = of_room("iec60268", facts(*IEC_BUILT_M, decay=0.7))
    assert live["decay_1k"].status == "missed" and live["decay_1k"].missed_by == pytest.approx(0.1)


def test_a_room_made_to_bs_1116_meets_it_and_each_fault_shows_alone():
    """7.5 × 5.6 × 3 m: w/h 1.87, so l/h from 2.05 to 3 (its own is 2.5); 126 m³, 0.27 s."""
    good = facts(7.5, 5.6, 3.0, decay=float(wanted_decay_s(126)))
    assert {one.status for key, one in of_room("bs1116", good).items() if key != "background_noise"} == {"met"}

    def faults(**changes: object) -> dict[str, float]:
        items = of_room("bs1116", replace(good, **changes))
        return {key: round(one.missed_by, 3) for key, one in items.items() if one.status == "missed"}

    assert faults(floor_m2=25.0) == {"floor_many": -5}
    assert faults(floor_m2=72.0) == {"floor_two": 12, "floor_many": 2}
    assert faults(length_m=9.3) == {"length_to_height": 0.1}
    assert faults(length_m=6.0) == {"length_to_height": pytest.approx(2 - 1.1 * 5.6 / 3, abs=1e-3)}
    ringing = good.decay_s.copy()
    ringing[0] += 0.35                                          # 63 Hz: 0.3 s above the mean is allowed
    assert faults(decay_s=ringing) == {"decay_63": pytest.approx(0.05, abs=1e-3)}
    assert faults(decay_s=good.decay_s + 0.1) == {"decay_mean": pytest.approx(0.05, abs=1e-3)}


def test_whole_numbers_between_sides_are_found():
    items = of_room("ebu3276", facts(8.1, 6.3, 2.7))           # 3.00, 2.33, 1.29
    assert items["whole_ratio"].missed_by == pytest.approx(-5) and "length to height" in items["whole_ratio"].note
    assert of_room("ebu3276", facts(7.1, 6.2, 2.7))["whole_ratio"].status == "met"          # 2.63, 2.30, 1.15


def test_what_is_no_box_has_no_proportions():
    room = replace(facts(7.5, 5.6, 3.0), length_m=None, width_m=None)
    for name in RECOMMENDATIONS:
        items = of_room(name, room)
        assert items["length_to_height"].status == "not known" and "boxes" in items["length_to_height"].note


def test_every_item_says_how_its_limit_is_known():
    for name, one in RECOMMENDATIONS.items():
        for item in (*of_room(name, facts(7, 5, 3)).values(), *one.place(None)):
            assert item.known and (item.status != "not known" or item.note)


def place(level=None, **changes: object) -> PlaceFacts:
    f = analysis_grid_hz(20, 20000, 24)
    flat = np.zeros(f.size) if level is None else level(f)
    return replace(PlaceFacts(strongest_db={"left": -12.0}, frequency_hz=f, level_db={"left": flat}), **changes)


def test_early_reflections_of_the_worst_channel_count():
    items = of_place("bs1116", place(strongest_db={"left": -12.0, "right": -7.5}))
    assert items["early_reflections"].missed_by == pytest.approx(2.5) and "right" in items["early_reflections"].note
    assert of_place("bs1116", place())["early_reflections"].status == "met"
    assert of_place("bs1116", place(strongest_db={"left": None}))["early_reflections"].status == "met"


def test_a_flat_response_is_met_and_a_peak_is_found_where_it_is():
    flat = of_place("bs1116", place())
    assert flat["response_low"].status == flat["response_high"].status == "met"

    def peak(f):
        return np.where(abs(np.log2(f / 100)) < 0.25, 8.0, 0.0)   # 8 dB over more than the third octave of 100 Hz

    found = of_place("bs1116", place(peak))
    assert found["response_low"].missed_by == pytest.approx(5.0) and "100 Hz" in found["response_low"].note
    assert found["response_high"].status == "met"
    sloped = of_place("bs1116", place(lambda f: -3 * np.log2(f / 700)))       # −12 dB at 11 kHz, beyond any mask
    assert sloped["response_high"].value < sloped["response_high"].low
    assert sloped["response_low"].value > 3                                    # 50 Hz: +11 dB


def test_the_level_of_the_whole_does_not_matter():
    one, other = (of_place("bs1116", place(lambda f, g=gain: g + np.sin(9 * np.log(f)))) for gain in (0.0, 40.0))
    assert one["response_low"].value == pytest.approx(other["response_low"].value, abs=1e-9)


def test_where_the_loudspeaker_stands():
    items = of_place("bs1116", place(height_m=0.72, wall_m=0.05, base_m=0.7))
    assert items["loudspeaker_height"].missed_by == pytest.approx(-0.38)
    assert items["loudspeaker_wall"].missed_by == pytest.approx(-0.95)
    assert items["loudspeaker_base"].missed_by == pytest.approx(-1.3)
    assert "loudspeaker_base" not in of_place("bs1116", place())               # one channel has no width


def test_octaves_are_the_ones_of_the_decay():
    assert [key for key in of_room("bs1116", facts(7, 5, 3)) if key.startswith("decay_")] == [
        "decay_mean", "decay_63", "decay_125", "decay_250", "decay_500", "decay_1k", "decay_2k", "decay_4k",
        "decay_8k"]
    assert OCTAVES_HZ.size == 8


def test_names_of_recommendations():
    assert [one.key for one in recommendations(["all"])] == list(RECOMMENDATIONS)
    with pytest.raises(InvalidValue, match="known are bs1116"):
        recommendations(["bs1115"])
