"""Is what was kept still what today's code would give? A mark of all code that decides what a replication gives."""

from __future__ import annotations

import ast
import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

PACKAGE = Path(__file__).parents[1]
BEGINS_AT = "tailrace.replicate.task"
"""The module that carries out a replication: what it imports, at whatever remove, decides what that gives."""


@cache
def code_version() -> str:
    """The version of this package and a mark of the code that simulates, so that changed code finds nothing old."""
    return f"{version('tailrace')}+{mark_of(PACKAGE)}"


def mark_of(package: Path) -> str:
    """Eight hexadecimal digits that change with any file that decides what a replication gives."""
    mark = hashlib.sha256()
    for path in deciding_files(package):
        mark.update(str(path.relative_to(package)).encode() + b"\0" + path.read_bytes() + b"\0")
    return mark.hexdigest()[:8]


def deciding_files(package: Path) -> list[Path]:
    """Modules of the package that are imported by the one that simulates, and the data that lie beside them."""
    found: set[Path] = set()
    left = [BEGINS_AT]
    while left:
        path = _file_of(package, left.pop())
        # The front of the package names everything for its users, and decides nothing.
        if path is None or path in found or (path.parent == package and path.stem == "__init__"):
            continue
        found.add(path)
        # A module brings the packages it lies in.
        left += [".".join(("tailrace", *folder.parts)) for folder in path.relative_to(package).parents]
        left += _imported(path)
    folders = {path.parent for path in found}
    found |= {path for folder in folders for path in folder.glob("*.txt")}
    return sorted(found)


def _file_of(package: Path, module: str) -> Path | None:
    below = package.joinpath(*module.split(".")[1:])
    return next((path for path in (below.with_suffix(".py"), below / "__init__.py") if path.is_file()), None)


def _imported(path: Path) -> list[str]:
    """Names of what a module imports from this package, wherever in it; some are no modules."""
    names = []
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            names += [each.name for each in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [node.module, *(f"{node.module}.{each.name}" for each in node.names)]
    return [name for name in names if name.split(".")[0] == "tailrace"]
