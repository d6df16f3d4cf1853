"""Types as data: names, aliases, relatives, mistakes in a file."""

import re
import shutil
from pathlib import Path

import pytest

from acquisition.configs import config_roots
from acquisition.errors import ConfigError
from analysis.tubes import load_tube, tube_names
from analysis.tubes.schema import read_tube_file

SHIPPED = config_roots()[-1] / "tubes"


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A user's own folder of tubes, in front of the shipped ones."""
    folder = tmp_path / "tubes"
    folder.mkdir()
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path))
    return folder


def altered(own, name, *changes, source="12AX7"):
    text = (SHIPPED / f"{source}.yaml").read_text(encoding="utf-8").replace(f"tube: {source}", f"tube: {name}")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = own / f"{name}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", tube_names())
def test_every_type_loads_and_so_do_its_aliases(name):
    tube = load_tube(name)
    assert tube.name == name
    for alias in tube.aliases:
        assert load_tube(alias) is tube
        assert load_tube(alias.lower()) is tube
    assert tube.sections
    assert all(section.electrodes["plate"] or section.electrodes["diode plate"] for section in tube.sections[:1])
    assert set(tube.high_voltage_pins) >= {p.number for p in tube.pins.values() if "plate" in p.functions}
    assert tube.source


def test_no_alias_is_claimed_twice():
    seen = {}
    for name in tube_names():
        tube = load_tube(name)
        for each in (tube.name, *tube.aliases, *tube.relatives):
            assert each not in seen, f"{each} in {name} and {seen[each]}"
            seen[each] = name


def test_names_with_hyphens_and_double_marks():
    assert load_tube("6l6-gc").name == "6L6GC"
    assert load_tube("EL84 / 6BQ5").name == "EL84"
    with pytest.raises(ConfigError):
        load_tube("EL84/12AX7")


def test_unknown_type_names_the_nearest():
    with pytest.raises(ConfigError, match="12AX8: unknown tube type") as caught:
        load_tube("12AX8")
    assert "12AX7" in caught.value.hint
    with pytest.raises(ConfigError) as caught:
        load_tube("qqqq")
    assert caught.value.hint == "stagewalk tube lists the types, README says how to add one"


# Type numbers of glow tubes that hold 75 to 150 V, from memory.
@pytest.mark.parametrize("name", ["0A2", "OA2", "0D3/VR150", "VR-105", "85A2", "150C2"])
def test_a_tube_that_holds_a_voltage_becomes_a_rail(name):
    with pytest.raises(ConfigError, match="unknown tube type") as caught:
        load_tube(name)
    assert "and make the point it holds a rail of its volts" in caught.value.hint


@pytest.mark.parametrize(
    ("name", "near"), [("6L6GB", "6L6GC"), ("5U4GA", "5U4GB"), ("12SJ7", "6SJ7"), ("7591A", "7591")]
)
def test_a_relative_is_explained_but_not_resolved(name, near):
    with pytest.raises(ConfigError, match=f"near {near}, but") as caught:
        load_tube(name)
    assert near in caught.value.hint


def test_sections_follow_the_sheets_unit_numbers():
    noval, octal = load_tube("12AX7"), load_tube("6SN7GT")
    assert noval.section("a").label == "a (pins 6-7-8)"
    assert octal.section("a").electrodes == {"grid": (4,), "plate": (5,), "cathode": (6,)}
    assert noval.section_at(2).name == "b"
    assert noval.section_at(9) is None
    assert [section.name for section in load_tube("EL84").sections] == [""]
    assert load_tube("EL84").section("").label == "pins 2-3-7-9"
    assert [section.kind for section in load_tube("6AT6").sections] == ["triode", "diode", "diode"]
    assert load_tube("6BE6").section("").kind == "heptode"
    assert load_tube("6BE6").section("").model is None
    with pytest.raises(KeyError, match="sections a, b"):
        noval.section("c")


def test_rectifier_sections_share_the_cathode():
    tube = load_tube("GZ34")
    assert [section.electrodes["cathode"] for section in tube.sections] == [(8,), (8,)]
    assert tube.high_voltage_pins == (2, 4, 6, 8)
    assert load_tube("6X4").high_voltage_pins == (1, 6, 7)
    assert load_tube("5Y3GT").high_voltage_pins == (2, 4, 6, 8)
    assert load_tube("EZ81").high_voltage_pins == (1, 3, 7)


