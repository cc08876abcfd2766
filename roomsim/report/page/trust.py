"""Assumptions and validity: which engine covers which range, what was assumed, noise, sources, versions, inputs."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ...bands import OCTAVES_HZ, nominal
from ..style import plain_label
from .selection import Selection

MOST_LINES = 40
"""Notes of one kind that are listed; the result has all of them."""

SECTIONS: dict[str, tuple[str, ...]] = {
    "Not to be relied on": ("trusted", "decay-uncertain", "sealed", "decay-by-formula", "outlasts", "cabinet-near-wall",
                            "near"),
    "Engines": ("wave-engine", "crossfade", "images", "rays", "engine"),
    "Noise of the method": ("ray-noise", "noise"),
    "Materials and furniture": ("material", "furniture", "finish", "setting", "adjust"),
    "Loudspeakers": ("sketched-driver", "measured-driver", "driver", "loudspeaker"),
}
"""Heading -> how the codes of its notes begin, what matters most first; what fits none comes last."""
OTHER = "Other"

SOURCES_OF: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("absorption and speed of sound in air", "", ("iso9613-1",)),
    ("bands and averages", "", ("iec61260-1",)),
    ("exact field of a box", "wave-engine", ("morse-ingard1968",)),
    ("image sources", "crossfade", ("allen-berkley1979", "ingard1951")),
    ("rays and diffuse-field decay", "rays", ("kuttruff2016", "eyring1930")),
    ("decay times and clarity", "", ("iso3382-1", "iso3382-2", "schroeder1965")),
    ("transition frequency", "", ("schroeder1962",)),
    ("fluctuation over seats", "", ("lubman1968",)),
    ("judgement of differences", "", ("efron-tibshirani1993", "holm1979", "olive2004")),
    ("early reflections in reference rooms", "", ("itu-bs1116-3", "ebu1998")),
    ("seats", "", ("halton1960",)),
    ("standard curves of loudspeakers", "", ("cta2034a",)),
    ("sketched drivers", "sketched-driver", ("beranek-mellow2012", "williams1999")),
    ("uncertainty of handbook absorption", "", ("iso12999-2",)),
)
"""What for, the code of the note that says it was used ("" for always), keys of references.bib."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLine:
    """One note: text, and which cases it concerns."""

    text: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """What a doubter asks for.

    Attributes
    ----------
    ranges : (from, to, engine) on the frequency axis, for all cases
    notes : heading -> kinds, each with its lines
    settings : (room and setting, what it changes and what it reaches)
    finishes : (name, kind, absorption per octave, assumed bands, sources)
    octaves : headings of the absorption columns
    references : (key, what for, text)
    versions, inputs : (name, value), (what, name, file, hash)
    command : that makes the same again
    """

    ranges: tuple[tuple[str, str], ...]
    notes: tuple[tuple[str, tuple[tuple[NoteLine, ...], ...]], ...]
    settings: tuple[tuple[str, str], ...]
    finishes: tuple[tuple[str, str, tuple[str, ...], str, str], ...]
    octaves: tuple[str, ...]
    references: tuple[tuple[str, str, str], ...]
    versions: tuple[tuple[str, str], ...]
    inputs: tuple[tuple[str, str, str, str], ...]
    command: str


def trust(chosen: Selection) -> Trust:
    """Everything that the result records about how far it is to be trusted."""
    meta = chosen.metadata()
    notes = meta.get("notes", [])
    finishes = meta.get("finishes", {})
    inputs = _inputs(meta.get("inputs", {}))
    file = next((row[2] for row in inputs if row[0] == "study"), "study.yaml")
    return Trust(
        ranges=_ranges(chosen), notes=_notes(chosen, notes),
        settings=_settings(meta.get("settings", [])),
        finishes=tuple(_finish(name, one) for name, one in finishes.items()),
        octaves=tuple(nominal(float(f)) for f in OCTAVES_HZ),
        references=_references(notes, finishes), versions=tuple((str(k), str(v)) for k, v in meta.get(
            "versions", {}).items()), inputs=inputs, command=f"roomsim predict {_quoted(file)}",
    )


