"""What of a change to an image its two halves agree on, from place to place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.starlet import smooth_step

__all__ = ["REACH", "agreed_share", "kept"]

Float32 = npt.NDArray[np.float32]

NEAR_STEPS = 2
"""Smoothing steps of the powers that are compared: means over about five pixels, as wide as stars."""
WIDE_STEPS = 4
"""Smoothing steps of the light that is missing: means over about twenty pixels, as wide as what a star changes."""
REACH = 2 * (2**WIDE_STEPS - 1)
"""Pixels around a place that shape what is kept there."""
DOUBT = 2.0
"""Times what the halves differ by that is taken for noise, so that of noise hardly anything is kept."""


def agreed_share(first: Float32, second: Float32) -> Float32:
    """Share of a change on which two halves agree, 0 to 1, smooth.

    With c the mean of the halves' changes and d half their difference it is ``max(0, 1 - 2 <d^2> / <c^2>)`` with local
    means over a star's width: <c^2> holds signal and noise, <d^2> noise alone. Means of <c^2> over three pixels bound
    it too, as faint flanks are not the bright middle; then it is smoothed once more.

    Parameters
    ----------
    first, second : (ny, nx) float32
        Changes of two halves of independent noise, finite.
    """
    own, noise = np.square((first + second) / 2), np.square((first - second) / 2)
    near, level = _smooth(own, 1), _smooth(noise, NEAR_STEPS)
    own = np.minimum(_smooth(own, NEAR_STEPS), near)
    share = np.clip(1 - np.float32(DOUBT) * level / np.maximum(own, np.float32(1e-30)), 0, 1)
    return _smooth(share.astype(np.float32), NEAR_STEPS)


def kept(change: Float32, share: Float32) -> Float32:
    """A share of a change that adds no light, (ny, nx) float32.

    Faint flanks of a change fall to the noise before its bright middle does, and taking light from them is what the
    middle's light is made of. What they do not give comes evenly from where the change is kept.
    """
    made = share * change
    missing = _smooth(change - made, WIDE_STEPS)
    missing /= np.maximum(_smooth(share, WIDE_STEPS), np.float32(1e-6))
    missing *= share
    made += missing
    return made


def _smooth(image: Float32, steps: int) -> Float32:
    for step in range(steps):
        image = smooth_step(image, step)
    return image
