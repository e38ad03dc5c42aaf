"""Invented star lists of real places on the sky: what a camera's star finder would hand to the solver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.tangent import from_gnomonic, gnomonic
from fourlight.sky.catalogue import cone
from fourlight.sky.weighing import StarField

Float64 = npt.NDArray[np.float64]

MORE_A_MAGNITUDE = 2.7
"""Stars fainter by a magnitude over those brighter, near V = 11."""
MISSING, FALSE = 0.1, 0.05
BENT_PX = 5.0
"""Largest shift by distortion at the corners."""


@dataclass(frozen=True)
class Truth:
    """A picture of the sky and its stars, brightest first."""

    x: Float64
    y: Float64
    ny: int
    nx: int
    ra_deg: float
    dec_deg: float
    width_deg: float
    cd: Float64
    bent_px: float

    @property
    def scale_arcsec(self) -> float:
        return self.width_deg * 3600 / self.nx

    def field(self, error: float) -> StarField:
        """What the solver is given; the scale is wrong by a factor."""
        middle = ((self.nx - 1) / 2, (self.ny - 1) / 2)
        return StarField(
            self.x - middle[0], self.y - middle[1], self.ny, self.nx, self.scale_arcsec * error, 1.12
        )

    def pixel(self, ra_deg: Float64, dec_deg: Float64) -> tuple[Float64, Float64]:
        """Where places of the sky are on it."""
        plane = np.array(gnomonic(ra_deg, dec_deg, self.ra_deg, self.dec_deg))
        u, v = np.tensordot(np.linalg.inv(self.cd), plane, axes=1)
        half = np.hypot(self.nx, self.ny) / 2
        factor = 1 + self.bent_px * np.hypot(u, v) ** 2 / half**3
        return u * factor + (self.nx - 1) / 2, v * factor + (self.ny - 1) / 2

    def error_px(self, solution: object) -> float:
        """Largest error of a solution over the frame."""
        y, x = (axis.ravel() for axis in np.mgrid[0 : self.ny - 1 : 7j, 0 : self.nx - 1 : 7j])
        seen_x, seen_y = self.pixel(*solution.sky(x, y))  # type: ignore[attr-defined]
        return float(np.hypot(seen_x - x, seen_y - y).max())


def invented(
    random: np.random.Generator, width_deg: float, place: tuple[float, float] | None = None
) -> Truth:
    """Stars of a place of the sky, random if none is given, turned and perhaps mirrored.

    Catalogue stars with a scatter of 0.1 to 0.3 px and of 0.3 mag, a tenth of them missing; fainter stars that the
    catalogue lacks, down to a limit between V = 10.5 and 12.5; and false ones, a twentieth, bright or faint.
    """
    nx = int(random.integers(1500, 6000))
    ny = nx * 2 // 3
    ra, dec = place or (random.uniform(0, 360), float(np.degrees(np.arcsin(random.uniform(-1, 1)))))
    angle, flip = random.uniform(0, 2 * np.pi), random.choice([-1, 1])
    cd = (
        width_deg
        / nx
        * np.array([[np.cos(angle), -flip * np.sin(angle)], [np.sin(angle), flip * np.cos(angle)]])
    )
    frame = Truth(np.zeros(0), np.zeros(0), ny, nx, ra, dec, width_deg, cd, random.uniform(-BENT_PX, BENT_PX))
    known = cone(ra, dec, 0.65 * width_deg)
    x, y = frame.pixel(known.ra_deg, known.dec_deg)
    inside = (x > 0) & (x < nx - 1) & (y > 0) & (y < ny - 1)
    more = random.poisson(inside.sum() * (MORE_A_MAGNITUDE**1.5 - 1))
    depth = np.log(1 + random.uniform(0, MORE_A_MAGNITUDE**1.5 - 1, more)) / np.log(MORE_A_MAGNITUDE)
    v = np.concatenate([known.v_mag[inside], 11.0 + depth])
    seen = (random.uniform(size=len(v)) > MISSING) & (
        v + random.normal(0, 0.3, len(v)) < random.uniform(10.5, 12.5)
    )
    false = random.poisson(FALSE * seen.sum())
    scatter, many = random.uniform(0.1, 0.3), more + false
    place = np.concatenate(
        [np.column_stack([x[inside], y[inside]]), random.uniform(0, [nx - 1, ny - 1], (many, 2))]
    )
    place += random.normal(0, scatter, place.shape)
    kept = np.concatenate([seen, np.ones(false, dtype=bool)])
    light = np.concatenate([v, random.uniform(6, 12, false)]) + random.normal(0, 0.3, len(kept))
    order = np.flatnonzero(kept)[np.argsort(light[kept])]
    return Truth(place[order, 0], place[order, 1], ny, nx, ra, dec, width_deg, cd, frame.bent_px)


def scattered(random: np.random.Generator, like: Truth) -> Truth:
    """As many stars anywhere on the frame."""
    place = random.uniform(0, [like.nx - 1, like.ny - 1], (len(like.x), 2))
    return Truth(
        place[:, 0], place[:, 1], like.ny, like.nx, like.ra_deg, like.dec_deg, like.width_deg, like.cd, 0.0
    )


def beside(
    random: np.random.Generator, place: tuple[float, float], largest_deg: float
) -> tuple[float, float]:
    """A place anywhere within an angle of another."""
    distance, angle = largest_deg * np.sqrt(random.uniform()), random.uniform(0, 2 * np.pi)
    reach = np.degrees(np.tan(np.radians(distance)))
    ra, dec = from_gnomonic(reach * np.sin(angle), reach * np.cos(angle), *place)
    return float(ra), float(dec)
