"""A complex gain with all that its uncertainty is made of."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from acquisition.records import Reading

from ..uncertainty import Budget, InputQuantity, evaluate, polar_std

SCALES = (
    "voltage scale, input channel",
    "voltage scale, output channel",
    "probe division, input",
    "probe division, output",
    "coarse steps, input",
    "coarse steps, output",
)
"""Relative errors of the magnitude, in the order the budget lists them: those of the input divide."""

COUPLINGS = ("AC coupling, input channel", "AC coupling, output channel")
"""Relative errors of the magnitude by what is not known of a channel's coupling capacitor; signs as ``SCALES``."""

DELAY, COUPLING_PHASE = "delay between channels", "AC coupling of the channels"
"""Errors of the phase, in seconds and in degrees."""

HEARD = 3.0
"""A magnitude below so many of its standard uncertainties may be noise alone, which has any phase; noise reaches it
once in a hundred times."""

ANY_PHASE_DEG = 180.0 / math.sqrt(3.0)
"""Standard uncertainty of an angle that could be anything."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoisePart:
    """One random contribution, which repeating makes smaller.

    Parameters
    ----------
    name : str
        What it is.
    covariance : ndarray, shape (2, 2)
        Of real and imaginary part of the gain.
    dof : float
        Degrees of freedom of the covariance.
    """

    name: str
    covariance: np.ndarray
    dof: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gain:
    """Complex gain between two points at one frequency.

    Parameters
    ----------
    from_point, to_point : str
        Input and output of the stage.
    freq_hz : float
        Frequency of the fit.
    drive_pp_v : float, optional
        Generator amplitude, volts peak to peak.
    gain : complex
        Output over input; a lag is negative.
    noise : tuple of NoisePart
        Random contributions.
    fixed : tuple of InputQuantity
        Contributions that repeating does not reduce, named as in ``SCALES``, ``COUPLINGS``, ``DELAY`` and
        ``COUPLING_PHASE``.
    shared : mapping of (name, name) to float
        Correlations among ``fixed``: what both channels have in common cancels.
    in_pp_v, out_pp_v : float
        Peak to peak by the fit: twice the amplitude, in volts.
    in_extremes_v, out_extremes_v : float
        Peak to peak as maximum minus minimum of the samples: what people compare with. Noise always adds to it.
    thd_in, thd_out : float
        Distortion of both records as a ratio.
    in_range, out_range : tuple of (int, float)
        Channel and full scale in volts of both records: results on the same ones share their scale errors.
    method : str
        How the records belong together.
    notes : tuple of str
        What limits this result.
    """

    from_point: str
    to_point: str
    freq_hz: float
    drive_pp_v: float | None
    gain: complex
    noise: tuple[NoisePart, ...]
    fixed: tuple[InputQuantity, ...]
    shared: Mapping[tuple[str, str], float] = field(default_factory=dict)
    in_pp_v: float
    out_pp_v: float
    in_extremes_v: float
    out_extremes_v: float
    thd_in: float = 0.0
    thd_out: float = 0.0
    in_range: tuple[int, float] = (0, 0.0)
    out_range: tuple[int, float] = (0, 0.0)
    method: str = ""
    notes: tuple[str, ...] = ()

    @property
    def point(self) -> str:
        """Name of the pair in readings, ``FROM>TO``."""
        return f"{self.from_point}>{self.to_point}"

    @property
    def noise_covariance(self) -> np.ndarray:
        """Random part of `covariance`."""
        total: np.ndarray = sum((part.covariance for part in self.noise), np.zeros((2, 2)))
        return total

    @property
    def fixed_covariance(self) -> np.ndarray:
        """Part of `covariance` that repeating does not reduce."""
        along = _scale_budget(1.0, self.fixed, self.shared).std * abs(self.gain)
        turns = (self._degrees_per(i) * i.std for i in self.fixed if i.name in {DELAY, COUPLING_PHASE})
        across = math.radians(math.hypot(*turns)) * abs(self.gain)
        direction = self.gain / abs(self.gain) if self.gain else 1.0 + 0.0j
        turn = times(direction)
        covariance: np.ndarray = turn @ np.diag([along**2, across**2]) @ turn.T
        return covariance

    @property
    def covariance(self) -> np.ndarray:
        """Of real and imaginary part, shape (2, 2) (JCGM 102:2011)."""
        total: np.ndarray = self.noise_covariance + self.fixed_covariance
        return total

    @property
    def magnitude(self) -> float:
        """Modulus of the gain."""
        return abs(self.gain)

    @property
    def magnitude_std(self) -> float:
        """Standard uncertainty of `magnitude`."""
        return polar_std(self.gain, self.covariance)[0]

    @property
    def gain_db(self) -> float:
        """20 log10 of the magnitude; minus infinity for no output."""
        return 20.0 * math.log10(self.magnitude) if self.magnitude > 0 else -math.inf

    @property
    def gain_db_std(self) -> float:
        """Standard uncertainty of `gain_db`."""
        return 20.0 / math.log(10.0) * self.magnitude_std / self.magnitude if self.magnitude > 0 else math.inf

    @property
    def phase_deg(self) -> float:
        """Phase in degrees, in (-180, 180]; lag negative."""
        return wrapped_deg(math.degrees(cmath.phase(self.gain)))

    @property
    def phase_std_deg(self) -> float:
        """Standard uncertainty of `phase_deg`; that of any angle where there is hardly any output."""
        if not self.is_heard:
            return ANY_PHASE_DEG
        return math.degrees(polar_std(self.gain, self.covariance)[1])

    @property
    def is_heard(self) -> bool:
        """Whether there is enough output for its phase to mean something."""
        return self.magnitude >= HEARD * self.magnitude_std

    @property
    def inverts(self) -> bool | None:
        """Whether the output is turned over; None where the phase cannot decide it."""
        margin = 2.0 * self.phase_std_deg
        if abs(self.phase_deg) + margin < 90.0:
            return False
        return True if abs(self.phase_deg) - margin > 90.0 else None

    def magnitude_budget(self) -> Budget:
        """Budget of the magnitude, a pure number."""
        noise = [
            InputQuantity(name=part.name, value=0.0, std=polar_std(self.gain, part.covariance)[0], dof=part.dof)
            for part in self.noise
        ]
        return _scale_budget(self.magnitude, self.fixed, self.shared, noise)

    def phase_budget(self) -> Budget:
        """Budget of the phase in degrees."""
        if not self.is_heard:
            anything = InputQuantity(name="hardly any output: any phase", value=0.0, std=ANY_PHASE_DEG, unit="deg")
            return evaluate("phase", lambda x: self.phase_deg + float(x[0]), [anything], unit="deg")
        inputs = [
            InputQuantity(
                name=part.name,
                value=0.0,
                std=math.degrees(polar_std(self.gain, part.covariance)[1]),
                unit="deg",
                dof=part.dof,
            )
            for part in self.noise
        ]
        turning = [item for item in self.fixed if item.name in {DELAY, COUPLING_PHASE}]
        slopes = np.array([1.0] * len(inputs) + [self._degrees_per(item) for item in turning])
        start = self.phase_deg

        def phase(x: np.ndarray) -> float:
            return start + float(slopes @ x)

        return evaluate("phase", phase, [*inputs, *turning], unit="deg")

    def readings(self, *, taken_utc: str, instrument: str, range_v: float | None = None) -> tuple[Reading, Reading]:
        """The two readings kept in the job: gain and phase_deg.

        Parameters
        ----------
        taken_utc, instrument : str
            As in `Reading`.
        range_v : float, optional
            Full scale of the output channel.
        """
        note = "; ".join(part for part in (self.method, *self.notes) if part)
        gain, phase = (
            Reading(
                point=self.point,
                quantity=quantity,
                value=value,
                std=std,
                freq_hz=self.freq_hz,
                drive_pp_v=self.drive_pp_v,
                taken_utc=taken_utc,
                instrument=instrument,
                range_v=range_v,
                note=note,
            )
            for quantity, value, std in (
                ("gain", self.magnitude, self.magnitude_std),
                ("phase_deg", self.phase_deg, self.phase_std_deg),
            )
        )
        return gain, phase

    def _degrees_per(self, item: InputQuantity) -> float:
        return 360.0 * self.freq_hz if item.name == DELAY else 1.0


def wrapped_deg(angle_deg: float) -> float:
    """An angle brought into (-180, 180].

    Parameters
    ----------
    angle_deg : float
        Any angle in degrees.

    Examples
    --------
    >>> wrapped_deg(190.0), wrapped_deg(-180.0), wrapped_deg(540.0)
    (-170.0, 180.0, 180.0)
    """
    return 180.0 - (180.0 - angle_deg) % 360.0


def times(factor: complex) -> np.ndarray:
    """Multiplication by a complex number as a matrix on (real, imaginary), shape (2, 2).

    Parameters
    ----------
    factor : complex
        The number.
    """
    return np.array([[factor.real, -factor.imag], [factor.imag, factor.real]])


def _scale_budget(
    magnitude: float,
    fixed: tuple[InputQuantity, ...],
    shared: Mapping[tuple[str, str], float],
    noise: list[InputQuantity] | None = None,
) -> Budget:
    random = noise or []
    scales = [item for name in (*SCALES, *COUPLINGS) for item in fixed if item.name == name]
    signs = np.array([-1.0 if "input" in item.name else 1.0 for item in scales])
    count = len(random)

    def model(x: np.ndarray) -> float:
        return magnitude * float(np.prod((1.0 + x[count:]) ** signs)) + float(np.sum(x[:count]))

    inputs = [*random, *scales]
    if not inputs:
        return Budget(name="gain", unit="", value=magnitude, std=0.0, dof=math.inf, rows=())
    return evaluate("gain", model, inputs, shared)
