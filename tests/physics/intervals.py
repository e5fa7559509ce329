"""Wilson's score interval for a proportion.

Formula: (p + z²/2n ± z sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n) (Wilson 1927; recommended by Newcombe 1998).
"""

from __future__ import annotations

import math

Z_95 = 1.959963984540054
Z_99 = 2.5758293035489004


def wilson(hits: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Interval for `hits` out of `trials`; (0, 1) when nothing was tried."""
    if not 0 <= hits <= trials:
        raise ValueError(f"{hits} of {trials} is not a proportion")
    if trials == 0:
        return 0.0, 1.0
    share, shrink = hits / trials, z * z / trials
    centre = share + shrink / 2
    half = z * math.sqrt(share * (1 - share) / trials + shrink / (4 * trials))
    low, high = (centre - half) / (1 + shrink), (centre + half) / (1 + shrink)
    return (0.0 if hits == 0 else low), (1.0 if hits == trials else high)
