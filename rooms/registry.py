"""What apps above tell rooms: registration points only, filled in their `apps.py`."""

from collections.abc import Callable
from typing import Any

#: (code, size, variant, skin_product_id) -> which field is wrong as a name on set-up lists and why, or None.
SetUpNameCheck = Callable[[str, str, str, Any], tuple[str, str] | None]

SET_UP_NAME_CHECKS: list[SetUpNameCheck] = []
