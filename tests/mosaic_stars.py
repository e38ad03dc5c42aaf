"""Small mosaic frames of stars whose light is integrated over pixels by GalSim, for tests and benchmarks of widths.

Places fall on eighths of a pixel: what a sample holds is then a value of GalSim's own finely sampled picture of the
profile over a pixel, and nothing is interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import galsim
import numpy as np
import numpy.typing as npt

__all__ = ["FINE", "Profile", "field", "painted"]

Float64 = npt.NDArray[np.float64]

FINE = 8
REACH = 26
RIM = 24


@dataclass(frozen=True)
class Profile:
    """A point spread; ``kind`` is moffat, gaussian, kolmogorov, halo, defocus or coma."""

    kind: str
    beta: float = 3.0
    long: float = 1.0
    turn_deg: float = 0.0

    def __str__(self) -> str:
        name = f"Moffat, beta {self.beta:g}" if self.kind == "moffat" else KINDS[self.kind]
        return name + (f", {self.long:g} times as long as wide" if self.long > 1 else "")

    def light(self, fwhm: float) -> galsim.GSObject:
        """Without the pixel."""
        made = _made(self.kind, self.beta, fwhm)
        return made.shear(q=1 / self.long, beta=self.turn_deg * galsim.degrees) if self.long > 1 else made


KINDS = {
    "gaussian": "Gaussian",
    "kolmogorov": "turbulence alone (Kolmogorov)",
    "halo": "a core with a tenth of the light in a halo three times as wide",
    "defocus": "out of focus behind a pupil with a hole of 0.4",
    "coma": "coma",
}


def _made(kind: str, beta: float, fwhm: float) -> galsim.GSObject:
    if kind == "moffat":
        return galsim.Moffat(beta=beta, fwhm=fwhm)
    if kind == "gaussian":
        return galsim.Gaussian(fwhm=fwhm)
    if kind == "kolmogorov":
        return galsim.Kolmogorov(fwhm=fwhm)
    if kind == "halo":
        return 0.9 * galsim.Gaussian(fwhm=fwhm) + 0.1 * galsim.Gaussian(fwhm=3 * fwhm)
    # half of the width from the optics, the rest from turbulence
    terms = {"defocus": {"defocus": 0.15}, "coma": {"coma1": 0.12}}[kind]
    optics = galsim.OpticalPSF(
        lam_over_diam=0.45 * fwhm, obscuration=0.4 if kind == "defocus" else 0.0, **terms
    )
    return galsim.Convolve(optics, galsim.Kolmogorov(fwhm=0.7 * fwhm))


@cache
def _table(profile: Profile, fwhm: float) -> npt.NDArray[np.float32]:
    """The profile over a pixel, sampled ``FINE`` times per pixel."""
    accurate = galsim.GSParams(maximum_fft_size=16384, folding_threshold=1e-3)
    light = galsim.Convolve(profile.light(fwhm), galsim.Pixel(1.0), gsparams=accurate)
    size = 2 * (REACH + 1) * FINE + 1
    drawn = light.drawImage(nx=size, ny=size, scale=1 / FINE, method="no_pixel", dtype=float)
    return np.asarray(drawn.array * FINE**2, dtype=np.float32)


def painted(
    shape: tuple[int, int], cell: npt.NDArray[np.int64], x: Float64, y: Float64, electrons: Float64,
    profile: Profile, fwhm: Float64,
) -> Float64:  # fmt: skip
    """Electrons (ny, nx) of stars with ``electrons`` (n, 4) and a width (4,) in pixels per plane."""
    image = np.zeros(shape)
    tables = [_table(profile, round(float(width), 4)) for width in fwhm]
    for star in range(len(x)):
        fine = round(y[star] * FINE), round(x[star] * FINE)
        for plane_y in range(2):
            for plane_x in range(2):
                plane = cell[plane_y, plane_x]
                rows, columns = (
                    np.arange(max(0, place // FINE - REACH), min(size, place // FINE + REACH))
                    for place, size in zip(fine, shape, strict=True)
                )
                rows, columns = rows[rows % 2 == plane_y], columns[columns % 2 == plane_x]
                middle = (REACH + 1) * FINE
                part = tables[plane][
                    np.ix_(rows * FINE - fine[0] + middle, columns * FINE - fine[1] + middle)
                ]
                image[np.ix_(rows, columns)] += electrons[star, plane] * part
    return image


def field(
    rng: np.random.Generator, count: int, shape: tuple[int, int], gap: float = 20.0
) -> tuple[Float64, Float64]:
    """Places (n, 2) as x, y, at least ``gap`` from each other, and electrons (n, 4) of stars of all colours."""
    chosen: list[Float64] = []
    for _ in range(200 * count):
        point = np.array([rng.uniform(RIM, size - 1 - RIM) for size in shape[::-1]])
        if len(chosen) < count and all(np.hypot(*(point - other)) > gap for other in chosen):
            chosen.append(point)
    place = np.round(np.array(chosen) * FINE) / FINE
    green = np.exp(rng.uniform(np.log(3e3), np.log(2e5), len(place)))
    red = rng.normal(0.0, 0.35, len(place))
    return place, np.column_stack(
        [0.62 * green * np.exp(red), green, green, 0.45 * green * np.exp(-0.9 * red)]
    )
