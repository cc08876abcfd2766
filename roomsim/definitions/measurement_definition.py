"""Measurements: what comes of the schema."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InvalidValue, RoomsimError
from ..loudspeaker.far_field import without_distance
from ..loudspeaker.measured import MeasuredDirectivity
from ..loudspeaker.measurement import MeasurementSetup
from ..loudspeaker.quality import summary
from .correction_definition import CorrectionDefinition, correction_at
from .data_files import hashed, joined_hash, placed, shown_path, told
from .judging import content_hash, judged, list_at, mapping_at, part
from .measurement import MeasuredModel, MeasurementModel, SetupModel, SofaModel
from .measurement_rules import between_keys
from .references import YAML_SUFFIXES, file_hash
from .yaml_lines import Document, Path_

if TYPE_CHECKING:
    from ..files.response_set import ResponseEntry
    from .reading import Reader

OPTION_NAMES = {"(measurement)": "(take)", "(source_position_is_direction)": "(turntable: true)"}
"""What a reader of AES69 calls its options -> how files call them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasurementDefinition:
    """A measured loudspeaker or driver.

    Attributes
    ----------
    name : label for people
    as_measured : at the measuring distance, corrected for the chamber where a correction is named
    directivity : the same with the distance removed as far as the data allow, for predictions
    source : the file
    files : all files that were read for it
    content_hash : of what they say
    """

    name: str
    as_measured: MeasuredDirectivity
    directivity: MeasuredDirectivity
    source: Path
    files: tuple[Path, ...]
    content_hash: str

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was measured, what was filled or assumed, what is not to be trusted: sentences for people."""
        return summary(self.directivity), *self.directivity.notes

    @property
    def drive_v(self) -> float | None:
        """Drive that levels are for, None where they are relative."""
        return self.directivity.drive_v if self.directivity.calibrated else None

    def corrected(self, correction: CorrectionDefinition) -> MeasurementDefinition:
        """The same with one more correction of the chamber.

        Raises
        ------
        InvalidValue : it was corrected before
        """
        measured = _corrected(self.as_measured, correction)
        return replace(
            self, as_measured=measured, directivity=without_distance(measured),
            files=(*self.files, *correction.files),
            content_hash=joined_hash(self.content_hash, correction.content_hash),
        )


def define(document: Document, reader: Reader) -> MeasurementDefinition | None:
    """The measurement in a document; problems go to the reader."""
    model, problems = judged(MeasurementModel, document)
    before = len(reader.problems)
    reader.problems += problems
    reader.problems += between_keys(document)
    named = _named(document, reader)
    correction = _correction(document, (), reader)
    sofa = document.data.get("sofa")
    if isinstance(sofa, str) and model is None:
        shown_path(reader, document, ("sofa",), sofa)
    if model is None or len(reader.problems) > before:
        return None
    if model.sofa is not None:
        return from_sofa(reader, document, (), "sofa", model, model.measurement, correction)
    measured = _set(model, document, reader, {k: path for k, (path, _) in named.items()})
    return _finished(
        measured, model, correction, document, ("files",), reader, name=model.measurement,
        files=[path for path, _ in named.values()],
        digest=content_hash(model, {"files": [
            [digest, *sorted(entry.model_dump(exclude={"file"}, exclude_none=True).items())]
            for entry, (_, digest) in zip(model.files, named.values(), strict=True)
        ]}, {"files", "correction"}),
    )


def measured_at(reader: Reader, document: Document, where: Path_, name: str) -> MeasurementDefinition | None:
    """What `measured` of a driver names: a measurement file, or an AES69 file with what is known of it."""
    said = mapping_at(document.data, *where[:-1])[where[-1]]
    model = part(MeasuredModel, {"file": said} if isinstance(said, str) else said)
    if model is None:
        return None
    if Path(model.file).suffix.lower() in YAML_SUFFIXES:
        return reader.refer(document, where, model.file, "measurement")
    key = "" if isinstance(said, str) else "file"
    return from_sofa(reader, document, where, key, model, name, _correction(document, where, reader))


def from_sofa(
    reader: Reader, document: Document, where: Path_, key: str, model: SofaModel, name: str,
    correction: CorrectionDefinition | None,
) -> MeasurementDefinition | None:
    """An AES69 file named at `key` of the mapping at `where` (at `where` itself without a key)."""
    from ..files.sofa import read_directivity

    place = (*where, key) if key else where
    text = model.sofa if isinstance(model, MeasurementModel) else model.file
    path = shown_path(reader, document, place, text)
    if path is None or (model.correction is not None and correction is None):
        return None
    try:
        measured = read_directivity(
            path, name, setup=setup_of(model), measurement=model.take, emitter=model.emitter,
            source_position_is_direction=model.turntable,
        )
    except RoomsimError as error:
        for rule, cure in told(error):
            for one, other in OPTION_NAMES.items():
                cure = cure.replace(one, other)
            reader.problems.append(document.problem(place, rule, value=text, cure=cure))
        return None
    digest = hashed(reader, document, place, text, path)
    return _finished(
        measured, model, correction, document, place, reader, name=name, files=[path],
        digest=content_hash(model, {"data": digest}, {"sofa", "file", "correction"}),
    )


def sofa_file(path: Path, name: str | None = None) -> MeasurementDefinition:
    """An AES69 file by itself.

    Raises
    ------
    RoomsimError : with file, key, rule and cure
    """
    from ..errors import DefinitionError
    from ..files.problems import with_file
    from ..files.sofa import read_directivity

    try:
        measured = read_directivity(path, name)
        usable = without_distance(measured)
    except InvalidValue as error:
        raise with_file(error, str(path)) from error
    except DefinitionError as error:
        known = [name for name in OPTION_NAMES if any(name in problem.cure for problem in error.problems)]
        if not known and not any("(emitter)" in problem.cure for problem in error.problems):
            raise
        hint = f"say so in a measurement file: measurement: …, sofa: {path.name}, emitter (or take, turntable): …"
        raise DefinitionError([replace(problem, cure=hint) for problem in error.problems]) from error
    return MeasurementDefinition(
        name=measured.name, as_measured=measured, directivity=usable, source=path, files=(path,),
        content_hash=file_hash(path),
    )


def setup_of(said: SetupModel) -> MeasurementSetup:
    """The same in the words of the readers."""
    from ..air import Air

    delay = said.delay_ms / 1e3 if said.delay_ms is not None else said.delay or "auto"
    same = ("mounting", "coverage", "distance_m", "drive_v", "sensitivity_db", "acoustic_centre_m", "radius_m",
            "low_hz", "high_hz", "far_field", "fill")
    return MeasurementSetup(
        delay=delay, speed_m_s=Air(temperature_c=said.temperature_c).speed_m_s,
        **{key: getattr(said, key) for key in same},
    )


def _named(document: Document, reader: Reader) -> dict[int, tuple[Path, str]]:
    """Files of the entries: number -> path and hash."""
    found = {}
    for k, entry in enumerate(list_at(document.data, "files")):
        where: Path_ = ("files", k, "file")
        text = mapping_at(entry).get("file")
        if isinstance(text, str) and text and "\\" not in text:
            path = shown_path(reader, document, where, text)
            if path is not None:
                found[k] = path, hashed(reader, document, where, text, path)
    return found


def _correction(document: Document, where: Path_, reader: Reader) -> CorrectionDefinition | None:
    text = mapping_at(document.data, *where).get("correction")
    if not isinstance(text, str) or not text or "\\" in text:
        return None
    return correction_at(reader, document, (*where, "correction"), text)


def _set(
    model: MeasurementModel, document: Document, reader: Reader, paths: Mapping[int, Path]
) -> MeasuredDirectivity | None:
    from ..files.response_set import read_response_set
    from ..loudspeaker.impulse import Gate

    gate = model.gate
    try:
        return read_response_set(
            [_entry(entry, paths[k]) for k, entry in enumerate(model.files)],
            name=model.measurement, setup=setup_of(model), file=document.file,
            gate=None if gate is None else Gate(
                length_s=None if gate.length_ms is None else gate.length_ms / 1e3, lead_s=gate.lead_ms / 1e3,
                fade=gate.fade,
            ),
            pascal_per_unit=1.0 if model.pascal_per_unit is None else model.pascal_per_unit,
        )
    except RoomsimError as error:
        keys: dict[str, Path_] = {key: (key,) for key in MeasurementModel.model_fields}
        keys |= {"gate length_s": ("gate", "length_ms")}
        if "low_hz" not in document.data:
            keys["low_hz"] = ("gate",)
        labels: dict[str, Path_] = {str(path): ("files", k) for k, path in paths.items()}
        found = placed(error, document, keys, labels, ("files",))
        if gate is None:
            found = [replace(one, cure=one.cure.replace("use a longer gate", "lower it")) for one in found]
        reader.problems += found
        return None


def _entry(said: object, path: Path) -> ResponseEntry:
    from ..files.response_set import ResponseEntry

    keys = ("azimuth_deg", "elevation_deg", "orbit", "angle_deg")
    return ResponseEntry(path=path, **{key: getattr(said, key) for key in keys})


def _finished(
    measured: MeasuredDirectivity | None, model: SetupModel, correction: CorrectionDefinition | None,
    document: Document, where: Path_, reader: Reader, *, name: str, files: list[Path], digest: str,
) -> MeasurementDefinition | None:
    if measured is None or (model.correction is not None and correction is None):
        return None
    try:
        if correction is not None:
            measured = _corrected(measured, correction)
        usable = without_distance(measured)
    except InvalidValue as error:
        key = "correction" if error.key == "correction" else "distance_m"
        at = ((*where[:-1], key) if where and where[-1] in ("file", "files", "sofa") else (*where, key))
        reader.problems.append(document.problem(at, error.rule, value=error.value, cure=error.cure))
        return None
    return MeasurementDefinition(
        name=name, as_measured=measured, directivity=usable, source=document.path,
        files=tuple(dict.fromkeys([document.path, *files, *(correction.files if correction else ())])),
        content_hash=joined_hash(digest, correction.content_hash) if correction else digest,
    )


def _corrected(data: MeasuredDirectivity, correction: CorrectionDefinition) -> MeasuredDirectivity:
    if data.level_uncertainty_db is not None:
        raise InvalidValue("correction", correction.name, "the data were corrected before: they carry its uncertainty",
                           "take the correction out")
    return correction.correction.apply(data)
