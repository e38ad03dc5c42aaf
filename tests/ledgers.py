"""Ledgers of regions whose light is known."""

from __future__ import annotations

import numpy as np

from fourlight.core.starcolour import Balance
from fourlight.stages.contributions import Ledger

WHITE = Balance(np.ones(3), 100, np.zeros((3, 3)))
"""A balance that is known without error."""


def ledger(signal, variance, frames=6, away=None, cross=1.0):
    """Lights that show ``away`` (f, 4) more than the signal of the stack."""
    signal, variance = np.asarray(signal, float), np.asarray(variance, float)
    shape = (frames, 4, 1)
    return Ledger(
        signal[None, :],
        np.zeros(shape) if away is None else away[:, :, None],
        np.broadcast_to(variance[None, :, None], shape).copy(),
        np.ones((*shape, 3)),
        np.full(shape, cross),
        np.broadcast_to(1000 / variance[None, :, None], shape).copy(),
        ("object",),
    )


def seen(light, variance=60.0, cross=None):
    """From what each light shows in each of many regions, (f, 4, r), and the stack of all."""
    stack, even = light.mean(axis=0), np.full(light.shape, variance)
    return Ledger(
        stack.T,
        light - stack,
        even,
        np.ones((*light.shape, 3)),
        np.ones(light.shape) if cross is None else cross,
        1000 / even,
        tuple(f"{k}" for k in range(light.shape[2])),
    )
