"""The command line: one thin module per command."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Entry point: run a command; one clear line and exit code 1 or 2 when it cannot be done."""
    try:
        from fourlight.cli.app import build
    except KeyboardInterrupt:
        sys.exit(1)
    sys.exit(build(sys.argv[1:]))
