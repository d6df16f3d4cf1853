"""What a stage measurement needs to know before it begins: points, ratings, and what the model expects."""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from acquisition.capture import ScopeRules, Tap
from acquisition.errors import AnalysisError, ConfigError, Problem, SafetyStop
from acquisition.instruments import Bench
from acquisition.records import UNKNOWN_RATING_V, Measurand, Pass, judged_dc
from analysis.chassis import Chassis, ChassisModel, ProbeLoad, WorstCase
from analysis.chassis.predicting import NO_GAIN
from analysis.chassis.worst_case import MAINS_HIGH
from analysis.gain import ChannelAccuracy

from .settling import settling_s, time_constants

EARTH_V = 1.0
"""A chassis below this to earth may be clipped to it; a point below it takes a generator without a capacitor (rules
L4 and L8 of common bench practice)."""

SMALLEST_PP_V = 1e-4
"""First guess of the range for a signal that is less or none: no scope has ranges for what only leaks carry."""

NO_PROBE = ProbeLoad(resistance_ohm=float("inf"), capacitance_farad=0.0)


@dataclass(frozen=True, kw_only=True)
class StagePlan:
    """A stage, as it is about to be measured.

    Parameters
    ----------
    name : str
        As asked for.
    source, output : str
        Points.
    chassis : Chassis or None
        None where the job keeps no chassis file.
    model, bare : ChassisModel or None
        The model with the bench's probes, and without any.
    bench : Bench
        Instruments and ratings.
    constants : dict
        Time constants of the capacitors, by part.
    read_v : dict
        Direct volts that were read in the pass, by point: where a chassis is faulty the model does not know them.
    seen_v : float
        Largest direct volts that the meter showed in the pass, wherever the tip was.
    mains_v, supply_v : float, optional
        Mains of the pass, volts rms, and the unloaded high tension where the person tells it; see `WorstCase`.
    """

    name: str
    source: str
    output: str
    chassis: Chassis | None
    model: ChassisModel | None
    bare: ChassisModel | None
    bench: Bench
    constants: dict[str, float] = field(default_factory=dict)
    read_v: dict[str, float] = field(default_factory=dict)
    seen_v: float = 0.0
    mains_v: float | None = None
    supply_v: float | None = None

    def in_pass(self, kept: Pass) -> StagePlan:
        """The same with what a pass holds: its mains, and the direct volts that count.

        Parameters
        ----------
        kept : Pass
            So far. A value that was held for another pin's, or never rested, is not what stands at its point.
        """
        return replace(
            self,
            read_v={r.point: r.value for r in judged_dc(kept.readings)},
            seen_v=max((abs(r.value) for r in kept.readings if r.quantity == "dc_v"), default=0.0),
            mains_v=kept.mains_v,
        )

    @property
    def needs_load(self) -> bool:
        """Whether signal can reach an output transformer, which must not run without a load (S9)."""
        if self.chassis is None or not self.chassis.parts:
            return True
        return any(part.kind == "transformer" for part in self.chassis.parts.values())

    def require_load(self, confirmed: bool, hint: str) -> None:
        """See that an output transformer has its load before any signal (rule S9 of common bench practice).

        Parameters
        ----------
        confirmed : bool
            Somebody said that it is connected.
        hint : str
            How to say so.

        Raises
        ------
        SafetyStop
            Nobody said so, or it is noted as lifted.
        """
        if not self.needs_load:
            return
        if self.chassis is not None:
            missing = set(self.chassis.without(()).loads) & set(self.chassis.pulled)
            if missing:
                raise SafetyStop(
                    f"no signal without a load on the output transformer: {min(missing)} is noted as lifted",
                    hint="connect another load, and begin a pass with --load OHM",
                )
        if not confirmed:
            raise SafetyStop("no signal without a confirmed load on the output transformer", hint=hint)

    @property
    def load_ohm(self) -> float | None:
        """All resistance across the signal output of the chassis, where this stage ends there."""
        if self.chassis is None or self.chassis.signal is None or self.output not in self.chassis.signal.outputs:
            return None
        nodes = {self.chassis.node_names[self.output], "gnd"}
        siemens = sum(
            1.0 / part.value
            for part in self.chassis.parts.values()
            if part.kind == "resistor" and {self.chassis.node_names.get(n, n) for n in part.nodes} == nodes
        )
        return 1.0 / siemens if siemens else None

    @property
    def generator_point(self) -> str:
        """Where the generator's lead goes."""
        if self.chassis is not None and self.chassis.signal is not None:
            inputs = self.chassis.signal.inputs
            if self.model is not None and len(inputs) > 1:
                return self.model.input_of([p for p in (self.source, self.output) if self._is_modelled(p)])
            return inputs[0]
        return "the signal input"

    @property
    def generator_request(self) -> str:
        """What to do with the generator's lead, and what must have been read before (rules L4 and L8)."""
        point = self.generator_point
        standing_v = abs(self._dc_v(point))
        through = ""
        if standing_v > EARTH_V:
            rated_v = max(self._worst.supply_v, MAINS_HIGH * standing_v)
            rating = f"{rated_v:.0f} V" if math.isfinite(rated_v) else "the supply"
            through = f" through a capacitor rated for {rating}, since {standing_v:.3g} V stand there"
        return (
            f"generator on {point}{through}. Its shell and the scope's clips are earth: only on a chassis that "
            f"read below {EARTH_V:g} V to earth in this session, DC and AC"
        )

    @property
    def accuracy(self) -> ChannelAccuracy:
        """Limits of scope and probes from the bench file."""
        if self.bench.scope is None:
            return ChannelAccuracy()
        # Where the limit is printed as a share of full scale it is meant as the error of the scale.
        entries = self.bench.scope.accuracy.by_range.values()
        return ChannelAccuracy(
            vertical=max(entry.of_reading + entry.of_range for entry in entries),
            probe=self.bench.probe.tolerance,
            shared=self.bench.scope.channel_correlation,
            skew_s=self.bench.scope.skew_s,
            ac_corner_hz=self.bench.scope.ac_corner_hz,
            ac_tolerance=self.bench.scope.ac_tolerance,
            trigger_samples=self.bench.scope.trigger_samples,
            mains_hz=float(self.bench.mains_hz),
        )

    def rules(self) -> ScopeRules:
        """Ratings and probe factor from the bench file; an unknown rating counts as the lowest (L11)."""
        scope, probe = self.bench.scope, self.bench.probe
        return ScopeRules(
            probe_factor=probe.factor,
            tip_rated_v=probe.rated_v or UNKNOWN_RATING_V,
            input_rated_v=(scope.rating_v if scope else None) or UNKNOWN_RATING_V,
        )

    def taps(self, drive_pp_v: float = 0.0, freq_hz: float = 1000.0, *, exchanged: bool = False) -> list[Tap]:
        """Where the probes go, input first.

        Parameters
        ----------
        drive_pp_v, freq_hz : float
            For the first guess of the ranges.
        exchanged : bool
            Channels the other way round.
        """
        channels = (2, 1) if exchanged else (1, 2)
        return [
            self.tap(point, channel, drive_pp_v, freq_hz)
            for point, channel in zip((self.source, self.output), channels, strict=True)
        ]

    def tap(self, point: str, channel: int, drive_pp_v: float = 0.0, freq_hz: float = 1000.0) -> Tap:
        """One probe.

        Parameters
        ----------
        point : str
            Where.
        channel : int
            Scope channel from 1.
        drive_pp_v, freq_hz : float
            For the first guess of the range; no drive for hum.
        """
        worst_v, pp_v = self._worst_v(point), None
        if (
            self.model is not None
            and self.model.chassis.signal is not None
            and drive_pp_v
            and self._is_modelled(point)
        ):
            # With every tube in: one that is said to be out may be in, and drive what a probe has to stand.
            path = self.model.whole.response({}, self.generator_point, point, np.array([freq_hz]))
            # A linear gain knows no end; the supply does, and worst_v holds DC and the peak of any swing already.
            pp_v = max(min(float(abs(path.flat[0])) * drive_pp_v, 2.0 * worst_v), SMALLEST_PP_V)
        if point in self._outside:
            worst_v = 0.5 * (pp_v or 0.0)
        return Tap(point=point, channel=channel, worst_v=worst_v, dc_v=self._dc_v(point), pp_v=pp_v)

    @property
    def _worst(self) -> WorstCase:
        return WorstCase(
            self.chassis or Chassis(path="", title=""),
            self.model,
            mains_v=self.mains_v,
            supply_v=self.supply_v,
            seen_v=max([self.seen_v, *map(abs, self.read_v.values())]),
        )

    def _worst_v(self, point: str) -> float:
        worst = self._worst
        return worst.at(worst.points[point]) if point in worst.points else worst.anywhere_v

    def _is_modelled(self, point: str) -> bool:
        """Whether a part reaches the point, so that the model knows it; heater pins have none."""
        return self.model is not None and point in self.model.points and bool(self.model.points[point].node)

    def _dc_v(self, point: str) -> float:
        """Direct volts at a point: as read, else as the model has them, else 0."""
        if point in self.read_v:
            return self.read_v[point]
        if self.model is None or not self._is_modelled(point):
            return 0.0
        (dc_v,) = self.model.predict({}, [Measurand(point=point, quantity="dc_v")])[0]
        return float(np.nan_to_num(dc_v))

    @property
    def _outside(self) -> set[str]:
        """Points that no fault of one part connects to the supply: input jack, secondary of the transformer."""
        if self.chassis is None or self.chassis.signal is None:
            return set()
        secondaries = {
            n for part in self.chassis.parts.values() if part.kind == "transformer" for n in part.nodes[-2:]
        }
        nodes = self.chassis.node_names
        return {p for p in nodes if nodes[p] in secondaries} | {*self.chassis.signal.inputs}

    def settle_s(self, freq_hz: float) -> float:
        """Wait after switching on, from the model; half a second where there is none.

        Parameters
        ----------
        freq_hz : float
            Frequency in hertz.
        """
        if self.model is None:
            return 0.5
        return settling_s(self.model, self.output, freq_hz, self.constants)

    def expected(self, freq_hz: Sequence[float] | np.ndarray) -> np.ndarray | None:
        """Complex gain that the model expects, probes included.

        Parameters
        ----------
        freq_hz : sequence of float
            F frequencies.

        Returns
        -------
        ndarray, shape (F,), or None
            None without a model, and where nothing of it connects the two points.
        """
        return _response(self.model, self.source, self.output, freq_hz)

    def unprobed(self, freq_hz: Sequence[float] | np.ndarray, gain: np.ndarray) -> np.ndarray | None:
        """What the stage does without the probes: the measured gain, corrected by the model.

        Parameters
        ----------
        freq_hz : sequence of float
            F frequencies.
        gain : ndarray, shape (F,)
            Measured complex gain.
        """
        loaded, free = (_response(m, self.source, self.output, freq_hz) for m in (self.model, self.bare))
        return None if loaded is None or free is None else np.asarray(gain) * free / loaded


