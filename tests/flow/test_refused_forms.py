"""A refused form comes back as it was typed, whatever page it stands on."""

from html.parser import HTMLParser

from django.db import transaction
from django.test import Client
from tests_support import page_words

from config.management.commands.pictures import pages
from inventory.models import Lot, User

BACKEND = "django.contrib.auth.backends.ModelBackend"
ODD = "zz9 & <q>"
SHOWN = "zz9 &amp; &lt;q&gt;"
NOT_TYPED = ("hidden", "select", "submit", "button", "file", "checkbox", "radio", "password")


class Forms(HTMLParser):
    """The forms of a page that are sent by POST: their addresses and fields."""

    def __init__(self, text):
        super().__init__()
        self.found, self._form = [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        said = dict(attrs)
        if tag == "form":
            self._form = {"to": said.get("action") or "", "fields": []}
            if said.get("method", "").lower() == "post":
                self.found.append(self._form)
        elif self._form is None:
            return
        elif said.get("name"):
            kind = said.get("type", "text") if tag == "input" else tag
            self._form["fields"].append([said["name"], kind, said.get("value") or ""])
        elif tag == "option":
            # The first choice is the one that a browser sends.
            last = self._form["fields"][-1] if self._form["fields"] else ["", "", ""]
            if last[1:] == ["select", ""]:
                last[2] = said.get("value") or ""

    def handle_endtag(self, tag):
        if tag == "form":
            self._form = None


def typed(form):
    """Nonsense in all that is typed, the first choice of the rest, the first button pressed."""
    sent, is_pressed = {}, False
    for name, kind, value in form["fields"]:
        if kind in ("hidden", "select"):
            sent[name] = value
        elif kind in ("submit", "button") and not is_pressed:
            sent[name], is_pressed = value, True
        elif kind not in NOT_TYPED:
            sent[name] = ODD
    return sent


def send(browser, to, sent, *, page=""):
    said = {"accept": "text/html", "referer": f"http://testserver{page or to}"}
    return browser.post(to, sent, headers=said)


def test_whatever_form_is_refused_it_comes_back_as_it_was_typed(open_farm):
    seen, refused = set(), []
    for who, address in pages().values():
        if not who:
            continue
        browser = Client()
        browser.force_login(User.objects.get(email=who), backend=BACKEND)
        for form in Forms(browser.get(address).content.decode()).found:
            sent = typed(form)
            names = tuple(name for name, value in sent.items() if value == ODD)
            kind = form["to"].strip("/0123456789"), names, sent.get("act", sent.get("kind"))
            if not names or kind in seen:
                continue
            seen.add(kind)
            # A form that takes the nonsense leaves nothing for the next.
            with transaction.atomic():
                answer = send(browser, form["to"] or address, sent, page=address)
                transaction.set_rollback(True)
            if answer.status_code < 400:
                continue
            assert answer.status_code < 500, (address, kind)
            page = answer.content.decode()
            assert page.count(SHOWN) >= len(names), (address, kind)
            assert 'role="alert"' in page and ODD not in page, (address, kind)
            refused.append(kind)

    assert len(refused) >= 18


def test_a_refused_cut_is_not_typed_twice(arrived_farm, at_desk):
    cut = {"act": "cut", "from": "T1.1", "parents": "three", "pieces": "9", "to": "T2", "form": "",
           "batch": "BB-12"}  # fmt: skip
    lots = Lot.objects.count()

    answer = send(at_desk("G1"), "/cutting/", cut)

    words = page_words(answer)
    assert answer.status_code == 422 and Lot.objects.count() == lots
    assert "&#x27;three&#x27; cannot be read. Type a whole number." in words
    assert 'name="parents" inputmode="numeric" required value="three" aria-invalid="true"' in words
    # Where the batch was typed the fold stands open; the wishes of the pool's form are its own.
    assert "<details open> <summary>Another form, or bases of one batch" in words
    assert 'name="sold" value="9"' not in words and words.count('id="refused"') == 1


def test_a_form_sent_elsewhere_comes_back_on_its_page_whose_other_forms_go_home(
    arrived_farm, at_desk
):
    plan, forecast = "/orders/4901/plan/", "/orders/4901/forecast/"
    browser = at_desk("OF")
    form = next(
        form for form in Forms(browser.get(plan).content.decode()).found if form["to"] == forecast
    )

    answer = send(browser, forecast, typed(form), page=plan)

    page = answer.content.decode()
    assert answer.status_code == 422 and SHOWN in page
    again = Forms(page).found
    assert all(one["to"] for one in again) and forecast in [one["to"] for one in again]


def test_who_sent_no_form_of_a_page_gets_the_sentence_alone(arrived_farm, at_desk):
    browser, cut = at_desk("G1"), {"act": "cut", "parents": "three"}
    script = browser.post("/cutting/", cut, headers={"accept": "*/*"})
    in_part = browser.post("/cutting/", cut, headers={"accept": "text/html", "hx-request": "true"})
    unknown = send(browser, "/cutting/", {"act": "fly"})
    not_ours = browser.post(
        "/cutting/", cut, headers={"accept": "text/html", "referer": "https://elsewhere.example/"}
    )

    for answer in (script, in_part, unknown):
        assert "Code for the office" in page_words(answer) and SHOWN not in page_words(answer)
        assert 'id="refused"' not in page_words(answer)
    assert 'value="three"' in page_words(not_ours), "its own page, not the other house's"
