"""Imports run one way, and what has to run without Linux imports nothing that only Linux has."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import backupctl

PACKAGE = Path(backupctl.__file__).parent

# Each layer, and the layers whose modules it may import. `backupctl` itself (its version) is open to all.
MAY_IMPORT = {
    "cli": {"cli", "operations", "board", "share", "formats", "domain"},
    "operations": {"operations", "board", "share", "formats", "domain"},
    "board": {"board", "formats", "domain"},
    "share": {"share", "formats", "domain"},
    "formats": {"formats", "domain"},
    "domain": {"domain"},
}

# What a pure value or decision has no use for: the outside world, or the clock (types from datetime are values).
IMPURE = {
    *("asyncio", "fcntl", "glob", "io", "mmap", "multiprocessing", "os", "pathlib", "pwd", "random", "secrets"),
    *("select", "shutil", "signal", "socket", "subprocess", "sys", "tempfile", "termios", "threading", "time"),
}

# Runs on any system with Python.
PORTABLE = tuple(
    f"backupctl.operations.{name}"
    for name in ("listing", "fleet.boards", "proving.verify", "restoring.restore", "picking.pick")
)

# Modules that the library reference marks "Availability: Unix", and ours about this machine but for these few.
PORTABLE_BOARD = {"__init__", "card_file", "descriptor", "host"}
LINUX_ONLY = (
    *("fcntl", "grp", "pwd", "resource", "termios"),
    *(f"backupctl.board.{path.stem}" for path in (PACKAGE / "board").glob("*.py") if path.stem not in PORTABLE_BOARD),
)


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE)


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Line and full name of every import in a module, wherever in it the import stands."""
    for node in ast.walk(ast.parse(path.read_text(), str(path))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: a relative import"
            # `from backupctl import domain` names a layer as well as `from backupctl.domain import ranges` does.
            yield from ((node.lineno, f"{node.module}.{name.name}") for name in node.names)


def test_every_module_is_in_a_layer() -> None:
    assert len(modules()) > len(MAY_IMPORT)
    assert {path.relative_to(PACKAGE).parts[0] for path in modules()} == set(MAY_IMPORT)


@pytest.mark.parametrize("layer", MAY_IMPORT)
def test_imports_run_one_way(layer: str) -> None:
    wrong = []
    for path in modules():
        if path.relative_to(PACKAGE).parts[0] != layer:
            continue
        for line, name in imported(path):
            top, *rest = name.split(".")
            if top == "backupctl" and rest[0] in MAY_IMPORT and rest[0] not in MAY_IMPORT[layer]:
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} imports {name}")
    assert wrong == []


def test_the_domain_is_pure() -> None:
    wrong = [
        f"{path.name}:{line} imports {name}"
        for path in sorted((PACKAGE / "domain").rglob("*.py"))
        for line, name in imported(path)
        if name.split(".")[0] in IMPURE
    ]
    assert wrong == []


def test_only_the_command_line_prints_or_exits() -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}: {ast.unparse(node.func)}"
        for path in modules()
        if path.relative_to(PACKAGE).parts[0] != "cli"
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("print", "exit", "quit", "sys.exit", "input")
    ]
    assert wrong == []


@pytest.mark.parametrize("module", PORTABLE)
def test_portable_modules_import_without_linux(module: str) -> None:
    assert importlib.util.find_spec(module) is not None
    # A name that stands in sys.modules as None fails to import, as a module that is not there does.
    program = f"import sys\nfor name in {LINUX_ONLY!r}: sys.modules[name] = None\nimport {module}\n"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
