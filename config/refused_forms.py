"""A refused form comes back as it was typed: its page again, with the sentence at its head.

Call from: config/errors.py. One place for every form of every page: what wet hands typed is not
typed twice because one number of it was wrong. The page is made anew and read back, so that none
of them has to know what was typed into it.
"""

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser
from urllib.parse import SplitResult, unquote, urlsplit

from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.template.loader import render_to_string
from django.urls import Resolver404, resolve
from django.utils.datastructures import MultiValueDict

from inventory.errors import FarmError

# Left as the page has them: passwords are no text to write out, a file only the browser has.
PRESSED = ("submit", "button")
NOT_TYPED = ("hidden", "password", "file", "image", "reset", *PRESSED)
TICKED = ("checkbox", "radio")
FIELDS = ("input", "select", "option", "textarea", "button")
# The token of a form is new on each page.
TOKEN = "csrfmiddlewaretoken"


@dataclass(slots=True)
class Tag:
    """A start tag: where it stands in the page's text, its attributes, and what it holds."""

    name: str
    start: int
    end: int
    attrs: dict[str, str]
    folds: tuple["Tag", ...]
    words: str = ""
    words_end: int = 0

    @property
    def kind(self) -> str:
        """What sort of field it is, by the names of the HTML standard."""
        return self.attrs.get("type", "text").lower() if self.name == "input" else self.name

    @property
    def value(self) -> str:
        """What a browser sends of it as it stands."""
        return self.attrs.get("value", "on" if self.kind in TICKED else self.words.strip())

    def with_attrs(self, **attrs: str | None) -> str:
        """Its text with other attributes; None takes one off."""
        said = self.attrs | {name.replace("_", "-"): value for name, value in attrs.items()}
        parts = [
            name if value == "" else f'{name}="{escape(value)}"'
            for name, value in said.items()
            if value is not None
        ]
        return f"<{' '.join([self.name, *parts])}>"


@dataclass(slots=True)
class Form:
    """A form of a page and its fields, in their sequence."""

    tag: Tag
    fields: list[Tag] = field(default_factory=list)

    def sends_to(self, page: str) -> str:
        """The path it is sent to, as requests have it."""
        return unquote(urlsplit(self.tag.attrs.get("action", "")).path) or page

    def fit(self, posted: QueryDict) -> int:
        """How much of what was sent this form sends; 0 where it says otherwise."""
        fixed = [
            tag
            for tag in self.fields
            if tag.kind == "hidden" and tag.attrs.get("name", TOKEN) != TOKEN
        ]
        if any(tag.value not in posted.getlist(tag.attrs["name"]) for tag in fixed):
            return 0
        buttons = [tag for tag in self.fields if tag.kind in PRESSED]
        pressed = [tag for tag in buttons if tag.value in posted.getlist(tag.attrs.get("name", ""))]
        said = {tag.attrs.get("name") for tag in self.fields if tag not in buttons}
        return len(fixed) + len(pressed) + len(said & posted.keys())


class _Reader(HTMLParser):
    """Finds the forms of a page and where their fields stand in its text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[Form] = []
        self._folds: tuple[Tag, ...] = ()
        self._form: Form | None = None
        self._open: Tag | None = None
        self._line_starts = [0]
        for line in text.split("\n"):
            self._line_starts.append(self._line_starts[-1] + len(line) + 1)
        self.feed(text)
        self.close()

    def _place(self) -> int:
        line, column = self.getpos()
        return self._line_starts[line - 1] + column

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        start, said = self._place(), {name: value or "" for name, value in attrs}
        found = Tag(tag, start, start + len(self.get_starttag_text() or ""), said, self._folds)
        if tag == "details":
            self._folds = (*self._folds, found)
        elif tag == "form":
            self._form = Form(found)
            self.forms.append(self._form)
        elif tag in FIELDS and self._form is not None:
            self._form.fields.append(found)
            self._open = found if tag in ("textarea", "option") else self._open

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self._open.words += data

    def handle_endtag(self, tag: str) -> None:
        if self._open is not None and tag == self._open.name:
            self._open.words_end, self._open = self._place(), None
        if tag == "details":
            self._folds = self._folds[:-1]
        elif tag == "form":
            self._form = None


def page_again(*, request: HttpRequest, error: FarmError) -> HttpResponse | None:
    """The page that a refused form was sent from, what was typed still in it.

    None where there is none: sent by a program or a script, or by a form that its page does not
    show any more.
    """
    is_page = "text/html" in request.headers.get("Accept", "")
    if request.method != "POST" or not is_page or request.headers.get("HX-Request"):
        return None
    came_from = _came_from(request)
    path = unquote(came_from.path)
    page = _look_at(request, path, came_from.query)
    if page is None:
        return None
    text = page.content.decode()
    forms = _Reader(text).forms
    mine = [form for form in forms if form.sends_to(path) == request.path]
    form = max(mine, key=lambda form: form.fit(request.POST), default=None)
    if form is None or not form.fit(request.POST):
        return None
    changes = [
        *_kept(form, request.POST, error),
        (form.tag.end, form.tag.end, _sentence(error)),
        *((fold.start, fold.end, fold.with_attrs(open="")) for fold in form.tag.folds),
    ]
    if path != request.path:
        changes += _at_home(forms, came_from.geturl())
    page.content = _changed(text, changes).encode()
    page.status_code = error.status
    return page


def _came_from(request: HttpRequest) -> SplitResult:
    """The page a form was sent from; a browser that does not say was at the form's own address."""
    said = urlsplit(request.headers.get("Referer", ""))
    is_ours = said.netloc == request.get_host()
    return said if is_ours else urlsplit(request.get_full_path())


