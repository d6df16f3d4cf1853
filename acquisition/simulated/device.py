"""A SCPI instrument without its link: command tree, error queue, status registers, common commands."""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Callable, Sequence

from ..clock import Clock, SystemClock
from .parser import ScpiError, Unit, compile_header, parse_number, split_message

Parameters = tuple[str | bytes, ...]
Suffixes = tuple[int, ...]
Setter = Callable[[Suffixes, Parameters], None]
Asker = Callable[[Suffixes, Parameters], str | bytes]

QUEUE_LENGTH = 16
"""Entries of the error queue, the last of which becomes -350 when it is full."""

_ERROR_BITS = {1: 0x20, 2: 0x10, 3: 0x08, 4: 0x04}


class Device:
    """An instrument that takes messages and gives answers; see IEEE 488.2 chapters 10 and 11.

    Parameters
    ----------
    identity : str
        Answer to ``*IDN?``, four fields joined by commas.
    clock : Clock, optional
        Time, for whatever takes time.
    """

    def __init__(self, identity: str, clock: Clock | None = None) -> None:
        self.identity = identity
        self.clock: Clock = clock or SystemClock()
        self.errors: deque[tuple[int, str]] = deque()
        self.event_status = 0x80  # power on
        self.event_enable = 0
        self.service_enable = 0
        self.ended = threading.Event()
        self._commands: list[tuple[re.Pattern[str], Setter | None, Asker | None, int, int]] = []
        self._registers = {"OPER": 0, "QUES": 0}
        self._enables = {"OPER": 0, "QUES": 0}
        self._common()

    # Building the tree.

    def on(
        self, pattern: str, *, do: Setter | None = None, ask: Asker | None = None, takes: tuple[int, int] | int = 0
    ) -> None:
        """Add a command.

        Parameters
        ----------
        pattern : str
            Header in the standard's notation.
        do : callable, optional
            Called with numeric suffixes and parameters for the command form.
        ask : callable, optional
            The same for the query form; returns the answer.
        takes : int or pair of int
            Least and most number of parameters of the command form; a query takes none up to the most.
        """
        least, most = (takes, takes) if isinstance(takes, int) else takes
        self._commands.append((compile_header(pattern), do, ask, least, most))

    def _common(self) -> None:
        self.on("*IDN", ask=lambda s, p: self.identity)
        self.on("*RST", do=lambda s, p: self.reset())
        self.on("*CLS", do=lambda s, p: self._clear())
        self.on("*OPC", do=lambda s, p: self._set_event(0x01), ask=lambda s, p: "1")
        self.on("*WAI", do=lambda s, p: None)
        self.on("*TST", ask=lambda s, p: "0")
        self.on("*TRG", do=lambda s, p: self.trigger())
        self.on("*ESR", ask=lambda s, p: self._take_events())
        self.on("*ESE", do=self._event_enable, ask=lambda s, p: str(self.event_enable), takes=1)
        self.on("*SRE", do=self._service_enable, ask=lambda s, p: str(self.service_enable), takes=1)
        self.on("*STB", ask=lambda s, p: str(self.status_byte()))
        self.on("SYSTem:ERRor[:NEXT]", ask=lambda s, p: self.next_error())
        self.on("SYSTem:ERRor:COUNt", ask=lambda s, p: str(len(self.errors)))
        self.on("SYSTem:VERSion", ask=lambda s, p: "1999.0")
        self.on("STATus:PRESet", do=lambda s, p: self._enables.update(OPER=0, QUES=0))
        for word, name in (("OPERation", "OPER"), ("QUEStionable", "QUES")):
            self.on(f"STATus:{word}[:EVENt]", ask=lambda s, p, name=name: self._take_register(name))  # type: ignore[misc]
            self.on(f"STATus:{word}:CONDition", ask=lambda s, p, name=name: str(self.condition(name)))  # type: ignore[misc]
            self.on(
                f"STATus:{word}:ENABle",
                do=lambda s, p, name=name: self._enables.update({name: int(parse_number(p[0], low=0, high=32767))}),  # type: ignore[misc]
                ask=lambda s, p, name=name: str(self._enables[name]),  # type: ignore[misc]
                takes=1,
            )

    # What an instrument overrides.

    def reset(self) -> None:
        """Return to the state of ``*RST``."""

    def trigger(self) -> None:
        """Do what ``*TRG`` asks."""
        raise ScpiError(-211, "Trigger ignored")

    def condition(self, name: str) -> int:
        """Condition register ``OPER`` or ``QUES`` now.

        Parameters
        ----------
        name : str
            Which register.
        """
        return 0

    # Status.

    def report(self, code: int, text: str) -> None:
        """Put an error into the queue and set its bit of the event register.

        Parameters
        ----------
        code, text
            As in `ScpiError`.
        """
        self._set_event(_ERROR_BITS.get(-code // 100, 0x08) if code < 0 else 0x08)
        if len(self.errors) >= QUEUE_LENGTH:
            self.errors[-1] = (-350, "Queue overflow")
        else:
            self.errors.append((code, text))

    def next_error(self) -> str:
        """Oldest entry of the error queue as ``SYST:ERR?`` answers it."""
        code, text = self.errors.popleft() if self.errors else (0, "No error")
        quoted = text.replace('"', '""')
        return f'{code},"{quoted}"'

    def status_byte(self) -> int:
        """Status byte with its summary bit; see IEEE 488.2 clause 11."""
        value = 0x04 if self.errors else 0
        value |= 0x20 if self.event_status & self.event_enable else 0
        value |= 0x08 if self._registers["QUES"] & self._enables["QUES"] else 0
        value |= 0x80 if self._registers["OPER"] & self._enables["OPER"] else 0
        return value | (0x40 if value & self.service_enable else 0)

    def power_cycle(self) -> None:
        """Switch off and on: settings lost, the power-on bit set, queue empty."""
        self.errors.clear()
        self.event_status = 0x80
        self.event_enable = self.service_enable = 0
        self.reset()

    def _set_event(self, bits: int) -> None:
        self.event_status |= bits

    def _clear(self) -> None:
        self.errors.clear()
        self.event_status = 0
        self._registers.update(OPER=0, QUES=0)

    def _take_events(self) -> str:
        value, self.event_status = self.event_status, 0
        return str(value)

    def _take_register(self, name: str) -> str:
        value = self._registers[name]
        self._registers[name] = 0
        return str(value)

    def _event_enable(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.event_enable = int(parse_number(parameters[0], low=0, high=255))

    def _service_enable(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.service_enable = int(parse_number(parameters[0], low=0, high=255)) & ~0x40

    # Messages.

    def handle(self, message: bytes) -> bytes:
        """Carry out a message and return the answer without terminator; empty when there is none.

        Parameters
        ----------
        message : bytes
            Without its terminator.
        """
        answers: list[bytes] = []
        try:
            for unit in split_message(message):
                try:
                    answer = self._unit(unit)
                except ScpiError as error:
                    self.report(error.code, error.text)
                    if -200 < error.code <= -100:
                        break  # IEEE 488.2: after a command error the rest of the message is not trusted
                else:
                    if answer is not None:
                        answers.append(answer)
        except ScpiError as error:
            self.report(error.code, error.text)
        return b";".join(answers)

    def _unit(self, unit: Unit) -> bytes | None:
        for header, do, ask, least, most in self._commands:
            match = header.fullmatch(unit.header)
            if match is None:
                continue
            suffixes = tuple(int(text) if text else 1 for text in match.groups())
            handler = ask if unit.query else do
            if handler is None:
                continue
            if len(unit.parameters) > most:
                raise ScpiError(-108, f"Parameter not allowed;{unit.header}")
            if not unit.query and len(unit.parameters) < least:
                raise ScpiError(-109, f"Missing parameter;{unit.header}")
            answer = handler(suffixes, unit.parameters)
            if answer is None:
                return None
            return answer if isinstance(answer, bytes) else answer.encode("latin-1", "replace")
        raise ScpiError(-113, f"Undefined header;{unit.header}{'?' if unit.query else ''}")

    def pause(self, seconds: float) -> None:
        """Let time pass in small pieces, so that a closing bench need not wait for a long measurement.

        Parameters
        ----------
        seconds : float
            How long.
        """
        while seconds > 0 and not self.ended.is_set():
            piece = min(seconds, 0.05)
            self.clock.sleep_s(piece)
            seconds -= piece


def only(suffix: int, allowed: Sequence[int]) -> int:
    """Refuse a numeric suffix the instrument does not have.

    Parameters
    ----------
    suffix : int
        As sent.
    allowed : sequence of int
        What exists.

    Raises
    ------
    ScpiError
        -114.
    """
    if suffix not in allowed:
        raise ScpiError(-114, f"Header suffix out of range;{suffix}")
    return suffix
