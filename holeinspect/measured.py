"""A figure with its standard uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy.typing as npt

Array: TypeAlias = npt.NDArray[Any]
"""Any array of numbers or flags; docstrings give shape, unit and frame."""

Unit = Literal["mm", "deg", "1"]


@dataclass(frozen=True, slots=True)
class Measured:
    """A figure with its standard uncertainty `u`, in `unit`: "mm", "deg" or "1" (a ratio such as e/D)."""

    value: float
    u: float
    unit: Unit = "mm"

    @property
    def U(self) -> float:
        """Expanded uncertainty, k = 2 (JCGM 100:2008, 6.2)."""
        return 2 * self.u
