"""Nights that cannot be stacked: one clear line, foretold by inspect, nothing written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from bad_frames import as_mono, put


def only(raw: Path, *kept: str) -> None:
    for path in raw.iterdir():
        if path.name not in kept:
            path.unlink()


def no_lights(raw: Path) -> None:
    for path in sorted(raw.iterdir()):
        put(raw / f"d_{path.name}", path, IMAGETYP="DARK")
        path.unlink()


def darks_and_an_unknown_file(raw: Path) -> None:
    no_lights(raw)
    (raw / "x.fits").write_bytes(b"no frame" * 9)


def darks_and_a_broken_light(raw: Path) -> None:
    no_lights(raw)
    (raw / "light.fits").write_bytes(b"no frame" * 9)


def one_frame(raw: Path) -> None:
    only(raw, "light_0002.fits")


def one_frame_twice(raw: Path) -> None:
    only(raw, "light_0002.fits")
    (raw / "b.fits").write_bytes((raw / "light_0002.fits").read_bytes())


def two_cameras(raw: Path) -> None:
    only(raw, "light_0001.fits", "light_0002.fits")
    fits.setval(raw / "light_0001.fits", "INSTRUME", value="another camera")


def all_broken(raw: Path) -> None:
    for path in raw.iterdir():
        path.write_bytes(path.read_bytes()[:5000])


def most_broken(raw: Path) -> None:
    all_but_one_broken(raw)
    (raw / "light_0001.fits").write_bytes(b"")


def all_but_one_broken(raw: Path) -> None:
    for path in sorted(raw.iterdir())[1:]:
        path.write_bytes(path.read_bytes()[:5000])


def all_mono(raw: Path) -> None:
    for number, path in enumerate(sorted(raw.iterdir())):
        put(raw / f"m_{path.name}", path, as_mono(fits.getdata(path), number), BAYERPAT=None)
        path.unlink()


def one_colour_among_mono(raw: Path) -> None:
    for number, path in enumerate(sorted(raw.iterdir())[1:]):
        put(raw / f"m_{path.name}", path, as_mono(fits.getdata(path), number))
        path.unlink()


def all_colour(raw: Path) -> None:
    for path in sorted(raw.iterdir()):
        put(raw / f"c_{path.name}", path, np.stack([fits.getdata(path)] * 3))
        path.unlink()


def all_starless(raw: Path) -> None:
    for number, path in enumerate(sorted(raw.iterdir())):
        image = fits.getdata(path)
        noise = np.random.default_rng(number).normal(np.median(image), 25, image.shape)
        put(raw / f"s_{path.name}", path, np.rint(noise).astype(np.uint16))
        path.unlink()


NO_LIGHTS = "no lights among the frames found (4 darks); point at the folders that hold the subs"
NONE_USABLE = "no light can be used; replace the files that are set aside above, or name other folders"
ONE_FOUND = "1 light found; at least 2 lights of one camera, size, gain and filter are needed to integrate"
ONE_LEFT = "1 usable light left; 2 are needed, the others are set aside as said above"
AS_LONG = None
"""The sentence of the run names no file that is set aside, so inspect says it whole."""


@pytest.mark.parametrize(
    ("spoil", "expected", "brief"),
    [
        (no_lights, "no lights among the frames found (4 darks)", AS_LONG),
        (
            darks_and_an_unknown_file,
            "no lights among the frames found (4 darks; 1 file set aside (x.fits: not a FITS file",
            NO_LIGHTS,
        ),
        (
            darks_and_a_broken_light,
            "no light can be used: 1 light set aside (light.fits: not a FITS file",
            NONE_USABLE,
        ),
        (one_frame, ONE_FOUND, AS_LONG),
        (one_frame_twice, "1 usable light left; 2 are needed (", ONE_LEFT),
        (
            all_broken,
            "light_0003.fits and 1 more: the file is cut short: 84,280 bytes of its image are missing; copy it again)",
            NONE_USABLE,
        ),
        (
            most_broken,
            "no light can be used: 4 lights set aside (3 of them: light_0002.fits, light_0003.fits, light_0004.fits: ",
            NONE_USABLE,
        ),
        (
            all_but_one_broken,
            "1 light found; 3 lights set aside (light_0002.fits, light_0003.fits, light_0004.fits: the file is cut",
            ONE_FOUND,
        ),
        (all_mono, "a monochrome or binned frame", AS_LONG),
        (
            one_colour_among_mono,
            "1 usable light left; 2 are needed (m_light_0002.fits, m_light_0003.fits, m_light_0004.fits: no mosaic",
            ONE_LEFT,
        ),
        (all_colour, "and 1 more: already a colour image", NONE_USABLE),
        (two_cameras, "2 lights found, but no two of one kind (camera another camera instead of", AS_LONG),
    ],
)
def test_nights_that_cannot_be_stacked(
    command: Any,
    raw: Path,
    tmp_path: Path,
    untouched: Any,
    spoil: Callable[[Path], None],
    expected: str,
    brief: str | None,
) -> None:
    """Inspect knows it beforehand, less the reasons that it has given; its document gives none before."""
    spoil(raw)
    with untouched(raw):
        done = command("run", raw, "--out", tmp_path / "out")
        seen = command("inspect", raw)
        document = command("inspect", raw, "--json")
    assert (done.code, seen.code, document.code) == (2, 2, 2)
    assert expected in done.line
    words = seen.line.removeprefix("a run would be refused: ")
    assert words == (done.line if brief is AS_LONG else brief)
    assert document.line == f"a run would be refused: {done.line}"
    reasons = [line.split(": ", 2)[-1] for line in seen.out.splitlines() if "set aside" in line]
    assert all((seen.out + seen.err).count(reason) == 1 for reason in (*reasons, words)), "nothing twice"
    assert not (tmp_path / "out").exists()


def test_lights_without_stars_are_refused_when_they_are_measured(
    command: Any, raw: Path, tmp_path: Path, untouched: Any
) -> None:
    all_starless(raw)
    with untouched(raw):
        done = command("run", raw, "--out", tmp_path / "out")
        seen = command("inspect", raw)
    assert (done.code, seen.code) == (1, 0)
    assert "register: 1 usable light left; 2 are needed (" in done.line
    assert (tmp_path / "out").exists(), "masters were made"
    assert not (tmp_path / "out" / "stack.fits").exists()
