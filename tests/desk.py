"""An edit page as a person uses it: open the form, show what it touches, sign."""

import html
import re


def shown_text(answer):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())))


def hidden(answer, name):
    found = re.search(rf'name="{name}"\s+value="([^"]*)"', answer.content.decode())
    return html.unescape(found.group(1)) if found else ""


def open_form(browser, address):
    """The address, and every field as its form opens."""
    answer = browser.get(address)
    assert answer.status_code == 200, answer.content
    text = answer.content.decode()
    typed = {}
    for tag in re.findall(r"<input[^>]*>", text):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        is_off = 'type="checkbox"' in tag and "checked" not in tag
        if name and not is_off and name.group(1) not in ("csrfmiddlewaretoken", "q"):
            typed[name.group(1)] = html.unescape(value.group(1)) if value else ""
    for name, inner in re.findall(r'<select[^>]*name="([^"]*)"[^>]*>(.*?)</select>', text, re.S):
        chosen = re.search(r'value="([^"]*)" selected', inner)
        typed[name] = html.unescape(chosen.group(1)) if chosen else ""
    for name, inner in re.findall(
        r'<textarea[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', text, re.S
    ):
        typed[name] = html.unescape(inner)
    return typed


def show(browser, address, **changes):
    typed = {**open_form(browser, address), **changes}
    return typed, browser.post(address, {**typed, "act": "show"})


def sign(browser, address, typed, answer, reason="said so"):
    signed = {**typed, "act": "sign", "mark": hidden(answer, "mark"), "because": reason}
    return browser.post(address, signed)
