"""The main job beside the peer library, in one run: `python tests/benchmarks/bench_peer.py [--matched]`.

Three rooms, seven drivers with measured directivity, 15 seats. Ours: 20 Hz to 20 kHz at 1/48 octave, every engine.
The peer (pyroomacoustics): 48 kHz, octave-band walls, the same directivities as 256-tap responses in 500 directions,
images to order 3 and ray tracing; with --matched also its image method at the order that reaches as far as our early
part, in the middle room alone (minutes). Accuracy of both against the exact field of each box: level per seat in the
thirds 315, 400 and 500 Hz of one omnidirectional source. Elapsed seconds; ours compiled, the peer's tables built.
"""

from __future__ import annotations

import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from bench_main import ROOM, SIZES, STUDY
from pyroomacoustics.directivities import MeasuredDirectivity as PeerDirectivity
from pyroomacoustics.directivities import Rotation3D

import roomsim
from roomsim.bands import band_means, db, midbands_hz
from roomsim.engines.hybrid import Options, simulate
from roomsim.engines.wave import solve_box
from roomsim.files.sofa import write_directivity
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.directivity import Directivity
from roomsim.loudspeaker.drivers import Cap, Omni
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene
from roomsim.sphere import fibonacci_grid
from roomsim.studies.plan import make_plan

RATE_HZ, TAPS, DIRECTIONS = 48_000, 256, 500
BAR = """\
loudspeaker: Seven measured drivers
cabinet_m: {width: 1.0, height: 0.07, depth: 0.09}
mounting: free
drivers: {woofer: {measured: woofer.sofa}, tweeter: {measured: tweeter.sofa}}
channels:
  all:
"""
PLACES_M = {"woofer": (-0.42, -0.18, 0.18, 0.42), "tweeter": (-0.30, 0.0, 0.30)}
OCTAVES_HZ = 125 * 2.0 ** np.arange(7)


def drivers() -> dict[str, Directivity]:
    """Two drivers as a chamber would have measured them."""
    return {"woofer": Cap(name="woofer", radius_m=0.028, sphere_radius_m=0.05),
            "tweeter": Cap(name="tweeter", radius_m=0.01, sphere_radius_m=0.04)}


def write_files(folder: Path) -> Path:
    """The study and its files; returns the study."""
    f = np.geomspace(20, 20_000, 161)
    directions = fibonacci_grid(DIRECTIONS)
    for name, driver in drivers().items():
        data = MeasuredDirectivity(name=name, frequency_hz=f, directions=directions,
                                   values=driver.far_pressure(f, directions), has_phase=True)
        write_directivity(folder / f"{name}.sofa", data)
    lines = [f"    - {{driver: {name}, at_m: [0, {y}, 0]}}" for name, all_y in PLACES_M.items() for y in all_y]
    (folder / "bar.yaml").write_text(BAR + "\n".join(lines) + "\n")
    for label, (width, length) in SIZES.items():
        (folder / f"{label}.yaml").write_text(ROOM.format(name=label, width=width, length=length))
    (folder / "study.yaml").write_text(STUDY)
    return folder / "study.yaml"


def peer_room(room: Room, order: int, rays: bool) -> pra.ShoeBox:
    """The same box with the octave absorption of our finishes."""
    names = {"front": "west", "back": "east", "left": "south", "right": "north", "floor": "floor", "ceiling": "ceiling"}
    walls = {names[face]: pra.Material({"coeffs": np.clip(finish.absorption(OCTAVES_HZ), 0.01, 0.99).tolist(),
                                        "center_freqs": OCTAVES_HZ.tolist()})
             for face, finish in room.materials.items()}
    made = pra.ShoeBox(room.geometry.size_m, fs=RATE_HZ, max_order=order, materials=walls, air_absorption=True,
                       ray_tracing=rays)
    made.rir_hpf_enable = False
    return made


def peer_directivity(driver: Directivity) -> PeerDirectivity:
    directions = fibonacci_grid(DIRECTIONS)
    f = np.fft.rfftfreq(TAPS, 1 / RATE_HZ)
    spectrum = driver.far_pressure(np.maximum(f, 1.0), directions) * np.exp(-2j * np.pi * f * 64 / RATE_HZ)
    responses = np.fft.irfft(spectrum, TAPS, axis=-1)
    grid = pra.doa.GridSphere(cartesian_points=directions.T)
    return PeerDirectivity(Rotation3D([0, 0, 0], "zyx"), grid, responses, RATE_HZ)


