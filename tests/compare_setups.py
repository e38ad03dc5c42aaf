"""Setups and comparisons that several tests share; all of them at an invented site under an invented target."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path

from fourlight.pipeline.setups import loads, setup_named
from fourlight.sky.site import Site
from fourlight.stages.compare_whole import Asked, compare
from fourlight.stages.plan_light import KINDS, Target
from fourlight.stages.plan_night import Goal, Place

LEDGE = Site("ledge", 31.5, -38.0, 2100.0, sky_mag=20.5)
MOONLESS, MOONRISE = date(2031, 11, 14), date(2031, 8, 7)
LANTERN = Place("Kelder's Lantern", 287.4, 18.2)

CAMERA = """
[camera]
response = "{sensor}"
mono = {mono}
pixel_um = 3.76
read_noise_e = 1.5
gain_e_per_adu = 0.8
peak_efficiency = 0.8
dark_e_per_s = 0.002
[optics]
focal_mm = 400
aperture_mm = 80
transmission = 0.85
{more}
"""


def setup(sensor="bsi-8mp", *, mono=False, filters=(("none", 1.0),), sub=180.0, more="", head=""):
    """A setup of filters with their shares; a filter is a name or a band (centre, width)."""
    text = f"sub_s = {sub}\n{head}\n" + CAMERA.format(sensor=sensor, mono=str(mono).lower(), more=more)
    for name, share in filters:
        which = (
            f'filter = "{name}"' if isinstance(name, str) else f"bands_nm = [{list(name)}]\ncalled = '{name}'"
        )
        text += f"\n[[filters]]\n{which}\nshare = {share}\n"
    return loads(text, "made", Path())


def compared(a, b, target=None, hours=6.0, evening=MOONLESS, place=None, **more):
    """Two setups, by name or as they are, compared at the ledge."""
    pair = tuple(setup_named(each) if isinstance(each, str) else each for each in (a, b))
    light = target or KINDS["faint-nebula"]
    more = {"draws": 20, **more}
    return compare(Asked(LEDGE, evening, place, Goal(), pair, light, hours, 100.0, **more))


@cache
def usual(name):
    """Comparisons that are made once: ``lines``, ``light`` under a Moon that rises, ``same``, ``blind``."""
    return {
        "lines": lambda: compared("colour-dual", "mono-two-lines", draws=60),
        "light": lambda: compared("colour-broad", "mono-lrgb", KINDS["galaxy"], 5.0, MOONRISE, LANTERN),
        "same": lambda: compared("colour-dual", "colour-dual", hours=2.0),
        "blind": lambda: compared(
            setup(filters=[("halpha-7nm", 1.0)]), setup(filters=[("dual-7nm", 1.0)]),
            Target("own target", 22.0, rayleigh={"halpha": 30.0, "oiii": 20.0}), 2.0,
        ),
    }[name]()  # fmt: skip


CASES = ("lines", "light", "same", "blind")
