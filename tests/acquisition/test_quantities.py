"""Values and tolerances as people write them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.quantities import format_value, parse_tolerance, parse_value


# Source: IEC 60062:2016, examples of the letter and digit code for resistance and capacitance values
# (from memory): the letter stands for the decimal point, also where nothing is before it, as in R33, K33 and p33.
@pytest.mark.parametrize(
    ("text", "value"),
    [("3R3", 3.3), ("33R", 33.0), ("3K3", 3300.0), ("33k", 33e3), ("3M3", 3.3e6), ("3p3", 3.3e-12),
     ("33n", 33e-9), ("3u3", 3.3e-6),
     ("R33", 0.33), ("K33", 330.0), ("M33", 330e3), ("p33", 0.33e-12), ("n33", 330e-12), ("µ33", 330e-9),
     ("u33", 330e-9), ("m33", 330e-6), ("R47 ohm", 0.47), ("-R33", -0.33),
     ("4.7 kohm", 4700.0), ("0.022uF", 22e-9), ("-39", -39.0), ("1e3", 1000.0)],
)  # fmt: skip
def test_values(text, value):
    assert parse_value(text) == value


def test_the_minus_of_print_is_one_of_a_keyboard():
    # The report writes its own negative volts so, and they are copied into a chassis file from there.
    assert parse_value("−28.1") == parse_value("\N{EN DASH}28.1") == -28.1
    assert parse_value("1e−3") == 1e-3
    assert parse_tolerance("−20% +50%") == (-0.2, 0.5)


@pytest.mark.parametrize("ohm", ["\N{OHM SIGN}", "\N{GREEK CAPITAL LETTER OMEGA}"])
@pytest.mark.parametrize("micro", ["\N{MICRO SIGN}", "\N{GREEK SMALL LETTER MU}"])
def test_both_characters_of_ohm_and_of_micro_are_read(ohm, micro):
    assert parse_value(f"4k7 {ohm}") == parse_value(f"4.7k{ohm}") == 4700.0
    assert parse_value(f"22 {micro}F") == 22e-6


@pytest.mark.parametrize(
    "text", ["", "4,7k", "k", "4k7k", "1M5M", "12AX7", "4..7k", "nan", "inf", "1e999", "5 %", "R", "R4.7", "p"]
)
def test_wrong_values_are_refused(text):
    with pytest.raises(ValueError, match="expected"):
        parse_value(text)


@given(st.floats(min_value=1e-11, max_value=9e9))
def test_format_then_parse_keeps_three_digits(value):
    assert math.isclose(parse_value(format_value(value)), value, rel_tol=0.0051)


def test_tolerances():
    assert parse_tolerance("+-20%") == (-0.2, 0.2)
    assert parse_tolerance("-30% +40%") == (-0.3, 0.4)
    for wrong in ("5", "%", "+20% -50%", "about 5%", "5% 6%"):
        with pytest.raises(ValueError, match="expected a tolerance"):
            parse_tolerance(wrong)
