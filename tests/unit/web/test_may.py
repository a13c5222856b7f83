"""Who may ask for what, from a request alone: no workspace, no file, no server."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.web.may import at_hand, host_of, leads_to, refuse, sign_in_first, told_by_proxy
from pipeline.web.visit import Refused, Visit
from reports.words import web as words

BENCH = frozenset({"technician", "supervisor"})
PEOPLES = ("decide", "done", "bring", "enter", "me", "sign-in", "sign-out")
ROLES = {("bring",): BENCH, ("decide", "release"): frozenset({"supervisor", "metrologist"})}


def visit(path: str, role: str | None = None, *, post: bool = False, open_to_all: bool = False, **query: str) -> Visit:
    """Return a visit of somebody in a role, or of a stranger."""
    found: Any = {"workspace": None, "session": None if role is None else object()}
    found["account"] = None if role is None else SimpleNamespace(role=role)
    return Visit(
        **found, method="POST" if post else "GET", parts=path.split("/"), query=query, address="10.0.0.1", secure=False,
        open_to_all=open_to_all,
    )  # fmt: skip


def refused(of: Visit) -> tuple[int, str] | bool:
    """Return status and words of a refusal, or what is said instead."""
    try:
        return refuse(of, ROLES)
    except Refused as error:
        return error.status, error.said


@pytest.mark.parametrize(
    ("header", "host"),
    [
        ("works", "works"), ("Works:8080", "works"), ("[::1]:80", "::1"), ("[::1]", "::1"), ("10.0.0.1:1", "10.0.0.1"),
        ("works:", "works:"), ("works:80a", "works:80a"), ("", ""), (":80", ""), ("a:b:80", "a:b"), ("STRASSE", "strasse"),
    ],
)  # fmt: skip
def test_the_host_is_what_stands_before_the_port(header: str, host: str) -> None:
    assert host_of(header) == host


@pytest.mark.parametrize(
    ("addresses", "schemes", "said"),
    [
        (["10.0.0.9"], ["https"], "10.0.0.9"), (["6.6.6.6, 10.0.0.9 "], [" HTTPS"], "10.0.0.9"),
        (["6.6.6.6", "10.0.0.9"], ["http", "https"], "10.0.0.9"), (["2001:DB8:0::1"], ["https"], "2001:db8::1"),
        (["10.0.0.9"], ["http"], None), (["10.0.0.9"], ["https", "http"], None), (["10.0.0.9"], ["https,http"], None),
        (["10.0.0.9"], [], None), ([], ["https"], None), (["me"], ["https"], None), (["10.0.0.9,"], ["https"], None),
    ],
)  # fmt: skip
def test_a_proxy_is_believed_in_what_it_added_last(addresses: list[str], schemes: list[str], said: str | None) -> None:
    if said is not None:
        assert told_by_proxy(addresses, schemes) == said
        return
    with pytest.raises(Refused) as error:
        told_by_proxy(addresses, schemes)
    assert (error.value.status, error.value.said) == (403, words.TOLD["gone"])


@pytest.mark.parametrize(
    ("given", "there"),
    [
        ("/lots/L1.html?a=b", None), ("/", None), ("/a//b", None), ("/a/\\b", None), ("//elsewhere", "/"),
        ("/\\elsewhere", "/"), ("https://elsewhere", "/"), ("", "/"), ("lots", "/"), ("/a\nb", "/"), ("/\x7f", "/"), ("/ü", "/"),
    ],
)  # fmt: skip
def test_signing_in_leads_to_an_address_here_alone(given: str, there: str | None) -> None:
    assert leads_to(given) == (given if there is None else there)


def test_the_way_to_sign_in_bears_the_address_whole() -> None:
    assert sign_in_first(visit("lots/L 1.html")) == "/sign-in?to=%2Flots%2FL%25201.html"
    assert sign_in_first(visit("decide/lot", lot="L 1&", page="a")) == (
        "/sign-in?to=%2Fdecide%2Flot%3Flot%3DL%2B1%2526%26page%3Da"
    )
    assert sign_in_first(visit("")) == "/sign-in?to=%2F"


@pytest.mark.parametrize("path", ["json", "json/lot/L1", "changed"])
def test_nothing_is_sent_to_answers_and_streams_and_whoever_asks_is_told_there(path: str) -> None:
    for role, open_to_all in ((None, False), (None, True), ("reader", False)):
        assert refused(visit(path, role, open_to_all=open_to_all, post=True)) == (405, words.TOLD["gone"])
        assert refused(visit(path, role, open_to_all=open_to_all)) is False


def test_with_accounts_strangers_sign_in_first_and_whoever_is_known_sends_only_where_there_is_something_to_send() -> (
    None
):
    for post in (False, True):
        assert refused(visit("sign-in", post=post)) is False
        for path in ("", "lots/L1.html", "me", "bring", "decide/release", "sign-out"):
            assert refused(visit(path, post=post)) is True, path
        for path in ("me", "decide", "decide/lot", "done/1", "sign-out", "enter/lot"):
            assert refused(visit(path, "reader", post=post)) is False, path
    for path in ("", "lots/L1.html", "signin"):
        assert refused(visit(path, "supervisor")) is False
        assert refused(visit(path, "supervisor", post=True)) == (405, words.TOLD["gone"])


@pytest.mark.parametrize("half", ["account", "session"])
def test_an_account_without_a_session_is_nobody_and_the_other_way_round(half: str) -> None:
    of = visit("me", "supervisor")
    setattr(of, half, None)
    assert refused(of) is True


def test_without_accounts_everybody_reads_and_nobody_sends_or_decides() -> None:
    said = (403, words.TOLD["accounts"])
    for path in ("", "index.html", "lots/L1.html"):
        assert refused(visit(path, open_to_all=True)) is False
        assert refused(visit(path, open_to_all=True, post=True)) == said
    for path in PEOPLES:
        assert refused(visit(path, open_to_all=True)) == said


@pytest.mark.parametrize(
    ("path", "may"),
    [
        ("bring", BENCH), ("bring/more", BENCH), ("decide/release", {"supervisor", "metrologist"}), ("decide/release/more", None),
        ("decide/other", None), ("decide", None), ("enter", None), ("done/release", None),
    ],
)  # fmt: skip
@pytest.mark.parametrize("role", ["reader", "technician", "metrologist", "supervisor"])
@pytest.mark.parametrize("post", [False, True])
def test_an_address_of_some_roles_is_closed_to_others_which_is_told(
    path: str, may: set[str] | None, role: str, post: bool
) -> None:
    found = refused(visit(path, role, post=post))
    if may is None or role in may:
        assert found is False
    else:
        roles = ", ".join(words.ROLE[one] for one in sorted(may))
        assert found == (403, words.TOLD["role"].format(role=words.ROLE[role], roles=roles))


@pytest.mark.parametrize(
    ("path", "there"),
    [
        ("", True), ("lots/L1.html", True), ("json/lot/L1", True), ("json/lot", False), ("json", False), ("json/lot/L1/x", False),
        ("changed", False), ("changed/x", False), *((name, False) for name in PEOPLES), ("me/x", False),
    ],
)  # fmt: skip
def test_pages_and_answers_of_things_are_at_hand_for_whoever_is_known(path: str, there: bool) -> None:
    for role, open_to_all in (("reader", False), (None, True)):
        assert at_hand(visit(path, role, open_to_all=open_to_all)) is there
        assert at_hand(visit(path, role, open_to_all=open_to_all, post=True)) is False
    assert at_hand(visit(path)) is False, "a stranger"
