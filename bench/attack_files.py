from __future__ import annotations

from pathlib import Path


def meet_file(seed: int, case: int, folder: Path) -> str:
    return ""
