"""What each colour plane of the stack holds: sky, object light, noise, sharpness."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import starmodel, starshape
from fourlight.core.cfa import PLANES
from fourlight.frames import StarList
from fourlight.stages.canvas import bands, some
from fourlight.stages.geometry import FrameTable

__all__ = ["plane_holdings", "with_shares"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

STAR_GROUPS = 8
"""Of stars, from which the error of their width is told."""


def plane_holdings(
    value: Float32, variance: Float32, samples: Float32, stars: StarList, sky: float
) -> dict[str, Any]:
    """Measured numbers of one plane of the stack.

    Parameters
    ----------
    value, variance, samples : (ny, nx) float32
        The plane, its VAR and its effective samples; NaN where no frame covers.
    stars : StarList
        Stars of the reference frame, whose grid the stack has.
    sky : float
        Level of the empty sky, as from `fourlight.stages.empty_sky`; NaN where it is not known.

    Returns
    -------
    dict
        ``sky`` and ``object`` mean level per pixel of the empty sky and of all light above it, ``noise``
        sqrt(VAR) at the median, ``fwhm_px`` of stars as they stand in the stack with its standard error
        ``fwhm_error_px``, ``samples_median``. Numbers are None where they cannot be known.
    """
    mean = _mean(value)
    if mean is None:
        unknown = dict.fromkeys(("sky", "object", "noise", "fwhm_px", "fwhm_error_px"))
        return {**unknown, "samples_median": 0.0}
    known = some(variance)
    usual = float(np.median(known[np.isfinite(known)]))
    if not np.isfinite(sky):
        sky = float(np.nanmedian(some(value)))
    width, error = _width(value, usual, stars)
    return {
        "sky": sky,
        "object": mean - sky,
        "noise": float(np.sqrt(usual)),
        "fwhm_px": width,
        "fwhm_error_px": error,
        "samples_median": float(np.median(some(samples)[np.isfinite(some(value))])),
    }


def _mean(value: Float32) -> float | None:
    """Mean of the finite pixels; None where there are none."""
    total, count = 0.0, 0
    for rows in bands(value.shape):
        finite = np.isfinite(value[rows])
        total += float(np.where(finite, value[rows], np.float32(0)).sum(dtype=np.float64))
        count += int(np.count_nonzero(finite))
    return total / count if count else None


def _width(value: Float32, noise: float, stars: StarList) -> tuple[float | None, float | None]:
    """FWHM of one profile fitted to the bright unsaturated stars of a plane whose usual variance is ``noise``.

    Its standard error comes from leaving out one group of the stars after the other, each with bright and faint ones;
    None where they are too few for groups.
    """
    chosen = np.flatnonzero(~stars.saturated)[:150]
    if len(chosen) < 3:
        return None, None
    typical = float(np.median(stars.fwhm_px[chosen]))
    whole = _fitted(value, noise, stars, chosen, typical)
    if whole is None or len(chosen) < 2 * STAR_GROUPS:
        return whole, None
    group = np.arange(len(chosen)) % STAR_GROUPS
    less = [_fitted(value, noise, stars, chosen[group != k], typical) for k in range(STAR_GROUPS)]
    known = [width for width in less if width is not None]
    if len(known) < STAR_GROUPS:
        return whole, None
    return whole, float(np.sqrt((STAR_GROUPS - 1) * np.var(known)))


def _fitted(value: Float32, noise: float, stars: StarList, chosen: Int64, typical: float) -> float | None:
    """FWHM of the profile of some stars; None where the fit does not settle."""
    shape = starmodel.moffat_shape(typical)
    # All pixels of a plane of the stack belong to the one plane.
    found, fine = starshape.plane_shape(
        value, np.zeros((2, 2), dtype=np.int64), 0, noise, 0.0, stars.x[chosen], stars.y[chosen],
        np.array([shape, 0.0, shape]), int(np.clip(np.ceil(2.2 * typical), 4, 24)),
    )  # fmt: skip
    return float(starmodel.moffat_fwhm(*found[:3])[0]) if fine else None


def with_shares(
    planes: dict[str, dict[str, Any]], table: FrameTable, *, pedestal_known: bool
) -> dict[str, dict[str, Any]]:
    """Add each mosaic plane's share of all electrons and of the electrons above the sky, both of all lights together.

    The stack has the sky of the reference. What was counted in a light is the stack through the light's own
    transparency, and what its sky has more. Each of R, G1, G2, B has as many samples on a sensor as the others. With
    an unknown pedestal the sky level holds it too and the share of all electrons is not given.

    Parameters
    ----------
    planes : dict
        From `plane_holdings`, by plane.
    table : FrameTable
        Of the lights of the stack.
    pedestal_known : bool
    """
    names = [name for name in PLANES if name in planes]
    for key, known in (("share_of_electrons", pedestal_known), ("share_of_object_electrons", True)):
        level = {name: _counted(planes[name], PLANES.index(name), key, table) for name in names}
        total = sum(value for value in level.values() if value is not None)
        usable = known and total > 0 and all(value is not None and value >= 0 for value in level.values())
        for name in names:
            value = level[name]
            planes[name][key] = value / total if usable and value is not None else None
    return planes


def _counted(plane: dict[str, Any], k: int, key: str, table: FrameTable) -> float | None:
    """Light that all lights have in one plane, above the sky or with it; None where it is not known."""
    sky, light = plane["sky"], plane["object"]
    if sky is None or light is None:
        return None
    samples, seen = table.size.prod(axis=1), table.scale[:, k] * table.zoom**2
    if key == "share_of_object_electrons":
        return float((samples * seen * light).sum())
    return float((samples * (seen * (light + sky) + table.sky_more[:, k])).sum())
