"""USB-TMC, VXI-11, HiSLIP and GPIB through pyvisa, with the library behind it chosen by name.

One resource manager serves the whole process and is never closed: it is one object per library, and closing any
copy of it would kill every session.
"""

from __future__ import annotations

import importlib.util
from typing import TYPE_CHECKING, Any

from ..clock import Clock
from ..errors import ConnectionLost, InstrumentNotFound, TransportTimeout
from . import usbtmc
from .addresses import Address
from .failures import Failure, mapped
from .link import Link

if TYPE_CHECKING:
    import pyvisa

_managers: dict[str, pyvisa.ResourceManager] = {}

LIBRARY_HINTS = {
    "@py": "install pyvisa-py, and pyusb for USB",
    "@ivi": "install the VISA library of a maker of instruments, or choose backend: '@py' in the bench file",
}

CLEAR_S = 2.0
"""For a device clear, whatever the read before it left of its time."""

REFUSED_HINT = "the instrument refuses the connection: is another program connected?"
NETWORK_HINT = "check power, network cable and address"

WORDS = {
    "VI_ERROR_RSRC_NFOUND": "nothing answers there",
    "VI_ERROR_TMO": "no answer in time",
    "VI_ERROR_CONN_LOST": "the connection broke off",
    "VI_ERROR_RSRC_BUSY": "another program holds it",
    "VI_ERROR_RSRC_LOCKED": "another program has locked it",
    "VI_ERROR_IO": "the transfer failed",
}
"""Short reasons for the codes of VPP-4.3 that people meet; the library's own sentence serves for the others."""


def _visa_reason(error: BaseException) -> str:
    code = str(getattr(error, "abbreviation", ""))
    return f"{WORDS.get(code) or getattr(error, 'description', '').split('.')[0]} ({code})"


def failures(*, opening: bool = False) -> tuple[Failure, ...]:
    """Give the table of foreign exceptions; a function, since pyvisa is loaded on first use only.

    Parameters
    ----------
    opening : bool
        While opening, pyvisa-py raises bare exceptions too (VXI-11: error creating link).
    """
    from pyvisa import errors

    rows = (
        Failure(errors.VisaIOError, "lost", "check power, cable and address", _visa_reason),
        Failure(errors.InvalidSession, "lost", "the session was closed; the next question opens it again"),
        Failure(errors.LibraryError, "lost", "the VISA library cannot be loaded"),
        Failure(errors.Error, "lost", "the VISA library does not support this; try the other backend"),
        Failure(TimeoutError, "late", "is the instrument on?"),
        Failure(OSError, "lost", "check power, cable and address"),
        Failure(RuntimeError, "lost", "the peer closed the connection"),  # HiSLIP
        Failure(ValueError, "lost", "the USB device does not answer: plug it out and in"),  # USB wraps its errors
    )
    refused = Failure(Exception, "lost", REFUSED_HINT)
    return (*rows, refused) if opening else rows


def manager(backend: str) -> pyvisa.ResourceManager:
    """Give the one resource manager of a library.

    Parameters
    ----------
    backend : str
        ``@py``, ``@ivi``, or ``FILE@sim`` in tests.

    Raises
    ------
    InstrumentNotFound
        The library is not installed.
    """
    if backend not in _managers:
        import pyvisa

        try:
            _managers[backend] = pyvisa.ResourceManager(backend)
        except (ValueError, OSError, pyvisa.errors.Error) as error:
            reason = " ".join(str(error).split())
            raise InstrumentNotFound(
                f"the VISA library {backend} cannot be used: {reason}",
                hint=LIBRARY_HINTS.get(backend, "choose @py or @ivi"),
                tried={backend: reason},
            ) from error
    return _managers[backend]


