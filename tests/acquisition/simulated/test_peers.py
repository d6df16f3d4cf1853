"""Clients that nobody here wrote, against the simulated instruments.

The asyncio client of the package ``scpi``, and pyvisa with the backend pyvisa-py over a socket and over a
pseudo-terminal.
"""

import asyncio
import warnings

import numpy as np
import pytest

from acquisition.simulated.generator import Generator
from acquisition.simulated.meter import Meter
from acquisition.simulated.scope_ten_field import TenFieldScope
from acquisition.simulated.server import SocketServer
from acquisition.simulated.stream_meter import StreamMeter, StreamServer


@pytest.fixture
def servers(wiring):
    wiring.lead.move([(0.0, "OUT")])
    wiring.clip(1, "IN")
    meter, scope = Meter(wiring, accuracy=(0.0, 0.0)), TenFieldScope(wiring, accuracy=0.0)
    with SocketServer(meter) as first, SocketServer(scope) as second, SocketServer(Generator(wiring)) as third:
        yield first, second, third


def test_scpi_client_package(servers):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from scpi.errors import CommandError
        from scpi.scpi import SCPIDevice, SCPIProtocol
        from scpi.transports.tcp import TCPTransport

    async def talk():
        transport = TCPTransport(ipaddr="127.0.0.1", port=servers[0].port)
        await transport.open_connection("127.0.0.1", servers[0].port)
        device = SCPIDevice(SCPIProtocol(transport))
        identity = await device.ask("*IDN?")
        await device.command("CONF:VOLT:DC 1000")
        value = await device.ask("READ?")
        code = None
        try:
            await device.command("NONSENSE 1")
        except CommandError as error:
            code = error.code
        await device.quit()
        return identity, float(value), code

    identity, value, code = asyncio.run(talk())
    assert identity.startswith("STAGEWALK,SIM-METER")
    assert value == pytest.approx(150.0, abs=0.01)
    assert code == -113


@pytest.fixture(scope="module")
def manager():
    pyvisa = pytest.importorskip("pyvisa")
    return pyvisa.ResourceManager("@py")  # one for the process, never closed: closing it kills every session


def open_socket(manager, server):
    return manager.open_resource(server.resource, read_termination="\n", write_termination="\n", timeout=5000)


def test_pyvisa_py_over_sockets(servers, manager):
    meter, scope, generator = (open_socket(manager, server) for server in servers)
    try:
        assert meter.query_ascii_values("MEAS:VOLT:DC? 1000")[0] == pytest.approx(150.0, abs=0.01)
        generator.write("OUTP:LOAD INF;:VOLT 2;:OUTP ON")
        assert generator.query("OUTP?;*OPC?") == "1;1"
        scope.write(":CHAN1:SCAL 1;:WAV:POIN 1000;:TIM:SCAL 0.001;:SING")
        for _ in range(1000):
            if scope.query(":TRIG:STAT?") == "STOP":
                break
        codes = scope.query_binary_values(":WAV:SOUR CHAN1;:WAV:DATA?", datatype="B", container=np.array)
        assert codes.size == 1000
        assert np.ptp(codes) == pytest.approx(2.0 / 0.04 / 10, abs=3)
    finally:
        for session in (meter, scope, generator):
            session.close()


def test_pyvisa_py_over_a_pseudo_terminal(wiring, manager):
    wiring.lead.move([(0.0, "OUT")])
    with StreamServer(StreamMeter(wiring, accuracy=0.0, conversion_s=0.02)) as server:
        session = manager.open_resource(server.resource, read_termination="\r\n", timeout=5000)
        try:
            session.read()  # the first frame may be a part
            lines = [session.read() for _ in range(8)]
        finally:
            session.close()
    assert lines[-1] == "+150.0  V DC AUTO"
