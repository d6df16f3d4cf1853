"""A reading that does not mean what it says, and two faults at once."""

from dataclasses import replace

import numpy as np
import pytest

from acquisition.records import Event, Measurand, Reading
from analysis.chassis import ChassisModel, MeterLoad, load_chassis
from analysis.faults import load_fault_file
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.inference.variables import to_variable
from analysis.suspects import Diagnoser
from analysis.suspects.artefacts import put_right
from analysis.suspects.because import Healthy
from analysis.suspects.mishap import Mishap
from analysis.suspects.mishaps import mishaps

POINTS = ("HT1", "HT2", "V1.1", "V1.2", "V1.3", "V1.7", "V1.8", "OUT")
WANTED = [Measurand(point=point, quantity="dc_v") for point in POINTS]


@pytest.fixture(scope="module")
def diagnoser():
    return Diagnoser(ChassisModel(load_chassis("gangway-two")), WANTED, dc_only=True)


def readings_of(model, values, wrong=()):
    """DC of a chassis; `wrong` replaces readings by point."""
    table = model.predict({key: np.array([value]) for key, value in values.items()}, WANTED)[0]
    volts = dict(zip(POINTS, map(float, table), strict=True)) | dict(wrong)
    return [
        Reading(point=p, quantity="dc_v", value=v, std=float(np.hypot(0.003 * v, 0.002))) for p, v in volts.items()
    ]


def healthy_volts(model, point):
    return float(model.predict({}, [Measurand(point=point, quantity="dc_v")])[0, 0])


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_one_reading_off_by_ten_asks_for_the_probe_factor(diagnoser, factor):
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.3": healthy_volts(model, "V1.3") * factor}))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.3", "artefact: probe factor")
    assert "read V1.3 again" in first.separates


def test_a_gain_off_by_ten_asks_for_the_probe_factor_first():
    """Bench practice: a gain off by ten with all else as it should be is the probe's switch before it is a part."""
    model = ChassisModel(load_chassis("gangway-two"))
    gain = Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=1000.0)
    value = 10.0 * float(model.predict({}, [gain])[0, 0])
    reading = Reading(point=gain.point, quantity="gain", freq_hz=1000.0, value=value, std=0.01 * value)
    found = Diagnoser(model, [*WANTED, gain]).diagnose([*readings_of(model, {}), reading])
    first = found.suspects[0]
    assert (first.part, first.fault) == (gain.point, "artefact: probe factor")


@pytest.mark.parametrize("point", ["OUT", "V1.2"])
def test_next_to_nothing_shows_no_probe_factor(diagnoser, point):
    """A node that reads nothing when healthy, now 0.8 V: and a hundredth of it is nothing again."""
    found = diagnoser.diagnose(readings_of(diagnoser.model, {}, {point: 0.8}))
    assert not [s for s in found.suspects if s.fault == "artefact: probe factor"]


def test_a_bootstrapped_grid_read_with_one_megohm_asks_for_the_load(diagnoser):
    """The grid of the follower: most of its volts are gone behind 1 Mohm, and no part is at fault."""
    grid = [Measurand(point="V1.7", quantity="dc_v")]
    heavy = ChassisModel(diagnoser.model.chassis, MeterLoad(resistance_ohm=1e6)).predict({}, grid)
    found = diagnoser.diagnose(readings_of(diagnoser.model, {}, {"V1.7": float(heavy[0, 0])}))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.7", "artefact: heavy load")
    assert "1 Mohm" in first.because


def test_an_open_grid_leak_is_not_put_to_the_load(diagnoser):
    """Without its grid leak the follower lets go: other readings move too."""
    found = diagnoser.diagnose(readings_of(diagnoser.model, {"R4": 1e10}))
    assert found.suspects[0].part == "R4"


def test_a_reading_that_fits_the_mirrored_pin_asks_for_the_pin(diagnoser):
    """Pin 8 read where pin 3 was meant: the two cathodes of a noval twin (mirrored from below)."""
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.3": healthy_volts(model, "V1.8")}))
    pins = [s for s in found.suspects if s.fault == "artefact: wrong pin"]
    assert pins
    assert pins[0].part == "V1.3"
    assert "V1.8" in pins[0].because
    assert found.suspects.index(pins[0]) < 3


