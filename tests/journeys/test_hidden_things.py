"""What is hidden in the example lab can be found by someone who has only its pages and the links on them."""

from __future__ import annotations

import csv
import html
import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from app.settings import Settings

if TYPE_CHECKING:
    from starlette.testclient import TestClient


@dataclass
class Reader:
    """A person who opens pages and reads; `open` gives the words of a page, one line for each row or paragraph."""

    client: TestClient
    source: str = ""

    def open(self, path: str) -> str:
        """Go to a page by its path."""
        answer = self.client.get(path, follow_redirects=True)
        assert answer.status_code == 200, path
        self.source = answer.text.partition("<main")[2].partition("</main")[0]
        rows = re.sub(r"<(svg|script)\b.*?</\1>|\s+", " ", self.source, flags=re.DOTALL)
        rows = re.sub(r"</(tr|h\d|p|section|li|table|caption|dl)>", "\n", rows)
        return re.sub(r"[ \u00a0\u202f]+", " ", html.unescape(re.sub(r"<[^>]+>", " ", rows)))

    def leads_to(self, start: str) -> list[str]:
        """Paths the open page links to that begin so, in order."""
        found = re.findall(r'href="([^"]+)"', self.source)
        return list(dict.fromkeys(html.unescape(path) for path in found if path.startswith(start)))

    def table(self, start: str) -> list[dict[str, str]]:
        """Rows of the CSV that the open page offers at a path that begins so."""
        answer = self.client.get(self.leads_to(start)[0])
        assert answer.status_code == 200
        return list(csv.DictReader(io.StringIO(answer.text.removeprefix("\ufeff"))))


@pytest.fixture(scope="module")
def reader(example_folder: Path) -> Iterator[Reader]:
    """A reader in the example lab."""
    from starlette.testclient import TestClient

    from app.web.app import create_app

    app = create_app(Settings(data=example_folder))
    with TestClient(app, base_url="http://127.0.0.1:8000") as client:
        yield Reader(client)


def step_yields(reader: Reader, by: str, stage: str) -> dict[str, float]:
    """Step yield of each group of the Yield page at one stage, where anything was decided."""
    reader.open(f"/yield?kind=microtoroid&by={by}")
    rows = reader.table("/yield.csv")
    return {
        row["group"]: float(row["yield"]) for row in rows if row["stage"] == stage and row["group"] and row["yield"]
    }


def lines(text: str, word: str) -> list[str]:
    """Lines of a page that hold a word."""
    return [line.strip() for line in text.splitlines() if word in line]


def test_the_damaged_row_of_the_old_mask(reader: Reader) -> None:
    """Yield by mask array: one array of ROWAN-3 prints far worse; its crescents all stand in row 06."""
    patterned = step_yields(reader, "mask", "Patterned")
    worst = min(patterned, key=lambda name: patterned[name])
    other = next(name for name in patterned if name != worst and name.startswith("ROWAN-3"))
    assert worst == "ROWAN-3, Discs 104"
    assert patterned[worst] < patterned[other] - 0.1
    reader.open("/lab/masks/ROWAN-3")
    rows: Counter[str] = Counter()
    for wafer in reader.leads_to("/wafers/"):
        told = reader.open(wafer)
        crescents = [line for line in lines(told, "crescent") if re.match(r"W\d{3}-1-\d{4}\b", line)]
        rows.update(line[7:9] for line in crescents)
    assert rows.most_common(1)[0][0] == "06"
    assert rows["06"] > 0.9 * rows.total()
    assert rows["06"] > 30


