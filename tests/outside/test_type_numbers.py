"""Type-number and pin rules with their exceptions, against the tubes themselves.

American rule: Radiotron Designer's Handbook, 4th edition, section on American type numbers; Wireless World,
September 1943, "American valve designations"; a collectors' table of the RETMA system. European rule: two public
tables of the letter system. Pin rules: encyclopaedia article on tube sockets. What is from memory says so.
"""

import pytest

from analysis.tubes import load_tube, tube_names
from analysis.tubes.base import mirrored, pin_angle_deg
from analysis.tubes.numbering import (
    BASE_DIGITS,
    HEATER_NUMBERS,
    count_elements,
    may_replace,
    number_findings,
    read_american,
    read_european,
)
from analysis.tubes.traps import differing_pins, traps

TWINS = [
    ("12AX7", "ECC83"), ("12AU7", "ECC82"), ("12AT7", "ECC81"), ("6DJ8", "ECC88"), ("6922", "E88CC"),
    ("6BQ5", "EL84"), ("6CA7", "EL34"), ("6267", "EF86"), ("6AU6", "EF94"), ("6BE6", "EK90"), ("6C4", "EC90"),
    ("6X4", "EZ90"), ("6CA4", "EZ81"), ("5AR4", "GZ34"), ("6AT6", "EBC90"),
]  # fmt: skip

# Last digit as registered; the rule holds for these (Wireless World 1943, counted on the pins).
COUNT_HOLDS = {
    "12AX7": 7, "12AU7": 7, "12AT7": 7, "12AY7": 7, "12AV7": 7, "6SN7GT": 7, "6SL7GT": 7, "6C4": 4, "6J5": 5,
    "6SJ7": 7, "6AU6": 6, "6BE6": 6, "6AT6": 6, "6BQ5": 5, "6DJ8": 8, "6X4": 4, "6CA4": 4, "5AR4": 4, "5Y3GT": 3,
}  # fmt: skip
# It is off by one for these: the family number was set for metal-shell or extra-terminal types.
COUNT_OFF_BY_ONE = {
    "6L6GC": (6, 5), "6V6GT": (6, 5), "6K6GT": (6, 5), "6Y6": (6, 5), "50L6GT": (6, 5), "6CA7": (7, 6),
    "5U4GB": (4, 3), "6CG7": (7, 8), "6FQ7": (7, 8),
}  # fmt: skip


@pytest.mark.parametrize(("american", "european"), TWINS)
def test_twin_names_are_one_tube(american, european):
    assert load_tube(american) is load_tube(european)


@pytest.mark.parametrize(("name", "count"), COUNT_HOLDS.items())
def test_last_digit_counts_the_elements(name, count):
    assert read_american(name).elements == count
    assert count_elements(load_tube(name)) == count


@pytest.mark.parametrize(("name", "pair"), COUNT_OFF_BY_ONE.items())
def test_last_digit_is_off_by_one_where_known(name, pair):
    printed, counted = pair
    assert read_american(name).elements == printed
    assert count_elements(load_tube(name)) == counted
    assert any(f.verdict == "fails" and f.part == str(printed) for f in number_findings(load_tube(name)))


def test_last_digit_is_never_off_by_more():
    for tube in map(load_tube, tube_names()):
        for name in (tube.name, *tube.aliases):
            if number := read_american(name):
                assert abs(number.elements - count_elements(tube)) <= 1, name


def test_heater_number_is_the_heater_of_every_american_type():
    checked = 0
    for tube in map(load_tube, tube_names()):
        for name in (tube.name, *tube.aliases):
            if number := read_american(name):
                # Tapped heaters: both halves in series (RDH); the fraction of the volts is dropped.
                assert tube.heater[0].volts == number.heater_v
                assert number.heater == int(tube.heater[0].volts)
                checked += 1
    assert checked > 30


def test_lock_in_numbers_are_nominal_only():
    assert HEATER_NUMBERS[7] == HEATER_NUMBERS[6] == 6.3
    assert HEATER_NUMBERS[14] == HEATER_NUMBERS[12] == 12.6
    assert read_american("1T4").heater_v is None  # three sources give three bounds


@pytest.mark.parametrize("name", ["5881", "6550", "6072", "6922", "7025", "7591", "8417", "5814A"])
def test_industrial_numbers_carry_no_meaning(name):
    assert read_american(name) is None
    assert read_european(name) is None


