"""What the documents promise is there, and what is there is told in them."""

from __future__ import annotations

import re
import tomllib

from tests.rules import house


def test_every_setting_is_told() -> None:
    """Each environment variable that the application reads stands in the README."""
    readme = (house.ROOT / "README.md").read_text(encoding="utf-8")
    read = {name for path in house.files("app") for name in re.findall(r"\bMARVER_[A-Z_]+[A-Z]\b", path.read_text())}
    assert read
    assert {name for name in read if f"`{name}`" not in readme} == set()


def test_every_test_switch_is_told() -> None:
    """Each environment variable that the tests read stands in DEVELOPERS.md."""
    told = (house.ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    conftest = (house.ROOT / "tests/conftest.py").read_text(encoding="utf-8")
    assert {name for name in re.findall(r"MARVER_TEST_[A-Z_]+", conftest) if name not in told} == set()


def test_every_dependency_is_pinned_for_the_commands() -> None:
    """The constraints file names each dependency of the project, so that both commands install what was tested."""
    project = tomllib.loads((house.ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {re.split(r"[\[<>=~ ;]", line)[0].lower().replace("_", "-") for line in wanted}
    pinned = {
        line.split("==")[0].lower().replace("_", "-")
        for line in (house.ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    }
    assert names <= pinned
