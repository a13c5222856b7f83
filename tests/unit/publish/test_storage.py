"""Storage: a folder and a bucket answer alike; of several writers one wins; what is wrong is said in words."""

from __future__ import annotations

import threading
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from obstore import exceptions
from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.cli import run
from pipeline.errors import DiskFull, EnvironmentProblem, UsageError
from pipeline.load.load import load
from pipeline.publish.outbox import Outbox
from pipeline.publish.seal import make_key, unsealed
from pipeline.publish.storage import Storage, TooLong
from pipeline.workspace.files import sha256_of
from pipeline.workspace.settings import find_workspace
from schemas.company import Manifest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """An S3 server of this process on the loopback address, with one empty bucket."""
    import boto3
    from moto.s3.responses import S3Response
    from moto.server import ThreadedMotoServer

    put, one_at_a_time = S3Response.put_object, threading.RLock()

    def put_whole(self: S3Response) -> Any:
        """Put as a store does: here nothing keeps another thread from between the look and the write."""
        with one_at_a_time:
            return put(self)

    monkeypatch.setattr(S3Response, "put_object", put_whole)
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "for-tests")
    monkeypatch.setenv("AWS_REGION", "us-east-1")
    server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
    client = boto3.client("s3", endpoint_url=f"http://{host}:{port}", region_name="us-east-1")
    client.create_bucket(Bucket="works")
    client.close()
    yield f"s3://works/{uuid.uuid4()}"  # the server keeps what it has from test to test
    server.stop()


@pytest.fixture(params=["folder", "bucket"])
def storage(request: pytest.FixtureRequest, tmp_path: Path) -> Storage:
    if request.param == "bucket":
        return Storage(request.getfixturevalue("bucket"))
    return Storage(str(tmp_path))


class TestStorage:
    def test_the_first_put_wins_and_is_read_back(self, storage: Storage) -> None:
        assert storage.put_if_absent("sites/P-1/blobs/aa", b"first")
        assert not storage.put_if_absent("sites/P-1/blobs/aa", b"second")
        assert storage.get("sites/P-1/blobs/aa") == b"first"
        assert storage.size("sites/P-1/blobs/aa") == 5
        assert storage.get("sites/P-1/blobs/aa", largest=5) == b"first"
        with pytest.raises(TooLong) as told:
            storage.get("sites/P-1/blobs/aa", largest=4)
        assert told.value.size == 5
        assert abs(storage.modified("sites/P-1/blobs/aa") - datetime.now(UTC)) < timedelta(minutes=5)

    def test_folders_are_named_once_each_and_in_order(self, storage: Storage) -> None:
        assert storage.folders("sites") == []
        for key in (
            "sites/P-2/blobs/aa",
            "sites/P-1/blobs/aa",
            "sites/P-1/packages/b",
            "sites/lone",
            "centre/heads/P-3.json",
        ):
            storage.put_if_absent(key, b"x")
        assert storage.folders("sites") == ["P-1", "P-2"]
        assert storage.folders("sites/P-1") == ["blobs", "packages"]

    def test_what_is_not_there(self, storage: Storage) -> None:
        assert storage.size("sites/P-1/blobs/none") is None
        assert storage.keys("sites/P-2/packages") == []
        with pytest.raises(FileNotFoundError, match="sites/P-1/blobs/none"):
            storage.get("sites/P-1/blobs/none")

    def test_keys_are_sorted_and_begin_behind_one(self, storage: Storage) -> None:
        for name in ("3", "1", "2"):
            storage.put_if_absent(f"sites/P-1/packages/0000000{name}-ab.json", b"{}")
        storage.put_if_absent("sites/P-11/packages/00000009-ab.json", b"{}")
        names = [f"sites/P-1/packages/0000000{name}-ab.json" for name in "123"]
        assert storage.keys("sites/P-1/packages") == names
        later = storage.stored("sites/P-1/packages", after=names[0])
        assert [one.key for one in later] == names[1:]
        for one in later:  # asked for one by one it is told to the second
            assert abs(one.modified - storage.modified(one.key)) < timedelta(seconds=1)
        assert storage.stored("sites/P-1/packages", after=names[2]) == []

    def test_heads_are_replaced(self, storage: Storage) -> None:
        storage.replace("centre/heads/P-1.json", b"1")
        storage.replace("centre/heads/P-1.json", b"2")
        assert storage.get("centre/heads/P-1.json") == b"2"

    def test_of_several_at_once_one_wins(self, storage: Storage) -> None:
        with ThreadPoolExecutor(8) as pool:
            for key in range(10):
                won = list(
                    pool.map(lambda who, key=key: storage.put_if_absent(f"k/{key}", str(who).encode()), range(8))
                )
                assert sum(won) == 1
                assert storage.get(f"k/{key}") == str(won.index(True)).encode()


