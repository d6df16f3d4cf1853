"""A bench meter that speaks the measurement commands of SCPI-1999: autorange, NPLC, 10 Mohm input, overload."""

from __future__ import annotations

import math
import threading

import numpy as np

from .device import Device, Parameters, Suffixes
from .parser import ScpiError, parse_boolean, parse_choice, parse_number, parse_string
from .plant import Wiring

RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
OVER_RANGE = 1.2
"""Full scale is this much above the name of the range."""

NPLC = (0.02, 0.2, 1.0, 10.0, 100.0)
OVERLOAD = 9.9e37
_FUNCTIONS = {"VOLT": "VOLT", "VOLT:DC": "VOLT", "VOLTAGE": "VOLT", "VOLTAGE:DC": "VOLT",
              "VOLT:AC": "VOLT:AC", "VOLTAGE:AC": "VOLT:AC"}  # fmt: skip


class Meter(Device):
    """Meter with its lead on the wiring.

    Parameters
    ----------
    wiring : Wiring
        What the lead touches, and the time.
    seed : int
        Draws the noise and this specimen's error of each range within its accuracy.
    accuracy : pair of float
        Limit of the error: fraction of the reading, fraction of the range.
    mains_hz : float
        Power line frequency of the integration.
    input_ohm : float
        Input resistance on every range.
    identity : str
        Answer to ``*IDN?``.
    """

    def __init__(
        self,
        wiring: Wiring,
        *,
        seed: int = 1,
        accuracy: tuple[float, float] = (5e-5, 2e-5),
        mains_hz: float = 50.0,
        input_ohm: float = 10e6,
        identity: str = "STAGEWALK,SIM-METER,0001,1.0",
    ) -> None:
        super().__init__(identity, wiring.clock)
        self.wiring = wiring
        self.mains_hz = mains_hz
        self.input_ohm = input_ohm
        self.rng = np.random.default_rng(seed)
        # A specimen inside its limits: rectangular, as JCGM 100 4.3.7 reads a specification.
        self.gain_errors = {r: float(self.rng.uniform(-1, 1)) * accuracy[0] for r in RANGES_V}
        self.offsets_v = {r: float(self.rng.uniform(-1, 1)) * accuracy[1] * r for r in RANGES_V}
        self.stored: list[float] = []
        self._panel = threading.Lock()  # hands and a conversion in another thread both choose the range
        self.reset()
        self._tree()

    def reset(self) -> None:
        """Settings of ``*RST``."""
        self.function = "VOLT"
        self.range_v = 1000.0
        self.auto = True
        self.nplc = 10.0
        self.autozero = True
        self.high_impedance = False
        self.source = "IMM"
        self.delay_s = 0.0
        self.triggers = self.samples = 1
        self.continuous = False
        self.armed = False
        self.null_v: float | None = None
        self.stored = []

    def condition(self, name: str) -> int:
        """Condition registers; bit 0 of ``QUES`` is overload.

        Parameters
        ----------
        name : str
            ``OPER`` or ``QUES``.
        """
        if name == "QUES":
            return int(bool(self.stored) and abs(self.stored[-1]) >= OVERLOAD)
        return 0x20 if self.armed else 0

    def trigger(self) -> None:
        """Take the readings that were waiting for ``*TRG``."""
        if not (self.armed and self.source == "BUS"):
            raise ScpiError(-211, "Trigger ignored")
        self._take()

    def _tree(self) -> None:
        for word, name in (("VOLTage[:DC]", "VOLT"), ("VOLTage:AC", "VOLT:AC")):
            self.on(f"CONFigure:{word}", do=lambda s, p, n=name: self._configure(n, p), takes=(0, 2))  # type: ignore[misc]
            self.on(f"MEASure:{word}", ask=lambda s, p, n=name: self._measure(n, p), takes=(0, 2))  # type: ignore[misc]
            sense = f"[SENSe:]{word}"
            self.on(f"{sense}:RANGe[:UPPer]", do=self._set_range, ask=lambda s, p: _nr3(self.range_v), takes=1)
            self.on(f"{sense}:RANGe:AUTO", do=self._set_auto, ask=lambda s, p: str(int(self.auto)), takes=1)
            self.on(f"{sense}:RESolution", do=self._set_resolution, ask=lambda s, p: _nr3(self.digit_v()), takes=1)
        sense = "[SENSe:]VOLTage[:DC]"
        self.on(f"{sense}:NPLCycles", do=self._set_nplc, ask=lambda s, p: _nr3(self.nplc), takes=1)
        self.on(f"{sense}:APERture", do=self._set_aperture, ask=lambda s, p: _nr3(self.aperture_s()), takes=1)
        self.on(f"{sense}:ZERO:AUTO", do=self._set_zero, ask=lambda s, p: str(int(self.autozero)), takes=1)
        self.on("[SENSe:]ZERO:AUTO", do=self._set_zero, ask=lambda s, p: str(int(self.autozero)), takes=1)
        self.on(
            f"{sense}:IMPedance:AUTO", do=self._set_input, ask=lambda s, p: str(int(self.high_impedance)), takes=1
        )
        self.on(
            f"{sense}:NULL[:STATe]",
            do=self._set_null,
            ask=lambda s, p: "0" if self.null_v is None else "1",
            takes=1,
        )
        self.on("INPut:IMPedance:AUTO", do=self._set_input, ask=lambda s, p: str(int(self.high_impedance)), takes=1)
        self.on("[SENSe:]FUNCtion[:ON]", do=self._set_function, ask=lambda s, p: f'"{self.function}"', takes=1)
        self.on("CONFigure", ask=lambda s, p: f'"{self.function} {_nr3(self.range_v)},{_nr3(self.digit_v())}"')
        self.on("INITiate[:IMMediate]", do=self._initiate)
        self.on("INITiate:CONTinuous", do=self._set_continuous, ask=lambda s, p: str(int(self.continuous)), takes=1)
        self.on("FETCh", ask=self._fetch)
        self.on("READ", ask=self._read)
        self.on("ABORt", do=lambda s, p: self._abort())
        self.on("TRIGger[:SEQuence]:SOURce", do=self._set_source, ask=lambda s, p: self.source, takes=1)
        self.on("TRIGger[:SEQuence]:COUNt", do=self._set_triggers, ask=lambda s, p: str(self.triggers), takes=1)
        self.on("TRIGger[:SEQuence]:DELay", do=self._set_delay, ask=lambda s, p: _nr3(self.delay_s), takes=1)
        self.on(
            "TRIGger[:SEQuence]:DELay:AUTO",
            do=lambda s, p: self._set_delay(s, ("0",)),
            ask=lambda s, p: "0",
            takes=1,
        )
        self.on("SAMPle:COUNt", do=self._set_samples, ask=lambda s, p: str(self.samples), takes=1)
        self.on("CALCulate:STATe", ask=lambda s, p: "0")
        self.on("ROUTe:TERMinals", ask=lambda s, p: "FRON")
        for word in ("REMote", "LOCal", "RWLock"):
            self.on(f"SYSTem:{word}", do=lambda s, p: None)

    # Settings.

    def aperture_s(self) -> float:
        """Integration time of one conversion in seconds."""
        return self.nplc / self.mains_hz

    def digit_v(self) -> float:
        """Weight of the last digit in volts."""
        return self.range_v * (1e-6 if self.nplc >= 1 else 1e-5)

    def resistance_ohm(self) -> float:
        """Input resistance now."""
        return 1e10 if self.high_impedance and self.range_v <= 10.0 else self.input_ohm

    def _set_range(self, suffixes: Suffixes, parameters: Parameters) -> None:
        wanted = parse_number(parameters[0], "V", low=0.0, high=RANGES_V[-1], default=10.0)
        self.range_v = next(r for r in RANGES_V if wanted <= r)
        self.auto = False

    def _set_auto(self, suffixes: Suffixes, parameters: Parameters) -> None:
        once = isinstance(parameters[0], str) and parameters[0].upper() == "ONCE"
        self.auto = False if once else parse_boolean(parameters[0])
        if once:
            self._convert(once=True)

    def _set_resolution(self, suffixes: Suffixes, parameters: Parameters) -> None:
        wanted = parse_number(parameters[0], "V", low=0.0, high=self.range_v, default=self.range_v * 1e-5)
        self.nplc = 1.0 if wanted < self.range_v * 1e-5 else 0.2

    def _set_nplc(self, suffixes: Suffixes, parameters: Parameters) -> None:
        wanted = parse_number(parameters[0], low=NPLC[0], high=NPLC[-1], default=10.0)
        self.nplc = min((n for n in NPLC if n >= wanted * (1 - 1e-9)), default=NPLC[-1])

    def _set_aperture(self, suffixes: Suffixes, parameters: Parameters) -> None:
        limits = [n / self.mains_hz for n in (NPLC[0], NPLC[-1])]
        self.nplc = parse_number(parameters[0], "S", low=limits[0], high=limits[1], default=0.2) * self.mains_hz

    def _set_zero(self, suffixes: Suffixes, parameters: Parameters) -> None:
        once = isinstance(parameters[0], str) and parameters[0].upper() == "ONCE"
        self.autozero = False if once else parse_boolean(parameters[0])

    def _set_input(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.high_impedance = parse_boolean(parameters[0])

    def _set_null(self, suffixes: Suffixes, parameters: Parameters) -> None:
        if parse_boolean(parameters[0]):
            self.press_null()
        else:
            self.null_v = None

    def turn_to(self, function: str = "VOLT", range_v: float | None = None) -> None:
        """Turn function and range by hand, which holds at once, in the middle of a reading too.

        Parameters
        ----------
        function : str
            ``VOLT`` or ``VOLT:AC``.
        range_v : float, optional
            One of `RANGES_V`; autorange when left out.
        """
        with self._panel:
            self.function, self.auto = function, range_v is None
            self.range_v = self.range_v if range_v is None else range_v

    def press_null(self) -> None:
        """Take what it reads now from all that follows, as the key on its front does."""
        self.null_v = None
        self.null_v = self._convert()

    def _set_function(self, suffixes: Suffixes, parameters: Parameters) -> None:
        name = parse_string(parameters[0]).upper().removeprefix("SENSE:").removeprefix("SENS:")
        if name not in _FUNCTIONS:
            raise ScpiError(-224, f"Illegal parameter value;{name}")
        self.function = _FUNCTIONS[name]

    def _set_source(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.source = parse_choice(parameters[0], ("IMMediate", "EXTernal", "BUS", "INTernal"))

    def _set_triggers(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.triggers = int(parse_number(parameters[0], low=1, high=50000, default=1))

    def _set_samples(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.samples = int(parse_number(parameters[0], low=1, high=50000, default=1))

    def _set_delay(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.delay_s = parse_number(parameters[0], "S", low=0.0, high=3600.0, default=0.0)

    def _set_continuous(self, suffixes: Suffixes, parameters: Parameters) -> None:
        self.continuous = parse_boolean(parameters[0])

    def _configure(self, function: str, parameters: Parameters) -> None:
        self.function = function
        self.auto, self.range_v = True, self.range_v
        self.nplc, self.source, self.triggers, self.samples, self.delay_s = 10.0, "IMM", 1, 1, 0.0
        words = [p.upper() if isinstance(p, str) else p for p in parameters]
        if words and words[0] not in {"AUTO", "DEF", "DEFAULT"}:
            self._set_range((), (parameters[0],))
        if len(words) > 1 and words[1] not in {"DEF", "DEFAULT"}:
            self._set_resolution((), (parameters[1],))
        self._abort()
        self.stored = []

    # Measuring.

    def _measure(self, function: str, parameters: Parameters) -> str:
        self._configure(function, parameters)
        return self._read((), ())

    def _read(self, suffixes: Suffixes, parameters: Parameters) -> str:
        self._initiate((), ())
        if self.source == "BUS":
            raise ScpiError(-214, "Trigger deadlock")
        return self._fetch((), ())

    def _initiate(self, suffixes: Suffixes, parameters: Parameters) -> None:
        if self.armed or self.continuous:
            raise ScpiError(-213, "Init ignored")
        self.armed = True
        if self.source == "IMM":
            self._take()

    def _fetch(self, suffixes: Suffixes, parameters: Parameters) -> str:
        if not self.stored:
            raise ScpiError(-230, "Data corrupt or stale")
        return ",".join(f"{value:+.8E}" for value in self.stored)

    def _abort(self) -> None:
        self.armed = False

    def _take(self) -> None:
        readings = []
        for _ in range(self.triggers * self.samples):
            self.pause(self.delay_s)
            readings.append(self._convert())
        self.stored = readings
        self.armed = False

    def _convert(self, *, once: bool = False) -> float:
        """One reading, after as many conversions as autoranging needs; in volts or the overload number."""
        for _ in range(2 * len(RANGES_V)):  # all the way down, and up again where the tip touched meanwhile
            mean_v, peak_v, rms_v = self._integrate()
            with self._panel:
                value = rms_v if self.function == "VOLT:AC" else mean_v
                if not self._chose_range(peak_v, once or self.auto):
                    break
        if peak_v > self.range_v * OVER_RANGE:
            self._registers["QUES"] |= 1
            return math.copysign(OVERLOAD, value)
        noise_v = self.range_v * 3e-7 / math.sqrt(min(self.nplc, 10.0))
        value = value * (1 + self.gain_errors[self.range_v]) + self.offsets_v[self.range_v]
        value += float(self.rng.normal(0.0, noise_v))
        return round(value / self.digit_v()) * self.digit_v() - (self.null_v or 0.0)

    def _chose_range(self, peak_v: float, ranging: bool) -> bool:
        """Go one range up or down if it may and has to."""
        index = RANGES_V.index(self.range_v)
        step = int(peak_v > self.range_v * OVER_RANGE) - int(peak_v < 0.1 * self.range_v)
        if not (ranging and step and 0 <= index + step < len(RANGES_V)):
            return False
        self.range_v = RANGES_V[index + step]
        return True

    def _integrate(self) -> tuple[float, float, float]:
        begin = self.clock.monotonic_s()
        aperture = self.aperture_s() if self.function == "VOLT" else 0.1
        self.pause(aperture * (2 if self.autozero and self.function == "VOLT" else 1))
        times_s = begin + (np.arange(64) + 0.5) / 64 * aperture
        volts = self.wiring.lead_volts(times_s, self.resistance_ohm())
        mean_v = float(np.mean(volts))
        return mean_v, float(np.max(np.abs(volts))), float(np.std(volts))


def _nr3(value: float) -> str:
    return f"{value:+.8E}"
