"""Several loudspeakers: where a layout puts them, and what a receiver sets and does."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pytest
from made_studies import STUDY
from made_systems import draw_nothing, write_system

import roomsim
from roomsim.analysis.weighting import coherent_sum_db, programme_sum_db
from roomsim.bands import db, from_db
from roomsim.cli import main
from roomsim.engines.hybrid import Options, simulate
from roomsim.errors import DefinitionError
from roomsim.loudspeaker.filters import Filter
from roomsim.placing import build_scene
from roomsim.report.systems import receiver_rows
from roomsim.studies import case_receiver, plan
from roomsim.studies.plan import make_plan

FINE = STUDY.replace("low_hz: 50, high_hz: 8000, per_octave: 12", "low_hz: 25, high_hz: 4000, per_octave: 24")
COARSE = STUDY.replace("low_hz: 50", "low_hz: 25")
SAME_PLACE = "wall: front, across_fraction: 0.5, gap_m: 0.05, height_m: 0.8"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few rays, no figures: they are not what is tested."""
    monkeypatch.setattr(plan, "Options", functools.partial(Options, rays=64))
    draw_nothing(monkeypatch)


def receivers(result, design: str) -> dict[str, dict]:
    return {row["channel"]: row for row in json.loads(result.attrs["metadata"])["receivers"] if row["design"] == design}


def pressure(result, **labels) -> np.ndarray:
    at = result.isel(room=0, setting=0, place=0).sel(labels)
    return at["pressure_real"].values + 1j * at["pressure_imag"].values


# ITU-R BS.2051, systems B (0+5+0) and J (4+7+0): nominal azimuth (positive left), elevation; as transcribed by others.
ANGLES = {
    "5.1": {"M+000": (0, 0), "M+030": (30, 0), "M-030": (-30, 0), "M+110": (110, 0), "M-110": (-110, 0)},
    "7.1.4": {"M+000": (0, 0), "M+030": (30, 0), "M-030": (-30, 0), "M+090": (90, 0), "M-090": (-90, 0),
              "M+135": (135, 0), "M-135": (-135, 0), "U+045": (45, 30), "U-045": (-45, 30), "U+135": (135, 30),
              "U-135": (-135, 30)},
}


@pytest.mark.parametrize("layout", ["5.1", "7.1.4"])
@pytest.mark.parametrize("wall", ["front", "left"])
def test_a_layout_stands_at_the_angles_of_the_standard(tmp_path: Path, layout: str, wall: str) -> None:
    study = COARSE.replace("wall: {gap_m: 0.05, height_m: 0.8}", f"wall: {{wall: {wall}, gap_m: 0.05, height_m: 1.1}}")
    path = write_system(tmp_path, f"  all: {{loudspeaker: box.yaml, layout: {layout}, "
                                  f"subwoofer: {{loudspeaker: sub.yaml, height_m: 0.2}}}}",
                        study=study.replace("distance_m: 2.4", "distance_m: 1.6"))
    (case,) = make_plan(roomsim.load(path)).cases
    scene = case.scene()
    centre = scene.listeners_m[0]
    size = scene.room.geometry.size_m
    seen = {}
    for placed in scene.loudspeakers[:-1]:
        away = placed.position_m - centre
        # someone who looks at the first loudspeaker: x ahead, y left, by hand
        ahead = (scene.loudspeakers[0].position_m - centre) * [1, 1, 0]
        ahead /= np.linalg.norm(ahead)
        left = np.array([-ahead[1], ahead[0], 0.0])
        seen[placed.label] = (np.degrees(np.arctan2(away @ left, away @ ahead)),
                              np.degrees(np.arcsin(away[2] / np.linalg.norm(away))))
        front = placed.loudspeaker.channels["all"][0].rotation[:, 0]
        emitter = next(one for one in scene.emitters if one.label.startswith(placed.label))
        looks = emitter.rotation @ front
        if placed.label != "M+000":                               # which stands parallel to its wall
            assert looks @ (-away / np.linalg.norm(away)) > 1 - 1e-9
        assert 0.5 < np.linalg.norm(away) <= 1.6 + 1e-9
        assert (placed.position_m > 0).all() and (placed.position_m < size).all()
    assert seen.keys() == ANGLES[layout].keys()
    for name, angles in ANGLES[layout].items():
        assert seen[name] == pytest.approx(angles, abs=1e-6), name
    assert case.channels == (*seen, "LFE")
    if wall == "front":                       # the listener's left is the room's left: a smaller y
        at = {placed.label: placed.position_m for placed in scene.loudspeakers}
        assert at["M+030"][1] < centre[1] < at["M-030"][1]


