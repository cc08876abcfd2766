"""The one-way imports of DEVELOPERS.md, section Layers, read from the syntax trees."""

from __future__ import annotations

import ast
import importlib.util
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LAYERS = {
    0: {"constants", "errors", "conventions", "limits"},
    1: {"air", "bands", "sphere", "spectra"},
    2: {"room", "loudspeaker"},
    3: {"scene", "placing", "response", "systems", "programme"},
    4: {"engines", "analysis", "files"},
    5: {"definitions", "settings"},
    6: {"studies"},
    7: {"report", "demo"},
    8: {"commands", "figures"},
    9: {"cli"},
    10: {"__main__"},
}
NUMBER = {name: number for number, names in LAYERS.items() for name in names}


def package_folder() -> Path:
    """The package under test, also where it is installed and not in the checkout."""
    spec = importlib.util.find_spec("roomsim")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent


def module_name(path: Path, folder: Path) -> str:
    parts = ("roomsim", *path.relative_to(folder).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(tree: ast.AST, module: str, is_package: bool, known: set[str]) -> Iterator[tuple[str, bool]]:
    """Modules of roomsim that a module imports anywhere, and whether for type checkers only."""
    typing_only = {
        id(inner)
        for node in ast.walk(tree) if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for part in node.body for inner in ast.walk(part)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = module.split(".")
            if node.level:
                base = base[: len(base) - node.level + (1 if is_package else 0)]
                base = base + (node.module.split(".") if node.module else [])
            else:
                base = (node.module or "").split(".")
            whole = ".".join(base)
            # `from .x import y` may name the module x.y
            targets = [f"{whole}.{a.name}" if f"{whole}.{a.name}" in known else whole for a in node.names]
        else:
            continue
        for target in targets:
            if target == "roomsim" or target.startswith("roomsim."):
                yield target, id(node) in typing_only


def graph(folder: Path) -> dict[str, list[tuple[str, bool]]]:
    files = {module_name(path, folder): path for path in sorted(folder.rglob("*.py"))}
    return {
        module: list(imports(ast.parse(path.read_text("utf-8")), module, path.name == "__init__.py", set(files)))
        for module, path in files.items() if path.name != "__init__.py"   # they only hand names on
    }


def top(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def offences(edges: dict[str, list[tuple[str, bool]]]) -> list[str]:
    found = []
    for module, targets in edges.items():
        for target, _ in targets:
            a, b = top(module), top(target)
            if b == "" or a == b:        # the root only hands names on; inside one package all is allowed
                continue
            if b not in NUMBER or a not in NUMBER:
                found.append(f"{module} -> {target}: no layer is known for it")
            elif NUMBER[b] > NUMBER[a]:
                found.append(f"{module} (layer {NUMBER[a]}) imports {target} (layer {NUMBER[b]})")
            elif NUMBER[b] == NUMBER[a] and ("." in module[8:] or "." in target[8:]):
                found.append(f"{module} imports {target}: packages of one layer do not know each other")
    return found


def circles(edges: dict[str, list[tuple[str, bool]]]) -> list[str]:
    """Circles of imports; what only type checkers see is no circle."""
    state: dict[str, int] = {}
    found: list[str] = []

    def visit(module: str, trail: list[str]) -> None:
        state[module] = 1
        for target, typing_only in edges.get(module, ()):
            if typing_only:
                continue
            if state.get(target) == 1:
                found.append(" -> ".join([*trail[trail.index(target):], target]))
            elif target not in state:
                visit(target, [*trail, target])
        state[module] = 2

    for module in edges:
        if module not in state:
            visit(module, [module])
    return found


def test_every_module_has_a_layer() -> None:
    names = {path.stem for path in package_folder().iterdir() if path.suffix == ".py" and path.stem != "__init__"}
    names |= {path.name for path in package_folder().iterdir() if (path / "__init__.py").is_file()}
    assert names <= set(NUMBER), f"give a layer to {sorted(names - set(NUMBER))}"


def test_imports_go_down_only() -> None:
    assert offences(graph(package_folder())) == []


def test_no_circles() -> None:
    assert circles(graph(package_folder())) == []


def test_the_walk_itself_finds_offences() -> None:
    tree = ast.parse("from ..studies.run import predict\nfrom ..files import sofa\nfrom .images import trace\n")
    known = {"roomsim.files.sofa", "roomsim.engines.images", "roomsim.studies.run"}
    edges = {"roomsim.engines.x": list(imports(tree, "roomsim.engines.x", False, known))}
    assert len(offences(edges)) == 2
    assert circles({"roomsim.a": [("roomsim.b", False)], "roomsim.b": [("roomsim.a", False)]})
    assert not circles({"roomsim.a": [("roomsim.b", False)], "roomsim.b": [("roomsim.a", True)]})


def test_independent_solvers_import_nothing_of_roomsim() -> None:
    for path in sorted((ROOT / "tests" / "independent").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        assert not list(imports(tree, "independent.x", False, set())), path
        relative = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level]
        assert not relative, path


def in_fresh_python(code: str) -> str:
    path = os.pathsep.join([str(package_folder().parent), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path}, check=True
    )
    return done.stdout.strip()


def test_import_is_light() -> None:
    allowed = {"numpy", "roomsim"}
    code = (
        "import sys, site; before = set(sys.modules); import roomsim\n"
        "new = {name.split('.')[0] for name in set(sys.modules) - before}\n"
        "print(' '.join(sorted(n for n in new if n not in sys.stdlib_module_names)))"
    )
    assert set(in_fresh_python(code).split()) <= allowed


@pytest.mark.parametrize("name", ["load", "predict", "report", "check", "open_result", "table", "seat_average_db"])
def test_public_names_load_when_used(name: str) -> None:
    assert in_fresh_python(f"import roomsim; print(callable(roomsim.{name}), '{name}' in dir(roomsim))") == "True True"


def test_report_stays_callable_once_its_package_is_imported() -> None:
    assert in_fresh_python("import roomsim, roomsim.report.style; print(callable(roomsim.report))") == "True"


def test_unknown_names_are_refused() -> None:
    import roomsim

    with pytest.raises(AttributeError, match="no_such_name"):
        roomsim.no_such_name  # noqa: B018
