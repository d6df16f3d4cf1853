"""The simulated scopes: all three dialects show the same volts."""

import math

import numpy as np
import pytest

from acquisition.clock import FakeClock
from acquisition.simulated.generator import Generator
from acquisition.simulated.parser import ScpiError
from acquisition.simulated.scope_keyword import KeywordScope
from acquisition.simulated.scope_ten_field import TenFieldCodesScope, TenFieldScope

TEN = (":CHAN1:DISP 1", ":CHAN2:DISP 1", ":CHAN1:PROB 10", ":CHAN2:PROB 10", ":CHAN1:SCAL 0.5", ":CHAN2:SCAL 5",
       ":CHAN1:OFFS 0", ":TIM:SCAL 0.0005", ":TRIG:EDGE:SOUR CHAN1", ":TRIG:EDGE:LEV 0")  # fmt: skip
SETUPS = {
    TenFieldScope: (*TEN, ":CHAN2:OFFS 150", ":WAV:POIN 1000"),
    TenFieldCodesScope: (*TEN, ":CHAN2:OFFS -150", ":ACQ:MDEP 1000"),
    KeywordScope: ("HEAD OFF", "SEL:CH1 ON", "SEL:CH2 ON", "CH1:PRO 10", "CH2:PRO 10", "CH1:SCA 0.5", "CH2:SCA 5",
                   "CH1:OFFS 0", "CH2:OFFS 150", "HOR:SCA 5E-4", "HOR:RECO 1000", "TRIG:MAI:EDGE:SOU CH1",
                   "TRIG:MAI:LEV 0"),
}  # fmt: skip


def make(kind, wiring, **options):
    wiring.clock = FakeClock(50.0)
    generator = Generator(wiring)
    scope = kind(wiring, accuracy=0.0, clock_ppm=0.0, **options)
    generator.handle(b"OUTP:LOAD INF;:VOLT 2;:FREQ 1000;:OUTP ON")
    wiring.clip(1, "IN")
    wiring.clip(2, "OUT")
    for command in SETUPS[kind]:
        scope.handle(command.encode())
    assert not scope.errors, scope.errors
    return scope


def shoot(scope, wiring):
    scope.single()
    for _ in range(100):
        if scope.advance() == "stopped":
            return
        wiring.clock.now_s += 0.001
    raise AssertionError("never triggered")


def volts(scope, channel):
    if isinstance(scope, KeywordScope):
        scope.handle(f"DAT:SOU CH{channel};:DAT:STAR 1;:DAT:STOP 1000000".encode())
        scope.handle(b"HEAD ON")
        fields = dict(f.split(" ", 1) for f in scope.handle(b"WFMO?").decode().split(":WFMO:")[1].split(";"))
        scope.handle(b"HEAD OFF")
        codes = np.frombuffer(block(scope.handle(b"CURV?")), "i1").astype(float)
        return (codes - float(fields["YOFF"])) * float(fields["YMULT"]) + float(fields["YZERO"])
    scope.handle(f":WAV:SOUR CHAN{channel}".encode())
    fields = [float(f) for f in scope.handle(b":WAV:PRE?").split(b",")]
    step, origin, reference = fields[7:]
    codes = np.frombuffer(block(scope.handle(b":WAV:DATA?")), "u1").astype(float)
    if isinstance(scope, TenFieldCodesScope):
        return (codes - origin - reference) * step
    return (codes - reference) * step + origin


def block(data):
    digits = int(data[1:2])
    assert int(data[2 : 2 + digits]) == len(data) - 2 - digits
    return data[2 + digits :]


@pytest.mark.parametrize("kind", SETUPS)
def test_two_channels_of_one_shot(kind, wiring):
    scope = make(kind, wiring)
    shoot(scope, wiring)
    first, second = volts(scope, 1), volts(scope, 2)
    angle = 2 * np.pi * 1000 * (np.arange(1000) * 5e-6 - 2.5e-3)
    basis = np.column_stack([np.cos(angle), np.sin(angle), np.ones(1000)])
    (a1, b1, c1), *_ = np.linalg.lstsq(basis, first, rcond=None)
    (a2, b2, c2), *_ = np.linalg.lstsq(basis, second, rcond=None)
    gain = complex(a2, -b2) / complex(a1, -b1)
    # Five standard deviations of the noise of 0.4 codes plus rounding, over 1000 samples.
    tolerance = 5 * math.sqrt(2 / 1000) * 0.5 * math.hypot(0.2 / 10, 0.02 / 1)
    assert abs(gain + 10) < 10 * tolerance
    assert c1 == pytest.approx(0.0, abs=0.01)
    assert c2 == pytest.approx(150.0, abs=0.05)
    assert math.atan2(-b1, a1) == pytest.approx(-math.pi / 2, abs=0.03)  # the trigger is a rising zero crossing


