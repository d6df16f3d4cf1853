"""Ports of this machine where nothing listens, which no other test can take meanwhile."""

import contextlib
import socket


@contextlib.contextmanager
def unheard():
    """A port that refuses who connects; a server that sets SO_REUSEADDR may listen there, and nobody else gets it.

    A number that was only looked up belongs to the next who asks: tests run side by side, and ask often.
    """
    with socket.socket() as kept:
        kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        kept.bind(("127.0.0.1", 0))
        yield kept.getsockname()[1]
