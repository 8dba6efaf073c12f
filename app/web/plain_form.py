"""Plain forms of one record: read, ask what is unusual, save once, and show everything again where that fails."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.core.refusal import AlreadySavedDifferently, ChangedMeanwhile, Refusal, Where
from app.core.step import Setting
from app.core.when import instant_text
from app.db.session import Database, Writing
from app.web import forms
from app.web.forms import Ask, Field, Typed
from app.web.frame import writer
from app.web.render import page
from app.web.security import local_path

Values = Mapping[str, Any]
"""What was understood, by field."""
__all__ = [
    "FormContext", "PlainForm", "Values", "Writing", "answer", "asks_of", "key_after", "next_of", "rows_of", "save",
    "typed_instant", "version_of", "wanted_next", "was_saved", "went",
]  # fmt: skip

Group = tuple[str, tuple[Field, ...]]
TEMPLATE = "lab/form.html"
_ROW = re.compile(r"r([0-9]{1,3})-")


@dataclass(frozen=True)
class FormContext:
    """A page that is one form: groups of fields under headings, and what stands in the way of saving."""

    title: str
    trail: tuple[tuple[str, str], ...]
    action: str
    groups: tuple[Group, ...]
    button: str
    says_line: str = ""
    """A sentence above the fields."""
    key: str = ""
    version: int | None = None
    next: str = ""
    typed: Typed | None = None
    questions: Mapping[Where, str] | None = None
    theirs: tuple[tuple[str, str, str], ...] = ()
    """(label, as typed here, as saved meanwhile) where two people changed one record."""


@dataclass(frozen=True)
class PlainForm:
    """What a form asks for, in groups, and the page around it; `stored` holds the record's values as they stand."""

    title: str
    trail: tuple[tuple[str, str], ...]
    action: str
    button: str
    groups: tuple[tuple[str, tuple[Ask, ...]], ...]
    deed: str
    stored: Mapping[str, Any]
    says: str = ""
    version: int | None = None

    @property
    def asks(self) -> tuple[Ask, ...]:
        """Everything it asks for."""
        return tuple(ask for _, group in self.groups for ask in group)

    def context(
        self, typed: Typed | None = None, *, form: FormData | None = None, next_path: str = "", changed: bool = False
    ) -> FormContext:
        """The page, empty or with what was typed."""
        kept = forms.kept_of(form) if form is not None else frozenset()
        groups = tuple(
            (head, tuple(forms.show(ask, typed, value=self.stored.get(ask.name), keep=kept) for ask in group))
            for head, group in self.groups
        )
        return FormContext(
            title=self.title,
            trail=self.trail,
            action=self.action,
            groups=groups,
            button=self.button,
            says_line=self.says,
            key=(forms.key_of(form) or "") if form is not None else "",
            version=self.version,
            next=next_path or next_of(form),
            typed=typed,
            questions=typed.open_questions(kept) if typed else {},
            theirs=self._theirs(typed) if typed is not None and changed else (),
        )

    def _theirs(self, typed: Typed) -> tuple[tuple[str, str, str], ...]:
        found = []
        for ask in self.asks:
            mine, stored = typed.raw.get((None, ask.name), ""), forms.field_text(ask, self.stored.get(ask.name))
            if mine != stored:
                found.append((ask.label, mine or "nothing", str(ask.choices.get(stored, stored)) or "nothing"))
        return tuple(found)


def answer(
    request: Request,
    form: FormData,
    lab: Database,
    zone: ZoneInfo,
    plain: PlainForm,
    act: Callable[[Writing, Values], str],
    *,
    anybody: bool = False,
    reread: Callable[[], PlainForm | None] | None = None,
) -> Response:
    """Read the form, save it by `act` (which gives the page that shows the result), or show it again.

    `anybody` lets the first person of a lab be saved by nobody. `reread` gives the form as the record stands now,
    for when somebody else changed it meanwhile.
    """
    typed = forms.parse_form(form, plain.asks, now=datetime.now(UTC), zone=zone)
    if not typed.ok or typed.open_questions(forms.kept_of(form)):
        return page(request, TEMPLATE, plain.context(typed, form=form), status=422)
    try:
        target = save(request, form, lab, plain.deed, lambda writing: act(writing, typed.values), anybody=anybody)
    except ChangedMeanwhile as refusal:
        now = (reread() if reread else None) or plain
        context = now.context(typed.refused(refusal), form=form, changed=True)
        return page(request, TEMPLATE, replace(context, action=plain.action), status=409)
    except Refusal as refusal:
        context = plain.context(typed.refused(refusal), form=form)
        return page(request, TEMPLATE, replace(context, key=key_after(refusal, form)), status=409)
    return went(form, target)


def save(
    request: Request,
    form: FormData,
    lab: Database,
    deed: str,
    act: Callable[[Writing], str],
    *,
    anybody: bool = False,
) -> str:
    """Save once, in the name of whom the form was opened with; the page that shows the result."""
    who = None if anybody else writer(request, form)
    key = forms.key_of(form)
    with lab.writing(deed, operator_id=who, key=key, body=forms.body_of(form)) as writing:
        if not writing.answered_before:
            writing.answer = act(writing)
    return str(writing.answer)


def key_after(refusal: Refusal, form: FormData) -> str:
    """The key of a refused form; none (so that a new one is made) where it was saved before with other content."""
    return "" if isinstance(refusal, AlreadySavedDifferently) else forms.key_of(form) or ""


def went(form: FormData, target: str) -> Response:
    """On to the page that shows what was saved, or back to the first steps where the form came from there."""
    path = next_of(form) or target
    return RedirectResponse(f"{path}{'&' if '?' in path else '?'}saved=1", status_code=303)


def next_of(form: FormData | None) -> str:
    """Where the form asked to go when saved, if that is a page of this server."""
    asked = form.get("_next") if form is not None else None
    return local_path(asked, "") if isinstance(asked, str) and asked else ""


def rows_of(form: FormData | None) -> int:
    """How many rows a form had, filled in or not."""
    names = form.keys() if form is not None else ()
    return max((int(found[1]) + 1 for name in names if (found := _ROW.match(name))), default=0)


def version_of(form: FormData) -> int | None:
    """The version of the record that the form was opened on."""
    typed = form.get("_version")
    return int(typed) if isinstance(typed, str) and typed.isdecimal() and len(typed) < 10 else None


def asks_of(settings: Sequence[Setting]) -> tuple[Ask, ...]:
    """What declared settings ask for, under their own names where they have them."""
    asks = []
    for setting in settings:
        ask = forms.of_setting(setting)
        own_help = "" if setting.label and setting.quantity else ask.help
        asks.append(replace(ask, label=setting.words, help=own_help))
    return tuple(asks)


def typed_instant(at: datetime | None, zone: ZoneInfo) -> str | None:
    """A stored instant as one would type it."""
    return None if at is None else instant_text(at, zone)


def was_saved(request: Request) -> bool:
    """Whether the page is shown right after saving."""
    return request.query_params.get("saved") == "1"


def wanted_next(request: Request) -> str:
    """Where a form asked for by a link should go on to."""
    asked = request.query_params.get("next", "")
    return local_path(asked, "") if asked else ""
