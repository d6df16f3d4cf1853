"""A proxy between the ordinary driver and the simulated meter spoils what passes: what is told, and when."""

import socket
import threading
from contextlib import suppress

import pytest

from acquisition.errors import AcquisitionError, InstrumentNotFound
from acquisition.instruments import load_bench, open_meter
from acquisition.simulated.bench import SimulatedBench
from tests.waiting import Waiting

TRUE_V = 150.0
LIMIT_S = 2.0
"""Within which the person hears of it; measured 0.0 to 1.6 s. A busy machine is given some more."""


class Proxy:
    """Passes bytes both ways between a port of its own and the instrument's; ``mode`` says what it spoils."""

    def __init__(self, port):
        self.port, self.mode = port, "pass"
        self._server = socket.create_server(("127.0.0.1", 0))
        self.own_port = self._server.getsockname()[1]
        self._pairs, self._lock = [], threading.Lock()
        self._held = b""
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        with suppress(OSError):
            while True:
                client, _ = self._server.accept()
                if self.mode == "unplugged":
                    client.close()
                    continue
                try:
                    instrument = socket.create_connection(("127.0.0.1", self.port), 1.0)
                except OSError:
                    client.close()
                    continue
                instrument.settimeout(None)  # or an instrument that nobody asks for a second were hung up on
                with self._lock:
                    self._pairs.append((client, instrument))
                for source, target, answers in ((client, instrument, False), (instrument, client, True)):
                    threading.Thread(target=self._pump, args=(source, target, answers), daemon=True).start()

    def _pump(self, source, target, answers):
        with suppress(OSError):
            while data := source.recv(65536):
                for piece in self._spoil(data) if answers else [data]:
                    target.sendall(piece)
        with suppress(OSError):
            target.shutdown(socket.SHUT_WR)

    def _spoil(self, data):
        mode, self._held = self.mode, self._held + data
        if mode == "hung":
            return []  # kept, and given all at once when the proxy passes again: a stale answer
        data, self._held = self._held, b""
        if mode == "garbage":
            return [b"\x00\xff\xfe#9\n", data]
        if mode == "cut":
            return [data[: len(data) // 2]]
        if mode == "pieces":
            return [data[index : index + 1] for index in range(len(data))]
        if mode == "merged":
            return [data + data]
        return [data]

    def unplug(self):
        self.mode = "unplugged"
        with self._lock:
            for pair in self._pairs:
                for end in pair:
                    with suppress(OSError):
                        end.shutdown(socket.SHUT_RDWR)
                    end.close()
            self._pairs.clear()

    def close(self):
        self.unplug()
        self._server.close()


@pytest.fixture
def bench(wiring):
    with SimulatedBench(wiring.plant) as made:
        made.wiring.lead.move([(0.0, "OUT")])
        yield made


@pytest.fixture
def proxied(bench, tmp_path):
    resource = bench.links["meter"].resource
    proxy = Proxy(int(resource.split("::")[2]))
    path = tmp_path / "bench.yaml"
    path.write_text(bench.bench_text().replace(f"::{proxy.port}::", f"::{proxy.own_port}::"))
    yield proxy, load_bench(str(path))
    proxy.close()


def attempt(meter):
    """What one reading gives, and after how long."""
    with Waiting() as waited:
        try:
            return meter.read().value_v, waited.s
        except AcquisitionError as error:
            assert str(error)
            assert error.hint
            return error, waited.s


def recovers(meter):
    """The next readings are right without a restart; a few may be spent on getting into step."""
    for _ in range(4):
        found, _ = attempt(meter)
        if not isinstance(found, AcquisitionError):
            assert found == pytest.approx(TRUE_V, abs=0.05)
            return
    pytest.fail(f"did not recover: {found}")


@pytest.mark.parametrize("mode", ["hung", "garbage", "cut", "pieces", "merged", "unplugged"])
def test_a_reading_is_right_or_an_error_in_time(proxied, mode):
    proxy, described = proxied
    with open_meter(described) as meter:
        meter.configure_dc(range_v=1000.0, nplc=0.2)
        assert attempt(meter)[0] == pytest.approx(TRUE_V, abs=0.05)
        proxy.mode = mode
        if mode == "unplugged":
            proxy.unplug()
        found, took_s = attempt(meter)
        if not isinstance(found, AcquisitionError):
            assert found == pytest.approx(TRUE_V, abs=0.05)
            assert mode in {"garbage", "pieces", "merged"}
        assert took_s < LIMIT_S + 1.5
        proxy.mode = "pass"
        recovers(meter)


def test_another_instrument_behind_the_same_address(bench, proxied):
    proxy, described = proxied
    with open_meter(described) as meter:
        meter.configure_dc(range_v=1000.0, nplc=0.2)
        own = proxy.port
        proxy.unplug()
        proxy.port, proxy.mode = int(bench.links["scope"].resource.split("::")[2]), "pass"
        errors = [attempt(meter)[0] for _ in range(3)]
        assert all(isinstance(error, AcquisitionError) for error in errors)
        assert any(isinstance(error, InstrumentNotFound) for error in errors)
        proxy.unplug()
        proxy.port, proxy.mode = own, "pass"
        recovers(meter)
