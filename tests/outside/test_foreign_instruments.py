"""The drivers against instruments nobody here wrote: scpipy, sinstruments and pyvisa-sim.

Each peer runs as its package wants it: scpipy and sinstruments as processes of their own on loopback sockets and a
pseudo-terminal, pyvisa-sim inside pyvisa.
"""

import os
import socket
import subprocess
import sys
import textwrap
import time

import pytest

from acquisition.errors import CommandRefused, InstrumentNotFound, InstrumentReported, OverRange
from acquisition.instruments import load_dialect, open_generator, open_meter
from acquisition.instruments.asked_meter import AskedMeter
from acquisition.instruments.bench import Bench, MeterEntry
from acquisition.instruments.session import Session
from acquisition.transport import open_link
from tests.ports import unheard


@pytest.fixture
def port():
    with unheard() as number:
        yield number


def wait_for(port, process):
    for _ in range(600):
        assert process.poll() is None, process.stderr.read()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.02)  # another process is starting
    pytest.fail("the peer did not start")


def meter_bench(resource, **entry):
    return Bench.model_validate(
        {"bench": "x", "meter": {"resource": resource, "dialect": "scpi-meter", "accuracy": "0.1 %", **entry}}
    )


# scpipy: an independent SCPI parser (short and long forms, error queue, common commands).

SCPIPY = """
import sys
from scpipy.server.routing import Router
from scpipy.server.server import Server

router = Router()
state = {"nplc": 1.0, "range": 1000.0, "auto": True, "input": 1, "value": "+1.05234560E+02",
         "out": 0, "load": "50", "unit": "VRMS", "func": "SQU", "freq": 1.0, "volt": 0.1, "offs": 0.0}
role = sys.argv[2]
text = lambda key: (lambda context: str(state[key]))
number = lambda key: (lambda context: f"{float(state[key]):+.8E}")

def put(key, kind=str):
    def handler(context, value):
        value = getattr(value, "value", value)
        state[key] = {"ON": 1, "OFF": 0}.get(str(value).upper(), value) if kind is int else kind(value)
    return handler

def nothing(context, *_):
    return None

router.register("*IDN?")(lambda context: f"QUAYSIDE,{role},0,1.0")
router.register("*RST")(nothing)
if role == "METER":
    router.register("ABORt")(nothing)
    router.register("INITiate:CONTinuous <v>")(nothing)
    router.register("CONFigure:VOLTage:DC")(nothing)
    router.register("FUNCtion?")(lambda context: '"VOLT"')
    router.register("INPut:IMPedance:AUTO <v>")(put("input", int))
    router.register("INPut:IMPedance:AUTO?")(text("input"))
    router.register("VOLTage:DC:NPLCycles <v>")(put("nplc", float))
    router.register("VOLTage:DC:NPLCycles?")(number("nplc"))
    ranges = lambda context, v: state.update(range=1000.0 if float(v) > 100 else 100.0)
    router.register("VOLTage:DC:RANGe <v>")(ranges)
    router.register("VOLTage:DC:RANGe?")(number("range"))
    router.register("VOLTage:DC:RANGe:AUTO <v>")(put("auto", int))
    router.register("VOLTage:DC:RANGe:AUTO?")(lambda context: str(int(state["auto"])))
    router.register("VOLTage:DC:RESolution?")(lambda context: "+1.00000000E-03")
    router.register("READ?")(text("value"))
    router.register("FETCh?")(text("value"))
else:
    router.register("OUTPut <v>")(put("out", int))
    router.register("OUTPut?")(text("out"))
    router.register("OUTPut:LOAD <v>")(lambda context, v: state.update(load="9.9E+37"))
    router.register("OUTPut:LOAD?")(text("load"))
    router.register("VOLTage:UNIT <v>")(put("unit"))
    router.register("VOLTage:UNIT?")(text("unit"))
    router.register("FUNCtion <v>")(put("func"))
    router.register("FUNCtion?")(text("func"))
    router.register("FREQuency <v>")(put("freq", float))
    router.register("FREQuency?")(number("freq"))
    router.register("VOLTage:OFFSet <v>")(put("offs", float))
    router.register("VOLTage:OFFSet?")(number("offs"))
    router.register("VOLTage <v>")(lambda context, v: state.update(volt=min(float(v), 2.0)))
    router.register("VOLTage?")(number("volt"))
server = Server("127.0.0.1", int(sys.argv[1]))
server.include_router(router)
server.run()
"""


