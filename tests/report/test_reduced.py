"""Pictures made smaller, from memory and from a file, against Pillow's own filter over the whole picture."""

import numpy as np
import pytest
from PIL import Image

from fourlight.io.export import own_tiff, save_tiff, shallow, srgb_profile
from fourlight.report.pictures import reduced


@pytest.mark.parametrize("shape", [(700, 1000), (1000, 700), (90, 1200), (333, 517), (1500, 2000)])
@pytest.mark.parametrize("longest", [480, 510, 700])
def test_strip_by_strip_is_as_all_at_once(tmp_path, shape, longest):
    """Block means first where it is twice as large or more; two levels of 255 for rounding twice."""
    rgb = np.random.default_rng(4).random((*shape, 3)).astype(np.float32)
    save_tiff(rgb, tmp_path / "p.tif", srgb_profile())
    step = max(1, max(shape) // longest)
    ny, nx = (side // step for side in shape)
    light = rgb[: ny * step, : nx * step].reshape(ny, step, nx, step, 3).mean(axis=(1, 3))
    whole = Image.fromarray(shallow(light))
    factor = min(1.0, longest / max(whole.size))
    size = (max(1, round(whole.width * factor)), max(1, round(whole.height * factor)))
    wanted = np.asarray(whole.resize(size, Image.Resampling.LANCZOS), dtype=int)
    for made in (reduced(rgb, longest), reduced(own_tiff(tmp_path / "p.tif"), longest)):
        assert made.shape == wanted.shape
        assert np.abs(made.astype(int) - wanted).max() <= 2
