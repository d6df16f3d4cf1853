"""Where the process begins: an interrupt ends it quietly from the first import to the last."""

import _thread
import signal
import sys
import threading
from types import FrameType


def entry() -> None:
    """Console entry: the command with its result as the exit code of the process."""
    try:
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # there is no SIGHUP everywhere, and nohup wants it ignored
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, _ended)
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, _interrupted)
        from analysis.app.cli import main

        code: int | str | None = main()
    except KeyboardInterrupt:
        code = 130
    except RuntimeError as error:
        # Before Python 3.12 an interrupt while a class is being made comes out wrapped.
        if not isinstance(error.__cause__, KeyboardInterrupt):
            raise
        code = 130
    except SystemExit as ended:
        code = ended.code
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # what is left is the interpreter's own tidying up
    sys.exit(code)


def _interrupted(number: int, frame: FrameType | None) -> None:
    """Ctrl-C; where Python would print the exception and go on, the key is pressed again a moment later."""
    if frame is not None and (frame.f_globals.get("__name__"), frame.f_code.co_name) == _DEAF:
        threading.Timer(0.01, _press_again).start()
    else:
        raise KeyboardInterrupt


_DEAF = ("importlib._bootstrap", "cb")
"""An import that tidies up its lock, in a callback of a weak reference: no exception gets out of one."""


def _press_again() -> None:
    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, signal.SIGINT)  # wakes it from a wait too
    else:
        _thread.interrupt_main()


def _ended(number: int, _: FrameType | None) -> None:
    """Leave by the ordinary way out, so that the generator is switched off and the terminal put back."""
    signal.signal(number, signal.SIG_IGN)
    raise SystemExit(128 + number)