@pytest.fixture
def scpipy(request, port):
    process = subprocess.Popen(
        [sys.executable, "-c", SCPIPY, str(port), request.param], stderr=subprocess.PIPE, text=True
    )
    try:
        wait_for(port, process)
        yield f"TCPIP::127.0.0.1::{port}::SOCKET"
    finally:
        process.terminate()
        process.communicate()


@pytest.mark.parametrize("scpipy", ["METER"], indirect=True)
def test_a_meter_behind_an_independent_scpi_parser(scpipy):
    with open_meter(meter_bench(scpipy)) as meter:
        assert meter.identity == "QUAYSIDE METER"
        assert meter.read().value_v == 105.23456
        meter.configure_dc(range_v=60, nplc=10)
        sample = next(meter.stream())
        assert (sample.value_v, sample.range_v, sample.resolution_v) == (105.23456, 100.0, 0.001)
        assert meter.session.ask_number(":VOLT:DC:NPLC?") == 10


@pytest.mark.parametrize("scpipy", ["METER"], indirect=True)
def test_its_error_queue_is_read_after_an_unknown_question(scpipy):
    with open_meter(meter_bench(scpipy)) as meter:
        with pytest.raises(InstrumentReported) as caught:
            meter.session.ask("NONSense?", timeout_s=0.2)
        assert -200 < caught.value.code < -99, "a command error"
        assert meter.read().value_v == 105.23456


@pytest.mark.parametrize("scpipy", ["GENERATOR"], indirect=True)
def test_a_generator_behind_an_independent_scpi_parser(scpipy):
    bench = Bench.model_validate({"bench": "x", "generator": {"resource": scpipy, "dialect": "scpi-generator"}})
    with open_generator(bench) as generator:
        sine = generator.set_sine(1000.0, 0.5)
        assert (sine.freq_hz, sine.pp_v, sine.offset_v) == (1000.0, 0.5, 0.0)
        with generator.measuring():
            assert generator.session.ask(":OUTP?") == "1"
        assert generator.session.ask(":OUTP?") == "0"
        # It silently clamps to 2 V, and that does not pass.
        with pytest.raises(CommandRefused, match="told"):
            generator.set_sine(1000.0, 3.0)


@pytest.mark.parametrize("scpipy", ["GENERATOR"], indirect=True)
def test_a_generator_at_the_meters_address(scpipy):
    with pytest.raises(InstrumentNotFound, match="wrong instrument at the address"):
        open_meter(meter_bench(scpipy))


# sinstruments: devices on a socket and on a pseudo-terminal with the delay of 9600 baud.

DEVICE = """
    from sinstruments.simulator import BaseDevice

    ANSWERS = {
        b"*IDN?": b"QUAYSIDE,DEVICE,5,1", b":FUNC?": b'"VOLT:DC"', b":READ?": b"+9.90000000E+37", b":FETC?": b"+9.90000000E+37",
        b":VOLT:DC:RANG?": b"+1.0E+01", b":VOLT:DC:RES?": b"+1.0E-05", b":INP:IMP:AUTO?": b"0", b":VOLT:DC:NPLC?": b"1",
        b":VOLT:DC:RANG:AUTO?": b"1", b":SYST:ERR?": b"0,No error", b"*ESR?": b"0",
    }

    class Meter(BaseDevice):
        def handle_message(self, message):
            text = message.strip()
            return ANSWERS[text] + b"\\r\\n" if text in ANSWERS else None
"""  # noqa: E501


