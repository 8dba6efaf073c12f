"""A bar on standard error while something long is done; nothing where nobody looks at a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from typing import TextIO, TypeVar

T = TypeVar("T")
WIDTH = 28


def bar(done: int, of: int, seconds: float) -> str:
    """One line: how far, and how long it will take at this pace."""
    filled = WIDTH * done // max(of, 1)
    left = "" if not done or done == of else f", {seconds / done * (of - done):.0f} s left"
    return f"[{'#' * filled}{'.' * (WIDTH - filled)}] {done} of {of}{left}"


def shown(each: Iterable[T], of: int, stream: TextIO | None = None) -> Iterator[T]:
    """Hand on what comes, drawing the bar as it does."""
    out = stream or sys.stderr
    begun = time.monotonic()
    done = 0
    for done, one in enumerate(each, 1):
        if out.isatty():
            out.write(f"\r{bar(done, of, time.monotonic() - begun):<60}")
            out.flush()
        yield one
    if done and out.isatty():
        out.write("\n")