def peer_seconds(scene: Scene, order: int, rays: bool) -> float:
    made = {name: peer_directivity(driver) for name, driver in drivers().items()}
    room = peer_room(scene.room, order, rays)
    for emitter in scene.emitters:
        kind = "woofer" if "woofer" in emitter.directivity.name else "tweeter"
        room.add(pra.SoundSource(emitter.position_m, directivity=made[kind]))
    room.add_microphone_array(scene.listeners_m.T)
    start = time.perf_counter()
    room.compute_rir()
    return time.perf_counter() - start


def errors_db(scene: Scene) -> tuple[float, float]:
    """Rms error per seat and third of ours and of the peer's hybrid; omnidirectional source 1 m off the front wall."""
    placed = PlacedLoudspeaker(
        loudspeaker=Loudspeaker(
            name="o", width_m=0.1, height_m=0.1, depth_m=0.1, mounting="free",
            channels={"all": (PlacedDriver(name="d", directivity=Omni(name="o"), position_m=np.zeros(3)),)}),
        position_m=np.array([1.0, 0.43 * scene.room.geometry.size_m[1], 1.0]), wall=None, gap_m=1.0)
    one = Scene(room=scene.room, loudspeakers=(placed,), listeners_m=scene.listeners_m)
    f = np.arange(270.0, 570.0, 1.0)
    mids = midbands_hz(3, 315, 500)
    exact = db(band_means(np.abs(solve_box(one, f)[0]) ** 2, f, mids, 3))
    # the crossfade below the range: images and rays alone are judged
    response = simulate(one, f, Options(crossfade_hz=(200.0, 260.0)))
    ours = db(band_means(response.mean_square[0], f, mids, 3))
    room = peer_room(scene.room, 3, True)
    room.add_source(placed.position_m)
    room.add_microphone_array(one.listeners_m.T)
    room.compute_rir()
    bins = np.fft.rfftfreq(2 * RATE_HZ, 1 / RATE_HZ)
    near = (bins >= f[0]) & (bins <= f[-1])                         # bands are means over log frequency: not from 0 Hz
    theirs = []
    for responses in room.rir:
        energy = np.abs(np.fft.rfft(responses[0], 2 * RATE_HZ)) ** 2           # 1/r, as ours
        theirs.append(db(band_means(energy[near], bins[near], mids, 3)))
    return tuple(float(np.sqrt(np.mean((found - exact) ** 2))) for found in (ours, np.array(theirs)))


def main(matched: bool) -> None:
    """Run and print."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as name:
        study = roomsim.load(write_files(Path(name)))
        roomsim.predict(study)                                       # compiles, and makes the tables of the drivers
        ours = []
        for _ in range(3):
            start = time.perf_counter()
            roomsim.predict(study)
            ours.append(time.perf_counter() - start)
        scenes = [case.scene() for case in make_plan(study).cases]
    print(f"ours, three rooms, measured directivity: {np.median(ours):.2f} s ({min(ours):.2f} to {max(ours):.2f})")
    peer = [peer_seconds(scene, 3, True) for scene in scenes]
    print(f"peer, order 3 and rays, three rooms: {sum(peer):.1f} s; {sum(peer) / np.median(ours):.0f} times ours")
    if matched:
        scene = scenes[1]
        reach_m = 0.088 * scene.room.air.speed_m_s + 3
        order = int(np.ceil(reach_m / min(scene.room.geometry.size_m)))
        took = peer_seconds(scene, order, False)
        print(f"peer, images of order {order}, middle room: {took:.0f} s; three such rooms "
              f"{3 * took / np.median(ours):.0f} times ours")
    for scene in scenes:
        mine, theirs = errors_db(scene)
        print(f"{scene.room.geometry.volume_m3:3.0f} m³: against the exact field, thirds 315 to 500 Hz: "
              f"ours {mine:.2f} dB rms per seat, peer {theirs:.2f} dB")


if __name__ == "__main__":
    main("--matched" in sys.argv[1:])
