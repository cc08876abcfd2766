"""The readers and the inputs that are tried at them; see fuzzing.py."""

from __future__ import annotations

import copy
import io
import json
import math
import random
import shutil
import struct
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from fuzzing import Input, Target

GOOD = Path(__file__).resolve().parents[1] / "definitions" / "good"

EVIL = [None, True, "", " ", "=1+1", "<script>", "\0", "a\nb", "x" * 3000, "../../etc/passwd", "/etc/passwd", "~",
        "1e3", "4,2", "1_000", "0x10", ".inf", "nan", "on", "no", "front", 0, -1, 1, 1e9, -1e9, 1e308, 1e-308, 10**30,
        2**63, 0.1, math.pi, [], {}, [[]], [1, 2, 3], {"a": 1}, "room.yaml", "study.yaml", "bar.yaml",
        "polar/h+000.txt", "ä\u202e"]
"""Values that are wrong in most places."""

TOKENS = [b"{", b"}", b"[", b"]", b":", b",", b"-", b"#", b"&a ", b"*a ", b"!!python/object:os.system ", b"!", b"|",
          b">",
          b"'", b'"', b"%", b"@", b"`", b"?", b"\t", b"\n", b"\r\n", b" ", b"\\", b"\0", b"\xff", b"\xfe\xff", b"---\n",
          b"...\n", b"<<: ", b"~", b"1e999", b"NaN", b"-", b"=", b";", b"0" * 50, b"[" * 30, "\u2028".encode(), b"\x1a"]


def spoilt(dice: random.Random, content: bytes) -> bytes:
    """Bytes changed without regard to what they mean."""
    out = bytearray(content)
    for _ in range(dice.choice((1, 1, 2, 4, 16))):
        at = dice.randrange(len(out) + 1)
        kind = dice.randrange(6)
        if kind == 0 and at < len(out):
            out[at] = dice.randrange(256)
        elif kind == 1 and at < len(out):
            out[at] ^= 1 << dice.randrange(8)
        elif kind == 2:
            del out[at : at + dice.choice((1, 2, 8, 64))]
        elif kind == 3:
            out[at:at] = dice.choice(TOKENS)
        elif kind == 4:
            start = dice.randrange(len(out) + 1)
            out[at:at] = out[start : start + dice.randrange(1, 40)]
        else:
            out = out[:at] if dice.random() < 0.2 else out
    return bytes(out)


def leaves(node: Any, where: tuple = ()) -> Iterator[tuple]:
    """Places of everything in plain data but the top."""
    inside = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, item in inside:
        yield (*where, key)
        yield from leaves(item, (*where, key))


def changed(dice: random.Random, data: Any, others: list[Any]) -> Any:
    """Plain data with one to three parts changed: mostly numbers a little, sometimes anything."""
    data = copy.deepcopy(data)
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        places = list(leaves(data))
        if not places:
            break
        kind = dice.random()
        if kind < 0.7:
            numbers = [where for where in places if _is_number(_at(data, where))]
            if numbers:
                where = dice.choice(numbers)
                value = _at(data, where)
                new = value + dice.choice((-1, 0, 1)) if isinstance(value, int) else value * dice.uniform(0.85, 1.15)
                _set(data, where, new)
            continue
        where = dice.choice(places)
        if kind < 0.8:
            _set(data, where, copy.deepcopy(dice.choice(EVIL)))
        elif kind < 0.87:
            other = dice.choice(others)
            _set(data, where, copy.deepcopy(_at(other, dice.choice(list(leaves(other))))))
        elif kind < 0.92:
            del _at(data, where[:-1])[where[-1]]
        elif kind < 0.96 and isinstance(holder := _at(data, where[:-1]), list):
            holder.extend(copy.deepcopy(holder[:1]) * (300 if dice.random() < 0.01 else dice.choice((1, 3))))
        elif isinstance(holder := _at(data, where[:-1]), dict):
            holder[dice.choice(["a", "new name", "room", "width_m", "<b>", "=cmd"])] = holder[where[-1]]
    return data


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _at(data: Any, where: tuple) -> Any:
    for key in where:
        data = data[key]
    return data


