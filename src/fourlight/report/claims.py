"""Claims and what the lights say to them, as a table for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["claims_table"]

ORDER = ("supported", "contradicted", "cannot tell")
CLASSES = {"supported": "yes", "contradicted": "no", "cannot tell": "open"}


def claims_table(claims: Sequence[Mapping[str, Any]] | None) -> dict[str, Any]:
    """Rows of the findings, those that tell something first; none where claims were not tested."""
    rows = [
        {
            "claim": finding["claim"],
            "question": finding["question"],
            "verdict": finding["verdict"],
            "sign": CLASSES.get(finding["verdict"], "open"),
            "sentence": _without_verdict(finding),
        }
        for finding in claims or ()
    ]
    rows.sort(key=lambda row: ORDER.index(row["verdict"]) if row["verdict"] in ORDER else len(ORDER))
    return {"claims": rows}


def _without_verdict(finding: Mapping[str, Any]) -> str:
    """The sentence less the verdict at its beginning, which stands in a column of its own.

    >>> _without_verdict({"verdict": "cannot tell", "sentence": "Cannot tell: the run had no darks."})
    'The run had no darks.'
    """
    said = str(finding.get("sentence") or "")
    for start in (f"{finding['verdict']}: ", f"{finding['verdict']} for "):
        if said.lower().startswith(start):
            rest = said[len(start) :]
            return rest[:1].upper() + rest[1:]
    return said
