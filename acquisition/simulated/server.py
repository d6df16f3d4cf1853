"""Serves a simulated instrument on a loopback socket, with the faults of `faults` on cue."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from types import TracebackType

from .device import Device
from .faults import Close, Mischief, Wait
from .parser import Framer, ScpiError


def _bound(port: int) -> socket.socket:
    """A socket that has a port of 127.0.0.1 and does not listen yet: who connects there is refused."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    listener.setblocking(False)
    return listener


class SocketServer:
    """One instrument on one port of 127.0.0.1.

    Parameters
    ----------
    device : Device
        The instrument.
    mischief : Mischief, optional
        Faults to play on its answers.
    port : int
        0 takes any free port.
    """

    def __init__(self, device: Device, mischief: Mischief | None = None, port: int = 0) -> None:
        self.device = device
        self.mischief = mischief or Mischief()
        self._listener = _bound(port)
        self._port = int(self._listener.getsockname()[1])
        self._selector = selectors.DefaultSelector()
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._selector.register(self._wake_in, selectors.EVENT_READ, None)
        self._clients: dict[socket.socket, Framer] = {}
        self.single_client = False  # hang up on a second client, as many instruments do
        self._accepting, self._listening = True, False
        self._door = threading.Lock()  # what is asked for and whether it is done change together
        self._settled = threading.Event()
        self._closing = False
        self._thread = threading.Thread(target=self._serve, name=f"simulated {device.identity}", daemon=True)
        self._listen()
        self._thread.start()

    @property
    def port(self) -> int:
        """Port in use."""
        return self._port

    @property
    def resource(self) -> str:
        """VISA resource string of this instrument."""
        return f"TCPIP::127.0.0.1::{self._port}::SOCKET"

    def refuse(self, refusing: bool = True) -> None:
        """Refuse new connections, as a switched-off instrument does, or accept them again on the same port.

        Parameters
        ----------
        refusing : bool
            False accepts again.
        """
        with self._door:
            self._accepting = not refusing
            self._settled.clear()
        self._poke()
        self._settled.wait(10.0)

    def drop(self) -> None:
        """Close every connection, as a pulled cable or a reboot does."""
        for client in list(self._clients):
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Stop serving and close every socket."""
        if self._closing:
            return
        self._closing = True
        self.device.ended.set()
        self.mischief.end()
        self._poke()
        self._thread.join()
        self._wake_out.close()

    def __enter__(self) -> SocketServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _poke(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_out.send(b"x")

    def _listen(self) -> None:
        self._listener.listen(8)
        self._selector.register(self._listener, selectors.EVENT_READ, None)
        self._listening = True

    def _stop_listening(self) -> None:
        if self._listening:
            self._selector.unregister(self._listener)
            self._listening = False
        self._listener.close()

    def _serve(self) -> None:
        try:
            while not self._closing:
                for key, _ in self._selector.select():
                    self._attend(key.fileobj)
                with self._door:
                    if self._accepting and not self._listening:
                        self._listen()
                    elif self._listening and not self._accepting:
                        self._stop_listening()
                        self._listener = _bound(self._port)  # or another program might get the port meanwhile
                    self._settled.set()
        finally:
            self._stop_listening()
            for client in list(self._clients):
                self._forget(client)
            self._selector.close()
            self._wake_in.close()

    def _attend(self, source: object) -> None:
        if source is self._wake_in:
            with contextlib.suppress(OSError):
                self._wake_in.recv(64)
        elif source is self._listener:
            with contextlib.suppress(OSError):
                client, _ = self._listener.accept()
                if self.single_client and self._clients:
                    client.close()
                    return
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                client.settimeout(5.0)
                self._clients[client] = Framer()
                self._selector.register(client, selectors.EVENT_READ, None)
                self._send(client, self.mischief.greet())
        elif isinstance(source, socket.socket) and source in self._clients:
            self._talk(source)

    def _talk(self, client: socket.socket) -> None:
        try:
            data = client.recv(65536)
        except OSError:
            data = b""
        if not data:
            self._forget(client)
            return
        try:
            for message in self._clients[client].feed(data):
                self._send(client, self.mischief.answer(message, self.device.handle(message)))
                if client not in self._clients:
                    return
        except ScpiError as error:
            self.device.report(error.code, error.text)

    def _send(self, client: socket.socket, actions: list[bytes | Wait | Close]) -> None:
        try:
            for action in actions:
                if isinstance(action, Wait):
                    self.mischief.wait(action.seconds)
                elif isinstance(action, Close):
                    self._forget(client)
                    return
                elif action:
                    client.sendall(action)
        except OSError:
            self._forget(client)

    def _forget(self, client: socket.socket) -> None:
        if client in self._clients:
            del self._clients[client]
            self._selector.unregister(client)
            client.close()
