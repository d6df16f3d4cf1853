"""A function generator in the language of SCPI-1999; amplitude is volts into the load it believes in."""

from __future__ import annotations

import math
from dataclasses import replace

from .device import Device, Parameters, Suffixes, only
from .parser import ScpiError, parse_boolean, parse_choice, parse_number
from .plant import Drive, Wiring

SOURCE_OHM = 50.0
LARGEST_PEAK_V = 10.0
"""Highest peak of the EMF: 20 V peak to peak into an open circuit."""

SMALLEST_PP_V = 0.001
HIGHEST_HZ = 20e6
INFINITE = 9.9e37
_PP_PER_UNIT = {"VPP": 1.0, "VRMS": 2 * math.sqrt(2)}


class Generator(Device):
    """Generator wired to the signal input of the chassis.

    Parameters
    ----------
    wiring : Wiring
        Where its drive goes.
    identity : str
        Answer to ``*IDN?``.
    """

    def __init__(self, wiring: Wiring, *, identity: str = "STAGEWALK,SIM-GENERATOR,0003,1.0") -> None:
        super().__init__(identity, wiring.clock)
        self.wiring = wiring
        self.clamps = False  # take what is possible in silence, where a better instrument refuses
        self.reset()
        node = "[SOURce#:]"
        self.on(f"{node}FUNCtion[:SHAPe]", do=self._set_shape, ask=lambda s, p: "SIN", takes=1)
        self.on(f"{node}FREQuency[:CW]", do=self._set_frequency, ask=self._ask_frequency, takes=(1, 1))
        self.on(f"{node}VOLTage[:LEVel][:IMMediate][:AMPLitude]", do=self._set_level, ask=self._ask_level, takes=1)
        self.on(f"{node}VOLTage[:LEVel][:IMMediate]:OFFSet", do=self._set_offset, ask=self._ask_offset, takes=1)
        self.on(f"{node}VOLTage:UNIT", do=self._set_unit, ask=lambda s, p: self.unit, takes=1)
        self.on(f"{node}PHASe[:ADJust]", do=self._set_phase, ask=lambda s, p: f"{self.phase_deg:+.8E}", takes=1)
        self.on(f"{node}APPLy:SINusoid", do=self._apply, takes=(0, 3))
        for name in self.switches:
            self.on(
                f"{node}{name}:STATe",
                do=lambda s, p, name=name: self.switch(name, parse_boolean(p[0])),  # type: ignore[misc]
                ask=lambda s, p, name=name: str(int(self.switches[name])),  # type: ignore[misc]
                takes=1,
            )
        self.on("OUTPut#[:STATe]", do=self._set_output, ask=lambda s, p: str(int(self.output)), takes=1)
        self.on("OUTPut#:LOAD", do=self._set_load, ask=self._ask_load, takes=1)

    def reset(self) -> None:
        """Settings of ``*RST``: output off, 50 ohm load believed, 1 kHz, 100 mV peak to peak."""
        self.output = False
        self.load_ohm = 50.0
        self.unit = "VPP"
        self.frequency_hz = 1000.0
        self.emf_pp_v = 0.2
        self.emf_offset_v = 0.0
        self.phase_deg = 0.0
        self.switches = dict.fromkeys(("AM", "FM", "PM", "SWEep", "BURSt"), False)
        self._apply_drive()

    def switch(self, name: str, on: bool) -> None:
        """Switch modulation, sweep or burst, as the keys at its front do.

        Parameters
        ----------
        name : str
            One of ``switches``.
        on : bool
            What for.
        """
        self.switches[name] = on
        self._apply_drive()

    def _apply_drive(self) -> None:
        """Drive the chassis: bursts wait for a trigger that never comes, a sweep stands at its start of 100 Hz, of
        the full depth of AM the carrier is left at half; FM and PM are heard in no mean level."""
        on = self.switches
        with self.wiring.lock:
            self.wiring.drive = replace(
                Drive(),
                on=self.output and not on["BURSt"],
                freq_hz=100.0 if on["SWEep"] else self.frequency_hz,
                emf_peak_v=self.emf_pp_v / (4 if on["AM"] else 2),
                phase_rad=math.radians(self.phase_deg),
                offset_v=self.emf_offset_v,
            )

    def _shown(self) -> float:
        """Volts into the believed load per volt of EMF."""
        return 1.0 if math.isinf(self.load_ohm) else self.load_ohm / (self.load_ohm + SOURCE_OHM)

    def _check(self, emf_pp_v: float, emf_offset_v: float) -> None:
        if emf_pp_v / 2 + abs(emf_offset_v) > LARGEST_PEAK_V * (1 + 1e-9):
            raise ScpiError(-221, "Settings conflict;amplitude plus offset beyond the output")

    def _set_shape(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        parse_choice(parameters[0], ("SINusoid",))

    def _set_frequency(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        self.frequency_hz = parse_number(parameters[0], "HZ", low=1e-6, high=HIGHEST_HZ, default=1000.0)
        self._apply_drive()

    def _ask_frequency(self, suffixes: Suffixes, parameters: Parameters) -> str:
        named = {"MIN": 1e-6, "MAX": HIGHEST_HZ, "DEF": 1000.0}
        word = str(parameters[0]).upper()[:3] if parameters else ""
        return f"{named.get(word, self.frequency_hz):+.8E}"

    def _set_level(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        per_unit = _PP_PER_UNIT[self.unit] / self._shown()
        highest = 2 * LARGEST_PEAK_V / per_unit
        given = parameters[0]
        text = (
            given.upper().removesuffix("PP") if isinstance(given, str) and given.upper().endswith("VPP") else given
        )
        low = SMALLEST_PP_V / per_unit
        if self.clamps:
            value = min(max(parse_number(text, "V"), low), highest)
        else:
            value = parse_number(text, "V", low=low, high=highest, default=0.1)
        self._check(value * per_unit, self.emf_offset_v)
        self.emf_pp_v = value * per_unit
        self._apply_drive()

    def _ask_level(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return f"{self.emf_pp_v * self._shown() / _PP_PER_UNIT[self.unit]:+.8E}"

    def _set_offset(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        limit = LARGEST_PEAK_V * self._shown()
        value = parse_number(parameters[0], "V", low=-limit, high=limit, default=0.0)
        self._check(self.emf_pp_v, value / self._shown())
        self.emf_offset_v = value / self._shown()
        self._apply_drive()

    def _ask_offset(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return f"{self.emf_offset_v * self._shown():+.8E}"

    def _set_unit(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.unit = parse_choice(parameters[0], ("VPP", "VRMS"))

    def _set_phase(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.phase_deg = parse_number(parameters[0], "DEG", low=-360.0, high=360.0, default=0.0)
        self._apply_drive()

    def _apply(self, suffixes: Suffixes, parameters: Parameters) -> None:
        setters = (self._set_frequency, self._set_level, self._set_offset)
        for setter, parameter in zip(setters, parameters, strict=False):
            setter(suffixes, (parameter,))
        self._set_output((1,), ("ON",))  # on most instruments this one command switches the output on

    def _set_output(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        self.output = parse_boolean(parameters[0])
        self._apply_drive()

    def _set_load(self, suffixes: Suffixes, parameters: Parameters) -> None:
        only(suffixes[0], (1,))
        word = parameters[0].upper() if isinstance(parameters[0], str) else ""
        if word in {"INF", "INFINITY"}:
            self.load_ohm = math.inf
            return
        self.load_ohm = parse_number(parameters[0], "OHM", low=1.0, high=10e3, default=50.0)

    def _ask_load(self, suffixes: Suffixes, parameters: Parameters) -> str:
        return f"{INFINITE if math.isinf(self.load_ohm) else self.load_ohm:+.8E}"
