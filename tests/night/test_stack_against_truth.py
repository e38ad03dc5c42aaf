"""The stack against the sky that was simulated: star flux, noise, nebula."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import sep

Float64 = npt.NDArray[np.float64]

PLANES = ("R", "G1", "G2", "B")
SIDE = 8
"""Blocks of 8 x 8 pixels, as the acceptance list asks."""


def cut(image: Float64) -> Float64:
    """(blocks, 64): the pixels of each block."""
    ny, nx = image.shape[0] // SIDE, image.shape[1] // SIDE
    whole = image[: ny * SIDE, : nx * SIDE].reshape(ny, SIDE, nx, SIDE)
    return whole.transpose(0, 2, 1, 3).reshape(ny * nx, SIDE * SIDE)


def pulls(
    difference: Float64, variance: Float64, free: npt.NDArray[np.bool_]
) -> tuple[Float64, Float64, npt.NDArray[np.bool_]]:
    """Block means over their claimed noise sqrt(VAR / 64), less a smooth surface; its terms (blocks, 6), the first 1,
    over the same noise; and which blocks these are.

    The sky under the object is not in the truth: a polynomial of second order takes it off.
    """
    use = cut(free.astype(float)).all(axis=1)
    values, claimed = cut(difference), cut(variance)
    use &= np.isfinite(values).all(axis=1) & np.isfinite(claimed).all(axis=1)
    ny, nx = difference.shape[0] // SIDE, difference.shape[1] // SIDE
    y, x = (part.ravel() for part in np.mgrid[-1 : 1 : ny * 1j, -1 : 1 : nx * 1j])
    terms = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=1)[use]
    error = np.sqrt(claimed[use].mean(axis=1) / SIDE**2)
    mean = values[use].mean(axis=1)
    fit = np.linalg.lstsq(terms / error[:, None], mean / error, rcond=None)[0]
    return (mean - terms @ fit) / error, terms / error[:, None], use


@pytest.fixture(scope="module")
def block_pulls(nebula: Any) -> dict[str, tuple[Float64, Float64, npt.NDArray[np.bool_]]]:
    found = {}
    for plane in (*PLANES, "G"):
        truth = nebula.true_layer("G1" if plane == "G" else plane)
        found[plane] = pulls(nebula.layer(plane) - truth, nebula.layer(f"VAR_{plane}"), nebula.free)
    return found


def test_claimed_noise_is_the_real_one(block_pulls: Any) -> None:
    # Acceptance: actual over claimed 0.97 to 1.03. With n blocks the ratio itself is known to 1 / sqrt(2 n).
    together = np.concatenate([block_pulls[plane][0] for plane in PLANES])
    assert len(together) > 2000
    assert together.std() == pytest.approx(1.0, abs=0.03 + 1 / np.sqrt(2 * len(together)))
    for plane, (pull, _, _) in block_pulls.items():
        assert pull.std() == pytest.approx(1.0, abs=0.03 + 2 / np.sqrt(2 * len(pull))), plane


def test_trails_and_cosmic_rays_leave_no_blocks_behind(block_pulls: Any, nebula: Any) -> None:
    # Acceptance: at most 2e-4 of blocks beyond 4 sigma with trails in a fourth of the frames; of some thousand
    # blocks that is less than one, and chance gives 6e-5 more: three would be a failure at 3 sigma.
    assert sum(bool(frame["trails"]) for frame in nebula.truth.values()) == 3
    together = np.concatenate([block_pulls[plane][0] for plane in PLANES])
    assert np.sum(np.abs(together) > 4) <= 2
    assert all(share > 5e-4 for share in nebula.summary["integration"]["rejected_share"].values())


def test_halves_differ_by_their_claimed_noise(nebula: Any) -> None:
    """Two stacks of alternate frames share nothing but the sky: their difference is noise alone.

    Only the combined green plane covers a half of five or six frames without holes.
    """
    a, b = (nebula.layer(f"G_{half}", "halves.fits") for half in "AB")
    variance = sum(nebula.layer(f"VAR_G_{half}", "halves.fits") for half in "AB")
    pull, _, use = pulls(a - b, variance, nebula.free)
    assert use.sum() > 300
    assert pull.std() == pytest.approx(1.0, abs=0.03 + 2 / np.sqrt(2 * len(pull)))


def test_nebula_in_every_plane(block_pulls: Any, nebula: Any) -> None:
    """Slope of stack on truth is 1 within its error (2.5 sigma) and that of the gain (0.7 %, one for all planes).

    The surface that stands for the sky is fitted with it, for it takes off what the nebula has in common with one.
    """
    for plane, (pull, surface, use) in block_pulls.items():
        truth = cut(nebula.true_layer("G1" if plane == "G" else plane)).mean(axis=1)[use]
        design = np.column_stack([surface, (truth - truth.mean()) * surface[:, 0]])
        excess = np.linalg.lstsq(design, pull, rcond=None)[0][-1]
        sigma = np.sqrt(np.linalg.inv(design.T @ design)[-1, -1])
        assert sigma < 0.02, "the nebula is bright enough to tell"
        assert abs(excess) < 2.5 * sigma + 0.01, plane


def star_ratios(night: Any, plane: str) -> tuple[Float64, Float64]:
    """True flux of lone unsaturated stars, and light in a disc of the stack over that of the truth."""
    table = np.genfromtxt(night.raw / "truth" / "stars.csv", delimiter=",", names=True)
    matrix = np.array(night.reference["matrix"])
    x, y = np.linalg.inv(matrix[:, :2]) @ (np.stack([table["x_px"], table["y_px"]]) - matrix[:, 2:])
    true = table[f"{plane.lower()[0]}_e"] * night.reference["transparency"]
    image = night.layer(plane)
    ny, nx = image.shape
    inside = (x > 30) & (x < nx - 31) & (y > 30) & (y < ny - 31) & (true > 3e3) & (true < 1.8e5)
    x, y, true = x[inside], y[inside], true[inside]
    simulated = night.true_layer(f"{'G1' if plane == 'G' else plane}_STARS")
    discs = [
        sep.sum_circle(data, x, y, 9.0, mask=~np.isfinite(image), bkgann=(12.0, 18.0))[0]
        for data in (image, simulated)
    ]
    alone = np.abs(discs[1] / true - 0.997) < 0.004  # 0.997: a Moffat star of exponent 3.5 and FWHM 2.1 px
    return true[alone], discs[0][alone] / discs[1][alone]


def trend(true: Float64, ratio: Float64) -> tuple[float, float]:
    """Change of the ratio from the faintest to the brightest star, and its error; faint stars scatter more."""
    weight = 1.0 / np.hypot(0.008, 80.0 / true)
    fit, cover = np.polyfit(np.log(true), ratio, 1, w=weight, cov=True)
    span = np.log(true.max() / true.min())
    return float(fit[0] * span), float(np.sqrt(cover[0, 0]) * span)


def test_star_flux_is_linear(star_field: Any) -> None:
    # Acceptance: 0.5 %, over a factor of ten and more in flux; trends carry their own error, counted twice.
    found = {}
    for plane in (*PLANES, "G"):
        true, ratio = star_ratios(star_field, plane)
        assert len(true) > 25
        assert true.max() / true.min() > 10
        found[plane] = trend(true, ratio)
        assert np.median(ratio) == pytest.approx(1.0, abs=0.01)  # gain from the header, transparency 1 %
        assert abs(found[plane][0]) < 0.005 + 2 * found[plane][1], plane
    change, error = (np.array(values) for values in zip(*(found[plane] for plane in PLANES), strict=True))
    together = np.average(change, weights=error**-2)
    assert np.sum(error**-2) ** -0.5 < 0.0045, "enough stars to tell"
    assert abs(together) < 0.005 + np.sum(error**-2) ** -0.5


def test_blocks_of_pixels_tell_the_noise_of_pixels(nebula: Any) -> None:
    """NOISCORR is the scatter of single pixels over sqrt(VAR): below one, as drops spread each sample."""
    for plane in PLANES:
        factor = nebula.summary["integration"]["noise_correlation"][plane]
        image, variance = nebula.layer(plane) - nebula.true_layer(plane), nebula.layer(f"VAR_{plane}")
        step = (image[:, 4:] - image[:, :-4]) / np.sqrt(variance[:, 4:] + variance[:, :-4])
        step = step[nebula.free[:, 4:] & nebula.free[:, :-4]]
        assert 0.5 < factor < 1.0
        assert np.nanstd(step) == pytest.approx(factor, rel=0.05)
