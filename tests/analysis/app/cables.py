"""Cables that can be pulled out between the drivers and the simulated bench, and the person at a survey."""

import contextlib
import os
import pty
import queue
import select
import socket
import threading
import tty

import click


class SocketCable:
    """A network cable: while it is out, the instrument's port refuses."""

    def __init__(self, bench, role, folder):
        del folder
        self.link = bench.links[role]
        self.resource = self.link.resource

    def pull(self):
        self.link.refuse()
        self.link.drop()

    def plug_in(self):
        self.link.refuse(False)

    def close(self):
        """Nothing is left open."""


class SerialCable:
    """A USB serial adapter: a pseudo-terminal under a lasting name, which is gone while the adapter is out."""

    def __init__(self, bench, role, folder):
        self._port = bench.links[role].port
        self.name = folder / f"by-id-{role}"
        self.resource = f"ASRL{self.name}::INSTR"
        self._thread = None
        self.plug_in()

    def plug_in(self):
        far, near = pty.openpty()
        tty.setraw(near)
        os.set_blocking(far, False)
        instrument = socket.create_connection(("127.0.0.1", self._port))
        stop, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._carry, args=(far, near, instrument, stop), daemon=True)
        self._thread.start()
        self.name.symlink_to(os.ttyname(near))

    def _carry(self, far, near, instrument, stop):
        answer = b""
        while stop not in (ready := select.select([far, instrument, stop], [far] if answer else [], []))[0]:
            with contextlib.suppress(BlockingIOError):
                if far in ready[0]:
                    instrument.sendall(os.read(far, 4096))
                if instrument in ready[0]:
                    answer += instrument.recv(65536)
                if answer:
                    answer = answer[os.write(far, answer) :]
        instrument.close()
        for descriptor in (far, near, stop):
            os.close(descriptor)

    def pull(self):
        self.name.unlink()
        os.close(self._stop)  # the other end becomes readable
        self._thread.join()
        self._thread = None

    def close(self):
        if self._thread is not None:
            self.pull()


class StreamCable:
    """The same for the meter that sends unasked; its adapter comes back under another name of its own."""

    def __init__(self, bench, role, folder):
        del role
        self.stream = bench.stream
        self.name = folder / "by-id-stream"
        self.resource = f"ASRL{self.name}::INSTR"
        self.plug_in()

    def plug_in(self):
        self.name.symlink_to(self.stream.path)

    def pull(self):
        self.name.unlink()
        self.stream.replug()

    def close(self):
        """Nothing is left open."""


class Person:
    """Answers a survey by what it tells: a space for each question, the tip where it says, q in the end."""

    def __init__(self, hands, press, last):
        self.hands, self.press, self.last = hands, press, last
        self.told = []

    def hear(self, line):
        line = click.unstyle(line)
        self.told.append(line)
        if line.startswith("?") or "press space" in line or "then space" in line:
            self.press(" ")
        if line.startswith("   Touch"):
            self.hands.touch(line.split()[1].strip(","))
        if "Lift" in line:
            self.hands.lift()
        if line.startswith(f"== {self.last}"):
            self.press("q")
        return line


class Keys(queue.SimpleQueue):
    """Standard input of a verb in this process, as a pipe: keys that were put, one by one; "" ends it."""

    def isatty(self):
        return False

    def read(self, count):
        del count
        return self.get()
