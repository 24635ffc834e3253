"""Sizes and times as people read them."""

from __future__ import annotations

from datetime import datetime

_UNITS = ("bytes", "KiB", "MiB", "GiB", "TiB", "PiB")


def size(count: float) -> str:
    """Bytes in binary units with three figures: `3.04 GiB`, `512 bytes`."""
    unit = 0
    while count >= 999.5 and unit < len(_UNITS) - 1:
        count /= 1024
        unit += 1
    if unit == 0:
        return f"{int(count)} bytes"
    return f"{count:.{2 if count < 9.995 else 1 if count < 99.95 else 0}f} {_UNITS[unit]}"


def counted(count: int, noun: str) -> str:
    """`1 segment`, `2 segments`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def duration(seconds: float) -> str:
    """`0:42`, `1:02:03`."""
    whole = int(seconds + 0.5)
    hours, minutes = whole // 3600, whole // 60 % 60
    return f"{hours}:{minutes:02}:{whole % 60:02}" if hours else f"{minutes}:{whole % 60:02}"


def span(seconds: int) -> str:
    """`45 minutes`, `36 hours`, `180 days`: in days from two of them on, where they are whole."""
    if seconds >= 2 * 86_400 and seconds % 86_400 == 0:
        return counted(seconds // 86_400, "day")
    if seconds < 2 * 3600 and seconds % 3600:
        return counted(round(seconds / 60), "minute")
    hours = seconds / 3600
    return counted(int(hours), "hour") if hours.is_integer() else f"{hours:{'.3g' if hours < 999.5 else '.0f'}} hours"


def local(rfc3339: str, zone: bool = True) -> str:
    """`Tue 24 Nov 2026 03:17 +01:00`, in the offset that the text has; the text itself if it is no time."""
    try:
        at = datetime.fromisoformat(rfc3339)
    except ValueError:
        return rfc3339
    offset = f"{at:%z}"
    return f"{at:%a %d %b %Y %H:%M}" + (f" {offset[:3]}:{offset[3:]}" if zone and offset else "")
