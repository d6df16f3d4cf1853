"""Drawings of the base: every pin is there, marked by shape, in its place, and text cannot break out."""

import dataclasses
import math
import re
import xml.etree.ElementTree as ElementTree

import pytest

from analysis.tubes import load_tube, tube_names
from analysis.tubes.base import pin_angle_deg
from analysis.tubes.base_svg import base_svg
from analysis.tubes.base_text import base_text

SVG = "{http://www.w3.org/2000/svg}"
OKABE_ITO = {"#000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def numbers(root):
    return {
        int(text.text): (float(text.get("x")), float(text.get("y")))
        for text in root.iter(f"{SVG}text")
        if "number" in (text.get("class") or "")
    }


@pytest.mark.parametrize("name", tube_names())
def test_svg_has_every_pin_where_it_belongs(name):
    tube = load_tube(name)
    root = ElementTree.fromstring(base_svg(tube))
    assert root.get("viewBox")
    assert root.get("width") is None
    found = numbers(root)
    assert set(found) == set(tube.pins)
    cx, cy = 280.0, 238.0 + 6.3  # the base line of the numbers
    for pin, (x, y) in found.items():
        # Clockwise from the bottom of the sheet: the left side comes first.
        angle = math.degrees(math.atan2(-(x - cx), y - cy)) % 360.0
        assert angle == pytest.approx(pin_angle_deg(tube.base, pin), abs=0.2)


@pytest.mark.parametrize("name", ["12AX7", "GZ34", "6AU6", "6J5"])
def test_svg_marks_by_shape_and_stays_inside(name):
    tube = load_tube(name)
    text = base_svg(tube)
    root = ElementTree.fromstring(text)
    diamonds = re.findall(r'<path d="M[\d.]+ [\d.]+l2[59]', text)
    assert len(diamonds) == len(tube.high_voltage_pins)
    hatched = re.findall(r'stroke="#000" stroke-width="1.6"', text)
    assert len(hatched) == len(tube.heater_pins) + 1  # one in the legend
    width, height = (float(part) for part in root.get("viewBox").split()[2:])
    for span in [*root.iter(f"{SVG}tspan"), *root.iter(f"{SVG}text")]:
        if span.get("x") and span.text:
            assert 0 < float(span.get("x")) < width
            assert 0 < float(span.get("y")) < height
    fills = set(re.findall(r'fill="(#[0-9A-Fa-f]+)"', text)) - {"#fff"}
    assert fills <= OKABE_ITO


@pytest.mark.parametrize("name", tube_names())
def test_svg_labels_fit_beside_the_base(name):
    root = ElementTree.fromstring(base_svg(load_tube(name)))
    width = float(root.get("viewBox").split()[2])
    for text in root.iter(f"{SVG}text"):
        for span in text.iter(f"{SVG}tspan"):
            reach = 9.2 * len(span.text)  # a bold 15 px letter is about 9 wide
            x = float(span.get("x"))
            left = {"start": x, "middle": x - reach / 2, "end": x - reach}[text.get("text-anchor")]
            assert left > 0
            assert left + reach < width


def test_svg_marks_the_pin_to_touch():
    tube = load_tube("12AX7")
    plain, marked = base_svg(tube), base_svg(tube, highlight_pin=6)
    assert "var(--mark)" not in plain.replace(base_svg(tube).split("<style>")[1].split("</style>")[0], "")
    assert 'class="marked"' in marked
    assert "pin 6, sixth clockwise from the gap" in marked
    with pytest.raises(ValueError, match="pins 1 to 9"):
        base_svg(tube, highlight_pin=10)


def test_svg_escapes_what_the_file_says():
    tube = dataclasses.replace(load_tube("EL84"), name='<b>"&', basing="</svg>")
    text = base_svg(tube)
    assert "<b>" not in text
    assert ElementTree.fromstring(text).find(f"{SVG}title").text.startswith('Base of <b>"&')


def test_svg_has_no_identifiers_that_could_clash():
    assert " id=" not in base_svg(load_tube("GZ34"), 2)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("name", tube_names())
def test_terminal_drawing_names_every_pin(name, ascii_only):
    tube = load_tube(name)
    text = base_text(tube, ascii_only=ascii_only)
    assert text.isascii() or not ascii_only
    assert "seen from below" in text
    for pin in tube.pins.values():
        live = "[#◆]" if pin.is_high_voltage else "[~≈]" if pin.is_heater else ""
        assert re.search(rf"{live}{pin.number}", text), pin
        assert all(word in text for word in pin.label.split()), pin  # a long label takes two lines
    assert all(len(line) <= 80 for line in text.splitlines())
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_terminal_drawing_of_a_noval_base():
    assert base_text(load_tube("12AX7"), ascii_only=True).splitlines()[1:19] == [
        "                      ....~5~....",
        "          heater ~4~..           ..#6# plate a",
        "                ...                 ...",
        "              ..                       ..",
        "             ..                         ..",
        "  cathode b (3)                         (7) grid a",
        "            .            12AX7            .",
        "            .       seen from below       .",
        "            .                             .",
        "     grid b (2)    1 --> 9 clockwise    (8) cathode a",
        "             ..                         ..",
        "              ..                       ..",
        "                ...                 ...",
        "         plate b #1#..           ..~9~ heater tap",
        "                      ...  ^  ...",
        "                          gap",
        "",
        "#n# high voltage in normal service   ~n~ heater",
    ]


@pytest.mark.parametrize(("pin", "line"), [(6, "plate a <="), (3, "=> cathode b"), (5, "=> heater <=")])
def test_terminal_drawing_points_at_a_pin(pin, line):
    assert line in base_text(load_tube("12AX7"), pin, ascii_only=True)
    assert line not in base_text(load_tube("12AX7"), ascii_only=True)