def _set(data: Any, where: tuple, value: Any) -> None:
    _at(data, where[:-1])[where[-1]] = value


# Definitions in YAML ------------------------------------------------------------------------------------------------

LOOK = 0.03
"""Part of the inputs at whose numbers a slow look is taken."""


def yaml_target(names: list[str], look: Any, texts: dict[str, str] | None = None, *, seldom: bool = False) -> Target:
    """A kind of definition files, from good ones; with `seldom` only some of what comes out is looked at."""
    good = texts or {name: (GOOD / name).read_text("utf-8") for name in names}
    data = [yaml.safe_load(text) for text in good.values()]
    whole = [text.encode() for text in good.values()]

    def make(dice: random.Random) -> Input:
        if dice.random() < 0.7:
            from roomsim.definitions.yaml_text import document_text

            text = json.dumps(changed(dice, dice.choice(data), data), ensure_ascii=False)
            if dice.random() < 0.5:
                text = document_text(json.loads(text))
            return Input(content=text.encode("utf-8", "surrogatepass"), structured=True, truth=dice.random() < LOOK)
        if dice.random() < 0.005:
            return Input(content=bomb(dice, dice.choice(whole)), structured=False)
        return Input(content=spoilt(dice, dice.choice(whole)), structured=False)

    def prepare(folder: Path) -> None:
        remember_parsed([path.read_text("utf-8") for path in GOOD.glob("*.yaml")])
        for path in GOOD.glob("*.yaml"):
            shutil.copy(path, folder / path.name)
        for name in ("polar", "chamber"):
            shutil.copytree(GOOD / name, folder / name)

    def read(path: Path, truth: Any) -> None:
        from roomsim.definitions import load

        definition = load(path)
        if truth or not seldom:
            look(definition)

    return Target(file="tried.yaml", prepare=prepare, make=make, read=read, finish=forget_parsed)


def remember_parsed(texts: list[str]) -> None:
    """Parse the unchanged files beside the tried one once and not every time."""
    from roomsim.definitions import reading, yaml_lines

    known: dict[tuple[str, str], Any] = {}

    def parse(text: str, *, file: str, path: Path) -> Any:
        if text not in texts:
            return yaml_lines.parse(text, file=file, path=path)
        if (file, text) not in known:
            known[file, text] = yaml_lines.parse(text, file=file, path=path)
        return known[file, text]

    reading.parse = parse


def forget_parsed() -> None:
    """Parse everything again."""
    from roomsim.definitions import reading, yaml_lines

    reading.parse = yaml_lines.parse


def bomb(dice: random.Random, content: bytes) -> bytes:
    """A file that would grow: aliases of aliases, deep nesting, many corners, many values."""
    kind = dice.randrange(4)
    if kind == 0:
        lines = [b"a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1]"]
        depth = dice.randrange(2, 15)
        lines += [b"a%d: &a%d [%s]" % (k, k, b", ".join([b"*a%d" % (k - 1)] * 9)) for k in range(1, depth)]
        return content + b"\n" + b"\n".join(lines)
    if kind == 1:
        return content + b"\nx: " + dice.choice((b"[", b"{a: ", b"- ")) * dice.choice((10, 1000, 50_000))
    if kind == 2:
        corners = ", ".join(f"[{k % 97}, {k // 97}]" for k in range(dice.choice((300, 10_000, 40_000))))
        return f"room: many corners\nplan_m: [{corners}]\nheight_m: 2.5\n".encode()
    return content + b"\nvary: {place.gap_m: [" + b"0.1, " * dice.choice((300, 30_000, 90_000)) + b"]}"


def look_at_room(definition: Any) -> None:
    for setting in definition.settings:
        assert 0 < definition.room(setting).geometry.volume_m3 < 1e6


def look_at_loudspeaker(definition: Any) -> None:
    far = definition.directivity.far_pressure(np.array([20.0, 1000, 20000]), np.eye(3))
    assert np.all(np.isfinite(far))


