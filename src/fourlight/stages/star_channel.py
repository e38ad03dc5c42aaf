"""One channel of a stack with its stars: fitted, taken off, put back, and what is left filled where fits do not do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.fullcores import Core, cores, refitted
from fourlight.core.mending import mended
from fourlight.core.starlayer import add_star, fit_layer
from fourlight.core.starlet import smooth_step
from fourlight.stages.canvas import Canvas, Window, bands, some
from fourlight.stages.under_stars import PIXEL_BYTES, REACH, SEEN, WINGS, evened

__all__ = ["StarChannel"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

DOUBT = 0.02
"""Share of a star's light by which its profile may be wrong."""
UNDER, ASTRAY = 2.0, 6.0
"""Light of stars over the noise of a pixel from which what lies under it is compared with what is around, and the
difference from which the fit went astray."""
DISC = 1.5
"""Radius of the discs that are fitted over the width of stars."""
WITHIN = 0.5
"""Distance of a star from the edge over its width from which all of its light is known."""
FINE = 30.0
"""How much fainter a star is drawn to than it is taken off: a sharp end becomes a ring once it is sharpened."""
FARTHEST = 80.0
"""Radius to which a star is taken off at most, pixels."""


class StarChannel:
    """One channel with its stars."""

    def __init__(
        self, plane: Float32, variance: Float32, profile: FieldProfile, hot: Bool, canvas: Canvas, *,
        full_too: bool = True,
    ) -> None:  # fmt: skip
        self.plane, self.variance, self.profile = plane, variance, profile
        self.noise = float(np.sqrt(max(np.nanmedian(some(variance)), 1e-30)))
        self.radius = max(DISC * profile.fwhm_px(), 2.5)
        self.full, self._sure = hot, _of_unfilled(variance, hot, canvas)
        self.left = canvas.new(plane.shape)
        self.left[:] = plane
        self.fitted = np.zeros((0, 4))
        self.squares = np.zeros((0, 2))
        self.model = np.zeros((0, 0), np.float32)
        self.cores = cores(hot, profile.fwhm_px()) if full_too else []
        self.fit_cores(more=False)

    def _add_cores(self, sign: int, image: Float32 | None = None) -> None:
        for core in self.cores:
            self._add_core(core, sign, image)

    def _add_core(self, core: Core, sign: int, image: Float32 | None = None) -> None:
        for star in core.stars:
            self._add(star, sign, image)

    def fit_cores(self, *, more: bool = True) -> None:
        """Fit full stars again, each with all others off, the largest first; where ``more``, groups of more stars."""
        for k in np.argsort([-core.full.sum() for core in self.cores], kind="stable"):
            self._add_core(self.cores[k], 1)
            self.cores[k] = refitted(self.left, self.plane, self.cores[k], self.full, self.profile, more=more)
            self._add_core(self.cores[k], -1)

    @property
    def full_stars(self) -> Float64:
        """(n, 2) places of the stars in groups of full pixels."""
        return np.concatenate([np.zeros((0, 2)), *(core.stars[:, :2] for core in self.cores)])

    def _reach(self, height: float) -> float:
        """Radius at which the star falls to a tenth of the noise."""
        half, wings = 0.5 * self.profile.fwhm_px(), self.profile.wings
        far = (max(height / (0.1 * self.noise), 1.0) ** wings - 1) / (2.0**wings - 1)
        return float(np.clip(half * np.sqrt(far), 4 * half, FARTHEST))

    def _add(self, star: Float64, sign: int, image: Float32 | None = None) -> None:
        add_star(
            self.left if image is None else image, star[0], star[1], sign * star[2],
            self.profile.shape(star[0], star[1]), self.profile.wings, self.profile.rest, self._reach(star[2]),
        )  # fmt: skip

    def fit(self, found: Float64, rounds: int, *, judged: bool = True) -> None:
        """Fit the stars found, from where they are now; where ``judged``, weigh each against a wider spot."""
        known = len(self.fitted)
        new = np.zeros((len(found) - known, 4))
        new[:, :2] = found[known:, :2]
        rows, columns = (np.rint(found[known:, k]).astype(int) for k in (1, 0))
        new[:, 3] = np.nan_to_num(self.left[rows, columns])
        self.fitted = np.concatenate([self.fitted, new])
        self.squares = np.zeros((len(found) if judged else 0, 2))
        top = np.nan_to_num(
            self.plane[np.rint(found[:, 1]).astype(int), np.rint(found[:, 0]).astype(int)]
        ) - float(np.nanmedian(some(self.plane)))
        reach = np.array([self._reach(max(height, 0.0)) for height in top])
        fit_layer(
            self.left, self.plane, self._sure, self.fitted, np.ascontiguousarray(found[:, :2]),
            self.profile.terms(found[:, 0], found[:, 1]), self.profile.coefficients, self.profile.wings,
            self.profile.rest, self.radius, reach, DOUBT, rounds, self.squares,
        )  # fmt: skip

    def keep(self, real: Bool) -> None:
        """Put back what is no star."""
        for star in self.fitted[~real]:
            if star[2] > 0:
                self._add(star, 1)
        self.fitted = self.fitted[real]

    def drawn(self, canvas: Canvas, beyond: int) -> Float32:
        """The stars that were fitted, on an array that is larger by so many pixels on each side.

        Those whose middle the edge may cut are left out: how bright they are is not known.
        """
        ny, nx = self.plane.shape
        least = WITHIN * self.profile.fwhm_px()
        out = canvas.new((ny + 2 * beyond, nx + 2 * beyond))
        out[:] = 0
        for star in self.fitted:
            inside = least <= star[0] <= nx - 1 - least and least <= star[1] <= ny - 1 - least
            if star[2] > 0 and inside:
                add_star(
                    out, star[0] + beyond, star[1] + beyond, star[2], self.profile.shape(star[0], star[1]),
                    self.profile.wings, self.profile.rest, self._reach(FINE * star[2]),
                )  # fmt: skip
        return out

    def hidden(self, canvas: Canvas) -> Bool:
        """Where the stars are too bright for their profile, or their fit went astray."""
        self.model = canvas.new(self.plane.shape)
        self.model[:] = 0
        self._add_cores(1, self.model)
        for star in self.fitted:
            if star[2] > 0:
                self._add(star, 1, self.model)
        spots = np.zeros(self.plane.shape, dtype=bool)

        def fill(window: Window) -> None:
            here = window.outer
            hidden = _hidden(self.left[here], self.model[here], self.full[here], self.noise)
            spots[window.inner] = hidden[window.cut]

        canvas.each(self.plane.shape, fill, reach=REACH, pixel_bytes=PIXEL_BYTES)
        return spots

    def rest(self, canvas: Canvas, hidden: Bool) -> Float32:
        """The channel without its stars, filled from its surroundings where it is `hidden`, of which that was asked.

        Its grain under stars is brought down to that around them.
        """
        out = canvas.new(self.plane.shape)

        def fill(window: Window) -> None:
            here = window.outer
            left = np.where(self.full[here], np.float32(np.nan), self.left[here])
            part = evened(left, self.model[here], hidden[here], self.variance[here], self.noise)
            part[~np.isfinite(self.plane[here])] = np.nan
            out[window.inner] = part[window.cut]

        canvas.each(self.plane.shape, fill, reach=REACH, pixel_bytes=PIXEL_BYTES)
        self.model = self.left = np.zeros((0, 0), np.float32)
        return out


def _of_unfilled(variance: Float32, full: Bool, canvas: Canvas) -> Float32:
    """Variance of pixels that are not full, NaN of those that are."""
    if not full.any():
        return variance
    out = canvas.new(variance.shape)
    for rows in bands(out.shape):
        out[rows] = np.where(full[rows], np.float32(np.nan), variance[rows])
    return out


def _hidden(left: Float32, model: Float32, full: Bool, noise: float) -> Bool:
    """Where what is left of a part of a channel is not to be believed beneath its stars."""
    under = model > UNDER * noise
    hidden = full | (WINGS * model > SEEN * noise)
    if under.any():
        around = mended(left, under | full)
        off = smooth_step(np.abs(smooth_step(np.nan_to_num(left - around), 0)), 0)
        astray = under & (off > ASTRAY * noise) & (off > WINGS * model)
        hidden |= smooth_step(astray.astype(np.float32), 1) > 0.05
    return hidden
