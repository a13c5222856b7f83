"""Decisions in a browser: the same functions, the same events, the same refusals as the commands; signed, once, by whom it may be."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from visiting import DECISIONS, PASSWORD, PEOPLE, Person, typed_into

from pipeline.custody.verify import verify
from pipeline.decisions.accounts import change_account
from pipeline.errors import ChangesRefused, EnvironmentProblem, HistoryBusy
from pipeline.history.journal import Journal
from pipeline.history.store import History
from pipeline.load import take_over
from pipeline.web import decisions
from pipeline.web import people as people_module
from pipeline.web.decisions import FORMS
from pipeline.workspace.settings import find_workspace
from reports.words import web as words

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from pathlib import Path

    from pipeline.history.accounts import Account
    from pipeline.history.chain import Event
    from pipeline.web.app import Application


@pytest.fixture(scope="module")
def made(decided: Path) -> Path:
    return decided


def events(root: Path) -> list[Event]:
    with History.open(find_workspace(root).history, snapshot=False) as history:
        return history.events()


@pytest.mark.parametrize("form", DECISIONS)
def test_a_decision_becomes_the_event_that_the_command_writes_signed(app: Application, root: Path, form: str) -> None:
    (who, _, kind), typed = DECISIONS[form], typed_into(root, form)
    before = len(events(root))
    person = Person(app).sign_in(who)
    person.get(f"/decide/{form}").send("look", why="seen at the bench", **typed)
    assert person.status == 200, person.text
    assert "Look before you sign" in person.text
    assert len(events(root)) == before  # nothing is done before it is signed
    person.send("sign", password=PASSWORD)
    assert person.status == 200, person.text
    assert person.at.startswith("/done/")
    fresh = events(root)[before:]
    if kind is None:
        return
    found = next(event for event in fresh if event.kind == kind)
    assert (found.by, found.why) == (who, "seen at the bench")
    assert found.subject["signed"] == {
        "account": who, "role": PEOPLE[who], "from": "127.0.0.1", "how": "password at the moment of signing"
    }  # fmt: skip
    assert found.hash in person.text


def test_each_form_is_among_the_decisions_that_are_made() -> None:
    assert set(DECISIONS) == set(FORMS)


def test_every_form_has_its_words_and_somebody_who_signs_it() -> None:
    for name, form in FORMS.items():
        assert words.FORM[name]
        assert words.WILL[name].format(**{field.name: "x" for field in form.fields})
        assert {field.name for field in form.fields} <= set(words.FIELD)
        assert form.roles
        assert "reader" not in form.roles
        assert set(form.of.values()) - {""} <= {field.name for field in form.fields}


@pytest.mark.parametrize("form", FORMS)
def test_a_role_that_may_not_is_refused_in_words_at_every_step(app: Application, root: Path, form: str) -> None:
    before = len(events(root))
    for name in ("Dan Ro", "Cia Ek", "Ben Moor"):
        person = Person(app).sign_in(name)
        if PEOPLE[name] in FORMS[form].roles:
            continue
        person.get(f"/decide/{form}")
        assert person.status == 403
        assert "does not sign this" in person.text
        token = person.get("/me").forms()["out"]["form"]
        for step in ("look", "sign"):
            answer = person.client.post(
                f"/decide/{form}", data={"form": token, "step": step, "why": "x", "password": PASSWORD, "lot": "L1"}
            )
            assert answer.status_code == 403
    assert len(events(root)) == before


def test_the_refusal_is_that_of_the_command(app: Application, root: Path) -> None:
    person = Person(app).sign_in("Ben Moor").decide("lot", lot="L9", decision="sorted", why="x")
    assert person.status == 422
    assert "No reading of lot &#x27;L9&#x27; was loaded" in person.text
    assert person.forms()["look"]["lot"] == "L9"  # what was typed is still there


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"lot": "", "decision": "sorted", "why": "x"}, "Lot: fill this in."),
        ({"lot": "L1", "decision": "blown up", "why": "x"}, "Decision: blown up is not one"),
        ({"lot": "L1", "decision": "rejected", "why": "x"}, "Decision: rejected is not one"),  # a supervisor's
        ({"lot": "L1", "decision": "sorted", "why": "  "}, "Why: fill this in."),
        ({"lot": "L1", "decision": "sorted", "why": "a\x00b"}, "Why: holds characters"),
        ({"lot": "L1", "decision": "sorted", "why": "x" * 2001}, "Why: too long"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_recorded(
    app: Application, root: Path, typed: dict[str, str], said: str
) -> None:
    before = len(events(root))
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", **typed)
    assert person.status == 422
    assert said in person.text
    assert len(events(root)) == before


def test_the_last_word_on_a_signal_is_a_supervisors_too(app: Application, root: Path) -> None:
    signal = {"meter": "M1", "block": "B1", "decision": "accepted with evidence", "why": "x"}
    person = Person(app).sign_in("Ben Moor").decide("signal", **signal)
    assert person.status == 422
    assert "Decision: accepted with evidence is not one" in person.text
    person = Person(app).sign_in("Ada Lind").decide("release", **signal)
    assert person.status == 200, person.text
    last = events(root)[-1]
    assert (last.by, last.subject["meter"], last.subject["decision"]) == ("Ada Lind", "M1", "accepted with evidence")
    # on a lot and a signal at once nothing is said
    assert Person(app).sign_in("Ada Lind").decide("release", lot="L1", **signal).status == 422


def test_a_wrong_password_signs_nothing(app: Application, root: Path) -> None:
    before = len(events(root))
    person = Person(app).sign_in("Ben Moor")
    person.decide("lot", lot="L1", decision="sorted", why="x", password="seven copper kettle")
    assert person.status == 403
    assert words.TOLD["wrong"] in person.text
    assert len(events(root)) == before
    person.send("sign", password=PASSWORD)  # the look is still there
    assert person.status == 200
    assert len(events(root)) == before + 1


def test_a_form_sent_twice_is_done_once(app: Application, root: Path) -> None:
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    look = person.text
    first = person.send("sign", password=PASSWORD).at
    count = len(events(root))
    person.text = look
    assert person.send("sign", password=PASSWORD).at == first
    assert len(events(root)) == count


def test_of_two_people_who_decide_on_the_same_at_once_the_second_is_told(app: Application, root: Path) -> None:
    ben, ada = Person(app).sign_in("Ben Moor"), Person(app).sign_in("Ada Lind")
    for person in (ben, ada):
        person.get("/decide/lot").send("look", lot="L1", decision="sorted", why="mixed tempers")
    before = len(events(root))
    ben.send("sign", password=PASSWORD)
    ada.send("sign", password=PASSWORD)
    assert (ben.status, ada.status) == (200, 422)
    assert "Since you looked, Ben Moor decided on the same: sorted (mixed tempers)." in ada.text
    assert len(events(root)) == before + 1
    # another lot is another thing, and a new look may decide on the same again
    ada.decide("lot", lot="L1", decision="re-measured", why="looked again")
    assert ada.status == 200
    assert len(events(root)) == before + 2


def test_a_row_that_a_load_refuses_does_not_stay_in_the_table(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        assert "L78" in table.read_text(encoding="utf-8")
        raise ChangesRefused("Changes would alter what was already said.")

    monkeypatch.setattr(decisions, "take_over", refuse)
    table = root / "reference" / "lots.csv"
    text = table.read_bytes()
    person = Person(app).sign_in("Cia Ek").decide("lot-data", lot="L78", product="bar", why="x")
    assert person.status == 422
    assert "would alter" in person.text
    assert table.read_bytes() == text


def test_a_row_that_was_taken_over_stays_though_the_history_is_busy_afterwards(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise HistoryBusy("The history is used by somebody else.")

    monkeypatch.setattr(decisions, "assess_touched", busy)
    person = Person(app).sign_in("Cia Ek").decide("lot-data", lot="L78", product="bar", why="x")
    assert person.status == 200
    assert words.TOLD["later"] in person.text
    text = (root / "reference" / "lots.csv").read_text(encoding="utf-8")
    assert "L78" in text
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert history.reference_texts()["lots"] == text
    assert events(root)[-1].subject["signed"]["account"] == "Cia Ek"


def test_a_row_stands_in_the_table_only_while_nobody_else_can_take_it_over(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = root / "reference" / "lots.csv"
    text = table.read_bytes()

    def busy(*_: object, dry_run: bool, **given: str) -> AbstractContextManager[History]:
        assert table.read_bytes() == text
        if not dry_run:
            raise HistoryBusy("The history is used by somebody else.")
        return deciding(*_, dry_run=dry_run, **given)  # type: ignore[arg-type]

    deciding = decisions.deciding
    monkeypatch.setattr(decisions, "deciding", busy)
    person = Person(app).sign_in("Cia Ek").decide("lot-data", lot="L78", product="bar", why="x")
    assert person.status == 503
    assert words.TOLD["busy"] in person.text
    assert table.read_bytes() == text


def test_a_load_that_waited_takes_over_what_stands_there_now(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = root / "reference" / "lots.csv"
    text = table.read_text(encoding="utf-8") + "L79,bar,copper,S,Q\n"

    class Later:
        @staticmethod
        def open(*given: Any, **more: Any) -> History:
            table.write_text(text, encoding="utf-8")  # by somebody who had the history until now
            return History.open(*given, **more)

    monkeypatch.setattr(take_over, "History", Later)
    take_over.take_over_reference(find_workspace(root), now=datetime.now(UTC))
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert history.reference_texts()["lots"] == text


def test_two_people_may_add_rows_of_different_lots_at_once(app: Application, root: Path) -> None:
    cia, ada = Person(app).sign_in("Cia Ek"), Person(app).sign_in("Ada Lind")
    for person, lot in ((cia, "L81"), (ada, "L82")):
        person.get("/decide/lot-data").send("look", lot=lot, product="bar", why="received")
    for person in (cia, ada):
        person.send("sign", password=PASSWORD)
        assert person.status == 200, person.text
    text = (root / "reference" / "lots.csv").read_text(encoding="utf-8")
    assert "L81" in text
    assert "L82" in text


@pytest.mark.parametrize("changed", ["closed", "new password", "another"])
def test_an_account_that_is_closed_while_a_form_is_on_its_way_signs_nothing(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch, changed: str
) -> None:
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    fits = people_module.password_fits

    def meanwhile(account: Account | None, password: str) -> bool:
        right = fits(account, password)
        name = "Cia Ek" if changed == "another" else "Ben Moor"
        new = "nine brass weights" if changed == "new password" else None
        change_account(find_workspace(root), name, password=new, by="Eve", why="left")
        return right

    monkeypatch.setattr(people_module, "password_fits", meanwhile)
    before = len(events(root))
    person.send("sign", password=PASSWORD)
    if changed == "another":
        assert (person.status, len(events(root))) == (200, before + 2)
    else:
        assert (person.status, len(events(root))) == (422, before + 1)
        assert "was closed or changed meanwhile, by Eve (left)" in person.text
    assert verify(find_workspace(root)).problems == ()


def test_what_was_typed_stays_text(app: Application) -> None:
    hostile = '"><script>alert(1)</script>'
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why=hostile)
    assert "<script>alert" not in person.text
    person.send("sign", password=PASSWORD)
    assert person.status == 200
    assert "<script>alert" not in person.text
    assert "&lt;script&gt;alert" in person.text
    assert "<script>alert" not in Person(app).sign_in("Ben Moor").get("/decide/lot?lot=" + hostile).text


def test_of_two_people_who_add_the_same_row_the_second_is_told(app: Application, root: Path) -> None:
    table = root / "reference" / "hardness.csv"
    cia, ada = Person(app).sign_in("Cia Ek"), Person(app).sign_in("Ada Lind")
    row = {"lot": "L1", "value": "80", "scale": "HV", "why": "measured"}
    for person in (cia, ada):
        person.get("/decide/hardness").send("look", **row)
    for person in (cia, ada):
        person.send("sign", password=PASSWORD)
    assert (cia.status, ada.status) == (200, 422)
    assert "L1 stands in line 10 already" in ada.text
    assert table.read_text(encoding="utf-8").count("L1,") == 1


def test_a_row_takes_over_its_own_table_alone(app: Application, root: Path) -> None:
    """A technician's signature covers no table that somebody else edited, whether before the look or after it."""
    meters = root / "reference" / "meters.csv"
    person = Person(app).sign_in("Cia Ek").get("/decide/hardness").send("look", lot="L1", value="80", why="measured")
    meters.write_text("# a remark of somebody else\n" + meters.read_text(encoding="utf-8"), encoding="utf-8")
    person.send("sign", password=PASSWORD)
    assert person.status == 200, person.text
    taken = [event for event in events(root) if event.kind == "reference"][-1]
    assert (taken.by, list(taken.subject["changed"])) == ("Cia Ek", ["hardness"])
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert "remark" not in history.reference_texts()["meters"]
        assert "80" in history.reference_texts()["hardness"]


