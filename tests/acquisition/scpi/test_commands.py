"""Commands: plain base units, numbers of nine digits, one line of ASCII."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.errors import CommandRefused
from acquisition.scpi import fill, format_number, parse_number


@pytest.mark.parametrize(
    ("value", "text"),
    [(1000.0, "1000"), (0.25, "0.25"), (2e-7, "2E-07"), (-0.0, "0"), (1 / 3, "0.333333333"), (1.5e6, "1500000")],
)
def test_numbers_are_plain_base_units_without_suffix(value, text):
    assert format_number(value) == text


@given(st.floats(min_value=-1e12, max_value=1e12, allow_nan=False))
def test_a_number_survives_to_nine_digits(value):
    assert parse_number(format_number(value)) == pytest.approx(value, rel=1e-8, abs=1e-300)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_setting_that_is_no_number_is_refused(value):
    with pytest.raises(CommandRefused):
        format_number(value)


@pytest.mark.parametrize("template", [":VOLT {value}", ":CHAN{channel}:SCAL {value}"])
def test_a_place_without_a_value_is_refused(template):
    with pytest.raises(CommandRefused, match="value"):
        fill(template, {"channel": 1})


@pytest.mark.parametrize("value", ["1\n*RST", "1;\x00", "5 µV"])
def test_nothing_can_be_smuggled_into_a_command(value):
    with pytest.raises(CommandRefused):
        fill(":VOLT {value}", {"value": value})


def test_switches_are_words():
    assert fill(":OUTP {value}", {"value": False}) == ":OUTP OFF"
