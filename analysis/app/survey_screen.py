"""The terminal of a survey: large plain lines, a bell, single keys; works with pipes and ASCII too."""

from __future__ import annotations

import io
import os
import queue
import re
import shutil
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from types import FrameType, TracebackType
from typing import TYPE_CHECKING

import click

from acquisition.errors import AcquisitionError
from acquisition.probing import Action, ActionKind, Guided, Key, Phase
from acquisition.probing.wording import hazard_of, healthy_of
from analysis.app.terminal import harmless, styled

if TYPE_CHECKING:
    from acquisition.instruments import Sample

_NEEDS_KEY = frozenset({Phase.ASKING, Phase.VERIFYING, Phase.STOPPED, Phase.NOT_KEPT})
_MARKS = {
    ActionKind.SHOW: ">>",
    ActionKind.SAY: "  ",
    ActionKind.CAUTION: "!!",
    ActionKind.ASK: "? ",
    ActionKind.TAKEN: "==",
    ActionKind.NEWS: "~~",
    ActionKind.DONE: "--",
}
"""A mark and a colour each, so that a hazard and a prompt never look alike, nor depend on colour."""
_COLOURS: dict[ActionKind, dict[str, object]] = {
    ActionKind.SHOW: {"bold": True},
    ActionKind.CAUTION: {"fg": "bright_white", "bg": "red", "bold": True},
    ActionKind.ASK: {"fg": "cyan"},
    ActionKind.TAKEN: {"fg": "green", "bold": True},
    ActionKind.NEWS: {"bold": True},
}
_BELLS = {ActionKind.TAKEN: 1, ActionKind.NEWS: 1, ActionKind.CAUTION: 3, ActionKind.ASK: 2}


_SEQUENCE = re.compile(r"\x1b(O[0-9;]*[^0-9;]|\[\[.|\[[0-?]*[ -/]*[@-Z\\-~])")
_BEGUN = re.compile(r"\x1b(O[0-9;]*|\[\[?|\[[0-?]*[ -/]*)?")
"""What a terminal sends for an arrow or function key (ECMA-48, and ``[[`` of the Linux console)."""


