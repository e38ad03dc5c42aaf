"""Where ``picture.fits`` lies in the stack and on the sky, cut and turned as its picture is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from fourlight.stages.framing import Framing

__all__ = ["framing_cards", "framing_of", "linear_cards"]

Cards = dict[str, tuple[Any, str]]

_COEFFICIENT = re.compile(r"[AB]P?_\d+_\d+")
"""Names of coefficients of SIP."""


def framing_cards(framing: Framing) -> Cards:
    """Cards that tell which part of the stack ``picture.fits`` shows, and how it is turned."""
    y0, _, x0, _ = framing.window
    return {
        "XFIRST": (x0, "lowest column of the stack that is here"),
        "YFIRST": (y0, "lowest row of the stack that is here"),
        "MIRRORED": (framing.mirrored, "left and right of the stack are exchanged"),
        "QUARTERS": (framing.quarters, "turns from +x towards -y after that"),
    }


def framing_of(header: Mapping[str, Any]) -> Framing:
    """That of ``picture.fits``, from the header of one of its images."""
    quarters = int(header.get("QUARTERS", 0))
    nx, ny = (int(header[f"NAXIS{axis}"]) for axis in ((2, 1) if quarters % 2 else (1, 2)))
    x0, y0 = int(header["XFIRST"]), int(header["YFIRST"])
    return Framing((y0, y0 + ny, x0, x0 + nx), quarters, bool(header.get("MIRRORED", False)))


def linear_cards(cards: Mapping[str, Any], framing: Framing) -> Cards:
    """Cards of the sky for a part of the stack that they are of, mirrored and turned.

    With pixels ``p' = M p + t`` of the part, the reference pixel moves with them, ``CD' = CD M^T`` (Greisen &
    Calabretta 2002, equation 1), and the polynomials of SIP (Shupe et al. 2005), which add pixels to pixels, become
    ``M f(M^T p')``.
    """
    if not cards:
        return {}
    turn, shift = framing.placing
    # a coefficient may move to another name, and the one there need not be followed by another
    out = {name: value for name, value in cards.items() if not _COEFFICIENT.fullmatch(name)}
    x, y = turn @ [cards["CRPIX1"] - 1, cards["CRPIX2"] - 1] + shift
    out |= {"CRPIX1": float(x) + 1, "CRPIX2": float(y) + 1}
    cd = np.array([[cards[f"CD{i}_{j}"] for j in (1, 2)] for i in (1, 2)]) @ turn.T
    out |= {f"CD{i + 1}_{j + 1}": float(cd[i, j]) for i, j in np.ndindex(2, 2)}
    for names in (("A", "B"), ("AP", "BP")):
        if f"{names[0]}_ORDER" in cards:
            out |= _turned_polynomials(cards, names, turn)
    return {name: (value, "") for name, value in out.items()}


def _turned_polynomials(
    cards: Mapping[str, Any], names: tuple[str, str], turn: np.ndarray[Any, Any]
) -> dict[str, float]:
    """Coefficients of both polynomials of pixels that are turned by quarters or mirrored."""
    order = int(cards[f"{names[0]}_ORDER"])
    crossed = turn[0, 0] == 0
    sign_u, sign_v = turn.sum(axis=0)  # of u and v in the turned pixels: one entry of each column is not 0
    out: dict[str, float] = {}
    for p, q in np.ndindex(order + 1, order + 1):
        keys = [f"{name}_{p}_{q}" for name in names]
        if not any(key in cards for key in keys):
            continue
        power = (q, p) if crossed else (p, q)
        both = turn @ [float(cards.get(key, 0.0)) for key in keys] * sign_u**p * sign_v**q
        out |= {f"{name}_{power[0]}_{power[1]}": float(one) for name, one in zip(names, both, strict=True)}
    return out
