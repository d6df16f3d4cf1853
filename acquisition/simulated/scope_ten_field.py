"""Scopes whose waveform preamble is ten numbers; see `scope` for what they do."""

from __future__ import annotations

import numpy as np

from .device import Parameters, Suffixes, only
from .parser import format_block, parse_choice, parse_number
from .scope import Scope
from .scope_channel import CHANNELS
from .scope_panel import nr3, one_of, span

_STATES = {"stopped": "STOP", "waiting": "WAIT", "running": "TD"}
_WORDS = tuple(f"CHANnel{channel}" for channel in CHANNELS)
_PAGE = 250_000


class TenFieldScope(Scope):
    """Preamble of ten numbers, y origin in volts: ``(code - yref) * yinc + yorg``."""

    reference_code = 128
    trigger_modes: tuple[str, ...] = ("EDGE", "GLITch", "TV", "PATTern")

    def _tree(self) -> None:
        channel = "CHANnel#"
        self.on(
            f"{channel}:DISPlay",
            do=lambda s, p: self.switch(s[0], "shown", p[0]),
            ask=lambda s, p: str(int(self.channels[only(s[0], CHANNELS)].shown)),
            takes=1,
        )
        self.on_channel(channel, "PROBe", "SCALe", "+.6E")
        self.on(f"{channel}:OFFSet", do=self._set_offset, ask=self._ask_offset, takes=1)
        self.on(f"{channel}:BWLimit", do=self._set_limit, ask=self._ask_limit, takes=1)
        self.on_time_scale("TIMebase[:MAIN]:SCALe")
        for word in ("POSition", "OFFSet"):
            self.on_number(f"TIMebase[:MAIN]:{word}", "position_s", "S")
        self.on_source("TRIGger:EDGE:SOURce", "source", _WORDS, "CHAN")
        self.on_slope("TRIGger:EDGE:SLOPe", ("POSitive", "NEGative"), ("POS", "NEG"))
        self.on_number("TRIGger:EDGE:LEVel", "level_v", "V", takes=(1, 2))
        self.on_word("TRIGger:MODE", "trigger_mode", self.trigger_modes)
        self.on_word("TRIGger:SWEep", "sweep", ("AUTO", "NORMal", "SINGle"))
        self.on("TRIGger:STATus", ask=lambda s, p: _STATES[self.advance()])
        self.on("STOP", do=lambda s, p: self.stop())
        self.on("RUN", do=lambda s, p: self.run())
        self.on("SINGle", do=lambda s, p: self.single())
        self.on("TFORce", do=lambda s, p: self.force())
        self.on_word("ACQuire:TYPE", "acquisition", ("NORMal", "AVERage", "PEAK", "HRESolution"))
        self.on_source("WAVeform:SOURce", "selected", _WORDS, "CHAN")
        self.on("WAVeform:FORMat", do=lambda s, p: one_of(p[0], ("BYTE",)), ask=lambda s, p: "BYTE", takes=1)
        self.on("WAVeform:PREamble", ask=lambda s, p: self._preamble())
        self.on("WAVeform:DATA", ask=lambda s, p: self._data())
        self._own_tree()

    def _own_tree(self) -> None:
        self.on(
            "WAVeform:POINts:MODE",
            do=lambda s, p: one_of(p[0], ("RAW", "NORMal")),
            ask=lambda s, p: "RAW",
            takes=1,
        )
        self.on_points("WAVeform:POINts")
        self.on("MEASure:VPP", ask=self._ask_pp, takes=(1, 1))

    def _set_offset(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.set_centre(suffixes[0], parse_number(parameters[0], "V"))

    def _ask_offset(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return nr3(self.channels[only(suffixes[0], CHANNELS)].centre_v)

    def _set_limit(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.switch(suffixes[0], "limited", parameters[0])

    def _ask_limit(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return str(int(self.channels[only(suffixes[0], CHANNELS)].limited))

    def _ask_pp(self, suffixes: Suffixes, parameters: Parameters) -> str:
        channel = self.choose_source(parameters[0], _WORDS) if parameters else self.selected
        return f"{self.peak_to_peak_v(channel):+.3E}"

    def _preamble(self) -> str:
        record = self.memory(self.selected)
        step_v, centre_v = record.step_v[self.selected], record.centre_v[self.selected]
        count = record.codes[self.selected].size
        return f"0,0,{count},1,{record.step_s:+.9E},{record.first_s:+.9E},0,{step_v:+.9E},{centre_v:+.9E},128"

    def _data(self) -> bytes:
        codes = self.memory(self.selected).codes[self.selected]
        return format_block(_unsigned(codes + self.reference_code))


class TenFieldCodesScope(TenFieldScope):
    """Preamble of ten numbers, y origin in codes: ``(code - yorg - yref) * yinc``; memory read in pages."""

    reference_code = 127
    trigger_modes = ("EDGE", "PULSe", "VIDeo", "PATTern")

    def _own_tree(self) -> None:
        self.on("WAVeform:MODE", do=lambda s, p: one_of(p[0], ("RAW", "NORMal")), ask=lambda s, p: "RAW", takes=1)
        self.on_points("ACQuire:MDEPth")
        self.on(
            "WAVeform:STARt", do=lambda s, p: self._set_page(p[0], 0), ask=lambda s, p: str(self.page[0]), takes=1
        )
        self.on(
            "WAVeform:STOP", do=lambda s, p: self._set_page(p[0], 1), ask=lambda s, p: str(self.page[1]), takes=1
        )
        self.on("MEASure:ITEM", ask=self._ask_item, takes=(2, 2))

    def _set_page(self, parameter: str | bytes, index: int) -> None:
        value = int(parse_number(parameter, low=1, high=1_000_000, default=1))
        self.page = (value, self.page[1]) if index == 0 else (self.page[0], value)

    def _ask_item(self, suffixes: Suffixes, parameters: Parameters) -> str:
        one_of(parameters[0], ("VPP",))
        return self._ask_pp(suffixes, parameters[1:])

    def _set_offset(self, suffixes: Suffixes, parameters: Parameters) -> None:
        # This family moves the trace up by the offset, in whole codes.
        settings = self.channels[only(suffixes[0], CHANNELS)]
        moved = round(parse_number(parameters[0], "V") / settings.step_v())
        self.set_centre(suffixes[0], -moved * settings.step_v())

    def _ask_offset(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return nr3(-self.channels[only(suffixes[0], CHANNELS)].centre_v)

    def _set_limit(self, suffixes: Suffixes, parameters: Parameters) -> None:
        word = parse_choice(parameters[0], ("20M", "OFF"))
        self.set_channel(suffixes[0], "limited", word == "20M")

    def _ask_limit(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return "20M" if self.channels[only(suffixes[0], CHANNELS)].limited else "OFF"

    def _preamble(self) -> str:
        record = self.memory(self.selected)
        step_v = record.step_v[self.selected]
        moved = -round(record.centre_v[self.selected] / step_v)
        count = record.codes[self.selected].size
        return f"0,2,{count},1,{record.step_s:.6e},{record.first_s:.6e},0,{step_v:.6e},{moved},127"

    def _data(self) -> bytes:
        codes = self.memory(self.selected).codes[self.selected]
        part = span((self.page[0], min(self.page[1], self.page[0] + _PAGE - 1)), codes.size)
        data = _unsigned(codes[part] + self.reference_code)
        return f"#9{len(data):09d}".encode() + data


def _unsigned(codes: np.ndarray) -> bytes:
    data: bytes = np.clip(codes, 0, 255).astype(np.uint8).tobytes()
    return data
