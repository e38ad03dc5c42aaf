"""Claims tested on the lights of a finished stack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.pipeline.finished import Finished
from fourlight.pipeline.light_series import light_series, treated
from fourlight.stages.claim_file import Claim
from fourlight.stages.claims import findings
from fourlight.stages.contributions import Ledger

__all__ = ["claims_of"]

Float64 = npt.NDArray[np.float64]


def claims_of(
    run: Finished, ledger: Ledger, widths: Float64, claims: Sequence[Claim]
) -> list[dict[str, Any]]:
    """What the lights of a run say to claims, as ``claims.json`` holds it.

    Parameters
    ----------
    run : Finished
    ledger : Ledger
        Light and noise of its regions.
    widths : (f, 5) float64
        Width of stars in each light and plane, pixels of the reference.
    claims : sequence of Claim
        All that are tested together.
    """
    patches, absent = treated(run)
    series = light_series(run, ledger, widths, patches, absent)
    return [finding.as_dict() for finding in findings(series, claims)]
