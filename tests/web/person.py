"""A person at the page without scripts, who reads labels, links and buttons and sends forms as they stand."""

from __future__ import annotations

import html.parser
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import httpx

_EMPTY = frozenset({"input", "br", "img", "meta", "link", "hr", "path", "option"})


@dataclass
class Button:
    """Something to press: its words, and what it sends."""

    words: str
    name: str
    value: str
    form: str


@dataclass
class SeenForm:
    """A form as it is on the page.

    Attributes:
        id: Of the form.
        action: Where it goes.
        values: What is in its fields.
        labels: Name of a field by its visible words.
        choices: Words of each choice of a field, with what is sent for it.
    """

    id: str
    action: str
    values: dict[str, list[str]] = field(default_factory=dict)
    labels: dict[str, str] = field(default_factory=dict)
    choices: dict[str, dict[str, str]] = field(default_factory=dict)


class Seen(html.parser.HTMLParser):
    """A page as it is seen: its text, links, forms and buttons."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[SeenForm] = []
        self.buttons: list[Button] = []
        self.links: dict[str, str] = {}
        self.words: list[str] = []
        self._ids: dict[str, tuple[SeenForm, str]] = {}
        self._for: list[tuple[str, str]] = []
        self._open: list[tuple[str, dict[str, str], list[str]]] = []
        self._select: tuple[SeenForm, str] | None = None
        self.feed(text)
        for place, words in self._for:
            if place in self._ids:
                form, name = self._ids[place]
                form.labels[words] = name

    @property
    def text(self) -> str:
        """All that is read, on one line."""
        return " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take in what begins: a form, a field, a button."""
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(SeenForm(given.get("id", ""), given["action"]))
        form = self.forms[-1] if self.forms and any(each[0] == "form" for each in self._open) else None
        name = given.get("name", "")
        if tag in ("input", "select", "textarea") and form is not None and name:
            self._field(form, tag, name, given)
        if tag == "option" and self._select is not None:
            owner, of = self._select
            if "selected" in given or of not in owner.values:
                owner.values[of] = [given.get("value", "")]
            self._open = [each for each in self._open if each[0] != "option"]
            self._open.append(("option", given, []))
        elif tag not in _EMPTY:
            self._open.append((tag, given, []))

    def _field(self, form: SeenForm, tag: str, name: str, given: Mapping[str, str]) -> None:
        self._ids[given.get("id", f"{form.action} {name}")] = (form, name)
        if tag == "select":
            self._select = (form, name)
        elif given.get("type") in ("checkbox", "radio"):
            if "checked" in given:
                form.values.setdefault(name, []).append(given.get("value", "on"))
            wrapped = next((each for each in reversed(self._open) if each[0] == "label"), None)
            if wrapped is not None:
                wrapped[1]["chooses"] = f"{name}\0{given.get('value', 'on')}"
        elif given.get("type") not in ("file", "submit"):
            form.values[name] = [given.get("value", "")]

    def handle_data(self, data: str) -> None:
        """Take in text."""
        self.words.append(data)
        for _, _, words in self._open:
            words.append(data)

    def handle_endtag(self, tag: str) -> None:
        """Take in what ended: its words are known now."""
        while self._open and any(each[0] == tag for each in self._open):
            name, given, words = self._open.pop()
            self._ended(name, given, " ".join(" ".join(words).split()))
            if name == tag:
                break
        if tag == "select":
            self._select = None

    def _ended(self, tag: str, given: Mapping[str, str], words: str) -> None:
        if tag == "a" and given.get("href"):
            self.links.setdefault(words, given["href"])
        elif tag == "option" and self._select is not None:
            form, name = self._select
            form.choices.setdefault(name, {})[words] = given.get("value", words)
            if form.values.get(name) == [""] and "value" not in given and "selected" in given:
                form.values[name] = [words]
        elif tag == "label" and "for" in given:
            self._for.append((given["for"], words))
        elif tag == "label" and "chooses" in given and self.forms:
            name, _, value = given["chooses"].partition("\0")
            self.forms[-1].choices.setdefault(name, {})[words] = value
            self.forms[-1].labels.setdefault(words, name)
        elif tag == "button":
            inside = any(each[0] == "form" for each in self._open)
            own = str(len(self.forms) - 1) if inside else ""
            self.buttons.append(
                Button(words, given.get("name", ""), given.get("value", words), given.get("form", own))
            )


class Person:
    """Somebody at the page.

    Args:
        browser: That keeps their cookies.
    """

    def __init__(self, browser: httpx.Client) -> None:
        self._browser = browser
        self.page = Seen("")
        self.status = 0
        self.address = ""

    def opens(self, path: str) -> Seen:
        """Open an address."""
        return self._came(self._browser.get(path))

    def goes(self, words: str) -> Seen:
        """Follow the link of these words."""
        assert words in self.page.links, (words, sorted(self.page.links))
        return self.opens(self.page.links[words])

    def presses(
        self,
        words: str,
        answers: Mapping[str, str] | None = None,
        files: Mapping[str, Sequence[tuple[str, bytes]]] | None = None,
    ) -> Seen:
        """Fill in fields and choose files by what is shown beside them, and press a button by its words."""
        button = next((each for each in self.page.buttons if each.words == words), None)
        assert button is not None, (words, [each.words for each in self.page.buttons], self.page.text)
        form = next(
            each
            for at, each in enumerate(self.page.forms)
            if button.form in (str(at), each.id) or (not button.form and at == len(self.page.forms) - 1)
        )
        for label, answer in (answers or {}).items():
            name = _named(form, label)
            form.values[name] = [form.choices.get(name, {}).get(answer, answer)]
        sent = {name: values for name, values in form.values.items() if values != [""] or name}
        if button.name:
            sent[button.name] = [button.value]
        chosen = [(_named(form, label), each) for label, some in (files or {}).items() for each in some]
        return self._came(self._browser.post(form.action, data=sent, files=chosen or None))

    def means_it(self) -> Seen:
        """Answer the page's question with yes."""
        assert "Is this right?" in self.page.text, self.page.text
        return self.presses("Yes, it is right")

    def _came(self, answer: httpx.Response) -> Seen:
        self.page, self.status = Seen(answer.text), answer.status_code
        self.address = str(answer.url.path)
        return self.page


def _named(form: SeenForm, label: str) -> str:
    """Return the field whose label begins with these words; the shortest one where several do."""
    found = sorted((each for each in form.labels if each.startswith(label)), key=len)
    assert found, (label, sorted(form.labels))
    return form.labels[found[0]]


def ids_in(text: str, letter: str) -> list[str]:
    """Return the IDs of a kind that are in a text, each once, in order."""
    return list(dict.fromkeys(re.findall(rf"\b{letter}\d{{4}}(?:-\d\d)?-[0-9A-Z]\b", text)))
