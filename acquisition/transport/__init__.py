"""Links to instruments: bytes only. Which of the transports serves is decided by the VISA resource string."""

from __future__ import annotations

from ..clock import Clock
from ..errors import CommandRefused
from .addresses import Address, parse_address
from .link import Link
from .serial_port import SerialLink, SerialSettings
from .tcp import SocketLink

__all__ = [
    "Address",
    "Link",
    "SerialLink",
    "SerialSettings",
    "SocketLink",
    "open_link",
    "parse_address",
]


def open_link(
    resource: str,
    *,
    serial: SerialSettings | None = None,
    backend: str = "@py",
    open_timeout_s: float = 5.0,
    clock: Clock | None = None,
) -> Link:
    """Open the link to an instrument.

    Parameters
    ----------
    resource : str
        A VISA resource string, or the name of a serial port.
    serial : SerialSettings, optional
        For a serial port.
    backend : str
        VISA library for USB-TMC, VXI-11, HiSLIP and GPIB: ``@py`` or ``@ivi``, never chosen silently.
    open_timeout_s : float
        In seconds.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    CommandRefused
        The address has no known form.
    InstrumentNotFound
        Nothing can be opened there; ``tried`` says why.
    """
    try:
        address = parse_address(resource)
    except ValueError as error:
        raise CommandRefused(str(error), hint="correct the resource in the bench file") from error
    if address.kind == "socket":
        return SocketLink(address, open_timeout_s=open_timeout_s, clock=clock)
    if address.kind == "serial":
        return SerialLink(address, serial or SerialSettings(), clock=clock)
    from .visa import VisaLink

    return VisaLink(address, backend=backend, open_timeout_s=open_timeout_s, clock=clock)
