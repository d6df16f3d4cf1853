"""A tube of another type in a socket: it fits, it glows, and no part of the drawing explains what it does.

Small twin triodes share one base, and so do the power tubes of the octal one. What stands in the socket is not what
the chassis file says, so no fault of a part is near it: each type that fits is tried in each socket on a chassis
with nothing else wrong, and so are two tubes in each other's sockets.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from acquisition.errors import ConfigError, NoOperatingPoint, OutsideModel
from acquisition.records import Reading

from ..chassis import ChassisModel
from ..inference.changes import Change
from ..inference.data import Data, Refined, Weighed, collect
from ..inference.error_scales import farther, own_scale
from ..inference.panel import Panel
from ..inference.refining import refine
from ..inference.variables import columns_to_variables, difference, from_variable
from ..tubes import Tube, load_tube, tube_names
from ..tubes.article import with_article
from .words import place_of, show

CHANCE = 0.01
"""That the tube in a socket is of another type than the drawing says, all types together (common practice, no
source: sets are found with what was in the drawer)."""

EXCHANGED_CHANCE = 0.003
"""That two tubes of different types stand in each other's sockets (common practice, no source)."""

WORTH_A_LOOK = 3.0
"""Where the healthy chassis is further behind the best hypothesis than this (logarithm), other tubes are tried."""

NEARER, MOST = 6.0, 3
"""By how much a type must bring the readings nearer (chi-squared) to be followed, and how many are."""

FARTHEST = 25.0
"""Most that one reading counts there: some are off by far and say no more than that."""

CUT_OFF = 0.05
"""Share of the usual plate current below which a tube is as good as dead."""

TOLD, LEAST = 3, 0.1
"""So many readings are told of, and types that are so likely as a share of the likeliest."""

