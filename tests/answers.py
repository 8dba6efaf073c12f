"""`python -m tests.answers ADDRESS PID` waits until process PID serves the example lab there; 1 where it ends first."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import httpx


def main(address: str, pid: str) -> int:
    """Ask once a second for as long as the process lives."""
    while Path(f"/proc/{pid}").exists():
        try:
            httpx.get(f"{address}/alive", timeout=5).raise_for_status()
        except httpx.TransportError:
            time.sleep(1)
            continue
        page = httpx.get(address, timeout=30, follow_redirects=True).raise_for_status()
        if "is invented" in page.text:
            return 0
        print(f"{address} does not say that its lab is invented", file=sys.stderr)
        return 1
    print(f"nothing serves {address}: the command ended", file=sys.stderr)
    return 1


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
