"""The report: one self-contained page about a finished run."""

from __future__ import annotations

from fourlight.report.page import write_report

__all__ = ["write_report"]
