"""A form step by step: what is offered where, which number and which state of the history it goes under, and what only a press of a button does."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from visiting import PASSWORD, Person, application, cheap_passwords

import reports
from pipeline.history.accounts import key_of
from pipeline.history.chain import Event
from pipeline.web.decisions import FORMS
from pipeline.web.forms import Outcome

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.web.app import Application

LOOK = {"lot": "L1", "decision": "sorted", "why": "two tempers"}


@pytest.fixture
def app(made: Path, monkeypatch: pytest.MonkeyPatch) -> Application:
    """The application of a workspace whose history no test here writes."""
    cheap_passwords(monkeypatch)
    return application(made)


def offered(person: Person, page: str) -> set[str]:
    person.get(f"/decide?page={page}" if page else "/decide")
    return {
        name for name in FORMS if f'href="/decide/{name}"' in person.text or f'href="/decide/{name}?' in person.text
    }


@pytest.mark.parametrize(
    ("page", "kind"),
    [("lots/L1.html", "lot"), ("meters/M1.html", "meter"), ("blocks/B1.html", "block"), ("index.html", "index")],
)
def test_a_page_offers_what_can_be_decided_on_its_thing_and_no_page_everything(
    app: Application, page: str, kind: str
) -> None:
    person = Person(app).sign_in("Ada Lind")
    assert offered(person, "") == {name for name, form in FORMS.items() if "supervisor" in form.roles}
    found = offered(person, page)
    assert found == {name for name, form in FORMS.items() if "supervisor" in form.roles and kind in form.of}
    assert found < set(FORMS)
    # the thing of the page is filled in where the form has a field for it, and only there
    for name in found:
        filled = FORMS[name].of[kind]
        assert (f'href="/decide/{name}?{filled}=' in person.text) is bool(filled and kind != "index"), name


@pytest.mark.parametrize(
    ("number", "taken"),
    [("0" * 32, True), ("aZ9" + "x" * 29, True), ("0" * 31, False), ("0" * 33, False), ("0" * 31 + "-", False)],
)
def test_a_form_keeps_the_number_that_a_form_of_ours_has(app: Application, number: str, taken: bool) -> None:
    person = Person(app).sign_in("Ben Moor").get("/decide/lot")
    person.send("look", **LOOK, number=number)
    found = person.forms()["sign"]["number"]
    assert (found == number) is taken
    assert len(found) == 32


@pytest.mark.parametrize(
    ("seen", "taken"),
    [
        (-1, True),
        (0, True),
        (1, False),
        ("x", False),
        ("\u0663", False),
        ("0" * 11, True),
        ("0" * 12, False),
        ("", False),
    ],
)
def test_nobody_has_seen_what_is_yet_to_come(app: Application, seen: Any, taken: bool) -> None:
    """Numbers by how far they lie from the last event; what is no number, or one too long, is none."""
    app.people.accounts.now()
    last = app.people.accounts.last
    sent = str(last + seen) if isinstance(seen, int) else seen
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", **LOOK, seen=sent)
    assert person.forms()["sign"]["seen"] == (sent if taken else str(last))


@pytest.mark.parametrize("step", ["look", "sign", "change"])
def test_an_address_alone_fills_a_form_and_does_no_more(app: Application, step: str) -> None:
    app.people.accounts.now()
    last = app.people.accounts.last
    number = "0" * 32
    person = Person(app).sign_in("Ben Moor")
    person.get(f"/decide/lot?lot=L1&decision=sorted&why=x&step={step}&number={number}&seen=1&password={PASSWORD}")
    assert (person.status, person.at) == (200, "/decide/lot")
    (fields,) = [form for name, form in person.forms().items() if name == "look"]
    assert "sign" not in person.forms()
    assert (fields["lot"], fields["decision"], fields["why"]) == ("L1", "sorted", "x")
    assert (fields["seen"], fields["number"] == number) == (str(last), False)
    app.people.accounts.now()
    assert app.people.accounts.last == last


@pytest.mark.parametrize(("step", "shown"), [("look", "sign"), ("change", "look"), ("x", "look"), ("", "look")])
def test_only_a_look_leads_to_the_signature_and_a_change_keeps_what_was_typed(
    app: Application, step: str, shown: str
) -> None:
    person = Person(app).sign_in("Ben Moor").get("/decide/lot")
    given = person.forms()["look"]
    person._arrived(person.client.post("/decide/lot", data={**given, **LOOK, "step": step}))
    assert person.status == 200
    assert ("sign" in person.forms()) is (shown == "sign")
    assert {name: person.forms()[shown][name] for name in LOOK} == LOOK
    assert 'role="alert"' not in person.text


def test_nothing_is_sent_to_the_list_of_forms(app: Application) -> None:
    person = Person(app).sign_in("Ben Moor").get("/decide/lot")
    token = person.forms()["look"]["form"]
    assert person.client.post("/decide", data={"form": token}).status_code == 404
    assert person.get("/decide").status == 200


def test_what_was_done_links_to_the_pages_that_lie_there(app: Application, made: Path) -> None:
    person = Person(app).sign_in("Ben Moor")
    session = next(one for one in app.people.sessions._all.values() if one.account == key_of("Ben Moor"))
    subject = {"lot": "L 1", "meter": "M1", "block": ["B1"], "decision": "sorted"}
    event = Event(7, datetime(2026, 3, 2, tzinfo=UTC), "disposition", subject, "Ben Moor", "x", "", "f" * 64)
    session.keep("n", Outcome("lot", (), [event]))
    page = made / "pages" / reports.address("lot", "L 1")
    href = 'href="/' + reports.address("lot", "L 1").replace(" ", "%20")
    assert href not in person.get("/done/n").text
    page.parent.mkdir(exist_ok=True)
    page.write_text("a lot", encoding="utf-8")
    try:
        assert href in person.get("/done/n").text
        assert "/meters/" not in person.text
        assert person.get("/done/m").status == 404
    finally:
        page.unlink()
