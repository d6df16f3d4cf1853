"""Drift over years: straight lines against scipy and hand arithmetic, mains taken out, no false alarms."""

import numpy as np
import pytest
from scipy.stats import linregress

from acquisition.records import Reading
from analysis.app.verbs.list import course
from analysis.trend import DAYS_A_YEAR, Visit, trends


def visit(year, values, mains_v=230.0, std=0.05, quality="good"):
    readings = tuple(
        Reading(point=point, quantity="dc_v", value=value, std=std, quality=quality)
        for point, value in values.items()
    )
    return Visit(job=f"y{year}", pass_name="as-found", days=year * DAYS_A_YEAR, readings=readings, mains_v=mains_v)


class Proportional:
    """Every reading follows the mains."""

    def predict(self, values, measurands):
        return np.outer(values["mains"], np.full(len(measurands), 100.0))


def test_the_line_is_that_of_an_outside_program():
    years, volts = [0, 1, 2.5, 4, 7], [200.0, 197.5, 191.0, 188.2, 177.0]
    (one,) = trends([visit(y, {"V1.6": v}) for y, v in zip(years, volts, strict=True)])
    outside = linregress(years, volts)
    assert one.rate == pytest.approx(outside.slope, rel=1e-9)
    assert one.rate_std >= outside.stderr * (1 - 1e-9)
    assert one.drifted
    assert one.rate_low < -3.2 < one.rate_high
    assert one.change == pytest.approx(-23.0)


def test_scatter_larger_than_stated_widens_the_interval():
    years, volts = [0, 1, 2, 3], [100.0, 130.0, 95.0, 120.0]
    (one,) = trends([visit(y, {"V1.6": v}) for y, v in zip(years, volts, strict=True)])
    assert one.rate_std == pytest.approx(linregress(years, volts).stderr, rel=1e-9)
    assert not one.drifted


def test_a_change_between_visits_that_scatter_is_no_surer_than_they_are():
    """Six visits that scatter by several times what they state: a change stated with 95 % held in one of three."""
    rng, inside, count = np.random.default_rng(3), 0, 300
    for _ in range(count):
        volts = 100.0 + 2.4 * rng.standard_normal(6)
        (one,) = trends([visit(y, {"V1.6": v}, std=0.05) for y, v in enumerate(volts)])
        inside += abs(one.change) < 1.96 * one.change_std
    assert 0.86 * count < inside < 0.99 * count


def test_another_meter_from_some_year_on_is_no_drift():
    """Eight visits, two meters within 0.5 %: the slope of nothing at all was in its 95 % interval in 89 %."""
    rng, inside, count = np.random.default_rng(7), 0, 400
    for _ in range(count):
        gains = 1.0 + 0.005 * rng.uniform(-1.0, 1.0, 2)
        visits = []
        for year in range(8):
            meter = year // 4
            value = 100.0 * gains[meter] * (1.0 + 0.0035 * rng.standard_normal())
            reading = Reading(
                point="V1.6", quantity="dc_v", value=value, std=0.29, instrument=f"meter {meter}", range_v=300.0
            )
            days = year * DAYS_A_YEAR
            visits.append(Visit(job=f"y{year}", pass_name="p", days=days, readings=(reading,), mains_v=230.0))
        (one,) = trends(visits)
        inside += one.rate_low < 0.0 < one.rate_high
    assert inside > 0.93 * count


def test_two_visits_give_a_change_and_no_rate():
    steady, moved = trends([visit(0, {"A": 100.0, "B": 100.0}), visit(1, {"A": 100.4, "B": 110.0})])
    assert steady.rate is None
    assert not steady.drifted
    assert moved.rate is None
    assert moved.drifted