@pytest.mark.parametrize("kind", SETUPS)
def test_narrow_range_clips_at_the_converter(kind, wiring):
    scope = make(kind, wiring)
    scope.set_scale(2, "1")
    shoot(scope, wiring)
    assert (scope.memory(2).codes[2] == 127).all()  # the offset of so fine a range does not reach 150 V
    scope.channels[2].centre_v = 150.0
    shoot(scope, wiring)
    codes = scope.memory(2).codes[2]
    assert (codes == 127).sum() > 10
    assert (codes == -128).sum() > 10


def test_wrong_probe_setting_is_wrong_by_ten(wiring):
    scope = make(TenFieldScope, wiring)
    scope.handle(b":CHAN1:PROB 1;:CHAN1:SCAL 0.5")
    shoot(scope, wiring)
    assert np.ptp(volts(scope, 1)) == pytest.approx(0.2, abs=0.06)


def test_no_signal_no_trigger(wiring):
    scope = make(TenFieldScope, wiring)
    scope.handle(b":TRIG:EDGE:LEV 5")
    scope.single()
    wiring.clock.now_s += 10.0
    assert scope.handle(b":TRIG:STAT?") == b"WAIT"
    assert scope.handle(b":WAV:DATA?") == b""
    assert scope.next_error().startswith("-230")


def test_external_trigger_is_the_generators_sync(wiring):
    scope = make(TenFieldScope, wiring)
    scope.handle(b":TRIG:EDGE:SOUR EXT")
    phases = []
    for _ in range(4):
        shoot(scope, wiring)
        angle = 2 * np.pi * 1000 * np.arange(1000) * 5e-6
        phases.append(np.angle(np.sum(volts(scope, 1) * np.exp(-1j * angle))))
        wiring.clock.now_s += 0.000317
    assert np.ptp(phases) < 0.02


def test_ac_coupling_takes_the_direct_voltage_away(wiring):
    scope = make(TenFieldScope, wiring)
    scope.handle(b":CHAN2:COUP AC;:CHAN2:OFFS 0")
    shoot(scope, wiring)
    assert np.mean(volts(scope, 2)) == pytest.approx(0.0, abs=0.1)


def test_pages_of_the_memory_join(wiring):
    scope = make(TenFieldCodesScope, wiring)
    shoot(scope, wiring)
    whole = volts(scope, 1)
    parts = []
    for start in range(1, 1001, 300):
        scope.handle(f":WAV:STAR {start};:WAV:STOP {min(start + 299, 1000)}".encode())
        parts.append(volts(scope, 1))
    assert np.array_equal(np.concatenate(parts), whole)


def test_keyword_scope_repeats_headers_and_keeps_its_events_back(wiring):
    scope = make(KeywordScope, wiring)
    scope.handle(b"HEAD ON")
    assert scope.handle(b"CH2:SCA?").startswith(b":CH2:SCA 5.0")
    assert scope.handle(b"TRIG:STATE?") == b":TRIG:STATE SAVE"
    scope.handle(b"NONSENSE")
    assert scope.handle(b"EVM?").startswith(b":EVM 1,")
    scope.handle(b"*ESR?")
    assert scope.handle(b"EVM?") == b':EVM 113,"Undefined header;NONSENSE"'
    assert scope.handle(b"EVM?").startswith(b":EVM 0,")


def test_hidden_channel_answers_nothing(wiring):
    scope = make(TenFieldScope, wiring)
    scope.handle(b":CHAN2:DISP 0")
    shoot(scope, wiring)
    scope.handle(b":WAV:SOUR CHAN2")
    assert scope.handle(b":WAV:PRE?") == b""
    assert scope.next_error().startswith("-221")


@pytest.mark.parametrize("kind", SETUPS)
def test_a_fine_range_reaches_no_far_offset(kind, wiring):
    scope = make(kind, wiring)
    scope.set_scale(2, "2")
    scope.set_centre(2, -400.0)
    with pytest.raises(ScpiError, match="out of range"):
        scope.set_centre(2, 501.0)
    scope.set_scale(2, "1")
    assert scope.channels[2].centre_v == -20.0
