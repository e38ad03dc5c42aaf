"""What stars of known colour say of a camera behind a filter, put together with what was known before.

A star has light at all wavelengths: behind a filter each channel counts a sum over its bands, and how that sum is
divided among them follows from the star's colour. So the ratios between channels of red and of blue stars tell of the
channels at each band. The colours are not exact, nor do stars follow them exactly: errors in variables, which would
bias a plain fit. Brightness and colour of every star are unknowns here, the colour with what is likely from its own
error and from the colours that stars have, and drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Learned", "StarTable", "learn"]

Float64 = npt.NDArray[np.float64]

STEPS = 10
"""Of the iteration; four are enough where the prior is within 20 % and nothing is left out."""
SIFTED = (1, 2, 3, 4, 5)
"""Steps after which stars that do not fit are left out, by how the others fit so far."""
CLEAR = 4.0
"""Residuals of a star, in their standard deviations, from which it is taken for something else and left out."""
MEDIAN = 0.69
"""Of the square of such residuals, over their mean (chi-square with two degrees of freedom)."""


@dataclass(frozen=True, slots=True, eq=False)
class StarTable:
    """What channels would count of stars of any colour, but for their brightness, by the camera as known before."""

    colour: Float64
    """(g,) colours, such as B-V, evenly spaced and increasing."""
    values: Float64
    """(g, c) at these colours."""
    modes: Float64
    """(g, m, c) how that may be off, along the modes of the matrix."""

    def at(self, colour: npt.ArrayLike) -> tuple[Float64, Float64]:
        """Values (n, c) and modes (n, m, c) at colours, straight between those of the table."""
        wanted = np.asarray(colour, dtype=np.float64)
        step = self.colour[1] - self.colour[0]
        place = np.clip((wanted - self.colour[0]) / step, 0.0, len(self.colour) - 1.0)
        low = np.minimum(place.astype(np.int64), len(self.colour) - 2)
        part = place - low
        return (
            self.values[low] + part[:, None] * (self.values[low + 1] - self.values[low]),
            self.modes[low] + part[:, None, None] * (self.modes[low + 1] - self.modes[low]),
        )

    def spread(self, likely: Float64, by: float) -> Float64:
        """What is likely (n, g) where the light of a star may be that of a colour which is off by so much."""
        kernel = np.exp(-0.5 * ((self.colour[:, None] - self.colour) / by) ** 2)
        return np.asarray(likely @ (kernel / kernel.sum(axis=1, keepdims=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """The modes of a camera after stars have been seen."""

    shift: Float64
    """(m,) of the modes, in standard deviations that they had before."""
    root: Float64
    """(m, m) new modes, each as a mixture of old ones: rows, one standard deviation each."""
    used: npt.NDArray[np.bool_]
    """(n,) stars that count."""
    chi2: float
    """Of the residuals, for each number that is free; 1 where errors and spectra are as stated."""

    def matrix(self, values: Float64, modes: Float64) -> tuple[Float64, Float64]:
        """Anything linear in the modes, (...) with modes (m, ...), as it is known now."""
        return (
            np.asarray(values + np.tensordot(self.shift, modes, axes=1)),
            np.asarray(np.tensordot(self.root, modes, axes=1)),
        )


def learn(flux: Float64, error: Float64, likely: Float64, stars: StarTable) -> Learned:
    """Modes of a camera from the light of stars behind a filter.

    The model of a star is s (F(b) + z F'(b)): its brightness s, its colour b, and the modes z that all stars share
    (prior: standard normal). s is integrated out with a flat prior, b with what is likely: the mean of F over it is
    what is expected, its covariance a part of the noise. Around the last estimate of s and z the model is linear, and
    it is repeated.

    Parameters
    ----------
    flux : (n, c) float64
        Light of stars above the sky in each channel; stars with NaN are left out.
    error : (n, c) float64
        One standard deviation.
    likely : (n, g) float64
        How likely each colour of the table is that of each star; the sum of each row is 1.
    stars : StarTable

    Returns
    -------
    Learned
        Its modes hold what stars cannot tell as it was before, such as a channel that sees next to nothing of a band.

    Notes
    -----
    Fails where what all stars of a colour have in common differs from the spectra that are taken for them: give that as
    modes that move the stars alone.
    """
    use = np.isfinite(flux).all(axis=1) & np.isfinite(error).all(axis=1) & (error > 0).all(axis=1)
    use &= np.isfinite(likely).all(axis=1) & (flux.sum(axis=1) > 0)
    count, free = stars.modes.shape[1], max(flux.shape[1] - 1, 1)
    shift: Float64 = np.zeros(count)
    precision: Float64 = np.eye(count)
    chi2 = np.nan
    for step in range(STEPS):
        away, design = _whitened(flux[use], error[use], likely[use], stars, shift)
        flat = design.reshape(-1, count)
        precision = np.eye(count) + flat.T @ flat
        before, shift = shift, np.asarray(np.linalg.solve(precision, flat.T @ (away.ravel() + flat @ shift)))
        each = ((away - np.einsum("ncm,m->nc", design, shift - before)) ** 2).sum(axis=1)
        chi2 = float(each.sum() / (len(each) * free)) if len(each) else np.nan
        if step in SIFTED and len(each):
            kept = each <= CLEAR**2 * max(free, float(np.median(each)) / MEDIAN)
            if kept.sum() >= 3:
                use[np.flatnonzero(use)[~kept]] = False
    # precision = L L', so that the rows of L^-1 are modes
    return Learned(shift, np.linalg.inv(np.linalg.cholesky(precision)), use, chi2)


def _whitened(
    flux: Float64, error: Float64, likely: Float64, stars: StarTable, shift: Float64
) -> tuple[Float64, Float64]:
    """Residuals (n, c) and their change with the modes (n, c, m).

    Brightness and colour of each star are taken out: the inverse of its covariance, in which both stand with their
    variances, has a symmetric root by which residuals are multiplied.
    """
    table = stars.values + np.einsum("gmc,m->gc", stars.modes, shift)
    shape, modes = likely @ table, np.tensordot(likely, stars.modes, axes=1)
    colours = np.einsum("ng,gc,gd->ncd", likely, table, table, optimize=True)
    colours -= shape[:, :, None] * shape[:, None, :]
    weight = 1.0 / error**2
    bright = (weight * flux * shape).sum(axis=1) / (weight * shape**2).sum(axis=1)
    bright = np.maximum(bright, 0.0)[:, None]
    noise = np.einsum("nc,cd->ncd", error**2, np.eye(shape.shape[1]))
    inverse = np.linalg.inv(noise + bright[:, :, None] ** 2 * colours)
    # A flat prior of the brightness: what lies along the star's own spectrum does not count.
    along = np.einsum("ncd,nd->nc", inverse, shape)
    inverse -= along[:, :, None] * along[:, None, :] / (along * shape).sum(axis=1)[:, None, None]
    size, vectors = np.linalg.eigh(inverse)
    root = np.einsum("nce,ne,nde->ncd", vectors, np.sqrt(np.maximum(size, 0.0)), vectors)
    away = np.einsum("ncd,nd->nc", root, flux - bright * shape)
    return away, np.einsum("ncd,nmd->ncm", root, modes * bright[:, :, None])
