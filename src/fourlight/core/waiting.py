"""How many nights to wait for so many clear ones."""

from __future__ import annotations

from scipy.special import betainc

__all__ = ["nights_for"]


def nights_for(clear: int, chance: float, sure: float) -> int:
    """Least number of nights that hold at least ``clear`` clear ones with a probability.

    Nights are clear independently of one another; real ones come in spells, so that waiting scatters more. Of n nights
    at least c are clear with the probability I_p(c, n - c + 1), an incomplete beta function (DLMF 8.17.5, from memory).

    Parameters
    ----------
    clear : int
    chance : float
        That a night is clear, above 0 and at most 1.
    sure : float
        The probability, 0 to less than 1.

    Examples
    --------
    >>> nights_for(3, 1.0, 0.9), nights_for(1, 0.5, 0.9)
    (3, 4)
    """
    if clear <= 0:
        return 0

    def enough(nights: int) -> bool:
        return nights >= clear and float(betainc(clear, nights - clear + 1, min(chance, 1.0))) >= sure

    low, high = clear - 1, clear
    while not enough(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
