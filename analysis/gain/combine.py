"""Several results of one stage made into a better one: repeats averaged, probes exchanged."""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquisition.errors import FitFailed

from .result import SCALES, Gain, NoisePart, times

_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")

CHANNELS_DIFFER = 0.2
"""Further apart than this, as a ratio, no two channels and probes are that work (common practice, no source)."""


def averaged(gains: Sequence[Gain]) -> Gain:
    """Mean of repeated results of one stage at one frequency, each weighted alike.

    Parameters
    ----------
    gains : sequence of Gain
        Same points, same set-up, at least one. The complex gain is averaged, not the waveform: trigger jitter,
        which would shrink a mean waveform, cancels in it.

    Returns
    -------
    Gain
        The noise falls with the number, the fixed part does not. From four results on, the scatter itself is used
        where it is clearly larger than the fits say: then something else wanders too.
    """
    first, count = gains[0], len(gains)
    if count == 1 or not any(g.gain for g in gains):
        return first  # what less than a step of the converter hides does not average away
    values = np.array([[g.gain.real, g.gain.imag] for g in gains])
    mean = values.mean(axis=0)
    # What limits any of them limits the mean; of notes that differ in their numbers alone the first is enough.
    told: dict[str, str] = {}
    for note in (note for one in gains for note in one.notes):
        told.setdefault(_NUMBER.sub("#", note), note)
    notes = list(told.values())
    noise = tuple(
        NoisePart(
            name=parts[0].name,
            covariance=sum((part.covariance for part in parts), np.zeros((2, 2))) / count**2,
            dof=sum(part.dof for part in parts),
        )
        for parts in zip(*(g.noise for g in gains), strict=True)
    )
    if count >= 4:
        scatter = np.cov(values.T) / count
        expected = sum(float(np.trace(part.covariance)) for part in noise)
        # The trace of a scatter of n results varies by about 1 / sqrt(n - 1): only a clear excess counts.
        if np.trace(scatter) > expected * (1.0 + 3.0 / math.sqrt(count - 1)):
            noise = (NoisePart(name="scatter of repeats", covariance=scatter, dof=float(count - 1)),)
            notes.append("repeats scatter more than the noise of one record explains")
    return replace(
        first,
        gain=complex(mean[0], mean[1]),
        noise=noise,
        in_pp_v=float(np.mean([g.in_pp_v for g in gains])),
        out_pp_v=float(np.mean([g.out_pp_v for g in gains])),
        in_extremes_v=float(np.mean([g.in_extremes_v for g in gains])),
        out_extremes_v=float(np.mean([g.out_extremes_v for g in gains])),
        method=f"{first.method}, mean of {count}",
        notes=tuple(notes),
    )


def swapped(straight: Gain, exchanged: Gain) -> Gain:
    """Gain from two results with the probes exchanged: mismatch of channels and probes cancels.

    Parameters
    ----------
    straight, exchanged : Gain
        The same stage at the same frequency, the second with channel and probe of input and output exchanged.

    Returns
    -------
    Gain
        ``sqrt(H12 * H21)`` with the sign nearest to the first. Probes and channels cancel. Where input and output
        need different ranges, half the error of each of the four scales remains, because a channel's error may
        differ from range to range.

    Raises
    ------
    ValueError
        The results are not of one stage and frequency.
    FitFailed
        One of them is zero, or the second is the inverse of the first: the probes stayed where they were.
    """
    if straight.point != exchanged.point or abs(straight.freq_hz / exchanged.freq_hz - 1.0) > 1e-3:
        raise ValueError("the two results must be of the same stage and frequency")
    if not (straight.gain and exchanged.gain):
        raise FitFailed(
            f"{straight.point}: no output, so exchanging the probes does not help",
            hint="measure without --swap, and look at the stage",
            reason="no output",
        )
    mismatch = cmath.sqrt(straight.gain / exchanged.gain)
    mismatch = mismatch if mismatch.real >= 0 else -mismatch
    is_inverse = abs(straight.gain * exchanged.gain - 1.0) < CHANNELS_DIFFER
    if is_inverse and abs(mismatch - 1.0) > CHANNELS_DIFFER:
        raise FitFailed(
            f"{straight.point}: a gain of {straight.magnitude:.3g}, then its inverse, {exchanged.magnitude:.3g}: "
            "the probes were probably not exchanged",
            hint="measure again, and exchange them when asked; at a stage of gain 1 look at the probes' switches",
            reason="probes not exchanged",
        )
    value = straight.gain / mismatch
    # d sqrt(ab) = sqrt(ab) / 2 (da / a + db / b)
    noise = tuple(
        NoisePart(name=f"{part.name}, {label}", covariance=turn @ part.covariance @ turn.T, dof=part.dof)
        for label, result in (("straight", straight), ("exchanged", exchanged))
        for turn in [times(value / (2.0 * result.gain))]
        for part in result.noise
    )
    left = {item.name: item for item in straight.fixed if item.name.startswith("coarse")}
    if not math.isclose(straight.in_range[1], straight.out_range[1], rel_tol=1e-6):
        for item in straight.fixed:
            if item.name in SCALES[:2]:
                left[item.name] = replace(item, std=item.std / math.sqrt(2.0))
    return replace(
        straight,
        gain=value,
        noise=noise,
        fixed=tuple(left.values()),
        shared={},
        method="probes exchanged, geometric mean",
        notes=(
            *straight.notes,
            f"channels and probes differ by {100 * (abs(mismatch) - 1):+.2f} % and "
            f"{math.degrees(cmath.phase(mismatch)):+.2f} deg; cancelled",
        ),
    )
