"""Figures as they are before they become files, and whether their words can be read."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from fourlight.report.figure_style import PX_PER_INCH


def captured(monkeypatch, module):
    """A list that figures of a module go to, with their files still made."""
    name = next(name for name in ("files", "over_picture", "laid_over") if hasattr(module, name))
    made, real = [], getattr(module, name)

    def keep(figure, *more):
        made.append(figure)
        return real(figure, *more)

    monkeypatch.setattr(module, name, keep)
    return made


def words_of(figure):
    """Every visible text with its box, pixels of the page."""
    figure.set_dpi(PX_PER_INCH)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    found = []
    for text in figure.findobj(Text):
        if text.get_visible() and text.get_text().strip():
            box = text.get_window_extent(canvas.get_renderer())
            on_axes = text.axes is None or not _off_axis(text)
            if on_axes and box.width > 0:
                found.append((text.get_text(), box, text.get_fontsize()))
    return found


def _off_axis(text):
    """Ticks beyond the ends of their axis are kept by matplotlib and not drawn."""
    axes = text.axes
    low, high = sorted(axes.get_xlim())
    labels = axes.get_xticklabels()
    return text in labels and not low - 1e-9 <= axes.get_xticks()[labels.index(text)] <= high + 1e-9


def assert_readable(figure, least_px=11.5):
    """All words lie inside the figure, none on another, none too small."""
    width, height = np.array(figure.get_size_inches()) * PX_PER_INCH
    words = words_of(figure)
    assert words
    for text, box, size in words:
        assert box.x0 >= -0.5, text
        assert box.x1 <= width + 0.5, text
        assert box.y0 >= -0.5, text
        assert box.y1 <= height + 0.5, text
        assert size * PX_PER_INCH / 72 >= least_px, text
    for (one, a, _), (other, b, _) in combinations(words, 2):
        across, down = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert not (across > 1 and down > 2.5), f"{one!r} lies on {other!r}"
