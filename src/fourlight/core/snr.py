"""Signal over noise of counted light, and how long a sub must be for its read noise not to matter.

All of it is for electrons: variance of light is its mean, read noise adds its square with every sub.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["ccd_snr", "information", "line_errors", "loss_factor", "normal_matrix", "peak_share", "read_loss",
           "sub_seconds", "told_errors"]  # fmt: skip

Float64 = npt.NDArray[np.float64]

ROUNDING = 1.0 / math.sqrt(12.0)
"""Noise of rounding to whole ADU, in ADU."""
WORST = 1e10
"""Condition of a matrix from which kinds of light look the same."""
HIDDEN = 1e-6
"""Part of a kind of light in what cannot be told, above which it is none that can."""


def ccd_snr(
    source_e: float, sky_e: float, dark_e: float, read_noise_e: float, pixels: float,
    *, gain_e_per_adu: float = 0.0, sky_pixels: float = math.inf,
) -> float:  # fmt: skip
    """Signal over noise of a source in one exposure.

    N / sqrt(N + n (1 + n / n_B) (S + D + R^2 + (g / sqrt 12)^2)), Merline & Howell 1995; Howell 2006, eq. 4.5.

    Parameters
    ----------
    source_e : float
        Electrons of the source, all pixels together.
    sky_e, dark_e : float
        Electrons of a pixel.
    read_noise_e : float
    pixels : float
        How many hold the source.
    gain_e_per_adu : float
        For the noise of rounding; 0 leaves it out.
    sky_pixels : float
        From how many the sky was measured; infinite: the sky is known.

    Examples
    --------
    Howell 2006, chapter 4: 300 s, 5 electrons per ADU, read noise 5, dark 22 per pixel and hour, a star of 24 013 ADU
    on a sky of 620 ADU in one pixel, the sky from 200: 342.

    >>> round(ccd_snr(24013 * 5, 620 * 5, 22 / 12, 5.0, 1, gain_e_per_adu=5.0, sky_pixels=200))
    342
    """
    each = sky_e + dark_e + read_noise_e**2 + (gain_e_per_adu * ROUNDING) ** 2
    variance = source_e + pixels * (1.0 + pixels / sky_pixels) * each
    return source_e / math.sqrt(variance) if variance > 0 else 0.0


def loss_factor(loss: float) -> float:
    """What sky over read noise squared must be for noise to be larger by ``loss`` than without read noise, inverted.

    1 / ((1 + loss)^2 - 1), from the variances of sky and reading alone at the same time in all.

    >>> round(loss_factor(0.05), 3), round(loss_factor(0.1), 3), round(loss_factor(0.01), 2)
    (9.756, 4.762, 49.75)
    """
    return 1.0 / ((1.0 + loss) ** 2 - 1.0)


def sub_seconds(read_variance_e2: npt.ArrayLike, rate_e_s: npt.ArrayLike, loss: float) -> Float64:
    """Length of a sub at which reading makes noise larger by ``loss``, seconds; infinite where no light comes.

    >>> sub_seconds(2.25, [0.5, 0.0], 0.05).round(2).tolist()
    [43.9, inf]
    """
    variance, rate = np.broadcast_arrays(
        np.asarray(read_variance_e2, dtype=np.float64), np.asarray(rate_e_s, dtype=np.float64)
    )
    out = np.full(rate.shape, np.inf)
    np.divide(variance * loss_factor(loss), rate, out=out, where=rate > 0)
    return out


def read_loss(read_variance_e2: npt.ArrayLike, rate_e_s: npt.ArrayLike, sub_s: npt.ArrayLike) -> Float64:
    """By how much reading makes noise larger at a length of subs, as a part; the inverse of `sub_seconds`."""
    sky = np.asarray(rate_e_s, dtype=np.float64) * np.asarray(sub_s, dtype=np.float64)
    return np.asarray(np.sqrt(1.0 + np.asarray(read_variance_e2) / sky) - 1.0)


def normal_matrix(mixing: Float64, variance: Float64, samples: Float64) -> Float64:
    """What samples tell of kinds of light: (k, k) A' W A with W = samples / variance; what several tell adds up.

    Parameters
    ----------
    mixing : (c, k) float64
        What one unit of each kind of light adds to a sample of each colour.
    variance : (c,) float64
        Of one sample; above 0.
    samples : (c,) float64
        How many there are.
    """
    return np.asarray((mixing.T * (samples / variance)) @ mixing)


def information(
    total: Float64, columns: Float64, back: Float64, read_variance: float, samples: Float64,
    sub_s: float, passed: Float64,
) -> tuple[Float64, Float64]:  # fmt: skip
    """What one sub tells of a surface, in each of m parts of a night; what several subs tell adds up.

    Parameters
    ----------
    total : (c,) float64
        Electrons per second of a pixel of each channel from the surface, without air.
    columns : (c, k) float64
        The part of each kind of its light in it.
    back : (m, c) float64
        Electrons per second of sky and dark current.
    read_variance : float
        Of one pixel in one sub.
    samples : (c,) float64
        Pixels of each channel in the patch.
    sub_s : float
    passed : (m,) float64
        Part of the surface's light that air and cloud let through.

    Returns
    -------
    squares : (m, c) float64
        Squared signal over noise of each channel.
    normals : (m, k, k) float64
        `normal_matrix` of the kinds of light.
    """
    signal = passed[:, None] * total * sub_s
    weight = samples / (signal + back * sub_s + read_variance)
    seen = columns * sub_s
    normals = np.einsum("mc,ck,cl->mkl", weight * passed[:, None] ** 2, seen, seen)
    return np.asarray(signal**2 * weight), np.asarray(normals)


def line_errors(normal: Float64) -> Float64:
    """Standard deviations (k,) of kinds of light told apart by weighted least squares, in their units.

    Square roots of the diagonal of the inverse of `normal_matrix`; infinite where they cannot be told apart.

    >>> line_errors(normal_matrix(np.eye(2), np.array([4.0, 9.0]), np.array([1.0, 9.0]))).tolist()
    [2.0, 1.0]
    """
    return np.asarray(told_errors(normal[None])[0])


def told_errors(normals: Float64) -> Float64:
    """The same (n, k) for many matrices (n, k, k) at once, see `line_errors`.

    A kind is infinite where it is in the null space, that is where nothing was counted that tells it from the others.

    >>> told_errors(np.array([[[4.0, 0.0], [0.0, 0.0]], [[1.0, 1.0], [1.0, 1.0]]])).tolist()
    [[0.5, inf], [inf, inf]]
    """
    scale = np.sqrt(np.diagonal(normals, axis1=1, axis2=2))
    size = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(normals / (size[:, :, None] * size[:, None, :]))
    blind = values <= values[:, -1:] / WORST
    share = vectors**2
    unknown = (share * blind[:, None, :]).sum(axis=2) > HIDDEN
    inverse = np.divide(1.0, values, out=np.zeros_like(values), where=~blind)
    errors = np.sqrt((share * inverse[:, None, :]).sum(axis=2)) / size
    return np.where(unknown, np.inf, errors)


def peak_share(fwhm_px: float) -> float:
    """Part of a star's light that falls on the pixel in whose middle it stands: a round Gaussian over its area.

    Wings of real stars hold more, so that their peaks are lower, by 0.3 mag for a Moffat profile of exponent 3.5.

    >>> round(peak_share(2.0), 4)
    0.1971
    """
    return math.erf(math.sqrt(math.log(2.0)) / fwhm_px) ** 2
