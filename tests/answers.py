"""`python -m tests.answers ADDRESS PID` waits until process PID serves the example lab there; 1 where it ends first."""

from __future__ import annotations

import sys
import time
import urllib.error
import urllib.request
from pathlib import Path


def main(address: str, pid: str) -> int:
    """Ask once a second for as long as the process lives."""
    while Path(f"/proc/{pid}").exists():
        try:
            with urllib.request.urlopen(f"{address}/alive", timeout=5) as answer:
                assert answer.status == 200
            with urllib.request.urlopen(address, timeout=30) as answer:
                page = answer.read().decode()
        except urllib.error.HTTPError as error:
            print(f"{address} answers {error.code}", file=sys.stderr)
            return 1
        except OSError:
            time.sleep(1)
            continue
        if "nvented" not in page:
            print(f"{address} does not say that its lab is invented", file=sys.stderr)
            return 1
        return 0
    print(f"nothing serves {address}: the command ended", file=sys.stderr)
    return 1


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
