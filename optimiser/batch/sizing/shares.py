"""The share of the ceiling's saving that sizes are counted with: given, or measured at some sizes and between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

Sizes = tuple[float | int, ...]
AS_ONE = 1e-9  # sizes that lie so near each other, of their range, are the same
CEILING = "the ceiling: perfect foresight of prices, load and sun, an upper bound"


@dataclass(frozen=True)
class Share:
    """A share for every size.

    Attributes
    ----------
    words : str
        How it came about.
    alike : float or None
        The same for all sizes; None where it lies between measured ones.
    measured : dict of tuple to float
        By sizes.
    least, most : tuple of float
        Ends of each size, between which distances are told.
    warning : str
        Why the whole ceiling is counted on, where it is.

    References
    ----------
    .. [1] D. Shepard, "A two-dimensional interpolation function for irregularly-spaced data", Proceedings of the 1968
       ACM National Conference, 517-524: means weighted by the inverse square of the distance; from memory.
    """

    words: str
    alike: float | None = None
    measured: dict[Sizes, float] = field(default_factory=dict)
    least: tuple[float, ...] = ()
    most: tuple[float, ...] = ()
    warning: str = ""

    def of(self, sizes: Sequence[float]) -> float:
        """The share at some sizes. [-]"""
        if self.alike is not None:
            return self.alike
        span = np.maximum(np.subtract(self.most, self.least), AS_ONE)
        places = (np.array(list(self.measured), float) - np.asarray(sizes, float)) / span
        apart = (places**2).sum(axis=1)
        shares = np.array(list(self.measured.values()))
        if apart.min() < AS_ONE**2:
            return float(shares[apart.argmin()])
        return float(shares @ (1 / apart) / (1 / apart).sum())
