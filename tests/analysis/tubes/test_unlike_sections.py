"""A triode and a pentode in one envelope, or two unlike triodes: each section with facts of its own."""

import json

import pytest

from acquisition.configs import config_roots
from acquisition.errors import ConfigError, StoreError
from acquisition.records import Reading
from analysis.app.cli import main
from analysis.chassis import parse_chassis
from analysis.suspects.like_stages import compare_stages
from analysis.suspects.other_tubes import fits
from analysis.tubes import load_tube
from analysis.tubes.equations import PentodeParameters, TriodeParameters
from analysis.tubes.refit import refit_tube, write_model
from analysis.tubes.traps import traps

SHIPPED = (config_roots()[-1] / "tubes" / "ECL86.yaml").read_text(encoding="utf-8")
NAMES = ("ECL82", "ECL86", "ECF80", "6U8A", "7199", "6AN8")
# 12AX7 and 12AU7 in one envelope; which of them has pins 6, 7, 8 is made up.
TWO_TRIODES = """\
tube: 12XX7
construction: twin triode, unlike
base: noval
basing: 9A
pins: {1: P_2, 2: G_2, 3: K_2, 4: H, 5: H, 6: P_1, 7: G_1, 8: K_1, 9: HT}
heater: {volts: 12.6, amps: 0.15, halves: {volts: 6.3, amps: 0.3}}
units:
  1:
    limits: {rating_system: design-centre, plate_v: 300, plate_w: 1.0}
    fit: {kind: triode, points: [1], mu: 100}
    points:
      - {connection: triode, plate_v: 250, grid_v: -2, plate_ma: 1.2, gm_ma_v: 1.6, confirmed: yes, source: made up}
  2:
    limits: {rating_system: design-maximum, plate_v: 330, plate_w: 3.0, cathode_ma: 22}
    fit: {kind: triode, points: [1], mu: 17}
    points:
      - {connection: triode, plate_v: 250, grid_v: -8.5, plate_ma: 10.5, gm_ma_v: 2.2,
         confirmed: yes, source: made up}
source: made up
"""


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A user's own folder of tubes, in front of the shipped ones."""
    folder = tmp_path / "tubes"
    folder.mkdir()
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path))
    return folder


