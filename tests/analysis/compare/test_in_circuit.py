"""What a replaced part measures in circuit, from readings of both passes."""

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from acquisition.records import Event, Measurand, Pass, Reading
from acquisition.store import open_job
from analysis.chassis import ChassisModel, load_chassis
from analysis.compare import AGREES, UNCHANGED, Change, InCircuit, replaced_values, values_in_circuit
from analysis.compare.asking import Answer, answered, ask, side_by_side
from analysis.compare.interval import interval_of, widened
from analysis.report.in_circuit import value_proof, value_rows, value_sentences


@pytest.fixture(scope="module")
def trials():
    path = Path(__file__).resolve().parents[2] / "outside" / "simulated_repairs.py"
    spec = importlib.util.spec_from_file_location("repair_trials", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def only(taken, *quantities):
    return replace(taken, readings=tuple(r for r in taken.readings if r.quantity in quantities))


@pytest.fixture(scope="module")
def leaky(trials):
    """A coupling capacitor that leaks 20 megohm, replaced by a sound one."""
    rounds, truths = trials.passes("C4", {"C4.leak": 1 / 20e6}, {}, 11)
    work = [Event(kind="part_replaced", subject="C4", value=21.9e-9, std=0.2e-9)]
    return replaced_values(trials.MODEL, *rounds, work_after=work), rounds, truths


def test_a_leak_is_measured_before_and_bounded_after(leaky):
    (value, leak), _, truths = leaky  # film has no series resistance that a stage would notice
    assert [v.name for v in (value, leak)] == ["capacitance", "leak resistance"]
    assert leak.before.low < 20e6 < leak.before.high < 3 * leak.before.low
    assert leak.after.value is None
    assert leak.after.high is None
    assert leak.after.low > 100e6
    for found, truth in zip((value.before, value.after), truths, strict=True):
        assert found.low < truth["C4"] < found.high < 1.6 * found.low
        assert found.low < found.value < found.high
    assert (value.drawn, value.tester, leak.drawn) == (22e-9, 21.9e-9, None)


def test_in_words_for_a_customer(leaky):
    values, _, _ = leaky
    sentences = value_sentences(values, ascii_only=True)
    assert sentences[0].startswith("The capacitance of C4 was ")
    assert "nF) before and is" in sentences[0]
    assert "22 nF drawn, 21.9 nF by the tester before it was fitted" in sentences[0]
    assert "and is more than" in sentences[1]
    assert "95 %" in sentences[-1]
    assert "Ω" in value_sentences(values)[1]
    assert value_sentences(()) == []
    rows = value_rows(values)
    assert [row.what for row in rows] == ["C4 capacitance", "C4 leak resistance"]
    assert rows[0].beside == "22 nF drawn, 21.9 nF new by tester"
    assert "MΩ" in rows[1].before
    # Only what certainly changed is a proof.
    (proof,) = value_proof(values)
    assert proof.startswith("In circuit, by each round alone, the leak resistance of C4 was ")
    assert "and is more than" in proof


def test_direct_volts_alone_tell_a_leak_and_no_capacitance(trials, leaky):
    _, rounds, _ = leaky
    found = values_in_circuit(trials.MODEL, only(rounds[0], "dc_v"), "C4")
    assert found["leak"].low < 20e6 < found["leak"].high
    assert found["value"].text == "these readings cannot tell"


def test_without_readings_nothing_is_told(trials):
    found = values_in_circuit(trials.MODEL, Pass(name="a", started_utc=""), "C3")
    assert {what: answer.text for what, answer in found.items()} == dict.fromkeys(
        ("value", "leak", "esr"), "these readings cannot tell"
    )


def test_a_resistor_has_one_value_and_a_tube_none(trials):
    rounds, truths = trials.passes("C4", {}, {"R4": 2.0}, 12)
    swapped = tuple(Event(kind="part_replaced", subject=name) for name in ("R4", "V1", "unknown"))
    (found,) = replaced_values(trials.MODEL, rounds[0], replace(rounds[1], events=swapped))
    assert (found.part, found.what, found.name, found.drawn) == ("R4", "value", "resistance", 1.5e3)
    for answer, truth in zip((found.before, found.after), truths, strict=True):
        assert answer.low < answer.value < answer.high < 1.4 * answer.low
        assert answer.value == pytest.approx(truth["R4"], rel=0.15)


def test_of_two_bad_parts_that_do_not_explain_each_other_each_interval_holds_the_truth(trials):
    """R4 high and C4 leaking, and nothing known of either: taken beside a sound R4, C4 had been 110 uF."""
    rounds, truths = trials.passes("C4", {"C4.leak": 1 / 3e5, "R4": 30e3}, {"R4": 1.0}, 21)
    truths[1]["R4"] = trials.MODEL.parameters["R4"].nominal
    swapped = tuple(Event(kind="part_replaced", subject=name) for name in ("R4", "C4"))
    values = replaced_values(trials.MODEL, rounds[0], replace(rounds[1], events=swapped))
    for value in values:
        key = value.part if value.what == "value" else f"{value.part}.{value.what}"
        true = truths[0][key]
        assert value.before.holds(1.0 / true if value.what == "leak" else true), value
    assert values[0].before.low > 5e3  # of a tube so far cut off the gain says little


def test_readings_that_no_value_of_the_part_gives_tell_no_value(trials):
    """R4 is twenty times too high and was not changed: C4 had been told of in figures, before and after."""
    rounds, _ = trials.passes("C4", {"C4.leak": 1 / 3e5, "R4": 30e3}, {}, 22)
    (found,) = (values_in_circuit(trials.MODEL, one, "C4") for one in rounds[:1])
    assert {what: (one.low, one.high, one.unfit) for what, one in found.items()} == dict.fromkeys(
        ("value", "leak"), (None, None, True)
    )
    assert found["leak"].text == "these readings fit no value"


def test_mains_that_the_rails_contradict_are_not_known(trials):
    """23 V typed for 231: values in circuit had believed it, though the suspects of the same pass did not."""
    rounds, truths = trials.passes("C3", {"C3.leak": 1 / 3e3}, {}, 23)
    mistyped, unknown = (
        values_in_circuit(trials.MODEL, replace(rounds[0], mains_v=mains_v), "C3") for mains_v in (23.1, None)
    )
    assert mistyped == unknown
    assert mistyped["leak"].low < 1.0 / truths[0]["C3.leak"] < mistyped["leak"].high


def test_the_interval_widens_by_what_is_left_unexplained_and_ends_where_nothing_fits():
    # Quantile 0.95 of chi-squared with one degree of freedom; 0.999 with ten: 29.59 (tables).
    assert widened(3.0, 10) == pytest.approx(3.84)
    assert widened(20.0, 10) == pytest.approx(2 * 3.84)
    assert math.isfinite(widened(29.5, 10))
    assert math.isinf(widened(29.7, 10))


def test_intervals_of_a_parabola_and_of_a_slope():
    places = np.linspace(-1.0, 3.0, 33)
    best, low, high = interval_of(places, -0.5 * ((places - 1.03) / 0.3) ** 2)
    assert best == pytest.approx(1.03, abs=1e-6)
    # Quantile 0.975 of the normal distribution.
    assert low == pytest.approx(1.03 - 1.96 * 0.3, abs=2e-3)
    assert high == pytest.approx(1.03 + 1.96 * 0.3, abs=2e-3)
    fading = -0.5 * np.maximum(0.0, places / 0.5) ** 2
    _, low, high = interval_of(places, fading)
    assert low is None
    assert high == pytest.approx(0.98, abs=2e-3)
    assert interval_of(places, 0.0 * places)[1:] == (None, None)


def test_a_leak_that_drives_the_next_grid_into_current_is_not_taken_for_something_else(tmp_path):
    # By the slopes of the healthy chassis a small capacitor in series with 100 k looks likely.
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))
    from repaired_five import LEAK_SIEMENS, build

    with open_job(
        build(tmp_path / "five.stagewalk", frequencies=8, captures=0, passes=("as-found",)), read_only=True
    ) as job:
        taken = job.read_pass("as-found")
    found = values_in_circuit(ChassisModel(load_chassis("quayside-five")), taken, "C4")
    assert found["leak"].value == pytest.approx(1 / LEAK_SIEMENS, rel=0.05)
    assert 11e-9 < found["value"].low < 22e-9 < found["value"].high < 33e-9  # half of it, either way


