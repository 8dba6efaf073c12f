"""A rule said no. Knows nothing of HTTP; the web turns it into a page or a problem document."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Where = tuple[int | None, str | None]
"""(row, field); either is None where the refusal is about the whole record."""


@dataclass
class Refusal(Exception):  # noqa: N818  a refusal is an answer, not an error
    """What is refused, where and why; `confirmable` names what a person may answer with 'keep it'."""

    errors: Mapping[Where, str]
    confirmable: Mapping[Where, str] = field(default_factory=dict)
    kept: str = "Nothing was saved; what you typed is kept."

    @classmethod
    def of(cls, message: str, *, row: int | None = None, at: str | None = None) -> Refusal:
        """One refusal about one place."""
        return cls({(row, at): message})

    def __str__(self) -> str:
        return " ".join([*self.errors.values(), *self.confirmable.values()])


class AlreadySavedDifferently(Refusal):
    """The same submission key came back with other content."""


class ChangedMeanwhile(Refusal):
    """Somebody else changed the record after this form was opened."""


@dataclass
class DependedOn(Refusal):
    """Other records depend on this one; `dependents` are their entry numbers, to be taken back too as one deed.

    `device` is the code of the one device they are all about, where they may rather belong to another; '' otherwise.
    """

    dependents: tuple[int, ...] = ()
    device: str = ""
