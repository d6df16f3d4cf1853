"""The verdict on one reading: ``agrees``, ``low``, ``high`` or ``unclear``.

Decision rule, after JCGM 106:2012 (conformance probability of a normal quantity, 7.4; guarded decisions, 8.3;
clause numbers from memory): the tolerance interval is the band of a healthy chassis, widened at both ends by a
guard band of twice the standard uncertainty u (reading and model together), so that a fault is named only against
the odds. ``agrees`` when the probability that the true value lies inside is at least 0.8, ``low`` or ``high`` when
the probability that it lies beyond that limit is at least 0.95, otherwise ``unclear``: this reading cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from acquisition.quantities import format_value
from acquisition.records import JUDGED_QUALITIES, Reading, judged_dc, verdict_text

from .chassis import Band, Chassis, ChassisModel
from .chassis.bias import bias_asked
from .chassis.cold import shorts_asked
from .chassis.conditions import mains_asked, printed_asked, ripple_asked, tubes_asked
from .chassis.description import GROUND
from .chassis.feeding import below_what_they_feed, rails_of
from .uncertainty import meter_std

Verdict = Literal["agrees", "low", "high", "unclear"]

GUARD = 2.0
"""Guard band in standard uncertainties."""

AGREES_FROM, BEYOND_FROM = 0.8, 0.95
"""Conformance probability for ``agrees``, probability beyond a limit for ``low`` and ``high``."""

BAND_LEVEL = 0.99
"""Share of healthy chassis inside the band that ``check`` uses: a survey has some thirty readings, and at 95 % one
or two of them would lie outside on a perfect chassis."""

AT_REST_V = 0.05
"""A point that rests at 0 V may read so much either way: an undriven grid draws or collects a little current, and a
healthy tube may pull it below the chassis (common practice, no source)."""

LIVE_V, FEW_LIVE, NOTHING_V = 10.0, 3, 0.5
"""Rails of more volts than the first are live; so many live points, all without the last, speak of lead, meter or
mains before any part. Common practice, no source."""

SAME_NODES, SAME_RATIO = 4, 0.01
"""So many nodes, rails and cathodes among them, that all read the same within this are no chassis at work. Common
practice, no source."""

APART_STDS, APART_SHARE = 4.0, 0.05
"""Two readings of one point differ by more than the meter's doubt, and by more than mains do from minute to minute.
Common practice, no source."""

MODEL_STD = {
    "dc_v": (0.008, 0.005), "pp_v": (0.04, 0.0005), "rms_v": (0.04, 0.0002), "gain": (0.03, 0.001),
    "phase_deg": (0.0, 2.0), "ripple_pp_v": (0.12, 0.0005), "thd_pct": (0.4, 0.1),
    "cold_ohm": (0.01, 0.2),
}  # fmt: skip
"""The model's own error as standard deviation, relative and absolute. Evidence: `analysis.inference.variables`."""

RULE = (
    f"A reading is judged against this band, widened at both ends by {GUARD:g} u, where u joins the reading's "
    f"standard uncertainty and the model's own error (of the expected value {MODEL_STD['dc_v'][0]:.1%} on DC, "
    f"{MODEL_STD['pp_v'][0]:.0%} on a signal, {MODEL_STD['gain'][0]:.0%} on a gain, "
    f"{MODEL_STD['ripple_pp_v'][0]:.0%} on ripple, {MODEL_STD['thd_pct'][0]:.0%} on distortion; "
    f"{MODEL_STD['phase_deg'][1]:g}° of phase; a little more near zero). A point that rests at 0 V is allowed "
    f"±{1e3 * AT_REST_V:g} mV. “Agrees” means that the true value lies inside the widened band with a probability "
    f"of {AGREES_FROM:.0%} or more, “low” or “high” that it lies beyond it with one of {BEYOND_FROM:.0%} or more; "
    "otherwise the reading cannot tell (after JCGM 106)."
)
"""How a verdict is found, in words for the report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One reading with its verdict.

    Parameters
    ----------
    reading : Reading
        As taken.
    std : float
        Standard uncertainty used, the usual one where the reading states none.
    expected, low, high : float
        Band of a healthy chassis with these rails, in the unit of the quantity.
    verdict : str
        ``agrees``, ``low``, ``high`` or ``unclear``; low and high as numbers are, -20 V is higher than -40 V.
    """

    reading: Reading
    std: float
    expected: float
    low: float
    high: float
    verdict: Verdict

    @property
    def words(self) -> str:
        """The verdict as people read it."""
        return verdict_text(self.verdict, self.reading.quantity, self.reading.value, self.high)