def test_parts_and_passes_searched_side_by_side_give_what_each_alone_gives(trials, leaky):
    values, rounds, _ = leaky
    alone = [values_in_circuit(trials.MODEL, one, "C4") for one in rounds]
    for value in values:
        for side, apart in zip((value.before, value.after), alone, strict=True):
            for one, other in ((side.low, apart[value.what].low), (side.high, apart[value.what].high)):
                assert (one is None) == (other is None)
                assert one is None or one == pytest.approx(other, rel=0.02)


def test_tasks_of_unlike_length_are_answered_together():
    asked = []

    def task(count):
        total = 0.0
        for place in range(count):
            total += float((yield from ask(np.full((place + 1, 1), float(count)))).sum())
        return total

    def answer(wanted):
        asked.append(sorted(wanted))
        return {
            place: tuple(Answer(shown=10.0 * q.samples, slopes=np.zeros((0, 1, 1))) for q in questions)
            for place, questions in wanted.items()
        }

    def both():
        return (yield from side_by_side([task(1), task(3)]))

    assert answered([task(2), both(), task(0)], answer) == [60.0, [10.0, 180.0], 0.0]
    assert asked == [[0, 1], [0, 1], [1]]


def one_gain(trials, stage, values, error=1.0):
    """A pass with nothing but the gain of one stage at 50 Hz."""
    asked = Measurand(point=stage, quantity="gain", freq_hz=50.0, drive_pp_v=0.02)
    gain = float(trials.MODEL.predict({key: np.full(1, value) for key, value in values.items()}, [asked])[0, 0])
    read = Reading(
        point=stage, quantity="gain", freq_hz=50.0, drive_pp_v=0.02, value=error * gain, std=0.011 * gain,
        instrument="scope", range_v=10.0,
    )  # fmt: skip
    return Pass(name="a", started_utc="", mains_v=230.0, readings=(read,)), gain


