"""Healthy chassis that stand in two ways, each the same specimen in both: what a change of that does to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquisition.records import Event, Measurand, Pass

from ..chassis import ChassisModel, healthy_values
from ..chassis.bands import band_of, shown_by
from ..chassis.description import GROUND
from ..inference.variables import MODEL_ERRORS
from ..judge import BAND_LEVEL, decide
from ..work import values_found
from .loop import load_of_loop_db
from .pairing import shortest
from .source_impedance import output_impedance_ohm, ratio_std
from .standing_result import AS_RATIO, DECIBEL, Found, Moved

LEAST_DB = 0.5
"""Feedback below this is nobody's intention."""

UNHEARD = 0.002
"""A signal that changes by less than this with the load tells nothing of it."""

SAMPLES, SEED = 400, 1


class Specimens:
    """Healthy chassis in both standings.

    Parameters
    ----------
    before, after : Pass
        Their rails and mains set the supply.
    models : (ChassisModel, ChassisModel)
        Of the chassis as it stood in each.
    measurands : sequence of Measurand
        What was read in both.
    work : sequence of Event
        Done, see `analysis.work`.
    """

    def __init__(
        self,
        before: Pass,
        after: Pass,
        models: tuple[ChassisModel, ChassisModel],
        measurands: Sequence[Measurand],
        work: Sequence[Event],
    ) -> None:
        self.models = models
        rng = np.random.default_rng(SEED)
        known = [values_found(model.parameters, work) for model in models]
        first = healthy_values(models[0], SAMPLES, rng, before.readings, before.mains_v, known[0])
        second = models[1].draw(SAMPLES, rng, known[1])
        second |= {key: value for key, value in first.items() if key in models[1].parameters}
        if after.mains_v is not None:
            second["mains"] = np.full(SAMPLES, after.mains_v / models[1].chassis.mains_v)
        self.values = (first, second)
        self.known = known
        self.shown = tuple(
            shown_by(model, values, measurands, SAMPLES) for model, values in zip(models, self.values, strict=True)
        )

    def judged(self, index: int, one: Moved) -> Moved:
        """A reading of both passes with what healthy chassis do.

        Parameters
        ----------
        index : int
            Which of the measurands.
        one : Moved
            What was read.
        """
        first, second = (shown[:, index] for shown in self.shown)
        with np.errstate(divide="ignore", invalid="ignore"):
            moves = DECIBEL * np.log(second / first) if one.in_db else second - first
        band = band_of(moves, one.measurand, BAND_LEVEL)
        if not math.isfinite(one.change) or not math.isfinite(band.expected):
            return one
        if one.measurand.quantity == "phase_deg":  # on the turn of what is expected
            one = replace(one, change=band.expected + shortest(one.change - band.expected))
        error = _model_std(one.measurand.quantity, band.expected, float(np.nanmedian(second)))
        verdict = decide(one.change, math.hypot(one.std, error), band.low, band.high)
        return replace(one, expected=band.expected, low=band.low, high=band.high, verdict=verdict)

    def feedback(self, one: Moved) -> Found | None:
        """What the parts that are lifted in one of the passes fed back; None where they did not, or nothing tells.

        Parameters
        ----------
        one : Moved
            From `judged`.
        """
        chassis = [model.chassis for model in self.models]
        out = [set(each.pulled) for each in chassis]
        opens = int(len(out[1]) > len(out[0]))
        lifted = tuple(name for name in chassis[opens].pulled if name not in out[1 - opens])
        sign = 1.0 if opens else -1.0
        drawn = chassis[opens].without(()).parts
        if one.measurand.quantity != "gain" or not one.verdict or sign * one.change < LEAST_DB:
            return None
        if not lifted or not out[1 - opens] <= out[opens] or not all(name in drawn for name in lifted):
            return None
        load_db = load_of_loop_db(self.models[opens], lifted, one.measurand)
        if load_db is None:
            return None
        low, high = sorted((sign * one.low, sign * one.high))
        return Found(
            measurand=one.measurand,
            parts=lifted,
            value=sign * one.change - load_db,
            least=sign * one.change - load_db - 2.0 * one.std,
            most=sign * one.change - load_db + 2.0 * one.std,
            expected=sign * one.expected - load_db,
            low=low - load_db,
            high=high - load_db,
            verdict=one.verdict if opens else _turned(one.verdict),
            load_db=load_db,
        )

    def impedance(self, index: int, one: Moved) -> Found | None:
        """What stands behind an output where its load alone differs; None where it does not, or nothing tells.

        Parameters
        ----------
        index : int
            Which of the measurands.
        one : Moved
            From `judged`.
        """
        drawn = self.models[0].chassis.without(())
        before, after = (_loads(model) for model in self.models)
        quantity, point = one.measurand.quantity, one.measurand.points[-1]
        if quantity not in ("gain", "pp_v", "rms_v") or not one.verdict:
            return None
        node = drawn.node_names.get(point, point)
        stood = [set(model.chassis.pulled) for model in self.models]
        apart = {key.partition("=")[0] for key in stood[0] ^ stood[1]}
        if quantity == "gain" and not self._is_driven_alike(one.measurand):
            return None
        for name in drawn.loads:
            ends = {drawn.node_names[end] for end in drawn.parts[name].nodes} - {GROUND}
            if node in ends and apart == {name}:
                return self._behind(index, one, name, before.get(name), after.get(name))
        return None

    def _is_driven_alike(self, gain: Measurand) -> bool:
        """Whether the signal where a gain begins hears nothing of the load, so that only that at its end tells."""
        start = Measurand(point=gain.points[0], quantity="pp_v", freq_hz=gain.freq_hz, drive_pp_v=1.0)
        first, second = (float(model.predict({}, [start])[0, 0]) for model in self.models)
        return abs(second - first) <= UNHEARD * first

    def _behind(self, index: int, one: Moved, name: str, *keys: str | None) -> Found | None:
        loads = []
        for place, key in enumerate(keys):
            if key is None:  # lifted: there is none
                loads.append((math.inf, 0.0, np.full(SAMPLES, np.inf)))
                continue
            parameter = self.models[place].parameters[key]
            ohm, std = self.known[place].get(key, (parameter.nominal, parameter.sigma * parameter.nominal))
            loads.append((float(ohm), float(std), self.values[place].get(key, np.full(SAMPLES, ohm))))
        (first, first_std, firsts), (second, second_std, seconds) = loads
        ratio = one.after / one.before
        shown = self.shown[1][:, index] / self.shown[0][:, index]
        band = band_of(np.asarray(output_impedance_ohm(shown, firsts, seconds)), one.measurand, BAND_LEVEL)
        value = float(output_impedance_ohm(ratio, first, second))
        std = ratio_std(ratio, one.std / DECIBEL * ratio, (first, first_std), (second, second_std))
        ends = (output_impedance_ohm(ratio + side * 2.0 * std, first, second) for side in (-1.0, 1.0))
        least, most = sorted(float(end) for end in ends)
        return Found(
            measurand=one.measurand,
            parts=(name,),
            value=value,
            least=max(least, 0.0),
            most=most,
            expected=band.expected,
            low=band.low,
            high=band.high,
            # Towards the smaller load the signal falls, and the more so the higher the impedance.
            verdict=_turned(one.verdict) if second < first else one.verdict,
            rated_ohm=self.models[0].chassis.without(()).parts[name].value,
        )


def _loads(model: ChassisModel) -> dict[str, str]:
    """Loads that are connected, by the part that is drawn: the key of each."""
    return {key.partition("=")[0]: key for key in model.chassis.loads}


def _turned(verdict: str) -> str:
    """The verdict on a change that is looked at from its other end."""
    return {"low": "high", "high": "low"}.get(verdict, verdict)


def _model_std(quantity: str, change: float, level: float) -> float:
    """The model's own error about a change, in its unit."""
    errors = MODEL_ERRORS[quantity]
    if quantity in AS_RATIO:
        return DECIBEL * math.hypot(errors.base, errors.of_shift * change / DECIBEL)
    if quantity == "phase_deg":
        return math.hypot(math.degrees(errors.base), errors.of_shift * change)
    if quantity == "thd_pct":
        return errors.base * abs(level)
    return math.hypot(0.005, errors.of_shift * change)