def test_a_pin_that_was_read_itself_counts_with_its_reading(diagnoser):
    """0.01 V at a plate is what its grid should read; but that grid reads -0.3 V, so the tip was not there."""
    readings = readings_of(diagnoser.model, {"R3": 1e10}, {"V1.2": -0.3})
    assert not [
        s for s in diagnoser.diagnose(readings).suspects if s.fault == "artefact: wrong pin" and "V1.2" in s.because
    ]


@pytest.fixture(scope="module")
def with_signals():
    """A model and its signal readings: gain and phase of a stage and of a follower, at two frequencies."""
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [
        Measurand(point=stage, quantity=quantity, freq_hz=freq)
        for stage in ("V1.2>V1.1", "V1.2>OUT")
        for freq in (100.0, 1000.0)
        for quantity in ("gain", "phase_deg")
    ]
    values = model.predict({}, wanted)[0]
    readings = [
        Reading(
            point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v),
            std=0.5 if m.quantity == "phase_deg" else 0.01 * abs(float(v)),
        )
        for m, v in zip(wanted, values, strict=True)
    ]  # fmt: skip
    return Diagnoser(model, [*WANTED, *wanted]), [*readings_of(model, {}), *readings]


def test_an_inverted_channel_is_named_and_no_part(with_signals):
    diagnoser, readings = with_signals
    turned = [replace(r, value=r.value % 360.0 - 180.0) if r.quantity == "phase_deg" else r for r in readings]
    found = diagnoser.diagnose(turned)
    assert found.suspects[0].fault == "artefact: channel inverted"
    assert max(s.probability for s in found.suspects if not s.fault.startswith("artefact")) < 0.2


def test_exchanged_probes_are_named_and_no_part(with_signals):
    diagnoser, readings = with_signals

    def seen(r):
        if r.point != "V1.2>V1.1":
            return r
        return (
            replace(r, value=-r.value) if r.quantity == "phase_deg" else replace(r, value=1.0 / r.value, std=0.001)
        )

    found = diagnoser.diagnose([seen(r) for r in readings])
    assert found.suspects[0].fault == "artefact: probes exchanged"
    assert max(s.probability for s in found.suspects if not s.fault.startswith("artefact")) < 0.2


def test_a_stage_that_passes_nothing_is_no_matter_of_the_probes(with_signals):
    """A dead stage may leave a gain of 0, which has no reciprocal."""
    diagnoser, readings = with_signals
    gain = Reading(point="V1.2>V1.1", quantity="gain", freq_hz=1000.0, value=0.0, std=1e-4)
    found = diagnoser.diagnose([*(r for r in readings if r.quantity == "dc_v"), gain])
    assert found.suspects
    assert not [s for s in found.suspects if s.fault == "artefact: probes exchanged"]


def test_leads_of_the_meter_exchanged_are_named_and_no_part(diagnoser):
    readings = readings_of(diagnoser.model, {})
    found = diagnoser.diagnose([replace(r, value=-r.value) for r in readings])
    first = found.suspects[0]
    assert (first.part, first.fault) == ("HT1, HT2, V1.1 and 5 more", "artefact: sign")
    assert first.probability > 0.9
    assert not [note for note in found.notes if "one fault alone" in note]


def test_a_forgotten_minus_asks_for_the_sign_of_that_reading(diagnoser):
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.8": -healthy_volts(model, "V1.8")}))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.8", "artefact: sign")


def test_volts_written_for_millivolts_ask_for_the_unit(diagnoser):
    model = diagnoser.model
    found = diagnoser.diagnose(readings_of(model, {}, {"V1.3": 1e3 * healthy_volts(model, "V1.3")}))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.3", "artefact: unit")
    assert "unit and range" in first.separates


def test_two_readings_exchanged_are_named_together(diagnoser):
    model = diagnoser.model
    turned = {"V1.1": healthy_volts(model, "HT2"), "HT2": healthy_volts(model, "V1.1")}
    found = diagnoser.diagnose(readings_of(model, {}, turned))
    first = found.suspects[0]
    assert (set(first.part.split(", ")), first.fault) == ({"V1.1", "HT2"}, "artefact: two exchanged")


