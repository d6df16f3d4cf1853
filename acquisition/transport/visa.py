"""USB-TMC, VXI-11, HiSLIP and GPIB through pyvisa, with the library behind it chosen by name.

One resource manager serves the whole process and is never closed: it is one object per library, and closing any
copy of it would kill every session.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..clock import Clock
from ..errors import ConnectionLost, InstrumentNotFound, TransportTimeout
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

UDEV_RULE = (
    'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor}", ATTR{{idProduct}}=="{product}", MODE="0660", TAG+="uaccess"'
)


def failures(*, opening: bool = False) -> tuple[Failure, ...]:
    """Give the table of foreign exceptions; a function, since pyvisa is loaded on first use only.

    Parameters
    ----------
    opening : bool
        While opening, pyvisa-py raises bare exceptions too (VXI-11: error creating link).
    """
    from pyvisa import errors

    rows = (
        Failure(errors.VisaIOError, "lost", "check power, cable and address"),
        Failure(errors.InvalidSession, "lost", "the session was closed; the next question opens it again"),
        Failure(errors.LibraryError, "lost", "the VISA library cannot be loaded"),
        Failure(errors.Error, "lost", "the VISA library does not support this; try the other backend"),
        Failure(TimeoutError, "late", "is the instrument on?"),
        Failure(OSError, "lost", "check power, cable and address"),
        Failure(RuntimeError, "lost", "the peer closed the connection"),  # HiSLIP
        Failure(ValueError, "lost", "the USB device does not answer: plug it out and in"),  # USB wraps its errors
    )
    refused = Failure(Exception, "lost", "the instrument refuses the connection: is another program connected?")
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
            raise InstrumentNotFound(
                f"the VISA library {backend} cannot be used: {error}",
                hint=LIBRARY_HINTS.get(backend, "choose @py or @ivi"),
                tried={backend: str(error)},
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
            raise InstrumentNotFound(
                str(error), hint=_opening_hint(address.resource, error.hint), tried=error.tried
            ) from error
        with mapped(self._failures, self.resource, opening=True):
            # Lines and blocks are cut here, not below: their bytes may hold any terminator.
            opened.write_termination = ""
            opened.read_termination = None
            opened.send_end = True
        self._session = opened

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
                    data, status = library.read(self._session.session, min(most, 20 * 1024))
            except errors.VisaIOError as error:
                if error.error_code == constants.StatusCode.error_timeout:
                    return b"", False
                raise
        return bytes(data), status != constants.StatusCode.success_max_count_read

    def _device_clear(self) -> bool:
        from pyvisa import constants, errors

        with mapped(self._failures, self.resource):
            try:
                self._session.clear()
            except errors.VisaIOError as error:
                unsupported = {constants.StatusCode.error_nonsupported_operation}
                if error.error_code in unsupported:
                    return False
                raise
            except NotImplementedError:
                return False
        return True

    def _release(self) -> None:
        try:
            with mapped(self._failures, self.resource):
                self._session.close()
        except (ConnectionLost, TransportTimeout):
            pass  # the peer was faster


def _opening_hint(resource: str, hint: str) -> str:
    parts = resource.split("::")
    if resource.upper().startswith("USB") and len(parts) >= 3:
        try:
            vendor, product = (f"{int(part, 0):04x}" for part in parts[1:3])
        except ValueError:
            return hint
        rule = UDEV_RULE.format(vendor=vendor, product=product)
        return (
            f"on Linux a udev rule lets users in: put {rule} into a file numbered below 73, then plug it in again"
        )
    return hint
