"""Lights as a run would measure them, drawn at random with known truth: drifting sky and haze, nights of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fourlight.stages.series import AS_RUN, Series

__all__ = ["NIGHT", "Sky", "drift", "lights", "own_nights", "patches"]

PLANES = 5
SHARES = np.array([0.33, 0.28, 0.28, 0.11, 0.56])
"""Information of R, G1, G2, B and G where nothing else is asked for: a part of all of R, G and B."""
HAZE, SKY, SEEING, NIGHT = 0.15, 0.10, 0.20, 0.10
"""Scatter of transparency, sky and width of stars from light to light, and of nights; in the logarithm."""
MEASURED = {"information": 0.03, "noise": 0.01, "width_px": 0.007, "transparency": 0.003, "sky": 0.003}
"""Errors of single values, in the logarithm: those that the program states for its own measurements, or larger."""


@dataclass(frozen=True)
class Sky:
    """What lights are taken under."""

    lights: int = 24
    nights: int = 1
    memory: float = 0.6
    """Correlation of haze, sky and seeing from one light to the next."""
    alone: float = 0.0
    """Part of their variance that has no memory."""
    night: float = NIGHT
    """Scatter from night to night of haze."""


def drift(rng: np.random.Generator, n: int, memory: float, alone: float = 0.0) -> np.ndarray:
    """(n,) variance one: a first-order autoregression, and a part without memory."""
    steps, found = rng.normal(size=n), np.empty(n)
    found[0] = steps[0]
    for k in range(1, n):
        found[k] = memory * found[k - 1] + np.sqrt(1 - memory**2) * steps[k]
    return np.sqrt(1 - alone) * found + np.sqrt(alone) * rng.normal(size=n)


def own_nights(rng: np.random.Generator, sky: Sky) -> np.ndarray:
    """(nights,) what each night has of its own, variance one; of fewer than three nights about a mean of zero.

    What is said of these frames alone is true of what these nights were: they differ, and their mean is exact.
    """
    found = rng.normal(size=sky.nights)
    count = np.bincount(np.arange(sky.lights) % sky.nights)
    return found if sky.nights > 2 else found - np.average(found, weights=count)


def lights(
    rng: np.random.Generator, sky: Sky, moonlit: np.ndarray | None = None, moon: float = 1.0, warm: float = 1.0,
    green: float = 0.56, red: float = 1.0, night_factor: float = 1.0, sky_nights: np.ndarray | None = None,
) -> Series:  # fmt: skip
    """A run's lights.

    Parameters
    ----------
    rng, sky
    moonlit : (lights,) bool, optional
        Labels; the Moon's effect follows ``moon``, which is none at 1.
    moon : float
        Information of moonlit lights over that of dark ones.
    warm : float
        Noise of a sensor 8 C warmer.
    green : float
        Share of green in the information of R, G and B.
    red : float
        Width of stars in red over that in green.
    night_factor : float
        Information of the first night over that of others.
    sky_nights : (nights,) float, optional
        Logarithm of the brightness of the sky of each night; equal where it is not given.
    """
    n = sky.lights
    night = np.sort(np.arange(n) % sky.nights)
    first = np.flatnonzero(np.diff(night, prepend=-1))

    def series(scatter: float, own: float = 0.0) -> np.ndarray:
        parts = [drift(rng, int((night == k).sum()), sky.memory, sky.alone) for k in range(sky.nights)]
        return scatter * np.concatenate(parts) + (own * rng.normal(size=sky.nights))[night]

    def measured(name: str) -> np.ndarray:
        return MEASURED[name] * rng.normal(size=(n, PLANES))

    haze = series(HAZE, sky.night)[:, None]
    bright = (series(SKY) + (np.zeros(sky.nights) if sky_nights is None else sky_nights)[night])[:, None]
    colour = 0.02 * np.stack([series(1.0) + 0.5 * own_nights(rng, sky)[night] for _ in range(PLANES)], axis=1)
    temperature = -10 + 8 * np.concatenate(
        [np.linspace(1, 0, int((night == k).sum())) for k in range(sky.nights)]
    )
    shares = np.array([(1 - green) * 0.75, green / 2, green / 2, (1 - green) * 0.25, green])
    hurt = np.log(moon) * (np.zeros(n) if moonlit is None else moonlit)[:, None]
    information = (
        50
        * shares
        * np.exp(
            2 * haze
            - bright
            + colour
            + hurt
            + np.log(night_factor) * (night == 0)[:, None]
            + measured("information")
        )
    )
    heat = np.log(warm) / 8 * (temperature + 10)[:, None]
    width = np.exp(series(SEEING)[:, None] + np.log(red) * (np.arange(PLANES) == 0) + 0.3 * colour)
    stamps = 180.0 * np.arange(n) + 86400.0 * night
    return Series(
        files=tuple(f"light_{k + 1:03d}.fits" for k in range(n)),
        nights=tuple(f"2031-08-{10 + k:02d}" for k in night),
        time_s=stamps,
        exposure_s=np.full(n, 180.0),
        temperature_c=temperature,
        halves=tuple("AB"[k] for k in (np.arange(n) - first[night]) % 2),
        moon_lit=np.full(n, 0.9),
        moon_altitude_deg=np.where(np.zeros(n, bool) if moonlit is None else moonlit, 30.0, -30.0),
        values={
            "information": information,
            "noise": 20 * np.exp(0.5 * bright + heat + measured("noise")),
            "width_px": 3 * width * np.exp(measured("width_px")),
            "sky": 5 * np.exp(bright + measured("sky")),
            "transparency": np.exp(haze + measured("transparency")) * np.ones((n, PLANES)),
            "weight": information,
        },
    )


def patches(
    rng: np.random.Generator, m: int, memory: float, treatment: str, noise: float = 1.0, signal: float = 1.0,
    width_px: float = 1.0, uneven: float = 0.0, own: float = 0.02,
) -> Series:  # fmt: skip
    """Patches of a stack as run and under one other treatment.

    Parameters
    ----------
    rng, m, memory
        Patches in order of rows, each with something in common with the next.
    treatment : str
    noise, signal, width_px : float
        Over those of the stack as run.
    uneven : float
        Scatter over patches, in the logarithm, that the treatment adds to the light of all planes.
    own : float
        Error of each value of each stack that they do not share, in the logarithm; a fifth more is shared.
    """

    def shared(scatter: float) -> np.ndarray:
        return scatter * drift(rng, m, memory)[:, None]

    base = {
        "noise": 2 * np.exp(shared(0.3)),
        "signal": 40 * np.exp(shared(1.0)),
        "level": 100 * np.exp(shared(0.3)),
        "width_px": 2.5 * np.exp(shared(0.1)),
    }
    change = {"noise": noise, "signal": signal, "level": 1.0, "width_px": width_px}
    dark = uneven * rng.normal(size=(m, 1))
    shadow = {"signal": dark, "level": dark}

    def stack(changed: bool) -> dict[str, np.ndarray]:
        return {
            name: values
            * (change[name] * np.exp(shadow.get(name, 0.0)) if changed else 1.0)
            * np.exp(own * np.stack([drift(rng, m, memory, 0.5) for _ in range(PLANES)], axis=1))
            for name, values in base.items()
        }

    none = np.zeros(0)
    return Series(
        files=(), nights=(), time_s=none, exposure_s=none, temperature_c=none, halves=(), moon_lit=none,
        moon_altitude_deg=none, patches={AS_RUN: stack(False), treatment: stack(True)},
    )  # fmt: skip
