"""Imports run one way: analysis to acquisition, and inside each package from right to left of its list."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ORDER = {
    "acquisition": [
        ["records", "errors", "quantities", "clock", "signals"],
        ["configs", "config_words"],
        ["scpi"],
        ["transport"],
        ["instruments"],
        ["steady", "probing"],
        ["watching"],
        ["capture"],
        ["store"],
        ["simulated"],
    ],
    "analysis": [
        ["uncertainty", "sinefit", "gain", "spectrum", "response", "headroom", "balance", "work", "probes"],
        ["tubes"],
        ["circuit"],
        ["chassis"],
        ["judge", "faults", "idle"],
        ["inference"],
        ["suspects", "estimate", "compare", "trend"],
        ["report"],
        ["app"],
    ],
}
# What the analysis may use of acquisition outside its top room: plain data only.
PLAIN = {"records", "errors", "quantities", "configs", "clock"}


def rank(package: str, room: str) -> int:
    for index, rooms in enumerate(ORDER[package]):
        if room in rooms:
            return index
    pytest.fail(f"{package}/{room} is in no room of the list in DEVELOPERS.md")


def imported(path: Path):
    package_parts = path.relative_to(ROOT).with_suffix("").parts
    here = package_parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name.split("."), node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = list(here[: len(here) - node.level + 1]) if node.level else []
            base += node.module.split(".") if node.module else []
            for alias in node.names:
                yield [*base, alias.name], node.lineno


SOURCES = sorted(p for package in ORDER for p in (ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_follow_the_order(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    package, room = parts[0], parts[1]
    if room == "__init__":
        return
    mine = rank(package, room)
    for names, line in imported(path):
        if names[0] not in ORDER or len(names) < 2:
            continue
        where = f"{path.relative_to(ROOT)}:{line} imports {'.'.join(names)}"
        if names[0] != package:
            assert package == "analysis", f"{where}: acquisition never imports analysis"
            assert room == "app" or names[1] in PLAIN, f"{where}: only app may reach into the bench"
        elif names[1] != room:
            theirs = rank(package, names[1])
            same_group = theirs == mine
            assert theirs < mine or same_group, f"{where}: imports run leftwards only"


def test_top_level_holds_only_what_the_design_names():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "acquisition", "analysis", "tests", "configs"}
    import subprocess

    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in listed}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_no_files_import_each_other_in_a_circle():
    """Late imports and imports for types count: whoever reads one file of a circle has to read them all."""
    names = {".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p for p in SOURCES}
    needs = {
        name: {known for parts, _ in imported(path) if (known := _file_of(parts, names)) and known != name}
        for name, path in names.items()
    }
    while True:
        used = set().union(*needs.values())
        left = {name: of for name, of in needs.items() if of & needs.keys() and name in used}
        if left == needs:
            break
        needs = left
    assert not needs, f"in a circle, or between two: {sorted(needs)}"


def _file_of(parts, names):
    whole, without = ".".join(parts), ".".join(parts[:-1])
    return whole if whole in names else without if without in names else None
