"""What pyvisa-py leaves out for USB: the device clear, and why a device cannot be opened.

References: USB Test and Measurement Class, revision 1.0 (2003), 4.2.1.6 INITIATE_CLEAR and 4.2.1.7
CHECK_CLEAR_STATUS.
"""

from __future__ import annotations

from typing import Any

from ..clock import Clock

INITIATE_CLEAR, CHECK_CLEAR_STATUS = 5, 6
SUCCESS, PENDING = 1, 2
CLASS_REQUEST_OF_INTERFACE = 0xA1  # device to host
TRIES, REST_S = 50, 0.02
ANSWER_MS = 1000

UDEV_RULE = (
    'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor:04x}", ATTR{{idProduct}}=="{product:04x}", '
    'MODE="0660", TAG+="uaccess"'
)


def clear_device(interface: Any, clock: Clock) -> bool:
    """Clear both directions of a device.

    Parameters
    ----------
    interface : object
        The device as pyvisa-py has opened it.
    clock : Clock
        For the rest between two looks.

    Returns
    -------
    bool
        False when the device refuses it, or is not done in a second.

    Raises
    ------
    usb.core.USBError
        The device is gone.
    """
    device, number = interface.usb_dev, interface.usb_intf.bInterfaceNumber

    def ask(request: int, count: int) -> Any:
        return device.ctrl_transfer(CLASS_REQUEST_OF_INTERFACE, request, 0, number, count, timeout=ANSWER_MS)

    if ask(INITIATE_CLEAR, 1)[0] != SUCCESS:
        return False
    for _ in range(TRIES):
        status, has_data = ask(CHECK_CLEAR_STATUS, 2)
        if status != PENDING:
            interface.usb_send_ep.clear_halt()
            return bool(status == SUCCESS)
        if has_data & 1:
            interface.usb_recv_ep.read(interface.usb_recv_ep.wMaxPacketSize, ANSWER_MS)
        else:
            clock.sleep_s(REST_S)
    return False


def missing_for_usb() -> tuple[str, str] | None:
    """Say what USB still needs on this machine, and what to do; None when nothing is missing."""
    try:
        import usb.core
    except ImportError:
        return "USB needs the package pyusb", "pip install 'stagewalk[usb]'"
    try:
        usb.core.find()
    except usb.core.NoBackendError:
        return "USB needs libusb 1.0", "install that library of the system, or the package libusb-package"
    except usb.core.USBError as error:
        return "USB cannot be looked at", str(error)
    return None


def why_not_opened(resource: str, reason: str) -> tuple[str, str]:
    """Say why a device cannot be opened, and what to do; nothing is missing for USB itself.

    Parameters
    ----------
    resource : str
        A VISA resource string.
    reason : str
        What the library said.
    """
    import usb.core

    try:
        vendor, product = (int(part, 0) for part in resource.split("::")[1:3])
    except ValueError:
        return "maker and model are no numbers", "write them as in USB0::0x1234::0x5678::SERIAL::INSTR"
    if usb.core.find(idVendor=vendor, idProduct=product) is None:
        return (
            f"no USB device {vendor:04x}:{product:04x} is plugged in",
            "is it on, and its cable in? the address names maker and model: check both",
        )
    if "busy" in reason.lower():
        return "another program holds it", "close that program, then plug the instrument out and in"
    rule = UDEV_RULE.format(vendor=vendor, product=product)
    return (
        f"it is plugged in but does not let this program in: {reason}",
        f"on Linux a udev rule lets users in: put {rule} into a file numbered below 73, then plug it in again; "
        "and check the serial number in the address",
    )
