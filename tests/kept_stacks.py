"""Stacks whose sums are kept, so that lights can be added to them, and the planes that are compared."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from plain_runs import PLAIN

KEEP = ["run.keep_sums=true", *PLAIN]


def planes(out: Path) -> dict[str, tuple[Any, Any]]:
    """Values and variances of R, G and B in the stack of an OUT."""
    with fits.open(out / "stack.fits") as stack:
        return {
            p: (stack[p].data.astype(float), stack[f"VAR_{p}"].data.astype(float)) for p in ("R", "G", "B")
        }


def assert_same_planes(out: Path, other: Path) -> None:
    """Not a sample of two stacks, nor of their variances, differs."""
    ours = planes(out)
    for plane, (value, variance) in planes(other).items():
        np.testing.assert_array_equal(ours[plane][0], value, err_msg=plane)
        np.testing.assert_array_equal(ours[plane][1], variance, err_msg=plane)
