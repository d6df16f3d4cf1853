"""The decision rule: a fault is named only against the odds."""

import html
import re
from statistics import NormalDist

import pytest

from acquisition.records import JobSheet, Reading
from analysis.chassis import Band
from analysis.judge import RULE, decide, judge
from analysis.report.material import Material
from analysis.report.render import render


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(195.0, "agrees"), (181.0, "agrees"), (177.8, "unclear"), (170.0, "low"), (220.0, "high")],
)
def test_a_reading_is_judged_with_its_uncertainty(value, verdict):
    assert decide(value, 1.0, 180.0, 210.0) == verdict


def test_a_band_narrower_than_the_meter_does_not_make_every_reading_unclear():
    assert decide(0.0, 0.002, 0.0, 0.0) == "agrees"
    assert decide(0.5, 0.002, 0.0, 0.0) == "high"


def test_the_report_states_the_rule_by_which_a_verdict_can_be_found_again():
    assert RULE in html.unescape(render(Material(sheet=JobSheet(chassis_name="Amp"), passes=())))
    guard = float(re.search(r"widened at both ends by ([\d.]+) u", RULE).group(1))
    share = float(re.search(r"([\d.]+)% on DC", RULE).group(1)) / 100
    inside, beyond = (float(n) / 100 for n in re.findall(r"(?:probability|one) of ([\d.]+)% or more", RULE))
    band = Band(low=180.0, expected=195.0, high=210.0, std=5.0)
    u = (1.0 + (share * 195.0) ** 2) ** 0.5
    low, high = 180.0 - guard * u, 210.0 + guard * u
    seen = set()
    for volts in range(160, 231):
        true = NormalDist(volts, u)
        below, above = true.cdf(low), 1 - true.cdf(high)
        by_hand = "low" if below >= beyond else "high" if above >= beyond else "unclear"
        by_hand = "agrees" if 1 - below - above >= inside else by_hand
        (row,) = judge([Reading(point="V1.1", quantity="dc_v", value=float(volts), std=1.0)], [band])
        assert row.verdict == by_hand, volts
        seen.add(by_hand)
    assert seen == {"agrees", "low", "high", "unclear"}
    phase = Reading(point="V1.2>V1.1", quantity="phase_deg", value=5.9, std=0.01, freq_hz=1e3)
    degrees = float(re.search(r"([\d.]+)° of phase", RULE).group(1))
    (row,) = judge([phase], [Band(low=-1.0, expected=0.0, high=1.0, std=0.3)])
    assert row.verdict == "unclear"
    assert decide(5.9, degrees, -1.0, 1.0) == "unclear"
