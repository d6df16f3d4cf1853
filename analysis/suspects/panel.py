"""A chassis model seen through a fixed list of measurands: predictions and slopes of every hypothesis, kept for
reuse.

The unknowns of a healthy chassis are the parameters with a spread, each as ``z ~ N(0, 1)`` of the logarithm of its
value. A hypothesis is one severity cell of one fault (or nothing wrong), which sets one more parameter. All that
does not depend on the readings is computed here once, so that an update after a reading is linear algebra.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.supplied import Start

from ..chassis import ChassisModel, Parameter
from ..faults import Fault, class_of, faults_of
from .variables import columns_to_variables, from_variable, slope_of_variable

SLOW = ("ripple_pp_v",)
"""Quantities whose prediction costs much more than a linear solution: their slopes are taken from the healthy
chassis."""

LAST = ("thd_pct",)
"""Quantities that cost a large-signal solution: weighed only for the hypotheses that lead without them."""

MILD = 0.4
"""A hypothesis that moves no reading by more than this (compared variable) starts with the slopes of the
healthy chassis."""

BATCH = 400
"""Samples solved at a time: their matrices stay in the cache."""

STEP = 0.3
"""Step for slopes by differences, in standard deviations: wide enough to average over a bend of a curve."""

GRID_ERROR_V = 0.015
"""How far the DC of a grid may be from the model: grid current near zero bias differs from tube to tube (bench
practice E19
allows a healthy grid -0.05 V and more on a large grid leak)."""

CONTACT_SIGMA_V = 0.15
"""Spread of the contact potential, section to section, with what the curves miss at low plate volts. Evidence:
the fits of
model_points section 4 leave it open by 0.2 V; biases of sixty measured ECC88 spread 0.25 V (section 6), to which
strength and mu contribute; published 12AX7 sets differ at 100 V, -1 V as if by 0.1 to 0.5 V (section 2)."""

TRIODE_STRENGTH_SIGMA = 0.27
"""Spread of a triode's current at given volts with contact potential and mu apart. Evidence: sixty measured
ECC88 spread 36 % in
current at 90 V, 15 mA; 0.15 V of contact potential give 12 % and 10 % of mu give 23 %, which leaves 0.27."""

SCREEN_SIGMA = 0.2
"""Spread of screen against plate current: fits miss published screen currents by 0 to 28 % (model_points
section 5)."""

FILM_LEAK_S, FILM_LEAK_SIGMA = 3000.0, 1.6
"""Insulation of sound film capacitors as a time constant in seconds, and spread of its logarithm: new ones hold
for 1000 to
10000 s (IEC 60384-2, from memory), aged paper for minutes. Wider than one healthy kind would need, so that
neither is a
fault."""

PLATE_GRID_LEAK_S, PLATE_GRID_LEAK_SIGMA = 2e-11, 1.2
"""Insulation of a sound socket and tube from plate to grid, and spread of its logarithm. Common practice, no
source. Where a
grid has lost its return it decides, with the gas current, which way the grid drifts."""


def canonical(measurand: Measurand) -> Measurand:
    """The measurand without what does not change its prediction, for use as a key.

    Parameters
    ----------
    measurand : Measurand
        As read.
    """
    if measurand.quantity in ("dc_v", "ripple_pp_v"):
        return Measurand(point=measurand.point, quantity=measurand.quantity)
    if measurand.quantity in ("gain", "phase_deg"):
        return Measurand(point=measurand.point, quantity=measurand.quantity, freq_hz=measurand.freq_hz or 1000.0)
    return measurand


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """One healthy parameter that varies.

    Parameters
    ----------
    key : str
        Of the model.
    centre : float
        Value at z = 0.
    sigma : float
        Spread of the logarithm, or of the value itself where ``additive``.
    additive : bool
        The value is ``centre + sigma z`` instead of ``centre exp(sigma z)``.
    section : str
        Section key for tubes.
    """

    key: str
    centre: float
    sigma: float
    additive: bool = False
    section: str = ""

    def value(self, z: np.ndarray) -> np.ndarray:
        """Value of the parameter for each z, same shape."""
        return self.centre + self.sigma * z if self.additive else self.centre * np.exp(self.sigma * z)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One or two parameters set to a severity.

    Parameters
    ----------
    faults : tuple of int
        Index of each fault; empty for a healthy chassis.
    values : tuple of float
        Centre of the severity cell of each.
    """

    faults: tuple[int, ...] = ()
    values: tuple[float, ...] = ()


