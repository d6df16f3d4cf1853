"""The decision rule: a fault is named only against the odds."""

import pytest

from analysis.judge import decide


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(195.0, "agrees"), (181.0, "agrees"), (177.8, "unclear"), (170.0, "low"), (220.0, "high")],
)
def test_a_reading_is_judged_with_its_uncertainty(value, verdict):
    assert decide(value, 1.0, 180.0, 210.0) == verdict


def test_a_band_narrower_than_the_meter_does_not_make_every_reading_unclear():
    assert decide(0.0, 0.002, 0.0, 0.0) == "agrees"
    assert decide(0.5, 0.002, 0.0, 0.0) == "high"