class Keyboard:
    """Keys as they come; see `keyboard`."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._sequence = ""
        self.ended = False
        self.is_terminal = sys.stdin.isatty()

    def read(self) -> None:
        """Fill the queue until the input ends."""
        while character := sys.stdin.read(1):
            self._queue.put(character)
        self._queue.put("")

    def next(self) -> Key | None:
        """Give the next key that means something, if one was pressed."""
        while not self._queue.empty():
            character = self._queue.get()
            if character == "":
                self.ended = True
                return None
            if self._is_in_sequence(character):
                continue
            for key in Key:
                if character.lower() == key.value:
                    return key
        return None

    def forget(self) -> None:
        """Drop what was typed before a question was shown; a pipe cannot know, and keeps its keys."""
        while self.is_terminal and not self._queue.empty():
            self._is_in_sequence(self._queue.get())  # the rest of a key may be on its way

    def _is_in_sequence(self, character: str) -> bool:
        """Whether a character is part of an arrow or function key: the letters in it are no keys of the survey."""
        if character == "\x1b":
            self._sequence = character
            return True
        if not self._sequence:
            return False
        self._sequence += character
        if _BEGUN.fullmatch(self._sequence):
            return True
        whole = _SEQUENCE.fullmatch(self._sequence) is not None
        self._sequence = ""
        return whole


@contextmanager
def keyboard() -> Iterator[Keyboard]:
    """Read single keys without Enter where the terminal can, and put it back afterwards."""
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")  # a byte that is no character would end the thread, and all keys
    keys = Keyboard()
    with _single_keys() if keys.is_terminal else nullcontext():
        threading.Thread(target=keys.read, daemon=True).start()
        yield keys


@contextmanager
def _single_keys() -> Iterator[None]:
    """Have the terminal give each key at once; while Ctrl-Z stops the survey, the shell has it as it was."""
    try:
        import termios
        import tty
    except ImportError:  # a system without termios: keys count after Enter
        yield
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def take(number: int = 0, frame: FrameType | None = None) -> None:
        with suppress(termios.error):  # it went on in the background, and takes the terminal when it is fetched
            tty.setcbreak(descriptor)

    def stop(number: int, frame: FrameType | None) -> None:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)  # stops here
        signal.signal(number, stop)
        take()  # where there is no shell, nothing was stopped

    handlers: dict[int, Callable[[int, FrameType | None], None]] = {signal.SIGCONT: take}
    if signal.getsignal(signal.SIGTSTP) is not signal.SIG_IGN:
        handlers[signal.SIGTSTP] = stop
    take()
    found = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield
    finally:
        for number, handler in found.items():
            signal.signal(number, handler)
        # What was typed too late is dropped, or the shell would get it.
        termios.tcsetattr(descriptor, termios.TCSAFLUSH, before)


def live_digits(value_v: float) -> str:
    """Volts as a meter shows them: a point that stays in place, and never a power of ten.

    Parameters
    ----------
    value_v : float
        The newest.

    Examples
    --------
    >>> live_digits(2e-6), live_digits(-1.96), live_digits(249.515)
    ('0.0000', '-1.9600', '249.51')
    """
    size = abs(value_v)
    text = f"{value_v:.{4 if size < 10 else 3 if size < 100 else 2}f}"
    return text if float(text) else text.removeprefix("-")


class Screen:
    """Shows the actions of a survey or a watch; leaving it clears the live value and says how to go on.

    Parameters
    ----------
    machine : Guided
        Whose phase decides what the end of the input means.
    keys : Keyboard
        From `keyboard`.
    bell : bool
        Ring the terminal's bell.
    """

    def __init__(self, machine: Guided, keys: Keyboard, *, bell: bool = True) -> None:
        self._machine, self._keys, self._bell = machine, keys, bell
        self._is_terminal = sys.stdout.isatty()
        self._shown_s = -1.0
        self._silent = False
        self._line = ""

    def __enter__(self) -> Screen:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._wipe()
        if isinstance(error, (KeyboardInterrupt, AcquisitionError)):
            for action in self._machine.key(Key.QUIT):
                self.show(action)

    def key(self) -> Key | None:
        """Next key; the end of a piped input stops the survey where only a key could go on."""
        key = self._keys.next()
        if key is None and self._keys.ended and self._machine.phase in _NEEDS_KEY:
            return Key.QUIT
        return key

    def show(self, action: Action) -> None:
        """Print an action.

        Parameters
        ----------
        action : Action
            Of the survey or the watch.
        """
        self._wipe()
        if action.kind is ActionKind.SHOW:
            click.echo("")
        for kind, text in self._paragraphs(action):
            for line in self._wrapped(f"{_MARKS[kind]} {harmless(text)}"):
                click.echo(styled(line, **_COLOURS.get(kind, {})))
        if action.kind in (ActionKind.ASK, ActionKind.SHOW):
            self._keys.forget()  # a key is for what stood there when it was pressed
        if self._bell and self._is_terminal:
            click.echo("\a" * _BELLS.get(action.kind, 0), nl=False)

    def live(self, sample: Sample) -> None:
        """Keep the value of the meter on the last line of a terminal, with the point and what the tip does.

        Parameters
        ----------
        sample : Sample
            The newest.
        """
        if not self._is_terminal:
            self._tell_silence("gap" in sample.flags)
            return
        if sample.t_s - self._shown_s < 0.2:
            return
        self._shown_s = sample.t_s
        step = self._machine.step
        point = harmless(step.point) if step is not None else ""
        if "gap" in sample.flags:
            text = f"   {point} no answer from the meter, trying again"
        elif sample.is_reading:
            text = f"   {point} {live_digits(sample.value_v):>10} V  {self._machine.doing}"
        else:
            text = f"   {point} {sample.reason}"
        self._wipe()
        self._line = text[: self._columns - 1]  # a line that breaks could not be drawn over
        click.echo(f"\r{self._line}", nl=False)

    def _tell_silence(self, silent: bool) -> None:
        """Where there is no live line, a line when the meter falls silent and one when it answers."""
        if silent != self._silent:
            self._silent = silent
            click.echo("no answer from the meter, trying again" if silent else "the meter answers")

    @property
    def _columns(self) -> int:
        return max(20, shutil.get_terminal_size().columns)

    def _paragraphs(self, action: Action) -> list[tuple[ActionKind, str]]:
        """On a terminal a point takes a line for each thing, and its hazard the mark and colour of hazards."""
        step = action.step
        if action.kind is not ActionKind.SHOW or step is None or not self._is_terminal:
            return [(action.kind, action.text)]
        name = f"{step.point}, {step.function} ({self._machine.index + 1} of {len(self._machine.steps)})"
        parts = (
            (ActionKind.SHOW, name),
            (ActionKind.SAY, step.place),
            (ActionKind.SAY, healthy_of(step)),
            (ActionKind.CAUTION, hazard_of(step)),
        )
        return [(kind, text) for kind, text in parts if text]

    def _wrapped(self, text: str) -> list[str]:
        if not self._is_terminal:
            return [text]
        return textwrap.wrap(text, self._columns - 1, subsequent_indent="   ")

    def _wipe(self) -> None:
        if self._line:
            click.echo("\r" + " " * len(self._line) + "\r", nl=False)
            self._line = ""
