"""The self-check of a bench, on simulated instruments and with things missing."""

import json
import sys

import pytest

from acquisition.instruments import ROLES, check_instrument, list_limits, load_bench
from acquisition.instruments.bench import Bench
from acquisition.simulated.bench import SimulatedBench
from analysis.app.cli import main


class Plant:
    def dc_v(self, point, load_ohm=float("inf")):
        return 105.0

    def settle_s(self, point):
        return 0.0

    def ripple(self, point):
        return ()

    def swing_v(self, point):
        return -300.0, 300.0


@pytest.fixture(params=["scpi-meter", "stream-meter"])
def simulated(request, tmp_path):
    with SimulatedBench(Plant(), meter=request.param) as bench:
        bench.path = str(bench.write(tmp_path / "bench.yaml"))
        yield bench


def test_three_instruments_answer(simulated):
    bench = load_bench(simulated.path)
    findings = [check_instrument(bench, role) for role in ROLES]
    assert all(finding.is_fine for finding in findings), findings
    assert all(finding.identity and finding.reading for finding in findings)
    assert all(finding.round_trip_s < 1.0 for finding in findings)


def test_the_verb_prints_text_and_json(simulated, capsys):
    assert main(["bench", simulated.path]) == 0
    text = capsys.readouterr().out
    assert "meter: " in text
    assert "standard uncertainty" in text
    assert main(["bench", simulated.path, "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert [each["is_fine"] for each in shown["instruments"]] == [True] * 3


def test_each_is_named_before_it_is_asked(simulated, capsys, monkeypatch):
    """A silent one takes seconds to be known as such."""

    def check(bench, role):
        assert f"{role}: {getattr(bench, role).resource}" in capsys.readouterr().out
        return check_instrument(bench, role)

    monkeypatch.setattr("acquisition.instruments.check_instrument", check)
    assert main(["bench", simulated.path]) == 0


@pytest.mark.parametrize("dialect", ["ten-field-scope", "ten-field-codes-scope", "keyword-scope"])
def test_scope_and_generator_are_left_as_they_were_found(tmp_path, dialect):
    """A trigger left on normal had the screen stand still for whoever used the scope next."""
    with SimulatedBench(Plant(), scope=dialect) as simulated:
        bench = load_bench(str(simulated.write(tmp_path / "bench.yaml")))
        scope, generator = simulated.scope, simulated.generator
        scope.sweep = "AUTO"
        generator.handle(b":OUTP:LOAD 50;:VOLT:UNIT VRMS;:FREQ 440")
        found = [scope.sweep, generator.handle(b":OUTP:LOAD?;:VOLT:UNIT?;:FREQ?")]
        assert all(not check_instrument(bench, role).left for role in ROLES)
        assert [scope.sweep, generator.handle(b":OUTP:LOAD?;:VOLT:UNIT?;:FREQ?")] == found


def test_an_instrument_that_fails_in_the_middle_is_left_as_it_was_found_too(tmp_path):
    with SimulatedBench(Plant()) as simulated:
        bench = load_bench(str(simulated.write(tmp_path / "bench.yaml")))
        simulated.scope.sweep = "AUTO"
        simulated.generator.handle(b":OUTP:LOAD 50")
        simulated.links["scope"].mischief.cue("garbage before", on=b"MEAS:VPP")
        simulated.links["generator"].mischief.cue("noise line", on=b":SYST:ERR")
        findings = [check_instrument(bench, role) for role in ("scope", "generator")]
        assert [finding.is_fine for finding in findings] == [False, False], findings
        assert simulated.scope.sweep == "AUTO"
        assert simulated.generator.load_ohm == 50.0


def test_what_could_not_be_set_again_is_told(simulated, capsys):
    keep = simulated.generator.handle
    simulated.generator.handle = lambda message: b"" if message == b":VOLT:UNIT VRMS" else keep(message)
    keep(b":VOLT:UNIT VRMS")
    assert main(["bench", simulated.path]) == 0
    assert "  changed  :VOLT:UNIT? gives pp, was rms\n" in capsys.readouterr().out


def test_an_instrument_that_is_missing_ends_with_3_and_the_others_are_still_checked(simulated, capsys):
    simulated.links["scope"].refuse()
    assert main(["bench", simulated.path, "--json"]) == 3
    shown = json.loads(capsys.readouterr().out)
    assert [each["is_fine"] for each in shown["instruments"]] == [True, False, True]
    assert shown["instruments"][1]["hint"]
    assert main(["bench", simulated.path]) == 3
    assert "TROUBLE" in capsys.readouterr().out


def odd(meter, query, answer, times=20):
    """Let the meter answer oddly to the next questions of one kind."""
    meter.mischief.cue("odd", on=query, times=times, fault=lambda whole, rng: iter([answer + b"\n"]))


@pytest.mark.parametrize(
    ("query", "answer", "reason"),
    [
        (b"READ?", b"+1.0E+00 VDC", "expected a reading, got '+1.0E+00 VDC'"),
        (b"READ?", b"1,05", "expected a reading, got '1,05'"),
        (b"READ?", b"OL", "expected a reading, got 'OL'"),
        (b"RANG?", b"0", "expected a range in volts, got '0'"),
        (b"RANG?", b"9.9E37", "expected a number in answer to :VOLT:DC:RANG?, got '9.9E37'"),
        (b"RES?", b"9.91E37", "expected a number in answer to :VOLT:DC:RES?, got '9.91E37'"),
    ],
)
def test_a_meter_of_which_no_answer_can_be_used_is_trouble_and_its_reason_is_told(
    tmp_path, capsys, query, answer, reason
):
    """It is the answer that is odd, and the link is sound."""
    with SimulatedBench(Plant()) as bench:
        odd(bench.links["meter"], query, answer)
        if query == b"READ?":
            odd(bench.links["meter"], b"FETC?", answer)
        assert main(["bench", str(bench.write(tmp_path / "bench.yaml"))]) == 3
    shown = capsys.readouterr().out
    assert f"TROUBLE  meter: {reason}" in shown
    assert "the link failed" not in shown
    assert "hint " in shown


def test_two_answers_damaged_on_the_way_are_no_trouble(tmp_path):
    with SimulatedBench(Plant()) as bench:
        path = str(bench.write(tmp_path / "bench.yaml"))
        odd(bench.links["meter"], b"READ?", b"+1.0E", times=2)
        assert "standard uncertainty" in check_instrument(load_bench(path), "meter").reading


def test_instruments_exchanged_are_found(tmp_path, capsys):
    with SimulatedBench(Plant()) as bench:
        text = bench.bench_text()
        scope, generator = bench.links["scope"].resource, bench.links["generator"].resource
        text = text.replace(scope, "@").replace(generator, scope).replace("@", generator)
        path = tmp_path / "b.yaml"
        path.write_text(text)
        assert main(["bench", str(path)]) == 3
        assert capsys.readouterr().out.count("wrong instrument at the address") == 2


def test_a_bench_that_does_not_exist(capsys):
    assert main(["bench", "no-such-bench"]) == 2
    assert "no bench file" in capsys.readouterr().err


def limits(**entries):
    return " | ".join(list_limits(Bench.model_validate({"bench": "x", **entries})))


METER = {"resource": "GPIB0::1::INSTR", "dialect": "scpi-meter", "accuracy": "1 %"}


def test_what_cannot_work_is_listed_with_the_reason(monkeypatch):
    import importlib.util

    found = importlib.util.find_spec
    missing = {"gpib_ctypes", "gpib"}
    monkeypatch.setitem(sys.modules, "usb", None)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name in missing else found(name))
    text = limits(meter=METER)
    assert "no stage gain" in text
    assert "rating is not in the bench file" in text
    assert "gpib-ctypes" in text
    usb = {**METER, "resource": "USB0::0x1AB2::0x04CE::SN1::INSTR"}
    assert "pip install 'stagewalk[usb]'" in limits(meter=usb)
    assert "@ivi" in limits(meter=METER, backend="@ivi")
    assert "no survey" in limits(scope={"resource": "TCPIP::h::1::SOCKET", "dialect": "ten-field-scope"})
    assert "only listens" in limits(meter={**METER, "resource": "/dev/ttyUSB0", "dialect": "stream-meter"})


def test_a_complete_bench_has_no_limits():
    bench = {
        "meter": {**METER, "resource": "TCPIP::h::1::SOCKET", "rating_v": "1000"},
        "scope": {"resource": "TCPIP::h::2::SOCKET", "dialect": "ten-field-scope", "rating_v": "300"},
        "generator": {"resource": "TCPIP::h::3::SOCKET", "dialect": "scpi-generator"},
        "lead": {"rated_v": "1000"},
        "probe": {"rated_v": "600"},
    }
    assert limits(**bench) == ""
