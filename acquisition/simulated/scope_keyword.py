"""A scope whose waveform preamble is keywords with values; see `scope` for what it does."""

from __future__ import annotations

import re

from .device import Asker, Parameters, Setter, Suffixes, only
from .parser import format_block, parse_boolean, parse_choice, parse_number, short_form
from .scope import Scope
from .scope_channel import CHANNELS
from .scope_panel import nr3, one_of, span


class KeywordScope(Scope):
    """Preamble of keywords with values, headers in the replies: ``(code - YOFF) * YMULT + YZERO``."""

    def reset(self) -> None:
        """Settings of ``*RST``; the words of this dialect."""
        super().reset()
        self.acquisition, self.trigger_mode = "SAM", "EDG"

    def _tree(self) -> None:
        self.headers = True
        self._told: list[tuple[int, str]] = []
        channel = "CH#"
        self.on("HEADer", do=self._set_header, ask=lambda s, p: str(int(self.headers)), takes=1)
        self.on("VERBose", do=lambda s, p: None, ask=lambda s, p: "0", takes=1)
        self.on("EVMsg", ask=lambda s, p: self._event())
        for number in CHANNELS:
            self.on(
                f"SELect:CH{number}",
                do=lambda s, p, n=number: self.switch(n, "shown", p[0]),  # type: ignore[misc]
                ask=lambda s, p, n=number: str(int(self.channels[n].shown)),  # type: ignore[misc]
                takes=1,
            )
        self.on_channel(channel, "PRObe", "SCAle", ".4E")
        self.on(
            f"{channel}:OFFSet",
            do=lambda s, p: self.set_centre(s[0], parse_number(p[0], "V")),
            ask=lambda s, p: nr3(self.channels[only(s[0], CHANNELS)].centre_v),
            takes=1,
        )
        self.on(
            f"{channel}:BANdwidth",
            do=lambda s, p: self.switch(s[0], "limited", p[0]),
            ask=lambda s, p: str(int(self.channels[only(s[0], CHANNELS)].limited)),
            takes=1,
        )
        self.on_time_scale("HORizontal[:MAIn]:SCAle")
        self.on_number("HORizontal:DELay:TIMe", "position_s", "S")
        self.on_points("HORizontal:RECOrdlength")
        words = tuple(f"CH{number}" for number in CHANNELS)
        self.on_source("TRIGger:MAIn:EDGE:SOUrce", "source", words, "CH")
        self.on_slope("TRIGger:MAIn:EDGE:SLOpe", ("RISe", "FALL"), ("RIS", "FALL"))
        self.on_number("TRIGger:MAIn:LEVel", "level_v", "V")
        self.on_word("TRIGger:MAIn:TYPe", "trigger_mode", ("EDGe", "PULse", "VIDeo"))
        self.on_word("TRIGger:MAIn:MODe", "sweep", ("AUTO", "NORMal"))
        self.on("TRIGger", do=self._trigger_now, takes=1)
        self.on("TRIGger:STATE", ask=lambda s, p: self._state())
        self.on_word("ACQuire:MODe", "acquisition", ("SAMple", "AVErage", "PEAKdetect", "HIRes"))
        self.on(
            "ACQuire:STOPAfter",
            do=lambda s, p: setattr(self, "stops", parse_choice(p[0], ("RUNSTop", "SEQuence")) == "SEQ"),
            ask=lambda s, p: "SEQ" if self.stops else "RUNST",
            takes=1,
        )
        self.on("ACQuire:STATE", do=self._run, ask=lambda s, p: str(int(self.advance() != "stopped")), takes=1)
        self.on_source("DATa:SOUrce", "selected", words, "CH")
        self.on("DATa:ENCdg", do=lambda s, p: one_of(p[0], ("RIBinary",)), ask=lambda s, p: "RIB", takes=1)
        self.on("DATa:WIDth", do=lambda s, p: one_of(p[0], ("1",)), ask=lambda s, p: "1", takes=1)
        self.on("DATa:STARt", do=lambda s, p: self._set_page(p[0], 0), ask=lambda s, p: str(self.page[0]), takes=1)
        self.on("DATa:STOP", do=lambda s, p: self._set_page(p[0], 1), ask=lambda s, p: str(self.page[1]), takes=1)
        self.on("WFMOutpre", ask=lambda s, p: self._preamble())
        self.on("CURVe", ask=lambda s, p: self._curve())
        measure = "MEASUrement:IMMed"
        self.on_source(f"{measure}:SOUrce", "measured", words, "CH")
        self.on(f"{measure}:TYPe", do=lambda s, p: one_of(p[0], ("PK2pk",)), ask=lambda s, p: "PK2", takes=1)
        self.on(f"{measure}:VALue", ask=lambda s, p: f"{self.peak_to_peak_v(self.measured):.3E}")

    def on(
        self, pattern: str, *, do: Setter | None = None, ask: Asker | None = None, takes: tuple[int, int] | int = 0
    ) -> None:
        """Add a command whose reply repeats its header while headers are on.

        Parameters
        ----------
        pattern, do, ask, takes
            As in `device.Device.on`.
        """
        if ask is None or pattern.startswith("*"):
            super().on(pattern, do=do, ask=ask, takes=takes)
            return
        plain = re.sub(r"\[[^\]]*\]", "", pattern)
        header = ":" + ":".join(short_form(node) for node in plain.split(":"))

        def with_header(suffixes: Suffixes, parameters: Parameters) -> str | bytes:
            answer = ask(suffixes, parameters)
            if not self.headers:
                return answer
            numbers = iter(suffixes)
            text = re.sub("#", lambda _: str(next(numbers)), header)
            joint = ":" if pattern == "WFMOutpre" else " "
            if isinstance(answer, bytes):
                return f"{text}{joint}".encode() + answer
            return f"{text}{joint}{answer}"

        super().on(pattern, do=do, ask=with_header, takes=takes)

    headers = True
    measured = 1

    def _set_header(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.headers = parse_boolean(parameters[0])

    def _take_events(self) -> str:
        # Entries can be read from the queue only after the event register was.
        self._told.extend(self.errors)
        self.errors.clear()
        return super()._take_events()

    def _event(self) -> str:
        if self._told:
            code, text = self._told.pop(0)
            quoted = text.replace('"', '""')
            return f'{abs(code)},"{quoted}"'
        return '1,"No events to report, new events pending"' if self.errors else '0,"No events to report"'

    def _state(self) -> str:
        return {"stopped": "SAVE", "waiting": "READY", "running": "TRIGGER"}[self.advance()]

    def _run(self, suffixes: Suffixes, parameters: Parameters) -> None:
        word = parameters[0].upper() if isinstance(parameters[0], str) else ""
        running = {"RUN": True, "STOP": False}.get(word)
        if parse_boolean(parameters[0]) if running is None else running:
            (self.single if self.stops else self.run)()
        else:
            self.stop()

    def _trigger_now(self, suffixes: Suffixes, parameters: Parameters) -> None:
        one_of(parameters[0], ("FORCe",))
        self.force()

    def _set_page(self, parameter: str | bytes, index: int) -> None:
        value = int(parse_number(parameter, low=1, high=10_000_000, default=1))
        self.page = (value, self.page[1]) if index == 0 else (self.page[0], value)

    def _preamble(self) -> str:
        record = self.memory(self.selected)
        size = record.codes[self.selected].size
        window = span(self.page, size)
        coupling = "AC" if self.channels[self.selected].ac else "DC"
        fields = {
            "BYT_NR": "1",
            "BIT_NR": "8",
            "ENC": "BIN",
            "BN_FMT": "RI",
            "BYT_OR": "MSB",
            "WFID": f'"Ch{self.selected}, {coupling} coupling; {size} points"',
            "NR_PT": str(max(0, window.stop - window.start)),
            "PT_FMT": "Y",
            "XUNIT": '"s"',
            "XINCR": nr3(record.step_s),
            "XZERO": nr3(record.first_s),
            "PT_OFF": "0",
            "YUNIT": '"V"',
            "YMULT": nr3(record.step_v[self.selected]),
            "YOFF": "0.0E+0",
            "YZERO": nr3(record.centre_v[self.selected]),
        }
        return ";".join(f"{name} {value}" if self.headers else value for name, value in fields.items())

    def _curve(self) -> bytes:
        codes = self.memory(self.selected).codes[self.selected]
        return format_block(codes[span(self.page, codes.size)].astype("i1").tobytes())
