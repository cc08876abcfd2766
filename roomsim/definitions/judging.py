"""A document held against its schema; the rules between keys look at what is there, right or wrong."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from ..errors import Problem
from .fields import Model, problems_of
from .yaml_lines import Document

M = TypeVar("M", bound=Model)


def judged(model: type[M], document: Document) -> tuple[M | None, list[Problem]]:
    """The document as a model, or None and every key that breaks a rule."""
    try:
        return model.model_validate(document.data), []
    except ValidationError as error:
        return None, list(problems_of(error, model, document))


def part(model: type[M], data: Any) -> M | None:
    """A part of a document as its model, None where it breaks a rule (reported elsewhere)."""
    try:
        return model.model_validate(data)
    except ValidationError:
        return None


def at(data: Any, *where: str | int) -> Any:
    """What stands at a place of raw data, None where there is no such place."""
    for key in where:
        inside = key in data if isinstance(data, Mapping) else isinstance(data, list) and key in range(len(data))
        if not inside:
            return None
        data = data[key]
    return data


def mapping_at(data: Any, *where: str | int) -> Mapping[str, Any]:
    """The mapping at a place, empty where there is none."""
    found = at(data, *where)
    return found if isinstance(found, Mapping) else {}


def list_at(data: Any, *where: str | int) -> list[Any]:
    """The list at a place, empty where there is none."""
    found = at(data, *where)
    return found if isinstance(found, list) else []


def number_at(data: Any, *where: str | int) -> float | None:
    """The number at a place, None where there is none."""
    found = at(data, *where)
    return float(found) if isinstance(found, (int, float)) and not isinstance(found, bool) else None


def content_hash(
    model: Model, parts: Mapping[str, Any], leave_out: set[str] | Mapping[str, Any] | None = None
) -> str:
    """SHA-256 of what a definition says: not of its comments, spelling, order of keys or place on disk.

    Parameters
    ----------
    model : the judged definition; labels keep their order, since results are shown in it
    parts : hashes of the files it names
    leave_out : fields that `parts` stand for, as pydantic's `exclude` takes them
    """
    said = model.model_dump(mode="json", exclude=leave_out)
    text = json.dumps([type(model).__name__, said, parts], ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
