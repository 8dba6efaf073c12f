"""House rules about the project as a whole: top level, words, addresses, templates."""

from __future__ import annotations

import re

from tests.rules import house

TOP_LEVEL = {
    ".ci",
    ".git",
    ".gitignore",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "app",
    "constraints.txt",
    "docker-compose.yml",
    "migrations",
    "pyproject.toml",
    "seed_data",
    "static",
    "tests",
}
TEMPLATES = "app/web/templates"
# Put together here, so that this file does not hold what it looks for.
MACHINE_PATHS = [f"/{folder}/" for folder in ("work", "root", "home")]
INDEX_HOSTS = ["pypi." + "org", "python" + "hosted", "registry." + "npmjs", "deb." + "debian"]


def _ignored() -> list[re.Pattern[str]]:
    lines = (house.ROOT / ".gitignore").read_text(encoding="utf-8").split()
    return [re.compile(re.escape(line.strip("/")).replace(r"\*", ".*") + "$") for line in lines]


def test_top_level_holds_little() -> None:
    """Whoever opens the project finds only what the layout names."""
    ignored = _ignored()
    extra = {
        path.name
        for path in house.ROOT.iterdir()
        if path.name not in TOP_LEVEL and not any(pattern.match(path.name) for pattern in ignored)
    }
    assert not extra


def test_readme_states_the_job_then_two_commands() -> None:
    """The first paragraph names what it is for; the first two code blocks are one line each."""
    readme = (house.ROOT / "README.md").read_text(encoding="utf-8")
    title, first, *_ = readme.split("\n\n")
    assert title == "# Marver"
    for word in ("microtoroid", "microsphere", "wafer", "fibre", "recipe", "Q"):
        assert word in first, word
    blocks = re.findall(r"```sh\n(.*?)```", readme, flags=re.DOTALL)
    assert [block.count("\n") for block in blocks[:2]] == [1, 1]
    assert "marver demo" in blocks[0]
    assert "pytest" in blocks[1]


def test_constraints_hold_no_address() -> None:
    """Versions are pinned without saying where packages are fetched from."""
    lines = (house.ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    odd = [line for line in lines if not line.startswith("#") and not re.fullmatch(r"[A-Za-z0-9._-]+==[\w.]+", line)]
    assert not odd


def test_no_file_tells_of_the_machine_it_was_written_on() -> None:
    """No absolute path of one machine and no package index stands in the project."""
    found = [
        f"{house.name(path)}: {word}"
        for path in house.own_text()
        for word in [*MACHINE_PATHS, *INDEX_HOSTS]
        if word in path.read_text(encoding="utf-8")
    ]
    assert not found


def test_interface_keeps_its_own_words() -> None:
    """Words that belong to other programs name nothing in the interface."""
    unwanted = re.compile(r"\bbench\b|\brun card|<h1[^>]*>\s*Today\b|<title>\s*Today\b", re.IGNORECASE)
    paths = [*house.files("app/web", "app/core", "app/charts"), *house.files(TEMPLATES, ending=".html")]
    paths += house.files("static", ending=".js")
    found = [house.name(path) for path in paths if unwanted.search(path.read_text(encoding="utf-8"))]
    assert not found


def test_templates_hold_no_inline_script_or_style() -> None:
    """The content security policy would stop them: scripts and styles come from files."""
    inline = re.compile(r"<style\b|\sstyle\s*=|\son[a-z]+\s*=|javascript:|hx-on|js:", re.IGNORECASE)
    script = re.compile(r"<script\b([^>]*)>", re.IGNORECASE)
    for path in house.files(TEMPLATES, ending=".html"):
        text = re.sub(r"\{#.*?#\}", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        assert not inline.search(text), f"{house.name(path)}: {inline.search(text)}"
        for attributes in script.findall(text):
            assert "src=" in attributes or "application/json" in attributes, house.name(path)


def test_templates_trust_no_text() -> None:
    """Autoescape is never switched off in a template."""
    for path in house.files(TEMPLATES, ending=".html"):
        text = path.read_text(encoding="utf-8")
        assert "autoescape" not in text, house.name(path)


def test_forms_say_how_they_are_sent() -> None:
    """Each form names its method, so that none changes anything by a link."""
    for path in house.files(TEMPLATES, ending=".html"):
        for attributes in re.findall(r"<form\b([^>]*)>", path.read_text(encoding="utf-8"), flags=re.IGNORECASE):
            assert re.search(r'method="(get|post)"', attributes), f"{house.name(path)}: <form{attributes}>"


def test_pages_load_nothing_from_elsewhere() -> None:
    """Scripts, styles, fonts and pictures are served by Marver itself."""
    elsewhere = re.compile(r"""(?:src|href)\s*=\s*["'](?:https?:)?//|@import|url\(\s*["']?(?:https?:)?//""")
    paths = [*house.files(TEMPLATES, ending=".html"), *house.files("static", ending=".css")]
    found = [house.name(path) for path in paths if elsewhere.search(path.read_text(encoding="utf-8"))]
    assert not found
