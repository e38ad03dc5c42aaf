"""Writing what a run has found: the stack, its halves, the tables."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.io.fits_writing import write_planes
from fourlight.io.room import whole
from fourlight.pipeline.layers import StackLayers

__all__ = ["plain_data", "plain_json", "plain_text", "write_csv", "write_halves", "write_json", "write_stack"]

PLANES = ("R", "G1", "G2", "B", "G")
FRAME_PLANES = ("R", "G1", "G2", "B")

Cards = Mapping[str, tuple[Any, str]]


def primary_cards(summary: Mapping[str, Any]) -> dict[str, tuple[Any, str]]:
    """Cards of the primary header of ``stack.fits`` and ``halves.fits``."""
    frames = summary["frames"]
    cards: dict[str, tuple[Any, str]] = {
        "CREATOR": (f"fourlight {__version__}", "program that made this file"),
        "NCOMBINE": (len(frames), "lights integrated"),
        "EXPTOTAL": (summary["integration"]["total_exposure_s"], "[s] total exposure of these lights"),
        "REFFRAME": _text_card(summary["grid"]["reference"], "light whose pixel grid the stack has"),
        "CFAPAT": (summary["mosaic"]["pattern"], "mosaic of the raw frames, array order"),
        "METHOD": (summary["integration"]["method"], "how samples became planes"),
    }
    if summary["integration"]["pixfrac"]:
        cards["PIXFRAC"] = (summary["integration"]["pixfrac"], "side of a drop over the pixel pitch")
    if summary["object"]:
        cards["OBJECT"] = _text_card(str(summary["object"]), "from the lights")
    times = sorted(f["time"] for f in frames if f["time"])
    if times:
        cards["DATE-OBS"] = (times[0][:19], "UTC start of the first light")
    noise = summary["noise"]
    if noise["gain_e_per_adu"]:
        cards["EGAIN"] = (noise["gain_e_per_adu"], "[electron/adu] of the raw frames")
    if noise["read_noise_e"] is not None:
        cards["RDNOISE"] = (noise["read_noise_e"], "[electron] of the raw frames")
    return cards


def plain_text(text: str) -> str:
    """Text with what no FITS header may hold (FITS 4.0 sec. 4.2.1.1) as escapes of Python."""
    return "".join(c if " " <= c <= "~" else c.encode("unicode_escape").decode() for c in text)


def _text_card(text: str, comment: str) -> tuple[str, str]:
    """A card of any text. Where text and comment do not fit one card of 80 characters, the text is kept."""
    text = plain_text(text)
    return text, comment if len(text.replace("'", "''")) + len(comment) <= 65 else ""


def write_stack(
    path: Path, layers: StackLayers, summary: Mapping[str, Any], sky: Cards | None = None,
    named: Mapping[str, Cards] | None = None,
) -> None:  # fmt: skip
    """``stack.fits``: per plane the value, VAR_ (for sums over areas) and SAMPLES_; and REJECTED.

    ``sky`` are cards of every image, ``named`` those of units by name; that of the first is empty.
    """
    unit, sky, named = summary["unit"], sky or {}, named or {}

    def extensions() -> Iterator[tuple[str, Any, Cards]]:
        for plane in PLANES:
            ratio = layers.noise_correlation(plane)
            noise = (
                {"NOISCORR": (round(ratio, 5), "scatter of single pixels over sqrt(VAR)")}
                if ratio == ratio
                else {}
            )
            yield (
                plane,
                layers.read(plane, "value"),
                {
                    "BUNIT": (unit, "per pixel, in the reference light"),
                    **noise,
                    **sky,
                    **named.get(plane, {}),
                },
            )
            yield (
                f"VAR_{plane}",
                layers.read(plane, "variance"),
                {"BUNIT": (f"{unit}2", "mean over n pixels has variance VAR/n"), **noise, **sky},
            )
            counted = {"BUNIT": ("count", "effective samples"), **sky}
            yield f"SAMPLES_{plane}", layers.read(plane, "samples"), counted
        yield "REJECTED", layers.rejected_map(), {"BUNIT": ("count", "rejected samples, all planes"), **sky}

    write_planes(path, {**primary_cards(summary), **named.get("", {})}, extensions())


def write_halves(
    path: Path, layers: StackLayers, summary: Mapping[str, Any], sky: Cards | None = None
) -> None:
    """``halves.fits``: two stacks of alternate lights, as ``R_A``, ``VAR_R_A`` and so on."""
    unit, sky = summary["unit"], sky or {}

    def extensions() -> Iterator[tuple[str, Any, Cards]]:
        for half in ("a", "b"):
            for plane in PLANES:
                name = f"{plane}_{half.upper()}"
                yield name, layers.read(plane, f"value_{half}"), {"BUNIT": (unit, "as in stack.fits"), **sky}
                variance = layers.read(plane, f"variance_{half}")
                yield f"VAR_{name}", variance, {"BUNIT": (f"{unit}2", "as in stack.fits"), **sky}

    write_planes(path, primary_cards(summary), extensions())


def write_json(path: Path, data: Mapping[str, Any] | Sequence[Any]) -> None:
    """A JSON file, complete or not at all; numbers that are not finite become null."""
    with whole(path) as part:
        part.write_text(plain_json(data) + "\n", encoding="utf-8", newline="")


def plain_json(data: Mapping[str, Any] | Sequence[Any]) -> str:
    """JSON text of anything a summary holds; numbers that are not finite become null."""
    text = json.dumps(plain_data(data), indent=1, ensure_ascii=False, allow_nan=False)
    # Bytes of a file name that are no UTF-8 become escapes of JSON, which read back as the same name.
    return text.encode("utf-8", "backslashreplace").decode()


def plain_data(value: Any) -> Any:
    """The same of what JSON can hold, as it reads back: numbers that are not finite are None.

    >>> plain_data({"share": np.float32("nan"), "ends": (0.5, np.inf)})
    {'share': None, 'ends': [0.5, None]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain_data(part) for key, part in value.items()}
    if isinstance(value, np.ndarray):
        return plain_data(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_data(part) for part in value]
    if isinstance(value, np.generic):
        return plain_data(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, Path):
        return str(value)
    return value


