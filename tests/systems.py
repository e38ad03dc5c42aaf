"""Full matrices of the banded systems, for tests."""

import numpy as np


def dense(layers):
    """The full matrix, written out coupling by coupling."""
    _, ny, nx = layers.shape
    full = np.zeros((ny, nx, ny, nx))
    for j in range(ny):
        for i in range(nx):
            for dy in range(4):
                for dx in range(-3, 4):
                    if dy == 0 and dx < 0:
                        continue
                    jj, ii = j + dy, i + dx
                    if 0 <= jj < ny and 0 <= ii < nx:
                        k = dx if dy == 0 else 4 + (dy - 1) * 7 + 3 + dx
                        full[j, i, jj, ii] = full[jj, ii, j, i] = layers[k, j, i]
    return full.reshape(ny * nx, ny * nx)