def look_at_design(definition: Any) -> None:
    from roomsim.loudspeaker.channels import channel_far_pressure

    for drivers in definition.loudspeaker().channels.values():
        assert np.all(np.isfinite(channel_far_pressure(drivers, np.array([20.0, 1000, 20000]), np.eye(3), 343.0)))


def look_at_correction(definition: Any) -> None:
    assert np.all(np.isfinite(definition.correction.correction_db([20, 1000, 20000])))


def look_at_study(definition: Any) -> None:
    assert 1 <= definition.seats.count <= 500 and definition.varied()


ORBITS = """\
measurement: Few directions
mounting: free
coverage: orbits
distance_m: 2.0
drive_v: 2.83
radius_m: 0.15
files:
  - {file: polar/h+000.txt, orbit: horizontal, angle_deg: 0}
  - {file: polar/h+090.txt, orbit: horizontal, angle_deg: 90}
  - {file: polar/h+180.txt, orbit: horizontal, angle_deg: 180}
  - {file: polar/h-090.txt, orbit: horizontal, angle_deg: -90}
  - {file: polar/v+000.txt, orbit: vertical, angle_deg: 0}
  - {file: polar/v+090.txt, orbit: vertical, angle_deg: 90}
  - {file: polar/v+180.txt, orbit: vertical, angle_deg: 180}
  - {file: polar/v-090.txt, orbit: vertical, angle_deg: -90}
"""
STUDY = """\
study: One bar, one flat
rooms: {flat: room.yaml}
settings: [ordinary]
designs: {sketch: {loudspeaker: bar.yaml}}
places:
  wall: {wall: front, across_fraction: 0.5, gap_m: 0.05, height_m: 0.75}
seats: {distance_m: 3.0, ear_height_m: 1.1, count: 5, spread_m: {depth: 0.8, across: 1.2, height: 0.3}}
vary: {place.gap_m: [0.03, 0.1]}
"""


# Text -----------------------------------------------------------------------------------------------------------------

def make_text(dice: random.Random) -> Input:
    """A table of known numbers in one of many layouts, or a spoilt one."""
    count, columns = dice.randrange(1, 12), dice.choice((2, 3))
    f = np.cumsum([dice.uniform(1, 500) for _ in range(count)])
    level = [dice.uniform(-40, 110) for _ in range(count)]
    rows = [[f[k], level[k], *([dice.uniform(-180, 180)] if columns == 3 else [])] for k in range(count)]
    form = dice.choice(("{:.6g}", "{:.3f}", "{:.4e}", "{:+.5g}"))
    separator = dice.choice(("\t", ";", ", ", " ", "   ", " ; ", ","))
    comma = "," not in separator and dice.random() < 0.3
    cells = [[form.format(value).replace(".", ",") if comma else form.format(value) for value in row] for row in rows]
    lines = [separator.join(row) for row in cells]
    truth = np.array([[float(cell.replace(",", ".") if comma else cell) for cell in row] for row in cells])
    head = dice.choice(([], ["# a comment"], ["Frequency" + separator + "Level"], ["* made", "", "; by a test"],
                        ["\ufeff# bom"]))
    end = dice.choice(("\n", "\r\n"))
    content = (end.join([*head, *lines]) + end).encode(dice.choice(("utf-8", "utf-8", "utf-16")))
    if dice.random() < 0.3:
        return Input(content=spoilt(dice, content), structured=False)
    if dice.random() < 0.3:
        at = dice.randrange(len(lines))
        lines[at] = dice.choice((lines[at] + separator + "9", "text", lines[0], "nan" + separator + "1", "1e999 2",
                                 "-1 2", ""))
        return Input(content=(end.join([*head, *lines]) + end).encode(), structured=True)
    return Input(content=content, structured=True, truth=truth)


def read_text(path: Path, truth: Any) -> None:
    from roomsim.files.response_text import read_response_text

    f, level, phase = read_response_text(path)
    table = np.column_stack([f, level] if phase is None else [f, level, phase])
    assert np.all(np.isfinite(table)) and np.all(np.diff(f) > 0) and f[0] > 0
    if truth is not None:
        np.testing.assert_array_equal(table, truth)      # the same decimal text gives the same number


