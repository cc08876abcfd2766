"""The kinds of value that definitions are made of, with limits, and pydantic's errors in our words."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, WithJsonSchema
from pydantic_core import PydanticCustomError

from ..errors import Problem, nearest
from .scalars import SCALE, number_cure
from .yaml_lines import Document, Path_

LABEL_LENGTH = 80
TEXT_LENGTH = 300


class Model(BaseModel):
    """A mapping in a file: no key but its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def refusal(rule: str, cure: str = "") -> PydanticCustomError:
    """To raise in a validator: the rule that a value breaks and what to write instead."""
    return PydanticCustomError("rule", "{rule}", {"rule": rule, "cure": cure})


def number(low: float, high: float, unit: str = "") -> Any:
    """A number from `low` to `high`; `unit` is what the key's name ends in."""
    rule = f"must be {low:g} to {high:g}" + (f" {_SPELT.get(unit, unit)}" if unit else "")

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise refusal(*_no_number(value, rule.replace("be ", "be a number, "), unit))
        if not low <= value <= high:                                   # NaN breaks it too
            raise refusal(rule, _slip(float(value), low, high, unit))
        return float(value)

    schema = {"type": "number", "minimum": low, "maximum": high}
    return Annotated[float, BeforeValidator(check), WithJsonSchema(schema)]


def whole(low: int, high: int) -> Any:
    """A whole number from `low` to `high`."""
    rule = f"must be a whole number, {low} to {high}"

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise refusal(*_no_number(value, rule, ""))
        if value != math.floor(value) or not low <= value <= high:
            raise refusal(rule)
        return int(value)

    schema = {"type": "integer", "minimum": low, "maximum": high}
    return Annotated[int, BeforeValidator(check), WithJsonSchema(schema)]


def angle(limit_deg: float) -> Any:
    """An angle in degrees from -limit to limit; telltale radians are refused."""
    degrees = number(-limit_deg, limit_deg, "°")

    def check(value: Any) -> Any:
        if isinstance(value, float) and (twelfth := _radians(value)):
            raise refusal("is in degrees", f"is this in radians? then write {15 * twelfth}")
        return value

    return Annotated[degrees, BeforeValidator(check)]


def name() -> Any:
    """A label, or a word that refers to one."""
    return text(LABEL_LENGTH, exact=True)


def text(length: int = TEXT_LENGTH, *, exact: bool = False) -> Any:
    """One line of text that is not empty; blanks at its ends are dropped, or refused where it must be `exact`."""

    def check(value: Any) -> str:
        if isinstance(value, bool):
            raise refusal("must be text", f"write '{str(value).lower()}' in quotes")
        if isinstance(value, (int, float)):
            raise refusal("must be text", f"write '{value}' in quotes")
        if not isinstance(value, str):
            raise refusal(*_no_value(value, "must be text"))
        return checked_text(value if exact else value.strip(), length)

    schema = {"type": "string", "minLength": 1, "maxLength": length}
    return Annotated[str, BeforeValidator(check), WithJsonSchema(schema)]


def checked_text(value: str, length: int) -> str:
    """`value`, refused where it is empty, long, or holds control characters or blanks at its ends."""
    if not value.strip():
        raise refusal("must not be empty")
    if value != value.strip():
        raise refusal("must not start or end with a blank")
    if len(value) > length:
        raise refusal(f"must be at most {length} characters")
    if not value.isprintable():
        raise refusal("must be one line without control characters")
    return value


def yes_no() -> Any:
    """true or false."""

    def check(value: Any) -> bool:
        if not isinstance(value, bool):
            word = value.strip().lower() if isinstance(value, str) else ""
            cure = {"yes": "write true", "on": "write true", "no": "write false", "off": "write false"}.get(word, "")
            raise refusal(*_no_value(value, "must be true or false", cure))
        return value

    return Annotated[bool, BeforeValidator(check), WithJsonSchema({"type": "boolean"})]


def choice(*names: str) -> Any:
    """One of a few words."""

    def check(value: Any) -> str:
        if value not in names:
            raise refusal(*_no_value(value, f"must be one of {', '.join(names)}"))
        return value

    return Annotated[str, BeforeValidator(check), WithJsonSchema({"type": "string", "enum": list(names)})]


def numbers(count: int, form: str, item: Any) -> Any:
    """A list of `count` numbers, written as `form`."""

    def check(value: Any) -> Any:
        if value is None or not isinstance(value, list):
            raise refusal(*_no_value(value, f"must be {count} numbers, {form}"))
        if len(value) != count:
            comma = "a decimal comma? write a point" if len(value) > count else ""
            raise refusal(f"must be {count} numbers, {form}", comma)
        return value

    kind = tuple[(item,) * count]  # type: ignore[misc]
    return Annotated[kind, BeforeValidator(check)]


