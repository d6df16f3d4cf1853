"""The linear algebra of the sine fit: one least-squares step, and the steps that find a frequency."""

from __future__ import annotations

import math

import numpy as np

from acquisition.errors import FitFailed

_TURNS = 25

BESIDE = np.array([-2.0, -1.0, 1.0, 2.0])
"""Places next to a harmonic, in line spacings of the record: whole ones, where the fit has taken nothing away and a
slow wave spills over as much as at the harmonic itself."""


def _design(times: np.ndarray, omega: float, harmonics: int, drift: bool, length: float) -> np.ndarray:
    rows = np.empty((2 * harmonics + 1 + int(drift), times.size))
    first = np.exp(1j * omega * times)
    turn = first
    for order in range(harmonics):
        rows[2 * order] = turn.real
        rows[2 * order + 1] = turn.imag
        if order + 1 < harmonics:
            turn = turn * first
    rows[2 * harmonics] = 1.0
    if drift:
        rows[2 * harmonics + 1] = times / length
    return rows


def solve(
    y: np.ndarray,
    times: np.ndarray,
    omega: float,
    harmonics: int,
    drift: bool,
    length: float,
    about: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least squares at one frequency, or one Gauss-Newton step that frees it.

    Parameters
    ----------
    y, times : ndarray, shape (N,)
        Samples in volts and their times in seconds, zero at the centre of the record.
    omega : float
        Angular frequency, radians per second.
    harmonics : int
        Multiples fitted together.
    drift : bool
        Add a column for a straight drift.
    length : float
        Length of the record in seconds, the unit of time inside the matrix.
    about : ndarray or None
        A solution at this frequency; then the last unknown is the step of the frequency times ``length``.

    Returns
    -------
    solution : ndarray, shape (P,)
        Cosine and sine of each harmonic, offset, then drift over the record and frequency step where asked.
    inverse : ndarray, shape (P, P)
        Inverse of the normal matrix: times the variance of one sample it is the covariance.
    rest : ndarray, shape (N,)
        What the fit leaves of each sample.

    Raises
    ------
    FitFailed
        The samples do not determine the unknowns.
    """
    rows = _design(times, omega, harmonics, drift, length)
    if about is not None:
        # Derivative of the wave with respect to w, times 1/length so that all columns are of one size.
        orders = np.arange(1, harmonics + 1)
        cosine, sine = about[: 2 * harmonics : 2] * orders, about[1 : 2 * harmonics : 2] * orders
        slope = sine @ rows[: 2 * harmonics : 2] - cosine @ rows[1 : 2 * harmonics : 2]
        rows = np.vstack([rows, slope * (times / length)])
    normal = rows @ rows.T
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0):
        raise FitFailed("the record is constant: nothing to fit", reason="no signal")
    scaled = normal / np.outer(scale, scale)
    if np.linalg.cond(scaled) > 1e10:
        raise FitFailed(
            "offset, sine and harmonics cannot be told apart in this record",
            hint="capture 5 to 20 periods with at least 50 samples a period",
            reason="samples do not determine the sine",
        )
    inverse = np.linalg.inv(scaled) / np.outer(scale, scale)
    solution = inverse @ (rows @ y)
    return solution, inverse, y - solution @ rows


def iterate(
    y: np.ndarray,
    times: np.ndarray,
    omega: float,
    harmonics: int,
    drift: bool,
    length: float,
    solution: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Gauss-Newton steps until the frequency stands still.

    Parameters
    ----------
    y, times, omega, harmonics, drift, length
        As `solve`; ``omega`` is the start.
    solution : ndarray
        Solution at the start.

    Returns
    -------
    solution, inverse, rest
        As `solve`, the frequency step last.
    omega : float
        Angular frequency found.

    Raises
    ------
    FitFailed
        It does not come to rest within a line spacing of the start.
    """
    start = omega
    inverse = np.empty((0, 0))
    for _ in range(_TURNS):
        extended, inverse, rest = solve(y, times, omega, harmonics, drift, length, solution)
        solution, step = extended[:-1], float(extended[-1]) / length
        omega += step
        # A start further off than about a line spacing leads to a side lobe: better no answer than that one.
        if not abs(omega - start) * length < 2.0 * math.pi:
            break
        if abs(step) * length < 1e-10 * max(1.0, omega * length):
            return extended, inverse, rest, omega
    raise FitFailed(
        f"no frequency found near {start / (2.0 * math.pi):g} Hz",
        hint="check the generator frequency, and that there is a signal",
        reason="frequency did not converge",
    )


def beside(rest: np.ndarray, times: np.ndarray, omega: float, harmonics: int, length: float) -> np.ndarray:
    """Variance of noise that would be as strong at all frequencies as it is next to each harmonic.

    Parameters
    ----------
    rest, times, omega, harmonics, length
        As `solve`, which gives ``rest``.

    Returns
    -------
    ndarray, shape (H,)
        Volts squared a sample, from the four places `BESIDE` the harmonic: hum or a glitch that spills over into it
        spills over into these as well, and noise that falls with the frequency is as strong there.
    """
    aside = np.exp(2j * math.pi / length * np.outer(BESIDE, times)) * rest
    first = np.exp(-1j * omega * times)
    found, turn = np.empty(harmonics), first
    for order in range(harmonics):
        found[order] = np.mean(np.abs(aside @ turn) ** 2) / rest.size
        turn = turn * first
    return found
