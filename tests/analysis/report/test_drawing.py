"""The drawing shows every part once and every point, and text from a file stays text."""

import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from acquisition.configs import config_names, find_config
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


FIXED_BIAS = """
chassis: an output tube with its cathode on the chassis
tubes: {V1: EL84}
rails: {HT1: {volts: 250, source: 100}, BIAS: {volts: -8, source: 10k}}
parts:
  R1: 220k  V1.2  BIAS
  C1: 22n   IN    V1.2
  R2: 1M    IN    gnd
  T1: {transformer: [5k, 8], primary: [HT1, V1.7], secondary: [SPK, gnd]}
  RL: 8     SPK   gnd
joined: [[V1.9, HT1], [V1.3, gnd]]
signal: {input: IN, output: SPK}
"""


@pytest.mark.parametrize("layout", [{}, {"paper": True}], ids=str)
def test_a_cathode_on_the_chassis_gives_the_chassis_no_other_name(layout):
    """Load and input resistor had hung on the cathode, and the secondary had ended at a flag V1.3."""
    drawing = ElementTree.fromstring(chassis_svg(parse_chassis(FIXED_BIAS), **layout))
    words = ["".join(e.itertext()) for e in drawing.iter() if e.tag.endswith("text")]
    assert "V1.3" not in words
    assert words.count("gnd") >= 3, "ends of the secondary, of its load and of the input resistor"
    assert all(sum(line.split(" ")[0] == part for line in words) == 1 for part in ("R1", "C1", "R2", "T1", "RL"))


LAYOUTS = [{}, {"paper": True}, {"room_px": 350}, {"room_px": 1200}]
"""A file of its own, paper, a phone, a desk."""


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("name", config_names("chassis"))
def test_every_part_is_drawn_once(name, layout):
    chassis = load_chassis(name)
    drawing = ElementTree.fromstring(chassis_svg(chassis, **layout))
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
    svg = chassis_svg(
        chassis, {"V1.1": Shown(measured_v=measured_v, expected_v=190.0, verdict=verdict, said=verdict)}
    )
    group = next(e for e in ElementTree.fromstring(svg).iter() if e.get("data-point") == "V1.1")
    texts = [e for e in group if e.tag.endswith("text")]
    assert ["".join(e.itertext()) for e in texts] == ["V1.1", words, "190 V expected"]
    assert not any(e.get("stroke") for e in [group, *texts]), "a PDF holds words with an edge twice"
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


@pytest.mark.parametrize("ending", ["yaml", "yml"])
def test_the_file_is_called_as_the_chassis_file_is(tmp_path, monkeypatch, ending):
    monkeypatch.chdir(tmp_path)
    (tmp_path / f"my-amp.{ending}").write_text(find_config("chassis", "quayside-five").read_text("utf-8"), "utf-8")
    assert main(["draw", f"my-amp.{ending}"]) == 0
    assert (tmp_path / "my-amp.svg").exists()


def size_on_paper(svg):
    width, height = (float(number) for number in ElementTree.fromstring(svg).get("viewBox").split()[2:])
    return min(180 / width, 215 / height)


@pytest.mark.parametrize("name", ["harbour-twenty", "quayside-five"])
def test_a_drawing_for_paper_is_larger_on_it(name):
    chassis = load_chassis(name)
    assert size_on_paper(chassis_svg(chassis, paper=True)) > 1.2 * size_on_paper(chassis_svg(chassis))