def _ranges(chosen: Selection) -> tuple[tuple[str, str], ...]:
    """From the weight of the exact field over all cases."""
    result = chosen.result
    if "wave_weight" not in result:
        return ()
    f = result["frequency"].values
    weight = result["wave_weight"].values.reshape(-1, f.size)
    weight = weight[np.isfinite(weight).all(axis=1)]
    if not weight.size:
        return ()
    only, none = (weight > 1 - 1e-9).all(axis=0), (weight < 1e-9).all(axis=0)
    rows = []
    if only.any():
        rows.append((f"to {f[only][-1]:.0f} Hz", "exact field of the room: all reflections, phase and modes"))
    mixed = ~only & ~none
    if mixed.any():
        rows.append((f"{f[mixed][0]:.0f} to {f[mixed][-1]:.0f} Hz", "the exact field fades into image sources"))
    if none.any():
        rows.append((f"from {f[none][0]:.0f} Hz",
                     "image sources for the first 80 ms, rays for scattered and late sound"))
    return tuple(rows)


def _notes(
    chosen: Selection, notes: list[dict[str, Any]]
) -> tuple[tuple[str, tuple[tuple[NoteLine, ...], ...]], ...]:
    """Under each heading the kinds of notes in the order of SECTIONS, each with its lines."""
    found: dict[str, dict[str, list[NoteLine]]] = {}
    for note in notes:
        code = str(note.get("code", ""))
        lines = found.setdefault(_heading(code), {}).setdefault(code, [])
        line = NoteLine(text=plain_label(note.get("text", ""), 600), where=_where(chosen, note))
        if line not in lines:
            lines.append(line)
    told = []
    for title in (*SECTIONS, OTHER):
        starts = SECTIONS.get(title, ())
        kinds = sorted(found.get(title, {}).items(), key=lambda kind: next(
            (k for k, start in enumerate(starts) if kind[0].startswith(start)), 99))
        if kinds:
            told.append((title, tuple(_bounded(lines) for _, lines in kinds)))
    return tuple(told)


def _heading(code: str) -> str:
    return next((title for title, starts in SECTIONS.items() if code.startswith(starts)), OTHER)


def _bounded(lines: list[NoteLine]) -> tuple[NoteLine, ...]:
    if len(lines) <= MOST_LINES:
        return tuple(lines)
    return (*lines[:MOST_LINES], NoteLine(text=f"… and {len(lines) - MOST_LINES} more in result.nc", where=""))


def _where(chosen: Selection, note: dict[str, Any]) -> str:
    """The labels that tell the cases of a note from all others; empty where it concerns all of them."""
    cases = note.get("cases", "all")
    if cases == "all" or not isinstance(cases, list) or not cases:
        return ""
    parts = []
    for dimension in cases[0]:
        labels = list(dict.fromkeys(plain_label(case.get(dimension), 30) for case in cases))
        if len(labels) < chosen.result.sizes.get(dimension, 0):
            parts.append(", ".join(labels) if len(labels) <= 4 else f"{len(labels)} {dimension}s")
    return "; ".join(parts)


def _settings(records: list[dict[str, Any]]) -> tuple[tuple[str, str], ...]:
    """What each setting changes in each room, and the decay time that it wants and has."""
    rows = []
    for one in records[:MOST_LINES]:
        changes = [
            f"{plain_label(c['name'], 40)} {c['area_m2']:g} m² on the {plain_label(c['surface'], 24)}"
            + (f" (else {c['usual_m2']:g} m²)" if abs(c["area_m2"] - c["usual_m2"]) > 5e-3 else "")
            for c in one.get("changes", [])
        ]
        said = ", ".join(changes) or "nothing changed"
        target = one.get("target")
        if isinstance(target, (int, float)):
            said += f"; wanted {target:g} s at mid frequencies"
        elif target:
            said += "; wanted " + ", ".join(f"{t:g} s at {band} Hz" for band, t in target.items())
        if one.get("decay_mid_s") is not None:
            said += f", has {one['decay_mid_s']:.2f} s by itself"
        rows.append((plain_label(f"{one.get('room')} · {one.get('setting')}", 60), said + "."))
    if len(records) > MOST_LINES:
        rows.append((f"{len(records) - MOST_LINES} more", "in result.nc."))
    return tuple(rows)