def test_a_room_that_is_too_small_moves_loudspeakers_nearer_or_says_so(tmp_path: Path) -> None:
    path = write_system(tmp_path, "  all: {loudspeaker: box.yaml, beside: {side: {loudspeaker: box.yaml, "
                                  "azimuth_deg: 90, distance_m: 6}}}")
    (case,) = make_plan(roomsim.load(path)).cases
    side = case.scene().loudspeakers[1]
    assert side.position_m[1] == pytest.approx(0.2 + 0.05)           # its back 0.05 m from the left wall, 0.2 m deep
    text = path.read_text().replace("azimuth_deg: 90", "azimuth_deg: 0, elevation_deg: -80")
    path.write_text(text.replace("distance_m: 2.4, ear_height_m: 1.1", "distance_m: 2.4, ear_height_m: 0.6"))
    with pytest.raises(DefinitionError, match=r"yaml:4 designs.all: room one: side: the room leaves less than 0.5 m"):
        roomsim.load(path)


def test_a_receiver_does_what_its_settings_say_by_an_independent_sum(tmp_path: Path) -> None:
    """Each loudspeaker alone in the room (the engines, which are held elsewhere), the receiver's filters by hand."""
    where = "wall: left, across_fraction: 0.8, gap_m: 0.05, height_m: 0.2"
    path = write_system(tmp_path, f"  all: {{loudspeaker: bar.yaml, subwoofer: {{loudspeaker: sub.yaml, {where}, "
                                  "crossover_hz: 90}}\n"
                                  "  bar: {loudspeaker: bar.yaml}\n  sub: {loudspeaker: sub.yaml}\n",
                        study=COARSE)
    study = roomsim.load(path)
    result = roomsim.predict(study, jobs=1)
    f = result["frequency"].values
    rows = receivers(result, "all")
    case = next(case for case in make_plan(study).cases if dict(case.labels)["design"] == "all")
    scene = case.scene()
    bar = simulate(build_scene(case.room, case.loudspeaker, case.place, case.seats), f, case.options)
    # The subwoofer alone, heard at the seats of the whole.
    from roomsim.scene import Scene

    sub = simulate(Scene(room=case.room, loudspeakers=scene.loudspeakers[1:], listeners_m=scene.listeners_m), f,
                   case.options)
    turn = np.exp(-2j * np.pi * f * rows["subwoofer"]["delay_ms"] / 1e3)
    sign = -1 if rows["subwoofer"]["polarity"] == "inverted" else 1
    s = 1j * f / 90
    second = 1 / (s**2 + np.sqrt(2) * s + 1)                    # Butterworth, twice: Linkwitz and Riley
    lows, highs = second**2, (s**2 * second) ** 2
    bass = sub.pressure[0] * lows * turn * sign * 10 ** (rows["subwoofer"]["gain_db"] / 20)
    for k, name in enumerate(("left", "right")):
        delayed = np.exp(-2j * np.pi * f * rows[name]["delay_ms"] / 1e3)
        wanted = bar.pressure[k] * highs * delayed * 10 ** (rows[name]["gain_db"] / 20) + bass
        found = pressure(result, design="all", channel=name)
        # single precision in the result, and single frequencies of a thousandth of the level
        assert np.abs(found - wanted).max() < 1e-5 * np.abs(wanted).max()
        late = bar.late[k] * np.abs(highs) ** 2 + sub.late[0] * np.abs(lows) ** 2 * 10 ** (
            rows["subwoofer"]["gain_db"] / 10)
        reference = float(result["reference_db"].sel(design="all").squeeze())
        got = from_db(result["late_level_db"].sel(design="all", channel=name).squeeze().values + reference) * 4e-10
        # rays are seeded by the channel's number, the subwoofer's are others here: where it plays no part
        above = f > 1000
        assert np.allclose(got[:, above], late[:, above], rtol=2e-3)
    assert list(result["channel"].values) == ["left", "right", "all"]
    assert np.isnan(result["level_db"].sel(design="all", channel="all")).all()


def test_a_crossover_at_one_place_leaves_the_level_as_it_was(tmp_path: Path) -> None:
    """Linkwitz and Riley: both branches together are an all-pass; so at the same point the magnitude stays."""
    path = write_system(tmp_path, f"  alone: {{loudspeaker: box.yaml}}\n  both: {{loudspeaker: box.yaml, subwoofer: "
                                  f"{{loudspeaker: sub.yaml, {SAME_PLACE}}}, align: [delay, polarity]}}", study=COARSE)
    result = roomsim.predict(roomsim.load(path), jobs=1)
    sub = receivers(result, "both")["subwoofer"]
    assert (sub["delay_ms"], sub["polarity"], sub["gain_db"]) == (0.0, "normal", 0.0)
    alone, both = (np.abs(pressure(result, design=name, channel="all")) for name in ("alone", "both"))
    assert np.abs(db(both**2 / alone**2)).max() < 1e-3           # single precision


