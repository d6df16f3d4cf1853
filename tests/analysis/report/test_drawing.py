"""The drawing shows every part once and every point, and text from a file stays text."""

import re
from xml.etree import ElementTree

import pytest

from acquisition.configs import config_names
from analysis.app.cli import main
from analysis.chassis import load_chassis, parse_chassis
from analysis.report.drawing import chassis_svg
from analysis.report.wiring import Shown

HOSTILE = """
chassis: "</svg><script>alert(1)</script>"
tubes: {V1: 12AX7}
rails: {HT1: {volts: 300, source: 100}}
parts:
  R1: 1M    V1.2  gnd
  R2: 100k  HT1   V1.1
  R3: 1k5   V1.3  gnd
"""


@pytest.mark.parametrize("paper", [False, True])
@pytest.mark.parametrize("name", config_names("chassis"))
def test_every_part_is_drawn_once(name, paper):
    chassis = load_chassis(name)
    drawing = ElementTree.fromstring(chassis_svg(chassis, paper=paper))
    words = ["".join(e.itertext()) for e in drawing.iter() if e.tag.endswith("text")]
    drawn = [re.split(r" ", line)[0] for line in words]
    for part in chassis.parts:
        assert drawn.count(part) == 1, part


@pytest.mark.parametrize(
    ("measured_v", "verdict", "words"),
    [
        (251.3, "high", "▲ 251.3 V"),
        (120.4, "low", "▼ 120.4 V"),
        (191.2, "agrees", "✓ 191.2 V"),
        (171.5, "unclear", "? 171.5 V"),
    ],
)
def test_a_point_shows_measured_over_expected_with_a_sign(measured_v, verdict, words):
    chassis = parse_chassis(HOSTILE)
    svg = chassis_svg(chassis, {"V1.1": Shown(measured_v=measured_v, expected_v=190.0, verdict=verdict)})
    group = next(e for e in ElementTree.fromstring(svg).iter() if e.get("data-point") == "V1.1")
    assert ["".join(e.itertext()) for e in group] == ["V1.1", words, "190 V expected"]
    assert group.get("aria-label") == f"V1.1 plate, {measured_v} V, 190 V expected, {verdict}"


def test_hostile_text_stays_text():
    svg = chassis_svg(parse_chassis(HOSTILE))
    assert "<script" not in svg
    assert "alert(1)" in "".join(ElementTree.fromstring(svg).itertext())


def test_the_verb_writes_a_file(tmp_path, capsys):
    assert main(["draw", "quayside-five", "--out", str(tmp_path / "q.svg")]) == 0
    assert (tmp_path / "q.svg").read_text(encoding="utf-8").startswith("<svg")
    assert main(["draw", "quayside-five", "--out", str(tmp_path / "none" / "q.svg")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def size_on_paper(svg):
    width, height = (float(number) for number in ElementTree.fromstring(svg).get("viewBox").split()[2:])
    return min(180 / width, 215 / height)


@pytest.mark.parametrize("name", ["harbour-twenty", "quayside-five"])
def test_a_drawing_for_paper_is_larger_on_it(name):
    chassis = load_chassis(name)
    assert size_on_paper(chassis_svg(chassis, paper=True)) > 1.2 * size_on_paper(chassis_svg(chassis))
