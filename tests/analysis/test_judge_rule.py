"""The decision rule: a fault is named only against the odds."""

import pytest

from acquisition.records import Reading
from analysis.chassis import Band
from analysis.judge import decide, judge


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(195.0, "agrees"), (181.0, "agrees"), (177.8, "unclear"), (170.0, "low"), (220.0, "high")],
)
def test_a_reading_is_judged_with_its_uncertainty(value, verdict):
    assert decide(value, 1.0, 180.0, 210.0) == verdict


def test_a_band_narrower_than_the_meter_does_not_make_every_reading_unclear():
    assert decide(0.0, 0.002, 0.0, 0.0) == "agrees"
    assert decide(0.5, 0.002, 0.0, 0.0) == "high"


# -- readings against bands made by hand -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("quantity", "value", "std", "band", "verdict"),
    [
        # 1.7 V below, by a meter good to 0.1 V; but the model itself is good to 0.8 % of 105 V only.
        ("dc_v", 98.3, 0.1, (105.0, 100.0, 110.0), "unclear"),
        ("dc_v", 96.0, 0.1, (105.0, 100.0, 110.0), "low"),
        ("dc_v", 114.0, 0.1, (105.0, 100.0, 110.0), "high"),
        # Three tenths of a degree apart, the short way round, whichever sign the scope gave it.
        ("phase_deg", -180.0, 0.5, (179.7, 175.0, 184.0), "agrees"),
        ("phase_deg", 179.0, 0.5, (-179.7, -184.0, -175.0), "agrees"),
        ("phase_deg", -150.0, 0.5, (179.7, 175.0, 184.0), "high"),
        # A grid at rest collects or draws a little current; a grid that sits half a volt up has a reason.
        ("dc_v", -0.018, 0.0005, (0.0, 0.0, 0.0), "agrees"),
        ("dc_v", 0.018, 0.0005, (0.0, 0.0, 0.0), "agrees"),
        ("dc_v", 0.5, 0.0005, (0.0, 0.0, 0.0), "high"),
    ],
)
def test_a_reading_against_a_band(quantity, value, std, band, verdict):
    point = "V1.2>V1.1" if quantity == "phase_deg" else "V1.1"
    reading = Reading(point=point, quantity=quantity, value=value, std=std)
    expected, low, high = band
    (found,) = judge([reading], [Band(expected=expected, low=low, high=high, std=0.0)])
    assert found.verdict == verdict
    assert (found.reading, found.std, found.expected) == (reading, std, expected)


def test_each_reading_is_judged_by_the_band_in_its_place():
    readings = [Reading(point=point, quantity="dc_v", value=100.0, std=0.1) for point in ("V1.1", "V1.6", "HT1")]
    bands = [Band(expected=e, low=e - 5.0, high=e + 5.0, std=1.0) for e in (100.0, 150.0, 50.0)]
    assert [one.verdict for one in judge(readings, bands)] == ["agrees", "low", "high"]
