"""Partial pooling: effects of a whole and of its groups, estimated together."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from app.training.records import Floats


def partial_pool(
    prior_mean: Floats, prior_precision: Floats, moments: ArrayLike, places: ArrayLike
) -> tuple[Floats, Floats]:
    """Henderson's mixed model equations [1]_.

    Parameters
    ----------
    prior_mean : ndarray, shape (p,)
    prior_precision : ndarray, shape (p, p)
        Zero where nothing is known beforehand.
    moments : array_like, shape (g, k + 1, k + 1)
        Of each of g groups: Z'WZ of the group's observations and design, Z = [y X], W the weights.
    places : array_like, shape (g, k, p)
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
    of_group, place = np.asarray(moments), np.asarray(places)
    to_all = np.swapaxes(place, 1, 2)
    information = prior_precision + (to_all @ of_group[:, 1:, 1:] @ place).sum(axis=0)
    score = prior_precision @ prior_mean + (to_all @ of_group[:, 1:, :1]).sum(axis=(0, 2))
    covariance = np.asarray(np.linalg.inv(information), dtype=float)
    return covariance @ score, covariance