def test_the_bath_that_aged(reader: Reader) -> None:
    """Yield by wafer: W006 is etched worst; its page tells a long etch in BATH-1; by bath, the times climb."""
    etched = step_yields(reader, "wafer", "Oxide etched")
    assert min(etched, key=lambda name: etched[name]) == "W006"
    told = reader.open("/wafers/W006")
    assert "oxide not clear" in told
    assert "the bath is getting old" in told
    assert re.search(r"Etch time 1 630 s departs from the recipe's 1 200 s", told)
    reader.open("/lab/lots/BATH-1")
    assert {"/wafers/W001", "/wafers/W006"} <= set(reader.leads_to("/wafers/"))
    assert "/wafers/W007" not in reader.leads_to("/wafers/")
    reader.open("/recipes?kind=microtoroid&by=oxide_etch_bath_lot_id&by=oxide_etch_etch_s")
    times: dict[str, list[float]] = {}
    for row in reader.table("/recipes.csv"):
        times.setdefault(row["oxide_etch_bath_lot_id"], []).append(
            float(re.sub(r"[^\d.]", "", row["oxide_etch_etch_s"]))
        )
    assert max(times["BATH-1"]) > 1.3 * min(times["BATH-1"])
    assert max(times["BATH-2"]) < 1.1 * min(times["BATH-2"])


def test_the_sitting_with_the_walked_beam(reader: Reader) -> None:
    """Yield by wafer: reflow on W008 is worst of its generation; one sitting of it made most rims off-centre."""
    reflowed = step_yields(reader, "wafer", "Reflowed")
    later = {name: share for name, share in reflowed.items() if name > "W006"}
    assert min(later, key=lambda name: later[name]) == "W008"
    told = reader.open("/wafers/W008")
    shares = {}
    for line in lines(told, "shots: "):
        counts = {
            word: int(count) for count, word in re.findall(r"(\d+) ([a-z][a-z -]+)", line.partition("shots: ")[2])
        }
        shares[line] = counts.get("off-centre", 0) / sum(counts.values())
    walked = [line for line, share in shares.items() if share > 0.4]
    assert len(walked) == 1
    assert len(shares) == 4
    sittings = [path for chip in reader.leads_to("/chips/W008-") for path in _sittings(reader, chip)]
    told_of = [told for path in sittings if "the beam had walked" in (told := reader.open(path))]
    assert len(told_of) == 1
    assert re.search(r"Alignment checked\s+the day before", told_of[0])


def _sittings(reader: Reader, chip: str) -> list[str]:
    """Records of the sittings at the laser that the page of a chip leads to."""
    reader.open(chip)
    found = reader.leads_to("/log/reflow/")
    records = []
    for sitting in found:
        reader.open(sitting)
        records += reader.leads_to("/log/record/")[:1]
    return records


def test_the_chip_that_was_dropped(reader: Reader) -> None:
    """Yield counts W004-C as one event that took its devices; its own page says that it was dropped."""
    told = reader.open("/yield?kind=microtoroid")
    assert re.search(r"Dropped\s+W004-C\s+1\d devices", told)
    assert "/pieces/W004-C" in reader.leads_to("/pieces/")
    assert "ropped" in reader.open("/pieces/W004-C")


def test_the_chip_that_is_lent(reader: Reader) -> None:
    """In hand names who has W009-D and when it is due back."""
    told = lines(reader.open("/"), "W009-D")
    assert len(told) >= 1
    assert "Lent: Harrow group" in told[0]
    assert re.search(r"\d+ [A-Z][a-z]{2}", told[0])


def test_the_wafer_that_was_ended(reader: Reader) -> None:
    """Yield names W010 as not taken forward, none of its devices as failed by it; its page says why."""
    assert re.search(r"Ended, not taken forward\s+W010", reader.open("/yield?kind=microtoroid"))
    told = reader.open("/pieces/W010")
    assert "Aligner lamp drifted" in told
    assert "6.5 mW/cm² departs from the recipe's 12.0 mW/cm²" in told


def test_the_two_generations_of_recipes(reader: Reader) -> None:
    """Recipes ranks version 2 of reflow and undercut above version 1: several times the Q, intervals apart."""
    reader.open("/recipes?kind=microtoroid")
    new, old = [row for row in reader.table("/recipes.csv") if row["ranked"] == "yes"]
    assert new["reflow_recipe_version_id"].endswith("version 2")
    assert old["reflow_recipe_version_id"].endswith("version 1")
    assert float(new["q_typical"]) > 3 * float(old["q_typical"])
    assert float(new["q_typical_low"]) > float(old["q_typical_high"])
    assert float(new["leads_in_100"]) > 95
