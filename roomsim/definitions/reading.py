"""Reading definition files and what they refer to, with every problem of all of them at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import DefinitionError, InvalidValue, Problem
from .changes import below, changed, parsed, unused
from .yaml_lines import Document, Path_, parse

if TYPE_CHECKING:
    from .correction_definition import CorrectionDefinition
    from .loudspeaker_definition import LoudspeakerDefinition
    from .materials import MaterialsDefinition
    from .measurement_definition import MeasurementDefinition
    from .room_definition import RoomDefinition
    from .study_definition import StudyDefinition

    Definition = (
        RoomDefinition | LoudspeakerDefinition | StudyDefinition | MaterialsDefinition | MeasurementDefinition
        | CorrectionDefinition
    )

KINDS = {
    "room": "room_definition", "loudspeaker": "loudspeaker_definition", "study": "study_definition",
    "materials": "materials", "measurement": "measurement_definition", "correction": "correction_definition",
}
"""First key of a file -> the module that judges it."""

Blame = Callable[[str, str], Problem]
"""Rule and cure -> a problem of the file that names another."""


def load(
    path: str | os.PathLike[str], kind: str | None = None, *, changes: Mapping[str | Path_, Any] | None = None,
    allow_outside: bool = False,
) -> Definition:
    """Read a definition and all the files that it names.

    Parameters
    ----------
    path : a YAML file
    kind : the kind it must be, one of KINDS; any by default
    changes : dotted key -> value that stands instead of what the files say (None takes a key away); keys go on into
        the files that are named: "places.sideboard.gap_m", "rooms.typical.patches[0].material",
        "designs.wide.loudspeaker.drivers.woofer.piston.radius_m". The files stay as they are
    allow_outside : let it name files outside its own folder

    Raises
    ------
    DefinitionError : every problem of every file, each with file, line, key, value, rule and cure

    Examples
    --------
    >>> study = roomsim.load(roomsim.write_demo("roomsim-demo"))
    >>> list(study.rooms), list(study.designs)
    (['small', 'typical', 'large'], ['narrow', 'wide'])
    >>> roomsim.load("roomsim-demo/study.yaml", changes={"seats.count": 5}).seats.count
    5
    """
    reader = Reader(Path(path), allow_outside=allow_outside)
    definition = reader.read(Path(path), os.fspath(path), kind, changes=parsed(changes))
    if reader.problems or definition is None:
        raise DefinitionError(in_order(reader.problems))
    return definition


def check(paths: Iterable[str | os.PathLike[str]], *, allow_outside: bool = False) -> list[Problem]:
    """All problems of all files, and of the files that they name.

    Parameters
    ----------
    paths : YAML files of any kind
    allow_outside : let them name files outside their own folders

    Returns
    -------
    each problem once, by file and line; empty where all is right

    Examples
    --------
    >>> roomsim.check([roomsim.write_demo("roomsim-demo")])
    []
    """
    problems: list[Problem] = []
    for path in paths:
        reader = Reader(Path(path), allow_outside=allow_outside)
        reader.read(Path(path), os.fspath(path))
        problems += reader.problems
    return in_order(problems)


def in_order(problems: list[Problem]) -> list[Problem]:
    """Each problem once, by file in the order of reading and by line within it."""
    once = {(str(problem)): problem for problem in problems}
    files = {problem.file: k for k, problem in reversed(list(enumerate(problems)))}
    return sorted(once.values(), key=lambda problem: (files[problem.file], problem.line or 0))


class Reader:
    """One reading of a file with all that it names; collects problems and reads each file once.

    Parameters
    ----------
    path : the file named by the user; its folder may not be left
    allow_outside : it may
    """

    def __init__(self, path: Path, *, allow_outside: bool) -> None:
        self.root = path.parent
        self.allow_outside = allow_outside
        self.problems: list[Problem] = []
        self._read: dict[tuple[Path, str | None, str], Any] = {}
        self._named: list[tuple[Document, Path_]] = []

    def read(
        self, path: Path, file: str, kind: str | None = None, blame: Blame | None = None,
        changes: Mapping[Path_, Any] | None = None,
    ) -> Any:
        """The definition in a file, None where it has problems (they are collected).

        `blame` makes the problem of a file that is not what is wanted one of the file that names it; `changes` stand
        instead of what the file says.
        """
        key = (path.resolve(), kind, repr(changes or {}))
        if key not in self._read:
            self._read[key] = None                     # a file that names itself ends here
            self._read[key] = self._define(path, file, kind, blame, changes or {})
        return self._read[key]

    def below(self, document: Document, where: Path_) -> dict[Path_, Any]:
        """Changes for the file that a document names at a place."""
        self._named.append((document, where))
        return below(document, where)

    def refer(self, document: Document, where: Path_, text: str, kind: str) -> Any:
        """The definition in a file that another file names."""
        path = self.locate(document, where, text)
        if path is None:
            return None

        def blame(rule: str, cure: str) -> Problem:
            return document.problem(where, rule, value=text, cure=cure)

        return self.read(path, beside(document, text), kind, blame, self.below(document, where))

    def locate(self, document: Document, where: Path_, text: str) -> Path | None:
        """The file that another file names, None where it is not to be had (the problem is collected)."""
        from .references import locate

        try:
            return locate(text, beside=document.path.parent, root=self.root, allow_outside=self.allow_outside)
        except InvalidValue as error:
            self.problems.append(document.problem(where, error.rule, value=text, cure=error.cure))
            return None

    def _define(
        self, path: Path, file: str, kind: str | None, blame: Blame | None, changes: Mapping[Path_, Any]
    ) -> Any:
        from .references import read_text

        def here(rule: str, cure: str) -> Problem:
            return Problem(key="", rule=rule, cure=cure, file=file)

        try:
            text = read_text(path)
        except InvalidValue as error:
            self.problems.append((blame or here)(error.rule, error.cure))
            return None
        document, problems = parse(text, file=file, path=path)
        self.problems += problems
        if document is None:
            return None
        document, misplaced = changed(document, changes)
        found = self._kind(document, kind, blame)
        if found is None:
            return None
        definition = import_module(f".{KINDS[found]}", __package__).define(document, self)
        misplaced += unused(document, {where for one, where in self._named if one is document})
        self.problems += misplaced
        return None if problems or misplaced else definition

    def _kind(self, document: Document, wanted: str | None, blame: Blame | None) -> str | None:
        first = next(iter(document.data), "")

        def here(rule: str, cure: str) -> Problem:
            return document.problem((first,) if first else (), rule, cure=cure)

        if first in KINDS:
            if wanted in (None, first):
                return first
            self.problems.append((blame or here)(f"is a {first} file, but a {wanted} file is wanted here", ""))
            return None
        later = [key for key in document.data if key in KINDS and wanted in (None, key)]
        cure = f"start with `{wanted}:`" if wanted else _near_kinds(first)
        cure = f"move `{later[0]}:` to the top" if later else cure
        self.problems.append(here("is no kind of file; the first key tells the kind", cure))
        return later[0] if later else None


def _near_kinds(first: str) -> str:
    from .fields import near

    return near(first, list(KINDS))


def beside(document: Document, text: str) -> str:
    """How messages call a file that a document names."""
    return os.path.normpath(os.path.join(os.path.dirname(document.file), text))
