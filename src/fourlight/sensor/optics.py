"""What collects the light: focal length, aperture, what stands in the way, and what gets through."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from fourlight.errors import InputError
from fourlight.sensor.filters import FASTEST, Beam

__all__ = ["TRANSMISSION", "Optics", "optics_from_text"]

TRANSMISSION = 0.85
"""Part of the light that passes lenses or mirrors where nobody states it: some six coated surfaces, or two mirrors."""

WRITTEN = (
    "write the focal length and the f-ratio, such as 400mm,f/5, or the focal length and aperture=80mm; obstruction=0.3 "
    "(of the diameter) and transmission=0.9 may follow"
)


@dataclass(frozen=True, slots=True)
class Optics:
    """A telescope or lens."""

    focal_mm: float
    aperture_mm: float
    obstruction: float = 0.0
    """Diameter of what stands in the middle over that of the aperture."""
    transmission: float = TRANSMISSION
    assumed: bool = field(default=False, compare=False)
    """Whether nobody stated the transmission."""

    def __post_init__(self) -> None:
        fits = 5 <= self.focal_mm <= 20000 and 1 <= self.aperture_mm <= 3000
        if not (fits and 0 <= self.obstruction < 0.9 and 0 < self.transmission <= 1):
            raise InputError(
                f"optics of {self.focal_mm:g} mm with an aperture of {self.aperture_mm:g} mm, obstruction "
                f"{self.obstruction:g}, transmission {self.transmission:g}: needed are a focal length of 5 to 20000 "
                "mm, an aperture of 1 to 3000 mm, an obstruction of 0 to 0.9 and a transmission above 0 and at most 1"
            )
        if self.f_ratio < FASTEST:
            raise InputError(
                f"optics of {self.focal_mm:g} mm with an aperture of {self.aperture_mm:g} mm are f/{self.f_ratio:.2g}; "
                f"nothing is faster than f/{FASTEST:g}, see which number is the aperture"
            )

    @property
    def f_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_mm / self.aperture_mm

    @property
    def area_cm2(self) -> float:
        """Of the aperture less what stands in it.

        >>> round(Optics(400.0, 80.0, obstruction=0.5).area_cm2, 2)
        37.7
        """
        return math.pi / 4 * (self.aperture_mm / 10) ** 2 * (1 - self.obstruction**2)

    @property
    def beam(self) -> Beam:
        """Light that converges from it."""
        return Beam(self.f_ratio, self.obstruction)

    def scale_arcsec(self, pixel_um: float) -> float:
        """Arcsec that a pixel covers in the middle of the field.

        >>> round(Optics(400.0, 80.0).scale_arcsec(3.76), 3)
        1.939
        """
        return 206.264806 * pixel_um / self.focal_mm

    def field_deg(self, side_mm: float) -> float:
        """Angle that a side of a sensor covers.

        >>> round(Optics(400.0, 80.0).field_deg(23.5), 2)
        3.37
        """
        return 2 * math.degrees(math.atan(side_mm / 2 / self.focal_mm))


def optics_from_text(text: str) -> Optics:
    """Optics as they are written on a command line.

    Raises
    ------
    InputError
        Something is missing, twice there or no number.

    Examples
    --------
    >>> optics_from_text("400mm,f/5"), optics_from_text("400 mm, aperture=80mm").f_ratio
    (Optics(focal_mm=400.0, aperture_mm=80.0, obstruction=0.0, transmission=0.85, assumed=True), 5.0)
    """
    found: dict[str, float] = {}
    for part in (piece.strip() for piece in text.split(",")):
        name, value = _part(part, text)
        if name in found:
            raise InputError(f"--optics {text}: {name} is there twice; {WRITTEN}")
        found[name] = value
    if "focal length" not in found or ("f-ratio" in found) == ("aperture" in found):
        lacks = "the focal length" if "focal length" not in found else "f-ratio or aperture, one of the two,"
        raise InputError(f"--optics {text}: {lacks} is needed; {WRITTEN}")
    focal = found["focal length"]
    if found.get("f-ratio") == 0:
        raise InputError(f"--optics {text}: an f-ratio of 0; {WRITTEN}")
    aperture = found["aperture"] if "aperture" in found else focal / found["f-ratio"]
    passed = found.get("transmission")
    return Optics(
        focal,
        aperture,
        found.get("obstruction", 0.0),
        TRANSMISSION if passed is None else passed,
        passed is None,
    )


_PARTS = (
    ("focal length", r"([\d.]+)\s*mm"),
    ("f-ratio", r"f\s*/\s*([\d.]+)"),
    ("aperture", r"aperture\s*=\s*([\d.]+)\s*(?:mm)?"),
    ("obstruction", r"obstruction\s*=\s*([\d.]+)"),
    ("transmission", r"transmission\s*=\s*([\d.]+)"),
)


def _part(part: str, text: str) -> tuple[str, float]:
    for name, pattern in _PARTS:
        found = re.fullmatch(pattern, part, flags=re.IGNORECASE)
        if found:
            try:
                return name, float(found[1])
            except ValueError:
                break
    raise InputError(f"--optics {text}: {part or 'an empty part'!r} is not understood; {WRITTEN}")