def items(kind: Any, highest: int, what: str, *, unique: bool = False, lowest: int = 1) -> Any:
    """A list of `lowest` to `highest` of `kind`, called `what` in messages."""

    def check(value: Any) -> Any:
        if not isinstance(value, list):
            cure = f"write [{value}]" if isinstance(value, (str, int, float)) and not isinstance(value, bool) else ""
            raise refusal(*_no_value(value, f"must be a list of {what}", cure))
        if not lowest <= len(value) <= highest:
            raise refusal(f"must hold {lowest} to {highest} {what}")
        if unique and (twice := next((v for k, v in enumerate(value) if v in value[:k]), None)) is not None:
            raise refusal(f"holds {twice} twice")
        return value

    return Annotated[list[kind], Field(min_length=lowest, max_length=highest), BeforeValidator(check)]


def entries(kind: Any, highest: int, what: str) -> Any:
    """A mapping from 1 to `highest` labels to `kind`, called `what` in messages."""

    def check(value: Any) -> Any:
        if not isinstance(value, dict):
            raise refusal(*_no_value(value, f"must be a mapping, label: {what}"))
        if not 1 <= len(value) <= highest:
            raise refusal(f"must have 1 to {highest} entries, label: {what}")
        return value

    label = Annotated[str, BeforeValidator(lambda name: checked_text(name, LABEL_LENGTH))]
    return Annotated[dict[label, kind], Field(min_length=1, max_length=highest), BeforeValidator(check)]


def band_hz(name: str) -> float:
    """Midband of the name of a band: 125, 31.5, 1k, 1.25k.

    Raises
    ------
    ValueError : no such name
    """
    if not re.fullmatch(r"[0-9]{1,5}(\.[0-9]{1,3})?k?", name):
        raise ValueError(name)
    return float(name.removesuffix("k")) * (1000 if name.endswith("k") else 1)


def bands(low: float, high: float) -> Any:
    """A mapping from midbands in Hz to numbers."""

    def check(name: str) -> str:
        try:
            inside = 20 <= band_hz(name) <= 20000
        except ValueError:
            inside = False
        if not inside:
            raise refusal("must be the midband of an octave or third octave in Hz", "write 125, 1000 or 1k")
        return name

    def check_all(value: Any) -> Any:
        if not isinstance(value, dict) or not value:
            raise refusal(*_no_value(value, "must be a mapping, midband in Hz: number"))
        return value

    midband = Annotated[str, BeforeValidator(check)]
    return Annotated[dict[midband, number(low, high)], Field(min_length=1, max_length=40), BeforeValidator(check_all)]


def number_or_bands(low: float, high: float) -> Any:
    """One number for all frequencies, or a mapping from midbands to numbers; a mapping either way."""

    def check(value: Any) -> Any:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            if not low <= value <= high:
                raise refusal(f"must be {low:g} to {high:g}, or a mapping, midband in Hz: number")
            return {"1000": value}
        if not isinstance(value, dict) or not value:
            rule = f"must be a number, {low:g} to {high:g}, or a mapping, midband in Hz: number"
            raise refusal(*_no_value(value, rule))
        return value

    return Annotated[bands(low, high), BeforeValidator(check), WithJsonSchema({"anyOf": [
        {"type": "number", "minimum": low, "maximum": high},
        {"type": "object", "additionalProperties": {"type": "number", "minimum": low, "maximum": high}},
    ]})]


def maybe_empty(model: type[Model]) -> Any:
    """A mapping whose keys may all be missing; a key with nothing behind it means that."""
    return Annotated[model, BeforeValidator(lambda value: {} if value is None else value)]


def problems_of(error: ValidationError, model: type[Model], document: Document, under: Path_ = ()) -> Iterator[Problem]:
    """What pydantic found, as problems of the file, in its order."""
    for found in error.errors(include_url=False):
        where = tuple(part for part in found["loc"] if part != "[key]")
        value = found["input"] if found["type"] != "missing" and not isinstance(found["input"], (dict, list)) else None
        rule, cure = _in_words(found, model, where)
        yield document.problem((*under, *where), rule, value=value, cure=cure)


