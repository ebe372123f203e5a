"""How a process of ours holds memory; for processes that look at frames and do nothing else."""

from __future__ import annotations

import ctypes
import sys

# What of freed memory glibc keeps for what is asked for next, and the largest block it takes from there (it allows no
# more). Else each picture of a megabyte is memory that the kernel clears anew: 0.1 s of a look's 1.8 (measured; the
# most that is held is the same to 2 MB).
KEPT_BYTES, LARGEST_KEPT_BYTES = 256 * 2**20, 32 * 2**20
# Of mallopt(3), from glibc's malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3


def keep_freed_memory() -> bool:
    """Let glibc keep freed memory for the next pictures; False, and nothing done, where the C library is another."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform.startswith("linux") else None
    if mallopt is None:
        return False
    # The first one set ends glibc's own adjusting of both: one without the other is worse than neither.
    return bool(mallopt(_M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES)) and bool(mallopt(_M_TRIM_THRESHOLD, KEPT_BYTES))
