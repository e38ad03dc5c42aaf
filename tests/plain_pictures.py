"""Settings of runs whose picture no test reads."""

from __future__ import annotations

PLAIN = ["finish.denoise.use=false", "finish.sharpen.use=false"]
"""Without the two steps of the picture that take long."""