@pytest.mark.parametrize(("part", "stage"), [("C5", "V2.2>SPK"), ("C1", "V1.2>V1.1")])
def test_whatever_explains_one_gain_as_well_is_inside(trials, part, stage):
    """A fifth of the capacitance, or all of it and ohms in series: both read the same."""
    size = trials.MODEL.parameters[part].nominal
    taken, gain = one_gain(trials, stage, {part: 0.2 * size})
    found = values_in_circuit(trials.MODEL, taken, part)
    ohms = np.geomspace(1.0, 1e4, 400)
    asked = [reading.measurand for reading in taken.readings]
    gains = trials.MODEL.predict({part: np.full(400, size), f"{part}.esr": ohms}, asked)[:, 0]
    series = float(ohms[np.abs(gains - gain).argmin()])
    assert np.abs(gains - gain).min() < 0.005 * gain
    for farad, ohm in ((0.2 * size, 0.0), (size, series)):
        assert found["value"].holds(farad)
        assert found["esr"].holds(ohm)
        assert found["leak"].holds(1e9)


@pytest.mark.parametrize(("part", "stage", "seed"), [("C5", "V2.2>SPK", 0), ("C4", "V1.7>V1.6", 2)])
@pytest.mark.parametrize("share", [0.2, 1.0])
def test_one_gain_of_a_specimen_calls_no_sound_capacitor_shorted(trials, part, stage, seed, share):
    rng = np.random.default_rng([seed, 1])
    specimen = {key: value[0] for key, value in trials.MODEL.draw(1, rng).items()}
    size = share * trials.MODEL.parameters[part].nominal
    taken, _ = one_gain(trials, stage, {**specimen, part: size}, 1.0 + 0.01 * rng.standard_normal())
    found = values_in_circuit(trials.MODEL, taken, part)
    assert found["leak"].holds(1.0 / specimen[f"{part}.leak"])
    assert found["value"].holds(size)


def test_texts():
    assert InCircuit(value=2.2e-8, low=2e-8, high=2.44e-8, unit="F").text == "22 nF (20 nF to 24 nF)"
    assert InCircuit(value=2.99e6, low=2.96e6, high=3.04e6, unit="ohm").text == "2.99 Mohm (2.96 Mohm to 3.04 Mohm)"
    assert InCircuit(low=1e9, unit="ohm").text == "more than 1 Gohm"
    assert InCircuit(high=100.0, unit="ohm").text == "less than 100 ohm"


@pytest.mark.parametrize(
    ("was", "now", "direction", "says"),
    [
        ("agrees", "agrees", "away", "still in band"),
        ("unclear", "agrees", "away", "still in band"),
        ("low", "agrees", "toward", "back in band"),
        ("high", "unclear", "toward", "back at its edge"),
        ("low", "low", "toward", "closer, still low"),
        ("high", "high", "away", "further off, high"),
        ("agrees", "high", "away", "out of band, high"),
        ("", "", "toward", "closer"),
        ("", "", "away", "further off"),
        ("", "", "", ""),
    ],
)
def test_where_a_change_led_to(was, now, direction, says):
    change = Change(
        measurand=Measurand(point="V1.1", quantity="dc_v"), before=1.0, after=2.0, before_std=0.1, after_std=0.1,
        corrected=2.0, change=1.0, change_std=0.1, z=10.0, probability=0.0, trend=False, verdict=AGREES,
        direction=direction, was=was, now=now,
    )  # fmt: skip
    assert change.moved == says
    assert replace(change, verdict=UNCHANGED).moved == ""
    assert math.isclose(change.z, 10.0)


def test_ripple_alone_tells_capacitance_and_no_series_resistance(trials):
    rounds, truths = trials.passes("C6", {"C6": 0.2 * 47e-6}, {}, 14)
    found = values_in_circuit(trials.MODEL, only(rounds[0], "dc_v", "ripple_pp_v"), "C6")
    assert found["value"].low < truths[0]["C6"] < found["value"].high < 47e-6
    assert found["esr"].text == "taken as sound"


def test_ripple_that_comes_through_a_tube_tells_nothing_of_a_part(trials):
    """By a cathode's ripple an open bypass was 17 to 34 uF: its model is wrong by a factor, not by a tenth."""
    rounds, _ = trials.passes("C5", {"C5": 1e-8}, {}, 15)
    direct = only(rounds[0], "dc_v")
    hums = Reading(point="V2.3", quantity="ripple_pp_v", value=0.02, std=0.0005, freq_hz=100.0)
    with_hum = replace(direct, readings=(*direct.readings, hums))
    found, without = (values_in_circuit(trials.MODEL, one, "C5") for one in (with_hum, direct))
    assert found == without
    assert found["value"].text == found["esr"].text == "these readings cannot tell"
