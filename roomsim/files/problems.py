"""Problems of a file: the file's name is added where only the value was known."""

from __future__ import annotations

from dataclasses import replace

from ..errors import DefinitionError, InvalidValue, Problem, RoomsimError


def with_file(error: RoomsimError, file: str, line: int | None = None) -> DefinitionError:
    """The same problems with the file they stand in."""
    problems: list[Problem] = []
    if isinstance(error, DefinitionError):
        problems = [
            replace(one, file=one.file or file, line=line if one.line is None else one.line) for one in error.problems
        ]
    elif isinstance(error, InvalidValue):
        problems = [Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure, file=file, line=line)]
    else:
        problems = [Problem(key="", rule=str(error), file=file, line=line)]
    return DefinitionError(problems)
