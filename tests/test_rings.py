"""The drawing of the structure, enforced: rings, one door per outside library, what start-up may import."""

from __future__ import annotations

import ast
import socket
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import bringup

PACKAGE = Path(bringup.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
EDGES = {"files", "instruments", "simulation", "logbook", "terminal", "host", "pages"}

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
    "ruamel": ("files/full_yaml.py",),
    "pyvisa": ("instruments/visa_",),
    "pyvisa_py": ("instruments/visa_",),
    "serial": ("instruments/serial_library.py",),
    "rich": ("terminal/live.py",),
    "sqlite3": ("logbook/",),
    "sqlite_utils": ("logbook/",),
    "click": ("commands/",),
    "jinja2": ("pages/rendering.py",),
    "flask": ("pages/web.py",),
    "waitress": ("pages/web.py",),
    "markupsafe": ("pages/rendering.py",),
    "psycopg": ("logbook/server.py",),
    "matplotlib": ("commands/report_traces.py",),
    "scipy": ("core/distributions.py",),
    "pyarrow": ("commands/export_parquet.py",),
    "PIL": ("commands/report_photos.py",),
}
"""Outside library -> the modules (or folder) through which alone it comes in."""

STANDARD = sys.stdlib_module_names
IMPURE = {"os", "sys", "socket", "threading", "time", "subprocess", "random", "sqlite3", "pathlib", "io", "logging"}
"""Of the standard library, what the pure core must not import."""


@cache
def tree_of(path: Path) -> ast.Module:
    """The module, parsed."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports_of(path: Path) -> tuple[tuple[int, str], ...]:
    """Every module imported anywhere in the file, also inside functions, with its line."""
    return tuple(found_imports(path))


def found_imports(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree_of(path)):
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


def test_a_module_imports_only_from_its_ring_and_further_in() -> None:
    wrong = []
    for path in MODULES:
        allowed = MAY_IMPORT[ring_of(path)]
        for line, module in imports_of(path):
            parts = module.split(".")
            if parts[0] == "bringup" and parts[1:] != ["__version__"] and parts[1] not in allowed:
                wrong.append(f"{path}:{line}: {ring_of(path)} imports {module}")

    assert not wrong


def test_an_outside_library_comes_in_through_its_one_door() -> None:
    wrong = []
    for path in MODULES:
        for line, module in imports_of(path):
            top = module.split(".")[0]
            if top == "bringup" or (top in STANDARD and top not in DOORS):
                continue
            if not name_of(path).startswith(DOORS.get(top, ("nowhere",)) or ("nowhere",)):
                wrong.append(f"{path}:{line}: {top} is let in at {DOORS.get(top, 'no door')} only")

    assert not wrong


def test_the_core_has_no_input_output_or_clock() -> None:
    wrong = []
    for path in MODULES:
        if ring_of(path) != "core":
            continue
        wrong += [f"{path}:{line}: {module}" for line, module in imports_of(path) if module.split(".")[0] in IMPURE]
        wrong += [
            f"{path}:{node.lineno}: {node.func.id}()"
            for node in ast.walk(tree_of(path))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in {"open", "print", "input"}
        ]

    assert not wrong


def test_a_module_says_what_belongs_in_it() -> None:
    assert not [name_of(path) for path in MODULES if len(ast.get_docstring(tree_of(path)) or "") <= 30]


def test_a_module_can_be_read_at_one_sitting() -> None:
    lengths = {name_of(path): path.read_text(encoding="utf-8").count("\n") for path in MODULES}

    assert not {name: lines for name, lines in lengths.items() if lines > 310}


def test_the_table_of_rings_names_every_package() -> None:
    assert {ring_of(path) for path in MODULES} <= set(MAY_IMPORT)


LOOKED = "looked for garbage"


def loaded_by(*arguments: str) -> set[str]:
    """Top-level modules in memory after the command ended; LOOKED if Python looked for garbage since its start."""
    program = (
        "import gc, sys\nfrom bringup.commands.collecting import put_off\nput_off()\n"
        f"gc.callbacks.append(lambda *_: sys.modules.setdefault({LOOKED!r}, sys))\n"
        "from bringup.commands.main import main\n"
        f"main({list(arguments)!r})\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}), sep='\\n')"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120)
    return set(done.stdout.rsplit("LOADED\n", 1)[1].splitlines())


def test_help_imports_nothing_heavy() -> None:
    assert not loaded_by("--help") & {
        "pyvisa",
        "sqlite_utils",
        "numpy",
        "scipy",
        "matplotlib",
        "jinja2",
        "rich",
        "ruamel",
        "sqlite3",
        "quantiphy",
    }


def test_run_imports_nothing_before_its_first_message_that_can_wait(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as one, socket.create_server(("127.0.0.1", 0)) as other:
        ports = [server.getsockname()[1] for server in (one, other)]
    supply, meter = (f"resource: 'TCPIP0::127.0.0.1::{port}::SOCKET'" for port in ports)  # where nobody listens now
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        f"bench: Closed bench\nsupply: {{{supply}, dialect: select-by-number, outputs: {{VIN: 1}}}}\n"
        f"meter: {{{meter}, dialect: configure-and-read}}\n"
    )
    procedure = PACKAGE.parent / "procedures" / "first-power-on.yaml"

    loaded = loaded_by(
        *("run", str(procedure), "--serial", "MBL-0001", "--bench", str(bench)),
        *("--logbook", str(tmp_path / "new.db")),
    )

    assert {"click", "sqlite3", "pyvisa"} <= loaded, "it came as far as to the instruments"
    assert not loaded & {"ruamel", "quantiphy", "rich", "jinja2", "pickle", "statistics", "difflib", "numpy"}
    assert LOOKED not in loaded, "which takes a tenth of a start; see AT_START in commands/collecting.py"