def _response(
    model: ChassisModel | None, source: str, output: str, freq_hz: Sequence[float] | np.ndarray
) -> np.ndarray | None:
    if model is None or model.chassis.signal is None:
        return None
    if not all(p in model.points and model.points[p].node for p in (source, output)):
        return None
    found = model.response({}, source, output, np.asarray(freq_hz, dtype=float))[0]
    return found if np.all(np.isfinite(found)) and np.all(np.abs(found) > NO_GAIN) else None


def plan_stage(stage: str, chassis: Chassis | None, bench: Bench) -> StagePlan:
    """Find the points of a stage and build its models.

    Parameters
    ----------
    stage : str
        Name of a stage of the chassis file, two points ``FROM>TO``, or one point where hum is recorded.
    chassis : Chassis or None
        From the job.
    bench : Bench
        From `load_bench`.

    Raises
    ------
    ConfigError
        No such stage or point.
    """
    source, output = _points(stage, chassis)
    model = bare = None
    constants: dict[str, float] = {}
    if chassis is not None and chassis.parts:
        load = ProbeLoad(resistance_ohm=bench.probe.ohm, capacitance_farad=bench.probe.farad)
        try:
            model, bare = ChassisModel(chassis, probe=load), ChassisModel(chassis, probe=NO_PROBE)
            constants = time_constants(model)
        except AnalysisError:
            model = bare = None  # a stage is measured without a model too; only the comparison is missing
    return StagePlan(
        name=stage,
        source=source,
        output=output,
        chassis=chassis,
        model=model,
        bare=bare,
        bench=bench,
        constants=constants,
    )


