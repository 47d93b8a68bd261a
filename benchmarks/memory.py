"""Memory of a process, for benchmarks and tests."""

from __future__ import annotations

import re
import sys
from pathlib import Path


def rss_mb(*, now: bool = False) -> float:
    """Peak memory of this process, or what it holds `now`, MB.

    On Linux ``ru_maxrss`` would count the parent's too. Where there is no ``/proc``, always the peak.
    """
    status = Path("/proc/self/status")
    if status.exists():
        return int(re.search(r"VmRSS:\s+(\d+)" if now else r"VmHWM:\s+(\d+)", status.read_text())[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1024**2 if sys.platform == "darwin" else 1024
    )
