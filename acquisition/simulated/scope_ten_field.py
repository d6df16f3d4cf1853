"""Scopes whose waveform preamble is ten numbers; see `scope` for what they do."""

from __future__ import annotations

import numpy as np

from .device import Parameters, Suffixes, only
from .parser import format_block, parse_choice, parse_number
from .scope import CHANNELS, Scope, nr3, one_of, span

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
        self.on(
            f"{channel}:PROBe",
            do=lambda s, p: self.set_probe(s[0], p[0]),
            ask=lambda s, p: f"{self.channels[only(s[0], CHANNELS)].factor:+.6E}",
            takes=1,
        )
        self.on(
            f"{channel}:COUPling",
            do=lambda s, p: self.choose_coupling(s[0], p[0]),
            ask=lambda s, p: "AC" if self.channels[only(s[0], CHANNELS)].ac else "DC",
            takes=1,
        )
        self.on(
            f"{channel}:SCALe",
            do=lambda s, p: self.set_scale(s[0], p[0]),
            ask=lambda s, p: nr3(self.channels[only(s[0], CHANNELS)].step_v() * 25),
            takes=1,
        )
        self.on(f"{channel}:OFFSet", do=self._set_offset, ask=self._ask_offset, takes=1)
        self.on(f"{channel}:BWLimit", do=self._set_limit, ask=self._ask_limit, takes=1)
        self.on(
            "TIMebase[:MAIN]:SCALe",
            do=lambda s, p: self.set_time_scale(p[0]),
            ask=lambda s, p: nr3(self.time_scale_s),
            takes=1,
        )
        for word in ("POSition", "OFFSet"):
            self.on(
                f"TIMebase[:MAIN]:{word}",
                do=lambda s, p: self.set_number("position_s", p[0], "S"),
                ask=lambda s, p: nr3(self.position_s),
                takes=1,
            )
        self.on(
            "TRIGger:EDGE:SOURce",
            do=lambda s, p: setattr(self, "source", self.choose_source(p[0], _WORDS)),
            ask=lambda s, p: f"CHAN{self.source}" if self.source else "EXT",
            takes=1,
        )
        self.on(
            "TRIGger:EDGE:SLOPe",
            do=lambda s, p: setattr(self, "rising", parse_choice(p[0], ("POSitive", "NEGative")) == "POS"),
            ask=lambda s, p: "POS" if self.rising else "NEG",
            takes=1,
        )
        self.on(
            "TRIGger:EDGE:LEVel",
            do=lambda s, p: self.set_number("level_v", p[0], "V"),
            ask=lambda s, p: nr3(self.level_v),
            takes=(1, 2),
        )
        self.on(
            "TRIGger:MODE",
            do=lambda s, p: self.choose("trigger_mode", p[0], self.trigger_modes),
            ask=lambda s, p: self.trigger_mode,
            takes=1,
        )
        self.on(
            "TRIGger:SWEep",
            do=lambda s, p: self.choose("sweep", p[0], ("AUTO", "NORMal", "SINGle")),
            ask=lambda s, p: self.sweep,
            takes=1,
        )
        self.on("TRIGger:STATus", ask=lambda s, p: _STATES[self.advance()])
        self.on("STOP", do=lambda s, p: self.stop())
        self.on("RUN", do=lambda s, p: self.run())
        self.on("SINGle", do=lambda s, p: self.single())
        self.on("TFORce", do=lambda s, p: self.force())
        self.on(
            "ACQuire:TYPE",
            do=lambda s, p: self.choose("acquisition", p[0], ("NORMal", "AVERage", "PEAK", "HRESolution")),
            ask=lambda s, p: self.acquisition,
            takes=1,
        )
        self.on(
            "WAVeform:SOURce",
            do=lambda s, p: setattr(self, "selected", self.choose_source(p[0], _WORDS)),
            ask=lambda s, p: f"CHAN{self.selected}",
            takes=1,
        )
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
        self.on(
            "WAVeform:POINts", do=lambda s, p: self.set_points(p[0]), ask=lambda s, p: str(self.points), takes=1
        )
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
        self.on("ACQuire:MDEPth", do=lambda s, p: self.set_points(p[0]), ask=lambda s, p: str(self.points), takes=1)
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
