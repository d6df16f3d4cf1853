"""Probe settings as the first suspect of a gain that is wrong by ten."""

from __future__ import annotations

FACTORS = (10.0, 0.1, 100.0, 0.01)
WINDOW = 0.2


def probe_question(measured: float, expected: float) -> str:
    """Ask about the probe setting where a gain is wrong by a factor of ten or a hundred.

    Parameters
    ----------
    measured, expected : float
        Magnitudes of the gain, measured and as the model expects it.

    Returns
    -------
    str
        One sentence, or empty where no probe factor explains the difference (within 20 %).

    Examples
    --------
    >>> probe_question(5.5, 56.0)[:56]
    'gain is 0.098 times the expected 56, about 1/10: a probe'
    >>> probe_question(50.0, 56.0)
    ''
    """
    if not (measured > 0 and expected > 0):
        return ""
    ratio = measured / expected
    for factor in FACTORS:
        if abs(ratio / factor - 1.0) <= WINDOW:
            size = round(max(factor, 1.0 / factor))
            about = f"{size}" if factor > 1 else f"1/{size}"
            return (
                f"gain is {ratio:.2g} times the expected {expected:.3g}, about {about}: a probe switch or the "
                f"scope's probe setting is probably wrong by {size}; check both before looking for a fault"
            )
    return ""
