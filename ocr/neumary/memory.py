"""The C library's memory: what one page has freed, the next may have without asking the system.

Pages make and free arrays of 1 to 30 MB by the hundred. By its defaults glibc gives such blocks
back at once, and the system clears every page of memory it hands out: about 6 % of the time of a
read. Kept, they cost some 25 MiB at the peak, and the process stays at its peak between pages.
"""

from __future__ import annotations

import functools
from typing import Final

# mallopt(3) and glibc's malloc.h
_TRIM_THRESHOLD: Final = -1
_MMAP_THRESHOLD: Final = -3
_LARGEST_BLOCK: Final = 32 << 20  # the most that glibc promises to take; larger ones still go back
_MOST_KEPT: Final = 256 << 20


@functools.cache
def keep_freed_memory() -> bool:
    """Tell the C library to keep what is freed, once in a process.

    Returns
    -------
    bool
        Whether it knows how; nothing changes where it does not (other systems, other C libraries).
    """
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):
        return False
    return bool(mallopt(_MMAP_THRESHOLD, _LARGEST_BLOCK) and mallopt(_TRIM_THRESHOLD, _MOST_KEPT))