class VisaLink(Link):
    """A message-based session of a VISA library.

    Parameters
    ----------
    address : Address
        Anything but a socket and a serial port.
    backend : str
        Library.
    open_timeout_s : float
        Passed on explicitly: left out, pyvisa-py allows VXI-11 only 100 ms.
    clock : Clock, optional
        For deadlines.

    Raises
    ------
    InstrumentNotFound
        No library, or no such instrument.
    """

    has_end = True

    def __init__(
        self, address: Address, *, backend: str = "@py", open_timeout_s: float = 5.0, clock: Clock | None = None
    ) -> None:
        super().__init__(address.resource, clock)
        self._failures = failures()
        resources = manager(backend)
        try:
            with mapped(failures(opening=True), self.resource, opening=True):
                opened: Any = resources.open_resource(
                    address.resource, open_timeout=max(1, round(open_timeout_s * 1000))
                )
        except InstrumentNotFound as error:
            raise _not_opened(address.resource, backend, error) from error.__cause__
        with mapped(self._failures, self.resource, opening=True):
            # Lines and blocks are cut here, not below: their bytes may hold any terminator.
            opened.write_termination = ""
            opened.read_termination = None
            opened.send_end = True
        self._session = opened
        # There every part of a message is said to be its end, and a device clear is missing.
        self._is_py_usb = backend == "@py" and _is_usb(address.resource)

    def _send(self, data: bytes, timeout_s: float) -> None:
        from pyvisa import constants, errors

        with mapped(self._failures, self.resource, timeout_s=timeout_s):
            self._session.timeout = max(1, round(timeout_s * 1000))
            try:
                self._session.write_raw(data)
            except errors.VisaIOError as error:
                if error.error_code == constants.StatusCode.error_timeout:
                    raise TimeoutError(str(error)) from error
                raise

    def _receive(self, timeout_s: float, most: int) -> tuple[bytes, bool]:
        from pyvisa import constants, errors

        with mapped(self._failures, self.resource, timeout_s=timeout_s):
            self._session.timeout = max(1, round(timeout_s * 1000))
            library = self._session.visalib
            try:
                # More is there: only the status of a partial read, no reason to warn.
                with self._session.ignore_warning(
                    constants.StatusCode.success_max_count_read, constants.StatusCode.success_device_not_present
                ):
                    asked = min(most, 20 * 1024)
                    data, status = library.read(self._session.session, asked)
            except errors.VisaIOError as error:
                if error.error_code == constants.StatusCode.error_timeout:
                    return b"", False
                raise
        is_part = status == constants.StatusCode.success_max_count_read or (self._is_py_usb and len(data) == asked)
        return bytes(data), not is_part

    def _device_clear(self) -> bool:
        from pyvisa import constants, errors

        with mapped(self._failures, self.resource, timeout_s=CLEAR_S):
            self._session.timeout = round(CLEAR_S * 1000)
            try:
                self._session.clear()
            except errors.VisaIOError as error:
                unsupported = {constants.StatusCode.error_nonsupported_operation}
                if error.error_code in unsupported:
                    return self._clear_usb()
                raise
            except NotImplementedError:
                return False
        return True

    def _clear_usb(self) -> bool:
        if not self._is_py_usb:
            return False
        interface = self._session.visalib.sessions[self._session.session].interface
        return usbtmc.clear_device(interface, self.clock)

    def _release(self) -> None:
        try:
            with mapped(self._failures, self.resource):
                self._session.close()
        except (ConnectionLost, TransportTimeout):
            pass  # the peer was faster


def _is_usb(resource: str) -> bool:
    return resource.upper().startswith("USB")


def _not_opened(resource: str, backend: str, error: InstrumentNotFound) -> InstrumentNotFound:
    """Give the error for what could not be opened, with a hint that fits the kind of address."""
    reason, hint = error.tried[resource], error.hint
    if missing := missing_library(resource, backend):
        reason, hint = missing
    elif _is_usb(resource) and backend == "@py":
        reason, hint = usbtmc.why_not_opened(resource, reason)
    elif resource.upper().startswith("GPIB"):
        hint = "check the adapter, its driver, and the GPIB address the instrument shows"
    elif hint != REFUSED_HINT:
        hint = NETWORK_HINT
    return InstrumentNotFound(f"{resource}: cannot be opened: {reason}", hint=hint, tried={resource: reason})


def missing_library(resource: str, backend: str) -> tuple[str, str] | None:
    """Say which driver library an address still needs on this machine, and what to do about it.

    Parameters
    ----------
    resource : str
        A VISA resource string.
    backend : str
        Library.

    Returns
    -------
    (str, str) or None
        None when nothing is missing.
    """
    if backend == "@ivi":
        try:
            manager(backend)
        except InstrumentNotFound as error:
            return str(error), error.hint
        return None
    if _is_usb(resource):
        return usbtmc.missing_for_usb()
    bindings = ("gpib_ctypes", "gpib")
    if resource.upper().startswith("GPIB") and not any(importlib.util.find_spec(name) for name in bindings):
        return (
            "GPIB needs the package gpib-ctypes and the driver of the adapter",
            "install both, or choose backend: '@ivi' in the bench file",
        )
    return None