def altered(own, *changes, text=SHIPPED, name="ECL86"):
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = own / f"{name}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def run(capsys, *arguments):
    assert main(["tube", *arguments]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("name", NAMES)
def test_each_section_has_kind_law_and_limits_of_its_own(name):
    tube = load_tube(name)
    triode, pentode = tube.sections
    assert (triode.name, triode.kind, pentode.name, pentode.kind) == ("a", "triode", "b", "pentode")
    assert isinstance(triode.model, TriodeParameters)
    assert isinstance(pentode.model, PentodeParameters)
    assert triode.limits.plate_w != pentode.limits.plate_w
    assert triode.capacitances.grid_plate_farad > pentode.capacitances.grid_plate_farad
    assert {point.connection for point in triode.points} == {"triode"}
    assert {point.connection for point in pentode.points} == {"pentode"}
    assert tube.points == (*triode.points, *pentode.points)
    assert tube.unlike_sections == tube.sections
    # Nine pins, all of them used: two heater ends, three of the triode, four of the pentode.
    assert sorted((*tube.heater_pins, *triode.pins, *pentode.pins)) == list(range(1, 10))


def test_twins_are_still_of_one_make():
    for name in ("12AX7", "GZ34", "6AT6", "EL84"):
        tube = load_tube(name)
        assert tube.unlike_sections == tube.sections[:1]
        assert tube.points == tube.sections[0].points


def test_two_unlike_triodes(own, capsys):
    path = altered(own, text=TWO_TRIODES, name="12XX7")
    for result in refit_tube("12XX7"):
        write_model(result)
    high, medium = load_tube("12XX7").sections
    assert path.read_text(encoding="utf-8").count("model:") == 2
    assert (high.kind, medium.kind) == ("triode", "triode")
    assert high.model.mu == pytest.approx(100.0, rel=0.1)
    assert medium.model.mu == pytest.approx(17.0, rel=0.1)
    out = " ".join(run(capsys, "12XX7").split())
    assert "a (pins 6-7-8): design-centre; plate 300 V; plate dissipation 1 W" in out
    assert "b (pins 1-2-3): design-maximum; plate 330 V; plate dissipation 3 W; cathode current 22 mA" in out
    assert "each section" not in out


@pytest.mark.parametrize(
    ("change", "field", "text"),
    [
        (("  2:\n", "  3:\n"), "units.3", "no pin is of this unit: expected codes that end in _3"),
        (("  2:\n", "  two:\n"), "units.two", "expected a whole number"),
        (("9: P_1", "9: P_2"), "pins", "section a (pins 1-2) has no plate: expected a pin P_1"),
        (("\nconfirmed:", "\npoints: []\nconfirmed:"), "points", "goes into units, under the number of its unit"),
        (("\nconfirmed:", "\nmodel: {}\nconfirmed:"), "model", "goes into units, under the number of its unit"),
        (("\nconfirmed:", "\nlimits: {}\nconfirmed:"), "limits", "goes into units, under the number of its unit"),
        (("    points:\n", "    pints:\n"), "units.1.pints", "did you mean points"),
        (("    limits:\n", "    limit:\n"), "units.1.limits", "required field is missing"),
        (("plate_w: 9", "plate_w: nine"), "units.2.limits.plate_w", "expected a number"),
        (("grid_v: -7,", "grid_v: seven,"), "units.2.points.0.grid_v", "expected a number"),
        (("kind: power pentode, points: [1]", "kind: triode, points: [1]"), "units.2", "must be a triode point"),
        (("kind: triode, points: [1]", "kind: triode, points: [2]"), "units.1", "points are counted from 1 to 1"),
    ],
)
def test_a_mistake_names_line_and_field(own, change, field, text):
    path = altered(own, change)
    with pytest.raises(ConfigError) as caught:
        load_tube("ECL86")
    problem = next(problem for problem in caught.value.problems if text in problem.text)
    assert problem.path == str(path)
    assert problem.line > 0
    assert problem.field.startswith(field)
    assert "\n" not in problem.text


def test_a_unit_left_out_is_told(own):
    altered(own, text=SHIPPED[: SHIPPED.index("  2:\n")] + SHIPPED[SHIPPED.index("confirmed:\n") :])
    with pytest.raises(
        ConfigError, match=r":10: units: unit 2 is missing; a tube with one section, or with two alike"
    ):
        load_tube("ECL86")


def test_a_triode_with_a_pentode_needs_units(own):
    """Such a file was read, and the pentode was given the triode's law."""
    plain = (config_roots()[-1] / "tubes" / "12AX7.yaml").read_text(encoding="utf-8")
    pins = "pins: {1: G_1, 2: K_1, 3: g2_2, 4: H, 5: H, 6: P_2, 7: K_g3_2, 8: g1_2, 9: P_1}"
    altered(
        own, ("tube: 12AX7", "tube: 12XX7"), (plain[plain.index("pins:") : plain.index("\nheater")], pins),
        (", halves: {volts: 6.3, amps: 0.3}", ""), text=plain, name="12XX7",
    )  # fmt: skip
    with pytest.raises(ConfigError, match="pins: triode and pentode are unlike: expected units 1 and 2"):
        load_tube("12XX7")


def test_a_triodes_law_for_a_pentode_is_told(own):
    laws = SHIPPED[SHIPPED.index("      {law: KV") : SHIPPED.index("    fit: {kind: triode")]
    start = SHIPPED.index("      {law: RR")
    altered(own, (SHIPPED[start : SHIPPED.index("    fit: {kind: power")], laws))
    with pytest.raises(
        ConfigError, match=r"units\.2\.model: expected law RR or RX, not KV: by its pins this is a pentode"
    ):
        load_tube("ECL86")


def test_refit_writes_each_unit_in_its_place_and_nothing_else(own):
    path = altered(own, ("mu: 102.08", "mu: 90"), ("kg2: 1840.4", "kg2: 2000"))
    one, two = refit_tube("ECL86")
    assert (one.unit, two.unit) == (1, 2)
    assert not one.is_shipped
    assert not two.is_shipped
    write_model(two)
    assert path.read_text(encoding="utf-8") == SHIPPED.replace("mu: 102.08", "mu: 90")
    write_model(one)
    assert path.read_text(encoding="utf-8") == SHIPPED
    assert all(result.is_shipped for result in refit_tube("ECL86"))


def test_units_without_a_model_get_one(own):
    laws = [
        SHIPPED[SHIPPED.index("    model:", at) : SHIPPED.index("    fit:", at)]
        for at in (0, SHIPPED.index("  2:\n"))
    ]
    path = altered(own, *((law, "") for law in laws))
    assert [section.model for section in load_tube("ECL86").sections] == [None, None]
    for result in refit_tube("ECL86"):
        write_model(result)
    assert path.read_text(encoding="utf-8") == SHIPPED


def test_a_fit_without_a_line_of_its_own_is_not_overwritten(own):
    """A line that holds the limits too would have been replaced with the model."""
    start = TWO_TRIODES.index("  1:\n")
    unit = TWO_TRIODES[start : TWO_TRIODES.index("  2:\n")]
    flow = """\
  1: {limits: {rating_system: design-centre}, fit: {kind: triode, points: [1], mu: 100}, points: [
      {connection: triode, plate_v: 250, grid_v: -2, plate_ma: 1.2, confirmed: yes, source: made up}]}
"""
    path = altered(own, (unit, flow), text=TWO_TRIODES, name="12XX7")
    before = path.read_text(encoding="utf-8")
    with pytest.raises(StoreError, match="share a line with other fields") as caught:
        write_model(refit_tube("12XX7")[0])
    assert "line of its own" in caught.value.hint
    assert path.read_text(encoding="utf-8") == before


def test_sheet_tells_both_sections(capsys):
    out = " ".join(run(capsys, "6GW8").split())
    for text in (
        "ECL86, also 6GW8",
        "a (pins 1-2-9): triode b (pins 3-6-7-8): pentode",
        "pins 3 (screen b), 6 (plate b), 9 (plate a)",
        "a (pins 1-2-9): plate 300 V; plate dissipation 500 mW",
        "b (pins 3-6-7-8): plate 300 V; plate dissipation 9 W; screen 300 V",
        "a (pins 1-2-9): fitted to point 1 below 250 V, grid -1.9 V: Ia 1.2 mA",
        "b (pins 3-6-7-8): fitted to point 1 below 250 V, screen 250 V, grid -7 V: Ia 36 mA",
        "CL: signal triode and power pentode",
    ):
        assert text in out, text


def test_json_has_facts_in_each_unlike_section_and_once_for_twins(capsys):
    facts = json.loads(run(capsys, "ECL86", "--json"))
    triode, pentode = facts["sections"]
    assert "limits" not in facts
    assert (triode["limits"]["plate_w"], pentode["limits"]["plate_w"]) == (0.5, 9.0)
    assert "screen_a" in pentode["points"][0]["published"]
    assert "screen_a" not in triode["points"][0]["published"]
    twin = json.loads(run(capsys, "12AX7", "--json"))
    assert twin["limits"]["plate_w"] == 1.0
    assert all("limits" not in section for section in twin["sections"])


def test_refit_tells_each_section(capsys):
    out = run(capsys, "ECL86", "--refit")
    assert "ECL86 a (pins 1-2-9)  mu 102" in out
    assert "ECL86 b (pins 3-6-7-8)  mu 22" in out
    assert [one["unit"] for one in json.loads(run(capsys, "ECL86", "--refit", "--json"))["refits"]] == [1, 2]
    assert [one["unit"] for one in json.loads(run(capsys, "12AX7", "--refit", "--json"))["refits"]] == [None]


@pytest.mark.parametrize("name", ["PCL82", "UCL82", "PCL86", "PCF80", "PCF82"])
def test_series_string_relatives_are_explained(name):
    with pytest.raises(ConfigError, match=r"its heater takes 0\.[13] A"):
        load_tube(name)


def test_a_screen_that_takes_less_than_its_plate_is_told_of_the_section():
    assert "the screen takes 300 V only, the plate 600 V" in traps(load_tube("ECL82"))
    assert not any("the screen takes" in trap for trap in traps(load_tube("ECL86")))


def test_only_types_with_the_same_pins_fit_each_others_sockets():
    # Adapters are sold for the 7199 because no like type has its pins (common practice, no source).
    assert fits(load_tube("6U8A"), load_tube("ECF80"))
    for one in ("7199", "6AN8", "ECL82", "ECL86"):
        assert not any(fits(load_tube(one), load_tube(other)) for other in NAMES if other != one)


def test_sockets_alone_compare_sections_of_one_make_only(own):
    """Half of one tube is no like of its other half: healthy pairs were weak and gassy."""
    altered(own, text=TWO_TRIODES, name="12XX7")
    chassis = parse_chassis("chassis: two\ntubes: {V1: 12XX7, V2: 12XX7}\n", "test")
    volts = {"6": 150.0, "8": 1.2, "1": 200.0, "3": 6.0}
    found = compare_stages(
        chassis,
        [
            Reading(point=f"{socket}.{pin}", quantity="dc_v", value=value, std=0.01)
            for socket in ("V1", "V2")
            for pin, value in volts.items()
        ],
    )
    assert found.suspects == ()
