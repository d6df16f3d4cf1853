"""A scope whose waveform preamble is keywords with values; see `scope` for what it does."""

from __future__ import annotations

import re

from .device import Asker, Parameters, Setter, Suffixes, only
from .parser import format_block, parse_boolean, parse_choice, parse_number, short_form
from .scope import CHANNELS, Scope, nr3, one_of, span


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
        self.on(
            f"{channel}:PRObe",
            do=lambda s, p: self.set_probe(s[0], p[0]),
            ask=lambda s, p: f"{self.channels[only(s[0], CHANNELS)].factor:.4E}",
            takes=1,
        )
        self.on(
            f"{channel}:COUPling",
            do=lambda s, p: self.choose_coupling(s[0], p[0]),
            ask=lambda s, p: "AC" if self.channels[only(s[0], CHANNELS)].ac else "DC",
            takes=1,
        )
        self.on(
            f"{channel}:SCAle",
            do=lambda s, p: self.set_scale(s[0], p[0]),
            ask=lambda s, p: nr3(self.channels[only(s[0], CHANNELS)].step_v() * 25),
            takes=1,
        )
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
        self.on(
            "HORizontal[:MAIn]:SCAle",
            do=lambda s, p: self.set_time_scale(p[0]),
            ask=lambda s, p: nr3(self.time_scale_s),
            takes=1,
        )
        self.on(
            "HORizontal:DELay:TIMe",
            do=lambda s, p: self.set_number("position_s", p[0], "S"),
            ask=lambda s, p: nr3(self.position_s),
            takes=1,
        )
        self.on(
            "HORizontal:RECOrdlength",
            do=lambda s, p: self.set_points(p[0]),
            ask=lambda s, p: str(self.points),
            takes=1,
        )
        words = tuple(f"CH{number}" for number in CHANNELS)
        edge = "TRIGger:MAIn:EDGE"
        self.on(
            f"{edge}:SOUrce",
            do=lambda s, p: setattr(self, "source", self.choose_source(p[0], words)),
            ask=lambda s, p: f"CH{self.source}" if self.source else "EXT",
            takes=1,
        )
        self.on(
            f"{edge}:SLOpe",
            do=lambda s, p: setattr(self, "rising", parse_choice(p[0], ("RISe", "FALL")) == "RIS"),
            ask=lambda s, p: "RIS" if self.rising else "FALL",
            takes=1,
        )
        self.on(
            "TRIGger:MAIn:LEVel",
            do=lambda s, p: self.set_number("level_v", p[0], "V"),
            ask=lambda s, p: nr3(self.level_v),
            takes=1,
        )
        self.on(
            "TRIGger:MAIn:TYPe",
            do=lambda s, p: self.choose("trigger_mode", p[0], ("EDGe", "PULse", "VIDeo")),
            ask=lambda s, p: self.trigger_mode,
            takes=1,
        )
        self.on(
            "TRIGger:MAIn:MODe",
            do=lambda s, p: self.choose("sweep", p[0], ("AUTO", "NORMal")),
            ask=lambda s, p: self.sweep,
            takes=1,
        )
        self.on("TRIGger", do=self._trigger_now, takes=1)
        self.on("TRIGger:STATE", ask=lambda s, p: self._state())
        self.on(
            "ACQuire:MODe",
            do=lambda s, p: self.choose("acquisition", p[0], ("SAMple", "AVErage", "PEAKdetect", "HIRes")),
            ask=lambda s, p: self.acquisition,
            takes=1,
        )
        self.on(
            "ACQuire:STOPAfter",
            do=lambda s, p: setattr(self, "stops", parse_choice(p[0], ("RUNSTop", "SEQuence")) == "SEQ"),
            ask=lambda s, p: "SEQ" if self.stops else "RUNST",
            takes=1,
        )
        self.on("ACQuire:STATE", do=self._run, ask=lambda s, p: str(int(self.advance() != "stopped")), takes=1)
        self.on(
            "DATa:SOUrce",
            do=lambda s, p: setattr(self, "selected", self.choose_source(p[0], words)),
            ask=lambda s, p: f"CH{self.selected}",
            takes=1,
        )
        self.on("DATa:ENCdg", do=lambda s, p: one_of(p[0], ("RIBinary",)), ask=lambda s, p: "RIB", takes=1)
        self.on("DATa:WIDth", do=lambda s, p: one_of(p[0], ("1",)), ask=lambda s, p: "1", takes=1)
        self.on("DATa:STARt", do=lambda s, p: self._set_page(p[0], 0), ask=lambda s, p: str(self.page[0]), takes=1)
        self.on("DATa:STOP", do=lambda s, p: self._set_page(p[0], 1), ask=lambda s, p: str(self.page[1]), takes=1)
        self.on("WFMOutpre", ask=lambda s, p: self._preamble())
        self.on("CURVe", ask=lambda s, p: self._curve())
        measure = "MEASUrement:IMMed"
        self.on(
            f"{measure}:SOUrce",
            do=lambda s, p: setattr(self, "measured", self.choose_source(p[0], words)),
            ask=lambda s, p: f"CH{self.measured}",
            takes=1,
        )
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
