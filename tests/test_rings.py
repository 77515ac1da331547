"""The drawing of the structure, enforced: rings, one door per outside library, what start-up may import."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import bringup

PACKAGE = Path(bringup.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
EDGES = {"files", "instruments", "simulation", "logbook", "terminal", "host"}

MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "core": {"errors", "core"},
    "runner": {"errors", "core", "runner"},
    # An edge knows the core, and of the runner what it implements; never another edge.
    **{edge: {"errors", "core", "runner", edge} for edge in EDGES},
    "commands": {"errors", "core", "runner", "commands", *EDGES},
    "__main__": {"commands"},
    "__init__": set(),
}
"""Ring or package -> what it may import of bringup; `bringup` itself (the version) is everybody's."""

DOORS: dict[str, tuple[str, ...]] = {
    "quantiphy": ("core/quantity.py",),
    "ruamel": ("files/nodes.py",),
    "pyvisa": ("instruments/visa_link.py",),
    "pyvisa_py": ("instruments/visa_link.py",),
    "serial": (),
    "rich": ("terminal/live.py",),
    "sqlite3": ("logbook/",),
    "sqlite_utils": ("logbook/",),
    "click": ("commands/",),
}
"""Outside library -> the modules (or folder) through which alone it comes in."""

STANDARD = sys.stdlib_module_names
IMPURE = {"os", "sys", "socket", "threading", "time", "subprocess", "random", "sqlite3", "pathlib", "io", "logging"}
"""Of the standard library, what the pure core must not import."""


def imports_of(path: Path) -> Iterator[tuple[int, str]]:
    """Every module imported anywhere in the file, also inside functions, with its line."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            module = node.module or ""
            if module == "bringup":
                yield from ((node.lineno, f"bringup.{alias.name}") for alias in node.names)
            else:
                yield node.lineno, module


def ring_of(path: Path) -> str:
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_imports_only_from_its_ring_and_further_in(path: Path) -> None:
    allowed = MAY_IMPORT[ring_of(path)]

    for line, module in imports_of(path):
        parts = module.split(".")
        if parts[0] != "bringup" or parts[1:] == ["__version__"]:
            continue
        assert parts[1] in allowed, f"{path}:{line}: {ring_of(path)} imports {module}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_an_outside_library_comes_in_through_its_one_door(path: Path) -> None:
    for line, module in imports_of(path):
        top = module.split(".")[0]
        if top == "bringup" or (top in STANDARD and top not in DOORS):
            continue
        assert top in DOORS, f"{path}:{line}: {top} is not among the libraries we use"
        assert name_of(path).startswith(DOORS[top]), f"{path}:{line}: {top} is let in at {DOORS[top]} only"


@pytest.mark.parametrize("path", [path for path in MODULES if ring_of(path) == "core"], ids=name_of)
def test_the_core_has_no_input_output_or_clock(path: Path) -> None:
    for line, module in imports_of(path):
        assert module.split(".")[0] not in IMPURE, f"{path}:{line}: {module} in the pure core"
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    opened = [call for call in calls if isinstance(call.func, ast.Name) and call.func.id in {"open", "print", "input"}]
    assert not opened, f"{path}:{opened[0].lineno}: input or output in the pure core"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_says_what_belongs_in_it(path: Path) -> None:
    docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))

    assert docstring is not None
    assert len(docstring) > 30


def test_the_table_of_rings_names_every_package() -> None:
    assert {ring_of(path) for path in MODULES} <= set(MAY_IMPORT)


def loaded_by(*arguments: str) -> set[str]:
    """Top-level modules in memory after the command ended."""
    program = (
        "import sys\nfrom bringup.commands.main import main\n"
        f"main({list(arguments)!r})\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=30)
    return set(done.stdout.rsplit("LOADED", 1)[1].split())


def test_help_imports_nothing_heavy() -> None:
    assert not loaded_by("--help") & {"pyvisa", "sqlite_utils", "numpy", "rich", "ruamel", "sqlite3", "quantiphy"}
