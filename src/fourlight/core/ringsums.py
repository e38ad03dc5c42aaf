"""Ring correlation summed over many windows of one size, with what a fixed pattern adds to it taken off.

A pattern that stays on the sensor (master frames, uneven pixels) lies in the stack once for every light, moved by that
light's dither d. Two halves whose lights stand for ``D_A(k)`` and ``D_B(k)``, each the mean of exp(-2 pi i k d), share
``p |K|^2 Re(D_A conj(D_B))`` of it, p the power of the pattern and K what the integration leaves of it, the same as of
the noise. Light of the sky is nearly alike all around a ring, while ``Re(D_A conj(D_B))`` is not: the slope of the
cross spectrum on it, ring by ring, is the pattern.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import fft

from fourlight.core.resolution import Rings

__all__ = ["Net", "RingSums", "pattern_sharing"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]

ROUNDING = 1e-10
"""Variance of the sharing, below which it is that of rounding; n lights in each half have 1 / (2 n^2)."""
CROSS, FIRST, SECOND, SHARED, SHARED_SQUARED, CROSS_SHARED = range(6)


@dataclass(frozen=True, slots=True)
class Net:
    """Rings of the Fourier pixels of windows of one shape."""

    shape: tuple[int, int]
    number: Int32
    """(ny, nx // 2 + 1) ring from 1 on; 0 outside of all."""
    pixels: Float64
    """(n,) Fourier pixels of each ring, conjugate ones too."""
    frequency: Float64
    """(n,) mean of each ring, cycles per pixel."""

    @classmethod
    def of(cls, shape: tuple[int, int]) -> Net:
        """Rings one Fourier pixel of the shorter side wide, up to half a cycle per pixel.

        >>> Net.of((64, 80)).frequency.round(3)[[0, -1]].tolist()
        [0.017, 0.5]
        """
        ny, nx = shape
        radius = np.hypot(fft.fftfreq(ny)[:, None], fft.rfftfreq(nx)[None, :])
        number = np.rint(radius * min(shape)).astype(np.int32)
        number[number > min(shape) // 2] = 0
        twice = np.full(number.shape, 2.0)
        twice[:, 0] = 1.0
        if nx % 2 == 0:
            twice[:, -1] = 1.0
        count = min(shape) // 2 + 1
        pixels, total = (
            np.asarray(np.bincount(number.ravel(), values.ravel(), count)[1:], dtype=np.float64)
            for values in (twice, twice * radius)
        )
        return cls(shape, number, pixels, total / pixels)


@dataclass(slots=True)
class RingSums:
    """Sums over the rings of windows of one shape."""

    net: Net
    sums: Float64 = field(init=False)
    """(3, n): cross spectrum, and power of the first and of the second image."""
    sharing: Float64 = field(init=False)
    """(n,) mean of what halves share of a pattern, times the noise in that window's ring."""
    slope: float = 0.0
    """Cross spectrum against the sharing of a pattern, each less its ring's mean, and over the variance."""
    square: float = 0.0
    """The same of the sharing against itself: slope over square is the pattern."""
    varied: float = 0.0
    """Variance of the sharing around rings, sum over windows."""
    windows: int = 0

    def __post_init__(self) -> None:
        self.sums = np.zeros((3, len(self.net.pixels)))
        self.sharing = np.zeros(len(self.net.pixels))

    def add(self, first: Float32, second: Float32, shared: Float32) -> None:
        """Add a window.

        Parameters
        ----------
        first, second : (ny, nx) float32
            Both images, finite, less their background and times the window's weight.
        shared : (ny, nx // 2 + 1) float32
            From `pattern_sharing`.
        """
        sums = np.zeros((6, len(self.net.pixels) + 1))
        one, other = fft.rfft2(first), fft.rfft2(second)
        _ring_sums(one, other, shared, self.net.number, self.net.shape[1] % 2 == 0, sums)
        sums = sums[:, 1:]
        mean = sums / self.net.pixels
        noise = np.maximum(0.5 * (sums[FIRST] + sums[SECOND]) - sums[CROSS], 0.0) / self.net.pixels
        variance = 0.5 * (mean[FIRST] * mean[SECOND] + mean[CROSS] ** 2)
        good = variance > 0
        against = sums[CROSS_SHARED] - sums[CROSS] * mean[SHARED]
        itself = sums[SHARED_SQUARED] - sums[SHARED] * mean[SHARED]
        self.slope += float((against * noise / np.where(good, variance, 1.0))[good].sum())
        self.square += float((itself * noise**2 / np.where(good, variance, 1.0))[good].sum())
        self.windows += 1
        self.varied += float(itself.sum() / self.net.pixels.sum())
        self.sums += sums[:3]
        self.sharing += noise * sums[SHARED]

    def absorb(self, other: RingSums) -> None:
        """Add the sums of other windows of the same shape."""
        self.sums += other.sums
        self.sharing += other.sharing
        self.slope += other.slope
        self.square += other.square
        self.varied += other.varied
        self.windows += other.windows

    def pattern(self, share: float) -> tuple[float, float]:
        """Power of the pattern of one light over the noise power of a half, and its standard error.

        Parameters
        ----------
        share : float
            Independent Fourier pixels over those of one window: what windows and masks leave.

        Returns
        -------
        power, error
            The error is infinite where halves share all of a pattern in every direction, as without dithering.
        """
        known = (
            0.5 * self.square * share / max(self.windows, 1)
        )  # half: of conjugate pixels one tells nothing new
        if known <= 0 or self.varied < ROUNDING * self.windows:
            return 0.0, float("inf")
        return self.slope / self.square, float(1 / np.sqrt(known))

    def rings(self, share: float, pattern: float = 0.0) -> Rings:
        """The correlation, less that of a pattern; NaN where an image holds nothing.

        What halves share of a pattern counts as noise, and twice in their sum, as it does not average out there: so
        that 1/7 still is where their sum correlates with the truth by one half.
        """
        cross, first, second = self.sums
        common = max(pattern, 0.0) * self.sharing
        with np.errstate(invalid="ignore", divide="ignore"):
            value = (cross - common) / (np.sqrt(first * second) + common)
        return Rings(self.net.frequency, value, self.net.pixels * share)

    def shared(self) -> Float64:
        """(n,) correlation that a pattern as strong as the noise of a half would make."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.sharing / np.sqrt(self.sums[FIRST] * self.sums[SECOND]))


def pattern_sharing(
    shape: tuple[int, int], place: Float64, weight: Float64, half: npt.NDArray[np.int64],
    alike: npt.NDArray[np.int64],
) -> Float32:  # fmt: skip
    """Share of a pattern's power that two halves have in common, (ny, nx // 2 + 1) float32, -1 to 1.

    Parameters
    ----------
    shape : (ny, nx)
        Of a window.
    place : (f, 2) float64
        Where one and the same sensor pixel lies in the stack by each light, x and y, pixels.
    weight : (f,) float64
    half : (f,) int64
        0 or 1.
    alike : (f,) int64
        Lights of one number are turned alike, so that their patterns fit on each other.

    Examples
    --------
    >>> still = pattern_sharing((4, 4), np.zeros((2, 2)), np.ones(2), np.array([0, 1]), np.zeros(2, int))
    >>> float(still.min()), float(still.max())
    (1.0, 1.0)
    """
    fy, fx = fft.fftfreq(shape[0]), fft.rfftfreq(shape[1])
    total = np.zeros((len(fy), len(fx)), dtype=np.float32)
    for group in np.unique(alike):
        means = []
        for part in (0, 1):
            chosen = (alike == group) & (half == part)
            share = weight[chosen] / max(float(weight[half == part].sum()), 1e-30)
            rows = np.exp(-2j * np.pi * fy[:, None] * place[chosen, 1]) * share
            columns = np.exp(-2j * np.pi * place[chosen, 0][:, None] * fx)
            means.append(rows.astype(np.complex64) @ columns.astype(np.complex64))
        total += (means[0] * means[1].conj()).real
    return total


@njit(cache=True, nogil=True)
def _ring_sums(
    one: npt.NDArray[np.complex64], other: npt.NDArray[np.complex64], shared: Float32, number: Int32, even: bool,
    sums: Float64,
) -> None:  # fmt: skip
    """Add to ``sums`` (6, n + 1) all products of both spectra, each ring at its number."""
    ny, nx = number.shape
    for j in range(ny):
        for i in range(nx):
            k = number[j, i]
            if k == 0:
                continue
            twice = 1.0 if i == 0 or (even and i == nx - 1) else 2.0
            a, b, r = one[j, i], other[j, i], float(shared[j, i])
            cross = float(a.real) * float(b.real) + float(a.imag) * float(b.imag)
            sums[0, k] += twice * cross
            sums[1, k] += twice * (float(a.real) ** 2 + float(a.imag) ** 2)
            sums[2, k] += twice * (float(b.real) ** 2 + float(b.imag) ** 2)
            sums[3, k] += twice * r
            sums[4, k] += twice * r * r
            sums[5, k] += twice * r * cross
