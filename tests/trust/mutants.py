"""Small changes to a module: what can be changed, and the module with the change put into the running program."""

from __future__ import annotations

import ast
import copy
import functools
import sys
import types
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

OPERATORS: dict[type, tuple[type, ...]] = {
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.Mult,), ast.MatMult: (ast.Mult,), ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE), ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.LtE), ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,), ast.And: (ast.Or,), ast.Or: (ast.And,), ast.USub: (ast.UAdd,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,), ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
}


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change: the number of the node in the walk of the module, what to put there, its lines, how it reads."""

    module: str
    node: int
    instead: Any
    line: int
    last: int
    what: str


def left_out(tree: ast.AST) -> set[int]:
    """Nodes whose change is no change of the physics: annotations, decorators, messages, imports for type checkers."""
    out: set[int] = set()

    def skip(node: ast.AST | None) -> None:
        if node is not None:
            out.update(id(inner) for inner in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, (ast.AnnAssign, ast.arg)):
            skip(node.annotation)
        elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            for decorator in node.decorator_list:
                skip(decorator)
            if isinstance(node, ast.FunctionDef):
                skip(node.returns)
        elif isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)) or (
                isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)):
            skip(node)
        elif (isinstance(node, ast.Assign) and isinstance(node.value, ast.BinOp)
              and isinstance(node.value.op, ast.BitOr)):
            skip(node)             # a union of types
    return out


def mutants(module: str, source: str) -> Iterator[Mutant]:
    """Every mutant of a module."""
    tree = ast.parse(source)
    skipped = left_out(tree)
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in skipped:
            continue
        line, last = getattr(node, "lineno", 0), getattr(node, "end_lineno", 0)
        if isinstance(node, (ast.BinOp, ast.BoolOp, ast.UnaryOp, ast.AugAssign)):
            for new in OPERATORS.get(type(node.op), ()):
                yield Mutant(module=module, node=number, instead=new, line=line, last=last,
                             what=f"{type(node.op).__name__} -> {new.__name__}")
            if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
                yield Mutant(module=module, node=number, instead="operand", line=line, last=last, what="not x -> x")
        elif isinstance(node, ast.Compare):
            for new in OPERATORS.get(type(node.ops[0]), ()):
                yield Mutant(module=module, node=number, instead=new, line=line, last=last,
                             what=f"{type(node.ops[0]).__name__} -> {new.__name__}")
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield Mutant(module=module, node=number, instead=not node.value, line=line, last=last,
                         what=f"{node.value} -> {not node.value}")
        elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
            value = node.value + 1 if isinstance(node.value, int) else node.value * 1.5 or 0.5
            yield Mutant(module=module, node=number, instead=value, line=line, last=last,
                         what=f"{node.value!r} -> {value!r}")


def mutated(source: str, mutant: Mutant) -> ast.Module:
    """The module's tree with the change in it."""
    tree = ast.parse(source)
    nodes = list(ast.walk(tree))
    node = nodes[mutant.node]
    if isinstance(node, ast.Compare):
        node.ops[0] = mutant.instead()
    elif isinstance(node, ast.Constant):
        node.value = mutant.instead
    elif mutant.instead == "operand":
        replaced = copy.copy(node.operand)
        for holder in nodes:
            for name, value in ast.iter_fields(holder):
                if value is node:
                    setattr(holder, name, replaced)
                elif isinstance(value, list):
                    setattr(holder, name, [replaced if one is node else one for one in value])
    else:
        node.op = mutant.instead()
    return ast.fix_missing_locations(tree)


# Into the running program ---------------------------------------------------------------------------------------------

def put_in(name: str, tree: ast.Module) -> bool:
    """Make a module that is loaded behave as the tree says, wherever its names went; whether anything differs.

    The tree runs as a module of its own; code and defaults of its functions and methods move into the loaded ones, so
    that every reference to those is changed, and plain values (numbers, text, arrays and what is made of them) replace
    the loaded ones in every module that imported them.
    """
    live = sys.modules[name]
    made = types.ModuleType(name)
    made.__dict__.update({key: live.__dict__[key] for key in ("__file__", "__package__", "__spec__", "__loader__")})
    sys.modules[name] = made                       # dataclasses look their module up
    try:
        exec(compile(tree, live.__file__, "exec"), made.__dict__)
    finally:
        sys.modules[name] = live
    different = False
    for key, new in vars(made).items():
        old = vars(live).get(key)
        if _plain(new) and _plain(old):
            if not _same(old, new):
                different = True
                setattr(live, key, new)
                for module in list(sys.modules.values()):
                    if key[0] != "_" and getattr(module, "__dict__", {}).get(key) is old:
                        setattr(module, key, new)
        elif getattr(new, "__module__", None) == name:
            different |= _move(old, new, name)
    return different


def _move(old: Any, new: Any, name: str) -> bool:
    """Move code and defaults of a function, or of all a class defines."""
    if isinstance(new, type):
        return any([_move(vars(old).get(key), value, name) for key, value in vars(new).items()])
    if isinstance(new, property):
        return _move(old.fget, new.fget, name)
    if isinstance(new, (staticmethod, classmethod)) or (callable(new) and hasattr(new, "__wrapped__")):
        return _move(old.__wrapped__, new.__wrapped__, name)
    if isinstance(new, functools.cached_property):
        return _move(old.func, new.func, name)
    if not isinstance(new, types.FunctionType) or not isinstance(old, types.FunctionType) or new.__module__ != name:
        return False
    same = (_code(old.__code__) == _code(new.__code__) and _same(old.__defaults__, new.__defaults__)
            and _same(old.__kwdefaults__, new.__kwdefaults__))
    old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__
    return not same


def _code(code: types.CodeType) -> tuple:
    """What a function does, as something that can be compared; constants by type too, since 1 == 1.0 == True."""
    inside = tuple(_code(one) if isinstance(one, types.CodeType) else repr(one) for one in code.co_consts)
    return code.co_code, inside, code.co_names


def _plain(value: Any) -> bool:
    if isinstance(value, (tuple, list)):
        return all(map(_plain, value))
    if isinstance(value, dict):
        return all(map(_plain, value.values()))
    return value is None or isinstance(value, (bool, int, float, complex, str, np.ndarray, np.generic))


def _same(one: Any, two: Any) -> bool:
    """Equal as code would see it."""
    if isinstance(one, np.ndarray) or isinstance(two, np.ndarray):
        return type(one) is type(two) and one.dtype == two.dtype and np.array_equal(one, two)
    if isinstance(one, (tuple, list)) and isinstance(two, (tuple, list)):
        return len(one) == len(two) and all(map(_same, one, two))
    if isinstance(one, dict) and isinstance(two, dict):
        return list(one) == list(two) and all(map(_same, one.values(), two.values()))
    return type(one) is type(two) and repr(one) == repr(two)
