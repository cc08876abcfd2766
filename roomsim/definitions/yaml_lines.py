"""YAML text to plain mappings that know the line of everything in them.

Built on the event stream of PyYAML's safe loader: no tags are obeyed, nothing is constructed but mappings,
lists, texts and numbers, and sizes are limited (roomsim.limits).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from ..errors import Problem, shown
from ..limits import Limits
from ..limits import limits as usual_limits
from .scalars import plain_scalar

Path_ = tuple[str | int, ...]
"""Where a value stands: mapping keys and list positions from the top."""


_START = "start with `room:`, `loudspeaker:`, `study:`, `measurement:`, `correction:` or `materials:`"


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One file, read but not yet judged.

    Attributes
    ----------
    file : as messages call it
    path : where it is
    data : the mapping at its top
    lines : place -> line, of the key for what has one
    changes : place -> value, for the files that it names; see changes.py
    """

    file: str
    path: Path
    data: dict[str, Any]
    lines: dict[Path_, int]
    changes: dict[Path_, Any] = field(default_factory=dict)

    def line(self, where: Path_) -> int:
        """Line of a value or, where it is missing, of what it is missing from."""
        while where and where not in self.lines:
            where = where[:-1]
        return self.lines.get(where, 1)

    def problem(self, where: Path_, rule: str, *, value: Any = None, cure: str = "") -> Problem:
        """A problem at a place in this file."""
        return Problem(
            key=dotted(where), value=value, rule=_printable(rule), cure=_printable(cure), file=self.file,
            line=self.line(where),
        )