def _finish(name: str, one: dict[str, Any]) -> tuple[str, str, tuple[str, ...], str, str]:
    assumed = ", ".join(str(band) for band in one.get("assumed", ()))
    return (plain_label(name, 80), one.get("kind", ""), tuple(f"{a:.2f}" for a in one.get("absorption", ())),
            f"{assumed} Hz" if assumed else "", plain_label("; ".join(map(str, one.get("sources", ()))), 200)
            if one.get("sources") else "")


def _inputs(inputs: dict[str, Any]) -> tuple[tuple[str, str, str, str], ...]:
    rows = []
    for kind, entry in inputs.items():
        entries = {"": entry} if isinstance(entry, dict) and "content_hash" in entry else entry
        if not isinstance(entries, dict):
            continue
        for label, one in entries.items():
            if isinstance(one, dict):
                name = plain_label(f"{label}: {one['name']}" if label and one.get("name") else label or "", 80)
                rows.append((kind.removesuffix("s") if label else kind, "" if not label else name,
                             plain_label(one.get("file", ""), 80), str(one.get("content_hash", ""))[:12]))
    return tuple(rows)


def _references(notes: list[dict[str, Any]], finishes: dict[str, Any]) -> tuple[tuple[str, str, str], ...]:
    """Key, what for and the reference of every source whose model or data the result used."""
    codes = {str(note.get("code", "")) for note in notes}
    whats: dict[str, list[str]] = {}
    for what, code, keys in SOURCES_OF:
        if not code or code in codes:
            for key in keys:
                whats.setdefault(key, []).append(what)
    cited = " ".join(str(s) for one in finishes.values() for s in one.get("sources", ()))
    for key in _bibliography():
        if re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", cited):
            whats.setdefault(key, []).append("absorption of materials")
    return tuple((key, ", ".join(what), _bibliography()[key]) for key, what in whats.items() if key in _bibliography())


@cache
def _bibliography() -> dict[str, str]:
    """Key -> reference in one line, from references.bib."""
    text = (Path(__file__).parents[2] / "references.bib").read_text("utf-8")
    entries = re.findall(r"^@\w+\{([^,\s]+),(.*)\}\s*$", text, re.M)
    return {key: _reference(dict(_fields(body))) for key, body in entries}


def _fields(body: str) -> Iterable[tuple[str, str]]:
    """name={value} pairs; braces may nest."""
    at = 0
    while (found := re.compile(r"\s*,?\s*(\w+)\s*=\s*\{").match(body, at)) is not None:
        depth, end = 1, found.end()
        while depth and end < len(body):
            depth += {"{": 1, "}": -1}.get(body[end], 0)
            end += 1
        yield found.group(1), body[found.end() : end - 1]
        at = end


_MARKS = {"'": "\u0301", '"': "\u0308", "`": "\u0300", "~": "\u0303", "^": "\u0302"}
"""Accents of BibTeX as combining marks."""


def _reference(fields: dict[str, str]) -> str:
    where = fields.get("journal") or fields.get("booktitle") or fields.get("howpublished") or ""
    if fields.get("volume"):
        where += f" {fields['volume']}" + (f"({fields['number']})" if fields.get("number") else "")
    if fields.get("pages"):
        where += f", {fields['pages']}"
    maker = fields.get("publisher") or fields.get("institution") or ""
    edition = f"edition {fields['edition']}" if fields.get("edition") else ""
    authors = fields.get("author", "").replace(" and ", "; ")
    parts = [authors, fields.get("title", ""), where, edition, maker, fields.get("year", "")]
    text = ". ".join(part.strip().rstrip(".") for part in parts if part.strip())
    text = re.sub(r"\{?\\(['\"`~^])\{?(\w)\}?\}?", lambda m: unicodedata.normalize("NFC", m[2] + _MARKS[m[1]]), text)
    text = re.sub(r"\{?\\ss\b\}?", "ß", text)
    text = text.replace("``", "“").replace("''", "”").replace("---", "–").replace("--", "–").replace("\\&", "&")
    note = f" ({fields['note']})" if fields.get("note") else ""
    return text.replace("{", "").replace("}", "") + "." + note


def _quoted(file: str) -> str:
    import shlex

    return shlex.quote(file)