@pytest.mark.parametrize(
    "name", ["KT66", "KT88", "CV4004", "VT-231", "M8137", "N709", "Z729", "B329", "L63", "U52"]
)
def test_other_series_are_not_read_as_european(name):
    assert read_european(name) is None
    assert read_american(name) is None


def test_same_letters_with_another_digit_are_not_relatives():
    # 12AV5, 12AV6 and 12AV7 are three unrelated tubes (encyclopaedia article on the RETMA designation).
    five, six, seven = (read_american(f"12AV{digit}") for digit in (5, 6, 7))
    assert five.letters == six.letters == seven.letters
    assert not may_replace("12AV7", "12AV6")


def test_suffixes():
    assert read_american("6SN7GTB").suffix_meanings == ("small tubular glass", "revision B")
    assert read_american("6L6WGB").suffix_meanings == ("rugged or military", "large glass bulb", "revision B")
    assert read_american("6J5GT/G").suffix_meanings == ("fits both bulb sizes",)
    assert may_replace("6SN7GTB", "6SN7GT")
    assert may_replace("6SN7GTB", "6SN7GTA")
    assert not may_replace("6SN7GTA", "6SN7GTB")
    assert not may_replace("12SJ7", "6SJ7")
    assert not may_replace("7025", "12AX7")


@pytest.mark.parametrize(
    ("name", "heater", "systems", "base", "special"),
    [
        ("ECC83", "6.3 V", ("signal triode", "signal triode"), "noval", False),
        ("EL84", "6.3 V", ("power pentode or tetrode",), "noval", False),
        ("EL34", "6.3 V", ("power pentode or tetrode",), "octal", False),
        ("EF86", "6.3 V", ("signal pentode",), "noval", False),
        ("EZ81", "6.3 V", ("full-wave rectifier",), "noval", False),
        ("GZ34", "5 V", ("full-wave rectifier",), "octal", False),
        ("EZ90", "6.3 V", ("full-wave rectifier",), "miniature", False),
        ("EC90", "6.3 V", ("signal triode",), "miniature", False),
        ("EK90", "6.3 V", ("octode or heptode",), "miniature", False),
        ("EF94", "6.3 V", ("signal pentode",), "miniature", False),
        ("EBC90", "6.3 V", ("double diode", "signal triode"), "miniature", False),
        ("E88CC", "6.3 V", ("signal triode", "signal triode"), "noval", True),
        ("EF804S", "6.3 V", ("signal pentode",), "noval", True),
        ("ECC801S", "6.3 V", ("signal triode", "signal triode"), "noval", True),
        ("E180F", "6.3 V", ("signal pentode",), "noval", True),
        ("EL3", "6.3 V", ("power pentode or tetrode",), "an older base", False),
        ("PCC88", "300 mA", ("signal triode", "signal triode"), "noval", False),
        ("XCC83", None, ("signal triode", "signal triode"), "noval", False),
    ],
)
def test_european_numbers(name, heater, systems, base, special):
    number = read_european(name)
    assert number.heater_meaning == heater
    assert number.system_meanings == systems
    assert number.base == base
    assert number.is_special_quality is special


def test_european_numbers_agree_with_the_tubes():
    checked = 0
    for tube in map(load_tube, tube_names()):
        for name in (tube.name, *tube.aliases):
            if read_european(name) and not read_american(name):
                assert [f for f in number_findings(tube) if f.name == name and f.verdict == "fails"] == [], name
                checked += 1
    assert checked >= len(TWINS)
    assert BASE_DIGITS[3] == "octal"


def test_both_systems_are_right_about_a_tapped_heater():
    # ECC83 says E, 6.3 V with the halves in parallel; 12AX7 says 12, 12.6 V with the halves in series: one tube.
    series, parallel = load_tube("12AX7").heater
    assert (series.volts, parallel.volts) == (12.6, 6.3)
    assert parallel.amps == pytest.approx(2.0 * series.amps)
    heater = {f.name: f.actual for f in number_findings(load_tube("12AX7")) if "heater" in f.says and "V" in f.says}
    assert heater["12AX7"] == "12.6 V, halves in series"
    assert heater["ECC83"] == "6.3 V, halves in parallel"