def test_a_row_is_added_to_no_table_that_somebody_edited_and_nobody_took_over(app: Application, root: Path) -> None:
    table = root / "reference" / "hardness.csv"
    row = {"lot": "L1", "value": "80", "why": "measured"}
    looked = Person(app).sign_in("Cia Ek").get("/decide/hardness").send("look", **row)
    edited = table.read_text(encoding="utf-8") + "L2,,70,HV,,,\n"
    table.write_text(edited, encoding="utf-8")
    count = len(events(root))
    for person in (looked.send("sign", password=PASSWORD), Person(app).sign_in("Cia Ek").decide("hardness", **row)):
        assert person.status == 422
        assert "reference/hardness.csv was edited and not taken over yet" in person.text
    assert (table.read_text(encoding="utf-8"), len(events(root))) == (edited, count)
    take_over.take_over_reference(find_workspace(root), now=datetime.now(UTC))
    assert Person(app).sign_in("Cia Ek").decide("hardness", **row).status == 200


def test_what_is_recorded_is_said_though_the_journal_cannot_be_written(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise EnvironmentProblem("The history is whole, but its journal cannot be written.")

    before = len(events(root))
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    with monkeypatch.context() as patch:
        patch.setattr(Journal, "append", full)
        person.send("sign", password=PASSWORD)
    assert (person.status, len(events(root))) == (200, before + 1)
    assert words.PAGE["nothing"] not in person.text
    for said in (words.TOLD["recorded"], "its journal cannot be written", events(root)[-1].hash):
        assert said in person.text


@pytest.mark.parametrize("error", [EnvironmentProblem("No room is left."), ZeroDivisionError()])
def test_nothing_is_said_to_be_recorded_of_what_was_taken_back(
    app: Application, root: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    append = History.append_event

    def fail(*given: Any, **more: Any) -> None:
        append(*given, **more)
        raise error

    before = len(events(root))
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    monkeypatch.setattr(History, "append_event", fail)
    person.send("sign", password=PASSWORD)
    assert len(events(root)) == before
    assert words.TOLD["recorded"] not in person.text
    if isinstance(error, EnvironmentProblem):
        assert (person.status, words.PAGE["nothing"] in person.text) == (422, True)
    else:
        assert (person.status, words.TOLD["internal"] in person.text) == (500, True)
