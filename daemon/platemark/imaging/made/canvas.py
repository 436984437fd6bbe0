"""What a picture is while it is drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

# All are float32. To the type checker float32 and a Python float make float64, which NumPy itself
# has not done since version 2.
Plane = NDArray[np.floating[Any]]
"""Single-channel values, shape (height, width)."""

Canvas = NDArray[np.floating[Any]]
"""Linear light, shape (height, width, 3); 1.0 is diffuse white and more is a light source."""

Pixels = NDArray[np.uint16]
"""Encoded picture, shape (height, width, 3), 0 … 65535."""

STRIP_ROWS = 96
"""Rows handled at a time, so that the working set stays in the processor's cache."""