def _printable(text: str) -> str:
    """On one line, whatever names of the file it quotes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def dotted(where: Path_) -> str:
    """`channels.left[0].at_m` for ("channels", "left", 0, "at_m")."""
    text = ""
    for part in where:
        text += f"[{part}]" if isinstance(part, int) else f".{_one_line(part)}"
    return text.removeprefix(".")


def parse(text: str, *, file: str, path: Path, limits: Limits | None = None) -> tuple[Document | None, list[Problem]]:
    """Read YAML text.

    Returns
    -------
    the document (None where the text cannot be read at all), and what is wrong with it so far
    """
    most = usual_limits() if limits is None else limits
    builder = _Builder(file, most)
    try:
        top = builder.build(text)
        if top is None:
            raise _Stop(None, "the file is empty", _START)
        if not isinstance(top, _Mapping):
            raise _Stop(top.line, "must be `key: value` lines", _START)
        data, lines = _plain(top, most)
    except _Stop as stop:
        problem = Problem(key=stop.key, value=stop.value, rule=stop.rule, cure=stop.cure, file=file, line=stop.line)
        return None, [*builder.problems, problem]
    return Document(file=file, path=path, data=data, lines=lines), builder.problems


class _Stop(Exception):
    """The text cannot be read further."""

    def __init__(self, line: int | None, rule: str, cure: str = "", key: str = "", value: Any = None) -> None:
        self.line, self.rule, self.cure, self.key, self.value = line, rule, cure, key, value


@dataclass(slots=True, eq=False)
class _Leaf:
    line: int
    value: Any


@dataclass(slots=True, eq=False)
class _List:
    line: int
    items: list[Any] = field(default_factory=list)
    closed: bool = False


@dataclass(slots=True, eq=False)
class _Mapping:
    line: int
    where: Path_
    entries: dict[str, tuple[int, Any]] = field(default_factory=dict)
    key: str | None = None
    key_line: int = 0
    closed: bool = False


_Node = _Leaf | _List | _Mapping


class _Builder:
    """Events to nodes, without recursion."""

    def __init__(self, file: str, limits: Limits) -> None:
        self.file, self.limits = file, limits
        self.problems: list[Problem] = []
        self.anchors: dict[str, _Node] = {}
        self.stack: list[_List | _Mapping] = []
        self.top: _Node | None = None
        self.count = 0

    def build(self, text: str) -> _Node | None:
        documents = 0
        try:
            for event in yaml.parse(text, Loader=yaml.SafeLoader):
                if isinstance(event, yaml.DocumentStartEvent):
                    documents += 1
                    if documents > 1:
                        raise _Stop(_line(event), "a second document starts here", "one file holds one definition")
                self._take(event)
        except yaml.MarkedYAMLError as error:
            raise _syntax(error, text) from None
        except yaml.reader.ReaderError as error:
            raise _unreadable(error, text) from None
        return None if isinstance(self.top, _Leaf) and self.top.value is None else self.top

    def _take(self, event: yaml.Event) -> None:
        if isinstance(event, yaml.NodeEvent) and not isinstance(event, yaml.AliasEvent):
            tag = getattr(event, "tag", None)
            if tag is not None:
                raise _Stop(_line(event), f"the tag {shown(tag)} is not read here", "leave tags out")
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event)
        elif isinstance(event, yaml.AliasEvent):
            node = self.anchors.get(event.anchor)
            if node is None or not getattr(node, "closed", True):
                raise _Stop(_line(event), f"*{event.anchor} has no value before this line", "write the value out")
            self._add(node, event)
        elif isinstance(event, yaml.SequenceStartEvent):
            self._open(_List(_line(event)), event)
        elif isinstance(event, yaml.MappingStartEvent):
            self._open(_Mapping(_line(event), self._where()), event)
        elif isinstance(event, (yaml.SequenceEndEvent, yaml.MappingEndEvent)):
            self.stack.pop().closed = True

    def _scalar(self, event: yaml.ScalarEvent) -> None:
        holder = self.stack[-1] if self.stack else None
        if isinstance(holder, _Mapping) and holder.key is None:
            self._key(holder, event)
            return
        value = plain_scalar(event.value) if event.style is None else event.value
        self._add(_Leaf(_line(event), value), event)

    def _key(self, holder: _Mapping, event: yaml.ScalarEvent) -> None:
        key, line = event.value, _line(event)
        if event.anchor:
            self.anchors[event.anchor] = _Leaf(line, key)
        if key == "<<" and event.style is None:
            raise _Stop(line, "`<<` is not read here", "write the keys out")
        if not key.strip():
            raise _Stop(line, "a key is missing before the colon")
        if key in holder.entries:
            first = holder.entries[key][0]
            self.problems.append(
                Problem(key=dotted((*holder.where, key)), file=self.file, line=line,
                        rule=f"is given twice, first in line {first}", cure="keep one of the two")
            )
        holder.key, holder.key_line = key, line

    def _open(self, node: _List | _Mapping, event: yaml.Event) -> None:
        self._add(node, event)
        self.stack.append(node)
        if len(self.stack) > self.limits.definition_depth:
            raise _Stop(_line(event), f"more than {self.limits.definition_depth} levels inside each other")

    def _add(self, node: _Node, event: Any) -> None:
        self.count += 1
        if self.count > self.limits.definition_values:
            raise _Stop(_line(event), f"more than {self.limits.definition_values} values in one file")
        if event.anchor and not isinstance(event, yaml.AliasEvent):
            self.anchors[event.anchor] = node
        if not self.stack:
            self.top = node
            return
        holder = self.stack[-1]
        if isinstance(holder, _List):
            holder.items.append(node)
        elif holder.key is None:
            raise _Stop(_line(event), "a key must be one word", "is a quote or a colon missing?")
        else:
            holder.entries.setdefault(holder.key, (holder.key_line, node))   # of duplicates the first stays
            holder.key = None

    def _where(self) -> Path_:
        """Place of the node that is about to be added."""
        where: Path_ = ()
        for holder in self.stack:
            if isinstance(holder, _List):
                where += (len(holder.items) - (holder is not self.stack[-1]),)
            elif holder.key is not None:
                where += (holder.key,)
            else:                              # already entered: its last key
                where += (next(reversed(holder.entries), ""),)
        return where


def _plain(top: _Mapping, limits: Limits) -> tuple[dict[str, Any], dict[Path_, int]]:
    """Nodes to plain data, aliases written out, and the line of every place."""
    lines: dict[Path_, int] = {}

    def convert(node: _Node, where: Path_, line: int) -> Any:
        lines[where] = line
        if len(lines) > limits.definition_values or len(where) > limits.definition_depth:
            raise _Stop(line, f"more than {limits.definition_values} values or {limits.definition_depth} levels once "
                              "aliases are written out")
        if isinstance(node, _Mapping):
            return {key: convert(item, (*where, key), at) for key, (at, item) in node.entries.items()}
        if isinstance(node, _List):
            return [convert(item, (*where, k), item.line) for k, item in enumerate(node.items)]
        return node.value

    return convert(top, (), top.line), lines


def _line(event: Any) -> int:
    return event.start_mark.line + 1


def _one_line(key: str) -> str:
    return shown(key)[1:-1] if not key.isprintable() or len(key) > 60 else key


_SYNTAX = (
    (r"found character '\\t'", "a tab stands where only blanks may", "indent with blanks"),
    (r"mapping values are not allowed", "a colon stands where none may",
     "is the line indented right? a text with a colon needs quotes"),
    (r"could not find expected ':'|expected ':'", "is no `key: value`", "is a colon, or the blank after it, missing?"),
    (r"but found ':'", "a key is missing before the colon", ""),
    (r"expected <block end>", "the indentation fits no line above", "align the keys of one mapping"),
    (r"quoted scalar found unexpected", "a quote is not closed", ""),
    (r"expected ',' or '[\]}]'", "a comma or a closing bracket is missing here or above", ""),
    (r"unknown escape|expected escape", "a backslash in double quotes means something else", "use single quotes"),
    (r"expected the node content|did not find expected node", "a value is missing", ""),
    (r"cannot start any token", "a value may not start with this character", "put the text in quotes"),
    (r"indentation|block entries", "the indentation fits no line above", "align the entries of one list"),
)

_FROM_THE_START = {"a quote is not closed", "is no `key: value`"}
"""Rules whose line is where the thing began, not where its end was missed."""


def _syntax(error: yaml.MarkedYAMLError, text: str) -> _Stop:
    told = f"{error.context or ''} {error.problem or ''}"
    begun = None if error.context_mark is None else error.context_mark.line + 1
    line = begun if error.problem_mark is None else error.problem_mark.line + 1
    lines = text.splitlines()
    if line is not None and line <= len(lines) and re.match(r" *\t", lines[line - 1]):
        return _Stop(line, _SYNTAX[0][1], _SYNTAX[0][2])
    if "'<stream end>'" in told and "flow" in told:
        return _Stop(begun, "the bracket that opens here is not closed")
    for pattern, rule, cure in _SYNTAX:
        if re.search(pattern, told):
            opens = f" (the bracket opens in line {begun})" if rule.startswith("a comma") and begun else ""
            return _Stop(begun if rule in _FROM_THE_START else line, rule + opens, cure)
    return _Stop(line, f"is no YAML ({shown(error.problem or 'unknown', 80)[1:-1]})")


def _unreadable(error: yaml.reader.ReaderError, text: str) -> _Stop:
    at = error.position if isinstance(error.position, int) else 0
    code = error.character if isinstance(error.character, int) else ord(error.character[:1] or "\0")
    return _Stop(text.count("\n", 0, at) + 1, f"holds a control character (U+{code:04X})", "is this a text file?")