def test_figures_arrive_in_si_units():
    tube = load_tube("EL84")
    assert tube.section("").limits.cathode_a == pytest.approx(0.065)
    assert tube.section("").limits.grid_fixed_ohm == pytest.approx(300e3)
    assert tube.section("").capacitances.input_farad == pytest.approx(10.8e-12)
    assert tube.points[0].gm_s == pytest.approx(11.3e-3)
    assert load_tube("12AX7").section("b").capacitances.output_farad == pytest.approx(0.34e-12)
    assert load_tube("12AT7").points[1].bias_v == pytest.approx(-0.999)


def test_heater_connections():
    series, parallel = load_tube("12AV7").heater
    assert series.text == "12.6 V 0.225 A between 4 and 5, 9 open"
    assert parallel.text == "6.3 V 0.45 A between 4 joined to 5 and 9"
    assert load_tube("6L6GC").heater[0].hot_ohm == pytest.approx(7.0)
    assert load_tube("12AX7").heater_pins == (4, 5, 9)
    assert load_tube("6922").heater_pins == (4, 5)


def test_one_file_adds_a_tube(own):
    altered(own, "12XX7", ("aliases: [ECC83, 7025, 12AX7A]", "aliases:\n  - NEW1\n  - NEW2"))
    assert load_tube("12xx7").name == "12XX7"
    assert load_tube("NEW2").name == "12XX7"  # also where the aliases stand in another layout
    assert load_tube("ECC83").name == "12AX7"
    assert "12XX7" in tube_names()


def test_grid_volts_copied_from_a_printed_sheet_are_read(own):
    path = altered(own, "12XX7", ("grid_v: -2", "grid_v: \N{MINUS SIGN}2"))
    assert read_tube_file(path).points[0].grid_v == -2.0


def test_own_file_wins_over_the_shipped_one_and_changes_are_seen(own):
    path = altered(own, "12AX7", ("plate_v: 300", "plate_v: 250"))
    assert load_tube("12AX7").section("a").limits.plate_v == 250.0
    path.write_text(path.read_text(encoding="utf-8").replace("plate_v: 250\n", "plate_v: 2500\n"), encoding="utf-8")
    assert load_tube("12AX7").section("a").limits.plate_v == 2500.0


@pytest.mark.parametrize(
    ("change", "field", "text"),
    [
        (("1: P_2", "1: Q_2"), "pins.1", "expected parts from"),
        (("1: P_2", "1: P"), "pins", "section b (pins 2-3) has no plate: expected a pin P_2, with the number"),
        (("8: K_1", "8: NC"), "pins", "section a (pins 6-7) has no cathode: expected a pin K_1"),
        (("volts: 12.6", "volts: 126"), "heater", "halves of a heater of 126 V, 0.15 A take 63 volts"),
        (("amps: 0.3}", "amps: 0.15}"), "heater", "halves of a heater of 12.6 V, 0.15 A take 0.3 amps"),
        (("9: HT", "10: HT"), "", "pins 10: a noval base has pins 1 to 9"),
        (("5: H,", "5: NC,"), "", "expected two heater ends"),
        (("9: HT", "9: S"), "", "halves and a tap"),
        (("plate_v: 300", "plate_v: lots"), "limits.plate_v", "expected a number"),
        (("plate_v: 300", "plate_volts: 300"), "limits.plate_volts", "unknown field"),
        (("points: [1, 2], mu", "points: [1, 3], mu"), "", "points are counted from 1 to 2"),
        (("kind: triode, points", "kind: beam tube, points"), "", "point 1 must be a pentode point"),
        (("kind: triode, points", "kind: tetrode, points"), "fit.kind", "triode"),
        (("plate_v: 250, grid_v: -2,", "plate_v: 250,"), "points.0", "a point needs grid_v, or cathode"),
        (("connection: triode, plate_v: 250", "connection: pentode, plate_v: 250"), "points.0", "screen_v"),
        ((", mu: 100}", "}"), "fit", "a fit needs mu"),
        (("base: noval", "base: nuvistor"), "base", "octal"),
        (("grid_self: 2M", "grid_self: 2,2M"), "limits.grid_self", "write a point, not a comma"),
        (("basing: 9A\n", ""), "basing", "required field is missing"),
        (("aliases: [ECC83,", 'aliases: ["\\e[31mX",'), "aliases.0", "control character U+001B"),
    ],
)
def test_a_mistake_names_file_line_and_field(own, change, field, text):
    path = altered(own, "12XX7", change)
    with pytest.raises(ConfigError) as caught:
        load_tube("12XX7")
    (problem, *_) = caught.value.problems
    assert problem.path == str(path)
    assert problem.line > 0
    assert problem.field.startswith(field)
    assert text in problem.text


