"""A tube of another type in a socket: it fits, it glows, and no part of the drawing explains what it does.

Small twin triodes share one base, and so do the power tubes of the octal one. What stands in the socket is not what
the chassis file says, so no fault of a part is near it: each type that fits is tried in each socket on a chassis
with nothing else wrong.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from acquisition.errors import ConfigError, OutsideModel

from ..chassis import ChassisModel
from ..chassis.parameters import EMF_SIGMA
from ..inference.data import Data, Refined, Weighed, collect
from ..inference.error_scales import farther, own_scale
from ..inference.panel import Change, Panel
from ..inference.refining import refine
from ..inference.variables import columns_to_variables, difference, from_variable
from ..tubes import Tube, load_tube, tube_names
from ..tubes.article import with_article
from .words import place_of, show

CHANCE = 0.01
"""That the tube in a socket is of another type than the drawing says, all types together (common practice, no
source: sets are found with what was in the drawer)."""

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
    socket : str
        Where.
    types : tuple of str
        What it may be, likeliest first.
    probability : float
        Of all these together, beside every other hypothesis.
    because : str
        Why, with numbers.
    """

    socket: str
    types: tuple[str, ...]
    probability: float
    because: str

    @property
    def fault(self) -> str:
        """As the fault of a suspect."""
        return OTHER + " or ".join(self.types)


class OtherTubes:
    """The types that fit the sockets of one chassis.

    Parameters
    ----------
    model : ChassisModel
        As the file says.
    measured : mapping of str to (value, std)
        Parameters measured with power off.
    """

    def __init__(self, model: ChassisModel, measured: Mapping[str, tuple[float, float]]) -> None:
        self._model = model
        # The supplies are those of the drawing, whatever they are loaded with.
        emf = {f"{name}.emf" for name in model.chassis.rails}
        nominal = {key: model.parameters[key].nominal for key in emf}
        self._measured = {key: (value, EMF_SIGMA * value) for key, value in nominal.items() if value > 0.0}
        self._measured |= dict(measured)
        self._supplies = {key: np.array([value]) for key, value in nominal.items()}
        self._shown: dict[tuple[str, str], np.ndarray] = {}

    @cached_property
    def _fitting(self) -> dict[tuple[str, str], ChassisModel]:
        """A model for each socket and type that fits it."""
        chassis, known, found = self._model.chassis, [], {}
        for name in tube_names():
            with suppress(ConfigError):  # the file of a type that is not in this chassis may have a mistake
                known.append(load_tube(name))
        for socket, tube in chassis.sockets.items():
            for other in known:
                if other.name != tube.name and fits(tube, other):
                    changed = replace(chassis, sockets={**chassis.sockets, socket: other})
                    # A supply that cannot feed it has no operating point to compare with.
                    with suppress(OutsideModel):
                        found[socket, other.name] = ChassisModel(changed, self._model.meter, self._model.probe)
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
        tried = []
        for (socket, name), model in self._nearest(panel, data):
            other = Panel(model, [r.measurand for r in data.readings], self._measured, with_faults=False)
            same = collect(other, data.readings)
            refined = refine(other, same, [Change()], steps=12).get(Change())
            if (
                refined is not None
                and len(same.readings) == len(data.readings)
                and self._conducts(socket, other, refined)
            ):
                tried.append((math.log(CHANCE / self._types(socket)) + refined.evidence, socket, name, refined))
        tried.sort(key=lambda one: -one[0])
        total = np.logaddexp.reduce([weighed.log_total, *(weight for weight, *_ in tried)])
        found = []
        for socket in dict.fromkeys(socket for _, socket, *_ in tried):
            here = [(math.exp(weight - total), name, there) for weight, at, name, there in tried if at == socket]
            likeliest, name, there = here[0]
            was = self._model.chassis.sockets[socket].name
            found.append(
                OtherTube(
                    socket=socket,
                    types=tuple(one for chance, one, _ in here if chance > LEAST * likeliest),
                    probability=sum(chance for chance, *_ in here),
                    because=_because(panel, data, there.expected, name, was),
                )
            )
        return found

    def _conducts(self, socket: str, other: Panel, refined: Refined) -> bool:
        """Whether the tube passes something there: one that is cut off says no more of its type than a dead one."""
        here = other.model.supplied(other.values([Change()], refined.unknowns[None])).rest.currents
        home = self._model.supplied({}).rest.currents
        return any(
            float(one[0].ravel()[0]) > CUT_OFF * float(usual[0].ravel()[0])
            for tube, one, usual in zip(other.model.circuit.tubes, here, home, strict=True)
            if other.model.sections[tube.key][0] == socket
        )

    def _types(self, socket: str) -> int:
        return sum(socket == one for one, _ in self._fitting)

    def _nearest(self, panel: Panel, data: Data) -> list[tuple[tuple[str, str], ChassisModel]]:
        """Those whose nominal chassis comes nearest to the readings."""
        rows = data.columns
        scale = own_scale(panel, rows, data.noise, farther(panel, rows, data.measured, data.measured[None]))[0]
        scale = np.hypot(np.linalg.norm(panel.healthy_slopes[rows], axis=1), scale)

        def apart(predicted: np.ndarray) -> float:
            off = np.nan_to_num(difference(data.quantities, data.measured, predicted) / scale, nan=math.inf)
            return float(np.minimum(off**2, FARTHEST).sum())

        home, found = apart(panel.centre[rows]), []
        for key, model in self._fitting.items():
            off = apart(self._nominal(key, model, panel, rows))
            if off < home - NEARER:
                found.append((off, key, model))
        return [(key, model) for _, key, model in sorted(found, key=lambda one: one[0])[:MOST]]

    def _nominal(self, key: tuple[str, str], model: ChassisModel, panel: Panel, rows: np.ndarray) -> np.ndarray:
        """Compared variables of a nominal chassis with another tube; all DC at once, one solution serves."""
        shown = self._shown.setdefault(key, np.full(len(panel.measurands), np.nan))
        if np.isnan(shown[rows]).any():
            wanted = np.union1d(rows[np.isnan(shown[rows])], np.flatnonzero(panel.quantities == "dc_v"))
            measurands = [panel.measurands[row] for row in wanted]
            shown[wanted] = columns_to_variables(measurands, model.predict(self._supplies, measurands))[0]
        return np.asarray(shown[rows])


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


def _because(panel: Panel, data: Data, expected: np.ndarray, name: str, was: str) -> str:
    """The readings that tell the types apart best."""
    usual = panel.centre[data.columns]
    off, left = (np.abs(difference(data.quantities, data.measured, at)) for at in (usual, expected))
    gained = np.where(data.quantities == "phase_deg", 0.0, off - left)
    as_other, as_drawn = with_article(name), with_article(was)
    told = []
    for row in np.argsort(-gained)[:TOLD]:
        reading = data.readings[row]
        there, here = (show(reading, float(from_variable(reading.quantity, at[row]))) for at in (expected, usual))
        read = f"{place_of(reading.measurand)} reads {show(reading, reading.value)}"
        told.append(f"{read}, with {as_other} {there}, with {as_drawn} {here}")
    return f"consistent with {as_other} in the socket of {as_drawn} and nothing else wrong; {'; '.join(told)}"
