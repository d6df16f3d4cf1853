"""A serial port through pyserial itself, because pyvisa-py hides its control lines and locks."""

from __future__ import annotations

import errno
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..clock import Clock
from ..errors import InstrumentNotFound
from .addresses import Address
from .failures import Failure, mapped
from .link import Link

if TYPE_CHECKING:
    from serial import Serial


POLL_S = 0.01
"""How long one look at a port of another machine lasts, in seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """How a serial port must be set, before it is opened.

    Parameters
    ----------
    baud, bits, stop : int
        As the manual of the instrument says.
    parity : str
        ``none``, ``even`` or ``odd``.
    dtr, rts : bool
        Control lines; an optical head draws its supply from them.
    settle_s : float
        Time the instrument or its cable needs after opening, in seconds.
    """

    baud: int = 9600
    bits: int = 8
    parity: str = "none"
    stop: int = 1
    dtr: bool = True
    rts: bool = True
    settle_s: float = 0.0


def failures() -> tuple[Failure, ...]:
    """Give the table of foreign exceptions; a function, since pyserial is loaded on first use only."""
    import serial

    gone: list[type[Exception]] = [OSError]
    with suppress(ImportError):  # POSIX alone has it
        import termios

        gone.append(termios.error)  # no OSError: raised where a port hangs up while it is set
    return (
        Failure(serial.SerialTimeoutException, "late", "the port takes no data: check flow control and cable"),
        Failure(serial.SerialException, "lost", "is the cable in? is another program using the port?"),
        Failure(TimeoutError, "late", "is the instrument on?"),
        Failure(PermissionError, "lost", "join the group that owns the port (dialout on many systems)"),
        *(Failure(kind, "lost", "the port vanished: is the cable in?") for kind in gone),
        Failure(
            ValueError, "lost", "the port cannot be set like this: check the serial settings in the dialect file"
        ),
        Failure(TypeError, "lost", "the port was closed under this program"),
    )


class SerialLink(Link):
    """A byte stream over a serial port, a USB serial bridge, or a pyserial URL.

    Parameters
    ----------
    address : Address
        Name of the port.
    settings : SerialSettings
        Applied before opening, control lines too.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        The port is missing, taken, or not ours to open.
    """

    def __init__(self, address: Address, settings: SerialSettings, *, clock: Clock | None = None) -> None:
        super().__init__(address.resource, clock)
        self._failures = failures()
        self._is_remote = _is_remote(address.device)
        try:
            with mapped(self._failures, self.resource, opening=True):
                self._port = _configured(address.device, settings)
                self._port.open()
        except InstrumentNotFound as error:
            number = getattr(error.__cause__, "errno", None)
            raise InstrumentNotFound(
                str(error), hint=_opening_hint(number) or error.hint, tried=error.tried
            ) from error.__cause__
        self.clock.sleep_s(settings.settle_s)

    def _send(self, data: bytes, timeout_s: float) -> None:
        with mapped(self._failures, self.resource, timeout_s=timeout_s):
            if not self._is_remote:
                self._port.write_timeout = max(timeout_s, 1e-3)
            self._port.write(data)

    def _receive(self, timeout_s: float, most: int) -> tuple[bytes, bool]:
        with mapped(self._failures, self.resource, timeout_s=timeout_s):
            # One byte with the deadline, then all that lies there: read(n) would wait for all n.
            if self._is_remote:
                data = self._polled(timeout_s)
            else:
                self._port.timeout = max(0.0, timeout_s)
                data = self._port.read(1)
            if data and (waiting := self._port.in_waiting):
                data += self._port.read(min(waiting, most - 1))
        return bytes(data), False

    def _polled(self, timeout_s: float) -> bytes:
        deadline_s = self.clock.monotonic_s() + timeout_s
        while not (data := self._port.read(1)) and self.clock.monotonic_s() < deadline_s:
            pass
        return data

    def _release(self) -> None:
        try:
            self._port.close()
        except OSError:
            pass  # the device is gone already


def _opening_hint(number: int | None) -> str:
    if number == errno.ENOENT:
        from serial.tools import list_ports

        known = ", ".join(port.device for port in list_ports.comports()) or "none"
        return f"is the cable in? serial ports here: {known}"
    if number == errno.EACCES:
        return "join the group that owns the port (dialout on many systems) and log in again"
    if number in {errno.EBUSY, errno.EAGAIN}:
        return "another program is using the port: close it"
    return ""


def _is_remote(device: str) -> bool:
    """Whether the port is of another machine (RFC 2217): setting a time-out there sets all of the port again."""
    return device.startswith("rfc2217://")


def _configured(device: str, settings: SerialSettings) -> Serial:
    import serial

    port: Serial = serial.serial_for_url(device, do_not_open=True)
    port.baudrate = settings.baud
    port.bytesize = settings.bits
    port.parity = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}[
        settings.parity
    ]
    port.stopbits = settings.stop
    if _is_remote(device):
        port.timeout = POLL_S
    else:
        port.write_timeout = 2.0
    # Set before opening, or pyserial raises both lines at open.
    port.dtr = settings.dtr
    port.rts = settings.rts
    if "://" not in device:
        port.exclusive = True
    return port