SCALARS = ("file", "path", "night", "time", "exposure_s", "filter", "stars", "matched", "rms_px")
PER_PLANE = ("fwhm_px", "elongation", "sky", "gradient", "noise", "transparency", "weight")


def write_csv(path: Path, summary: Mapping[str, Any]) -> None:
    """``frames.csv``: one row per light, the ones set aside too."""
    header = [
        *SCALARS,
        *(f"{name}_{plane}" for name in PER_PLANE for plane in FRAME_PLANES),
        "flags",
        "status",
        "reason",
    ]
    rows: list[list[Any]] = [header]
    rows.extend(_row(frame, "used", "") for frame in summary["frames"])
    rows.extend(
        _row(item.get("measured") or item, f"set aside ({item['stage']})", item["reason"])
        for item in summary["set_aside"]
    )
    with (
        whole(path) as part,
        part.open("w", encoding="utf-8", errors="backslashreplace", newline="") as stream,
    ):
        csv.writer(stream).writerows(rows)


def _row(frame: Mapping[str, Any], status: str, reason: str) -> list[Any]:
    def cell(value: Any) -> Any:
        if value is None or (isinstance(value, float) and not np.isfinite(value)):
            return ""
        return f"{value:.6g}" if isinstance(value, float) else value

    values = [cell(frame.get(name)) for name in SCALARS]
    values += [cell((frame.get(name) or {}).get(plane)) for name in PER_PLANE for plane in FRAME_PLANES]
    return [*values, " ".join(frame.get("flags", [])), status, reason]