def _in_words(found: Any, model: type[Model], where: Path_) -> tuple[str, str]:
    kind, context = found["type"], found.get("ctx", {})
    holder = model_at(model, where[:-1]) if where else None
    if kind == "rule":
        return context["rule"], context["cure"]
    if kind == "missing":
        about = (holder.model_fields[str(where[-1])].description or "") if holder else ""
        return "is missing", about
    if kind == "extra_forbidden" and holder:
        key, known = str(where[-1]), list(holder.model_fields)
        if found["input"] is None and key.strip().isdigit():
            return "is not a key here", "a decimal comma? write a point"
        return "is not a key here", near(key, known) if known else "nothing may stand here yet"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        inner = model_at(model, where)
        keys = ", ".join(inner.model_fields) if inner else ""
        rule = f"must be a mapping with {keys}" if keys else "must be a mapping"
        first = next(iter(inner.model_fields), "") if inner else ""
        single = first and isinstance(found["input"], str) and (keys == first or first == "loudspeaker")
        return _no_value(found["input"], rule, f"write {{{first}: {found['input']}}}" if single else "")
    return str(found["msg"]), ""


def near(word: str, known: Sequence[str], most: int = 3) -> str:
    """A cure for an unknown word: the names like it, or all there are."""
    alike = difflib.get_close_matches(word.casefold(), known, most, 0.55)
    if not alike and len(known) <= 12:
        return "known: " + ", ".join(known)
    return "nearest: " + ", ".join(alike or nearest(word, known, most))


def model_at(model: type[Model], where: Path_) -> type[Model] | None:
    """The model that judges what stands at a place, None where that is no mapping of keys."""
    kind: Any = model
    for part in where:
        kind = _inner(kind)
        if isinstance(kind, type) and issubclass(kind, Model):
            if part not in kind.model_fields:
                return None
            kind = kind.model_fields[str(part)].annotation
        else:
            arguments = get_args(kind)
            if not arguments:
                return None
            kind = arguments[1] if get_origin(kind) is dict else arguments[0]
    kind = _inner(kind)
    return kind if isinstance(kind, type) and issubclass(kind, Model) else None


def _inner(annotation: Any) -> Any:
    """The type inside Annotated[…] and … | None."""
    while True:
        arguments = get_args(annotation)
        if get_origin(annotation) is Annotated:
            annotation = arguments[0]
        elif type(None) in arguments:
            annotation = next(kind for kind in arguments if kind is not type(None))
        else:
            return annotation


def _no_value(value: Any, rule: str, cure: str = "") -> tuple[str, str]:
    return (f"has no value; {rule}", cure) if value is None else (rule, cure)


def _no_number(value: Any, rule: str, unit: str) -> tuple[str, str]:
    if isinstance(value, str):
        return rule, number_cure(value, unit)
    return _no_value(value, rule, "true and false are no numbers" if isinstance(value, bool) else "")


_SPELT = {"°": "degrees"}

_UNIT_NAMES: dict[str, Sequence[tuple[str, Callable[[float], float]]]] = {
    "m": [("in millimetres", lambda v: v / 1000), ("in centimetres", lambda v: v / 100)],
    "": [("in percent", lambda v: v / 100)],
    "%": [("a fraction", lambda v: v * 100)],
    "Hz": [("in kilohertz", lambda v: v * 1000)],
    "ms": [("in microseconds", lambda v: v / 1000)],
    "°C": [("in kelvin", lambda v: v - 273.15), ("in Fahrenheit", lambda v: (v - 32) / 1.8)],
    "kPa": [("in hectopascals", lambda v: v / 10), ("in pascals", lambda v: v / 1000)],
    "°": [("a full turn too many", lambda v: v - math.copysign(360, v))],
}
assert set(_UNIT_NAMES) <= set(SCALE)


def _slip(value: float, low: float, high: float, unit: str) -> str:
    """Which other unit would make a value possible."""
    if value == 0 and low > 0:
        return ""
    likely = [
        f"{name} (then write {_short(read(value))})"
        for name, read in _UNIT_NAMES.get(unit, ()) if low <= read(value) <= high
    ]
    return f"is this {' or '.join(likely)}?" if likely else ""


def _short(value: float) -> str:
    return f"{round(value, 2 if abs(value) >= 10 else 4):g}"


def _radians(value: float) -> int:
    """k where a value is k·π/12 to the digits written (two for right angles, three for the others), else 0."""
    digits = len(repr(abs(value)).partition(".")[2])
    for twelfth in range(1, 13):
        wanted = 2 if twelfth in (6, 12) else 3
        if wanted <= digits <= 16 and math.isclose(abs(value), round(twelfth * math.pi / 12, digits), abs_tol=1e-12):
            return twelfth if value > 0 else -twelfth
    return 0

