"""What a frame is for: from its header, else from the words of its folders and name, else from its pixels."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.frames import Role
from fourlight.io import camera_raw, fits
from fourlight.io.cards import Cards
from fourlight.io.header_values import first_text

__all__ = ["from_cards", "from_path", "from_pixels", "is_master", "is_result"]

CARDS = (
    "IMAGETYP",
    "IMAGETYPE",
    "IMAGE-TYP",
    "IMTYPE",
    "FRAME",
    "FRAMETYP",
    "OBSTYPE",
    "OBS-TYPE",
    "EXPTYPE",
)
_ROLE_WORDS = {
    Role.LIGHT: ("light", "lights", "object", "science", "target", "sub", "subs", "tricolor"),
    Role.DARK: ("dark", "darks"),
    Role.FLAT: ("flat", "flats", "skyflat", "skyflats", "domeflat", "domeflats"),
    Role.BIAS: ("bias", "biases", "offset", "offsets", "zero", "zeros"),
    Role.DARKFLAT: ("darkflat", "darkflats", "flatdark", "flatdarks"),
}
WORDS = {word: role for role, words in _ROLE_WORDS.items() for word in words}
_SETTING = re.compile(r"(?<=.)(?<![a-z])(?:offset|zero)=?(?:0|[1-9]\d*)(?!\d)")
"""A setting of the camera within a name: `offset50`. Running numbers begin with zeros, or the name with the word."""
_APART = re.compile(r"(?<=.)(?<![a-z])(?:offset|zero)[ _=-]+(?:0|[1-9]\d*)(?!\d)")
"""The same where its number stands apart, which is a setting beside that of the gain."""
_GAIN = re.compile(r"(?<![a-z])gain[ _=-]*\d")
PLAIN_WORDS = frozenset({"frame", "frames", "field", "image", "images", "img", "master", "raw", "the"})
STAR_SIGMA = 6.0
FLAT_LEVEL = 0.08
"""A flat is brighter than this share of the full range."""


def from_cards(cards: Cards) -> Role | None:
    """Role that the header states; None where it states none that is understood."""
    for name in CARDS:
        found = first_text(cards, (name,))
        role = _role(found[0]) if found else None
        if role is not None:
            return role
    return None


def is_master(cards: Cards) -> bool:
    """Whether the header calls the frame a master (already combined)."""
    return any("master" in found[0].lower() for name in CARDS if (found := first_text(cards, (name,))))


def is_result(cards: Cards) -> bool:
    """Whether the program itself made the file: a stack, half stacks or the truth of a simulation."""
    maker = first_text(cards, ("CREATOR",))
    kind = first_text(cards, ("IMAGETYP",))
    return bool((maker and maker[0].startswith("fourlight")) or (kind and kind[0] == "TRUTH"))


def _tokens(text: str) -> list[str]:
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()
    parted = _SETTING.sub(" ", parted)
    if _GAIN.search(parted):
        parted = _APART.sub(" ", parted)
    return [word for word in re.split(r"[^a-z]+", parted) if word]


def _stem(name: str) -> str:
    """A file's name without what tells its kind; dots within it, as of decimals, stay."""
    ends = [end for end in (*fits.ENDS, *camera_raw.SUFFIXES) if name.lower().endswith(end)]
    return name[: len(name) - max(map(len, ends), default=0)]


def _role(text: str, *, strict: bool = False) -> Role | None:
    """Role that the words of a text name; ``strict``: only if it has no words of another meaning."""
    words = _tokens(text)
    roles = [WORDS[word] for word in words if word in WORDS]
    if strict and any(len(word) > 2 and word not in WORDS and word not in PLAIN_WORDS for word in words):
        return None
    if {Role.DARK, Role.FLAT} <= set(roles):
        return Role.DARKFLAT if _adjacent(words) else None
    return roles[0] if len(set(roles)) == 1 else None


