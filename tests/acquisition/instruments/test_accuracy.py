"""Accuracy as printed, to a standard uncertainty."""

import math

import pytest

from acquisition.instruments.accuracy import Accuracy, AccuracyTable


@pytest.mark.parametrize(
    ("text", "of_reading", "of_range", "digits", "volts"),
    [
        ("0.05 % + 3 digits", 5e-4, 0, 3, 0),
        ("0.5%+2", 5e-3, 0, 2, 0),
        ("±(0.5 % + 2 counts)", 5e-3, 0, 2, 0),
        ("0.0035 % + 0.0005 % of range", 3.5e-5, 5e-6, 0, 0),
        ("35 ppm of reading + 5 ppm of range", 3.5e-5, 5e-6, 0, 0),
        ("3 % of full scale", 0, 0.03, 0, 0),
        ("1 % + 2 mV", 0.01, 0, 0, 0.002),
        ("1 digit", 0, 0, 1, 0),
    ],
)
def test_printed_forms(text, of_reading, of_range, digits, volts):
    accuracy = Accuracy.parse(text)
    assert accuracy.of_reading == pytest.approx(of_reading)
    assert accuracy.of_range == pytest.approx(of_range)
    assert accuracy.digits == digits
    assert accuracy.volts == pytest.approx(volts)


@pytest.mark.parametrize("text", ["", "good", "5", "0.5 % +", "0.5 % - 2", "% + 2", "0,5 % + 2 digits", "-1 %"])
def test_what_is_no_accuracy(text):
    with pytest.raises(ValueError, match="expected an accuracy"):
        Accuracy.parse(text)


def test_the_limit_of_error_is_rectangular():
    """JCGM 100:2008, 4.3.7: a half-width a gives a standard uncertainty a / sqrt(3)."""
    accuracy = Accuracy.parse("0.05 % + 3 digits")
    assert accuracy.half_width_v(100.0, 0.01, 600.0) == pytest.approx(0.08)
    assert accuracy.std_v(-100.0, 0.01, 600.0) == pytest.approx(0.08 / math.sqrt(3))


def test_each_range_has_its_own():
    table = AccuracyTable.parse({"6 V": "0.5 % + 2", "600 mV": "0.5 % + 5", "600": "1 % + 2"})
    assert table.for_range(0.6).digits == 5
    assert table.for_range(6.0).digits == 2
    assert table.for_range(60.0).of_reading == 0.01
    assert table.for_range(1000.0).of_reading == 0.01


def test_one_for_all_ranges():
    assert AccuracyTable.parse("1 %").for_range(1e-3).of_reading == 0.01
    with pytest.raises(ValueError, match="expected an accuracy"):
        AccuracyTable.parse({})


def test_a_part_of_the_range_is_of_the_range_and_not_of_the_reading():
    accuracy = Accuracy.parse("0.1 % of range")
    assert accuracy.half_width_v(1.0, 0.001, 1000.0) == pytest.approx(1.0)
    assert accuracy.std_v(1.0, 0.001, 1000.0) == pytest.approx(0.57735, abs=1e-5)
