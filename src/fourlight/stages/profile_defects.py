"""The map of defective samples beside the camera profile that a recipe names."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame
from fourlight.io import fits
from fourlight.recipe_read import Read

__all__ = ["DEFECTS", "MOSAIC", "known_defects", "map_beside"]

DEFECTS = "defects.fits"
"""What ``fourlight camera measure`` leaves beside the profile: 0 where a sample is sound."""
MOSAIC = "MOSAIC"
"""Its card with the pattern of the frames that were measured, in array order."""
INSTEAD = (
    f"measure the camera with frames like the lights, or take {DEFECTS} out of the folder of the profile"
)


def map_beside(read: Read) -> Path | None:
    """The map in the folder of the profile; None where no profile is named, or none lies there."""
    path = Path(read.camera_profile).with_name(DEFECTS) if read.camera_profile else None
    return path if path is not None and path.exists() else None


def known_defects(read: Read, light: RawFrame, pattern: str) -> npt.NDArray[np.bool_] | None:
    """Samples (ny, nx) that the map says are defective; None where there is no map.

    Parameters
    ----------
    read : Read
        Of the recipe.
    light : RawFrame
        Any of those that the profile holds for.
    pattern : str
        Mosaic pattern of the lights in array order.

    Raises
    ------
    InputError
        The map cannot be read, or is of another size or mosaic than the lights.
    """
    path = map_beside(read)
    if path is None:
        return None
    try:
        image = fits.find_image(path)
        if (image.ny, image.nx) != (light.ny, light.nx):
            raise InputError(
                f"{path}: this map of defective samples is {image.nx} x {image.ny}, the lights are {light.nx} x "
                f"{light.ny}; {INSTEAD}"
            )
        card = image.cards.get(MOSAIC)
        if card is not None and card.value and card.value != pattern:
            raise InputError(
                f"{path}: this map of defective samples is of mosaic {card.value}, the lights have {pattern}; {INSTEAD}"
            )
        return np.asarray(fits.rows(image, 0, image.ny) != 0)
    except FrameError as error:
        raise InputError(f"{path}: no map of defective samples ({error.reason}); {INSTEAD}") from None