class TestWhatIsWrong:
    def test_a_folder_that_is_not_there_is_not_made(self, tmp_path: Path) -> None:
        with pytest.raises(EnvironmentProblem, match="Is its disk or share there"):
            Storage("share/company", tmp_path)
        assert not (tmp_path / "share").exists()

    def test_a_folder_is_relative_to_its_base(self, tmp_path: Path) -> None:
        (tmp_path / "company").mkdir()
        Storage("company", tmp_path).put_if_absent("a", b"1")
        assert (tmp_path / "company" / "a").read_bytes() == b"1"

    @pytest.mark.parametrize("address", ["", "ftp://here/there", "s3://", "s3://key:secret@bucket", "s3://b?x=1"])
    def test_no_address(self, address: str) -> None:
        with pytest.raises(UsageError, match=r"expected a folder|name a folder"):
            Storage(address)

    def test_credentials_come_from_the_environment_and_are_named_when_lacking(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("AWS_ACCESS_KEY_ID", "x")
        monkeypatch.delenv("AWS_SECRET_ACCESS_KEY", raising=False)
        with pytest.raises(EnvironmentProblem, match="needs AWS_SECRET_ACCESS_KEY in the environment"):
            Storage("s3://works")

    @pytest.mark.usefixtures("bucket")
    def test_a_bucket_that_is_not_there(self) -> None:
        with pytest.raises(EnvironmentProblem, match="s3://nobody cannot write a"):
            Storage("s3://nobody").put_if_absent("a", b"1")

    def test_a_store_that_is_away_is_given_up(self, monkeypatch: pytest.MonkeyPatch) -> None:
        for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
            monkeypatch.setenv(name, "x")
        monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
        with pytest.raises(EnvironmentProblem, match="s3://works cannot write a"):
            Storage("s3://works").put_if_absent("a", b"1")

    def test_a_store_elsewhere_is_not_spoken_to_without_tls(self, monkeypatch: pytest.MonkeyPatch) -> None:
        for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
            monkeypatch.setenv(name, "x")
        monkeypatch.setenv("AWS_ENDPOINT_URL", "http://store.invalid")
        with pytest.raises(EnvironmentProblem, match="cannot write a"):
            Storage("s3://works").put_if_absent("a", b"1")

    @pytest.mark.parametrize(
        ("error", "kind", "said"),
        [
            (
                exceptions.GenericError("Unable to copy: No space left on device (os error 28)"),
                DiskFull,
                "the disk of .* is full",
            ),
            (exceptions.PermissionDeniedError("403"), EnvironmentProblem, "does not let us write a: check credentials"),
            (exceptions.UnauthenticatedError("401"), EnvironmentProblem, "does not let us write a: check credentials"),
            (PermissionError(13, "denied"), EnvironmentProblem, "does not let us write a: check credentials"),
            (exceptions.GenericError("no route\nDebug source:\n..."), EnvironmentProblem, "cannot write a: no route$"),
            (FileNotFoundError("NoSuchBucket"), EnvironmentProblem, "cannot write a: NoSuchBucket"),
        ],
    )
    def test_errors_are_words(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, kind: type[Exception], said: str
    ) -> None:
        def fails(*_: object, **__: object) -> None:
            raise error

        monkeypatch.setattr("obstore.put", fails)
        with pytest.raises(EnvironmentProblem, match=said) as found:
            Storage(str(tmp_path)).put_if_absent("a", b"1")
        assert type(found.value) is kind

    def test_a_folder_without_rights(self, tmp_path: Path) -> None:
        (tmp_path / "k").write_bytes(b"")  # a file where a folder is needed: also root is refused
        with pytest.raises(EnvironmentProblem, match="cannot write k/a"):
            Storage(str(tmp_path)).put_if_absent("k/a", b"1")


def test_a_site_publishes_into_a_bucket(bucket: str, tmp_path: Path) -> None:
    root = tmp_path / "works"
    assert run(["init", str(root)]) == 0
    for name, text in Scenario().reference.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "annealog.toml").write_text(f'site = "P-1"\npublish_to = "{bucket}"\n', encoding="utf-8")
    make_key(root / "site.key")
    sent = []
    for day in (0, 40):
        export = Scenario().check("08:00", day=day).lot("09:00", day=day).check("10:00", day=day)
        (root / "inbox" / f"{day}.csv").write_text(neutral_csv(export), encoding="utf-8")
        load(find_workspace(root), [root / "inbox" / f"{day}.csv"])
        sent.append(Outbox(find_workspace(root)).publish())
    assert [one.packages for one in sent] == [(1,), (2,)]
    storage = Storage(bucket)
    manifest = Manifest.of(unsealed(storage.get(storage.keys("sites/P-1/packages")[1]))[0])
    for piece in manifest.pieces:
        assert sha256_of(storage.get(f"sites/P-1/blobs/{piece.sha256}")) == piece.sha256
    assert len(storage.keys("sites/P-1/blobs")) == sum(one.pieces for one in sent)
    assert sent[1].pieces < len(manifest.pieces), "what did not change is not sent again"
