"""The camera profile that a recipe names, and whether it holds for some lights."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame
from fourlight.io.texts import text_of
from fourlight.recipe_read import Read
from fourlight.sensor.profile import Profile, Quantity, loads

__all__ = ["check_profile", "fitting_profile", "named_profile"]

NEEDED = "name the camera.toml that 'fourlight camera measure --out FOLDER' leaves"


def named_profile(read: Read) -> Profile | None:
    """The profile in the file that the recipe names; None where it names none.

    Raises
    ------
    InputError
        The file cannot be read, or holds no gain.
    RecipeError
        It is no profile.
    """
    if not read.camera_profile:
        return None
    path = Path(read.camera_profile)
    profile = loads(text_of(path, "a camera profile", NEEDED), str(path))
    if not _positive(profile.quantities.get("gain")):
        raise InputError(f"{path}: this camera profile holds no gain above 0; {NEEDED}")
    return profile


def _positive(quantity: Quantity | None) -> bool:
    return quantity is not None and quantity.value > 0


def check_profile(read: Read, lights: Sequence[RawFrame]) -> None:
    """Refuse a profile that holds for none of the lights.

    Raises
    ------
    InputError, RecipeError
        See `named_profile`; or gain setting, size or binning of all lights are others.
    """
    profile = named_profile(read)
    if profile is None or not lights:
        return
    reasons = [profile.misfits(light) for light in lights]
    if all(reasons):
        raise InputError(
            f"{read.camera_profile}: this camera profile does not hold for the lights: {', '.join(reasons[0])}; "
            "measure the camera with their settings, or leave read.camera_profile empty"
        )


def fitting_profile(read: Read, light: RawFrame, tell: Callable[[str], None]) -> Profile | None:
    """The profile, if it holds for a light; what forbids it, and another name of the camera, are told."""
    profile = named_profile(read)
    if profile is None:
        return None
    why = profile.misfits(light)
    if why:
        tell(f"Camera profile not used: {', '.join(why)}.")
        return None
    said = profile.camera.name.strip().casefold(), (light.camera or "").strip().casefold()
    if all(said) and said[0] != said[1]:
        tell(
            f"The camera profile is that of {profile.camera.name}, the lights say {light.camera}; it is used."
        )
    return profile