# WAV ------------------------------------------------------------------------------------------------------------------

def make_wav(dice: random.Random) -> Input:
    """A WAV file of known samples in one of the usual formats, or a spoilt one."""
    channels, count = dice.choice((1, 1, 2, 3)), dice.randrange(1, 40)
    kind = dice.choice((("u1", 1, 8), ("<i2", 1, 16), ("i3", 1, 24), ("<i4", 1, 32), ("<f4", 3, 32), ("<f8", 3, 64)))
    numbers = np.random.default_rng(dice.randrange(2**32)).uniform(-1, 1, (count, channels))
    if kind[0] == "u1":
        raw = np.round(numbers * 127 + 128).astype("u1")
        truth, data = (raw.astype(float) - 128) / 128, raw.tobytes()
    elif kind[0] == "i3":
        raw = np.round(numbers * (2**23 - 1)).astype("<i4")
        truth, data = raw / 2**23, b"".join(struct.pack("<i", int(x))[:3] for x in raw.ravel())
    elif kind[1] == 3:
        raw = numbers.astype(kind[0])
        truth, data = raw.astype(float), raw.tobytes()
    else:
        raw = np.round(numbers * (2.0 ** (kind[2] - 1) - 1)).astype(kind[0])
        truth, data = raw / 2.0 ** (kind[2] - 1), raw.tobytes()
    rate, width = dice.choice((44100, 48000, 96000, 8000)), kind[2] // 8
    fields = [kind[1], channels, rate, rate * channels * width, channels * width, kind[2]]
    structured_fault = dice.random() < 0.25
    if structured_fault:
        fields[dice.randrange(6)] = dice.choice((0, 1, 2, 7, 255, 65535))
    form = struct.pack("<HHIIHH", *(min(x, 65535) if k in (0, 1, 4, 5) else x for k, x in enumerate(fields)))
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    if dice.random() < 0.3:
        chunks += b"LIST" + struct.pack("<I", 8) + b"INFOabcd"
    chunks += b"data" + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
    content = b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks
    if dice.random() < 0.35:
        return Input(content=spoilt(dice, content), structured=False)
    return Input(content=content, structured=True, truth=None if structured_fault else (rate, truth.T))


def read_wav(path: Path, truth: Any) -> None:
    from roomsim.files import wav

    found = wav.read_wav(path)
    assert np.all(np.isfinite(found.samples)) and found.rate_hz > 0 and found.samples.size
    if truth is not None:
        assert found.rate_hz == truth[0]
        np.testing.assert_allclose(found.samples, truth[1], rtol=0, atol=1e-12)     # quantised values are exact


# Survey ---------------------------------------------------------------------------------------------------------------

def make_survey(dice: random.Random) -> Input:
    """A survey of known rooms in one of many layouts, or a spoilt one."""
    count, unit = dice.randrange(1, 8), dice.choice(("m", "ft"))
    names = [f"width_{unit}", f"length_{unit}", f"height_{unit}"]
    separator = dice.choice(",;\t")
    extra = dice.choice(([], ["furnishing"], ["decay_s"], ["decay_s", "furnishing"], ["note"]))
    order = [*names, *extra]
    dice.shuffle(order)
    rows, sizes = [], []
    for _ in range(count):
        size = {name: f"{dice.uniform(2, 9):.{dice.choice((1, 2, 6))}f}" for name in names}
        row = {**size, "decay_s": dice.choice(("", "0.41", " 0.5 ")), "furnishing": dice.choice(("sofa", "=1+1", "")),
               "note": '"quoted, text"'}
        rows.append(separator.join(row[name] for name in order))
        sizes.append([float(size[name]) * (0.3048 if unit == "ft" else 1.0) for name in names])
    end = dice.choice(("\n", "\r\n"))
    truth: Any = np.array(sizes)
    head = separator.join(order)
    if dice.random() < 0.3:
        at, truth = dice.randrange(count), None
        rows[at] = dice.choice((
            rows[at] + separator + "7", "", "0" + rows[at], rows[at].replace(".", ",", 1), "-" + rows[at],
            separator.join(["nan"] * len(order)), separator.join(["1e999"] * len(order)), '"' + rows[at]))
        head = dice.choice((head, head, head.replace("_m", ""), head.upper(), head + separator + "width_m"))
    content = end.join([head, *rows, *dice.choice(([], [""]))]).encode(dice.choice(("utf-8", "utf-8-sig")))
    if dice.random() < 0.3:
        return Input(content=spoilt(dice, content), structured=False)
    return Input(content=content, structured=True, truth=truth)


