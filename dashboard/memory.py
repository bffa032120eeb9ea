"""How the process of the pages keeps memory that was given back."""

import ctypes
from contextlib import suppress

ARENAS = 2
_M_ARENA_MAX = -8  # malloc.h of the GNU C library


def share_arenas() -> None:
    """Let the C library keep two stores of free memory instead of eight a core; call it before threads start.

    Each thread of a server fills the store it was given with whatever its largest page needs, and what is
    free there is of no use to another. Python's threads take turns anyhow, so sharing costs no time. Another
    C library than GNU's has no such thing: nothing is done then.
    """
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, ARENAS)
