"""VISA links against peers on loopback: VXI-11 (RFC 5531 records) and HiSLIP (IVI-6.1)."""

import inspect
import types
from pathlib import Path

import pytest

from acquisition.errors import ConnectionLost, InstrumentNotFound, TransportTimeout
from acquisition.scpi import BlockReader
from acquisition.transport import open_link, visa
from acquisition.transport.failures import mapped
from tests.ports import unheard

# pyvisa-py leaves the sockets of a session whose peer went away to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore:.*socket.socket:pytest.PytestUnraisableExceptionWarning")
BOTH = pytest.mark.parametrize("kind", ["vxi11", "hislip"])


@BOTH
def test_a_query_is_answered(kind, request):
    with open_link(request.getfixturevalue(kind)) as link:
        link.write(b"*IDN?\n")
        assert link.read_line(2.0) == b"QUAYSIDE,PEER,7,1.0\n"
        assert not link.dirty


@BOTH
@pytest.mark.parametrize("size", [5, 20 * 1024, 20 * 1024 + 1, 100_000])
def test_a_block_of_any_size_is_read_by_its_length(kind, size, request):
    with open_link(request.getfixturevalue(kind)) as link:
        link.write(b"BIG?%d\n" % size)
        reader = BlockReader()
        while reader.missing:
            reader.feed(link.read_exact(reader.missing, 2.0))
        reader.feed(link.read_some(0.05))
        assert reader.end() == bytes(i % 256 for i in range(size))


@BOTH
def test_the_end_of_the_message_bounds_an_indefinite_block(kind, request):
    with open_link(request.getfixturevalue(kind)) as link:
        link.write(b"ENDLESS?\n")
        reader = BlockReader()
        reader.feed(link.read_message(2.0))
        assert reader.is_indefinite
        assert reader.end() == b"ab\ncd"


@BOTH
def test_after_a_timeout_the_link_is_dirty_until_a_device_clear(kind, request, instrument):
    """Which takes its time: that of the read before it was allowed to it too, a tenth of a second here."""
    instrument.clear_s = 0.3
    with open_link(request.getfixturevalue(kind)) as link:
        link.write(b"NOTHING\n")
        with pytest.raises(TransportTimeout):
            link.read_line(0.1)
        assert link.dirty
        link.clear()
        assert instrument.cleared == 1
        assert not link.dirty
        link.write(b"*IDN?\n")
        assert link.read_line(2.0).startswith(b"QUAYSIDE")


def test_a_peer_that_goes_away_is_a_lost_connection(hislip, hislip_server):
    with open_link(hislip) as link:
        hislip_server.close()
        with pytest.raises((ConnectionLost, TransportTimeout)):  # noqa: PT012  the first write may still go out
            link.write(b"*IDN?\n")
            link.read_line(0.3)
        assert link.dirty


def test_nothing_at_the_address_says_what_was_tried(unused_port):
    resource = f"TCPIP::127.0.0.1,{unused_port}::inst0::INSTR"
    with pytest.raises(InstrumentNotFound) as caught:
        open_link(resource, open_timeout_s=1.0)
    assert resource in caught.value.tried
    assert caught.value.hint


@pytest.fixture
def unused_port():
    with unheard() as port:
        yield port


def test_one_resource_manager_serves_the_process_and_outlives_every_link(hislip, vxi11):
    first = open_link(hislip)
    second = open_link(vxi11)
    assert visa.manager("@py") is visa.manager("@py")
    first.close()
    second.write(b"*IDN?\n")
    assert second.read_line(2.0).startswith(b"QUAYSIDE")
    second.close()
    assert ".close()" not in inspect.getsource(visa.manager)


def test_an_open_timeout_is_always_passed(monkeypatch):
    """Left out, pyvisa passes 0, which pyvisa-py turns into 100 ms for VXI-11."""
    seen = {}

    class Manager:
        def open_resource(self, resource, **options):
            seen.update(options)
            return types.SimpleNamespace(close=lambda: None)

    monkeypatch.setitem(visa._managers, "@py", Manager())
    open_link("TCPIP::192.0.2.1::inst0::INSTR", open_timeout_s=3.0).close()
    assert seen == {"open_timeout": 3000}


def test_the_backend_is_named_never_chosen_silently(monkeypatch):
    asked = []
    import pyvisa

    monkeypatch.setattr(visa, "_managers", {})
    monkeypatch.setattr(pyvisa, "ResourceManager", lambda name: asked.append(name) or types.SimpleNamespace())
    visa.manager("@py")
    visa.manager("@ivi")
    assert asked == ["@py", "@ivi"]


def test_a_missing_vendor_library_is_said_with_what_to_do(monkeypatch):
    monkeypatch.setattr(visa, "_managers", {})
    with pytest.raises(InstrumentNotFound) as caught:
        open_link("GPIB0::22::INSTR", backend="@ivi")
    assert "@ivi" in str(caught.value)
    assert "backend" in caught.value.hint


def test_no_scan_of_the_network_anywhere_in_the_drivers():
    """A scan takes 2 s, broadcasts on every network, and hangs old firmware: addresses are typed."""
    import acquisition

    package = Path(acquisition.__file__).parent
    files = [file for room in ("transport", "instruments") for file in (package / room).rglob("*.py")]
    assert files
    for file in files:
        assert "list_resources" not in file.read_text("utf-8"), file


def all_exceptions_of_pyvisa():
    from pyvisa import errors

    return [
        kind
        for _, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, Exception) and kind.__module__ == errors.__name__ and not issubclass(kind, Warning)
    ]


def build(kind):
    from pyvisa import errors

    if kind is errors.VisaIOError:
        return kind(-1073807298)
    for arguments in ((), ("x",), ("x", "y"), ("x", "y", "z")):
        try:
            return kind(*arguments)
        except TypeError:
            continue
    raise AssertionError(f"cannot build {kind}")


@pytest.mark.parametrize("kind", all_exceptions_of_pyvisa())
def test_every_exception_of_pyvisa_becomes_one_of_ours(kind):
    with pytest.raises((ConnectionLost, TransportTimeout)) as caught:
        with mapped(visa.failures(), "R"):
            raise build(kind)
    assert caught.value.hint
    assert caught.value.__cause__ is not None


@pytest.mark.parametrize("kind", [OSError, RuntimeError, ValueError, ConnectionRefusedError, BrokenPipeError])
def test_bare_exceptions_seen_through_pyvisa_py_become_ours(kind):
    with pytest.raises(ConnectionLost), mapped(visa.failures(), "R"):
        raise kind("seen raw")


def test_the_bare_exception_of_vxi11_while_opening_becomes_not_found():
    with pytest.raises(InstrumentNotFound) as caught, mapped(visa.failures(opening=True), "R", opening=True):
        raise Exception("error creating link: 9")
    assert "another program" in caught.value.hint
