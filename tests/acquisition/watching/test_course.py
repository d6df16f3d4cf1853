"""What is told of a value over minutes: rest, leaving it for a moment or to stay, settled, silent."""

import math

import numpy as np
import pytest

from acquisition.instruments.samples import Sample
from acquisition.watching import Course, CourseKind


def course_of(volts, *, rate_hz=4.0, settled_s=300.0, resolution_v=0.001, noise_v=0.0, seed=1, until_s=None):
    """Feed a course with a function of time, NaN for no reading; its pieces and events."""
    course, pieces, events = Course(settled_s), [], []
    random = np.random.default_rng(seed)
    for number in range(int(until_s * rate_hz)):
        t_s = number / rate_hz
        value_v = volts(t_s)
        if math.isnan(value_v):
            sample = Sample(t_s=t_s, value_v=math.nan, flags=frozenset({"gap"}))
        else:
            value_v += noise_v * random.standard_normal()
            sample = Sample(t_s=t_s, value_v=value_v, resolution_v=resolution_v, range_v=60.0)
        done, told = course.feed(sample)
        pieces += done
        events += told
    return pieces + course.end(), events


def kinds(events):
    return [event.kind for event in events]


def test_every_sample_is_in_one_piece_and_each_lasts_a_second():
    pieces, _ = course_of(lambda t: 40.0 + t, until_s=10.0)
    assert sum(piece.samples for piece in pieces) == 40
    assert [piece.start_s for piece in pieces] == [float(k) for k in range(10)]
    assert [piece.end_s for piece in pieces[:-1]] == [float(k) for k in range(1, 10)]
    assert (pieces[3].lowest_v, pieces[3].mean_v, pieces[3].highest_v) == (43.0, 43.375, 43.75)


def test_a_warm_up_rests_and_settles_once_it_moves_less_than_a_hundredth_in_five_minutes():
    # 30 % above its end at switch-on, with the time constant of an output stage that warms through, two minutes.
    warm_up = lambda t: 40.0 * (1 + 0.3 * math.exp(-t / 120.0))  # noqa: E731
    _pieces, events = course_of(warm_up, noise_v=0.004, until_s=1500.0)
    assert kinds(events) == [CourseKind.RESTS, CourseKind.SETTLED]
    settled = events[1]
    # Over the five minutes before it the course falls by 1 %, tenth against tenth.
    due_s = next(t for t in range(300, 1500) if warm_up(t - 285) - warm_up(t - 15) <= 0.01 * warm_up(t - 15))
    assert settled.t_s == pytest.approx(due_s, abs=15.0)
    assert settled.value_v == pytest.approx(warm_up(settled.t_s - 15.0), abs=0.01)


def test_drift_is_followed_and_is_no_departure():
    # A cathode that creeps up by 50 % in an hour, as with gas or a leak: never settled, and never away.
    _, events = course_of(lambda t: 20.0 * (1 + 0.5 * t / 3600.0), noise_v=0.01, until_s=3600.0)
    assert kinds(events) == [CourseKind.RESTS]


def test_a_moment_away_is_told_when_it_begins_and_when_it_is_over():
    _, events = course_of(lambda t: 31.0 if 100.0 <= t < 101.3 else 41.2, noise_v=0.01, until_s=130.0)
    assert kinds(events) == [CourseKind.RESTS, CourseKind.LEFT, CourseKind.DIPPED]
    left, dip = events[1:]
    assert left.t_s == 100.0
    assert left.before_v == pytest.approx(41.2, abs=0.02)
    assert (dip.t_s, dip.lasted_s) == (100.0, 1.5)  # in steps of the meter's quarter second
    assert dip.value_v == pytest.approx(31.0, abs=0.05)


def test_two_moments_are_two_and_a_value_that_bounces_is_one():
    def crackle(t):
        return 35.0 if 60.0 <= t < 60.5 or 61.0 <= t < 61.5 or 90.0 <= t < 90.5 else 41.2

    _, events = course_of(crackle, until_s=120.0)
    assert kinds(events)[1:] == [CourseKind.LEFT, CourseKind.DIPPED] * 2
    assert events[2].lasted_s == 1.5


def test_a_value_that_stays_away_has_moved_and_comes_to_rest_again():
    _, events = course_of(lambda t: 41.2 if t < 400.0 else 36.0, noise_v=0.01, until_s=800.0)
    expected = [CourseKind.RESTS, CourseKind.SETTLED, CourseKind.LEFT, CourseKind.MOVED, CourseKind.RESTS]
    assert kinds(events) == [*expected, CourseKind.SETTLED]
    moved = events[3]
    assert (moved.t_s, round(moved.before_v), round(moved.value_v)) == (400.0, 41, 36)
    assert events[-1].t_s >= 400.0 + 300.0


def test_a_supply_that_flickers_by_half_a_per_cent_with_ripple_on_it_stays_at_rest():
    flicker = lambda t: 300.0 * (1 + 0.005 * math.sin(t / 2.0))  # noqa: E731 - mains, in seconds
    _, events = course_of(flicker, noise_v=0.6, resolution_v=0.1, until_s=700.0)
    assert CourseKind.LEFT not in kinds(events)
    assert kinds(events).count(CourseKind.SETTLED) == 1


def test_digits_of_a_value_near_zero_are_no_movement():
    _, events = course_of(lambda t: 0.003, noise_v=0.002, resolution_v=0.001, until_s=400.0)
    assert kinds(events) == [CourseKind.RESTS, CourseKind.SETTLED]


def test_silence_is_told_after_a_while_with_its_reason_and_is_no_value():
    pieces, events = course_of(lambda t: math.nan if 50.0 <= t < 80.0 else 41.2, until_s=120.0)
    assert kinds(events) == [CourseKind.RESTS, CourseKind.SILENT, CourseKind.SPEAKS, CourseKind.RESTS]
    assert (events[1].t_s, events[1].text) == (55.0, "the link failed here")
    assert events[2].lasted_s == 30.0
    assert not [piece for piece in pieces if 51.5 < piece.start_s < 80.0]
    assert {piece.mean_v for piece in pieces} == {41.2}


def test_a_change_of_range_is_no_silence():
    _, events = course_of(lambda t: math.nan if 50.0 <= t < 51.0 else 41.2, until_s=80.0)
    assert kinds(events) == [CourseKind.RESTS]


def test_a_slow_meter_is_followed_too():
    # A reading in two seconds, as of a meter on long integration.
    pieces, events = course_of(lambda t: 41.2 if t < 200.0 else 30.0, rate_hz=0.5, until_s=300.0)
    assert kinds(events) == [CourseKind.RESTS, CourseKind.LEFT, CourseKind.MOVED, CourseKind.RESTS]
    assert len(pieces) == 150


def test_a_program_that_was_stopped_for_a_while_goes_on_with_the_course():
    course = Course()

    def read(t_s):
        return course.feed(Sample(t_s=t_s, value_v=7.7, resolution_v=0.001, range_v=60.0))

    for quarter in range(120):
        read(quarter / 4)
    pieces, events = read(90.0)  # Ctrl-Z, a minute, and fg
    assert pieces[0].end_s < 33.0  # nothing is said of the minute
    assert not events
    assert course.rest_v == 7.7