def test_a_pentode_without_a_screen_is_told(own):
    altered(own, "EL80", ("9: g2", "9: NC"), source="EL84")
    with pytest.raises(ConfigError) as caught:
        load_tube("EL80")
    assert [problem.text for problem in caught.value.problems] == [
        "section pins 2-3-7 has no screen: expected a pin g2"
    ]


@pytest.mark.parametrize(
    ("source", "changes", "places"),
    [
        # What the sheet of a pentode calls "triode connection", fitted as the triode it is not.
        (
            "EL84",
            [("connection: pentode", "connection: triode"), ("kind: power pentode", "kind: triode")],
            ["fit.kind", "points.0.connection"],
        ),
        (
            "EL84",
            [
                (
                    "confirmed:\n",
                    "  - {connection: triode, plate_v: 250, grid_v: -9, confirmed: x, source: x}\nconfirmed:\n",
                )
            ],
            ["points.1.connection"],
        ),
        (
            "6C4",
            [("confirmed:\n", "  - {connection: rectifier, plate_v: 25, confirmed: x, source: x}\nconfirmed:\n")],
            ["points.2.connection"],
        ),
        ("EZ81", [("8: NC", "8: G_1"), ("full-wave rectifier", "twin triode")], ["model", "fit.kind", "points"]),
    ],
)
def test_entries_of_another_kind_of_tube_are_told_with_their_line(own, source, changes, places):
    """Each had ended ``stagewalk tube`` or its ``--refit`` with a traceback, not with a line of the file."""
    path = altered(own, "9ZZ9", *changes, source=source)
    with pytest.raises(ConfigError) as caught:
        load_tube("9ZZ9")
    problems = caught.value.problems
    assert all(any(problem.field.startswith(place) for problem in problems) for place in places)
    for problem in problems:
        assert (problem.path, problem.line > 1) == (str(path), True)
        assert re.search("expected (law|kind|connection) .+, not .+: by its pins this is a", problem.text)


def test_file_and_content_must_agree_on_the_name(own):
    shutil.copy(SHIPPED / "12AX7.yaml", own / "12ZZ7.yaml")
    with pytest.raises(ConfigError, match="the file is called 12ZZ7"):
        load_tube("12ZZ7")


def test_a_path_works_too(own):
    path = altered(own, "12XX7")
    assert load_tube(str(path)).name == "12XX7"
    with pytest.raises(ConfigError, match="no such file"):
        load_tube(str(own / "none.yaml"))


@pytest.mark.parametrize("name", tube_names())
def test_quick_aliases_are_those_of_the_parsed_file(name):
    file = read_tube_file(SHIPPED / f"{name}.yaml")
    assert all(Path(load_tube(alias).path).stem == name for alias in file.aliases)


@pytest.mark.parametrize(("name", "near"), [("5814A", "12AU7"), ("6072", "12AY7")])
def test_a_type_with_another_heater_is_not_called_by_the_name_of_its_relative(name, near):
    with pytest.raises(ConfigError, match=f"near {near}, but its heater takes 0.175 A at 12.6 V, 0.35 A at 6.3 V"):
        load_tube(name)


def test_figures_alone_suggest_no_other_type():
    """5752 would be near 5751 by its figures, which say nothing of a tube."""
    with pytest.raises(ConfigError) as unknown:
        load_tube("5752")
    assert "did you mean" not in unknown.value.hint
    with pytest.raises(ConfigError) as mistyped:
        load_tube("12AX8")
    assert "12AX7" in mistyped.value.hint
