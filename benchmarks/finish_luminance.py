"""Signal-to-noise ratio of the brightness that a picture has, over the best that the true light allows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from finish_sets import COLOURS, Set

from fourlight.recipe import Finish
from fourlight.stages.finish import finish
from fourlight.stages.picture_parts import Source
from fourlight.stages.way import misfit

__all__ = ["luminance"]

Float64 = npt.NDArray[np.float64]

LIT = 1.0
"""Best signal-to-noise ratio of a pixel from which it belongs to the object."""
FEWEST = 0.01
"""Share of the pixels that an object has at least."""


def luminance(known: Set) -> list[str]:
    """Share of R, G and B, and the ratio over the best for the median light of the object, and pixel by pixel.

    Fixed shares cannot be the best ones for light of every colour: of the pixels the tenth is told below which the
    lowest lie.
    """
    source = Source(known.planes, known.variances, known.halves, known.stars, misfit(known.method), None)
    settings = Finish.model_validate({"denoise": {"use": False}, "sharpen": {"use": False}})
    picture = finish(source, settings)
    weights = picture.weights * np.array(picture.facts["colour"]["gains"])
    light = np.array([known.glow[c] for c in COLOURS], dtype=np.float64)
    noise = np.array([known.variances[c] for c in COLOURS], dtype=np.float64)
    best = np.sqrt((light**2 / noise).sum(axis=0))
    lit = (best > LIT) & np.isfinite(noise).all(axis=0)
    shares = " ".join(f"{100 * share:.0f}" for share in picture.weights)
    if lit.mean() < FEWEST:
        return [shares, "no object", "no object"]
    each = _ratio(weights, light[:, lit], noise[:, lit])
    middle = [np.median(part[:, lit], axis=1)[:, None] for part in (light, noise)]
    return [shares, f"{_ratio(weights, *middle)[0]:.3f}", f"{np.quantile(each, 0.1):.3f}"]


def _ratio(weights: Float64, light: Float64, noise: Float64) -> Float64:
    """(n,) signal-to-noise ratio over the best, of light and variance (3, n)."""
    mixed = np.asarray((weights @ light) / np.sqrt(weights**2 @ noise))
    return mixed / np.sqrt((light**2 / noise).sum(axis=0))
