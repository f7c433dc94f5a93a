"""How hard the invariants are tried.

By default a property looks at the same examples in every run: a failure then is the doing of a
change, and is said at once.  `TALLYWHEEL_THOROUGH=1` looks at many times as many, new ones in every
run, and so finds what nobody thought of; it also takes the time to make a failing example small.
"""

import os
from typing import Any

from hypothesis import HealthCheck, Phase, settings

THOROUGH = os.environ.get("TALLYWHEEL_THOROUGH", "0") not in ("", "0")
MORE = 20  # times as many when thorough


def times(count: int) -> int:
    """So many, or many times that when thorough."""
    return count * MORE if THOROUGH else count


def effort(examples: int, **more: Any) -> settings:
    """Settings of a property that looks at `examples` examples. No wall clock comes into it."""
    return settings(
        max_examples=times(examples),
        derandomize=not THOROUGH,
        phases=tuple(Phase) if THOROUGH else (Phase.explicit, Phase.generate),
        database=None,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        **more,
    )
