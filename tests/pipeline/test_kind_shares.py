"""Which calibration frames are looked at for which lights, where lights of another camera are added to a stack."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from fields import raw_frame
from fourlight.frames import RawFrame, Role
from fourlight.pipeline import kinds
from fourlight.pipeline.kinds import Kind, parted


def frames(camera: str, shape: tuple[int, int], role: Role, count: int, start: int = 0) -> list[RawFrame]:
    made = [raw_frame(f"{camera}-{role}-{k + start}.fits", shape, camera=camera) for k in range(count)]
    return [replace(frame, role=role) for frame in made]


@pytest.mark.parametrize("same", [True, False])
def test_frames_that_suit_the_earlier_lights_better_are_not_looked_at_again(
    monkeypatch: pytest.MonkeyPatch, same: bool
) -> None:
    """Flats of a camera of 16 bits would be full at the level of one of 14 bits; those of one camera serve again."""
    monkeypatch.setattr(kinds.mosaic, "decide", lambda *_: "RGGB")
    old = frames("one", (500, 750), Role.LIGHT, 4)
    new = (
        frames("one", (500, 750), Role.LIGHT, 3, start=4)
        if same
        else frames("two", (400, 600), Role.LIGHT, 3)
    )
    others = frames("one", (500, 750), Role.FLAT, 2) + frames("one", (500, 750), Role.DARK, 2)
    others += frames("two", (400, 600), Role.FLAT, 2)
    sorting: Any = SimpleNamespace(
        source=None, recipe=SimpleNamespace(read=SimpleNamespace(mosaic="auto")), drop=lambda _: None
    )
    earlier: Any = Kind("", old, [], "RGGB")
    _, added = parted(sorting, [*old, *new], others, [earlier])
    names = {frame.path.name for frame in added.others}
    ours = {"one-flat-0.fits", "one-flat-1.fits", "one-dark-0.fits", "one-dark-1.fits"}
    assert names == (
        ours | {"two-flat-0.fits", "two-flat-1.fits"} if same else {"two-flat-0.fits", "two-flat-1.fits"}
    )
