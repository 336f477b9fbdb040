"""Small words for times: the computer's own clock, the day as people say it, no seconds; and names of any script."""

from __future__ import annotations

import time
from unicodedata import bidirectional


def when(seconds: float) -> str:
    """`today 14:05`, `yesterday 9:30`, `3 Nov 14:05`, or with its year where that is another one."""
    then, now = time.localtime(seconds), time.localtime()
    clock = f"{then.tm_hour}:{then.tm_min:02d}"
    if then[:3] == now[:3]:
        return f"today {clock}"
    if then[:3] == time.localtime(time.time() - 86400)[:3]:
        return f"yesterday {clock}"
    month = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")[then.tm_mon - 1]
    year = "" if then.tm_year == now.tm_year else f" {then.tm_year}"
    return f"{then.tm_mday} {month}{year} {clock}"


def ago(seconds: float) -> str:
    """`just now`, `5 minutes ago`, else `when`."""
    passed = time.time() - seconds
    if passed < 60:
        return "just now"
    if passed < 3600:
        minutes = int(passed // 60)
        return f"{minutes} minute{'s' if minutes > 1 else ''} ago"
    return when(seconds)


def apart(name: str) -> str:
    """A name; one from right to left in Unicode's isolates, so that it does not turn what stands beside it."""
    turned = any(bidirectional(letter) in ("R", "AL") for letter in name)
    return f"\u2068{name}\u2069" if turned else name