def test_ecc88_also_says_e_but_has_no_tap():
    tube = load_tube("ECC88")
    assert len(tube.heater) == 1
    assert any("pin 9 is a shield" in trap for trap in traps(tube))
    assert any("tapped" in trap for trap in traps(load_tube("12AX7")))


def test_the_upper_half_of_a_cascode_may_stand_above_its_heater():
    """What the ECC88 was made for: a cathode at half of 180 V (data sheet, from memory)."""
    limits = load_tube("ECC88").section("a").limits
    assert limits.heater_negative_v > 90.0 > limits.heater_positive_v


@pytest.mark.parametrize("name", ["KT88", "KT66", "6SJ7", "6J5"])
def test_a_pin_on_metal_within_reach_is_no_tie_point(name):
    """Pin 1 of metal tubes and of bases with a metal ring (from memory)."""
    tube = load_tube(name)
    assert not tube.pins[1].is_tie_point
    assert any("pin 1" in trap and "never a tie point" in trap for trap in traps(tube))
    assert not any("metal shell" in trap for trap in traps(load_tube("EL34")))


def test_a_string_heater_warns_of_a_live_chassis():
    """Series-string output tube of sets without a mains transformer (common practice, no source)."""
    assert any("series string" in trap and "live" in trap for trap in traps(load_tube("50L6GT")))
    assert not any("series string" in trap for trap in traps(load_tube("12AX7")))


def test_pins_run_clockwise_seen_from_below():
    # Octal: pin k at 45 k - 22.5 degrees from the key; 7 pins: 45 k, 9 pins: 36 k from the gap (from memory).
    assert [pin_angle_deg("octal", k) for k in (1, 2, 8)] == [22.5, 67.5, 337.5]
    assert [pin_angle_deg("miniature", k) for k in (1, 4, 7)] == [45.0, 180.0, 315.0]
    assert [pin_angle_deg("noval", k) for k in (1, 5, 9)] == [36.0, 180.0, 324.0]
    # From above the same numbers run the other way: counting wrong lands on the mirrored pin.
    assert mirrored("noval", 3) == 7


def test_a_missing_pin_keeps_its_number():
    assert sorted(load_tube("7591").pins) == [2, 3, 4, 5, 6, 7, 8]
    assert sorted(load_tube("6J5").pins) == [1, 2, 3, 5, 7, 8]
    # The basing code must not be used to derive the count: 8KG has seven pins.
    assert load_tube("7591").basing == "8KG"


def test_heater_pins_of_the_usual_families():
    # Common practice: small twin triodes 4 and 5 with 9 as tap, octal 2 and 7 or 7 and 8, rectifiers 2 and 8.
    assert load_tube("12AT7").heater_pins == (4, 5, 9)
    assert load_tube("6V6GT").heater_pins == (2, 7)
    assert load_tube("6SN7GT").heater_pins == (7, 8)
    assert load_tube("5U4GB").heater_pins == (2, 8)
    # The 12AV7 takes 1.5 times the heater current of its look-alikes.
    assert load_tube("12AV7").heater[0].amps == pytest.approx(1.5 * load_tube("12AX7").heater[0].amps)


@pytest.mark.parametrize(
    ("one", "other", "differing"),
    [
        ("6L6GC", "7591", {1, 5, 6, 8}),
        ("12AX7", "6CG7", {9}),
        ("12AX7", "ECC88", {9}),
        ("6C4", "6AU6", {1, 2, 6}),
        ("5Y3GT", "GZ34", {1, 2, 8}),
        ("6V6GT", "6L6GC", set()),
    ],
)
def test_sockets_that_look_alike(one, other, differing):
    found = set(differing_pins(load_tube(one), load_tube(other)))
    assert found == differing


def test_high_voltage_pins_of_every_type():
    # Every plate and screen; on rectifiers both plates and the cathode with all that hangs on it.
    for tube in map(load_tube, tube_names()):
        for pin in tube.pins.values():
            words = set(pin.functions)
            if {"plate", "screen"} & words or (tube.is_rectifier and "cathode" in words):
                assert pin.is_high_voltage, (tube.name, pin.number)
            elif not tube.is_rectifier:
                assert not pin.is_high_voltage, (tube.name, pin.number)


def test_internal_connections_are_no_tie_points():
    for pin in (1, 6, 8):
        assert not load_tube("EL84").pins[pin].is_tie_point
    assert load_tube("6V6GT").pins[1].is_tie_point
