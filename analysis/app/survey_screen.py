"""The terminal of a survey: large plain lines, a bell, single keys; works with pipes and ASCII too."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from acquisition.probing import Action, ActionKind, Key, Phase, Probing
from analysis.app.terminal import harmless

if TYPE_CHECKING:
    from acquisition.instruments import Sample

_NEEDS_KEY = frozenset({Phase.ASKING, Phase.VERIFYING, Phase.STOPPED})
_MARKS = {
    ActionKind.SHOW: ">>",
    ActionKind.SAY: "  ",
    ActionKind.CAUTION: "!!",
    ActionKind.ASK: "? ",
    ActionKind.TAKEN: "==",
    ActionKind.DONE: "--",
}
"""A mark and a colour each, so that a hazard and a prompt never look alike, nor depend on colour."""
_COLOURS: dict[ActionKind, dict[str, object]] = {
    ActionKind.SHOW: {"bold": True},
    ActionKind.CAUTION: {"fg": "bright_white", "bg": "red", "bold": True},
    ActionKind.ASK: {"fg": "cyan"},
    ActionKind.TAKEN: {"fg": "green", "bold": True},
}
_BELLS = {ActionKind.TAKEN: 1, ActionKind.CAUTION: 3, ActionKind.ASK: 2}


class Keyboard:
    """Keys as they come; see `keyboard`."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[str] = queue.SimpleQueue()
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
            for key in Key:
                if character.lower() == key.value:
                    return key
        return None

    def forget(self) -> None:
        """Drop what was typed before a question was shown; a pipe cannot know, and keeps its keys."""
        while self.is_terminal and not self._queue.empty():
            self._queue.get()


@contextmanager
def keyboard() -> Iterator[Keyboard]:
    """Read single keys without Enter where the terminal can, and put it back afterwards."""
    keys = Keyboard()
    restore: Callable[[], None] = lambda: None  # noqa: E731
    if keys.is_terminal:
        try:
            import termios
            import tty
        except ImportError:  # a system without termios: keys count after Enter
            pass
        else:
            descriptor = sys.stdin.fileno()
            before = termios.tcgetattr(descriptor)
            tty.setcbreak(descriptor)

            def restore() -> None:
                termios.tcsetattr(descriptor, termios.TCSADRAIN, before)

    threading.Thread(target=keys.read, daemon=True).start()
    try:
        yield keys
    finally:
        restore()


class Screen:
    """Shows the actions of a survey.

    Parameters
    ----------
    machine : Probing
        Whose phase decides what the end of the input means.
    keys : Keyboard
        From `keyboard`.
    bell : bool
        Ring the terminal's bell.
    """

    def __init__(self, machine: Probing, keys: Keyboard, *, bell: bool = True) -> None:
        self._machine, self._keys, self._bell = machine, keys, bell
        self._shown_s = -1.0
        self._line = ""

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
            Of the survey.
        """
        self._wipe()
        if action.kind is ActionKind.SHOW:
            click.echo("")
        text = f"{_MARKS[action.kind]} {harmless(action.text)}"
        click.echo(click.style(text, **_COLOURS.get(action.kind, {})))  # type: ignore[arg-type]
        if action.kind is ActionKind.ASK:
            self._keys.forget()
        if self._bell and sys.stdout.isatty():
            click.echo("\a" * _BELLS.get(action.kind, 0), nl=False)

    def live(self, sample: Sample) -> None:
        """Keep the value of the meter on the last line of a terminal.

        Parameters
        ----------
        sample : Sample
            The newest.
        """
        if not sys.stdout.isatty() or sample.t_s - self._shown_s < 0.2:
            return
        self._shown_s = sample.t_s
        text = f"{sample.value_v:12.5g} V" if sample.is_reading else f"   {sample.reason}"
        self._wipe()
        self._line = f"     {text}"
        click.echo(f"\r{self._line}", nl=False)

    def _wipe(self) -> None:
        if self._line:
            click.echo("\r" + " " * len(self._line) + "\r", nl=False)
            self._line = ""
