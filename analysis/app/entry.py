"""Where the process begins: an interrupt ends it quietly from the first import to the last."""

import _thread
import signal
import sys
import threading
import time
from contextlib import suppress
from types import FrameType


def entry() -> None:
    """Console entry: the command with its result as the exit code of the process."""
    try:
        sys.unraisablehook = _unraised
        from acquisition.signals import OFF_SIGNALS

        for number in OFF_SIGNALS:
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup wants SIGHUP ignored
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


def _unraised(what: "sys.UnraisableHookArgs") -> None:
    """Send a signal again a moment later where no exception gets out, as in callbacks of imports and forks."""
    number = signal.SIGINT if what.exc_type is KeyboardInterrupt else _asked_to_end(what.exc_value)
    if number is None:
        sys.__unraisablehook__(what)
        return
    if number != signal.SIGINT and signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, _ended)
    with suppress(RuntimeError):  # the interpreter ends, and starts no thread any more
        _thread.start_new_thread(_press_again, (number,))  # waits for nothing, unlike a Thread or a Timer


def _asked_to_end(error: BaseException | None) -> signal.Signals | None:
    """The signal behind a ``SystemExit``, or None."""
    code = error.code if isinstance(error, SystemExit) else None
    return next((one for one in signal.Signals if code == 128 + one), None)


def _press_again(number: signal.Signals) -> None:
    main = threading.main_thread().ident
    time.sleep(0.01)
    while _is_in_hook(main):  # on a busy machine the main thread may still be there, and would drop this one too
        time.sleep(0.01)
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, number)  # wakes it from a wait too
    else:
        _thread.interrupt_main(number)


def _is_in_hook(thread: int | None) -> bool:
    frame = sys._current_frames().get(thread or 0)
    while frame is not None:
        if frame.f_code is _unraised.__code__:
            return True
        frame = frame.f_back
    return False


def _ended(number: int, _: FrameType | None) -> None:
    """Leave by the ordinary way out, so that the generator is switched off and the terminal put back."""
    signal.signal(number, signal.SIG_IGN)
    raise SystemExit(128 + number)
