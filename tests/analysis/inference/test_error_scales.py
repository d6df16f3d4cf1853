"""How far model and meter may be off, where a signal has all but vanished."""

from dataclasses import replace

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.data import collect
from analysis.inference.error_scales import DC_SHIFT_ERROR, own_scale, shared_errors, shared_of_shift
from analysis.inference.panel import Panel
from analysis.inference.variables import MODEL_ERRORS, NO_STAGE, reading_noise
from analysis.suspects import Diagnoser

STAGE = "V1.6>V1.5"
GAIN, PHASE, OTHER = (
    Measurand(point=STAGE, quantity=quantity, freq_hz=hertz)
    for quantity, hertz in (("gain", 1000.0), ("phase_deg", 1000.0), ("phase_deg", 100.0))
)


@pytest.fixture(scope="module")
def panel():
    return Panel(ChassisModel(load_chassis("bench-6c4")), [GAIN, PHASE, OTHER])


def scales(panel, measurands, shift):
    """With the gain moved so far in the compared variable, phases where they were."""
    columns = np.array([panel.columns[m] for m in measurands])
    shown = panel.centre[columns] - shift * (panel.quantities[columns] == "gain")
    return own_scale(panel, columns, np.zeros(len(columns)), shown[None])[0]


@pytest.mark.parametrize(
    ("drives", "counts"),
    [((0.1, 0.5, 1.0), 0), ((1.0, 0.1, 0.5), 1), ((0.1, 0.1005), 1), ((0.5, None), 1), ((None, 0.5), 1)],
)
def test_of_gains_until_a_stage_clips_that_at_the_smallest_drive_counts(panel, drives, counts):
    """The last one counted: of a run of headroom that is a gain at the onset of clipping."""
    readings = [
        Reading(point=STAGE, quantity="gain", value=20.0 - n, freq_hz=1000.0, drive_pp_v=drive)
        for n, drive in enumerate(drives)
    ]
    assert collect(panel, readings).readings == (readings[counts],)


def test_what_the_model_may_miss_of_a_gain_it_may_miss_of_its_phase(panel):
    """An error of a complex number is as long across as along: radians against a share (any text on phasors)."""
    gain, phase, other = scales(panel, [GAIN, PHASE, OTHER], 3.0)
    assert phase**2 - MODEL_ERRORS["phase_deg"].base ** 2 == pytest.approx(gain**2 - MODEL_ERRORS["gain"].base ** 2)
    assert other == pytest.approx(MODEL_ERRORS["phase_deg"].base), "no gain was read at that frequency"
    # In whatever order, and without the gain.
    assert scales(panel, [OTHER, PHASE, GAIN], 3.0)[1] == pytest.approx(phase)
    assert scales(panel, [PHASE], 3.0)[0] == pytest.approx(MODEL_ERRORS["phase_deg"].base)


def test_a_phase_is_as_sure_as_before_where_the_gain_is_as_it_should_be(panel):
    assert scales(panel, [GAIN, PHASE], 0.0)[1] == pytest.approx(MODEL_ERRORS["phase_deg"].base)


@pytest.mark.parametrize("gain", [0.5, 50.0])
def test_an_ordinary_gain_is_as_sure_as_the_meter(gain):
    both = [Reading(point=STAGE, quantity="gain", freq_hz=1e3, value=gain, std=0.02 * gain),
            Reading(point=STAGE, quantity="phase_deg", freq_hz=1e3, value=180.0, std=1.0)]  # fmt: skip
    assert reading_noise(both) == pytest.approx([0.02, np.radians(1.0)], rel=0.4)


def test_a_ratio_to_a_signal_that_is_hardly_there_is_worth_little():
    """No stage amplifies 16,000 times (common practice, no source): what came out did not come in there."""
    both = [Reading(point=STAGE, quantity="gain", freq_hz=1e3, value=16e3, std=320.0),
            Reading(point=STAGE, quantity="phase_deg", freq_hz=1e3, value=17.0, std=1.4)]  # fmt: skip
    assert (reading_noise(both) > 16e3 / NO_STAGE).all()


def test_stages_in_a_row_that_should_amplify_six_thousand_times_are_as_sure_as_one():
    """From the grid of a first stage to the plate of an output tube (common practice, no source)."""
    gain = Reading(point=STAGE, quantity="gain", freq_hz=1e3, value=6e3, std=120.0)
    assert reading_noise([gain], {(STAGE, 1e3): 6e3}) == pytest.approx([0.02], rel=0.5)
    assert reading_noise([gain], {(STAGE, 1e3): 60.0}) > 6e3 / NO_STAGE


