"""Every dialect file there is: its recorded exchanges are replayed through the driver, whole and byte by byte."""

import math
import os
import re
import subprocess
import sys

import pytest

from acquisition.clock import FakeClock
from acquisition.configs import config_names, find_config
from acquisition.errors import BenchError
from acquisition.instruments import load_dialect
from acquisition.instruments.asked_meter import AskedMeter
from acquisition.instruments.bench import GeneratorEntry, MeterEntry, ScopeEntry
from acquisition.instruments.generator import Generator
from acquisition.instruments.scope import Scope
from acquisition.instruments.session import Session
from acquisition.instruments.streamed_meter import StreamedMeter
from tests.acquisition.transport.scripted import ScriptedLink, Step

DIALECTS = {name: load_dialect(name) for name in config_names("dialects")}
"""Read here, where those of the folder STAGEWALK_CONFIGS are among them: a test sees the shipped ones only."""

RECORDED = [
    pytest.param(name, index, id=f"{name}-{index}-{recorded.call}")
    for name, dialect in DIALECTS.items()
    for index, recorded in enumerate(dialect.recorded)
]
WHOLE = 1 << 20


def session_on(dialect, exchanges, *, piece=WHOLE, reply_end=None):
    """A session whose link plays exchanges, as if it had been opened and identified."""
    rules = dialect.link
    if reply_end is None:
        reply_end = rules.write_end if dialect.identity is None else rules.read_end
    steps = []
    for sent, given in exchanges:
        reply = given + reply_end if given else b""
        if sent:
            steps.append(Step(sent + rules.write_end, reply))
        else:
            steps.append(Step(None, reply, after_s=0.25))  # unasked, at the pace of the meter
    clock = FakeClock()
    link = ScriptedLink(steps, piece=piece, clock=clock)
    session = Session(lambda: link, dialect, clock=clock)
    session._link = link
    return session, link


def numbers(texts):
    return [float(text) for text in texts]


def close_to(expected):
    return pytest.approx(expected, rel=1e-9, abs=1e-12)


def call_meter(session, recorded):
    entry = MeterEntry(resource="TCPIP::h::1::SOCKET", dialect="x", accuracy="0.1 % + 1 digit")
    if session.dialect.meter.mode == "stream":
        meter = StreamedMeter(session, entry)
        session._link.extend([])
    else:
        meter = AskedMeter(session, entry, 50.0)
    if "error" in recorded.gives:
        with pytest.raises(BenchError) as caught:
            meter.read()
        assert type(caught.value).__name__ == recorded.gives["error"]
        assert caught.value.hint
        return
    sample = meter.read()
    for name, text in recorded.gives.items():
        assert getattr(sample, name) == close_to(float(text))


def call_sine(session, recorded):
    entry = GeneratorEntry(resource="TCPIP::h::1::SOCKET", dialect="x")
    sine = Generator(session, entry).set_sine(**{name: float(text) for name, text in recorded.with_.items()})
    for name, text in recorded.gives.items():
        assert getattr(sine, name) == close_to(float(text))


def scope_on(session):
    return Scope(session, ScopeEntry(resource="TCPIP::h::1::SOCKET", dialect="x"))


def call_fetch(session, recorded):
    scope = scope_on(session)
    scope._is_fresh = True
    capture = scope.fetch(int(recorded.with_["channel"]), "V1.1")
    assert capture.volts == close_to(numbers(recorded.gives["volts"]))
    assert capture.t0_s == close_to(float(recorded.gives["t0_s"]))
    assert capture.dt_s == close_to(float(recorded.gives["dt_s"]))


def call_pp(session, recorded):
    value = scope_on(session).read_pp(int(recorded.with_["channel"]))
    wanted = recorded.gives["pp_v"]
    assert value is None if wanted == "null" else value == close_to(float(wanted))


def call_identify(session, recorded):
    session._identify(session._link)
    for name, text in recorded.gives.items():
        assert getattr(session.identity, name) == text


def call_errors(session, recorded):
    assert [entry.code for entry in session.drain_errors()] == [int(code) for code in recorded.gives["codes"]]


CALLS = {
    "read": call_meter,
    "sine": call_sine,
    "fetch": call_fetch,
    "pp": call_pp,
    "identify": call_identify,
    "errors": call_errors,
}