def unknowns_of(model: ChassisModel, measured: Mapping[str, tuple[float, float]]) -> tuple[Unknown, ...]:
    """What varies from one healthy chassis to the next.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measured : mapping of str to (value, std)
        Parameters measured with power off: they replace nominal value and tolerance.
    """
    result = []
    for key, parameter in model.parameters.items():
        if key in measured:
            value, std = measured[key]
            result.append(Unknown(key=key, centre=value, sigma=max(std / value, 1e-4), section=parameter.section))
        elif key.endswith(".leak") and class_of(parameter, model.chassis) == "film":
            centre = model.chassis.parts[parameter.part].value / FILM_LEAK_S
            result.append(Unknown(key=key, centre=centre, sigma=FILM_LEAK_SIGMA))
        elif key.endswith(".strength") and f"{parameter.section}.screen" not in model.parameters:
            result.append(Unknown(key=key, centre=1.0, sigma=TRIODE_STRENGTH_SIGMA, section=parameter.section))
        elif parameter.sigma > 0:
            centre = parameter.nominal * math.exp(parameter.shift)
            result.append(Unknown(key=key, centre=centre, sigma=parameter.sigma, section=parameter.section))
        else:
            result += _beside_the_drawing(parameter)
    return tuple(result)


def _beside_the_drawing(parameter: Parameter) -> list[Unknown]:
    """Unknowns the model takes as fixed: what tubes have of themselves, and what the curves miss."""
    key, ending, section = parameter.key, parameter.key.partition(".")[2], parameter.section
    if ending == "offset":
        return [Unknown(key=key, centre=0.0, sigma=CONTACT_SIGMA_V, additive=True, section=section)]
    if ending == "screen":
        return [Unknown(key=key, centre=1.0, sigma=SCREEN_SIGMA, section=section)]
    if ending == "leak_PG":
        return [Unknown(key=key, centre=PLATE_GRID_LEAK_S, sigma=PLATE_GRID_LEAK_SIGMA, section=section)]
    return []


