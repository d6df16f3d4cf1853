"""Where the process begins: an interrupt ends it quietly from the first import to the last."""

import signal
import sys
from types import FrameType


def entry() -> None:
    """Console entry: the command with its result as the exit code of the process."""
    try:
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # there is no SIGHUP everywhere, and nohup wants it ignored
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, _ended)
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


def _ended(number: int, _: FrameType | None) -> None:
    """Leave by the ordinary way out, so that the generator is switched off and the terminal put back."""
    signal.signal(number, signal.SIG_IGN)
    raise SystemExit(128 + number)
