"""A round plans what is missing, in batches; a run that gave no sign of life is closed, one that lives is left alone."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pytest
from prefect.client.schemas.objects import StateType
from prefect.settings import PREFECT_API_URL, temporary_settings

from pipeline import centre_flows
from pipeline.centre.decisions import choose_branch, set_state
from pipeline.centre.rounds import batches, plan
from pipeline.cli.centre import a_round
from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable

    from conftest import Company

    from pipeline.centre.place import Centre

NOW = datetime.now(UTC)


def test_a_round_plans_what_is_missing_alone(company: Company) -> None:
    sites = [company.site(f"P-00{number}") for number in range(1, 6)]
    assert plan(company.register, company.storage) == []
    for site in sites:
        site.publish()
    set_state(company.register, "P-002", "held", by="Ada", why="stolen")
    set_state(company.register, "P-004", "closed", by="Ada", why="shut down")
    assert plan(company.register, company.storage) == ["P-001", "P-003", "P-005"]
    company.take("P-001", "P-003")
    assert plan(company.register, company.storage) == ["P-005"]
    sites[2].publish()
    assert plan(company.register, company.storage) == ["P-003", "P-005"]


def test_a_refused_package_is_planned_again_and_a_fork_waits_for_a_person(company: Company) -> None:
    site = company.site()
    site.publish()
    company.take()
    restored = site.copy()
    missing = restored.publish("restored", blobs=False)
    company.take()
    assert plan(company.register, company.storage) == ["P-001"]
    site.publish("original")
    company.take()
    assert plan(company.register, company.storage) == []
    original = next(r.sha256 for r in company.register.refusals() if r.kind == "fork" and r.sha256 != missing.sha256)
    choose_branch(company.register, "P-001", original, by="Ada", why="the restored one was stopped")
    assert plan(company.register, company.storage) == ["P-001"]
    company.take()
    # the branch that was left lies in storage for ever, and makes no work
    assert plan(company.register, company.storage) == []


@pytest.mark.parametrize(
    ("count", "size", "sizes"), [(0, 5, []), (5, 5, [5]), (6, 5, [3, 3]), (11, 5, [4, 4, 3]), (3, 1, [1, 1, 1])]
)
def test_batches_are_even_and_hold_each_site_once(count: int, size: int, sizes: list[int]) -> None:
    names = [f"P-{number}" for number in range(count)]
    found = batches(names, size)
    assert [len(part) for part in found] == sizes
    assert sorted(name for part in found for name in part) == sorted(names)


class Engine:
    """Prefect's server with one run in a state since some seconds, which last sent a heartbeat some seconds ago."""

    def __init__(self, state: StateType, seconds: float, heartbeat: float | None = None) -> None:
        self.run = SimpleNamespace(
            id=uuid4(),
            created=NOW,
            state=SimpleNamespace(type=state, timestamp=datetime.now(UTC) - timedelta(seconds=seconds)),
        )
        self.heartbeat = heartbeat
        self.closed: list[Any] = []

    def read_flow_runs(self, *, flow_run_filter: Any, **_: int) -> list[Any]:
        assert self.run.state.type in flow_run_filter.state.type.any_
        return [self.run]

    def request(self, method: str, path: str, *, json: dict[str, Any]) -> Any:
        assert (method, path) == ("POST", "/events/filter")
        assert json["filter"]["resource"] == {"id": [f"prefect.flow-run.{self.run.id}"]}
        since = (datetime.now(UTC) - datetime.fromisoformat(json["filter"]["occurred"]["since"])).total_seconds()
        alive = self.heartbeat is not None and self.heartbeat <= since
        return SimpleNamespace(json=lambda: {"events": [{}] if alive else []})

    def set_flow_run_state(self, run: Any, state: Any, *, force: bool) -> None:
        assert force
        assert state.type == StateType.CRASHED
        self.closed.append(run)


@pytest.mark.parametrize(
    ("state", "seconds", "heartbeat", "superseded", "stuck"),
    [
        (StateType.PENDING, 170, None, False, False),
        (StateType.PENDING, 190, None, False, True),  # its worker died while it submitted it
        (StateType.RUNNING, 80, None, False, False),
        (StateType.RUNNING, 100, None, False, True),  # killed with its worker before its first heartbeat
        (StateType.RUNNING, 9_000, 80, False, False),  # long, and alive
        (StateType.RUNNING, 9_000, 100, False, True),
        (StateType.CANCELLING, 190, None, False, True),
        (StateType.SCHEDULED, 9_000, None, False, False),  # waits for a worker
        (StateType.SCHEDULED, 1, None, True, True),  # planned anew by the round that begins
        (StateType.RUNNING, 80, None, True, False),
    ],
)
def test_a_run_is_closed_by_age_and_heartbeat(
    state: StateType,
    seconds: float,
    heartbeat: float | None,
    superseded: bool,
    stuck: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    engine = Engine(state, seconds, heartbeat)
    monkeypatch.setattr(centre_flows, "get_client", lambda **_: nullcontext(engine))
    assert centre_flows.tidy(uuid4(), superseded=superseded) == (0 if stuck else 1)
    assert engine.closed == ([engine.run.id] if stuck else [])


def test_an_engine_that_is_away_is_said(company: Company, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(**_: bool) -> Any:
        raise ConnectionError("refused")

    monkeypatch.setattr(centre_flows, "get_client", away)
    with (
        temporary_settings({PREFECT_API_URL: "http://127.0.0.1:9/api"}),
        pytest.raises(EnvironmentProblem, match=r"does not answer \(ConnectionError\).*add --direct"),
    ):
        centre_flows.troubles(company.place)


def test_no_server_is_begun_where_none_is_named(company: Company, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(centre_flows, "get_client", None)
    with temporary_settings({PREFECT_API_URL: None}):
        for ask in (
            lambda: centre_flows.troubles(company.place),
            lambda: centre_flows.hand_over(company.place, [["P-001"]], wait=timedelta(0), missing=list),
        ):
            with pytest.raises(EnvironmentProblem, match=r"PREFECT_API_URL=.*add --direct"):
                ask()


def test_a_batch_takes_its_sites_in(company: Company) -> None:
    for name in ("P-001", "P-002", "P-003"):
        company.site(name).publish()
    centre_flows.take_in_batch.fn(str(company.place.root), ["P-001", "P-003"])
    assert [company.numbers(name) for name in ("P-001", "P-002", "P-003")] == [[1], [], [1]]


def test_a_round_of_the_pool_says_what_its_runs_registered_however_many_packages_lie_behind(
    company: Company, monkeypatch: pytest.MonkeyPatch
) -> None:
    def in_the_pool(
        _place: Centre, parts: list[list[str]], *, missing: Callable[[], list[str]], **_: object
    ) -> list[str]:
        company.take(*(name for part in parts for name in part if name != "P-002"))  # the run of P-002 was killed
        return missing()

    sites = [company.site(f"P-00{number}") for number in (1, 2, 3)]
    for _ in range(25):
        sites[0].publish()
    company.take()
    for site in sites[:2]:
        site.publish()
    monkeypatch.setattr(centre_flows, "hand_over", in_the_pool)
    found = a_round(company.place, company.register, None, direct=False)
    assert [(one.site, one.registered, one.waits) for one in found] == [("P-001", [26], 0), ("P-002", [], 1)]
