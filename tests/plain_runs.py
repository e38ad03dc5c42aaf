"""Settings of runs of which no test reads the picture or the evidence."""

from __future__ import annotations

DULL = ["finish.denoise.use=false", "finish.sharpen.use=false", "finish.gradient.use=false"]
"""Without the steps of the picture that take long."""
PLAIN = [*DULL, "evidence.channels=false", "evidence.claims=false"]
"""Without those, and without evidence."""


def words(settings: list[str]) -> list[str]:
    """Settings as words of the command."""
    return [word for setting in settings for word in ("--set", setting)]


PLAINLY = words(PLAIN)
