"""Time as one who only waits has it: what "told within two seconds" means on a machine that others keep busy."""

import threading

TICK_S = 0.01


class Waiting:
    """Counts the seconds of a ``with`` block in short waits, in a thread of its own.

    On a quiet machine they are those of the clock. Where the whole process stands still none pass, and where it
    gets little of the processor few: what is tested waits just as long then, and is not to blame.
    """

    def __init__(self):
        self.s = 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._count, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._over.set()
        self._thread.join()

    def _count(self):
        while not self._over.wait(TICK_S):
            self.s += TICK_S
