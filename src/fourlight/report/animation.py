"""Before and after as a short moving picture that repeats: WebP or animated PNG, which every browser shows."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from fourlight.io.room import whole

__all__ = ["before_after", "write_animation"]

Uint8 = npt.NDArray[np.uint8]
Kind = Literal["webp", "png"]

HOLD_MS, STEP_MS, STEPS = 1600, 60, 8
"""How long each picture stays, and the steps in which one becomes the other: slow enough not to flicker."""
LETTERS = 1 / 22
"""Height of letters over the width of the picture; on a telephone still 17 pixels."""


def before_after(
    before: Uint8, after: Uint8, labels: tuple[str, str] = ("Before", "After"), *, kind: Kind = "webp",
    longest_px: int = 960, quality: int = 90,
) -> bytes:  # fmt: skip
    """A picture that becomes another and comes back, over and over.

    Parameters
    ----------
    before, after : (ny, nx) or (ny, nx, 3) uint8
        Of one shape.
    labels : two of str
        Written on each, with a mark that says which of both it is.
    kind : "webp" or "png"
        WebP is several times smaller; an animated PNG keeps every level.
    longest_px : int
        Larger pictures are reduced.
    quality : int
        Of WebP, 0 to 100.

    Raises
    ------
    ValueError
        The pictures have different shapes.
    """
    if before.shape != after.shape:
        raise ValueError(f"two pictures of one shape are needed; not {before.shape}, {after.shape}")
    first, last = (_reduced(picture, longest_px) for picture in (before, after))
    shares = [step / (STEPS + 1) for step in range(1, STEPS + 1)]
    fade = [Image.blend(first, last, _eased(share)) for share in shares]
    pictures = [
        _labelled(first, labels, 0.0),
        *(_labelled(picture, labels, share) for picture, share in zip(fade, shares, strict=True)),
        _labelled(last, labels, 1.0),
        *(_labelled(picture, labels, share) for picture, share in zip(fade[::-1], shares[::-1], strict=True)),
    ]
    times = [HOLD_MS, *[STEP_MS] * STEPS] * 2
    return _encoded(pictures, times, kind, quality)


def write_animation(path: Path, data: bytes) -> None:
    """Write what `before_after` gave.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    with whole(path) as part:
        part.write_bytes(data)


def _eased(share: float) -> float:
    """Share of the second picture, slow at both ends.

    >>> _eased(0.0), _eased(0.5), _eased(1.0)
    (0.0, 0.5, 1.0)
    """
    return share * share * (3 - 2 * share)


def _reduced(picture: Uint8, longest_px: int) -> Image.Image:
    image = Image.fromarray(picture).convert("RGB")
    factor = longest_px / max(image.size)
    if factor < 1:
        size = (max(1, round(image.width * factor)), max(1, round(image.height * factor)))
        image = image.resize(size, Image.Resampling.LANCZOS)
    return image


def _labelled(image: Image.Image, labels: tuple[str, str], share: float) -> Image.Image:
    """The picture with its label on a strip below, and a bar that grows from the first to the second."""
    size = max(11.0, LETTERS * image.width)
    strip = round(1.9 * size)
    out = Image.new("RGB", (image.width, image.height + strip), "#101115")
    out.paste(image)
    draw, font = ImageDraw.Draw(out), ImageFont.load_default(size)
    middle, margin = image.height + strip / 2, 0.6 * size
    for text, x, side, lit in (
        (labels[0], margin, "lm", share < 0.5),
        (labels[1], out.width - margin, "rm", share >= 0.5),
    ):
        draw.text((x, middle), text, fill="#ffffff" if lit else "#7d818c", font=font, anchor=side)
    left, right = (
        margin + draw.textlength(labels[0], font) + size,
        out.width - margin - size - draw.textlength(labels[1], font),
    )
    if right > left:
        draw.line([(left, middle), (right, middle)], fill="#4a4e59", width=max(1, round(size / 9)))
        x, reach = left + share * (right - left), 0.28 * size
        draw.ellipse([x - reach, middle - reach, x + reach, middle + reach], fill="#ffffff")
    return out


def _encoded(pictures: Sequence[Image.Image], times: list[int], kind: Kind, quality: int) -> bytes:
    out = io.BytesIO()
    first, rest = pictures[0], list(pictures[1:])
    if kind == "webp":
        # every picture whole: what is left of the one before shows as blots of its colours
        first.save(
            out, "WEBP", save_all=True, append_images=rest, duration=times, loop=0, quality=quality, method=4,
            kmin=0, kmax=1,
        )  # fmt: skip
    else:
        first.save(out, "PNG", save_all=True, append_images=rest, duration=times, loop=0)
    return out.getvalue()
