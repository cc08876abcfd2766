"""Every key of a kind of file with what it means, from the schema: for people."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from .json_schema import schema

KIND_WORDS = {
    "room": "a room", "loudspeaker": "a loudspeaker design", "study": "a study", "materials": "a list of finishes",
    "measurement": "a measured directivity", "correction": "the correction of a chamber",
}
_NAME = "NAME"


class Key(NamedTuple):
    """One key.

    `place` is dotted: `channels.NAME[].at_m`, with NAME for a name of the user's own and [] for every entry of a list;
    `default` is empty where there is none, `required` says that the key must be there.
    """

    place: str
    what: str
    values: str
    default: str
    required: bool


def key_list(kind: str) -> list[Key]:
    """Every key of a kind of file, in the order of its schema.

    Raises
    ------
    InvalidValue : no such kind
    """
    whole = schema(kind)
    return list(_keys(whole, whole.get("$defs", {}), "", ()))


def key_text(kind: str) -> str:
    """The same as lines of text: place, values and default, meaning."""
    lines = []
    for key in key_list(kind):
        rule = ", ".join(x for x in (key.values, "needed" if key.required else "",
                                     f"default {key.default}" if key.default else "") if x)
        lines.append(f"{key.place}\n    {key.what[:1].upper()}{key.what[1:]}. {rule}".rstrip())
    return "\n".join(lines)


def _keys(node: dict[str, Any], defs: dict[str, Any], place: str, inside: tuple[str, ...]) -> Iterator[Key]:
    """The keys inside a node of the schema; a model inside itself is not followed again."""
    if "$ref" in node:
        name = node["$ref"].rsplit("/", 1)[1]
        if name not in inside:
            yield from _keys(defs[name], defs, place, (*inside, name))
        return
    for key, item in node.get("properties", {}).items():
        at = f"{place}.{key}".removeprefix(".")
        yield Key(at, item.get("description", ""), _values(item, defs), _default(item), key in node.get("required", ()))
        yield from _keys(item, defs, at, inside)
    if isinstance(node.get("additionalProperties"), dict) and "properties" not in node:
        yield from _keys(node["additionalProperties"], defs, f"{place}.{_NAME}".removeprefix("."), inside)
    if isinstance(node.get("items"), dict):
        yield from _keys(node["items"], defs, f"{place}[]", inside)
    for other in (*node.get("anyOf", ()), *node.get("oneOf", ())):
        yield from _keys(other, defs, place, inside)


def _values(item: dict[str, Any], defs: dict[str, Any]) -> str:
    """What a key may hold, in few words."""
    if "$ref" in item:
        return "keys below"
    for several in ("anyOf", "oneOf"):
        if several in item:
            return " or ".join(dict.fromkeys(_values(one, defs) for one in item[several]))
    if "enum" in item:
        return " / ".join(str(value) for value in item["enum"])
    if "const" in item:
        return str(item["const"])
    kind = item.get("type")
    if kind in ("number", "integer"):
        low, high = (item.get(key, item.get(f"exclusive{key.capitalize()}")) for key in ("minimum", "maximum"))
        word = "number" if kind == "number" else "whole number"
        if low is not None and high is not None:
            return f"{word}, {low:g} to {high:g}"
        return word + (f" from {low:g}" if low is not None else "")
    if kind == "array":
        if "prefixItems" in item:
            return f"list of {len(item['prefixItems'])}"
        inner = _values(item.get("items", {}), defs)
        return "list" if inner in ("", "keys below") else f"list of {inner.replace('number', 'numbers', 1)}"
    if kind == "object":
        return "names and values" if isinstance(item.get("additionalProperties"), dict) else "keys below"
    return {"string": "text", "boolean": "true / false"}.get(str(kind), "")


def _default(item: dict[str, Any]) -> str:
    """A default that is one value or a short list; inner defaults stand at the keys below."""
    value = item.get("default")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return f"{value:g}"
    if isinstance(value, list) and 0 < len(value) <= 4 and all(isinstance(x, (int, float, str)) for x in value):
        return "[" + ", ".join(str(x) for x in value) + "]"
    return value if isinstance(value, str) else ""
