"""Where the rules look: the project's own files, and their syntax trees."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
OWN_FOLDERS = (".ci", "app", "migrations", "seed_data", "static", "tests")
TEXT = {".py", ".md", ".toml", ".yml", ".html", ".txt", ".css", ".js", ".mako", ".json", ".svg", ".xml"}


def files(*folders: str, ending: str = ".py") -> list[Path]:
    """The project's files of one ending, without what tools leave behind or others wrote."""
    found = [path for folder in folders for path in (ROOT / folder).rglob(f"*{ending}")]
    return sorted(path for path in found if not {"__pycache__", "_bundled", "vendor"} & set(path.parts))


def own_text() -> list[Path]:
    """Every text file that the project itself wrote, top level included."""
    top = [path for path in ROOT.iterdir() if path.is_file() and path.suffix in TEXT]
    deep = [path for folder in OWN_FOLDERS for path in (ROOT / folder).rglob("*") if path.is_file()]
    own = [path for path in deep if path.suffix in TEXT or path.parent.name == ".ci"]
    return sorted(path for path in [*top, *own] if not {"__pycache__", "_bundled", "vendor"} & set(path.parts))


def name(path: Path) -> str:
    """The path as a person names it."""
    return path.relative_to(ROOT).as_posix()


@cache
def tree(path: Path) -> ast.Module:
    """The file's syntax tree."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imports(path: Path) -> set[str]:
    """Modules that a file imports, `from a import b` as both `a` and `a.b`."""
    found: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found