OTHER = "other type: "
"""How the fault of a socket begins in which another type may stand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherTube:
    """What may stand in a socket in place of the type of the file.

    Parameters
    ----------
    sockets : tuple of str
        Where: one, or two whose tubes are exchanged.
    types : tuple of str
        What it may be, likeliest first.
    probability : float
        Of all these together, beside every other hypothesis.
    because : str
        Why, with numbers.
    """

    sockets: tuple[str, ...]
    types: tuple[str, ...]
    probability: float
    because: str

    @property
    def fault(self) -> str:
        """As the fault of a suspect."""
        if len(self.sockets) > 1:
            return f"exchanged with {self.sockets[1]}"
        return OTHER + " or ".join(self.types)

    @property
    def separates(self) -> str:
        """What settles it."""
        if len(self.sockets) > 1:
            return f"the type numbers on the tubes in {' and '.join(self.sockets)}"
        return f"the type number on the tube in {self.sockets[0]}"


Standing = tuple[tuple[str, str], ...]
"""What stands where, socket and type: in one socket, or in two."""


class OtherTubes:
    """The types that fit the sockets of one chassis.

    Parameters
    ----------
    model : ChassisModel
        As the file says.
    measured : mapping of str to (value, std)
        Parameters measured with power off.
    beside : sequence of ChassisModel, optional
        As the file says, with more tubes out.
    """

    def __init__(
        self,
        model: ChassisModel,
        measured: Mapping[str, tuple[float, float]],
        beside: Sequence[ChassisModel] = (),
    ) -> None:
        self._model = model
        self._beside = tuple(beside)
        self._measured = dict(measured)
        self._shown: dict[Standing, np.ndarray] = {}
        self._panels: dict[Standing, Panel] = {}
        self._reached: dict[Standing, np.ndarray] = {}
        self._before: frozenset[Reading] = frozenset()

    @cached_property
    def _fitting(self) -> dict[Standing, ChassisModel]:
        """A model for each socket and type that fits it, and for each two sockets whose tubes fit the other."""
        chassis, known, found = self._model.chassis, [], {}
        for name in tube_names():
            with suppress(ConfigError):  # the file of a type that is not in this chassis may have a mistake
                known.append(load_tube(name))
        there = {socket: tube for socket, tube in chassis.sockets.items() if socket not in chassis.pulled}
        ways: list[dict[str, Tube]] = [
            {socket: other}
            for socket, tube in there.items()
            for other in known
            if other.name != tube.name and fits(tube, other)
        ]
        ways += [
            {one: there[two], two: there[one]}
            for one, two in combinations(there, 2)
            if there[one].name != there[two].name and fits(there[one], there[two]) and fits(there[two], there[one])
        ]
        for way in ways:
            whole = chassis.without(())
            changed = replace(whole, sockets={**whole.sockets, **way}).without(chassis.pulled)
            # Where it has no operating point there is nothing to compare with.
            with suppress(OutsideModel, NoOperatingPoint):
                key = tuple((socket, tube.name) for socket, tube in way.items())
                # The supplies are those of the drawing, whatever they are loaded with.
                found[key] = ChassisModel(changed, self._model.meter, self._model.probe, beside=self._model)
        return found

    def weigh(self, panel: Panel, data: Data, weighed: Weighed) -> list[OtherTube]:
        """Types that explain readings which the chassis of the file with nothing wrong does not, heaviest first.

        Parameters
        ----------
        panel : Panel
            Predictions for the chassis of the file.
        data : Data
            Readings.
        weighed : Weighed
            Posterior of everything else.
        """
        healthy = weighed.log_weight[[not change.faults for change in weighed.changes]].max()
        if not data.readings or healthy > weighed.log_weight.max() - WORTH_A_LOOK:
            return []
        if not self._before <= set(data.readings):  # of another chassis, or a reading was put right
            self._reached.clear()
        self._before = frozenset(data.readings)
        tried = []
        for standing, model in self._nearest(panel, data):
            try:
                other = self._panel(standing, model, panel, data)
            except (OutsideModel, NoOperatingPoint):  # with the others out
                continue
            same = collect(other, data.readings)
            starts = {Change(): self._reached[standing]} if standing in self._reached else None
            refined = refine(other, same, [Change()], steps=12, starts=starts).get(Change())
            if refined is not None:
                self._reached[standing] = refined.unknowns
            if (
                refined is not None
                and len(same.readings) == len(data.readings)
                and self._conducts(standing, other, refined)
            ):
                tried.append((self._log_chance(standing) + refined.evidence, standing, refined))
        tried.sort(key=lambda one: -one[0])
        total = np.logaddexp.reduce([weighed.log_total, *(weight for weight, *_ in tried)])
        found = []
        for sockets in dict.fromkeys(_sockets(standing) for _, standing, _ in tried):
            here = [(math.exp(weight - total), at, there) for weight, at, there in tried if _sockets(at) == sockets]
            likeliest, standing, there = here[0]
            found.append(
                OtherTube(
                    sockets=sockets,
                    types=tuple(at[0][1] for chance, at, _ in here if chance > LEAST * likeliest),
                    probability=sum(chance for chance, *_ in here),
                    because=self._because(panel, data, there.expected, standing),
                )
            )
        return found

    def _panel(self, standing: Standing, model: ChassisModel, panel: Panel, data: Data) -> Panel:
        """Predictions for other tubes, kept from reading to reading: of all DC, and of the rest that was read."""
        wanted = {panel.measurands[column] for column in data.columns}
        kept = self._panels.get(standing)
        if kept is None or not wanted <= kept.columns.keys():
            measurands = [m for m in panel.measurands if m.quantity == "dc_v" or m in wanted]
            beside = [
                ChassisModel(model.chassis.without(one.chassis.pulled), one.meter, one.probe, beside=one)
                for one in self._beside
            ]
            kept = Panel(model, measurands, self._measured, with_faults=False, beside=beside)
            self._panels[standing] = kept
        return kept

    def _because(self, panel: Panel, data: Data, expected: np.ndarray, standing: Standing) -> str:
        """The readings that tell what stands there from what should best."""
        usual = panel.centre[data.columns]
        off, left = (np.abs(difference(data.quantities, data.measured, at)) for at in (usual, expected))
        gained = np.where(data.quantities == "phase_deg", 0.0, off - left)
        if len(standing) > 1:
            instead, due = "exchanged", "as drawn"
            what = f"{' and '.join(_sockets(standing))} in each other's sockets"
        else:
            ((socket, name),) = standing
            other, drawn = with_article(name), with_article(self._model.chassis.sockets[socket].name)
            instead, due = f"with {other}", f"with {drawn}"
            what = f"{other} in the socket of {drawn}"
        told = []
        for row in np.argsort(-gained)[:TOLD]:
            reading = data.readings[row]
            there, here = (
                show(reading, float(from_variable(reading.quantity, at[row]))) for at in (expected, usual)
            )
            read = f"{place_of(reading.measurand)} reads {show(reading, reading.value)}"
            told.append(f"{read}, {instead} {there}, {due} {here}")
        return f"consistent with {what} and nothing else wrong; {'; '.join(told)}"

    def _log_chance(self, standing: Standing) -> float:
        alike = sum(_sockets(one) == _sockets(standing) for one in self._fitting)
        if len(standing) == 1:
            return math.log(CHANCE / alike)
        return math.log(EXCHANGED_CHANCE / sum(len(one) > 1 for one in self._fitting))

    def _conducts(self, standing: Standing, other: Panel, refined: Refined) -> bool:
        """Whether the tube passes something there: one that is cut off says no more of its type than a dead one."""
        here = other.model.supplied(other.values([Change()], refined.unknowns[None])).rest.currents
        home = self._model.supplied({}).rest.currents
        return any(
            float(one[0].ravel()[0]) > CUT_OFF * float(usual[0].ravel()[0])
            for tube, one, usual in zip(other.model.circuit.tubes, here, home, strict=True)
            if other.model.sections[tube.key][0] in _sockets(standing)
        )

    def _nearest(self, panel: Panel, data: Data) -> list[tuple[Standing, ChassisModel]]:
        """Those whose nominal chassis comes nearest to the readings."""
        here = ~panel.elsewhere[data.columns]
        rows, measured, quantities = data.columns[here], data.measured[here], data.quantities[here]
        scale = own_scale(panel, rows, data.noise[here], farther(panel, rows, measured, measured[None]))[0]
        scale = np.hypot(np.linalg.norm(panel.healthy_slopes[rows], axis=1), scale)

        def apart(predicted: np.ndarray) -> float:
            off = np.nan_to_num(difference(quantities, measured, predicted) / scale, nan=math.inf)
            return float(np.minimum(off**2, FARTHEST).sum())

        home, found = apart(panel.centre[rows]), []
        for key, model in self._fitting.items():
            off = apart(self._nominal(key, model, panel, rows))
            if off < home - NEARER:
                found.append((off, key, model))
        return [(key, model) for _, key, model in sorted(found, key=lambda one: one[0])[:MOST]]

    def _nominal(self, key: Standing, model: ChassisModel, panel: Panel, rows: np.ndarray) -> np.ndarray:
        """Compared variables of a nominal chassis with another tube; all DC at once, one solution serves."""
        shown = self._shown.setdefault(key, np.full(len(panel.measurands), np.nan))
        if np.isnan(shown[rows]).any():
            dc = (panel.quantities == "dc_v") & ~panel.elsewhere
            wanted = np.union1d(rows[np.isnan(shown[rows])], np.flatnonzero(dc))
            measurands = [panel.measurands[row] for row in wanted]
            shown[wanted] = columns_to_variables(measurands, model.predict({}, measurands))[0]
        return np.asarray(shown[rows])


def _sockets(standing: Standing) -> tuple[str, ...]:
    return tuple(socket for socket, _ in standing)


def fits(tube: Tube, other: Tube) -> bool:
    """Whether another type works in the socket of a tube: the same base, heater and electrodes on the same pins.

    Parameters
    ----------
    tube, other : Tube
        What the socket is wired for, and what may stand in it.
    """

    def wired(one: Tube) -> dict[str, dict[str, tuple[int, ...]]]:
        return {
            section.name: {name: pins for name, pins in section.electrodes.items() if name != "suppressor"}
            for section in one.sections
        }

    modelled = all(section.model is not None for section in other.sections)
    fed = ({(way.volts, way.between) for way in one.heater} for one in (tube, other))
    return modelled and bool(set.intersection(*fed)) and tube.base == other.base and wired(tube) == wired(other)
