"""Two server processes on one PostgreSQL database: their writers take turns and the audit chain does not fork."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from app.db.session import Database
from app.files import FileStore
from app.queries.verify import verify
from tests.log_lab import LogLab

pytestmark = pytest.mark.postgres
DEEDS = 12


@contextmanager
def served(url: str, folder: Path) -> Iterator[str]:
    """`marver serve` in a process of its own; its address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    command = [sys.executable, "-m", "app.cli.main", "serve", "--data", str(folder), "--port", str(port)]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("MARVER_")}
    environment |= {"MARVER_DATABASE_URL": url, "MARVER_ZONE": "UTC"}
    with (folder.parent / f"{port}.log").open("w") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(200):
                try:
                    if httpx.get(f"{address}/ready").status_code == 200:
                        break
                except httpx.TransportError:
                    time.sleep(0.1)
            yield address
        finally:
            process.terminate()
            process.wait(20)


def write(address: str, letter: str, said: list[int], wrong: list[str]) -> None:
    """Register wafers over HTTP, as the form does it, one after the other."""
    with httpx.Client(base_url=address, headers={"Origin": address}, timeout=30) as client:
        for number in range(DEEDS):
            form = client.get("/wafers/new").text
            key = re.search(r'name="_key" value="([^"]+)"', form)
            assert key is not None
            typed = {"_key": key[1], "_operator": "1", "code": f"{letter}{number:03d}", "oxide_um": "2"}
            answer = client.post("/wafers/new", data=typed)
            said.append(answer.status_code)
            if answer.status_code != 303:
                wrong.append(answer.text[:2000])


def test_two_servers_write_at_once_and_the_chain_stays_one(postgres_url: str, tmp_path: Path) -> None:
    """Every wafer of either is there once, and verify finds chain, rows and device table sound."""
    database = Database(postgres_url)
    LogLab(database)
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir(mode=0o700)
    said: list[int] = []
    wrong: list[str] = []
    with served(postgres_url, folders[0]) as one, served(postgres_url, folders[1]) as two:
        writers = [
            threading.Thread(target=write, args=(address, letter, said, wrong))
            for address, letter in ((one, "P"), (two, "Q"), (one, "R"), (two, "S"))
        ]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()
        pages = [httpx.get(f"{address}/wafers/{letter}011").status_code for address in (one, two) for letter in "PQRS"]
    assert wrong == []
    assert said == [303] * (4 * DEEDS)
    assert pages == [200] * 8
    found = verify(database, FileStore(tmp_path / "files"))
    database.close()
    assert found.faults == ()
    assert found.deeds >= 4 * DEEDS