@pytest.mark.parametrize(("values", "part"), [({"R2": 4e3}, "R2"), ({"R6": 60e3}, "R6"), ({"C2.leak": 1e-7}, "C2")])
def test_a_slip_beside_a_fault_shows_as_both(diagnoser, values, part):
    """The supply read on the wrong range switch of a divider: all else speaks of the part."""
    model = diagnoser.model
    readings = readings_of(model, values)
    at = next(i for i, r in enumerate(readings) if r.point == "HT2")
    readings[at] = replace(readings[at], value=readings[at].value / 10.0)
    found = diagnoser.diagnose(readings)
    assert {s.part for s in found.suspects if s.probability > 0.5} == {part, "HT2"}
    assert "put right in what follows: HT2" in found.notes
    assert found.healthy_probability < 0.05


def test_a_slip_at_a_reading_that_the_fault_moves_shows_too(diagnoser):
    """The follower rides high on its cathode resistor: its volts are no healthy ones with the sign put right."""
    readings = readings_of(diagnoser.model, {"R6": 150e3})
    at = next(i for i, r in enumerate(readings) if r.point == "V1.8")
    readings[at] = replace(readings[at], value=-readings[at].value)
    found = diagnoser.diagnose(readings)
    assert {s.part for s in found.suspects if s.probability > 0.5} == {"R6", "V1.8"}
    assert any(s.is_slip and "with R6 high" in s.because for s in found.suspects)


def test_what_the_model_does_not_know_well_is_no_slip():
    """Without its primary a pentode stands at the knee of its curves: 5 V by one law, half a volt by another."""
    model = ChassisModel(load_chassis("quayside-five"))
    wanted = [Measurand(point=p, quantity="dc_v") for p in "HT1 HT2 HT3 V1.1 V1.3 V1.6 V1.8 V2.3 V2.7 V2.9".split()]
    values = model.predict({"T1.primary_open_ohms": np.array([1e6])}, wanted)[0]
    values[8] *= 0.1
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=float(np.hypot(0.003 * v, 0.002)))
        for m, v in zip(wanted, values, strict=True)
    ]
    found = Diagnoser(model, wanted, dc_only=True).diagnose(readings)
    assert (found.suspects[0].part, found.suspects[0].fault) == ("T1", "winding open")
    assert not [s for s in found.suspects if s.is_slip]


def test_no_volts_anywhere_ask_for_the_black_lead_before_a_part(diagnoser):
    """Heated tubes charge their grids to tenths of a volt even without high tension; a loose lead reads none."""
    found = diagnoser.diagnose(readings_of(diagnoser.model, {}, dict.fromkeys(POINTS, 0.003)))
    first = found.suspects[0]
    assert first.fault == "artefact: nothing read"
    assert "black lead" in first.because
    assert "nothing read proves nothing dead" in first.separates
    assert not [note for note in found.notes if "one fault alone" in note]


@pytest.mark.parametrize("share", [1e-3, 1e-5])
def test_a_missing_high_tension_is_not_put_to_the_lead(diagnoser, share):
    """But where no grid was read the lead stays in the list: both show nothing."""
    readings = readings_of(diagnoser.model, {"HT1.emf": 280.0 * share})
    first = diagnoser.diagnose(readings).suspects[0]
    assert (first.part, first.fault) == ("HT1", "missing")
    found = diagnoser.diagnose(
        [replace(r, value=0.0) for r in readings if r.point in ("HT1", "HT2", "V1.1", "V1.8")]
    )
    assert found.suspects[0].part == "HT1"
    assert "artefact: nothing read" in [s.fault for s in found.suspects]


def test_a_chassis_with_two_live_points_has_a_black_lead_too():
    model = ChassisModel(load_chassis("bench-6c4"))
    points = ["HT", "V1.5", "V1.7"]
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    found = Diagnoser(model, wanted, dc_only=True).diagnose(
        [Reading(point=point, quantity="dc_v", value=0.001, std=0.002) for point in points]
    )
    assert "artefact: nothing read" in [s.fault for s in found.suspects]


def test_a_supply_that_is_high_is_not_called_low(diagnoser):
    """Volts and meter 25 % up: no severity of a low supply lies above what is drawn."""
    readings = [replace(r, value=1.25 * r.value) for r in readings_of(diagnoser.model, {})]
    found = diagnoser.diagnose(readings)
    assert {s.part: s.probability for s in found.suspects}.get("HT1", 0.0) < 0.05