TONE = """
chassis: Tone stack between two stages
tubes: {V1: 12AX7}
rails: {HT1: {volts: 290, source: 1k}}
parts:
  R1: 1M     IN    V1.2
  R2: 1M     V1.2  gnd
  R3: 1k5    V1.3  gnd
  R4: 100k   HT1   V1.1
  C1: 250p   V1.1  N1
  R5: 100k   V1.1  N2
  C2: 100n   N2    N3
  C3: 47n    N2    gnd
  R6: 220k   V1.1  N4
  C4: 1n     N4    gnd
  C5: 10n    V1.1  V1.7
  P1: {potentiometer: 250k, ends: [N1, N3], wiper: N5}
  R7: 1M     N5    gnd
  R8: 1M     V1.7  gnd
  R9: 1k5    V1.8  gnd
  L1: {inductor: 5, nodes: [HT1, HT2]}
  C6: 22u    HT2   gnd
  R10: 100k  HT2   V1.6
signal: {input: IN, output: V1.6, stages: {first: [V1.2, V1.1], second: [V1.7, V1.6]}}
"""


def placed(element, dx=0.0, dy=0.0):
    """Every element with where it stands on the sheet."""
    if move := re.search(r"translate\((\S+) (\S+)\)", element.get("transform", "")):
        dx, dy = dx + float(move[1]), dy + float(move[2])
    yield element, dx, dy
    for child in element:
        yield from placed(child, dx, dy)


def test_what_hangs_on_one_branch_of_a_plate_falls_on_no_other():
    boxes, wires = [], []
    for element, dx, dy in placed(ElementTree.fromstring(chassis_svg(parse_chassis(TONE)))):
        if element.tag.endswith("rect") and element.get("height") == "20":  # the flag of a node
            x, y, width = (float(element.get(name)) for name in ("x", "y", "width"))
            boxes.append((x + dx, y + dy, x + dx + width, y + dy + 20))
        elif element.tag.endswith("polyline"):
            points = [(float(x) + dx, float(y) + dy) for x, y in re.findall(r"(\S+),(\S+)", element.get("points"))]
            wires += [(start, end) for start, end in pairwise(points) if start != end]
    assert len(boxes) > 10
    for left, top, right, bottom in boxes:  # a wire may end at a flag and never goes through it
        for (x0, y0), (x1, y1) in wires:
            inside = min(x0, x1) < right - 1 and max(x0, x1) > left + 1
            inside &= min(y0, y1) < bottom - 1 and max(y0, y1) > top + 1
            assert not inside, (left, top, x0, y0, x1, y1)


def test_a_choke_has_its_unit():
    assert "L1 5 H" in chassis_svg(parse_chassis(TONE))


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("name", config_names("chassis"))
def test_what_a_point_reads_stands_beside_the_flags_and_not_on_them(name, layout):
    """Words as long as they come, a bold sign, digits and prefix over what is expected, and their white ground."""
    chassis = load_chassis(name)
    shown = {p: Shown(measured_v=-0.01758, expected_v=0.00799, verdict="agrees") for p in chassis.node_names}
    flags, grounds = [], []
    for element, dx, dy in placed(ElementTree.fromstring(chassis_svg(chassis, shown, **layout))):
        if element.tag.endswith("rect"):
            x, y, wide, high = (float(element.get(key)) for key in ("x", "y", "width", "height"))
            (flags if element.get("stroke") else grounds).append((dx + x, dy + y, dx + x + wide, dy + y + high))
    assert len(grounds) > 3
    for left, top, right, bottom in grounds:
        for x0, y0, x1, y1 in flags:
            assert min(right, x1) - max(left, x0) < 1 or min(bottom, y1) - max(top, y0) < 1, (left, top, x0, y0)


