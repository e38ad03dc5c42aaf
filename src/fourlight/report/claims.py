"""Claims and what the lights say to them, as a table for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["JUDGED", "claims_table", "without_verdict"]

ORDER = ("supported", "contradicted", "cannot tell")
CLASSES = {"supported": "yes", "contradicted": "no", "cannot tell": "open"}
JUDGED = (
    "Supported: there is an effect, and what was found is more than matters. Contradicted: an effect that matters is "
    "excluded. Of so many claims one in twenty would pass by chance if each were judged alone. They are therefore "
    "judged together, which asks more of each (procedure of Benjamini and Hochberg): on average at most one in twenty "
    "of those supported, and of those contradicted, should be so by chance. Intervals are 95 %, each for itself."
)
"""What verdicts mean."""


def claims_table(claims: Sequence[Mapping[str, Any]] | None) -> dict[str, Any]:
    """Rows of the findings, those that tell something first, and what verdicts mean; none where claims were not tested.

    Planes to which the same is said share a row.
    """
    rows: dict[tuple[str, str, str], dict[str, Any]] = {}
    for finding in claims or ():
        name, part = str(finding["name"]), finding["part"]
        said = without_verdict(finding)
        row = rows.setdefault(
            (name, finding["verdict"], said),
            {
                "name": name,
                "parts": [],
                "question": finding["question"],
                "verdict": finding["verdict"],
                "sign": CLASSES.get(finding["verdict"], "open"),
                "sentence": said,
            },
        )
        row["parts"] += [part] if part else []
    found = sorted(rows.values(), key=lambda row: ORDER.index(row["verdict"]))
    for row in found:
        row["claim"] = f"{row['name']} ({', '.join(row['parts'])})" if row["parts"] else row["name"]
    return {"claims": found, "claims_judged": JUDGED}


def without_verdict(finding: Mapping[str, Any]) -> str:
    """The sentence less the verdict at its beginning, which stands in a column of its own.

    >>> without_verdict({"verdict": "cannot tell", "sentence": "Cannot tell: none were taken off the lights."})
    'None were taken off the lights.'
    >>> without_verdict({"verdict": "supported", "sentence": "Supported for these frames: R is wide."})
    'For these frames: R is wide.'
    """
    said = str(finding.get("sentence") or "")
    verdict = str(finding["verdict"])
    if said.lower().startswith(verdict):
        said = said[len(verdict) :].lstrip(": ")
    return said[:1].upper() + said[1:]