def decide(value: float, std: float, low: float, high: float) -> Verdict:
    """Apply the decision rule to a normal quantity.

    Parameters
    ----------
    value, std : float
        Best estimate and standard uncertainty.
    low, high : float
        Limits of the band.

    Examples
    --------
    >>> decide(196.0, 1.0, 180.0, 210.0), decide(150.0, 1.0, 180.0, 210.0), decide(177.8, 1.0, 180.0, 210.0)
    ('agrees', 'low', 'unclear')
    """
    low, high = low - GUARD * std, high + GUARD * std
    below, above = _normal_cdf((low - value) / std), 1.0 - _normal_cdf((high - value) / std)
    if below >= BEYOND_FROM:
        return "low"
    if above >= BEYOND_FROM:
        return "high"
    return "agrees" if 1.0 - below - above >= AGREES_FROM else "unclear"


def judge(readings: Sequence[Reading], bands: Sequence[Band]) -> list[Judged]:
    """Verdict for each reading.

    Parameters
    ----------
    readings : sequence of Reading
        M readings.
    bands : sequence of Band
        M bands of the healthy chassis, from `analysis.chassis.bands`, at ``BAND_LEVEL``.
    """
    result = []
    for reading, band in zip(readings, bands, strict=True):
        std = meter_std(reading)
        relative, absolute = MODEL_STD[reading.quantity]
        total = math.hypot(std, relative * band.expected, absolute)
        expected, low, high = band.expected, band.low, band.high
        if reading.quantity == "phase_deg":  # on the turn of the reading: -180 beside 179.8 is beside -180.2
            off = reading.value - expected
            turn = off - ((off + 180.0) % 360.0 - 180.0)
            expected, low, high = expected + turn, low + turn, high + turn
        if reading.quantity == "dc_v" and abs(band.expected) < AT_REST_V:
            low, high = min(low, -AT_REST_V), max(high, AT_REST_V)
        result.append(
            Judged(
                reading=reading,
                std=std,
                expected=expected,
                low=low,
                high=high,
                verdict=decide(reading.value, total, low, high),
            )
        )
    return result


def without_drive(readings: Sequence[Reading]) -> list[str]:
    """What is set aside because nobody wrote down how large the drive was: one note, or none.

    Parameters
    ----------
    readings : sequence of Reading
        Of one pass or more.

    Examples
    --------
    >>> without_drive([Reading(point="V1.1", quantity="pp_v", value=12.0)])
    ['set aside, how large was the drive? pp_v of V1.1 (import it again with drive_pp_v)']
    """
    lacking = (r for r in readings if r.measurand.lacks_drive and r.quality in JUDGED_QUALITIES)
    names = list(dict.fromkeys(f"{r.quantity} of {r.point}" for r in lacking))
    if not names:
        return []
    them = "it" if len(names) == 1 else "them"
    return [f"set aside, how large was the drive? {', '.join(names)} (import {them} again with drive_pp_v)"]


def enough_live(count: int) -> int:
    """How many live points without volts speak of the lead: a small chassis has only two.

    Parameters
    ----------
    count : int
        Live points that the chassis has.
    """
    return max(2, min(FEW_LIVE, count))


def slips_of_hand(chassis: Chassis, readings: Sequence[Reading]) -> list[str]:
    """Ask about lead and meter where DC cannot be what it says: no volts at any live point, or a wrong sign.

    The rails of a pass move what is expected, so that of rails that read nothing every other point would agree.

    Parameters
    ----------
    chassis : Chassis
        For plates, screens and rails, which are live.
    readings : sequence of Reading
        Of one pass.
    """
    volts = {r.point: r.value for r in judged_dc(readings)}
    live = {
        name: math.copysign(1.0, rail.volts) for name, rail in chassis.rails.items() if abs(rail.volts) > LIVE_V
    }
    for socket, tube in chassis.sockets.items():
        for section in tube.sections:
            pins = (number for e in ("plate", "screen") for number in section.electrodes.get(e, ()))
            points = [f"{socket}.{number}" for number in pins if section.kind in ("triode", "pentode")]
            live |= {point: _sign_of(chassis, point) for point in points}
    nodes = chassis.node_names
    # A plate straight on a node between filter parts is read there as well as at its pin.
    there = {nodes.get(point, point): sign for point, sign in live.items() if point in nodes or not nodes}
    there.pop(GROUND, None)  # the plate of a half that is not in use, and all else that lies on the chassis
    live = {point: there[nodes.get(point, point)] for point in volts if nodes.get(point, point) in there}
    read = list(live)
    if len(read) >= enough_live(len(there)) and all(abs(value) < NOTHING_V for value in volts.values()):
        return [
            f"none of {len(volts)} points reads any volts, {len(read)} of them live when healthy: see where the "
            "black lead sits and prove the meter on a voltage you know; nothing read proves nothing dead"
        ]
    turned = [point for point in read if volts[point] * live[point] < -NOTHING_V]
    if turned:
        return [f"wrong sign at {', '.join(turned[:3])}: are the meter's leads exchanged, or a minus lost?"]
    return _all_the_same(chassis, volts, read) or [
        f"{above[0].point} reads {format_value(above[0].value, 'V')}{_more(len(above) - 1)}, more than {rail} "
        f"that feeds it, {format_value(volts[rail], 'V')}: read in another state of the chassis (mains, standby, "
        f"discharge), or one of them is wrong; read {rail} again"
        for rail, above in below_what_they_feed(chassis, readings).items()
    ]


