"""The simulated generator: amplitude into the load it believes in."""

import math

import pytest

from acquisition.simulated.generator import Generator


@pytest.fixture
def generator(wiring):
    return Generator(wiring)


def test_factor_of_two_when_the_load_is_wrong(generator, wiring):
    # Common practice, no source: 1 V set for 50 ohm is 2 V on an open output.
    generator.handle(b"VOLT 1;:OUTP ON")
    assert wiring.drive.emf_peak_v == pytest.approx(1.0)
    generator.handle(b"OUTP:LOAD INF;:VOLT 1")
    assert wiring.drive.emf_peak_v == pytest.approx(0.5)
    assert float(generator.handle(b"OUTP:LOAD?")) == pytest.approx(9.9e37)


def test_units(generator, wiring):
    generator.handle(b"OUTP:LOAD INF;:VOLT:UNIT VRMS;:VOLT 1")
    assert wiring.drive.emf_peak_v == pytest.approx(math.sqrt(2))


@pytest.mark.parametrize(
    ("message", "code"), [(b"OUTP2 ON", -114), (b"VOLT 30", -222), (b"FUNC SQU", -224), (b"FREQ 1 V", -131)]
)
def test_illegal_settings_change_nothing(generator, wiring, message, code):
    before = wiring.drive
    generator.handle(message)
    assert int(generator.next_error().split(",")[0]) == code
    assert wiring.drive == before


def test_amplitude_and_offset_share_the_output(generator):
    generator.handle(b"OUTP:LOAD INF;:VOLT 10;:VOLT:OFFS 6")
    assert generator.next_error().startswith("-221")


def test_off_after_reset_and_power_cycle(generator, wiring):
    generator.handle(b"APPL:SIN 2000,0.5,0")
    assert wiring.drive.on
    assert wiring.drive.freq_hz == 2000
    generator.power_cycle()
    assert not wiring.drive.on
