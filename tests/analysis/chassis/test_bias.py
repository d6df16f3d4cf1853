"""Bias at the grids of power tubes that are out: read before they go in (common practice, no source)."""

import pytest

from acquisition.records import Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.bias import bias_asked
from analysis.judge import asked_about


@pytest.fixture(scope="module")
def without():
    """Model of a shipped chassis with tubes out."""
    made = {}

    def build(name, *out):
        if (name, out) not in made:
            made[name, out] = ChassisModel(load_chassis(name).without(out))
        return made[name, out]

    return build


def read(**volts):
    return [Reading(point=name.replace("_", "."), quantity="dc_v", value=value) for name, value in volts.items()]


def test_a_grid_without_its_bias_keeps_the_socket_empty(without):
    model = without("harbour-twenty", "V3", "V4")  # fixed bias, about -38 V by its drawing
    [told] = bias_asked(model, read(HT1=440.0, V3_5=-0.2, V4_5=-38.0), 230.0)
    assert told.startswith("V3 must stay out: its grid V3.5 reads -200 mV, and about -38 V belong there")
    [told] = bias_asked(model, read(V3_5=12.0, V4_5=-30.0), None)
    assert told.startswith("V3 must stay out: its grid V3.5 reads 12 V")
    assert told in asked_about(model.chassis, model, read(V3_5=12.0, V4_5=-30.0), None)


def test_a_bias_that_was_not_read_is_asked_for_once_anything_was(without):
    model = without("harbour-twenty", "V3", "V4")
    assert bias_asked(model, [], 230.0) == []
    [told] = bias_asked(model, read(HT1=440.0, V4_5=-38.0), 230.0)
    assert told == "before V3 goes in, read the bias at V3.5 (about -38 V belong there)"


def test_nothing_is_said_where_each_has_its_bias_nor_where_a_cathode_makes_it(without):
    assert bias_asked(without("harbour-twenty", "V3", "V4"), read(V3_5=-36.0, V4_5=-41.0), 230.0) == []
    assert bias_asked(without("harbour-twenty"), read(V3_5=-0.2, V4_5=-38.0), 230.0) == []  # they are in
    assert bias_asked(without("lantern-twelve", "V2", "V3"), read(HT1=300.0), 230.0) == []  # cathode bias
    assert bias_asked(without("harbour-twenty", "V1"), read(HT1=440.0), 230.0) == []  # no power tube