def frequencies_left(
    frequencies_hz: Sequence[float], gains_at: Sequence[tuple[float | None, float | None]], drive_pp_v: float
) -> list[float]:
    """Frequencies of a sweep that were not taken yet.

    Parameters
    ----------
    frequencies_hz : sequence of float
        The whole sweep.
    gains_at : sequence of (freq_hz, drive_pp_v)
        Readings of this stage that the pass has.
    drive_pp_v : float
        Drive of this sweep; readings of another one do not count.
    """
    done = [f for f, d in gains_at if f is not None and is_driven_by(d, drive_pp_v)]
    return [f for f in frequencies_hz if not any(math.isclose(f, taken, rel_tol=1e-3) for taken in done)]


def is_driven_by(found_pp_v: float | None, drive_pp_v: float) -> bool:
    """Whether a reading was taken with a drive, which the generator may have rounded.

    Parameters
    ----------
    found_pp_v : float or None
        Drive of the reading.
    drive_pp_v : float
        As asked for.
    """
    return found_pp_v is not None and math.isclose(found_pp_v, drive_pp_v, rel_tol=1e-3)


def _points(stage: str, chassis: Chassis | None) -> tuple[str, str]:
    if ">" in stage:
        source, _, output = stage.partition(">")
        pair = (source.strip(), output.strip())
    elif chassis is not None and stage in chassis.stages:
        found = chassis.stages[stage]
        pair = (found.source, found.target)
    else:
        pair = (stage, stage)
    if chassis is not None:
        sockets = {f"{socket}.{pin}" for socket, tube in chassis.sockets.items() for pin in tube.pins}
        known = set(chassis.node_names) | sockets
        for point in pair:
            if point not in known:
                names = [*chassis.stages, *known]
                near = difflib.get_close_matches(stage, names, n=3, cutoff=0.4)
                raise ConfigError.from_problems(
                    [Problem(chassis.path, 0, "signal.stages", f"no stage or point {point!r}")],
                    hint=f"did you mean {' or '.join(near)}?" if near else f"stages: {', '.join(chassis.stages)}",
                )
    return pair
