"""What each colour plane of the stack holds: sky, object light, noise, sharpness."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import starmodel, starshape
from fourlight.frames import StarList
from fourlight.stages.canvas import bands, some

__all__ = ["plane_holdings", "with_shares"]

Float32 = npt.NDArray[np.float32]


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
        sqrt(VAR) at the median, ``fwhm_px``, ``samples_median``. Numbers are None where they cannot be known.
    """
    mean = _mean(value)
    if mean is None:
        return {"sky": None, "object": None, "noise": None, "fwhm_px": None, "samples_median": 0.0}
    known = some(variance)
    usual = float(np.median(known[np.isfinite(known)]))
    if not np.isfinite(sky):
        sky = float(np.nanmedian(some(value)))
    return {
        "sky": sky,
        "object": mean - sky,
        "noise": float(np.sqrt(usual)),
        "fwhm_px": _width(value, usual, stars),
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


def _width(value: Float32, noise: float, stars: StarList) -> float | None:
    """FWHM of one profile fitted to the bright unsaturated stars of a plane whose usual variance is ``noise``."""
    chosen = np.flatnonzero(~stars.saturated)[:150]
    if len(chosen) < 3:
        return None
    typical = float(np.median(stars.fwhm_px[chosen]))
    shape = starmodel.moffat_shape(typical)
    # All pixels of a plane of the stack belong to the one plane.
    found, fine = starshape.plane_shape(
        value, np.zeros((2, 2), dtype=np.int64), 0, noise, 0.0, stars.x[chosen], stars.y[chosen],
        np.array([shape, 0.0, shape]), int(np.clip(np.ceil(2.2 * typical), 4, 24)),
    )  # fmt: skip
    return float(starmodel.moffat_fwhm(*found[:3])[0]) if fine else None


def with_shares(planes: dict[str, dict[str, Any]], *, pedestal_known: bool) -> dict[str, dict[str, Any]]:
    """Add each mosaic plane's share of all electrons and of the electrons above the sky.

    Each of R, G1, G2, B has the same number of samples on the sensor, so mean levels compare directly. With an
    unknown pedestal the sky level holds it too and the share of all electrons is not given.
    """
    names = [name for name in ("R", "G1", "G2", "B") if name in planes]
    for key, known in (("share_of_electrons", pedestal_known), ("share_of_object_electrons", True)):
        level = {name: _light(planes[name], key) for name in names}
        total = sum(value for value in level.values() if value is not None)
        usable = known and total > 0 and all(value is not None and value >= 0 for value in level.values())
        for name in names:
            value = level[name]
            planes[name][key] = value / total if usable and value is not None else None
    return planes


def _light(plane: dict[str, Any], key: str) -> float | None:
    sky, light = plane["sky"], plane["object"]
    if sky is None or light is None:
        return None
    return float(light) if key == "share_of_object_electrons" else float(light + sky)
