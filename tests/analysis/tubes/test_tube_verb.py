"""``stagewalk tube`` from the outside."""

import json
import xml.etree.ElementTree as ElementTree

import pytest

from analysis.app.cli import main
from analysis.tubes import load_tube
from analysis.tubes.base_text import base_text


def run(capsys, *arguments):
    code = main(["tube", *arguments])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_sheet_of_a_twin_triode(capsys):
    code, out, _ = run(capsys, "ecc83", "--ascii")
    assert code == 0
    for text in (
        "12AX7, also ECC83",
        "#6# plate a",
        "series: 12.6 V 0.15 A between 4 and 5, 9 open",
        "parallel: 6.3 V 0.3 A between 4 joined to 5 and 9",
        "pins 1 (plate b), 6 (plate a)",
        "a (pins 6-7-8): triode",
        "design-centre",
        "Ia 1.2 mA (sheet 1.2, +0.1%)",
        "ECC83, E: 6.3 V heater; it is 6.3 V, halves in parallel",
        "Licensed practice and local codes come first",
    ):
        assert text in " ".join(out.split()), text
    assert out.isascii()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("12AX7", "plate dissipation, each section 1 W"),
        ("EL84", "plate dissipation 12 W"),
        ("6AT6", "plate dissipation 500 mW"),
    ],
)
def test_only_twins_speak_of_each_section(capsys, name, words):
    assert words in " ".join(run(capsys, name)[1].split())


def test_sheet_says_where_the_number_fails(capsys):
    _, out, _ = run(capsys, "6cg7")
    flat = " ".join(out.split())
    assert "7 elements, heater included; it is 8 counted from the pins. The rule fails here" in flat
    assert "pin 9 is a shield, not a heater tap" in flat


@pytest.mark.parametrize("name", ["GZ34", "6BE6", "6AT6", "EF86", "7591", "6L6GC"])
def test_every_kind_of_tube_prints_and_never_promises(capsys, name):
    code, out, _ = run(capsys, name)
    assert code == 0
    low = out.lower()
    for word in ("safe", "dead", "discharged", "isolated"):
        assert word not in low


def test_json_holds_pins_heater_limits_points(capsys):
    code, out, _ = run(capsys, "EL84", "--json")
    facts = json.loads(out)
    assert code == 0
    assert facts["tube"] == "EL84"
    assert facts["high_voltage_pins"] == [7, 9]
    assert facts["pins"][5]["tie_point"] is False
    assert facts["pins"][6] == {
        "pin": 7, "function": "plate", "section": "", "heater": False, "high_voltage": True, "tie_point": False,
        "place": "pin 7, seventh clockwise from the gap, seen from below",
    }  # fmt: skip
    assert facts["limits"]["cathode_a"] == pytest.approx(0.065)
    assert abs(facts["points"][0]["relative_error"]["plate_a"]) < 0.03
    assert facts["heater"][0]["text"] == "6.3 V 0.76 A between 4 and 5"


def test_text_of_a_file_cannot_steer_the_terminal(capsys, tmp_path):
    with open(load_tube("EL84").path, encoding="utf-8") as file:
        text = file.read().replace("tube: EL84", "tube: EL85").replace("aliases: [6BQ5, N709]\n", "")
    path = tmp_path / "EL85.yaml"
    path.write_text(text.replace("notes: >-\n", 'notes: "\\e[2J"\nunused: >-\n'), encoding="utf-8")
    code, out, err = run(capsys, str(path))
    assert code == 2
    assert "notes: control character U+001B is not allowed" in err
    assert "\x1b" not in out + err


def test_svg_is_written(capsys, tmp_path):
    target = tmp_path / "base.svg"
    code, out, _ = run(capsys, "EL34", "--svg", str(target))
    assert code == 0
    assert str(target) in out
    assert ElementTree.parse(target).getroot().get("viewBox")
    code, _, err = run(capsys, "EL34", "--svg", str(tmp_path / "none" / "base.svg"))
    assert code == 2
    assert "cannot be written" in err


def test_list_of_types(capsys):
    code, out, _ = run(capsys)
    assert code == 0
    assert {"12AX7", "EL84", "GZ34"} <= set(out.split())
    assert "12AX7" in json.loads(run(capsys, "--json")[1])["tubes"]


def test_unknown_type_is_the_users_mistake(capsys):
    code, _, err = run(capsys, "12AX77")
    assert code == 2
    assert "12AX77: unknown tube type" in err
    assert "12AX7" in err


def test_refit_prints_the_error_of_every_point(capsys):
    code, out, _ = run(capsys, "--refit", "12AX7")
    assert code == 0
    flat = " ".join(out.split())
    assert "mu 103.0" in flat
    assert "250 V, grid -2 V: Ia 1.2 mA (sheet 1.2," in flat
    assert "not written" in flat
    facts = json.loads(run(capsys, "--refit", "EL84", "--json")[1])
    assert facts["refits"][0]["constants"]["mu"] == pytest.approx(19.95, abs=0.02)


def test_refit_needs_a_type_and_write_needs_refit(capsys):
    assert run(capsys, "--refit")[0] == 2
    assert run(capsys, "12AX7", "--write")[0] == 2


@pytest.mark.parametrize("columns", [60, 80, 130])
def test_no_word_is_broken_by_a_narrow_terminal(capsys, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["tube", "12AX7"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= min(columns, 100)


def test_a_long_label_takes_two_lines_beside_its_pin():
    rows = base_text(load_tube("EL84")).splitlines()
    at = next(row for row, line in enumerate(rows) if "(3)" in line)
    assert "cathode and" in rows[at - 1]
    assert "suppressor (3)" in rows[at]
