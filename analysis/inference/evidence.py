"""Evidence of one hypothesis from readings that depend nearly linearly on many unknown, normal quantities.

``y = f(q) + e`` with ``q ~ N(0, 1)`` (parts, tubes, severity, shared errors, each in units of its own spread) and
``e`` Student-t of known scale, so that one reading that nothing explains cannot overrule all the others. The
posterior of ``q`` is found by iteratively reweighted Gauss-Newton steps; the evidence is Laplace's approximation.
Everything is batched over C hypotheses.

References: D. MacKay, Information Theory, Inference and Learning Algorithms, 2003, ch. 27 (Laplace), ch. 28 (Occam
factor); K. Lange, R. Little, J. Taylor, J. Am. Stat. Assoc. 84 (1989) 881 (Student-t weights). From memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log, pi

import numpy as np

FREEDOM = 5.0
"""Degrees of freedom of the Student-t: common practice for robust regression is 3 to 8."""

STEADY_FREEDOM = 8.0
"""The same for DC readings, which a steady meter takes and the model knows best."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Most probable unknowns of C hypotheses.

    Parameters
    ----------
    unknowns : ndarray, shape (C, Q)
        In units of their prior standard deviation.
    weights : ndarray, shape (C, M)
        Precision given to each reading.
    """

    unknowns: np.ndarray
    weights: np.ndarray


def freedom_of(quantities: np.ndarray) -> np.ndarray:
    """Degrees of freedom of each reading's error, shape (M,).

    Parameters
    ----------
    quantities : ndarray of str, shape (M,)
        What each reading is.
    """
    return np.where(quantities == "dc_v", STEADY_FREEDOM, FREEDOM)


def log_student(residual: np.ndarray, scale: np.ndarray, freedom: np.ndarray) -> np.ndarray:
    """Logarithm of the Student-t density, summed over the last axis.

    Parameters
    ----------
    residual, scale : ndarray, shape (..., M)
        Difference and its scale, in the compared variable.
    freedom : ndarray, shape (M,)
        Degrees of freedom.
    """
    known = {nu: lgamma((nu + 1) / 2) - lgamma(nu / 2) - 0.5 * log(nu * pi) for nu in set(freedom.tolist())}
    constant = np.array([known[nu] for nu in freedom.tolist()])
    shape = -(freedom + 1) / 2 * np.log1p((residual / scale) ** 2 / freedom)
    return np.asarray((shape - np.log(scale) + constant).sum(axis=-1))


def fit(
    target: np.ndarray,
    slopes: np.ndarray,
    scale: np.ndarray,
    freedom: np.ndarray,
    rounds: int = 4,
    residual: np.ndarray | None = None,
) -> Fit:
    """Most probable unknowns of ``target = slopes @ q + e``.

    Parameters
    ----------
    target : ndarray, shape (C, M)
        Readings less the constant part of the prediction.
    slopes : ndarray, shape (C, M, Q)
        Derivative of the prediction by each unknown.
    scale : ndarray, shape (C, M)
        Scale of the Student-t.
    freedom : ndarray, shape (M,)
        Degrees of freedom.
    rounds : int
        Reweighting rounds.
    residual : ndarray, shape (C, M), optional
        What is left where the search stands: its weights open the rounds, and then no round can make the fit worse.
        Without it the first round takes all readings as normal.
    """
    weights = 1.0 / scale**2
    unknowns = np.zeros((target.shape[0], slopes.shape[2]))
    for index in range(rounds):
        if index:
            residual = target - np.einsum("cmq,cq->cm", slopes, unknowns)
        if residual is not None:
            weights = (freedom + 1) / (freedom + (residual / scale) ** 2) / scale**2
        unknowns = _solve(target, slopes, weights)
    return Fit(unknowns=unknowns, weights=weights)


def _solve(target: np.ndarray, slopes: np.ndarray, weights: np.ndarray) -> np.ndarray:
    _, readings, unknowns = slopes.shape
    if readings < unknowns:  # the smaller of the two equal systems
        gram = slopes @ slopes.transpose(0, 2, 1)
        gram[:, np.arange(readings), np.arange(readings)] += 1.0 / weights
        return (slopes.transpose(0, 2, 1) @ np.linalg.solve(gram, target[..., None]))[..., 0]
    weighted = slopes * weights[..., None]
    normal = slopes.transpose(0, 2, 1) @ weighted
    normal[:, np.arange(unknowns), np.arange(unknowns)] += 1.0
    result: np.ndarray = np.linalg.solve(normal, (weighted.transpose(0, 2, 1) @ target[..., None]))[..., 0]
    return result


def log_determinant(slopes: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Logarithm of ``det(I + J' W J)``, the Occam factor, shape (C,).

    Parameters
    ----------
    slopes : ndarray, shape (C, M, Q)
        J.
    weights : ndarray, shape (C, M)
        Diagonal of W.
    """
    scaled = slopes * np.sqrt(weights)[..., None]
    _, readings, unknowns = slopes.shape
    gram = scaled @ scaled.transpose(0, 2, 1) if readings < unknowns else scaled.transpose(0, 2, 1) @ scaled
    size = gram.shape[1]
    gram[:, np.arange(size), np.arange(size)] += 1.0
    return np.asarray(np.linalg.slogdet(gram)[1])


def posterior_covariance(slopes: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Covariance of the unknowns, ``(I + J' W J)^-1``, shape (C, Q, Q).

    Parameters
    ----------
    slopes : ndarray, shape (C, M, Q)
        J.
    weights : ndarray, shape (C, M)
        Diagonal of W.
    """
    _, readings, unknowns = slopes.shape
    if readings < unknowns:  # the smaller of the two equal systems
        gram = slopes @ slopes.transpose(0, 2, 1)
        gram[:, np.arange(readings), np.arange(readings)] += 1.0 / weights
        return np.asarray(np.eye(unknowns) - slopes.transpose(0, 2, 1) @ np.linalg.solve(gram, slopes))
    normal = slopes.transpose(0, 2, 1) @ (slopes * weights[..., None])
    normal[:, np.arange(unknowns), np.arange(unknowns)] += 1.0
    return np.asarray(np.linalg.inv(normal))


def log_evidence(
    residual: np.ndarray, scale: np.ndarray, freedom: np.ndarray, slopes: np.ndarray, found: Fit
) -> np.ndarray:
    """Laplace's approximation of ``log p(readings | hypothesis)``, shape (C,).

    Parameters
    ----------
    residual : ndarray, shape (C, M)
        Readings less the prediction at the most probable unknowns.
    scale : ndarray, shape (C, M)
        Scale of the Student-t.
    freedom : ndarray, shape (M,)
        Degrees of freedom.
    slopes : ndarray, shape (C, M, Q)
        Derivatives there.
    found : Fit
        The most probable unknowns.
    """
    prior = -0.5 * (found.unknowns**2).sum(axis=1)
    return np.asarray(log_student(residual, scale, freedom) + prior - 0.5 * log_determinant(slopes, found.weights))