@pytest.mark.parametrize("count", [1, 30, 60])
def test_two_probes_that_differ_with_frequency_are_no_open_capacitor(count):
    """A healthy stage within the spread of its tube, read with probes that differ by 2 % a decade."""
    model = ChassisModel(load_chassis("gangway-two"))
    hertz = np.geomspace(50.0, 15e3, count) if count > 1 else [1000.0]
    sweep = [Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=float(f)) for f in hertz]
    volts = [Measurand(point=p, quantity="dc_v") for p in ("HT1", "HT2", "V1.1", "V1.3", "V1.8")]
    readings = []
    for measurand, value in zip([*sweep, *volts], model.predict({}, [*sweep, *volts])[0], strict=True):
        at = measurand.freq_hz
        shown = float(value) * (0.93 * (1.0 + 0.02 * np.log10(at / 1000.0)) if at else 1.0)
        std = 0.02 * shown if at else 0.005 * shown + 0.002
        readings.append(
            Reading(point=measurand.point, quantity=measurand.quantity, freq_hz=at, value=shown, std=std)
        )
    found = Diagnoser(model, [*sweep, *volts]).diagnose(readings)
    assert found.healthy_probability > 0.4
    assert found.suspects[0].probability < 0.2


@pytest.mark.parametrize("quantity", ["gain", "dc_v"])
def test_no_part_of_the_error_about_a_shift_counts_twice(quantity):
    """Variances of parts that make one error add up to it (JCGM 100:2008, 5.1)."""
    model = ChassisModel(load_chassis("bench-6c4"))
    one = GAIN if quantity == "gain" else Measurand(point="V1.5", quantity="dc_v")
    panel = Panel(model, [one])
    shift, error = 2.0, MODEL_ERRORS[quantity]
    shown, none = panel.centre[None] - shift, np.zeros((1, 1, len(panel.unknowns)))
    own = own_scale(panel, np.array([0]), np.zeros(1), shown)[0, 0]
    together = shared_errors(panel, np.array([0]), none, shown)[0, 0]
    even = error.of_shift * shift if quantity == "gain" else min(error.of_shift * shift, DC_SHIFT_ERROR)
    parts = (error.base, error.shared, even, error.of_square * shift**2)
    assert own**2 + (together**2).sum() == pytest.approx(sum(part**2 for part in parts))
    beside = shared_of_shift(panel, np.array([0]), shown)[0, 0]
    assert own**2 + beside**2 == pytest.approx(sum(part**2 for part in parts) - error.shared**2)


def test_a_missing_frequency_is_one_kilohertz_for_the_noise_as_for_the_model():
    """A phase is worth little where nothing comes through, however its frequency is written down."""
    gain = Reading(point=STAGE, quantity="gain", freq_hz=1e3, value=1e-4, std=1e-6)
    told = [
        reading_noise([gain, Reading(point=STAGE, quantity="phase_deg", freq_hz=f, value=10.0, std=1.0)])[1]
        for f in (1e3, None)
    ]
    assert told[0] == told[1] > 1.0


def test_the_same_signal_with_and_without_its_frequency_is_one_reading():
    model = ChassisModel(load_chassis("bench-6c4"))
    both = [Reading(point="V1.5", quantity="pp_v", value=v, freq_hz=f, drive_pp_v=0.1)
            for v, f in ((1.0, None), (1.1, 1000.0))]  # fmt: skip
    kept = collect(Panel(model, [r.measurand for r in both]), both).readings
    assert [r.value for r in kept] == [1.1]


@pytest.mark.parametrize("std", [1e160, 1e300])
def test_a_reading_of_any_uncertainty_says_nothing_and_breaks_nothing(std):
    """Numpy's warnings end a test here: squares of such numbers are infinite."""
    points = ("HT1", "HT2", "V1.1", "V1.3")
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [Measurand(point=p, quantity="dc_v") for p in points] + [Measurand(point="V1.2>V1.1", quantity="gain")]
    shown = model.predict({}, wanted)[0]
    sure = [Reading(point=m.point, quantity=m.quantity, value=float(v)) for m, v in zip(wanted, shown, strict=True)]
    diagnoser = Diagnoser(model, wanted)
    without = diagnoser.diagnose(sure[:3]).healthy_probability
    unsure = [*sure[:3], *(replace(r, value=3.0 * r.value, std=std) for r in sure[3:])]
    assert diagnoser.diagnose(unsure).healthy_probability == pytest.approx(without, abs=0.01)
