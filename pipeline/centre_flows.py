"""The centre's work in Prefect's process pool: thin. A run is given the centre's folder and names of sites, and says nothing back.

Prefect's word decides nothing: what is missing is planned anew from storage and register in each round (`pipeline.centre.rounds`),
and a batch that is submitted twice, or killed anywhere, registers each package once.
"""

from __future__ import annotations

import contextlib
import time
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from prefect import flow
from prefect.client.orchestration import get_client
from prefect.client.schemas.actions import WorkPoolCreate
from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterDeploymentId, FlowRunFilterState
from prefect.client.schemas.filters import FlowRunFilterStateType as StateTypes
from prefect.client.schemas.objects import StateType
from prefect.deployments import run_deployment
from prefect.exceptions import ObjectNotFound
from prefect.logging import get_logger
from prefect.settings import PREFECT_API_URL
from prefect.states import Crashed
from prefect.types.entrypoint import EntrypointType

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from uuid import UUID

    from pipeline.centre.place import Centre

__all__ = ["HEARTBEAT_S", "deploy", "hand_over", "take_in_batch", "tidy", "troubles"]

HEARTBEAT_S = 30
"""How often a run says that it lives."""
_SILENT = timedelta(seconds=3 * HEARTBEAT_S)
"""A run that said nothing for so long is dead, whatever its state: its worker and it were killed together."""
_STARTING = timedelta(minutes=3)
"""So long a run may be pending: a worker that died while it submitted it leaves it so for ever."""
_LOOK_S = 2.0
_UNFINISHED = [StateType.SCHEDULED, StateType.PENDING, StateType.RUNNING, StateType.CANCELLING, StateType.PAUSED]


@flow(name="annealog-take-in", validate_parameters=False, persist_result=False, log_prints=False)
def take_in_batch(centre: str, sites: list[str]) -> None:
    """Take in what is new of some sites."""
    from pipeline.centre.given import untold
    from pipeline.centre.place import find_centre
    from pipeline.centre.register import Register
    from pipeline.centre.take_in import take_in
    from pipeline.publish.storage import Storage

    place = find_centre(Path(centre))
    if words := untold(place):  # a worker may run as another user
        get_logger("annealog").warning(words)
    with Register(place.register) as register:
        take_in(place, register, Storage(place.storage), sites)


def deploy(place: Centre) -> UUID:
    """Make the pool and the deployment where they are missing; return the deployment."""
    pool = place.settings.pool
    with get_client(sync_client=True) as client:
        try:
            client.read_work_pool(pool)
        except ObjectNotFound:
            client.create_work_pool(WorkPoolCreate(name=pool, type="process"))
    made: Any = take_in_batch.to_deployment(name=pool, entrypoint_type=EntrypointType.MODULE_PATH)
    made.job_variables = {"env": {"PREFECT_FLOWS_HEARTBEAT_FREQUENCY": str(HEARTBEAT_S)}}
    deployment: UUID = made.apply(work_pool_name=pool)
    return deployment


def hand_over(
    place: Centre, parts: Sequence[list[str]], *, wait: timedelta, missing: Callable[[], Sequence[str]]
) -> list[str]:
    """Hand batches to the pool, wait until nothing is missing or no run is left, and return what is missing then.

    Parameters
    ----------
    parts
        Names of sites.
    wait
        At most for so long.
    missing
        Looks into storage and register.

    Raises
    ------
    EnvironmentProblem
        If Prefect's server does not answer; what its runs took in is taken in.
    """
    with _answering():
        deployment = deploy(place)
        tidy(deployment, superseded=True)
        for part in parts:
            run_deployment(
                deployment, parameters={"centre": str(place.root), "sites": part}, timeout=0, as_subflow=False
            )
        until = time.monotonic() + wait.total_seconds()
        while time.monotonic() < until and tidy(deployment):
            time.sleep(_LOOK_S)
    return list(missing())


def tidy(deployment: UUID, *, superseded: bool = False) -> int:
    """Close the runs that will never end by themselves; return how many are left unfinished.

    Parameters
    ----------
    deployment
        Whose runs.
    superseded
        Close those that no worker took up, too: the round that begins plans them anew.
    """
    left = 0
    with get_client(sync_client=True) as client:
        unfinished = FlowRunFilter(
            deployment_id=FlowRunFilterDeploymentId(any_=[deployment]),
            state=FlowRunFilterState(type=StateTypes(any_=_UNFINISHED)),
        )
        now = datetime.now(UTC)
        for run in client.read_flow_runs(flow_run_filter=unfinished, limit=200):
            state = run.state
            since = now - (state.timestamp if state is not None else run.created or now)
            kind = state.type if state is not None else StateType.SCHEDULED
            if kind == StateType.SCHEDULED:
                stuck = superseded
            elif kind == StateType.RUNNING:
                stuck = since > _SILENT and not _alive(client, run.id, now - _SILENT)
            else:
                stuck = since > _STARTING
            if stuck:
                client.set_flow_run_state(
                    run.id, Crashed(message="closed by the round: it gave no sign of life"), force=True
                )
            left += not stuck
    return left


def _alive(client: Any, run: UUID, since: datetime) -> bool:
    """Whether a run sent a heartbeat since a moment."""
    asked = {
        "filter": {
            "event": {"name": ["prefect.flow-run.heartbeat"]},
            "resource": {"id": [f"prefect.flow-run.{run}"]},
            "occurred": {"since": since.isoformat()},
        },
        "limit": 1,
    }
    return bool(client.request("POST", "/events/filter", json=asked).json()["events"])


@contextlib.contextmanager
def _answering() -> Iterator[None]:
    """Say in words that the engine is away, whichever of its libraries noticed it, or that none is named.

    Prefect would then begin a server of its own for each command: with no pool that a worker works on, with tracebacks of its database
    in between, and with a word to its makers.
    """
    if not PREFECT_API_URL.value():
        raise EnvironmentProblem(
            "No Prefect server is named. Name it: export PREFECT_API_URL=http://ADDRESS:4200/api. The same work runs without one: add --direct."
        )
    try:
        yield
    except Exception as error:
        raise EnvironmentProblem(
            f"Prefect's server does not answer ({type(error).__name__}). The same work runs without it: add --direct."
        ) from error


def troubles(place: Centre) -> list[str]:
    """Say what is wrong with the engine: of another version, no pool, nobody at work.

    Raises
    ------
    EnvironmentProblem
        If it is away, or its database is.
    """
    ours, pool, found = version("prefect"), place.settings.pool, []
    with _answering(), get_client(sync_client=True) as client:
        theirs = client.api_version()
        if theirs != ours:
            found.append(
                f"Prefect's server is {theirs}, this program has {ours}: runs crash between versions. Install the same."
            )
        try:
            # its health says that all is well without its database; this asks it
            known = client.read_work_pool(pool)
        except ObjectNotFound:
            return [*found, f"There is no work pool {pool!r} yet: annealog centre run makes it."]
        if known.concurrency_limit is not None:
            found.append(
                f"Work pool {pool!r} has a concurrency limit, which stuck runs eat: take it off, and limit each worker."
            )
        if not any(worker.status == "ONLINE" for worker in client.read_workers_for_work_pool(pool)):
            found.append(f"No worker is at work on pool {pool!r}: prefect worker start --pool {pool}")
    return found
