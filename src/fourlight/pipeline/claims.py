"""Claims tested on the lights of a finished stack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fourlight.pipeline.finished import Finished
from fourlight.pipeline.light_series import light_series, treated
from fourlight.stages.claim_file import Claim
from fourlight.stages.claims import findings
from fourlight.stages.contributions import Ledger
from fourlight.stages.regions import Regions
from fourlight.stages.widths import FrameWidths

__all__ = ["claims_of"]


def claims_of(
    run: Finished, found: Regions, ledger: Ledger, widths: Sequence[FrameWidths], claims: Sequence[Claim]
) -> list[dict[str, Any]]:
    """What the lights of a run say to claims, as ``claims.json`` holds it.

    Parameters
    ----------
    run : Finished
    found : Regions
        Of the stack.
    ledger : Ledger
        Light and noise of them.
    widths : sequence of FrameWidths
        Of every light.
    claims : sequence of Claim
        All that are tested together.
    """
    patches, absent = treated(run, found)
    series = light_series(run, ledger, widths, patches, absent)
    progress = run.job.progress
    progress.begin("claims", len(claims))
    told = [finding.as_dict() for finding in findings(series, claims, progress.step)]
    progress.end(f"{len(claims)} claims tested together")
    return told