class Panel:
    """Predictions of all hypotheses for a list of measurands.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    measurands : sequence of Measurand
        Everything read or to be proposed.
    measured : mapping of str to (value, std), optional
        Parameters measured with power off.
    with_faults : bool
        Leave out to predict the healthy chassis alone.

    Attributes
    ----------
    measurands : tuple of Measurand
        Canonical, without repeats; the columns of every table here.
    unknowns : tuple of Unknown
        P of them.
    faults : tuple of Fault
        Every fault of every part.
    changes : tuple of Change
        Hypotheses; the first is the healthy chassis.
    index : mapping of Change to int
        Row of each.
    usable : ndarray of bool, shape (M,)
        Whether the model knows the measurand at all.
    grid_error : ndarray, shape (M,)
        Own error of the DC of grids, zero for all else.
    centre : ndarray, shape (M,)
        Compared variables of the median healthy chassis.
    healthy_slopes : ndarray, shape (M, P)
        Their derivative by each z.
    shifted : ndarray, shape (C, M)
        Compared variables of each hypothesis at z = 0; NaN where it has no operating point.
    severity_slopes : ndarray, shape (C, M)
        Derivative by the standardised severity within the cell.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand],
        measured: Mapping[str, tuple[float, float]] | None = None,
        with_faults: bool = True,
    ) -> None:
        self.model = model
        self.measurands = tuple(dict.fromkeys(canonical(m) for m in measurands if m.quantity not in LAST))
        self.columns = {m: index for index, m in enumerate(self.measurands)}
        self.quantities = np.array([m.quantity for m in self.measurands])
        self.unknowns = unknowns_of(model, measured or {})
        known = set(measured or {})
        self.faults: tuple[Fault, ...] = tuple(
            f for f in faults_of(model.chassis, model.parameters) if f.key not in known
        )
        if not with_faults:
            self.faults = ()
        cells = ((index, value) for index, f in enumerate(self.faults) for value in f.values)
        self.changes = (Change(), *(Change(faults=(index,), values=(value,)) for index, value in cells))
        self.index = {change: row for row, change in enumerate(self.changes)}
        self._slopes: dict[Change, np.ndarray] = {}
        self._rests = self._at_home()
        zero = np.zeros((1, len(self.unknowns)))
        self.centre, self.healthy_slopes = self._healthy(zero)
        self.usable = np.isfinite(self.centre)
        self.grid_error = self._grid_error()
        self.shifted = self.predict(self.changes, np.zeros((len(self.changes), len(self.unknowns) + 1)))
        self.severity_slopes = self._severity_slopes()

    def values(self, changes: Sequence[Change], unknowns: np.ndarray) -> dict[str, np.ndarray]:
        """Parameter values of S samples.

        Parameters
        ----------
        changes : sequence of Change
            S hypotheses.
        unknowns : ndarray, shape (S, P + K)
            z of each unknown, then the standardised severity of the first (and second) fault.
        """
        count = len(self.unknowns)
        result = {u.key: u.value(unknowns[:, index]) for index, u in enumerate(self.unknowns)}
        for row, change in enumerate(changes):
            for order, (index, value) in enumerate(zip(change.faults, change.values, strict=True)):
                fault = self.faults[index]
                if fault.key not in result:
                    result[fault.key] = np.full(len(changes), self.model.parameters[fault.key].nominal)
                severity = unknowns[row, count + order] if unknowns.shape[1] > count + order else 0.0
                result[fault.key][row] = value * math.exp(fault.cell_log * severity)
        return result

    def predict(
        self, changes: Sequence[Change], unknowns: np.ndarray, columns: np.ndarray | None = None
    ) -> np.ndarray:
        """Compared variables of S samples, shape (S, M) or (S, columns).

        Parameters
        ----------
        changes : sequence of Change
            S hypotheses.
        unknowns : ndarray, shape (S, P + K)
            See `values`.
        columns : ndarray of int, optional
            Which measurands; all when left out.
        """
        wanted = self.measurands if columns is None else tuple(self.measurands[c] for c in columns)
        tables = [
            self._shown(changes[first : first + BATCH], unknowns[first : first + BATCH], wanted)
            for first in range(0, len(changes), BATCH)
        ]
        return columns_to_variables(wanted, np.concatenate(tables))

    def _shown(self, changes: Sequence[Change], unknowns: np.ndarray, wanted: Sequence[Measurand]) -> np.ndarray:
        """Values of some samples, each found from where its hypothesis rested last."""
        values = self.values(changes, unknowns)
        # A pair starts from where its first fault alone rests; its own rest is not kept.
        alone = [c if len(c.faults) < 2 else Change(faults=c.faults[:1], values=c.values[:1]) for c in changes]
        rows = np.array([self.index[c] for c in alone])
        supplied = self.model.supplied(values, self._rests.picked(rows))
        once = np.unique(rows, return_index=True)[1]
        rested = np.broadcast_to(supplied.rest.culprit < 0, (len(rows),))
        keep = np.array([i for i in once if rested[i] and len(changes[i].faults) < 2], dtype=int)
        found = supplied.start()
        for old, new in ((self._rests.volts, found.volts), *zip(self._rests.lines, found.lines, strict=True)):
            old[:, rows[keep]] = np.broadcast_to(new, (len(new), len(rows)))[:, keep]
        return self.model.predict(values, wanted, supplied=supplied)

    def _at_home(self) -> Start:
        """Every hypothesis at the rest of the nominal chassis, to begin with."""
        home, count = self.model.supplied({}).start(), len(self.changes)
        return Start(
            volts=np.repeat(home.volts, count, axis=1),
            lines=tuple(np.repeat(line, count, axis=1) for line in home.lines),
        )

    def prior_slopes(self, changes: Sequence[Change], severities: int) -> np.ndarray:
        """Derivatives at z = 0 by all unknowns and severities, shape (S, M, P + K); kept for the next reading.

        Parameters
        ----------
        changes : sequence of Change
            S hypotheses.
        severities : int
            K, at least the largest number of faults among them; the rest are zero columns.
        """
        missing = [c for c in dict.fromkeys(changes) if c not in self._slopes]
        far = []
        for change in missing:
            if self.is_mild(change):
                self._slopes[change] = self._borrowed(change)
            else:
                far.append(change)
        if far:
            width = max(len(c.faults) for c in far)
            found = self.slopes(far, np.zeros((len(far), len(self.unknowns) + width)))
            self._slopes |= dict(zip(far, found, strict=True))
        result = np.zeros((len(changes), len(self.measurands), len(self.unknowns) + severities))
        for row, change in enumerate(changes):
            known = self._slopes[change]
            result[row, :, : known.shape[1]] = known
        return result

    def relinearise(self, unknowns: np.ndarray) -> None:
        """Take the slopes of the healthy chassis at another place than z = 0.

        Parameters
        ----------
        unknowns : ndarray, shape (P,)
            Where.
        """
        self.healthy_slopes = self.slopes([Change()], unknowns[None, : len(self.unknowns)], full=True)[0]
        self._slopes = {Change(): self.healthy_slopes}

    def is_mild(self, change: Change) -> bool:
        """Whether a hypothesis moves no reading far from healthy.

        Parameters
        ----------
        change : Change
            Hypothesis.
        """
        row = self.index.get(change)
        if row is None or np.isnan(self.shifted[row][self.usable]).any():
            return False
        shift = np.where(self.quantities == "phase_deg", 0.0, np.abs(self.shifted[row] - self.centre))
        return bool(np.nanmax(shift, initial=0.0) <= MILD)

    def _borrowed(self, change: Change) -> np.ndarray:
        """Slopes of the healthy chassis, with the changed part itself held and the severity added."""
        slopes = self.healthy_slopes.copy()
        held = {self.faults[i].key for i in change.faults}
        slopes[:, [n for n, u in enumerate(self.unknowns) if u.key in held]] = 0.0
        severity = [self.severity_slopes[self.index[change]]] if change.faults else []
        return np.column_stack([slopes, *severity])

    def slopes(
        self, changes: Sequence[Change], unknowns: np.ndarray, full: bool = False, wanted: np.ndarray | None = None
    ) -> np.ndarray:
        """Derivatives by all unknowns and the severities, shape (S, M, P + K).

        Parameters
        ----------
        changes : sequence of Change
            S hypotheses.
        unknowns : ndarray, shape (S, P + K)
            Where.
        full : bool
            Compute the slow quantities too, instead of borrowing their slopes from the healthy chassis.
        wanted : ndarray of int, optional
            Columns that are needed, all when left out; others may be zero.
        """
        count, width = unknowns.shape
        quick = np.flatnonzero(~np.isin(self.quantities, SLOW))
        columns = np.arange(len(self.measurands)) if full else quick
        if wanted is not None:
            columns = np.intersect1d(columns, wanted)
        moved = np.repeat(unknowns[:, None, :], width + 1, axis=1)
        moved[:, np.arange(1, width + 1), np.arange(width)] += STEP
        many = [change for change in changes for _ in range(width + 1)]
        table = self.predict(many, moved.reshape(-1, width), columns).reshape(count, width + 1, -1)
        delta = table[:, 1:] - table[:, :1]
        phase = self.quantities[columns] == "phase_deg"
        delta[..., phase] = (delta[..., phase] + np.pi) % (2 * np.pi) - np.pi
        result = np.zeros((count, len(self.measurands), width))
        result[:, columns] = np.nan_to_num(delta / STEP).transpose(0, 2, 1)
        if not full:
            slow = np.setdiff1d(np.arange(len(self.measurands)), quick)
            for row, change in enumerate(changes):
                borrowed = self._borrowed(change) if change in self.index else self.healthy_slopes
                result[row, slow, : borrowed.shape[1]] = borrowed[slow]
        return result

    def _healthy(self, zero: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self.predict([Change()], zero)[0], self.slopes([Change()], zero, full=True)[0]

    def _grid_error(self) -> np.ndarray:
        """Own error of DC readings on grids in the compared variable, zero elsewhere, shape (M,)."""
        points = self.model.points
        grids = {p.node for p in points.values() if p.function == "grid" and p.node}
        result = np.zeros(len(self.measurands))
        for index, m in enumerate(self.measurands):
            if m.quantity == "dc_v" and m.point in points and points[m.point].node in grids:
                volts = float(from_variable("dc_v", np.nan_to_num(self.centre[index])))
                result[index] = GRID_ERROR_V * slope_of_variable("dc_v", volts)
        return result

    def _severity_slopes(self) -> np.ndarray:
        """Slopes along the severity from neighbouring cells of the same fault: they cost nothing."""
        result = np.zeros_like(self.shifted)
        first = 1
        for fault in self.faults:
            size = len(fault.values)
            if size > 1 and fault.cell_log > 0:
                log_values = np.log(np.abs(fault.values))
                block = self.shifted[first : first + size].copy()
                phase = self.quantities == "phase_deg"
                block[:, phase] = np.unwrap(block[:, phase], axis=0)
                result[first : first + size] = np.gradient(block, log_values, axis=0) * fault.cell_log
            first += size
        return np.asarray(np.nan_to_num(result))
