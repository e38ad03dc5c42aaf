"""What halves agree on of a change, against what was painted."""

import numpy as np
import pytest
from scipy import ndimage

from fourlight.core.agreement import REACH, agreed_share, kept


def agreed(change, first, second):
    return kept(change, agreed_share(first, second))


def noise(size, seed):
    """Noise as the filter makes it of white noise: neither coarse nor fine, unit standard deviation."""
    white = np.random.default_rng(seed).normal(size=size)
    made = ndimage.gaussian_filter(white, 0.7) - ndimage.gaussian_filter(white, 1.7)
    return (made / made.std()).astype(np.float32)


def narrowing(ny, nx, height):
    """The difference of a narrow and a wide star of the same light."""
    y, x = np.mgrid[:ny, :nx]
    square = (x - nx // 2) ** 2 + (y - ny // 2) ** 2
    return (height * (np.exp(-square / 4) / 4 - np.exp(-square / 9) / 9)).astype(np.float32)


def test_of_noise_hardly_anything_is_kept():
    for seed in range(5):
        first, second = noise((256, 256), seed), noise((256, 256), seed + 50)
        mean = (first + second) / 2
        assert agreed(mean, first, second).std() < 0.2 * mean.std()


@pytest.mark.parametrize("height", [2e2, 2e3, 2e5])
def test_what_both_show_is_kept_and_no_light_is_made(height):
    change = narrowing(160, 160, height)
    first, second = change + noise((160, 160), 1), change + noise((160, 160), 2)
    made = agreed((first + second) / 2, first, second)
    # where the change stands above its noise nearly all of it is kept
    assert made[80, 80] == pytest.approx(change[80, 80], rel=0.12 if height < 1e3 else 0.02)
    # light: within half a per cent of what goes from the flanks to the middle
    off = made[40:121, 40:121].sum() / np.abs(change).sum()
    assert abs(off) < (0.1 if height < 1e3 else 0.005)


def test_what_one_half_shows_alone_is_not_kept():
    change = narrowing(160, 160, 2e3)
    first, second = change + noise((160, 160), 1), noise((160, 160), 2)
    assert np.abs(agreed((first + second) / 2, first, second)).max() < 0.05 * np.abs(change).max()


def test_what_is_kept_is_no_finer_than_the_change():
    """Power at the frequency of a checkerboard over that of the change at all frequencies: by numpy's transform."""
    change = sum(np.roll(narrowing(192, 192, 10**k), (40 * k, 30 * k), (0, 1)) for k in range(2, 6))
    first, second = change + noise((192, 192), 3), change + noise((192, 192), 4)
    made = agreed((first + second) / 2, first, second)
    frequency = np.abs(np.fft.fftfreq(192))
    corner = np.minimum(frequency[:, None], frequency) > 0.42
    own, made = (np.abs(np.fft.fft2(image)) ** 2 for image in ((first + second) / 2, made))
    assert made[corner].mean() < own[corner].mean() + 1e-6 * own.mean()


def test_parts_give_the_same_as_the_whole():
    first, second = (narrowing(300, 300, 500) + noise((300, 300), seed) for seed in (5, 6))
    whole = agreed((first + second) / 2, first, second)
    cut = (slice(100 - REACH, 200 + REACH), slice(96 - REACH, 200 + REACH))
    part = agreed(((first + second) / 2)[cut], first[cut], second[cut])
    np.testing.assert_allclose(
        part[REACH:-REACH, REACH:-REACH], whole[100:200, 96:200], atol=1e-4 * np.abs(whole).max()
    )


def test_nothing_and_one_pixel():
    nothing = np.zeros((5, 7), np.float32)
    assert not agreed(nothing, nothing, nothing).any()
    assert np.isfinite(agreed(*(np.full((1, 1), value, np.float32) for value in (1, 2, 0)))).all()
