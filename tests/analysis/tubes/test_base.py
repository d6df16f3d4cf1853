"""Where pins are: angles, neighbours, mirror, words."""

import pytest

from analysis.tubes.base import POSITIONS, mirrored, neighbours, pin_angle_deg, spoken_place


@pytest.mark.parametrize("base", POSITIONS)
def test_pins_go_clockwise_once_round(base):
    angles = [pin_angle_deg(base, pin) for pin in range(1, POSITIONS[base] + 1)]
    assert angles == sorted(angles)
    assert 0.0 < angles[0]
    assert angles[-1] < 360.0
    # The arrangement is symmetric about the key or gap, so a mirrored count lands on a pin.
    for pin in range(1, POSITIONS[base] + 1):
        assert pin_angle_deg(base, mirrored(base, pin)) == pytest.approx(360.0 - pin_angle_deg(base, pin))


@pytest.mark.parametrize("base", POSITIONS)
def test_neighbours_are_mutual(base):
    for pin in range(1, POSITIONS[base] + 1):
        before, after = neighbours(base, pin)
        assert neighbours(base, before)[1] == pin
        assert neighbours(base, after)[0] == pin


@pytest.mark.parametrize(
    ("base", "pin", "text"),
    [
        ("noval", 1, "pin 1, first clockwise from the gap, seen from below"),
        ("noval", 9, "pin 9, last clockwise from the gap, seen from below"),
        ("four-pin", 2, "pin 2, thin and left with the thick pins towards you, seen from below"),
        ("four-pin", 4, "pin 4, thick and right with the thick pins towards you, seen from below"),
        ("octal", 5, "pin 5, fifth clockwise from the key, seen from below"),
        ("miniature", 7, "pin 7, last clockwise from the gap, seen from below"),
    ],
)
def test_spoken_place(base, pin, text):
    assert spoken_place(base, pin) == text


@pytest.mark.parametrize("call", [pin_angle_deg, neighbours, mirrored, spoken_place])
@pytest.mark.parametrize(
    ("base", "pin"), [("noval", 0), ("noval", 10), ("miniature", 8), ("octal", 9), ("four-pin", 5)]
)
def test_a_pin_that_is_not_there_is_refused(call, base, pin):
    with pytest.raises(ValueError, match="has pins 1 to"):
        call(base, pin)
