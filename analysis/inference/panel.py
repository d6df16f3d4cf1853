"""A chassis model seen through a fixed list of measurands: predictions and slopes of every hypothesis, kept for
reuse.

The unknowns of a healthy chassis are the parameters with a spread, each as ``z ~ N(0, 1)`` of the logarithm of its
value. A hypothesis is one severity cell of one fault (or nothing wrong), which sets one more parameter. All that
does not depend on the readings is computed here once, so that an update after a reading is linear algebra.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.ripple import LINES
from analysis.circuit.supplied import Supplied

from ..chassis import ChassisModel
from ..faults import Fault, faults_of
from .changes import Change
from .grids import grid_errors
from .places import NEAR, Place, Places
from .sloping import slopes_at
from .standings import Standing, moved_by_standing, read_in, standings_of
from .unknowns import aging_of, unknowns_of
from .variables import LAST, canonical, columns_to_variables, from_variable
from .widening import widened

HUM = "ripple_pp_v"

MILD = 0.4
"""A hypothesis that moves no reading by more than this (compared variable) starts with the slopes of the
healthy chassis."""

BATCH = 400
"""Samples solved at a time: their matrices stay in the cache."""

MATRICES = 600
"""Samples times frequencies whose matrices are inverted at a time, for slopes."""


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
    beside : sequence of ChassisModel, optional
        The same chassis with more out of circuit, where measurands are told apart by that (`standings`).
    wider : mapping of str to float, optional
        Times its usual spread, by the key of an unknown.

    Attributes
    ----------
    standings : tuple of Standing
        The chassis itself, then as it stands beside.
    plain : tuple of Measurand
        Of each column, by the names of the points alone.
    elsewhere : ndarray of bool, shape (M,)
        Columns that are read in another standing than that of the chassis itself.
    measurands : tuple of Measurand
        Canonical, without repeats; the columns of every table here.
    unknowns : tuple of Unknown
        P of them.
    unknown_at : dict of str to int
        Place of each among them, by its key.
    faults : tuple of Fault
        Every fault of every part.
    changes : tuple of Change
        Hypotheses; the first is the healthy chassis.
    index : mapping of Change to int
        Row of each.
    usable : ndarray of bool, shape (M,)
        Whether the model knows the measurand at all.
    gain_beside : ndarray of int, shape (M,)
        Column of the gain at the stage and frequency of a phase, or -1.
    grid_error : ndarray, shape (M,)
        Own error of the DC of grids and of what is tied to them, zero for all else.
    moved_by_standing : ndarray, shape (M,)
        See the function of that name.
    centre : ndarray, shape (M,)
        Compared variables of the median healthy chassis.
    usual_gains : dict of (str, float) to float
        Gains among them, by stage and frequency.
    healthy_slopes : ndarray, shape (M, P)
        Their derivative by each z.
    shifted : ndarray, shape (C, M)
        Compared variables of each hypothesis at z = 0; NaN where it has no operating point.
    severity_slopes : ndarray, shape (C, M)
        Derivative by the standardised severity within the cell.
    aging : ndarray, shape (P,)
        How far each unknown goes with the age of the chassis, see `aging_of`.
    scales : dict of Fault.scale to list of Change
        Single hypotheses of one scale, in their order.
    mild : ndarray of bool, shape (C,)
        Hypotheses that move no reading far from healthy.
    """

    def __init__(
        self,
        model: ChassisModel,
        measurands: Sequence[Measurand],
        measured: Mapping[str, tuple[float, float]] | None = None,
        with_faults: bool = True,
        beside: Sequence[ChassisModel] = (),
        wider: Mapping[str, float] | None = None,
    ) -> None:
        self.model, self._measured = model, dict(measured or {})
        self.measurands = tuple(dict.fromkeys(canonical(m) for m in measurands if m.quantity not in LAST))
        self.columns = {m: index for index, m in enumerate(self.measurands)}
        self.quantities = np.array([m.quantity for m in self.measurands])
        self.standings = standings_of(model, beside, self.measurands)
        plain = {column: one for standing in self.standings for column, one in standing.plain.items()}
        self.plain = tuple(plain[column] for column in range(len(self.measurands)))
        self.elsewhere = np.array(
            [column not in self.standings[0].plain for column in range(len(self.plain))], bool
        )
        self.gain_beside = np.full(len(self.measurands), -1)
        for place, one in enumerate(self.measurands):
            if one.quantity == "phase_deg":
                self.gain_beside[place] = self.columns.get(replace(one, quantity="gain"), -1)
        self.unknowns = tuple(
            replace(unknown, sigma=unknown.sigma * (wider or {}).get(unknown.key, 1.0))
            for unknown in unknowns_of(model, measured or {})
        )
        self.unknown_at = {unknown.key: place for place, unknown in enumerate(self.unknowns)}
        known = set(measured or {})
        self.aging = aging_of(model, self.unknowns, known)
        self.faults: tuple[Fault, ...] = tuple(
            f for f in faults_of(model.chassis, model.parameters) if f.key not in known
        )
        if not with_faults:
            self.faults = ()
        cells = ((index, value) for index, f in enumerate(self.faults) for value in f.values)
        self.changes = (Change(), *(Change(faults=(index,), values=(value,)) for index, value in cells))
        self.index = {change: row for row, change in enumerate(self.changes)}
        self.scales: dict[tuple[str, bool], list[Change]] = {}
        for change in self.changes[1:]:
            self.scales.setdefault(self.faults[change.faults[0]].scale, []).append(change)
        for standing in self.standings:
            standing.bring_home(len(self.changes))
        self._wide = np.ones((len(self.changes), len(self.unknowns)))
        self._seen = Places(len(self.measurands))
        self._steady = np.array([], dtype=int)
        zero = np.zeros((1, len(self.unknowns)))
        self.centre = self.predict([Change()], zero)[0]
        self.healthy_slopes = self.look([Change()], zero, np.arange(len(self.measurands)))[1][0]
        self.usable = np.isfinite(self.centre)
        self.usual_gains = {
            (m.point, m.freq_hz): float(from_variable("gain", at))
            for m, at in zip(self.measurands, self.centre, strict=True)
            if m.quantity == "gain" and math.isfinite(at)
        }
        self._steady = np.flatnonzero(self.usable & (self.quantities == "dc_v"))
        self.moved_by_standing = moved_by_standing(self.standings, self.centre)
        self.grid_error = np.zeros(len(self.measurands))
        for standing in self.standings:
            rows = list(standing.plain)
            self.grid_error[rows] = grid_errors(standing.model, list(standing.plain.values()), self.centre[rows])
        self.shifted = self.predict(self.changes, np.zeros((len(self.changes), len(self.unknowns) + 1)))
        none = np.zeros((len(self.changes), len(self.unknowns)))
        self._wide = widened(model, self.unknowns, self.values(self.changes, none), self.standings[0].rests_v)
        self.severity_slopes = self.along_severity(self.shifted, np.arange(len(self.measurands)))
        shift = np.where(self.quantities == "phase_deg", 0.0, np.abs(self.shifted - self.centre))[:, self.usable]
        with np.errstate(invalid="ignore"):
            self.mild = shift.max(axis=1, initial=0.0) <= MILD

    def seen_with(self, model: ChassisModel, measurands: Sequence[Measurand]) -> Panel:
        """The same hypotheses and unknowns, seen through readings with more out of circuit alone.

        Parameters
        ----------
        model : ChassisModel
            The chassis as it would stand.
        measurands : sequence of Measurand
            Told apart by that.
        """
        other = Panel(self.model, measurands, self._measured, beside=[model])
        other._wide = self._wide
        return other

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
        z = unknowns[:, :count] * self.wide(changes)
        result = {u.key: u.value(z[:, index]) for index, u in enumerate(self.unknowns)}
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
        columns = np.arange(len(self.measurands)) if columns is None else columns
        wanted, shown = [self.plain[c] for c in columns], np.full((len(changes), len(columns)), np.nan)
        for first in range(0, len(changes), BATCH):
            batch = slice(first, first + BATCH)
            values = self.values(changes[batch], unknowns[batch])
            for standing, places, measurands in read_in(self.standings, columns):
                known, supplied = self._supplied(standing, changes[batch], values)
                shown[batch, places] = standing.model.predict(known, measurands, supplied=supplied)
        return columns_to_variables(wanted, shown)

    def look(
        self,
        changes: Sequence[Change],
        unknowns: np.ndarray,
        columns: np.ndarray,
        within: float = NEAR,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Compared variables and their slopes at the same place, or as the slopes of a place near by tell them.

        Parameters
        ----------
        changes : sequence of Change
            S hypotheses.
        unknowns : ndarray, shape (S, P + K)
            See `values`.
        columns : ndarray of int, shape (M,)
            Which measurands.
        within : float
            How far such a place may be, in standard deviations of each unknown. Infinity is a glance: nothing is
            solved, and a hypothesis that was not looked at yet moves as the healthy chassis does.

        Returns
        -------
        predicted : ndarray, shape (S, M)
            As `predict`.
        slopes : ndarray, shape (S, M, P + K)
            Derivatives by the unknowns and the severities; zero where there is no operating point.
        """
        # DC volts not asked for now cost little beside the others, and the next reading will ask for them.
        every = np.union1d(columns, self._steady)
        frequencies = {self.measurands[c].freq_hz for c in every if self.quantities[c] not in ("dc_v", HUM)}
        matrices = len(frequencies) + (LINES if HUM in self.quantities[every] else 0)
        known = len(self.unknowns)
        places = [row[: known + len(c.faults)] for c, row in zip(changes, unknowns, strict=True)]
        there = [self._seen.near(c, place, columns, within) for c, place in zip(changes, places, strict=True)]
        if math.isinf(within):
            there = [seen or self._at_first(change) for change, seen in zip(changes, there, strict=True)]
        missing = np.array([row for row, seen in enumerate(there) if seen is None], dtype=int)
        size = max(1, MATRICES // max(1, matrices))
        for first in range(0, len(missing), size):
            rows = missing[first : first + size]
            shown = self._looked([changes[row] for row in rows.tolist()], unknowns[rows], every)
            for row, at, by in zip(rows.tolist(), *shown, strict=True):
                there[row] = self._seen.keep(changes[row], places[row], every, at, by)
        predicted = np.full((len(changes), len(columns)), np.nan)
        slopes = np.zeros((*predicted.shape, unknowns.shape[1]))
        for row, (seen, place) in enumerate(zip(there, places, strict=True)):
            if seen is not None:
                predicted[row], slopes[row, :, : place.size] = seen.told(place, columns)
        return predicted, slopes

    def at_zero(self, change: Change) -> np.ndarray:
        """Compared variables of a hypothesis at z = 0, shape (M,): the shifts of two faults are added.

        Parameters
        ----------
        change : Change
            Hypothesis, single or a pair of singles.
        """
        rows = self._rows_alone(change)
        return np.asarray(self.centre + (self.shifted[rows] - self.centre).sum(axis=0))

    def _rows_alone(self, change: Change) -> list[int]:
        """Rows of its faults, each alone."""
        return [
            self.index[Change(faults=(f,), values=(v,))] for f, v in zip(change.faults, change.values, strict=True)
        ]

    def _at_first(self, change: Change) -> Place:
        """What is known of a hypothesis before it was looked at."""
        known, size = len(self.unknowns), len(self.unknowns) + len(change.faults)
        slopes = np.zeros((len(self.measurands), size))
        slopes[:, :known] = self.healthy_slopes
        slopes[:, self.held(change)] = 0.0
        slopes[:, known:] = self.severity_slopes[self._rows_alone(change)].T
        return Place(
            at=np.zeros(size),
            columns=np.arange(len(self.measurands)),
            has=self.usable,
            predicted=self.at_zero(change),
            slopes=slopes,
        )

    def _looked(
        self, changes: Sequence[Change], unknowns: np.ndarray, columns: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Predictions and slopes of some samples through the model."""
        values, wide = self.values(changes, unknowns), self.wide(changes)
        faults = [[self.faults[index] for index in change.faults] for change in changes]
        shown = np.full((len(changes), len(columns)), np.nan)
        slopes = np.zeros((*shown.shape, unknowns.shape[1]))
        for standing, places, wanted in read_in(self.standings, columns):
            known, supplied = self._supplied(standing, changes, values)
            found = slopes_at(standing.model, self.unknowns, wide, faults, unknowns, wanted, known, supplied)
            shown[:, places], slopes[:, places] = found
        return shown, slopes

    def _supplied(
        self, standing: Standing, changes: Sequence[Change], values: Mapping[str, np.ndarray]
    ) -> tuple[dict[str, np.ndarray], Supplied]:
        """Values of some samples that a standing knows, and their rest."""
        # A pair starts from where its first fault alone rests.
        alone = [c if len(c.faults) < 2 else Change(faults=c.faults[:1], values=c.values[:1]) for c in changes]
        known, rows = standing.known(values), np.array([self.index[c] for c in alone])
        return known, standing.supplied(known, rows, np.array([len(c.faults) < 2 for c in changes]))

    def wide(self, changes: Sequence[Change]) -> np.ndarray:
        """How many times the usual spread each unknown has in each of S hypotheses, shape (S, P).

        Parameters
        ----------
        changes : sequence of Change
            Hypotheses; of two faults the one counts that widens more.
        """
        return np.array([self._wide[self._rows_alone(c) or [0]].max(axis=0) for c in changes])

    def held(self, change: Change) -> list[int]:
        """Places of the unknowns that are none in this hypothesis, because its faults set them.

        Parameters
        ----------
        change : Change
            Hypothesis.
        """
        keys = (self.faults[index].key for index in change.faults)
        return [self.unknown_at[key] for key in keys if key in self.unknown_at]

    def fault_of(self, change: Change, key: tuple[str, str, str]) -> Fault:
        """The fault of a hypothesis that belongs to a part, section and word.

        Parameters
        ----------
        change : Change
            Hypothesis.
        key : (part, section, fault)
            Of one of its faults.
        """
        return next(f for f in (self.faults[i] for i in change.faults) if (f.part, f.section, f.fault) == key)

    def along_severity(self, predicted: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """Slopes by the standardised severity from neighbouring cells of the same fault: they cost nothing.

        Parameters
        ----------
        predicted : ndarray, shape (C, M)
            Compared variables of all hypotheses of the panel.
        columns : ndarray of int, shape (M,)
            What they are.
        """
        result = np.zeros_like(predicted)
        phase = self.quantities[columns] == "phase_deg"
        first = 1
        for fault in self.faults:
            size = len(fault.values)
            if size > 1 and fault.cell_log > 0:
                log_values = np.log(np.abs(fault.values))
                block = predicted[first : first + size].copy()
                block[:, phase] = np.unwrap(block[:, phase], axis=0)
                result[first : first + size] = np.gradient(block, log_values, axis=0) * fault.cell_log
            first += size
        return np.asarray(np.nan_to_num(result))