def read_survey(path: Path, truth: Any) -> None:
    from roomsim.files import survey_csv

    found = survey_csv.read_survey(path)
    table = np.column_stack([found.width_m, found.length_m, found.height_m])
    assert np.all(np.isfinite(table)) and np.all(table > 0)
    if truth is not None:
        np.testing.assert_allclose(table, truth, rtol=1e-14)     # two roundings: the decimal, and feet to metres


# AES69 ----------------------------------------------------------------------------------------------------------------

def netcdf_bytes(content: dict[str, Any], never_written: int = 0) -> bytes:
    """A netCDF file of {"attributes": …, "variables": {name: [dims, values, attributes]}} in memory.

    With an array of `never_written` by as many numbers that only the header knows.
    """
    import netCDF4

    file = netCDF4.Dataset("made", "w", memory=4096)
    try:
        for name, value in content["attributes"].items():
            file.setncattr(name, value)
        for name, (dims, values, attributes) in content["variables"].items():
            values = np.asarray(values)
            if values.ndim != len(dims):
                continue
            for dim, size in zip(dims, values.shape, strict=True):
                if dim not in file.dimensions:
                    file.createDimension(dim, size)
            if any(len(file.dimensions[dim]) != size for dim, size in zip(dims, values.shape, strict=True)):
                dims = [f"{dim}_{name.replace('.', '_')}" for dim in dims]
                for dim, size in zip(dims, values.shape, strict=True):
                    file.createDimension(dim, size)
            kind = str if values.dtype.kind in "OU" else values.dtype
            variable = file.createVariable(name, kind, dims, zlib=kind is not str and bool(values.size))
            if values.size:
                variable[...] = values.astype(object) if kind is str else values
            for key, value in attributes.items():
                variable.setncattr(key, value)
        if never_written:
            for dim in ("rows", "columns"):
                file.createDimension(dim, never_written)
            file.createVariable("huge", "f8", ("rows", "columns"), chunksizes=(1000, 1000), zlib=True)
        return bytes(file.close())
    except BaseException:
        file.close()
        raise


@cache
def sofa_base() -> dict[str, Any]:
    """A small directivity of 26 directions and 5 frequencies."""
    angles = [(az, el) for el in (-45, 0, 45) for az in range(0, 360, 45)] + [(0, 90), (0, -90)]
    f = np.array([100.0, 300, 1000, 3000, 10000])
    pressure = np.array([[1 + 0.5 * math.cos(math.radians(az)) * math.cos(math.radians(el))] * 5 for az, el in angles])
    phase = np.exp(-2j * np.pi * f * 2.0 / 343)
    where = {"Type": "spherical", "Units": "degree, degree, metre"}
    metres = {"Type": "cartesian", "Units": "metre"}
    return {
        "attributes": {"Conventions": "SOFA", "Version": "2.1", "SOFAConventions": "FreeFieldDirectivityTF",
                       "SOFAConventionsVersion": "1.1", "DataType": "TF", "RoomType": "free field", "Title": "made"},
        "variables": {
            "ListenerPosition": [["I", "C"], np.zeros((1, 3)), metres],
            "ReceiverPosition": [["R", "C"], np.array([[az, el, 2.0] for az, el in angles]), where],
            "SourcePosition": [["I", "C"], np.zeros((1, 3)), metres],
            "SourceView": [["I", "C"], np.array([[1.0, 0, 0]]), metres],
            "SourceUp": [["I", "C"], np.array([[0, 0, 1.0]]), {}],
            "EmitterPosition": [["E", "C"], np.zeros((1, 3)), metres],
            "N": [["N"], f, {"Units": "hertz", "LongName": "frequency"}],
            "Data.Real": [["M", "R", "N"], (pressure * phase.real)[None], {}],
            "Data.Imag": [["M", "R", "N"], (pressure * phase.imag)[None], {}],
        },
    }


