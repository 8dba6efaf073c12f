"""What is asked of the yield page, as it stands in an address: read, echoed, and written again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from app.core.vocab import STAGES
from app.queries.yields import BY, YieldAsk
from app.web.recipe_ask import Words
from app.web.when_asked import read_days

MOST_GROUPS = 200


@dataclass(frozen=True)
class YieldAsked:
    """What is asked, the dates as typed, and what could not be read."""

    ask: YieldAsk
    start: str
    end: str
    against_start: str
    against_end: str
    errors: tuple[str, ...]

    def address(self, path: str, specification: str) -> str:
        """The address that holds all of it."""
        ask = self.ask
        pairs = [("kind", ask.kind), ("from", self.start), ("to", self.end), ("wafer", ask.wafer), ("by", ask.by)]
        pairs += [("spec", specification), ("against_from", self.against_start), ("against_to", self.against_end)]
        pairs += [("one", name) for name in ask.one] + [("two", name) for name in ask.two]
        return f"{path}?{urlencode([(name, value) for name, value in pairs if value])}"


def read_yield_ask(pairs: Iterable[tuple[str, str]], zone: ZoneInfo) -> YieldAsked:
    """Read an address's (name, value) pairs; what cannot be read is told and left out."""
    words = Words(pairs)
    kind, by, spec = words.one("kind"), words.one("by"), words.one("spec")
    days = read_days(words.one("from"), words.one("to"), zone)
    against = read_days(words.one("against_from"), words.one("against_to"), zone)
    one, two = (tuple(dict.fromkeys(filter(None, words.many(name))))[:MOST_GROUPS] for name in ("one", "two"))
    errors = [*days.errors, *(f"Against: {line[0].lower()}{line[1:]}" for line in against.errors)]
    if bool(one) != bool(two):
        errors.append("Groups are ticked on one side only: tick at least one on the other side to compare.")
    ask = YieldAsk(
        kind=kind if kind in STAGES else next(iter(STAGES)),
        start=days.start,
        end=days.end,
        wafer=words.one("wafer"),
        specification_id=int(spec) if spec.isdecimal() and len(spec) < 10 else None,
        by=by if by in BY else next(iter(BY)),
        one=one,
        two=two,
        against_start=against.start,
        against_end=against.end,
    )
    typed = [words.one(name) for name in ("from", "to", "against_from", "against_to")]
    return YieldAsked(ask, typed[0], typed[1], typed[2], typed[3], tuple(errors))


def save_address(page: str, address: str) -> str:
    """Where the search of `address` is given a name."""
    return f"/searches/new?{urlencode({'page': page, 'query': address.partition('?')[2]})}"
