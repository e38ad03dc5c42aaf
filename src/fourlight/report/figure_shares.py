"""Figure of the shares of the channels: a bar with its interval for every channel, region and kind of share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from fourlight.report.contributions import kind_name, ordered_regions, region_name
from fourlight.report.figure_style import (
    LIGHT,
    NAMES,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    footed,
    line_of,
    plain_axes,
    points,
    titled,
    wrapped,
)
from fourlight.report.words import ranged

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["TITLE", "shares_figure"]

Shares = Mapping[str, Mapping[str, Mapping[str, Mapping[str, Any]]]]
"""By kind, region and channel: ``value``, ``low``, ``high`` of 0 to 1; None where not known."""

TITLE = "What each channel holds"
ORDER = ("R", "G", "G1", "G2", "B")
BAR_PX, HEAD_PX, TITLE_PX = 25, 27, 52
MEANING = {
    "electrons": "what was counted",
    "luminance": "what the eye sees of the balanced picture",
    "information": "how well light is known: (signal / noise)²",
    "detail": "the same of what varies within some 4 px",
}
"""Of the kinds of shares, short enough for a telephone."""
MORE = 1.06
"""The longest interval over the axis: bars are as long as they can be."""


def shares_figure(
    shares: Shares,
    *,
    title: str = TITLE,
    note: str = "",
    width: int = WIDE,
    look: Look = LIGHT,
) -> Drawn:
    """A panel for each kind of share, in it a group of bars for each region.

    Parameters
    ----------
    shares : mapping of kind to region to channel to value, low, high
        As in ``channels.json``; any number of each.
    title : str
    note : str
        Below the panels: for what the intervals hold.
    width : int
        `WIDE`: two panels beside each other; `NARROW`: one.
    look : Look

    Raises
    ------
    ValueError
        There is no share.
    """
    kinds = [kind for kind in shares if any(shares[kind].values())]
    if not kinds:
        raise ValueError("no share to draw; needed at least one kind with a region")
    narrow = width <= NARROW
    if narrow:  # the parts of green would make a third more of a figure that is long as it is
        shares = {kind: {name: _whole(each) for name, each in shares[kind].items()} for kind in kinds}
    columns, side = (1 if narrow or len(kinds) == 1 else 2), (12 if narrow else 24)
    across = (width - 2 * side - 40 * (columns - 1)) / columns
    heights = [_height(shares[kind]) for kind in kinds]
    rows = [max(heights[k : k + columns]) for k in range(0, len(kinds), columns)]
    said = wrapped(note, width - 2 * side, 13)
    under = 18 * (said.count("\n") + 1) + 14 if said else 0
    figure = blank(width, 52 + sum(rows) + under, look)
    end = MORE * max(
        _top(entry) for kind in kinds for region in shares[kind].values() for entry in region.values()
    )
    name_px, said_px = 64, 92 if narrow else 108
    for k, kind in enumerate(kinds):
        left, top = side + (k % columns) * (across + 40), 52 + sum(rows[: k // columns])
        box = (left + name_px, top + TITLE_PX, across - name_px - said_px, heights[k] - TITLE_PX - 14)
        axes = plain_axes(figure, box, look)
        _panel(axes, shares[kind], end or 1.0, look)
        height = figure.get_size_inches()[1] * 100
        figure.text(
            left / width, 1 - (top + 6) / height, kind_name(kind), fontsize=points(15),
            color=look.ink, va="top", weight="bold",
        )  # fmt: skip
        figure.text(
            left / width, 1 - (top + 28) / height, MEANING.get(kind, ""), fontsize=points(13), color=look.soft, va="top"
        )  # fmt: skip
    titled(figure, title, look, narrow)
    footed(figure, said, side, look)
    return files(figure, _words(shares, kinds))


def _whole(channels: Mapping[str, Any]) -> dict[str, Any]:
    """Channels without those that are parts of another one."""
    return {name: entry for name, entry in channels.items() if not ("G" in channels and name in ("G1", "G2"))}


def _height(regions: Mapping[str, Mapping[str, Any]]) -> float:
    """Of a panel, pixels of the page."""
    return (
        TITLE_PX
        + 14
        + sum(HEAD_PX * (len(regions) > 1) + BAR_PX * len(channels) for channels in regions.values())
    )


def _top(entry: Mapping[str, Any]) -> float:
    return max((entry[key] for key in ("value", "high") if entry.get(key) is not None), default=0.0)


def _heading(region: str) -> str:
    name = region_name(region)
    return name[:1].upper() + name[1:]


def _panel(axes: Axes, regions: Mapping[str, Mapping[str, Any]], end: float, look: Look) -> None:
    """Bars of all regions from top to bottom; y is in pixels of the page."""
    axes.set_xlim(0, end)
    place, names = 0.0, []
    for region in ordered_regions(regions):
        channels = regions[region]
        if len(regions) > 1:
            axes.text(
                0.02 * end,
                place + HEAD_PX - 7,
                _heading(region),
                fontsize=points(13),
                color=look.soft,
                va="bottom",
                style="italic",
            )
            place += HEAD_PX
        for channel, entry in sorted(channels.items(), key=_rank):
            middle, part = place + BAR_PX / 2, channel in ("G1", "G2") and "G" in channels
            names.append((middle, NAMES.get(channel, channel), look.soft if part else look.ink))
            _bar(axes, middle, channel, entry, look, 0.36 if part else 0.62)
            place += BAR_PX
    axes.set_ylim(place, 0)
    axes.set_xticks([])
    axes.axvline(0, color=look.soft, linewidth=1)
    axes.set_yticks([middle for middle, _, _ in names], [name for _, name, _ in names])
    for label, (_, _, colour) in zip(axes.get_yticklabels(), names, strict=True):
        label.set_color(colour)
        label.set_fontsize(points(13))


def _rank(item: tuple[str, Any]) -> int:
    """Place of a channel among the others; those that are none of the mosaic's come last."""
    return ORDER.index(item[0]) if item[0] in ORDER else len(ORDER)


def _bar(axes: Axes, middle: float, channel: str, entry: Mapping[str, Any], look: Look, thick: float) -> None:
    """A bar, its interval, and both in words; bars of parts of another are thinner."""
    line, value = line_of(channel, look), entry.get("value")
    style: dict[str, Any] = {"fontsize": points(13), "va": "center", "transform": axes.get_yaxis_transform()}
    if value is None:
        axes.text(1.03, middle, "not known", color=look.soft, **style)
        return
    axes.barh(middle, value, height=thick * BAR_PX, color=line["color"], linewidth=0)
    low, high = entry.get("low"), entry.get("high")
    if low is not None and high is not None:
        for colour, stroke in (
            (look.paper, 3.8),
            (look.ink, 1.6),
        ):  # a rim, so that it is seen on the bar too
            axes.plot([low, high], [middle, middle], color=colour, linewidth=stroke, solid_capstyle="butt")
        axes.plot([low, high], [middle, middle], "|", color=look.ink, markersize=7.5, markeredgewidth=1.4)
    axes.text(1.03, middle, ranged(entry, 1, 100, " %"), color=look.ink, **style)


def _words(shares: Shares, kinds: list[str]) -> str:
    """The whole figure in a sentence."""
    said = []
    for kind in kinds:
        for region, channels in shares[kind].items():
            each = ", ".join(
                f"{NAMES.get(name, name)} {ranged(e, 1, 100, ' %')}"
                for name, e in channels.items()
                if e.get("value") is not None
            )
            said.append(f"{kind_name(kind)}, {region_name(region)}: {each or 'not known'}")
    return "Shares of the channels. " + "; ".join(said)