def _look_at(request: HttpRequest, path: str, query: str) -> HttpResponse | None:
    """The page at a path as the sender of a form is shown it. None where it shows nothing."""
    again = copy.copy(request)
    again.method, again.META = "GET", {**request.META, "REQUEST_METHOD": "GET"}
    again.path = again.path_info = path
    again.GET = QueryDict(query)  # type: ignore[assignment]
    again._post, again._files = QueryDict(), MultiValueDict()  # type: ignore[attr-defined]
    try:
        again.resolver_match = resolve(path)
        view, args, named = again.resolver_match
        page: HttpResponseBase = view(again, *args, **named)
    except (FarmError, Http404, Resolver404):
        return None
    is_page = isinstance(page, HttpResponse) and page.status_code == 200
    is_text = page.headers.get("Content-Type", "").startswith("text/html")
    return page if is_page and is_text else None  # type: ignore[return-value]


def _kept(form: Form, posted: QueryDict, error: FarmError) -> Iterator[tuple[int, int, str]]:
    """The fields as they were typed; folded ones are shown, and the one at fault is marked."""
    typed = {name: list(values) for name, values in posted.lists()}
    fault, choice = str(error.facts.get("field", "")).replace(" ", "_"), ""
    for tag in form.fields:
        name = tag.attrs.get("name", "")
        choice = name if tag.kind == "select" else choice
        if tag.kind == "textarea" and typed.get(name):
            # A browser takes the first line's end for the tag's own.
            yield tag.end, tag.words_end, "\n" + escape(typed[name].pop(0))
        attrs = _typed_attrs(tag, choice, typed)
        if fault and name.replace("-", "_") == fault:
            attrs |= {"aria_invalid": "true", "aria_describedby": "refused"}
        if attrs:
            yield tag.start, tag.end, tag.with_attrs(**attrs)
        if posted.get(name) and tag.kind not in NOT_TYPED:
            inner = tag.folds[len(form.tag.folds) :]
            yield from ((fold.start, fold.end, fold.with_attrs(open="")) for fold in inner)


def _typed_attrs(tag: Tag, choice: str, typed: dict[str, list[str]]) -> dict[str, str | None]:
    """What a field says once it holds what was typed. Of fields of one name each takes its own."""
    name = tag.attrs.get("name", "")
    if tag.kind == "option":
        return {"selected": "" if tag.value in typed[choice] else None} if choice in typed else {}
    if tag.kind in TICKED:
        return {"checked": "" if tag.value in typed.get(name, ()) else None}
    if tag.name == "input" and tag.kind not in NOT_TYPED and typed.get(name):
        return {"value": typed[name].pop(0)}
    return {}


def _sentence(error: FarmError) -> str:
    facts = {"sentence": error.sentence, "code": error.code, "rows": error.facts.get("rows", [])}
    return render_to_string("parts/refused.html", facts)


def _at_home(forms: list[Form], address: str) -> Iterator[tuple[int, int, str]]:
    """The browser stands at the address the form was sent to; the page's own forms go home."""
    for form in forms:
        if not form.tag.attrs.get("action"):
            yield form.tag.start, form.tag.end, form.tag.with_attrs(action=address)


def _changed(text: str, changes: list[tuple[int, int, str]]) -> str:
    """The text with parts of it put otherwise, each once."""
    parts, at = [], 0
    for start, end, words in sorted(dict.fromkeys(changes)):
        parts += [text[at:start], words]
        at = end
    return "".join([*parts, text[at:]])
