"""Memory for pictures, kept by the process between one step and the next."""

from __future__ import annotations

import ctypes
import functools
import platform

__all__ = ["keep_freed_memory"]

# <malloc.h> of the GNU C library (mallopt(3)).
_M_TRIM_THRESHOLD = -1
_M_MMAP_THRESHOLD = -3
_M_ARENA_MAX = -8
_LARGEST_PICTURE = 1 << 30


@functools.cache
def keep_freed_memory() -> None:
    """Have the C library keep what is freed, where it is the GNU one; done once a process.

    Every step makes arrays of some megabytes and drops them. By itself the library hands each back
    to the system, which has to clear the same pages again for the next one: a sixteenth of the time
    of a scan. One arena, so that threads find what other threads have freed. Nothing but the time
    changes.
    """
    if platform.libc_ver()[0] != "glibc":
        return
    library = ctypes.CDLL(None)
    library.mallopt(_M_ARENA_MAX, 1)
    library.mallopt(_M_MMAP_THRESHOLD, _LARGEST_PICTURE)
    library.mallopt(_M_TRIM_THRESHOLD, _LARGEST_PICTURE)