@pytest.mark.parametrize(
    ("values", "parts"),
    [
        ({"R2": 4e3, "R6": 60e3}, {"R2", "R6"}),
        ({"C2.leak": 1e-7, "R2": 5e3}, {"C2", "R2"}),
        ({"R2": 5e3, "R5": 1e10}, {"R2", "R5"}),
        ({"R3": 90e3, "R6": 5e3}, {"R3", "R6"}),
    ],
)
def test_two_faults_at_once_are_named_together(diagnoser, values, parts):
    found = diagnoser.diagnose(readings_of(diagnoser.model, values))
    assert any("two together do better" in note for note in found.notes)
    assert {s.part for s in found.suspects[:2]} == parts


def test_what_tells_two_pairs_apart_is_proposed(diagnoser):
    """Both stages are off; which part of the second is to blame shows where it was not read."""
    readings = readings_of(diagnoser.model, {"R3": 90e3, "R6": 5e3})
    found = diagnoser.diagnose([r for r in readings if r.point in {"HT1", "HT2", "V1.1", "V1.3", "V1.8"}])
    assert any("two together do better" in note for note in found.notes)
    assert any(" and " in proposal.why for proposal in found.next)


def test_a_second_fault_with_look_alikes_is_shared_among_them(diagnoser):
    """A weak tube does nearly what a high cathode resistor does beside a high plate resistor."""
    found = diagnoser.diagnose(readings_of(diagnoser.model, {"R3": 200e3, "R5": 5e3}))
    chance = {(s.part, s.fault): s.probability for s in found.suspects}
    assert chance["R3", "high"] > 0.9
    assert chance["R5", "high"] > 0.1
    assert max(p for (part, _), p in chance.items() if part != "R3") < 0.95


def test_one_fault_is_not_called_two(diagnoser):
    found = diagnoser.diagnose(readings_of(diagnoser.model, {"R3": 90e3}))
    assert found.suspects[0].part == "R3"
    assert not any("one fault alone" in note for note in found.notes)


@pytest.mark.parametrize("kind", ["part_measured", "part_replaced"])
def test_a_part_measured_as_drawn_is_cleared(diagnoser, kind):
    readings = readings_of(diagnoser.model, {"R2": 2.2e3})
    before = {s.part: s.probability for s in diagnoser.diagnose(readings).suspects}
    good = Event(kind=kind, subject="R3", value=47e3, std=200.0)
    after = Diagnoser(diagnoser.model, WANTED, [good], dc_only=True).diagnose(readings)
    assert after.suspects[0].part == "R2"
    assert after.suspects[0].probability >= before["R2"] - 0.01
    assert {s.part: s.probability for s in after.suspects}.get("R3", 0.0) <= before.get("R3", 0.0) + 0.001


@pytest.fixture(scope="module")
def with_scope():
    """Gangway Two by meter and scope: signals at four points, ripple at three."""
    signals = [
        Measurand(point=p, quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.2) for p in ("IN", "V1.1", "V1.8", "OUT")
    ]
    hum = [Measurand(point=p, quantity="ripple_pp_v") for p in ("HT1", "HT2", "V1.1")]
    model = ChassisModel(load_chassis("gangway-two"))
    return Diagnoser(model, [*WANTED, *signals, *hum]), [*signals, *hum]


def read_by_scope(model, wanted, values, times):
    """Readings of signals, those of the quantities in ``times`` written down so many times too large."""
    shown = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    shown = shown * [times.get(m.quantity, 1.0) for m in wanted]
    noise = 1.0 + 0.01 * np.random.default_rng(2).standard_normal(len(shown))
    return [
        Reading(
            point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, drive_pp_v=m.drive_pp_v,
            value=float(v * n), std=float(0.015 * v),
        )
        for m, v, n in zip(wanted, shown, noise, strict=True)
    ]  # fmt: skip


RMS = 1.0 / (2.0 * np.sqrt(2.0))
"""Of a sine, volts rms over volts peak to peak (any textbook)."""