def _sign_of(chassis: Chassis, point: str) -> float:
    """Sign of the volts of a plate or screen: that of the rails that feed it; 0 where it may be either.

    A tube may stand between the chassis and a negative rail; where no parts tell, it is taken to stand on a
    positive one (common practice, no source).
    """
    if not chassis.parts:
        return 1.0
    signs = {math.copysign(1.0, chassis.rails[rail].volts) for rail in rails_of(chassis, point) or chassis.rails}
    return signs.pop() if len(signs) == 1 else 0.0


def stands_still(chassis: Chassis, volts: Mapping[str, float], live: Sequence[str]) -> bool:
    """Whether a meter reads the same everywhere: at rails and plates what cathodes and grids have.

    Parameters
    ----------
    chassis : Chassis
        The file.
    volts : mapping of str to float
        As read, by point.
    live : sequence of str
        Points among them that are live in a healthy chassis.
    """
    nodes = {chassis.node_names.get(point, point) for point in volts}
    at_rest = [point for point in volts if point in chassis.node_names and not rails_of(chassis, point)]
    if len(nodes) < SAME_NODES or not live or not at_rest:
        return False
    most, least = max(volts.values()), min(volts.values())
    return most - least <= SAME_RATIO * max(abs(most), abs(least))


def _all_the_same(chassis: Chassis, volts: Mapping[str, float], live: Sequence[str]) -> list[str]:
    if not stands_still(chassis, volts, live):
        return []
    most = max(volts.values())
    return [
        f"all {len(volts)} points read {format_value(most, 'V')}, high tension and cathodes alike: does the meter "
        "hold a value, or stand on another function? Prove it on a voltage you know, and read again"
    ]


def read_twice(readings: Sequence[Reading]) -> list[str]:
    """Ask about DC points that read other volts before the last reading of the pass, which is the one that counts.

    Parameters
    ----------
    readings : sequence of Reading
        Of one pass.

    Examples
    --------
    >>> read_twice([Reading(point="V1.8", quantity="dc_v", value=v) for v in (98.2, 71.2)])
    ['V1.8 read 98.2 V before it read 71.2 V, and the last counts: drift, a poor contact or a slip? Read it again']
    """
    by_point: dict[str, list[Reading]] = {}
    for reading in judged_dc(readings):
        by_point.setdefault(reading.point, []).append(reading)
    asked = []
    for point, (*earlier, last) in by_point.items():
        for before in earlier:
            noise = APART_STDS * math.hypot(meter_std(before), meter_std(last))
            if abs(before.value - last.value) > max(noise, APART_SHARE * abs(last.value), AT_REST_V):
                first, then = (format_value(reading.value, "V") for reading in (before, last))
                asked.append(
                    f"{point} read {first} before it read {then}, and the last counts: drift, a poor contact or a"
                    " slip? Read it again"
                )
                break
    return asked


def asked_about(
    chassis: Chassis, model: ChassisModel | None, readings: Sequence[Reading], mains_v: float | None
) -> list[str]:
    """Everything to ask about a pass before its readings are taken for the chassis: lead, meter, mains, heaters,
    and a drawing that contradicts its own file.

    Parameters
    ----------
    chassis : Chassis
        The file.
    model : ChassisModel, optional
        None where the file has no parts.
    readings : sequence of Reading
        Of the pass.
    mains_v : float, optional
        Its mains.
    """
    asked = [
        *mains_asked(chassis, readings, mains_v),
        *slips_of_hand(chassis, readings),
        *read_twice(readings),
    ]
    if model is None:
        return asked
    return [
        *shorts_asked(model, readings),
        *asked,
        *tubes_asked(model, readings, mains_v),
        *bias_asked(model, readings, mains_v),
        *printed_asked(model, readings),
        *ripple_asked(model, readings),
    ]


def _more(count: int) -> str:
    return f" (and {count} more)" if count else ""


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
