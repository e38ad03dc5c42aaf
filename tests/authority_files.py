"""Where files of outside authorities lie."""

from pathlib import Path

REAL_PAIR = Path(__file__).parent / "authorities" / "real_pair"