def test_mains_is_taken_out_by_the_model():
    mains = [230.0, 241.5, 218.5]
    visits = [visit(y, {"HT1": 300.0 * m / 230.0}, m) for y, m in enumerate(mains)]
    (one,) = trends(visits, Proportional(), 230.0)
    assert [s.corrected for s in one.stands] == pytest.approx([300.0] * 3)
    assert one.stands[1].value == pytest.approx(315.0)
    assert not one.drifted
    assert one.rate == pytest.approx(0.0, abs=1e-9)
    assert one.stands[1].std > one.stands[0].std  # a correction has an uncertainty too


def test_order_of_visits_does_not_matter_and_unjudged_readings_are_left_out():
    visits = [visit(y, {"A": 10.0 + y}) for y in (2, 0, 1)]
    (one,) = trends([*visits, visit(3, {"A": 99.0}, quality="overload")])
    assert [s.corrected for s in one.stands] == [10.0, 11.0, 12.0]
    assert one.rate == pytest.approx(1.0)


def test_an_unchanged_chassis_raises_few_alarms():
    """At most one chassis in twenty with any mark at all: Holm's rule, 300 chassis, three standard deviations
    of such a count allowed."""
    rng = np.random.default_rng(5)
    alarms = 0
    for _ in range(300):
        visits = [
            visit(y, {f"P{i}": 100 + rng.normal(0, np.hypot(0.05, 0.5 / np.sqrt(2))) for i in range(10)})
            for y in range(5)
        ]
        alarms += any(one.drifted for one in trends(visits))
    assert alarms <= 0.05 * 300 + 3 * np.sqrt(300 * 0.05 * 0.95)


def test_hum_whose_strongest_line_changed_is_still_one_course():
    def hum(year, value, freq_hz):
        reading = Reading(point="HT2", quantity="ripple_pp_v", value=value, std=0.01, freq_hz=freq_hz)
        return Visit(job=f"y{year}", pass_name="a", days=year * DAYS_A_YEAR, readings=(reading,), mains_v=230.0)

    (one,) = trends([hum(0, 0.5, 100.0), hum(1, 0.5, 100.02), hum(2, 3.0, 50.0)])
    assert len(one.stands) == 3
    assert one.measurand.freq_hz is None
    assert one.change == pytest.approx(2.5)
    (steady,) = trends([hum(0, 0.5, 100.0), hum(1, 0.5, 100.02)])
    assert steady.measurand.freq_hz == 100.0


def test_what_drifted_goes_where_its_line_goes():
    """The last visit of nine alone is below the first; the line through all of them rises."""
    volts = [100.0, 104.0, 108.0, 112.0, 116.0, 120.0, 124.0, 128.0, 99.0]
    few = [visit(y, {"V1.6": v}) for y, v in enumerate(volts)]
    (one,) = trends(few)
    assert one.change < 0 < one.rate
    assert one.rises
    assert not trends([few[0], few[-1]])[0].rises


def test_a_phase_on_both_sides_of_half_a_turn_has_a_flat_course():
    def turned(year, value):
        reading = Reading(point="A>B", quantity="phase_deg", value=value, std=0.5, freq_hz=1000.0)
        return Visit(job="j", pass_name="p", days=year * DAYS_A_YEAR, readings=(reading,), mains_v=230.0)

    (one,) = trends([turned(0, 179.5), turned(1, -179.6), turned(2, 179.8), turned(3, -179.9)])
    assert one.changes == pytest.approx((0.0, 0.9, 0.3, 0.6))
    assert set(course(one)) <= set("▃▄▅▆")


def test_mains_is_not_taken_out_of_a_phase():
    def turned(year, mains_v):
        reading = Reading(point="A>B", quantity="phase_deg", value=170.0, std=1.0, freq_hz=1000.0)
        return Visit(job="j", pass_name="p", days=year * DAYS_A_YEAR, readings=(reading,), mains_v=mains_v)

    (one,) = trends([turned(0, 230.0), turned(1, 241.5)], Proportional(), 230.0)
    assert [s.corrected for s in one.stands] == [170.0, 170.0]
    assert one.change == 0.0
