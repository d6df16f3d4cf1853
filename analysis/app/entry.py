"""Where the process begins: an interrupt ends it quietly from the first import to the last."""

import signal
import sys


def entry() -> None:
    """Console entry: the command with its result as the exit code of the process."""
    try:
        from analysis.app.cli import main

        code = main()
    except KeyboardInterrupt:
        code = 130
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # what is left is the interpreter's own tidying up
    sys.exit(code)
