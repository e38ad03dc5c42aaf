"""Raw files that change while a run reads them: nothing is made of them, and nothing of it is used again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.engine import Silent
from fourlight.errors import InputError
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from plain_runs import PLAIN

QUICK = with_settings(Recipe(), PLAIN)


class Meddling(Silent):
    """Does something to a file when a stage begins."""

    def __init__(self, stage: str, act: Callable[[], object]) -> None:
        super().__init__()
        self.stage, self.act = stage, act

    def begin(self, stage: str, total: int) -> None:
        if stage == self.stage:
            self.act()
        super().begin(stage, total)


def brighter(path: Path) -> None:
    """Other samples that are as likely, in a file of the same length."""
    with fits.open(path, mode="update") as hdus:
        hdus[0].data = np.minimum(hdus[0].data.astype(np.int64) + 40, 65535).astype(np.uint16)


def planes(out: Path) -> dict[str, bytes]:
    with fits.open(out / "stack.fits") as hdus:
        return {hdu.name: hdu.data.tobytes() for hdu in hdus if hdu.data is not None}


@pytest.fixture
def nights(raw: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(raw, tmp_path / "nights"))


@pytest.fixture(scope="module")
def undisturbed(small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Planes of a run that nobody disturbed."""
    out = tmp_path_factory.mktemp("undisturbed") / "out"
    run([small_night], out, QUICK)
    return planes(out)


@pytest.mark.parametrize("stage", ["measure", "integrate"])
def test_a_light_that_changes_is_refused_and_forgotten(
    nights: Path, tmp_path: Path, undisturbed: dict[str, bytes], stage: str
) -> None:
    """Put back as it was, it gives the stack of a run that nobody disturbed, to the last bit."""
    light, out = sorted(nights.rglob("light_*.fits"))[1], tmp_path / "out"
    kept = shutil.copy2(light, tmp_path / "kept.fits")
    with pytest.raises(InputError, match=r"0002\.fits: changed while the run was at work") as refused:
        run([nights], out, QUICK, Meddling(stage, lambda: brighter(light)))
    assert refused.value.exit_code == 2
    assert not (out / "stack.fits").exists()
    shutil.copy2(kept, light)
    run([nights], out, QUICK)
    assert planes(out) == undisturbed


def test_a_light_that_is_removed_is_named(nights: Path, tmp_path: Path) -> None:
    light = sorted(nights.rglob("light_*.fits"))[1]
    with pytest.raises(InputError, match=r"0002\.fits: was removed while the run was at work"):
        run([nights], tmp_path / "out", QUICK, Meddling("integrate", light.unlink))
