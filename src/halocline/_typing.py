"""Array types used throughout. Image planes are planar: `(rows, columns)` or `(channels, rows, columns)`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
AnyArray = NDArray[Any]
