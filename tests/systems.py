"""Full matrices of the banded systems, for tests."""

import numpy as np


def dense(layers):
    """The full matrix, written out coupling by coupling."""
    ny, _, wide = layers.shape
    nx = wide - 6
    full = np.zeros((ny, nx, ny, nx))
    for j in range(ny):
        for i in range(nx):
            for dy in range(min(4, ny - j)):
                for dx in range(min(4, nx - i)):
                    coupling = layers[j, 4 * dy + dx, i + 3]
                    for one, other in ((i, i + dx), (i + dx, i)):
                        full[j, one, j + dy, other] = full[j + dy, other, j, one] = coupling
    return full.reshape(ny * nx, ny * nx)
