"""Addresses of instruments: VISA resource strings (VPP-4.3), and the short forms people type for serial ports."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from typing import Literal

_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:\s]+|\[[0-9A-Fa-f:]+\])::(?P<port>\d{1,5})::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<port>\S+?)(?:::INSTR)?", re.IGNORECASE)
_VISA = re.compile(
    r"(?:TCPIP\d*::[^:\s]+(?:::[^:\s]+)?(?:::INSTR)?"
    r"|USB\d*::[^:\s]+::[^:\s]+(?:::[^:\s]*)?(?:::\d+)?(?:::INSTR)?"
    r"|GPIB\d*::\d+(?:::\d+)?(?:::INSTR)?)",
    re.IGNORECASE,
)
_URL = re.compile(r"(?:socket|rfc2217|loop)://\S*")
FORMS = (
    "TCPIP::HOST::5025::SOCKET, TCPIP::HOST::hislip0::INSTR, ASRL/dev/ttyUSB0::INSTR "
    "or USB0::1234::5678::SERIAL::INSTR"
)


@dataclass(frozen=True, slots=True)
class Address:
    """A checked address.

    Parameters
    ----------
    kind : str
        Which transport it needs.
    resource : str
        The VISA resource string.
    host : str
        Of a socket.
    port : int
        Of a socket.
    device : str
        Name of a serial port, or a pyserial URL.
    """

    kind: Literal["socket", "serial", "visa"]
    resource: str
    host: str = ""
    port: int = 0
    device: str = ""


def parse_address(text: str) -> Address:
    """Read an address.

    Parameters
    ----------
    text : str
        A VISA resource string; for serial ports also ``/dev/ttyUSB0``, ``COM3`` or a pyserial URL.

    Raises
    ------
    ValueError
        It is none of these; the message lists the forms.

    Examples
    --------
    >>> parse_address("TCPIP::127.0.0.1::5025::SOCKET").port
    5025
    >>> parse_address("/dev/ttyUSB0").resource
    'ASRL/dev/ttyUSB0::INSTR'
    """
    cleaned = text.strip()
    if match := _SOCKET.fullmatch(cleaned):
        port = int(match["port"])
        if not 0 < port < 65536:
            raise ValueError(f"port {port} of {cleaned} is not between 1 and 65535")
        return Address("socket", cleaned, host=match["host"].strip("[]"), port=port)
    if _URL.fullmatch(cleaned) or cleaned.startswith("/dev/") or re.fullmatch(r"COM\d+", cleaned, re.IGNORECASE):
        return Address("serial", f"ASRL{cleaned}::INSTR", device=cleaned)
    if match := _SERIAL.fullmatch(cleaned):
        return Address("serial", cleaned, device=_serial_device(match["port"]))
    if _VISA.fullmatch(cleaned):
        return Address("visa", cleaned)
    raise ValueError(f"expected an address such as {FORMS}, got {text!r}")


def _serial_device(port: str) -> str:
    if not port.isdigit():
        return port
    # VPP-4.3 numbers ports from 1: the first one is COM1, and ttyS0.
    return f"COM{port}" if sys.platform == "win32" else f"/dev/ttyS{int(port) - 1}"
