"""The script that speed is measured against does the same job: stars and sky of its stack are ours.

`benchmarks/library_job.py` makes a stack from the same raw frames by ccdproc, sep, astroalign, scikit-image, the
drizzle package and astropy alone.
"""

import importlib
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from plain_runs import PLAIN

BENCHMARKS = str(Path(__file__).parents[2] / "benchmarks")
SCENE = """
seed = 5
[stars]
count = 250
brightest_mag = 9.5
cluster_count = 0
[camera]
width_px = 400
height_px = 300
[calibration]
darks = 6
flats = 6
bias = 6
[[nights]]
count = 6
dither_px = 4.0
flip_after = 3
"""
REFERENCE = "light_0002.fits"

pytestmark = pytest.mark.filterwarnings("ignore:.*datfix")


@pytest.fixture(scope="module")
def stacks(tmp_path_factory):
    """Our stack, by drops of one pixel as theirs is, and theirs with nothing rejected; and what compares them."""
    folder = tmp_path_factory.mktemp("job")
    simulate(loads(SCENE), folder / "night")
    settings = [f"registration.reference={REFERENCE}", "integrate.method=drizzle", "integrate.pixfrac=1.0"]
    run([folder / "night"], folder / "ours", with_settings(Recipe(), [*settings, *PLAIN]))
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(BENCHMARKS)
        agreement, library_job = map(importlib.import_module, ("agreement", "library_job"))
        # Clipping by the scatter of six frames cuts into stars, whose samples differ by where they lie.
        patch.setattr(library_job, "SIGMA", 1e9)
        library_job.job(folder / "night", folder / "theirs", REFERENCE)
    return folder, agreement.compared


def test_stars_and_sky_of_both_stacks_agree(stacks):
    folder, compared = stacks
    for plane, found in compared(folder / "ours", folder / "theirs").items():
        assert found.stars >= 20, plane
        # the script ties each light's scale to 30 stars of some per cent each; stars are then on one scale
        assert abs(found.flux) < 0.02, plane
        assert found.scatter < 0.008, plane
        # sky of the reference by two estimators that stand 0.1 sigma of a sample apart, 1 of 65 electrons in red
        assert abs(found.sky) < 0.02, plane


def test_same_planes_and_halves_of_the_same_samples(stacks):
    """Noise of both is that of the same samples: differences of the halves go together, pixel by pixel, and are alike.

    Our variances are for sums over areas, theirs of single pixels: by 1.5 squared larger where drops cover evenly
    (Fruchter & Hook 2002, eq. 9); six lights do not quite.
    """
    folder, _ = stacks
    apart, claims = [], []
    for side in ("ours", "theirs"):
        with (
            fits.open(folder / side / "stack.fits") as stack,
            fits.open(folder / side / "halves.fits") as halves,
        ):
            for plane in ("R", "G1", "G2", "B", "G"):
                assert stack[plane].shape == stack[f"VAR_{plane}"].shape == (300, 400)
                claims.append(np.nanmedian(stack[f"VAR_{plane}"].data))
                assert np.nanmedian(halves[f"VAR_{plane}_A"].data) > 0
            apart.append(halves["R_A"].data - halves["R_B"].data)
    dark = np.all([np.abs(part) < 60 for part in apart], axis=0)
    assert dark.mean() > 0.9
    assert np.corrcoef(apart[0][dark], apart[1][dark])[0, 1] > 0.95
    assert np.std(apart[0][dark]) / np.std(apart[1][dark]) == pytest.approx(1, abs=0.05)
    assert np.divide(*np.reshape(claims, (2, 5))) == pytest.approx(np.full(5, 2.25), rel=0.2)