@pytest.fixture
def sinstruments(tmp_path, port):
    terminal = tmp_path / "tty"
    (tmp_path / "quayside_device.py").write_text(textwrap.dedent(DEVICE))
    (tmp_path / "bench.yaml").write_text(
        "devices:\n- name: m1\n  class: Meter\n  package: quayside_device\n  transports:\n"
        f'  - {{type: tcp, url: ["127.0.0.1", {port}]}}\n'
        f"  - {{type: serial, url: {terminal}, baudrate: 9600}}\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "sinstruments.simulator", "-c", str(tmp_path / "bench.yaml")],
        env={**os.environ, "PYTHONPATH": str(tmp_path)}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        wait_for(port, process)
        yield {"socket": f"TCPIP::127.0.0.1::{port}::SOCKET", "serial": f"ASRL{terminal}::INSTR"}
    finally:
        process.terminate()
        process.communicate()


@pytest.mark.parametrize("kind", ["socket", "serial"])
def test_a_meter_of_another_simulator_in_overload(sinstruments, kind):
    with open_meter(meter_bench(sinstruments[kind])) as meter:
        assert meter.identity == "QUAYSIDE DEVICE, serial 5"
        with pytest.raises(OverRange) as caught:
            meter.read()
        assert caught.value.limit_v == 10


# pyvisa-sim: a device file; exact texts only, no device clear.

SIM = """
spec: "1.1"
devices:
  meter:
    eom: {"GPIB INSTR": {q: "\\n", r: "\\n"}}
    error:
      status_register: [{q: "*ESR?", command_error: 32, query_error: 4}]
      error_queue: [{q: ":SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined header"'}]
    dialogues:
      - {q: "*IDN?", r: "QUAYSIDE,SIMULATED,9,1"}
      - {q: "*CLS"}
      - {q: ":ABOR"}
      - {q: ":INIT:CONT OFF"}
      - {q: ":CONF:VOLT:DC"}
      - {q: ":FUNC?", r: '"VOLT"'}
      - {q: ":READ?", r: "-1.23400000E+01"}
      - {q: ":FETC?", r: "-1.23400000E+01"}
      - {q: ":VOLT:DC:RES?", r: "+1.0E-04"}
    properties:
      nplc: {default: 1.0, getter: {q: ":VOLT:DC:NPLC?", r: "{:+.8E}"}, setter: {q: ":VOLT:DC:NPLC {}"}, specs: {type: float}}
      range: {default: 100.0, getter: {q: ":VOLT:DC:RANG?", r: "{:+.8E}"}, setter: {q: ":VOLT:DC:RANG {}"}, specs: {type: float, max: 1000}}
      auto: {default: "1", getter: {q: ":VOLT:DC:RANG:AUTO?", r: "{}"}, setter: {q: ":VOLT:DC:RANG:AUTO {}"}, specs: {type: str}}
      input: {default: "1", getter: {q: ":INP:IMP:AUTO?", r: "{}"}, setter: {q: ":INP:IMP:AUTO {}"}, specs: {type: str}}
resources:
  "GPIB0::9::INSTR": {device: meter}
"""  # noqa: E501


@pytest.fixture
def simulated(tmp_path):
    path = tmp_path / "devices.yaml"
    path.write_text(SIM)
    session = Session(
        lambda: open_link("GPIB0::9::INSTR", backend=f"{path}@sim"),
        load_dialect("scpi-meter"),
        identity_pattern="SIMULATED",
    )
    session.open()
    yield AskedMeter(session, MeterEntry(resource="GPIB0::9::INSTR", dialect="scpi-meter", accuracy="1 %"), 50.0)
    session.close()


def test_a_meter_described_in_a_device_file(simulated):
    simulated.configure_dc(nplc=2)
    sample = simulated.read()
    assert (sample.value_v, sample.range_v, sample.resolution_v) == (-12.34, 100.0, 1e-4)


def test_a_setting_the_device_refuses_is_noticed(simulated):
    """Its silence on the refused value shows as the old value read back."""
    with pytest.raises((CommandRefused, InstrumentReported)):
        simulated.configure_dc(range_v=5000)
