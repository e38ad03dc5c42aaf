"""What the sky of the reference light is off by, which is in all lights of a stack.

A smooth sky is taken off each light so that it is that of the reference, whose stars tell its transparency. How far
this is off in a region is seen from light to light, beyond what their photons scatter by. The reference is off as well,
and all others with it, so that no light left out shows it: by as much as another light, since nothing tells it from
them. Of stars nothing is told by that: they differ from light to light by seeing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["beyond_photons", "of_reference"]

Float64 = npt.NDArray[np.float64]


def of_reference(away: Float64, weight: Float64, of_sky: Float64) -> Float64:
    """(r, 4, 4) covariance of the light of regions by how the sky of the reference light is off.

    Parameters
    ----------
    away : (f, 4, r) float64
        What each light shows more than the stack in each region over the sky; NaN where it does not cover it.
    weight : (f, 4, r) float64
        Samples over their variance.
    of_sky : (f, 4, 1) float64
        The same of the sky.
    """
    with np.errstate(divide="ignore"):
        photons = 1 / weight + 1 / of_sky
    known = np.isfinite(away + photons).all(axis=1)
    out = np.zeros((away.shape[2], 4, 4))
    for r in range(away.shape[2]):
        use = np.flatnonzero(np.asarray(known)[:, r])
        if use.size > 1:
            out[r] = beyond_photons(away[use][:, :, r], photons[use][:, :, r])
    return out


def beyond_photons(off: Float64, photons: Float64) -> Float64:
    """(4, 4) covariance of what lights (f, 4) are off by, each plane alone and all alike, beyond their photons (f, 4).

    Of all planes together, in units of their photons: a variance is known to half of what one plane alone would tell.
    """
    noise = np.sqrt(photons.mean(axis=0))
    seen = np.cov(off.T / noise[:, None])
    alike = (seen.sum() - np.trace(seen)) / 12
    own = max(np.trace(seen) / 4 - 1 - max(alike, 0.0), 0.0)
    return np.asarray(np.outer(noise, noise) * (own * np.eye(4) + max(alike, 0.0)))
