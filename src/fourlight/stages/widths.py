"""Sharpness of each colour in every light, from raw samples, so that colours can be compared.

Width is that of one profile common to all colours but for its scale: ratios of widths are therefore the same for the
full width at half maximum and for the radius that holds half of the light. The pixel is taken out, the seeing of the
exposure is in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.core.pixelprofile import half_light_radius, widths_of
from fourlight.core.planewidths import Evidence, Fitted, Weights, fit_shapes, refined_rest
from fourlight.core.profilerest import no_rest
from fourlight.core.widthequations import levels
from fourlight.engine import nothing
from fourlight.frames import RegisteredFrame
from fourlight.stages.shared_places import Places, places_in, shared_places
from fourlight.stages.star_choice import fit_radius, full_stars, lone

__all__ = ["COLOURS", "FrameWidths", "LightSamples", "frame_widths", "measure_widths"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

COLOURS = ("R", "G1", "G2", "B", "G")
"""Of widths; G: both greens together."""

_FITTED: dict[str, tuple[int, ...]] = {"R": (0,), "G": (1, 2), "B": (3,)}
_GREENS: dict[str, tuple[int, ...]] = {"G1": (1,), "G2": (2,)}

LEAST_STARS = 8
"""Clear stars that a width is measured from."""

WITHIN = 2.2
"""Radius, over the FWHM, inside which light counts: farther out is a matter of faith."""

MANY_STARS = 25
"""From which what the profile lacks is taken from the stars."""

TURNS = 5
"""Fits, each with weights, stars and what the profile lacks as the one before left them."""

CLEAR = 10.0
"""Light of a star over its error, in each colour, from which it counts."""

MOST_SHARE = 4.0
"""No star counts for more than this many middling ones: a bright one that is not like the others would decide."""

STRAY = 5.0
"""Pull of a star on widths, in units of the scatter of all, beyond which it is left out."""


@dataclass(frozen=True, slots=True)
class FrameWidths:
    """Widths of one light; five-vectors follow `COLOURS`, NaN where a colour has too little starlight."""

    fwhm_px: Float64
    """(5,) full width at half maximum, pixels of this light, pixel excluded."""
    half_light_px: Float64
    """(5,) radius that holds half of the light inside `WITHIN` FWHM of the star, pixels."""
    elongation: Float64
    """(5,)"""
    angle_deg: Float64
    """(5,) direction of the elongation, from +x towards +y, in [0, 180)."""
    covariance: Float64
    """(5, 5) of the logarithms of the widths, from the scatter of stars; G1 and G2 with the wings held."""
    beta: float
    """Exponent of the profile's wings, common to all colours; 500 stands for a Gaussian."""
    stars: int
    """Stars that were used, 0 where there were too few."""

    def log_ratio(self, colour: str, to: str = "G") -> tuple[float, float]:
        """Logarithm of the width of one colour over that of another, and its standard error.

        >>> flat = np.ones(5)
        >>> widths = FrameWidths(np.array([2.2, 2, 2, 2, 2]), flat, flat, flat, 1e-4 * np.eye(5), 3.0, 50)
        >>> [round(part, 4) for part in widths.log_ratio("R")]
        [0.0953, 0.0141]
        """
        i, k = COLOURS.index(colour), COLOURS.index(to)
        variance = self.covariance[i, i] + self.covariance[k, k] - 2 * self.covariance[i, k]
        return float(np.log(self.fwhm_px[i] / self.fwhm_px[k])), float(np.sqrt(variance))


@dataclass(frozen=True, slots=True)
class LightSamples:
    """Calibrated samples of one light."""

    image: Float32
    """(ny, nx), NaN at defects."""
    pattern: str
    noise: Float64
    """(4,) standard deviation of a sample at the sky level."""
    electrons: bool
    saturation: float
    """Level at which a sample is full."""


