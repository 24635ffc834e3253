"""What the bench builds once, and finds again."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path


def built(place: Path, build: Callable[[Path], None]) -> Path:
    """`place`, which `build` makes if it is not there whole: under another name until it is done. Raises OSError."""
    if not place.exists():
        began = time.monotonic()
        unfinished = place.with_name(f"{place.name}.unfinished")
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.unlink(missing_ok=True)
        place.parent.mkdir(parents=True, exist_ok=True)
        build(unfinished)
        unfinished.rename(place)
        print(f"built {place} in {time.monotonic() - began:.0f} s", file=sys.stderr)
    return place
