"""Probes and channels as the first suspects of a gain that is wrong by ten, upside down or half a turn off."""

from __future__ import annotations

import cmath
import math

FACTORS = (10.0, 0.1, 100.0, 0.01)
WINDOW = 0.2

HALF_TURN_WITHIN_DEG, UNLIKE = 20.0, 2.0
"""How near half a turn the phase must be off, and how far (factor) a gain must be from one for its inverse to be
another gain. Common practice, no source."""

ONE_POINT = 0.1
"""How near to 1 a gain is that both probes show of one point: their scales and divisions differ by no more."""


def probe_question(measured: complex, expected: complex) -> str:
    """Ask about probes and channels where they explain what is wrong with a gain.

    Parameters
    ----------
    measured, expected : complex
        Gain, measured and as the model expects it.

    Returns
    -------
    str
        One sentence, or empty where neither a probe factor (within 20 %), nor exchanged probes, nor two records of
        one point, nor an inverted channel explains the difference.

    Examples
    --------
    >>> probe_question(5.5, 56.0)[:56]
    'gain is 0.098 times the expected 56, about 1/10: a probe'
    >>> probe_question(50.0, 56.0)
    ''
    """
    size, due = abs(measured), abs(expected)
    if not (size > 0 and due > 0):
        return ""
    ratio = size / due
    near = [factor for factor in FACTORS if abs(ratio / factor - 1.0) <= WINDOW]
    is_unlike = abs(math.log(due)) > math.log(UNLIKE)
    turned = abs(size * due - 1.0) <= WINDOW and is_unlike
    if turned and not set(near) & {10.0, 0.1}:  # one switch is likelier than two leads, two switches are not
        return (
            f"gain is {size:.3g}, 1/{1.0 / size:.3g}, where {due:.3g} is expected: the two probes are probably "
            "exchanged; look before looking for a fault"
        )
    if abs(measured - 1.0) <= ONE_POINT and is_unlike and (expected.real < 0 or not near):
        return (
            f"gain is {size:.3g} and in phase, where {due:.3g} is expected: both records are probably of one "
            "point; look where the probes are before looking for a fault"
        )
    if near:
        times = round(max(near[0], 1.0 / near[0]))
        about = f"{times}" if near[0] > 1 else f"1/{times}"
        return (
            f"gain is {ratio:.2g} times the expected {due:.3g}, about {about}: a probe switch or the "
            f"scope's probe setting is probably wrong by {times}; check both before looking for a fault"
        )
    apart = abs(math.degrees(cmath.phase(-measured / expected)))
    if abs(ratio - 1.0) <= WINDOW and apart <= HALF_TURN_WITHIN_DEG:
        return (
            "phase is half a turn from the expected, at the expected gain: a channel of the scope is probably "
            "inverted; look at the menus of both before looking for a fault"
        )
    return ""