def measure_widths(
    frames: Sequence[RegisteredFrame],
    read: Callable[[int], LightSamples],
    places: Places | None = None,
    told: Callable[[], None] = nothing,
) -> list[FrameWidths]:
    """Widths of all lights, from stars whose places they share.

    Parameters
    ----------
    frames : sequence of RegisteredFrame
    read : callable
        Samples of the light of this number; one is held at a time.
    places : Places, optional
        Of the stars on the grid of the reference; else from the lights themselves.
    told : callable
        Called after each light.
    """
    common = places or shared_places(frames)
    out = []
    for k, frame in enumerate(frames):
        known = frame.measured.fwhm_px[np.isfinite(frame.measured.fwhm_px)]
        width = float(known.mean()) if known.size else float("nan")
        out.append(frame_widths(read(k), *places_in(frame, common), common.light, common.size, width))
        told()
    return out


def frame_widths(
    samples: LightSamples, x: Float64, y: Float64, light: Float64, size: Float64, width_px: float
) -> FrameWidths:
    """Widths of one light.

    Parameters
    ----------
    samples : LightSamples
    x, y : (n, 4) float64
        Places of stars in each plane, pixels; what all stars of a colour are off alike is fitted.
    light : (n,) float64
        Of each star, any unit: brightest first where not all are needed.
    size : (n,) float64
        Natural logarithm of each star's width over the usual one.
    width_px : float
        Rough FWHM of the light.
    """
    if not (np.isfinite(width_px) and len(x)):
        return _nothing()
    middle = x.mean(axis=1), y.mean(axis=1)
    ny, nx = samples.image.shape
    inside = (middle[0] > 0) & (middle[1] > 0) & (middle[0] < nx - 1) & (middle[1] < ny - 1)
    full = full_stars(samples.image, *middle, samples.saturation)
    chosen = lone(*middle, light, size, full | ~inside, width_px)
    return _Frame(samples, x[chosen], y[chosen], width_px).widths()


def _nothing() -> FrameWidths:
    width, half, long, angle = np.full((4, 5), np.nan)
    return FrameWidths(width, half, long, angle, np.full((5, 5), np.nan), float("nan"), 0)


class _Frame:
    """The fit to one light: stars are weighed, fitted and weighed again, at shapes that come nearer each time."""

    def __init__(self, samples: LightSamples, x: Float64, y: Float64, width_px: float) -> None:
        self.samples, self.x, self.y = samples, x, y
        self.half = np.arange(len(x)) % 2
        self.cell, self.radius = cfa.plane_map(samples.pattern), fit_radius(width_px)
        a = 4.0 / width_px**2
        self.shape, self.wings = np.array([a, 0.0, a]), 1.0 / 3.0

    def widths(self) -> FrameWidths:
        """All of them."""
        height, error = self._heights()
        live = _live(height / error)
        groups = {name: planes for name, planes in _FITTED.items() if name in live}
        self._keep(_clear(height / error, list(groups.values())))
        start, rest = np.tile([*self.shape, 0.0, 0.0], (len(groups), 1)), no_rest(self.radius)
        for turn in range(TURNS):
            if not groups or len(self.x) < LEAST_STARS:
                return _nothing()
            weights = self._weights(groups)
            evidence = Evidence(self.samples.image, self.cell, self.x, self.y, self.half, self.radius)
            found = fit_shapes(evidence, _planes(groups), weights, start, self.wings, rest, free_wings=True)
            start, self.wings = found.shapes, found.wings
            if turn < TURNS - 1:
                if turn == 0:
                    self.shape = found.shapes[:, :3].mean(axis=0)
                elif len(self.x) >= MANY_STARS:
                    rest = refined_rest(evidence, _planes(groups), weights, found, rest)
                self._keep(_usual(found.pull, weights))
        if not found.settled:
            return _nothing()
        greens = {name: planes for name, planes in _GREENS.items() if "G" in groups}
        alone = None
        if greens:
            each = np.repeat(found.shapes[list(groups).index("G")][None], 2, axis=0)
            alone = fit_shapes(evidence, _planes(greens), weights, each, self.wings, rest, free_wings=False)
        return _told([*groups], found, [*greens], alone)

    def _keep(self, kept: Bool) -> None:
        self.x, self.y, self.half = self.x[kept], self.y[kept], self.half[kept]

    def _heights(self) -> tuple[Float64, Float64]:
        """(n, 4) height of each star's profile in each plane, and its error."""
        poisson = float(self.samples.electrons)
        found = [
            levels(
                self.samples.image, self.cell, plane, float(self.samples.noise[plane]) ** 2, poisson,
                self.x[:, plane].copy(), self.y[:, plane].copy(), self.shape, self.wings, self.radius,
            )
            for plane in range(4)
        ]  # fmt: skip
        return np.array([h for h, _ in found]).T, np.array([e for _, e in found]).T

    def _weights(self, groups: dict[str, tuple[int, ...]]) -> Weights:
        """Weights at the shape that was found last, from the mean over the colours of relative variances."""
        height, error = self._heights()
        # of colours without light, and of stars a step took the light from: any value but none
        height = np.where(height > 0.1 * error, height, np.maximum(0.1 * error, 1e-30))
        variance = self.samples.noise**2 / height**2
        photons = float(self.samples.electrons) / height
        flat, photon = (
            np.mean([part[:, list(planes)].mean(axis=1) for planes in groups.values()], axis=0)
            for part in (variance, photons)
        )
        share = 1.0 / (flat + 0.3 * photon)
        less = np.maximum(share / (MOST_SHARE * np.median(share)), 1.0)
        return Weights(height, flat * less, photon * less, self.shape, self.wings)


