"""Times as a person reads them on a player's clock."""

from __future__ import annotations


def clock_text(time_s: float) -> str:
    """Write a time as minutes, seconds and tenths: 72.34 -> ``1:12.3``, -0.5 -> ``-0:00.5``."""
    tenths = round(abs(time_s) * 10)
    minutes, rest = divmod(tenths, 600)
    sign = "-" if time_s < 0 and tenths else ""
    return f"{sign}{minutes}:{rest // 10:02d}.{rest % 10}"