@pytest.mark.parametrize("piece", [WHOLE, 1], ids=["whole", "bytewise"])
@pytest.mark.parametrize(("name", "index"), RECORDED)
def test_recorded_exchange(name, index, piece):
    dialect = DIALECTS[name]
    recorded = dialect.recorded[index]
    exchanges = list(recorded.wire)
    if dialect.meter is not None and dialect.meter.mode == "stream":
        exchanges.insert(0, (b"", b"tail of a line"))  # the first line after opening may be a part only
        exchanges[1:] = [*exchanges[1:]] * dialect.meter.repeats
    session, link = session_on(dialect, exchanges, piece=piece)
    CALLS[recorded.call](session, recorded)
    assert link.left == 0, "not everything recorded was used"


@pytest.mark.parametrize(("name", "index"), RECORDED)
def test_a_reply_that_ends_with_cr_lf_is_taken_as_well(name, index):
    dialect = DIALECTS[name]
    recorded = dialect.recorded[index]
    if dialect.link.ends == "cr" or (dialect.meter is not None and dialect.meter.mode == "stream"):
        return
    session, _ = session_on(dialect, recorded.wire, reply_end=b"\r\n")
    CALLS[recorded.call](session, recorded)


@pytest.mark.parametrize("name", DIALECTS)
def test_a_dialect_shows_what_its_role_must_do(name):
    dialect = DIALECTS[name]
    calls = {recorded.call for recorded in dialect.recorded}
    assert {"meter": {"read"}, "generator": {"sine"}, "scope": {"fetch"}}[dialect.role] <= calls
    assert all(recorded.source for recorded in dialect.recorded)


def test_a_wrong_recording_is_noticed():
    dialect = load_dialect("scpi-meter")
    recorded = next(each for each in dialect.recorded if each.call == "read" and "value_v" in each.gives)
    wrong = recorded.model_copy(update={"gives": {"value_v": "105.3"}})
    session, _ = session_on(dialect, recorded.wire)
    with pytest.raises(AssertionError):
        call_meter(session, wrong)
    assert math.isfinite(float(recorded.gives["value_v"]))


def commands_in(node):
    if isinstance(node, dict):
        for key, value in node.items():
            if key not in {"recorded", "does", "source", "pattern", "frame"}:
                yield from commands_in(value)
    elif isinstance(node, list | tuple):
        for value in node:
            yield from commands_in(value)
    elif isinstance(node, str) and re.match(r"[:*]|[A-Z]{2,}\w*[:? ]", node):
        yield node


def test_dialects_send_short_forms_one_command_a_line_from_the_root():
    """A path after a semicolon is lost by some parsers, and long forms are slower to read for all of them."""
    seen = 0
    for name in config_names("dialects"):
        for command in commands_in(load_dialect(name).model_dump()):
            seen += 1
            assert ";" not in command, f"{name}: {command}"
            header = command.split()[0].rstrip("?").replace("{channel}", "1")
            for word in header.lstrip(":*").split(":"):
                assert word == word.upper(), f"{name}: {command}"
                assert len(re.sub(r"\d", "", word)) <= 5, f"{name}: {command}: {word} is a long form"
    assert seen > 80


@pytest.mark.parametrize("name", [name for name, each in DIALECTS.items() if each.role == "meter"])
def test_a_meter_is_configured_once_and_then_read(name):
    """MEASure? would reset range, integration time and trigger with every reading."""
    assert not [command for command in commands_in(DIALECTS[name].model_dump()) if "MEAS" in command]


@pytest.mark.parametrize("name", [name for name, each in DIALECTS.items() if each.errors])
def test_the_error_queue_is_cleared_first_at_open(name):
    assert DIALECTS[name].clear[0] == "*CLS"


def test_dialects_of_a_folder_of_ones_own_are_replayed_too(tmp_path):
    """As README says; run as a person runs it."""
    (tmp_path / "dialects").mkdir()
    text = find_config("dialects", "scpi-meter").read_text(encoding="utf-8").replace("scpi-meter", "my-meter")
    (tmp_path / "dialects" / "my-meter.yaml").write_text(text, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", __file__, "-k", "my-meter"],
        env={**os.environ, "STAGEWALK_CONFIGS": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert run.returncode == 0, run.stdout  # also where none of that name was found
