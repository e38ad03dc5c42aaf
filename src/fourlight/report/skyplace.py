"""Where the picture is on the sky, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["degrees_words", "sky_words", "solution_lines"]

Facts = Mapping[str, Any]


def sky_words(summary: Facts) -> dict[str, Any]:
    """Rows of the table on the plate solution; none where there is no solution."""
    sky = summary.get("sky")
    return {
        "sky": solution_lines(sky) if sky else [],
        "sky_stars": (sky or {}).get("named") or [],
        "sky_objects": [_object(each) for each in (sky or {}).get("objects") or []],
    }


def _object(each: Facts) -> dict[str, str]:
    """A catalogue object in words."""
    longest, shortest = each["longest_arcmin"], each["shortest_arcmin"]
    sides = [f"{side:.3g}′" for side in (longest, shortest) if side]
    brightness = each["magnitude"]
    return {
        "name": each["name"] + (f", {each['also']}" if each["also"] else ""),
        "kind": each["kind"],
        "size": " by ".join(sides) or "not known",
        "magnitude": "not known" if brightness is None else f"{brightness:.1f}",
        "place": f"{each['x_px']:.0f}, {each['y_px']:.0f}",
    }


def solution_lines(sky: Facts) -> list[tuple[str, str]]:
    """A plate solution as names and what is said of each."""
    order = int(sky["order"])
    bent = f"terms to order {order} (SIP)" if order > 1 else "none that the stars show"
    return [
        ("Centre", degrees_words(sky["ra_deg"], sky["dec_deg"])),
        ("Scale", f"{sky['scale_arcsec_px']:.4g} arcsec per pixel"),
        ("Field", f"{_angle(sky['width_deg'])} by {_angle(sky['height_deg'])}"),
        ("Orientation", _turned(sky)),
        ("Distortion", bent),
        ("Objects", _objects(sky)),
        ("Grounds", _grounds(sky)),
        ("Looked for", str(sky["looked_for"])),
    ]


def _objects(sky: Facts) -> str:
    """Names of what is on the picture."""
    listed = [
        f"{each['name']} ({each['also']})" if each["also"] else each["name"]
        for each in sky.get("objects") or []
    ]
    return ", ".join(listed) or "none of the catalogues of nebulae, clusters and galaxies"


def _grounds(sky: Facts) -> str:
    arcsec = sky["rms_px"] * sky["scale_arcsec_px"]
    return (
        f"{sky['stars']} of {sky['expected']} catalogue stars found, {sky['rms_px']:.2f} px ({arcsec:.2g} arcsec) rms"
        f" along an axis; the chance of a wrong solution is below {_chance(sky['log10_chance'])}"
    )


def _chance(log10: float) -> str:
    """A chance in words, rounded up; a smaller one than a million's part is told as that.

    >>> _chance(-87.3), _chance(-5.6)
    ('one in a million', 'one in 100,000')
    """
    return "one in a million" if log10 <= -6 else f"one in {10 ** max(int(-log10), 0):,}"


def _turned(sky: Facts) -> str:
    """How the picture is turned, as it is shown: first row on top."""
    # +y runs down there: its position angle is that of the lower edge
    up = (sky["rotation_deg"] + 180.0) % 360.0
    # mirrored as FITS draws it, with y upward, is as on the sky where y runs down
    sides = "as on the sky" if sky["mirrored"] else "mirrored"
    return f"as shown, up is {round(up, 2) % 360:.2f}° from north towards east; {sides}"


def _angle(degrees: float) -> str:
    return f"{degrees:.2f}°" if degrees >= 1 else f"{60 * degrees:.1f}′"


def degrees_words(ra_deg: float, dec_deg: float) -> str:
    """A place in hours and degrees, and in degrees.

    >>> degrees_words(303.2058, 46.01826)
    '20h 12m 49.4s, +46° 01′ 06″ (303.2058, 46.0183)'
    """
    tenths = round(ra_deg * 2400) % 864000
    hours, rest = divmod(tenths, 36000)
    minutes, tenth = divmod(rest, 600)
    arcsec = round(abs(dec_deg) * 3600)
    sign = "−" if dec_deg < 0 else "+"
    dec = f"{sign}{arcsec // 3600:02d}° {arcsec % 3600 // 60:02d}′ {arcsec % 60:02d}″"
    return f"{hours:02d}h {minutes:02d}m {tenth / 10:04.1f}s, {dec} ({ra_deg:.4f}, {dec_deg:.4f})"
