"""Values as JSON has them."""

from __future__ import annotations

import math
import os
from typing import Any


def json_ready(value: Any) -> Any:
    """`value` in what JSON knows: no NaN or infinity but null, arrays as lists, bytes as hex, paths as text.

    >>> json_ready({"power_W": float("nan"), 3: (b"\\x01", True)})
    {'power_W': None, '3': ['01', True]}
    """
    if isinstance(value, dict):
        return {str(k): json_ready(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [json_ready(v) for v in value]
    if hasattr(value, "tolist"):
        return json_ready(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, (bytes, os.PathLike)):
        return value.hex() if isinstance(value, bytes) else str(value)
    return value