def _adjacent(words: Sequence[str]) -> bool:
    stems = [word.rstrip("s") for word in words]
    return any({first, second} == {"dark", "flat"} for first, second in pairwise(stems))


def from_path(path: Path, top: Path) -> tuple[Role, str] | None:
    """Role and where it was read: 'file name' or 'folder'.

    Names made of nothing but role words count before names that hold other words too (``dark_nebula_001``),
    near folders before far ones.

    Parameters
    ----------
    path : Path
        The frame.
    top : Path
        Folder that the user named: folders above it say nothing.

    Examples
    --------
    >>> from_path(Path("n1/lights/dark_nebula_001.fits"), Path("n1"))
    (<Role.LIGHT: 'light'>, 'folder')
    >>> from_path(Path("n1/flats/dark_flat_3.fits"), Path("n1"))
    (<Role.DARKFLAT: 'darkflat'>, 'file name')
    >>> from_path(Path("n1/nebula_300s_gain100_offset50_0001.fits"), Path("n1"))
    """
    name = _stem(path.name)
    folders = []
    for folder in path.parents:
        folders.append(folder.name)
        if folder == top:
            break
    for strict in (True, False):
        role = _role(name, strict=strict)
        if role is not None:
            return role, "file name"
        for folder_name in folders:
            role = _role(folder_name, strict=strict)
            if role is not None:
                return role, "folder"
    return None


def from_pixels(
    bands: Sequence[npt.NDArray[np.float32]], exposure_s: float | None, full_adu: float | None
) -> Role:
    """Role guessed from samples: stars make a light, a bright smooth level a flat, else dark or bias.

    Parameters
    ----------
    bands : sequence of (n, nx) float32 arrays
        Rows of the frame, each starting on an even row, NaN where undefined.
    exposure_s : float or None
        Exposure; a starless dim frame below 5 ms is a bias.
    full_adu : float or None
        Level of a full sample.
    """
    planes = [band[y::2, x::2] for band in bands for y in range(2) for x in range(2)]
    planes = [plane for plane in planes if np.isfinite(plane).any()]
    if sum(_compact(plane) for plane in planes) >= 2 * len(bands):
        return Role.LIGHT
    level = float(np.median([np.nanmedian(plane) for plane in planes]))
    if full_adu and level > FLAT_LEVEL * full_adu:
        return Role.FLAT
    if _differ(bands):
        return Role.LIGHT  # sky is brighter in some colours; without light all four planes agree
    return Role.BIAS if exposure_s is not None and exposure_s < 0.005 else Role.DARK


def _compact(plane: npt.NDArray[np.float32]) -> int:
    """Local maxima with neighbours that are bright as well: stars, not defective samples."""
    if min(plane.shape) < 5:
        return 0
    level = np.nanmedian(plane)
    sigma = 1.4826 * np.nanmedian(np.abs(plane - level)) or 1.0
    bright = plane - level > STAR_SIGMA * sigma
    warm = plane - level > 0.4 * STAR_SIGMA * sigma
    near = warm[:-2, 1:-1].astype(int) + warm[2:, 1:-1] + warm[1:-1, :-2] + warm[1:-1, 2:]
    return int(np.count_nonzero(bright[1:-1, 1:-1] & (near >= 2)))


def _differ(bands: Sequence[npt.NDArray[np.float32]]) -> bool:
    """Whether the levels of the four places of the cell differ by more than 1 % and 8 standard errors."""
    levels, errors = [], []
    for y in range(2):
        for x in range(2):
            values = np.concatenate([band[y::2, x::2].ravel() for band in bands])
            values = values[np.isfinite(values)]
            if not values.size:
                return False
            middle = np.median(values)
            levels.append(middle)
            errors.append(1.86 * np.median(np.abs(values - middle)) / np.sqrt(values.size))
    spread = max(levels) - min(levels)
    return bool(spread > 8 * max(errors) and spread > max(0.01 * abs(min(levels)), 2.0))