@pytest.mark.parametrize(
    "times", [{"pp_v": RMS}, {"pp_v": 1.0 / RMS}, {"pp_v": RMS, "ripple_pp_v": RMS}, {"pp_v": 0.5}]
)
@pytest.mark.parametrize(("values", "part"), [({}, ""), ({"R2": 1500.0 * 3.0}, "R2")])
def test_signals_written_in_volts_rms_ask_for_that_and_what_is_wrong_is_found_beside_it(
    with_scope, times, values, part
):
    """An open input capacitor was certain: nothing else takes the same share of every signal."""
    diagnoser, wanted = with_scope
    signals = read_by_scope(diagnoser.model, wanted, values, times)
    found = diagnoser.diagnose([*readings_of(diagnoser.model, values), *signals])
    (slip,) = [s for s in found.suspects if s.fault == "artefact: rms or peak"]
    assert slip.probability > 0.9
    others = [s for s in found.suspects if not s.fault.startswith("artefact")]
    assert (others[0].part == part and others[0].probability > 0.5) if part else found.healthy_probability > 0.5


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_a_probe_switch_falsifies_signals_and_ripple_alike(with_scope, factor):
    """Put right in one of them only, the other was a leaking heater or a dried-out capacitor."""
    diagnoser, wanted = with_scope
    signals = read_by_scope(diagnoser.model, wanted, {}, {"pp_v": factor, "ripple_pp_v": factor})
    found = diagnoser.diagnose([*readings_of(diagnoser.model, {}), *signals])
    assert found.suspects[0].fault == "artefact: probe factor"
    assert "4 more" in found.suspects[0].part
    assert found.healthy_probability > 0.5


@pytest.mark.parametrize("larger", [("C6",), ("C7",), ("C6", "C7", "C8")])
def test_a_larger_capacitor_than_drawn_is_named_and_is_no_unit(larger):
    """Whoever replaced 22 uF by 100 uF left less ripple behind it: a high R8, or ripple in volts rms."""
    model = ChassisModel(load_chassis("quayside-five"))
    points = ("HT1", "HT2", "HT3", "V1.1", "V1.6", "V2.7")
    wanted = [Measurand(point=p, quantity=q) for q in ("dc_v", "ripple_pp_v") for p in points]
    values = {name: 4.5 * model.parameters[name].nominal for name in larger}
    found = Diagnoser(model, wanted).diagnose(read_by_scope(model, wanted, values, {}))
    first = found.suspects[0]
    assert (first.part, first.fault) == (larger[0], "high")
    assert first.probability > 0.9
    assert first.estimate.low < values[larger[0]] < first.estimate.high
    assert "another value fitted?" in first.because
    assert not [s for s in found.suspects if s.fault == "artefact: rms or peak" and s.probability > 0.1]


def test_a_capacitor_that_halves_a_stage_is_no_unit(with_scope):
    """What a stage loses is missing at its output, not at its input."""
    diagnoser, wanted = with_scope
    found = diagnoser.diagnose(read_by_scope(diagnoser.model, wanted, {"C4": 4e-10}, {}))
    assert found.suspects[0].part == "C4"
    assert not [s for s in found.suspects if s.fault == "artefact: rms or peak"]


@pytest.fixture(scope="module")
def five():
    """Diagnosis of Quayside Five as it should be, but for some readings."""
    model = ChassisModel(load_chassis("quayside-five"))
    diagnoser = Diagnoser(model, dc_only=True)
    wanted = [
        Measurand(point=point, quantity="dc_v")
        for point in ("HT1", "HT3", "V1.1", "V1.2", "V1.3", "V1.6", "V1.7", "V1.8", "V2.3", "V2.7", "V2.9")
    ]
    noise = 1.0 + 0.004 * np.random.default_rng(4).standard_normal(len(wanted))
    volts = dict(zip([m.point for m in wanted], (model.predict({}, wanted)[0] * noise).tolist(), strict=True))

    def diagnose(**wrong):
        read = volts | {point.replace("_", "."): value for point, value in wrong.items()}
        return diagnoser.diagnose(
            [
                Reading(point=point, quantity="dc_v", value=value, std=0.004 * abs(value) + 0.002)
                for point, value in read.items()
            ]
        )

    return diagnose


def test_a_cathode_that_no_plate_goes_with_is_read_again_before_a_part_is_blamed(five):
    """Twice the volts at a cathode is twice the current, or half of it in twice the resistor: the plate moves."""
    assert five().healthy_probability > 0.4
    found = five(V1_3=2.4)
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1.3", "artefact: misread")
    assert first.probability > 0.7
    assert "2.4 V where 1.2" in first.because
    assert "read V1.3 again" in first.separates
    assert found.healthy_probability > 0.3


def test_a_cathode_whose_plate_goes_with_it_is_no_slip_of_the_pen(five):
    found = five(V1_3=1.55, V1_1=190.0)
    assert not [s for s in found.suspects if s.fault == "artefact: misread"]


