"""Peers on loopback: VXI-11 on pyvisa-py's own RPC classes, HiSLIP from the open wire table."""

import gc
import socket
import struct
import threading
import time

import pytest


@pytest.fixture(scope="module", autouse=True)
def collected():
    """Sockets that pyvisa-py leaves open are collected at the end of the modules that let it pass, not in a later
    test that knows nothing of them."""
    yield
    gc.collect()


class Instrument:
    """Answers a few queries; one message in, at most one out."""

    def __init__(self):
        self.received = []
        self.cleared = 0
        self.clear_s = 0.0
        self.silent = False

    def clear(self):
        time.sleep(self.clear_s)
        self.cleared += 1

    def answer(self, message: bytes) -> bytes:
        self.received.append(message)
        if self.silent:
            return b""
        text = message.strip()
        if text == b"*IDN?":
            return b"QUAYSIDE,PEER,7,1.0\n"
        if text == b"BLOCK?":
            return b"#15ab\ncd\n"
        if text == b"ENDLESS?":
            return b"#0ab\ncd\n"
        if text.startswith(b"BIG?"):
            size = int(text[4:])
            return b"#9%09d" % size + bytes(i % 256 for i in range(size)) + b"\n"
        return b""


def make_vxi11(instrument):
    from pyvisa_py.protocols import rpc, vxi11

    class Server(rpc.TCPServer):
        def __init__(self):
            self.answers = bytearray()
            super().__init__("127.0.0.1", vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, 0)

        def addpackers(self):
            self.packer = vxi11.Vxi11Packer()
            self.unpacker = vxi11.Vxi11Unpacker(b"")

        def connect(self):
            super().connect()
            self.port = self.sock.getsockname()[1]
            self.sock.listen(2)
            threading.Thread(target=self.serve, daemon=True).start()

        def serve(self):
            while True:
                try:
                    peer, _ = self.sock.accept()
                except OSError:
                    return
                self.peer = peer
                self.exchange(peer)
                peer.close()

        def exchange(self, peer):
            data = b""
            while True:
                while len(data) < 4 or len(data) < 4 + (struct.unpack(">I", data[:4])[0] & 0x7FFFFFFF):
                    try:
                        more = peer.recv(65536)
                    except OSError:
                        return
                    if not more:
                        return
                    data += more
                size = struct.unpack(">I", data[:4])[0] & 0x7FFFFFFF
                call, data = data[4 : 4 + size], data[4 + size :]
                reply = bytes(self.handle(call))
                peer.sendall(struct.pack(">I", 0x80000000 | len(reply)) + reply)

        def handle_10(self):  # create_link
            unpack = self.unpacker
            unpack.unpack_int(), unpack.unpack_bool(), unpack.unpack_uint(), unpack.unpack_string()
            self.turn_around()
            for value in (0, 1, 0, 65536):
                self.packer.pack_int(value)

        def handle_11(self):  # device_write
            unpack = self.unpacker
            unpack.unpack_int(), unpack.unpack_uint(), unpack.unpack_uint(), unpack.unpack_int()
            message = unpack.unpack_opaque()
            self.turn_around()
            self.answers = bytearray(instrument.answer(bytes(message)))
            self.packer.pack_int(0)
            self.packer.pack_uint(len(message))

        def handle_12(self):  # device_read
            unpack = self.unpacker
            unpack.unpack_int()
            most = unpack.unpack_uint()
            unpack.unpack_uint(), unpack.unpack_uint(), unpack.unpack_int(), unpack.unpack_int()
            self.turn_around()
            if not self.answers:
                self.packer.pack_int(15)
                self.packer.pack_int(0)
                self.packer.pack_opaque(b"")
                return
            part, self.answers = bytes(self.answers[:most]), self.answers[most:]
            self.packer.pack_int(0)
            self.packer.pack_int(1 if self.answers else 4)
            self.packer.pack_opaque(part)

        def handle_15(self):  # device_clear
            for unpack in (self.unpacker.unpack_int, self.unpacker.unpack_int):
                unpack()
            self.unpacker.unpack_uint(), self.unpacker.unpack_uint()
            self.turn_around()
            instrument.clear()
            self.answers.clear()
            self.packer.pack_int(0)

        def handle_23(self):  # destroy_link
            self.unpacker.unpack_int()
            self.turn_around()
            self.packer.pack_int(0)

    return Server()


class Hislip:
    """Wire table of IVI-6.1: header HS, type, control, parameter, length, then the payload."""

    HEADER = struct.Struct(">2sBBIQ")

    def __init__(self, instrument):
        self.instrument = instrument
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.peers = []
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                peer, _ = self.listener.accept()
            except OSError:
                return
            self.peers.append(peer)
            threading.Thread(target=self.serve, args=(peer,), daemon=True).start()

    def serve(self, peer):
        message = b""
        try:
            while True:
                header = self.exactly(peer, 16)
                _, kind, control, parameter, length = self.HEADER.unpack(header)
                payload = self.exactly(peer, length)
                if kind == 0:
                    self.send(peer, 1, 0, 0x0100 << 16 | 1)
                elif kind in (6, 7):
                    message += payload
                    if kind == 7:
                        answer = self.instrument.answer(message)
                        message = b""
                        if answer:
                            self.send(peer, 7, 0, parameter, answer)
                elif kind == 8:
                    message = b""
                    self.send(peer, 9, control, 0)
                elif kind == 15:
                    self.send(peer, 16, 0, 0, struct.pack(">Q", 1 << 20))
                elif kind == 17:
                    self.send(peer, 18, 0, 0)
                elif kind == 19:
                    self.instrument.clear()
                    self.send(peer, 23, 0, 0)
                elif kind == 21:
                    self.send(peer, 22, 16, 0)
                elif kind == 24:
                    self.send(peer, 25, 0, 0)
                elif kind == 4:
                    self.send(peer, 5, 1, 0)
        except OSError:
            pass

    @staticmethod
    def exactly(peer, count):
        data = b""
        while len(data) < count:
            more = peer.recv(count - len(data))
            if not more:
                raise ConnectionResetError
            data += more
        return data

    def send(self, peer, kind, control, parameter, payload=b""):
        peer.sendall(self.HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    def close(self):
        self.listener.close()
        for peer in self.peers:
            try:
                peer.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            peer.close()


@pytest.fixture
def instrument():
    return Instrument()


@pytest.fixture
def vxi11(instrument):
    server = make_vxi11(instrument)
    yield f"TCPIP::127.0.0.1,{server.port}::inst0::INSTR"
    server.sock.close()


@pytest.fixture
def hislip_server(instrument):
    server = Hislip(instrument)
    yield server
    server.close()


@pytest.fixture
def hislip(hislip_server):
    return f"TCPIP::127.0.0.1::hislip0,{hislip_server.port}::INSTR"
