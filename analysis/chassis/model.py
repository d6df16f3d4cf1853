"""`ChassisModel`: one chassis as a batched model. What every instrument would show, for any values of any part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.records import Measurand

from .description import Chassis

Values = Mapping[str, np.ndarray | float]
"""Key to values of shape (S,), or scalars; keys left out are nominal. Keys: `ChassisModel.parameters`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLoad:
    """What the DC meter puts across the point it reads.

    Parameters
    ----------
    resistance_ohm : float
        Input resistance; ``inf`` for none.
    """

    resistance_ohm: float = 10e6


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeLoad:
    """What a scope probe puts across the point it reads: resistance in parallel with capacitance."""

    resistance_ohm: float = 10e6
    capacitance_farad: float = 12e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One element value that may vary.

    Parameters
    ----------
    key : str
        ``R1``, ``C1``, ``C1.leak``, ``V1a.strength`` ...: see DEVELOPERS.md.
    part : str
        Part, rail or socket it belongs to; ``mains`` for the mains.
    section : str
        Section key (``V1a``) for tube parameters, else empty.
    kind : str
        ``resistor capacitor inductor potentiometer transformer rail tube mains``.
    unit : str
        ``ohm F S H V A`` or empty for a multiplier.
    nominal : float
        Value of the healthy drawing.
    sigma : float
        Healthy standard deviation of ``log(value / nominal)``; 0 where a healthy chassis does not vary it.
    shift : float
        Mean of that logarithm (electrolytics sit above their marked value).
    """

    key: str
    part: str
    kind: str
    unit: str
    nominal: float
    section: str = ""
    sigma: float = 0.0
    shift: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place a probe can go.

    Parameters
    ----------
    name : str
        ``V1.6`` or a named node.
    node : str
        Node of the model, empty where the point is not modelled.
    function : str
        ``plate grid cathode screen suppressor heater rail input output node`` or what the base says.
    socket, section : str
        ``V1`` and ``V1a``; empty for named nodes.
    pin : int
        0 for named nodes.
    heater : bool
        Heater pin.
    danger : bool
        High voltage in normal service.
    delicate : bool
        Bootstrapped grid that a meter would upset (rule E2).
    """

    name: str
    node: str
    function: str
    socket: str = ""
    section: str = ""
    pin: int = 0
    heater: bool = False
    danger: bool = False
    delicate: bool = False


class ChassisModel:
    """The circuit model of one chassis.

    Parameters
    ----------
    chassis : Chassis
        From `load_chassis`; must have parts and rails.
    meter : MeterLoad
        Meter of the DC readings.
    probe : ProbeLoad
        Probe of every AC reading; ``gain`` and ``phase_deg`` have one on both points.

    Attributes
    ----------
    chassis, meter, probe
        As given.
    parameters : mapping of str to Parameter
        Every element value that may vary, by key.
    points : mapping of str to Point
        Every place a probe can go: pins of all sockets, then named nodes.
    stages : mapping of str to Stage
        As in the chassis file.

    Raises
    ------
    OutsideModel
        The file has no parts.
    NoOperatingPoint
        The nominal chassis has no operating point.
    """

    def __init__(self, chassis: Chassis, meter: MeterLoad | None = None, probe: ProbeLoad | None = None) -> None:
        raise NotImplementedError

    def nominal(self) -> dict[str, np.ndarray]:
        """Nominal value of every parameter, arrays of shape (1,)."""
        raise NotImplementedError

    def draw(
        self, count: int, rng: np.random.Generator, measured: Mapping[str, tuple[float, float]] | None = None
    ) -> dict[str, np.ndarray]:
        """Draw healthy chassis.

        Parameters
        ----------
        count : int
            Number of samples S.
        rng : Generator
            Source of randomness.
        measured : mapping of str to (value, std), optional
            Values found with power off, by parameter key: they replace nominal and tolerance.

        Returns
        -------
        dict of str to ndarray, shape (S,)
            Only the keys that vary.
        """
        raise NotImplementedError

    def predict(self, values: Values, measurands: Sequence[Measurand]) -> np.ndarray:
        """What the instruments would show, their loading included.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.
        measurands : sequence of Measurand
            ``gain`` is a ratio, ``phase_deg`` lies in (-180, 180], ``pp_v`` is the signal alone, ``ripple_pp_v``
            the hum alone, ``thd_pct`` from the large-signal steady state. A missing ``freq_hz`` is 1 kHz.

        Returns
        -------
        ndarray, shape (S, M)
            NaN where a sample has no operating point.

        Raises
        ------
        OutsideModel
            A point is not part of the model.
        """
        raise NotImplementedError

    def jacobian(
        self, values: Values, measurands: Sequence[Measurand], keys: Sequence[str]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Prediction and its derivative by the logarithm of each parameter.

        Parameters
        ----------
        values : mapping
            One sample (S = 1).
        measurands : sequence of Measurand
            M measurands.
        keys : sequence of str
            K parameters of nonzero value.

        Returns
        -------
        prediction : ndarray, shape (M,)
            At the sample.
        slopes : ndarray, shape (M, K)
            d prediction / d log(value).
        """
        raise NotImplementedError

    def operating_point(self, values: Values) -> object:
        """Volts of every node and currents of every tube at idle, no meter attached (see `OperatingPoint`)."""
        raise NotImplementedError

    def response(self, values: Values, source: str, target: str, freq_hz: np.ndarray) -> np.ndarray:
        """Complex small-signal ratio target/source, probe on both, shape (S, F)."""
        raise NotImplementedError