def changed_netcdf(dice: random.Random, base: dict[str, Any]) -> dict[str, Any]:
    """The content of a file with one to three parts changed."""
    out = {"attributes": dict(base["attributes"]),
           "variables": {name: [list(d), np.array(v), dict(a)] for name, (d, v, a) in base["variables"].items()}}
    for _ in range(dice.choice((1, 1, 2, 3))):
        name = dice.choice(list(out["variables"]) or ["none"])
        one = out["variables"].get(name)
        if one is None:
            break
        values, kind = one[1], dice.random()
        if kind < 0.55 and values.dtype.kind == "f" and values.size:
            at = tuple(dice.randrange(n) for n in values.shape)
            values[at] = values[at] * dice.uniform(0.98, 1.02)
        elif kind < 0.65 and values.dtype.kind == "f" and values.size:
            at = tuple(dice.randrange(n) for n in values.shape)
            values[at] = dice.choice((0.0, -1.0, 1e30, np.nan, np.inf, -np.inf, 9.97e36, 1e-320, 7.0))
        elif kind < 0.72 and values.ndim and values.size:
            axis = dice.randrange(values.ndim)
            one[1] = dice.choice((np.repeat(values, 2, axis), np.delete(values, 0, axis)))
        elif kind < 0.77:
            one[1] = dice.choice((values.astype("f4"), values.astype("U"), np.zeros((0,) * values.ndim), values.ravel())
                                 if values.dtype.kind == "f" else (values, np.zeros(values.shape)))
        elif kind < 0.82:
            del out["variables"][name]
        elif kind < 0.9:
            key = dice.choice([*one[2], "scale_factor", "missing_value", "units", "coordinates", "dtype"])
            one[2][key] = dice.choice(("", "radian", "metre", "x" * 500, "cartesian", 1.5, 0, np.array([1.0, 2.0]),
                                       "days since 0"))
        elif kind < 0.97:
            key = dice.choice([*out["attributes"], "new"])
            out["attributes"][key] = dice.choice(("", "SOFA", "GeneralTF", "GeneralFIR", "{}", "[]", "null", 3, 1e300,
                                                  "x" * 500))
        else:
            out["variables"][f"{name}2"] = one
    return out


def netcdf_input(dice: random.Random, content: dict[str, Any]) -> bytes | None:
    """The file, None where the writing library itself refuses what was changed."""
    try:
        return netcdf_bytes(content)
    except (RuntimeError, ValueError, TypeError, AttributeError, OSError, IndexError):
        return None


@cache
def _whole(which: str) -> bytes:
    return netcdf_bytes(sofa_base() if which == "sofa" else result_base())


def flipped(dice: random.Random, content: bytes) -> bytes:
    """A few bytes changed, mostly in the first kilobytes, where the structure stands."""
    out = bytearray(content)
    for _ in range(dice.choice((1, 1, 2, 5, 20))):
        at = dice.randrange(min(len(out), dice.choice((600, 6000, 10**9))))
        out[at] = dice.choice((0, 255, out[at] ^ (1 << dice.randrange(8)), dice.randrange(256)))
    return bytes(out[: dice.randrange(len(out))] if dice.random() < 0.05 else out)


def make_sofa(dice: random.Random) -> Input:
    if dice.random() < 0.5 and (content := netcdf_input(dice, changed_netcdf(dice, sofa_base()))) is not None:
        return Input(content=content, structured=True, truth=dice.random() < LOOK)
    return Input(content=flipped(dice, _whole("sofa")), structured=False, truth=dice.random() < LOOK)


def read_sofa(path: Path, truth: Any) -> None:
    from roomsim.files.sofa import read_directivity

    data = read_directivity(path)
    if truth:
        assert np.all(np.isfinite(data.far_pressure(np.array([50.0, 1000, 15000]), np.eye(3))))
    assert np.all(np.isfinite(data.values)) and data.distance_m > 0


