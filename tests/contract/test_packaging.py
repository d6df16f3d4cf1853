"""The two packages and the serial library are the ones we mean, and the documents agree with the code."""

import re
from importlib import metadata
from pathlib import Path

import serial

from analysis.app.cli import VERBS

ROOT = Path(__file__).resolve().parents[2]


def test_only_this_distribution_owns_the_packages():
    owners = metadata.packages_distributions()
    assert set(owners.get("acquisition", [])) <= {"stagewalk"}
    assert set(owners.get("analysis", [])) <= {"stagewalk"}


def test_serial_is_pyserial():
    assert hasattr(serial, "serial_for_url")


def test_every_verb_has_a_module_and_stands_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for verb in VERBS:
        name = "import_" if verb == "import" else verb
        assert (ROOT / "analysis" / "app" / "verbs" / f"{name}.py").is_file(), verb
        assert re.search(rf"stagewalk {verb}\b", readme), f"README does not show {verb}"


def test_no_file_is_longer_than_a_person_reads():
    long = []
    for package in ("acquisition", "analysis"):
        for path in (ROOT / package).rglob("*.py"):
            lines = len(path.read_text(encoding="utf-8").splitlines())
            if lines > 450:
                long.append(f"{path.relative_to(ROOT)}: {lines}")
    assert not long