def test_the_reading_furthest_from_all_others_is_named_where_nothing_explains_it(five):
    """Above what feeds it, no fault of a part brings it there."""
    found = five(V2_9=272.0)
    (doubt,) = [note for note in found.notes if "one fault alone" in note]
    assert "furthest off is V2.9, 272 V where the others ask for 23" in doubt


def test_a_part_for_which_one_reading_speaks_alone_asks_for_that_reading_again(five):
    found = five(V1_1=85.0)
    assert found.suspects[0].part in ("R2", "R3")
    assert "stands on V1.1 alone: read it again first" in found.suspects[0].because
    both = five(V1_1=100.0, V1_3=1.75)
    assert "read it again first" not in both.suspects[0].because


def test_a_meter_that_holds_its_value_is_no_fault_of_any_part(five):
    """Two shorted capacitors were certain."""
    points = "HT1 HT3 V1_1 V1_2 V1_3 V1_6 V1_7 V1_8 V2_3 V2_7 V2_9".split()
    found = five(**dict.fromkeys(points, 1.45))
    first = found.suspects[0]
    assert first.fault == "artefact: meter stands still"
    assert first.probability > 0.9
    assert "prove the meter" in first.separates
    assert all(suspect.probability < 0.2 for suspect in found.suspects[1:])


@pytest.mark.parametrize("volts", [0.0, -1.0])
def test_no_load_takes_all_of_the_volts_or_turns_their_sign(diagnoser, volts):
    """A divider of two resistors (Ohm's law): what came to nothing came to it in another way."""
    panel = diagnoser.panel
    reading = Reading(point="V1.7", quantity="dc_v", value=volts, std=0.01)
    data = collect(panel, [reading])
    light, heavy = (
        ChassisModel(diagnoser.model.chassis, MeterLoad(resistance_ohm=ohm)).predict({}, [reading.measurand])[0, 0]
        for ohm in (10e6, 1e6)
    )
    put_right = data.measured + to_variable("dc_v", light) - to_variable("dc_v", heavy)
    view = Healthy(expected=put_right, spread=np.array([0.1]), z=np.array([9.0]))
    assert "heavy load" not in {trial.entry.name for trial in mishaps(panel, data, view)}


def test_a_gain_put_right_tells_how_well_the_phase_beside_it_is_known():
    """A thousandth of the gain hides the phase; with the unit of the probe put right it does not (phasor noise)."""
    stage = "V1.2>V1.1"
    both = [Reading(point=stage, quantity="gain", freq_hz=1e3, value=1.0, std=0.01),
            Reading(point=stage, quantity="phase_deg", freq_hz=1e3, value=180.0, std=0.1)]  # fmt: skip
    panel = Panel(ChassisModel(load_chassis("gangway-two")), [r.measurand for r in both])
    small = [replace(both[0], value=1e-3, std=1e-5), both[1]]
    (entry,) = (one for one in load_fault_file().artefacts if one.name == "unit")
    trial = Mishap(entry=entry, rows=(0,), readings=(both[0],), because="")
    right = put_right(panel, collect(panel, small), trial)
    assert right.noise == pytest.approx(collect(panel, both).noise)


@pytest.mark.parametrize("points", [("HT2", "V1.1", "V1.3"), ("V1.1", "V1.3"), ("V1.1",)])
def test_a_forgotten_minus_beside_a_fault_is_no_other_fault(diagnoser, points):
    """Of a dead half the plate is at its supply. Written down with a minus no fault explains it: an open plate
    resistor, which leaves 0 V there, stood with 0.99."""
    right = [r for r in readings_of(diagnoser.model, {"V1b.strength": 1e-5}) if r.point in points]
    wrong = [replace(r, value=-r.value) if r.point == "V1.1" else r for r in right]
    found = diagnoser.diagnose(wrong)
    (slip,) = (s for s in found.suspects if s.is_slip)
    assert (slip.part, slip.fault) == ("V1.1", "artefact: sign")
    assert slip.probability > 0.95
    assert "a live point, V1.1 -256 V for about 11" in slip.because
    assert "put right in what follows: V1.1" in found.notes
    chance = {(s.part, s.section, s.fault): s.probability for s in found.suspects}
    meant = diagnoser.diagnose(right).suspects[0]
    assert chance[meant.part, meant.section, meant.fault] == pytest.approx(meant.probability, abs=0.02)
