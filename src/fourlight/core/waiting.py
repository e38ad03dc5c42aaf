"""How many nights to wait for so many clear ones."""

from __future__ import annotations

__all__ = ["nights_for"]

LONGEST = 100_000


def nights_for(clear: int, chance: float, sure: float) -> int:
    """Least number of nights that hold at least ``clear`` clear ones with a probability.

    Nights are clear independently of one another; real ones come in spells, so that waiting scatters more.

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
    if chance >= 1.0:
        return clear
    # Probabilities of 0 to clear - 1 clear nights so far.
    odds = [1.0, *[0.0] * (clear - 1)]
    nights = 0
    while sum(odds) > 1.0 - sure and nights < LONGEST:
        odds = [odds[k] * (1.0 - chance) + (odds[k - 1] * chance if k else 0.0) for k in range(clear)]
        nights += 1
    return nights
