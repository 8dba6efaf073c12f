"""House rules about code that neither the linter nor the type checker knows."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.rules import house

IMPURE = {"datetime.now", "datetime.utcnow", "date.today", "time.time", "os.urandom", "random.random", "open"}


def test_import_contracts_hold() -> None:
    """Who may import whom is kept, as pyproject.toml states it."""
    done = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"],
        cwd=house.ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_files_are_short_enough_to_read_in_one_sitting() -> None:
    """No file of code is longer than 400 lines."""
    long = {
        house.name(path): count
        for path in house.files("app", "tests", "migrations")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400 and "versions" not in path.parts
    }
    assert not long


def test_functions_fit_a_screen() -> None:
    """No function in the application is longer than 60 lines."""
    long = {
        f"{house.name(path)}:{node.lineno} {node.name}": length
        for path in house.files("app")
        for node in ast.walk(house.tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (length := (node.end_lineno or 0) - node.lineno + 1) > 60
    }
    assert not long


def test_public_names_of_the_core_say_what_they_are() -> None:
    """Each public function and class of the core has a docstring."""
    bare = [
        f"{house.name(path)}:{node.lineno} {node.name}"
        for path in house.files("app/core")
        for node in house.tree(path).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and "overload" not in [ast.unparse(decorator) for decorator in node.decorator_list]
        and not ast.get_docstring(node)
    ]
    assert not bare


def test_core_reads_no_clock_file_or_random_state() -> None:
    """Functions of the core depend on their arguments alone."""
    impure = [
        f"{house.name(path)}:{node.lineno} {ast.unparse(node.func)}"
        for path in house.files("app/core")
        for node in ast.walk(house.tree(path))
        if isinstance(node, ast.Call) and _is_impure(ast.unparse(node.func))
    ]
    assert not impure


def _is_impure(called: str) -> bool:
    return called in IMPURE or ".".join(called.split(".")[-2:]) in IMPURE or called.startswith("np.random.rand")


def test_pages_and_api_leave_the_database_to_queries_and_actions() -> None:
    """No page or API module runs a statement of its own."""
    found = [
        house.name(path)
        for path in house.files("app/web/pages", "app/web/api")
        if ".execute(" in path.read_text(encoding="utf-8")
    ]
    assert not found


def test_page_modules_stand_alone() -> None:
    """No page module imports another one."""
    for folder in ("app/web/pages", "app/web/api"):
        package = folder.replace("/", ".")
        for path in house.files(folder):
            others = {module for module in house.imports(path) if module.startswith(f"{package}.")}
            assert not others, f"{house.name(path)} imports {others}"


def test_actions_do_not_call_actions() -> None:
    """One deed is one function; only the intake of whole tables and data sets puts deeds together.

    Shared is what every deed checks (`rules`, `ranges`, `settings`, `naming`) and taking a site in hand, which is part
    of other deeds (`taking`); corrections share what depends on a record and what hangs on it.
    """
    intake, shared = {"example", "tables", "datasets", "intake"}, {"rules", "ranges", "settings", "naming", "taking"}
    shared |= {"dependents", "correction_parts"}
    for path in house.files("app/actions"):
        if intake & {path.stem, path.parent.name}:
            continue
        others = {module.split(".")[2] for module in house.imports(path) if module.startswith("app.actions.")}
        assert others <= shared, f"{house.name(path)} imports {others - shared}"


def test_settings_enter_at_two_doors() -> None:
    """Only the web application's own modules and the command line read the settings."""
    for path in house.files("app"):
        if "app.settings" in house.imports(path):
            assert house.name(path).startswith(("app/cli/", "app/web/")), house.name(path)
            assert "pages" not in path.parts, house.name(path)


def test_nothing_is_left_open() -> None:
    """No reminder of unfinished work and no stub stands in the application."""
    marks = ["TO" + "DO", "FIX" + "ME", "XX" + "X", "NotImplemented" + "Error"]
    open_ends = [
        f"{house.name(path)}: {mark}"
        for path in house.files("app", "migrations")
        for mark in marks
        if mark in path.read_text(encoding="utf-8")
    ]
    assert not open_ends


@pytest.mark.parametrize("path", house.files("tests"), ids=house.name)
def test_each_test_says_what_it_holds(path: Path) -> None:
    """Every test has a docstring of its own."""
    bare = [
        f"{node.lineno} {node.name}"
        for node in ast.walk(house.tree(path))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert not bare
