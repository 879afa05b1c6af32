"""Partial pooling: effects of a whole and of its groups, estimated together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from app.training.records import Floats


def partial_pool(
    prior_mean: Floats, prior_precision: Floats, moments: Sequence[Floats], places: Sequence[Floats]
) -> tuple[Floats, Floats]:
    """Henderson's mixed model equations [1]_.

    Parameters
    ----------
    prior_mean : ndarray, shape (p,)
    prior_precision : ndarray, shape (p, p)
        Zero where nothing is known beforehand.
    moments : sequence of ndarray, shape (k + 1, k + 1)
        Of each group: Z'WZ of the group's observations and design, Z = [y X], W the weights.
    places : sequence of ndarray, shape (k, p)
        Which effects make up each group's coefficients.

    Returns
    -------
    mean : ndarray, shape (p,)
        Estimates of fixed and predictions of random effects.
    covariance : ndarray, shape (p, p)

    Raises
    ------
    LinAlgError
        If neither prior nor observations say anything about some effect.

    References
    ----------
    .. [1] Henderson CR (1975) Biometrics 31(2):423-447.
    """
    information, score = prior_precision.copy(), prior_precision @ prior_mean
    for moment, place in zip(moments, places, strict=True):
        information += place.T @ moment[1:, 1:] @ place
        score += place.T @ moment[1:, 0]
    covariance = np.asarray(np.linalg.inv(information), dtype=float)
    return covariance @ score, covariance
