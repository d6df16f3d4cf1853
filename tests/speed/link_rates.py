"""Questions a second over our own socket and serial links, against pyvisa-py in the same run; run by hand.

    python -m tests.speed.link_rates

Ratios count, not milliseconds: both sides wait for the same peer on the same machine. A question is ``*IDN?`` with
its answer; a setting is a command followed by that question, where pyvisa-py meets Nagle's delay.
"""

import os
import pty
import socket
import statistics
import threading
import time
import tty
from functools import partial

import pyvisa

from acquisition.transport import open_link

IDENTITY = b"QUAYSIDE,PEER,7,1.0\n"


def serve(read, write):
    """Answer each line that ends with a question mark."""
    held = b""
    while True:
        try:
            data = read()
        except OSError:
            return
        if not data:
            return
        held += data
        *lines, held = held.split(b"\n")
        for line in lines:
            if line.endswith(b"?"):
                write(IDENTITY)


def socket_peer():
    listener = socket.create_server(("127.0.0.1", 0))

    def accept():
        while True:
            peer, _ = listener.accept()
            threading.Thread(target=serve, args=(partial(peer.recv, 4096), peer.sendall), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    return f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


def terminal_peer():
    far, near = pty.openpty()
    tty.setraw(near)
    threading.Thread(
        target=serve, args=(lambda: os.read(far, 4096), lambda d: os.write(far, d)), daemon=True
    ).start()
    return f"ASRL{os.ttyname(near)}::INSTR"


def rate(ask, count):
    """Median of five runs, in questions a second, and CPU microseconds of this thread each."""
    ask()
    rates, cpu = [], []
    for _ in range(5):
        wall_s, cpu_s = time.perf_counter(), time.thread_time()
        for _ in range(count):
            ask()
        rates.append(count / (time.perf_counter() - wall_s))
        cpu.append((time.thread_time() - cpu_s) / count * 1e6)
    return statistics.median(rates), statistics.median(cpu)


def ours(resource, before=b""):
    link = open_link(resource)

    def ask():
        if before:
            link.write(before)
        link.write(b"*IDN?\n")
        assert link.read_line(2.0) == IDENTITY

    return ask


def theirs(resource, before=""):
    session = pyvisa.ResourceManager("@py").open_resource(
        resource, open_timeout=5000, write_termination="\n", read_termination="\n"
    )

    def ask():
        if before:
            session.write(before)
        assert session.query("*IDN?").encode() + b"\n" == IDENTITY

    return ask


def main():
    print(f"{'path':34}{'ours /s':>10}{'CPU us':>8}{'pyvisa-py /s':>14}{'CPU us':>8}{'ratio':>8}")
    for name, peer, count, setting in (
        ("socket, question", socket_peer, 1000, ""),
        ("socket, setting then question", socket_peer, 40, "X 1"),
        ("pseudo-terminal, question", terminal_peer, 500, ""),
    ):
        mine = rate(ours(peer(), setting.encode() + b"\n" if setting else b""), count)
        other = rate(theirs(peer(), setting), count)
        print(f"{name:34}{mine[0]:10.0f}{mine[1]:8.0f}{other[0]:14.0f}{other[1]:8.0f}{mine[0] / other[0]:8.1f}")


if __name__ == "__main__":
    main()