def _planes(groups: dict[str, tuple[int, ...]]) -> list[Int64]:
    return [np.array(planes, dtype=np.int64) for planes in groups.values()]


def _clear(snr: Float64, groups: Sequence[tuple[int, ...]]) -> Bool:
    """Stars that are clear in all planes of these colours."""
    planes = [plane for group in groups for plane in group]
    return np.asarray((snr[:, planes] > CLEAR).all(axis=1))


def _live(snr: Float64) -> list[str]:
    """Colours with enough stars that are clear in all of them at once."""
    live = dict(_FITTED)
    while live and _clear(snr, list(live.values())).sum() < LEAST_STARS:
        del live[min(live, key=lambda name: int(_clear(snr, [live[name]]).sum()))]
    return list(live)


def _usual(pull: Float64, weights: Weights) -> Bool:
    """Stars that do not pull the widths, or their differences, much harder than others of their weight."""
    share = 1.0 / (weights.flat + 0.3 * weights.photon)
    each = np.column_stack([pull, pull - pull.mean(axis=1, keepdims=True)]) / np.sqrt(share)[:, None]
    middle = np.median(np.abs(each), axis=0)
    return np.asarray((np.abs(each) <= STRAY * 1.4826 * middle + 1e-300).all(axis=1))


def _told(names: list[str], found: Fitted, greens: list[str], alone: Fitted | None) -> FrameWidths:
    out = _nothing()
    order = [COLOURS.index(name) for name in names + greens]
    shapes = np.concatenate([found.shapes, alone.shapes]) if alone else found.shapes
    pull = np.concatenate([found.pull, alone.pull], axis=1) if alone else found.pull
    width, long, angle = np.array([widths_of(shape) for shape in shapes]).T
    out.fwhm_px[order] = width
    out.half_light_px[order] = half_light_radius(width, found.wings, WITHIN)
    out.elongation[order] = long
    out.angle_deg[order] = np.degrees(angle) % 180.0
    out.covariance[np.ix_(order, order)] = pull.T @ pull
    return FrameWidths(
        out.fwhm_px, out.half_light_px, out.elongation, out.angle_deg, out.covariance, 1.0 / found.wings,
        len(pull),
    )  # fmt: skip
