"""The pages of the application itself: signing in, forms, the look before signing, what was recorded, refusals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.web.forms import told_of
from reports.kit.markup import Html, element, isolated, join, text
from reports.kit.shell import whole
from reports.kit.style import STYLE
from reports.words import general
from reports.words import web as words
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.history.accounts import Account
    from pipeline.history.chain import Event
    from pipeline.web.forms import Field, Form, Outcome
    from pipeline.workspace.settings import Workspace

__all__ = [
    "acts",
    "alarm",
    "bar",
    "choose_page",
    "done_page",
    "entry",
    "facts",
    "form_page",
    "hidden",
    "look_page",
    "me_page",
    "page",
    "said_page",
    "sign_in_page",
]

_FORM_STYLE = (
    ".entry{display:grid;gap:.9rem;max-width:34rem}.entry label{font-weight:600}.entry small{display:block;font-weight:400;color:var(--soft)}"
    ".entry input,.entry select,.entry textarea{display:block;width:100%;margin-top:.2rem;min-height:2.75rem}"
    "textarea{font:inherit;color:var(--ink);background:var(--paper);border:1px solid var(--inner);padding:.4rem .6rem;min-height:5rem}"
    "textarea:focus-visible{outline:3px solid var(--link);outline-offset:2px}"
    ".acts{display:flex;flex-wrap:wrap;gap:.7rem}.acts button{min-height:2.75rem;padding:.4rem 1.1rem}"
    ".acts.first button{background:var(--link);color:var(--paper);border-color:var(--link)}"
    "main>h2{margin-top:1.6rem}main>.entry{margin-top:1.2rem}"
    ".alarm{border:2px solid var(--reject);background:var(--reject-wash);padding:.4rem 1rem;margin:1rem 0}"
    ".cells{display:grid;grid-template-columns:repeat(auto-fill,minmax(6rem,1fr));gap:.6rem}table.cells{display:table;min-width:0}"
    ".cells td{padding:.15rem .3rem}.entry .cells input{min-width:5rem}.entry [aria-invalid=true]{border:3px solid var(--reject)}"
    ".said{min-height:1.6em}pre{overflow-x:auto;font-size:.85rem}.choices li{margin:.6rem 0;font-size:1.05rem}"
)
_OFFERED = 500
"""Of more names than this none is offered: the page would be larger than what it decides on."""


def page(title: str, account: Account | None, *content: object, scripts: Sequence[tuple[str, Html]] = ()) -> str:
    """Return a page of the application: its title, who is signed in, and scripts with their data."""
    top = element(
        "header",
        element("p", words.PAGE["kind"], class_="kind"),
        element("p", element("a", words.PAGE["pages"], href="/")),
        element("p", element("a", _who(account), href="/me")) if account is not None else None,
        class_="masthead",
    )
    main = element("main", element("h1", title), *content, id="main")
    skip = element("a", general.FRAGMENT["skip"], class_="skip", href="#main")
    return whole(
        title, (STYLE, _FORM_STYLE), skip, element("div", top, main, class_="sheet"), scripts=scripts, forms=True
    )


def _who(account: Account) -> str:
    return words.TOLD["signed"].format(name=account.name, role=words.ROLE[account.role])


def alarm(problem: str | None, *, nothing: bool = True) -> Html | None:
    """Return why something was refused, a sentence a line; `nothing` is whether nothing was recorded, which is said then."""
    if not problem:
        return None
    lines = (element("p", line) for line in problem.splitlines() if line.strip())
    head = element("h2", words.PAGE["nothing"]) if nothing else None
    return element("div", head, *lines, class_="alarm", role="alert")


def hidden(values: Mapping[str, str]) -> list[Html]:
    """Return what a form carries along."""
    return [element("input", type="hidden", name=name, value=value) for name, value in values.items()]


def acts(*buttons: tuple[str, str], first: bool = True) -> Html:
    """Return buttons: the key of their words, and the step that they ask for; the first choice is filled with colour."""
    shown = (element("button", words.BUTTON[name], type="submit", name="step", value=step) for name, step in buttons)
    return element("div", *shown, class_="acts first" if first else "acts")


def entry(
    action: str, *content: object, enctype: str | None = None, method: str = "post", id_: str | None = None
) -> Html:
    """Return a form that is sent to an address."""
    return element(
        "form", *content, method=method, action=action, class_="entry", accept_charset="utf-8", enctype=enctype, id=id_
    )


def _whose(account: Account) -> Html:
    """Return the name that a password belongs to, for what keeps passwords."""
    return element("input", type="text", value=account.name, autocomplete="username", readonly=True, hidden=True)


def _secret(name: str, complete: str) -> Html:
    """Return a field for a password."""
    box = element(
        "input", id=f"f-{name}", name=name, type="password", required=True, maxlength="200", autocomplete=complete,
        aria_describedby=f"h-{name}" if name in words.HINT else None,
    )  # fmt: skip
    hint = element("small", words.HINT[name], id=f"h-{name}") if name in words.HINT else None
    return element("div", element("label", words.FIELD[name], for_=f"f-{name}"), hint, box)


def _box(one: Field, workspace: Workspace, value: str) -> Html:
    """Return one field with its label, its hint and what is offered."""
    name, hint = one.name, one.hint or words.HINT.get(one.name, "")
    if not one.needed:
        hint = f"{hint} ({words.TOLD['optional']})" if hint else words.TOLD["optional"].capitalize()
    given: dict[str, Any] = {
        "id": f"f-{name}", "name": name, "required": one.needed, "aria_describedby": f"h-{name}" if hint else None,
    }  # fmt: skip
    choices = list(one.choices(workspace)) if one.choices is not None else []
    after = None
    if one.kind == "choice":
        options = [element("option", "", value="")]
        options += [element("option", choice, value=choice, selected=choice == value) for choice in choices]
        box = element("select", *options, **given)
    elif one.kind == "long":
        box = element("textarea", value, rows="3", maxlength="2000", **given)
    else:
        kind = {"number": "decimal", "whole": "numeric"}.get(one.kind)
        offered = one.kind == "known" and len(choices) <= _OFFERED
        moments = one.kind in ("time", "first")
        box = element(
            "input", type="datetime-local" if moments else "text", value=value, inputmode=kind, maxlength="500",
            list=f"l-{name}" if offered else None, autocomplete="off", **given,
        )  # fmt: skip
        if offered:
            after = element("datalist", *(element("option", value=choice) for choice in choices), id=f"l-{name}")
    shown = element("small", hint, id=f"h-{name}") if hint else None
    return element("div", element("label", one.asks, for_=f"f-{name}"), shown, box, after)


def sign_in_page(form_token: str, to: str, problem: str | None) -> str:
    """Return the page that asks who is there."""
    name = element(
        "input", id="f-name", name="name", required=True, maxlength="60", autocomplete="username", autofocus=True
    )
    return page(
        words.PAGE["sign_in"], None, alarm(problem),
        entry(
            "/sign-in", *hidden({"form": form_token, "to": to}),
            element("div", element("label", words.FIELD["name"], for_="f-name"), name),
            _secret("password", "current-password"), acts(("sign_in", "sign")),
        ),
    )  # fmt: skip


def me_page(account: Account, form_token: str, problem: str | None, told: str | None) -> str:
    """Return the page of an account: sign out, another password."""
    return page(
        words.PAGE["me"], account, element("p", _who(account), class_="what"), alarm(problem),
        element("p", told, role="status") if told else None,
        element("p", element("a", words.PAGE["decide"], href="/decide")),
        element("p", element("a", words.PAGE["bring"], href="/bring")), element("p", element("a", words.PAGE["enter"], href="/enter")),
        entry("/sign-out", *hidden({"form": form_token}), acts(("sign_out", "out"), first=False)),
        element("h2", words.BUTTON["password"]),
        entry(
            "/me", *hidden({"form": form_token}), _whose(account), _secret("password", "current-password"),
            _secret("new_password", "new-password"), _secret("again", "new-password"), acts(("password", "new")),
        ),
    )  # fmt: skip


def choose_page(account: Account, forms: Sequence[tuple[Form, str]], about: str) -> str:
    """Return the list of what an account may decide, each with its address."""
    listed = [element("li", element("a", words.FORM[form.name], href=there)) for form, there in forms]
    return page(
        words.PAGE["decide"], account,
        element("p", words.PAGE["of"].format(name=about), class_="what") if about else None,
        element("ul", *listed, class_="choices") if listed else element("p", words.TOLD["nothing_here"]),
        element("p", words.TOLD["caution"], class_="caution"),
    )  # fmt: skip


def form_page(
    form: Form,
    workspace: Workspace,
    account: Account,
    given: Mapping[str, str],
    sent: Mapping[str, str],
    problem: str | None,
) -> str:
    """Return a form, filled with what was typed so far."""
    boxes = [_box(one, workspace, sent.get(one.name, "")) for one in form.asked(workspace, sent)]
    return page(
        words.FORM[form.name], account, alarm(problem),
        entry(f"/decide/{form.name}", *hidden(given), *boxes, acts(("look", "look"))),
        element("p", words.TOLD["caution"], class_="caution"),
    )  # fmt: skip


def look_page(
    form: Form, fields: Sequence[Field], account: Account, address: str, given: Mapping[str, str], sent: Mapping[str, str],
    told: Sequence[str], problem: str | None,
) -> str:  # fmt: skip
    """Return what a form is about to do, and ask for the signature."""
    typed = {one.name: sent.get(one.name, "") for one in fields}
    rows = [(one.asks, typed[one.name]) for one in fields if typed[one.name].strip()]
    return page(
        words.PAGE["look"], account, alarm(problem), element("h2", words.PAGE["will"]),
        element("p", element("b", told_of(form, sent))), *_said(told), facts(rows),
        element("h2", words.PAGE["sign"]),
        element("p", words.TOLD["sign"].format(name=account.name, role=words.ROLE[account.role], address=address)),
        entry(
            f"/decide/{form.name}", *hidden({**given, **typed}), _whose(account), _secret("password", "current-password"),
            acts(("sign", "sign")),
        ),
        entry(f"/decide/{form.name}", *hidden({**given, **typed}), acts(("change", "change"), first=False)),
    )  # fmt: skip


def _said(told: Sequence[str]) -> list[Html]:
    """Return what was said: a sentence a paragraph, markup as it is."""
    return [line if isinstance(line, Html) else element("p", line) for line in told]


def done_page(account: Account, outcome: Outcome, pages: Sequence[tuple[str, str]]) -> str:
    """Return what was recorded: sentences, and each event as it stands in the chain."""
    title = words.PAGE["done"] if outcome.events or outcome.told else words.PAGE["nothing"]
    return page(
        title, account, element("p", words.FORM[outcome.form], class_="what"),
        *_said(outcome.told),
        join(join([element("h2", words.PAGE["event"]), facts(_event_rows(event))]) for event in outcome.events),
        element("ul", *(element("li", element("a", isolated(name), href=there)) for name, there in pages)),
        element("p", words.TOLD["pages_follow"]), element("p", element("a", words.PAGE["decide"], href="/decide")),
    )  # fmt: skip


def _event_rows(event: Event) -> list[tuple[str, object]]:
    subject = dict(event.subject)
    signature = subject.pop("signed", {})
    rows: list[tuple[str, object]] = [
        (words.FIELD["number"], event.sequence), (words.FIELD["recorded"], event.kind),
        (words.FIELD["signed_at"], event.at.isoformat(timespec="seconds")),
        (words.FIELD["signed_by"], f"{event.by}, {words.ROLE.get(signature.get('role', ''), '')}"),
        (words.FIELD["signed_from"], signature.get("from")), (words.FIELD["how"], signature.get("how")),
    ]  # fmt: skip
    rows += [(words.FIELD.get(name, name), _plain(value)) for name, value in subject.items()]
    return [*rows, (words.FIELD["why"], event.why), (words.FIELD["hash"], event.hash)]


def _plain(value: object) -> object:
    return str(as_json(value))[:500] if isinstance(value, (dict, list)) else value


def facts(rows: Sequence[tuple[object, object]]) -> Html:
    """Return pairs of a name and a value."""
    pairs = (join([element("dt", name), element("dd", text(value))]) for name, value in rows)
    return element("dl", *pairs, class_="facts")


def said_page(title: str, problem: str, account: Account | None = None) -> str:
    """Return a page that says why something cannot be."""
    return page(title, account, alarm(problem, nothing=False))


def bar(account: Account, decide: str) -> Html:
    """Return what stands above a page that is served to somebody who may decide."""
    links = (
        element("a", words.PAGE["decide"], href=decide), element("a", words.PAGE["bring"], href="/bring"),
        element("a", words.PAGE["enter"], href="/enter"), element("a", _who(account), href="/me"),
    )  # fmt: skip
    return element("nav", *links, class_="filter", aria_label=words.PAGE["bar"])
