"""`ChassisModel`: one chassis as a batched model. What every instrument would show, for any values of any part."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from acquisition.errors import NoOperatingPoint, OutsideModel
from acquisition.records import Measurand
from analysis.circuit.ac import SmallSignal
from analysis.circuit.cold import ColdNetwork, without_power
from analysis.circuit.dc import OperatingPoint
from analysis.circuit.elements import GROUND, Array, conductance
from analysis.circuit.network import Circuit
from analysis.circuit.ripple import Ripple
from analysis.circuit.supplied import Start, Supplied, solve_supplied

from .channels import Channels
from .compiling import GENERATOR, Compiled
from .description import Chassis
from .driving import distortion_read
from .loading import MeterLoad, ProbeLoad
from .parameters import STRENGTH_MU_CORRELATION, Parameter, Values
from .points import list_points
from .predicting import DEFAULT_FREQ_HZ, NO_GAIN, ProbedSignal, frequency_groups, leads, read_dc, read_hum
from .rails import SettledRails, loaded_anew, settle_rails


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
    beside : ChassisModel, optional
        A model of the same chassis with other tubes: its supplies are taken, and it rests near where that does.

    Attributes
    ----------
    chassis, meter, probe
        As given.
    rails : SettledRails
        What stands behind the rails.
    circuit : Circuit
        The parts between nodes.
    parameters : mapping of str to Parameter
        Every element value that may vary, by key.
    points : mapping of str to Point
        Every place a probe can go: pins of all sockets, then named nodes.
    sections : mapping of str to (socket, section name)
        By section key, in the order of ``circuit.tubes``.
    rectifiers : tuple of Rectifier
        Of the rectified rails.
    stages : mapping of str to Stage
        As in the chassis file.
    channels : Channels
        Which input feeds what.

    Raises
    ------
    OutsideModel
        The file has no parts, or a rail cannot have the volts it gives.
    NoOperatingPoint
        The nominal chassis has no operating point.
    """

    def __init__(
        self,
        chassis: Chassis,
        meter: MeterLoad | None = None,
        probe: ProbeLoad | None = None,
        beside: ChassisModel | None = None,
    ) -> None:
        if not chassis.parts:
            raise OutsideModel(
                f"{chassis.path}: no parts, so there is nothing to model", hint="add parts and rails"
            )
        self.chassis = chassis
        self.meter = meter or MeterLoad()
        self.probe = probe or ProbeLoad()
        self._compiled = Compiled(chassis)
        self.circuit = self._compiled.circuit
        self.sections = self._compiled.sections
        self.envelopes = self._compiled.envelopes
        self.parameters: dict[str, Parameter] = self._compiled.parameters
        self._nominal = self._compiled.nominal_table()
        # What stands behind a rail does not change with the tubes; its volts do.
        self.rails: SettledRails = beside.rails if beside else self._settled()
        self._rippling = self.rails.rippling
        # A reservoir may be lifted.
        self.rectifiers = tuple(
            replace(one, reservoirs=tuple(key for key in one.reservoirs if key in self.parameters))
            for one in self.rails.rectifiers
        )
        for key, emf_v in self.rails.emf_v.items():
            self._nominal[key] = np.full(1, emf_v)
            self.parameters[key] = replace(self.parameters[key], nominal=emf_v)
        near = beside._start if beside else None
        self._home = solve_supplied(self.circuit, self._nominal, self.rectifiers, near)
        if beside or chassis.pulled:
            self.rectifiers = loaded_anew(self.rectifiers, self.circuit, self._home)
            self._home = solve_supplied(self.circuit, self._nominal, self.rectifiers, self._home.start())
        self.require_solved(self._home.rest)
        self._start: Start = self._home.start()
        self.points = list_points(chassis, self._delicate_nodes())
        self.stages = chassis.stages
        self.channels = Channels(chassis, self.circuit, self._home)

    def _settled(self) -> SettledRails:
        """What stands behind the rails of the whole chassis, whichever tubes are out."""
        whole = Compiled(self.chassis.without(())) if self.chassis.pulled else self._compiled
        return settle_rails(self.chassis, whole, whole.nominal_table(), self.require_solved)

    @cached_property
    def whole(self) -> ChassisModel:
        """The same with everything in: what is said to be out may be in."""
        if not self.chassis.pulled:
            return self
        return ChassisModel(self.chassis.without(()), self.meter, self.probe, beside=self)

    def _delicate_nodes(self) -> frozenset[str]:
        """Nodes of grids that a meter of 10 Mohm would pull away by a tenth and more (rule E2)."""
        supplied = self._home
        grids = sorted({tube.grid for tube in self.circuit.tubes if tube.grid != GROUND})
        shown = read_dc(self.circuit, supplied.table, supplied.rest, grids, MeterLoad())[:, 0]
        true = np.array([supplied.rest.volts[grid][0] for grid in grids])
        upset = np.abs(shown - true) > np.maximum(0.1 * np.abs(true), 1.0)
        return frozenset(self.circuit.nodes[grid] for grid, bad in zip(grids, upset, strict=True) if bad)

    def _node_name(self, point: str) -> str:
        try:
            return self.chassis.node_names[point]
        except KeyError:
            known = list(self.chassis.node_names)
            near = difflib.get_close_matches(point, known, n=3)
            raise OutsideModel(
                f"{self.chassis.path}: no part reaches {point}, so the model says nothing about it",
                hint=f"near it: {' '.join(near)}" if near else f"points: {' '.join(known)}",
            ) from None

    def node(self, point: str) -> int:
        """Number of the node of a point in `circuit`.

        Parameters
        ----------
        point : str
            A pin or a named node.

        Raises
        ------
        OutsideModel
            The point is not part of the model.
        """
        return self.circuit.node(self._node_name(point))

    def require_solved(self, rest: OperatingPoint) -> None:
        """Raise for the first sample that has no operating point.

        Parameters
        ----------
        rest : OperatingPoint
            From `operating_point`.

        Raises
        ------
        NoOperatingPoint
            Naming the tube.
        """
        failed = np.flatnonzero(rest.culprit >= 0)
        if failed.size:
            tube = self.circuit.tubes[int(rest.culprit.flat[failed[0]])].key
            residual = float(rest.residual_a.flat[failed[0]])
            raise NoOperatingPoint(
                f"{self.chassis.path}: no operating point for {tube} in {failed.size} of {rest.culprit.size} cases",
                hint="check the parts around it",
                tube=tube,
                residual_a=residual,
            )

    def table(self, values: Values) -> dict[str, Array]:
        """Fill in the nominal values.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.

        Returns
        -------
        dict of str to ndarray
            Every key, shapes (S,) or (1,).

        Raises
        ------
        OutsideModel
            A key is not one of `parameters`.
        """
        table = dict(self._nominal)
        for key, value in values.items():
            if key not in table:
                near = difflib.get_close_matches(key, table, n=3)
                raise OutsideModel(f"the model has no parameter {key}", hint=f"near it: {' '.join(near)}")
            table[key] = np.atleast_1d(np.asarray(value, dtype=float))
        for key, strengths in self.envelopes.items():
            if key in values:
                table |= {strength: table[strength] * table[key] for strength in strengths}
        return table

    def nominal(self) -> dict[str, np.ndarray]:
        """Nominal value of every parameter, arrays of shape (1,)."""
        return dict(self._nominal)

    def draw(
        self,
        count: int,
        rng: np.random.Generator,
        measured: Mapping[str, tuple[float, float]] | None = None,
        normal: Callable[[np.random.Generator, int], np.ndarray] = np.random.Generator.standard_normal,
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
        normal : callable, optional
            Draws the deviations of one parameter, such as `pairs`.

        Returns
        -------
        dict of str to ndarray, shape (S,)
            Only the keys that vary.
        """
        values: dict[str, np.ndarray] = {}
        for key, parameter in self.parameters.items():
            if parameter.sigma == 0.0:
                continue
            z = normal(rng, count)
            if key.endswith(".mu"):
                # Drawn after the strength of its section, with which it goes.
                strength = self.parameters[f"{parameter.section}.strength"]
                known = np.log(values[strength.key]) / strength.sigma
                rho = STRENGTH_MU_CORRELATION
                z = rho * known + np.sqrt(1.0 - rho**2) * z
            values[key] = self._nominal[key] * np.exp(parameter.shift + parameter.sigma * z)
        for key, (value, std) in (measured or {}).items():
            values[key] = np.maximum(value + std * normal(rng, count), 1e-6 * abs(value))
        return values

    def operating_point(self, values: Values) -> OperatingPoint:
        """Volts of every node and currents of every tube at idle, no meter attached.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.
        """
        return self.supplied(values).rest

    def supplied(self, values: Values, near: Start | None = None) -> Supplied:
        """Chassis at rest on its rectifiers; what `operating_point` and all responses start from.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.
        near : Start, optional
            Where samples near these rest; the nominal chassis when left out. It changes the work, not the result.
        """
        if not values:
            return self._home
        return solve_supplied(self.circuit, self.table(values), self.rectifiers, near or self._start)

    def response(self, values: Values, source: str, target: str, freq_hz: np.ndarray) -> np.ndarray:
        """Complex small-signal ratio of two points, a probe on both.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.
        source, target : str
            Points.
        freq_hz : ndarray, shape (F,)
            Frequencies above zero.

        Returns
        -------
        ndarray, shape (S, F)
            target over source, phase relative to the generator's sine; NaN where there is no operating point.
        """
        supplied = self.supplied(values)
        table, rest = supplied.table, supplied.rest
        a, b = self.node(source), self.node(target)
        small = SmallSignal(self.circuit, table, rest.slopes, np.asarray(freq_hz, dtype=float))
        signal = self._signal(small, table, self.input_of([source, target]), [a, b])
        ratio = np.broadcast_to(signal.ratio(a, b), (supplied.count, len(freq_hz)))
        return np.where((rest.culprit >= 0)[:, None], np.nan, ratio)

    def _signal(
        self, small: SmallSignal, table: Mapping[str, Array], source: str, nodes: Sequence[int]
    ) -> ProbedSignal:
        return ProbedSignal(small, self.node(source), conductance(table[GENERATOR]), nodes, self.probe)

    def input_of(self, points: Sequence[str]) -> str:
        """The input that the generator feeds for a reading, see `Channels.input_of`.

        Parameters
        ----------
        points : sequence of str
            Where it is taken.

        Raises
        ------
        OutsideModel
            The file has no signal entry, or a point is not part of the model.
        """
        return self.channels.input_of([self.node(point) for point in points])

    def apart(self, stages: Iterable[str]) -> frozenset[str]:
        """Those of some stages that nothing but leakage connects, as where the tube between is out of its socket.

        Parameters
        ----------
        stages : iterable of str
            Each ``FROM>TO``, of points of the model.
        """
        gains = [Measurand(point=stage, quantity="gain") for stage in dict.fromkeys(stages)]
        shown = self.predict({}, gains)[0]
        # Of two points that no signal reaches the gain is anything, infinity too.
        return frozenset(m.point for m, gain in zip(gains, shown, strict=True) if not NO_GAIN < gain < np.inf)

    def predict(
        self, values: Values, measurands: Sequence[Measurand], *, supplied: Supplied | None = None
    ) -> np.ndarray:
        """What the instruments would show, their loading included.

        Parameters
        ----------
        values : mapping
            Samples of parameter values.
        measurands : sequence of Measurand
            ``gain`` is a ratio, ``phase_deg`` lies in (-180, 180], ``pp_v`` is the signal alone, ``ripple_pp_v``
            the hum alone, ``thd_pct`` from the large-signal steady state. A missing ``freq_hz`` is 1 kHz.
        supplied : Supplied, optional
            What `supplied` gave for these values, where it is at hand.

        Returns
        -------
        ndarray, shape (S, M)
            NaN where a sample has no operating point.

        Raises
        ------
        OutsideModel
            A point is not part of the model.
        """
        nodes = [[self.node(point) for point in measurand.points] for measurand in measurands]
        supplied = supplied or self.supplied(values)
        table, rest = supplied.table, supplied.rest
        shown = np.full((supplied.count, len(measurands)), np.nan)
        steady = [index for index, measurand in enumerate(measurands) if measurand.quantity == "dc_v"]
        if steady:
            shown[:, steady] = read_dc(self.circuit, table, rest, [nodes[i][0] for i in steady], self.meter).T
        cold = [index for index, measurand in enumerate(measurands) if measurand.quantity == "cold_ohm"]
        if cold:
            shown[:, cold] = self.cold(table).ohms([leads(nodes[i]) for i in cold], supplied.count)
        for freqs, indices in frequency_groups(measurands):
            small = SmallSignal(self.circuit, table, rest.slopes, np.array(freqs))
            fed = [self.input_of(measurands[index].points) for index in indices]
            for source in dict.fromkeys(fed):
                members = [index for index, own in zip(indices, fed, strict=True) if own == source]
                probed = [n for index in members for n in nodes[index]]
                signal = self._signal(small, table, source, probed)
                for index in members:
                    measurand = measurands[index]
                    column = freqs.index(measurand.freq_hz or DEFAULT_FREQ_HZ)
                    shown[:, index] = signal.quantity(measurand, nodes[index], column)
        bent = [index for index, measurand in enumerate(measurands) if measurand.quantity == "thd_pct"]
        if bent:
            shown[:, bent] = 100.0 * distortion_read(self, values, [measurands[index] for index in bent])
        humming = [index for index, measurand in enumerate(measurands) if measurand.quantity == "ripple_pp_v"]
        if humming:
            shown[:, humming] = read_hum(self.hum(supplied), [nodes[index][0] for index in humming], self.probe).T
        shown[np.broadcast_to(rest.culprit >= 0, (supplied.count,))] = np.nan
        return shown

    def cold(self, table: Mapping[str, Array]) -> ColdNetwork:
        """The chassis with the power off, its tubes cold and no generator at the input.

        Parameters
        ----------
        table : mapping of str to ndarray
            From `table`.
        """
        return ColdNetwork(self._dead, table)

    @cached_property
    def _dead(self) -> Circuit:
        return without_power(self.circuit, frozenset({"generator"}))

    def hum(self, supplied: Supplied) -> Ripple:
        """Hum of a chassis at rest.

        Parameters
        ----------
        supplied : Supplied
            The chassis at rest.
        """
        return Ripple(self.circuit, supplied, self.rectifiers, self._rippling, self.chassis.mains_hz)
