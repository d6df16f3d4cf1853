"""A measuring device on a USB that is only in memory: a pyusb backend that speaks USBTMC with the USB488 subclass.

pyusb and pyvisa-py run as they are; only what the kernel and the cable would do is played here. Headers and control
requests are those of USB Test and Measurement Class 1.0 (2003), tables 1 to 9 and 4.2.1, and its subclass USB488.
"""

import errno
import struct
from types import SimpleNamespace

import usb.core
from usb.backend import IBackend

VENDOR, PRODUCT, SERIAL = 0x1AB2, 0x04CE, "SN7"
OUT, IN = 0x01, 0x82
PACKET = 512
FULL_TRANSFER = 4096
"""Bytes of data the device sends for one request at most, however many were asked for; None: as many as asked."""

STRINGS = {1: "QUAYSIDE", 2: "PEER", 3: SERIAL}


def _device():
    return SimpleNamespace(
        bLength=18, bDescriptorType=1, bcdUSB=0x200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0,
        bMaxPacketSize0=64, idVendor=VENDOR, idProduct=PRODUCT, bcdDevice=1, iManufacturer=1, iProduct=2,
        iSerialNumber=3, bNumConfigurations=1, address=7, bus=1, port_number=1, port_numbers=(1,), speed=3,
    )  # fmt: skip


class FakeUsb(IBackend):
    """One device, plugged in, in front of anything with ``answer(message) -> bytes``."""

    def __init__(self, instrument):
        super().__init__()
        self.instrument = instrument
        self.plugged = self.allowed = True
        self.busy = False
        self.stalls = 0  # transfers that the device refuses
        self.most = None  # bytes of one transfer, where the device sends fewer than asked
        self.message = b""
        self.answers = bytearray()
        self.transfer = bytearray()
        self.requested = None
        self.clears = 0
        self.unasked = 0  # reads without anything to say: a real device notes error -420
        self.timeouts_ms = []

    # What the kernel does.

    def enumerate_devices(self):
        return ["device"] if self.plugged else []

    def get_device_descriptor(self, dev):
        return _device()

    def get_configuration_descriptor(self, dev, config):
        if config:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=32, bNumInterfaces=1, bConfigurationValue=1,
            iConfiguration=0, bmAttributes=0xC0, bMaxPower=50, extra_descriptors=b"",
        )  # fmt: skip

    def get_interface_descriptor(self, dev, intf, alt, config):
        if intf or alt or config:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=0, bAlternateSetting=0, bNumEndpoints=2,
            bInterfaceClass=0xFE, bInterfaceSubClass=3, bInterfaceProtocol=1, iInterface=0, extra_descriptors=b"",
        )  # fmt: skip

    def get_endpoint_descriptor(self, dev, ep, intf, alt, config):
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=(OUT, IN)[ep], bmAttributes=2, wMaxPacketSize=PACKET,
            bInterval=0, bRefresh=0, bSynchAddress=0, extra_descriptors=b"",
        )  # fmt: skip

    def open_device(self, dev):
        if not self.allowed:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        return "handle"

    def close_device(self, dev_handle):
        self.message, self.requested = b"", None

    def set_configuration(self, dev_handle, config_value):
        pass

    def get_configuration(self, dev_handle):
        return 1

    def claim_interface(self, dev_handle, intf):
        if self.busy:
            raise usb.core.USBError("Resource busy", -6, errno.EBUSY)

    def release_interface(self, dev_handle, intf):
        pass

    def is_kernel_driver_active(self, dev_handle, intf):
        return False

    def clear_halt(self, dev_handle, ep):
        self.require_plugged()

    def require_plugged(self):
        if not self.plugged:
            raise usb.core.USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)

    # What the device does.

    def bulk_write(self, dev_handle, ep, intf, data, timeout):
        self.require_plugged()
        kind, tag, inverse, size = struct.unpack_from("<BBBxL", data)
        assert inverse == ~tag & 0xFF
        assert len(data) % 4 == 0, "a transfer is padded to four bytes"
        if kind == 1:  # DEV_DEP_MSG_OUT
            self.message += bytes(data[12 : 12 + size])
            if data[8] & 1:
                self.answers = bytearray(self.instrument.answer(self.message))
                self.message = b""
        elif kind == 2:  # REQUEST_DEV_DEP_MSG_IN
            self.requested = (tag, size)
        return len(data)

    def bulk_read(self, dev_handle, ep, intf, buff, timeout):
        self.require_plugged()
        self.timeouts_ms.append(timeout)
        if self.stalls:
            self.stalls -= 1
            raise usb.core.USBError("Pipe error", -9, errno.EPIPE)
        if not self.transfer:
            if self.requested is None or not self.answers:
                self.unasked += 1
                raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
            tag, size = self.requested
            size = min(size, self.most or size, len(self.answers))
            part, self.answers = self.answers[:size], self.answers[size:]
            self.requested = None
            header = struct.pack("<BBBxLBxxx", 2, tag, ~tag & 0xFF, size, not self.answers)
            self.transfer = bytearray(header + part + b"\0" * (-size % 4))
        sent, self.transfer = self.transfer[: len(buff)], self.transfer[len(buff) :]
        buff[: len(sent)] = type(buff)("B", bytes(sent))
        return len(sent)

    def ctrl_transfer(self, dev_handle, bmRequestType, bRequest, wValue, wIndex, data, timeout):
        self.require_plugged()
        reply = self.control(bmRequestType, bRequest, wValue)
        data[: len(reply)] = type(data)("B", reply)
        return len(reply)

    def control(self, kind, request, value):
        if kind == 0x80 and request == 6:  # string descriptors
            text = b"\x09\x04" if value == 0x300 else STRINGS[value & 0xFF].encode("utf-16-le")
            return bytes([len(text) + 2, 3]) + text
        if request == 7:  # GET_CAPABILITIES: USB488 with remote control
            return bytes([1, 0, 0, 1]) + bytes(8) + bytes([0, 1, 6, 0]) + bytes(8)
        if request == 160:  # REN_CONTROL
            return b"\x01"
        if request == 3:  # INITIATE_ABORT_BULK_IN: nothing is under way
            self.requested = None
            return bytes([0x81, 0])
        if request == 5:  # INITIATE_CLEAR
            self.clears += 1
            self.message, self.requested = b"", None
            self.answers.clear()
            self.transfer.clear()
            self.pending = 1
            return b"\x01"
        if request == 6:  # CHECK_CLEAR_STATUS: not at once
            self.pending -= 1
            return b"\x02\x00" if self.pending >= 0 else b"\x01\x00"
        raise usb.core.USBError("Pipe error", -9, errno.EPIPE)