@pytest.mark.parametrize(("sub", "delay_ms", "polarity"), [
    ("gain_db: 0", 0.0, "normal"), ("polarity: inverted", 0.0, "inverted"),
    ("delay_ms: 2.0", -2.0, "normal"), ("delay_ms: 3.5, polarity: inverted", -3.5, "inverted"),
])
def test_delay_and_polarity_are_found(tmp_path: Path, sub: str, delay_ms: float, polarity: str) -> None:
    path = write_system(tmp_path, f"  both: {{loudspeaker: box.yaml, subwoofer: {{loudspeaker: sub.yaml, {SAME_PLACE}, "
                                  "crossover_hz: 80}, align: [delay, polarity]}", study=FINE, sub=sub)
    rows = receivers(roomsim.predict(roomsim.load(path), jobs=1), "both")
    # Delays are tried in steps of 1/200 of a period, 0.0625 ms; half a step is allowed, and rounding to 1 µs.
    assert rows["subwoofer"]["delay_ms"] - rows["all"]["delay_ms"] == pytest.approx(delay_ms, abs=0.032)
    assert rows["subwoofer"]["polarity"] == polarity
    assert min(row["delay_ms"] for row in rows.values()) == 0


def test_levels_and_arrivals_meet_at_the_seats(tmp_path: Path) -> None:
    beside = "beside: {back: {loudspeaker: sub.yaml, azimuth_deg: 150, distance_m: 1.2}}"
    path = write_system(tmp_path, f"  two: {{loudspeaker: box.yaml, {beside}}}\n"
                                  f"  raw: {{loudspeaker: box.yaml, {beside}, align: []}}",
                        study=FINE, sub="gain_db: -7")
    result = roomsim.predict(roomsim.load(path), jobs=1)
    f = result["frequency"].values
    band = (f >= 500) & (f <= 2000)

    def mean_db(design: str, channel: str) -> float:
        levels = result["level_db"].sel(design=design, channel=channel).squeeze().values
        return float(db(from_db(levels)[:, band].mean()))       # the grid is logarithmic

    # Gains are rounded to 0.01 dB; both ends of the band count half in the receiver's mean.
    assert mean_db("two", "all") == pytest.approx(mean_db("two", "back"), abs=0.03)
    assert mean_db("raw", "all") - mean_db("raw", "back") > 3
    rows = receivers(result, "two")
    (case, _) = make_plan(roomsim.load(path)).cases
    scene = case.scene()
    ways = [np.linalg.norm(scene.listeners_m - one.position_m, axis=1).mean() for one in scene.loudspeakers]
    difference_ms = (ways[0] - ways[1]) / scene.room.air.speed_m_s * 1e3
    assert rows["back"]["delay_ms"] - rows["all"]["delay_ms"] == pytest.approx(difference_ms, abs=0.002)
    assert all(row["delay_ms"] == 0 and row["gain_db"] == 0 for row in receivers(result, "raw").values())
    # Energy arrives later too: the clarity of the delayed channel does not change when only a delay is added.
    settings = [case_receiver.Setting(channel=name, filter=Filter(delay_ms=late)) for name, late in
                (("all", 0.0), ("back", 7.25))]
    plain = simulate(scene, f, case.options)
    moved = case_receiver.received(plain, tuple(settings), case.system, ("all", "back"))
    assert np.allclose(moved.direct_s - plain.direct_s, [[0.0], [7.25e-3]])
    assert np.array_equal(moved.energy[0], plain.energy[0])
    t = np.arange(plain.energy.shape[-1]) * plain.energy_step_s
    centre = [(one.energy[1] * t).sum(axis=-1) / one.energy[1].sum(axis=-1) for one in (plain, moved)]
    # the record ends: the last 7 ms of a decay of at least 60 dB are lost
    assert np.allclose((centre[1] - centre[0]) * 1e3, 7.25, atol=0.05)


def test_sums_of_channels_by_hand(tmp_path: Path) -> None:
    path = write_system(tmp_path, "  bar: {loudspeaker: bar.yaml}", study=COARSE)
    result = roomsim.predict(roomsim.load(path), jobs=1)
    square = from_db(result["level_db"].squeeze().values)                      # (channel, listener, frequency)
    p = pressure(result, design="bar")
    p2 = p / 20e-6 / 10 ** (float(result["reference_db"].squeeze()) / 20)
    gains = np.array([0.5, 2.0])[:, None, None]
    levels = {"left": -20 * np.log10(2), "right": 20 * np.log10(2)}
    power = programme_sum_db(result["level_db"], levels).squeeze().values
    assert np.allclose(power, db((square * gains**2).sum(axis=0)), atol=1e-6)
    coherent = coherent_sum_db(result, levels).squeeze().values
    rest = np.maximum(square - np.abs(p2) ** 2, 0)
    # single precision
    assert np.allclose(coherent, db(np.abs((p2 * gains).sum(axis=0)) ** 2 + (rest * gains**2).sum(axis=0)), atol=1e-3)
    low = result["frequency"].values < 60                                     # both at nearly the same place: +6 dB
    both = coherent_sum_db(result.assign(  # the same signal twice
        {name: result[name].where(False).fillna(result[name].isel(channel=0)) for name in (
            "level_db", "pressure_real", "pressure_imag")})).squeeze().values
    assert np.allclose(both[:, low] - result["level_db"].squeeze().values[0][:, low], 20 * np.log10(2), atol=1e-3)


