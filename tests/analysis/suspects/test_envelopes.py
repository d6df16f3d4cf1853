"""What the sections of a tube have in common: heater, vacuum and socket (common practice, no source)."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.sensitivities import slopes_of
from analysis.suspects import Diagnoser

DC = {
    "foreshore-four": ("HT1", "HT2", "HT3", "V1.1", "V1.3", "V1.6", "V1.8", "V2.3"),
    "harbour-twenty": ("HT1", "HT3", "V2.1", "V2.3", "V2.6", "TAIL", "FB", "V1.1", "V3.8"),
}


def readings(model, points, values):
    wanted = [Measurand(point=p, quantity="dc_v") for p in points]
    shown = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    noise = np.random.default_rng(7).standard_normal(len(wanted))
    return [
        Reading(point=m.point, quantity="dc_v", value=float(v * (1 + 0.004 * n) + 0.002 * n))
        for m, v, n in zip(wanted, shown, noise, strict=True)
    ]


@pytest.mark.parametrize(
    ("name", "socket", "times", "fault"),
    [
        ("foreshore-four", "V1", 1e-5, "dead"),
        ("foreshore-four", "V1", 0.25, "weak"),
        ("harbour-twenty", "V2", 1e-5, "dead"),
    ],
)
def test_a_twin_tube_that_fails_as_a_whole_is_one_fault(name, socket, times, fault):
    """Dead, the pair was an open cathode resistor with certainty, and the two stages a dead one beside another."""
    model = ChassisModel(load_chassis(name))
    both = {f"{socket}{section}.strength": times for section in "ab"}
    found = Diagnoser(model, dc_only=True).diagnose(readings(model, DC[name], both))
    first = found.suspects[0]
    assert (first.part, first.section, first.fault) == (socket, "", fault)
    assert first.probability > 0.8
    assert not any("one fault alone" in note for note in found.notes)


@pytest.mark.parametrize(("name", "times", "fault"), [
    ("foreshore-four", 1e-5, "off"), ("harbour-twenty", 1e-5, "off"), ("foreshore-four", 0.25, "low"),
])  # fmt: skip
def test_heaters_without_supply_or_not_warm_are_one_fault_of_none_of_the_tubes(name, times, fault):
    """Of four tubes no single one explains it, and pairs of dead tubes and open resistors were tried."""
    model = ChassisModel(load_chassis(name))
    cold = {f"{section}.strength": times for section in model.sections}
    found = Diagnoser(model, dc_only=True).diagnose(readings(model, DC[name], cold))
    assert (found.suspects[0].part, found.suspects[0].fault) == ("heaters", fault)
    assert found.suspects[0].probability > 0.8
    assert "glow" in found.suspects[0].separates or "heater volts" in found.suspects[0].separates


def test_one_tube_has_no_heaters_beside_its_own():
    """What would feed it alone is what `dead` and `weak` say of it."""
    assert "heaters.emission" not in ChassisModel(load_chassis("bench-6c4")).parameters


@pytest.mark.parametrize(("times", "fault"), [(1e-5, "dead"), (0.1, "weak")])
def test_one_half_that_fails_is_not_the_whole_tube(times, fault):
    model = ChassisModel(load_chassis("foreshore-four"))
    found = Diagnoser(model, dc_only=True).diagnose(readings(model, DC["foreshore-four"], {"V1a.strength": times}))
    assert (found.suspects[0].section, found.suspects[0].fault) == ("V1a", fault)


def test_emission_moves_all_its_sections_as_differences_show():
    model = ChassisModel(load_chassis("foreshore-four"))
    wanted = [
        *(Measurand(point=p, quantity="dc_v") for p in ("V1.1", "V1.8", "HT3")),
        Measurand(point="V1.7>V1.6", quantity="gain", freq_hz=1000.0),
        Measurand(point="V1.1", quantity="ripple_pp_v"),
    ]
    values = {"V1.emission": np.full(1, 0.6), "V1a.strength": np.full(1, 1.3), "heaters.emission": np.full(1, 0.8)}
    moves = {**values, "R2": np.full(1, 100e3)}
    shown, slopes = slopes_of(model, values, moves, wanted, model.supplied(values))
    np.testing.assert_allclose(shown, model.predict(values, wanted), rtol=1e-6)
    for column, key in enumerate(moves):
        at = values.get(key, np.full(1, 100e3))
        more, less = (model.predict({**values, key: at * times}, wanted)[0] for times in (1.001, 0.999))
        np.testing.assert_allclose(slopes[0, :, column], (more - less) / 0.002, rtol=1e-2, atol=1e-6)


def test_a_tube_with_one_section_has_no_second_value_for_the_same():
    model = ChassisModel(load_chassis("harbour-twenty"))
    emissions = {key for key in model.parameters if key.endswith(".emission")}
    assert emissions == {"V1.emission", "V2.emission", "heaters.emission"}