def test_a_winding_whose_second_end_carries_the_name_has_it_clear_of_the_flag_above():
    with open(load_chassis("quayside-five").path, encoding="utf-8") as file:
        text = file.read().replace("secondary: [SPK, gnd]", "secondary: [gnd, SPK]")
    shown = {"SPK": Shown(measured_v=-0.01758, expected_v=0.00799, verdict="agrees")}
    root = ElementTree.fromstring(chassis_svg(parse_chassis(text), shown))
    flags = [
        (dx + float(e.get("x")), dy + float(e.get("y")), float(e.get("width")))
        for e, dx, dy in placed(root)
        if e.tag.endswith("rect") and e.get("height") == "20"
    ]
    words = [
        (float(e.get("x")) + dx, float(e.get("y")) + dy, float(e.get("font-size")))
        for group, gx, gy in placed(root)
        if group.get("data-point") == "SPK"
        for e, dx, dy in placed(group, gx, gy)
        if e.tag.endswith("text")
    ]
    assert len(words) == 3
    for x, y, size in words:
        for left, top, width in flags:
            assert not (left - 40 < x < left + width and y - 0.8 * size < top + 20 and y > top), (x, y, left, top)


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("name", config_names("chassis"))
def test_no_wire_crosses_another_or_runs_through_the_words_beside_a_part(name, layout):
    wires, words = [], []
    for element, dx, dy in placed(ElementTree.fromstring(chassis_svg(load_chassis(name), **layout))):
        if element.tag.endswith("polyline"):
            points = [(float(x) + dx, float(y) + dy) for x, y in re.findall(r"(\S+),(\S+)", element.get("points"))]
            wires += [(start, end) for start, end in pairwise(points) if start != end]
        elif element.tag.endswith("text") and element.get("text-anchor") == "start":
            x, y, size = dx + float(element.get("x")), dy + float(element.get("y")), float(element.get("font-size"))
            words.append((x, y - 0.7 * size, x + 0.5 * size * len("".join(element.itertext())), y))
    level = [(min(x0, x1), max(x0, x1), y0) for (x0, y0), (x1, y1) in wires if y0 == y1]
    upright = [(x0, min(y0, y1), max(y0, y1)) for (x0, y0), (x1, y1) in wires if x0 == x1]
    crossings = [
        (x, y) for left, right, y in level for x, top, bottom in upright
        if left + 1 < x < right - 1 and top + 1 < y < bottom - 1
    ]  # fmt: skip
    assert crossings == []
    for x0, y0, x1, y1 in words:
        assert not [w for w in level if w[0] < x1 and w[1] > x0 and y0 < w[2] < y1], (x0, y0)
        assert not [w for w in upright if x0 < w[0] < x1 and w[1] < y1 and w[2] > y0], (x0, y0)


@pytest.mark.parametrize("name", config_names("chassis"))
def test_on_a_screen_as_many_sections_stand_in_a_row_as_its_width_takes(name):
    chassis = load_chassis(name)
    widths = [
        float(ElementTree.fromstring(chassis_svg(chassis, room_px=room)).get("width"))
        for room in (350, 1080, 1240, 9999)
    ]
    assert widths == sorted(widths)
    assert widths[0] < 850
    assert widths[1] <= 1.2 * 1080
    assert widths[2] <= 1.2 * 1240
    assert widths[3] == float(ElementTree.fromstring(chassis_svg(chassis)).get("width"))


@pytest.mark.parametrize("layout", LAYOUTS, ids=str)
@pytest.mark.parametrize("name", config_names("chassis"))
def test_no_words_stand_on_others(name, layout):
    """Every point read, words as long as they come; a letter is 0.56 of its height wide, a bold one 0.62 (from
    memory, of a common sans serif)."""
    chassis = load_chassis(name)
    shown = {p: Shown(measured_v=-0.01758, expected_v=0.00799, verdict="high") for p in chassis.node_names}
    words = []
    for element, dx, dy in placed(ElementTree.fromstring(chassis_svg(chassis, shown, **layout))):
        if not element.tag.endswith("text"):
            continue
        text, size = "".join(element.itertext()), float(element.get("font-size"))
        wide = size * len(text) * (0.62 if element.get("font-weight") else 0.56)
        x, y = dx + float(element.get("x")), dy + float(element.get("y"))
        left = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[element.get("text-anchor")]
        words.append((text, left, y - 0.72 * size, left + wide, y))
    on = [
        (a[0], b[0])
        for i, a in enumerate(words)
        for b in words[i + 1 :]
        if min(a[3], b[3]) - max(a[1], b[1]) > 1 and min(a[4], b[4]) - max(a[2], b[2]) > 1
    ]
    assert on == []