def test_the_command_shows_and_writes_systems(tmp_path: Path, capsys) -> None:
    path = write_system(tmp_path, "  five: {loudspeaker: box.yaml, layout: 5.1, subwoofer: {loudspeaker: sub.yaml, "
                                  "height_m: 0.2}}", study=COARSE)
    assert main(["predict", str(path), "--jobs", "1"]) == 0
    said = capsys.readouterr().out
    assert "Loudspeakers as the centre of the seats sees them, and what the receiver set:" in said
    assert "M+110" in said and "below 80 Hz" in said and "fourth-order Linkwitz–Riley" in said
    assert (tmp_path / "study-results" / "receiver.csv").read_text().count("\n") == 1 + 6
    assert main(["predict", str(path), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["receiver"]
    stored = roomsim.open_result(tmp_path / "study-results" / "result.nc")
    assert rows == receiver_rows(stored) and [row["channel"] for row in rows][-1] == "subwoofer"
    assert main(["predict", str(path), "--impulse-responses", "48000"]) == 2
    assert "designs of several loudspeakers have none yet" in capsys.readouterr().err


def test_a_changed_receiver_computes_its_own_cases_again(tmp_path: Path, monkeypatch) -> None:
    designs = ("  bar: {loudspeaker: bar.yaml}\n  both: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: sub.yaml, "
               "height_m: 0.2, crossover_hz: 80}}")
    path = write_system(tmp_path, designs, study=COARSE)
    told: list[str] = []

    def run() -> str:
        told.clear()
        study = roomsim.load(path)
        roomsim.predict(study, jobs=1, store=tmp_path / "kept", progress=lambda *step: told.append(step[2]))
        return study.content_hash

    first = run()
    assert len(told) == 2
    for old, new in (("crossover_hz: 80}", "crossover_hz: 90}"), ("90}}", "90}, align: [level]}"),
                     ("height_m: 0.2,", "height_m: 0.3,")):
        path.write_text(path.read_text().replace(old, new))
        assert run() != first
        assert [name for name in told if name] == ["both, one, ordinary, wall"]


@pytest.mark.parametrize(("designs", "says"), [
    ("a: {loudspeaker: box.yaml, layout: 9.1, subwoofer: {loudspeaker: sub.yaml, height_m: 0.2}}",
     r"designs.a.layout = '9.1': must be one of 5.1, 7.1.4"),
    ("a: {loudspeaker: box.yaml, layout: 5.1}", "has a channel of low-frequency effects; name the subwoofer"),
    ("a: {loudspeaker: bar.yaml, layout: 5.1, subwoofer: {loudspeaker: sub.yaml, height_m: 0.2}}",
     "needs a loudspeaker with one channel; it has left, right"),
    ("a: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: bar.yaml, height_m: 0.2}}",
     "must have one channel; it has left"),
    ("a: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: none.yaml, height_m: 0.2}}",
     "designs.a.subwoofer.loudspeaker"),
    ("a: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: sub.yaml}}", "designs.a.subwoofer.height_m: is missing"),
    ("a: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: sub.yaml, height_m: 0.1}}",
     "designs.a: room one: subwoofer: the cabinet .* sticks 0.050 m out of the room"),
    ("a: {loudspeaker: bar.yaml, subwoofer: {loudspeaker: sub.yaml, height_m: 0.2, crossover_hz: 2000}}",
     "must be 30 to 300 hertz|must be 30 to 300 Hz"),
    ("a: {loudspeaker: bar.yaml, align: [phase]}", "align.* must be one of level, delay, polarity"),
    ("a: {loudspeaker: bar.yaml, beside: {left: {loudspeaker: box.yaml, azimuth_deg: 20}}}",
     "is the name of another channel of this design"),
])
def test_what_is_wrong_with_a_system_is_told(tmp_path: Path, designs: str, says: str) -> None:
    path = write_system(tmp_path, f"  {designs}")
    with pytest.raises(DefinitionError, match=says):
        roomsim.load(path)