# Saved results --------------------------------------------------------------------------------------------------------

@cache
def result_base() -> dict[str, Any]:
    """A small result with notes, reflections and modes."""
    from made_result import made_result

    made = made_result(designs=("bar",), rooms={"flat": (5.2, 4.5, 2.5)}, channels=("left",), seats=1, per_octave=3)
    labels = {"design": "bar", "room": "flat", "setting": "as built", "place": "wall"}
    said = json.loads(made.attrs["metadata"])
    said["reflections"] = [{**labels, "channel": "left", "listener": 0, "faces": ["floor"], "delay_ms": 2.0,
                            "level_db": -6.0, "high_level_db": -5.0, "azimuth_deg": 0.0, "elevation_deg": -30.0}]
    said["modes"] = [{**labels, "channels": ["left"], "drivers": ["woofer"], "modes": [
        {"frequency_hz": 33.0, "kind": "axial", "indices": [1, 0, 0], "decay_s": 0.6, "share_db": 0.0, "seats_db": 1.0,
         "level_db": [3.0], "channel_db": [2.0], "driver_db": [2.0]}]}]
    said["inputs"] = {"study": {"file": "study.yaml", "content_hash": "0"}}
    names = [*map(str, made.coords), *(str(name) for name in made.data_vars if not str(name).startswith("pressure"))]
    variables = {name: [[str(dim) for dim in made[name].dims], made[name].values, dict(made[name].attrs)]
                 for name in names}
    return {"attributes": {"title": made.attrs["title"], "metadata": json.dumps(said)}, "variables": variables}


def make_result(dice: random.Random) -> Input:
    base = result_base()
    if dice.random() < 0.6:
        content = changed_netcdf(dice, base)
        if dice.random() < 0.4:
            said = json.loads(base["attributes"]["metadata"])
            content = {"variables": base["variables"],
                       "attributes": {**base["attributes"], "metadata": json.dumps(changed(dice, said, [said]))}}
        if (made := netcdf_input(dice, content)) is not None:
            return Input(content=made, structured=True, truth=dice.random() < LOOK)
    return Input(content=flipped(dice, _whole("result")), structured=False, truth=dice.random() < LOOK)


def read_result(path: Path, truth: Any) -> None:
    """Read it; a few are also tabled and listed (`truth`), which takes far longer."""
    from roomsim.files.netcdf import read_netcdf

    result = read_netcdf(path)
    assert np.isfinite(result["level_db"].values).any()
    if truth:
        from roomsim.report.balance import early_lines, early_rows, reflection_rows
        from roomsim.report.modes import mode_lines, mode_rows
        from roomsim.report.table import print_table
        from roomsim.report.write import notes

        print_table(result, io.StringIO())
        for listed in (notes, early_rows, reflection_rows, early_lines, mode_rows, mode_lines):
            listed(result)


def nothing(folder: Path) -> None:
    """Needs no other files."""


TARGETS = {
    "room": yaml_target(["room.yaml", "room.yaml", "furnished.yaml", "alcove.yaml"], look_at_room),
    "loudspeaker": yaml_target(["bar.yaml"], look_at_design, seldom=True),
    "study": yaml_target([], look_at_study, {"study.yaml": STUDY}),
    "measurement": yaml_target([], look_at_loudspeaker, {"orbits.yaml": ORBITS}, seldom=True),
    "correction": yaml_target(["chamber.yaml"], look_at_correction),
    "materials": yaml_target(["finishes.yaml"], lambda definition: None),
    "text": Target(file="tried.txt", prepare=nothing, make=make_text, read=read_text),
    "wav": Target(file="tried.wav", prepare=nothing, make=make_wav, read=read_wav),
    "survey": Target(file="tried.csv", prepare=nothing, make=make_survey, read=read_survey),
    "sofa": Target(file="tried.sofa", prepare=nothing, make=make_sofa, read=read_sofa),
    "result": Target(file="tried.nc", prepare=nothing, make=make_result, read=read_result),
}
