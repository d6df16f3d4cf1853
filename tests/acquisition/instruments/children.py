"""A process of its own with the simulated generator, for what happens when a program ends."""

import subprocess
import sys
from contextlib import contextmanager

from acquisition.simulated.generator import Generator
from acquisition.simulated.plant import Wiring
from acquisition.simulated.server import SocketServer


@contextmanager
def child_with_generator(script):
    """The wiring, its server, and the process that runs the script with the address, once it said ``on``."""
    wiring = Wiring(None)
    with SocketServer(Generator(wiring)) as server:
        child = subprocess.Popen(
            [sys.executable, "-c", script, server.resource],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stdout.readline() == "on\n"
        assert wiring.drive.on
        yield wiring, server, child
