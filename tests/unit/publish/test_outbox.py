"""The outbox: whole packages alone are seen, however often the sender dies; nothing is sent twice, nothing is forgotten."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.cli import run
from pipeline.errors import EnvironmentProblem, HistoryBusy, IntegrityProblem, UsageError
from pipeline.load.load import load
from pipeline.publish import seal
from pipeline.publish.outbox import Outbox
from pipeline.publish.storage import Storage
from pipeline.workspace.files import sha256_of
from pipeline.workspace.locks import only_one
from pipeline.workspace.settings import find_workspace
from schemas.company import Head, Manifest, canonical

if TYPE_CHECKING:
    from collections.abc import Callable

SITE = "P-1"
SETTINGS = f'site = "{SITE}"\npublish_to = "../storage"\n'


def day(number: int, lot: str = "L1") -> str:
    return neutral_csv(
        Scenario().check("08:00", day=number).lot("09:00", lot=lot, day=number).check("10:00", day=number)
    )


def bring(root: Path, number: int, lot: str = "L1") -> None:
    (root / "inbox" / f"{number}.csv").write_text(day(number, lot), encoding="utf-8")
    load(find_workspace(root), [root / "inbox" / f"{number}.csv"])


@pytest.fixture(scope="module")
def origin(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("origin") / "works"
    assert run(["init", str(root)]) == 0
    for name, text in Scenario().reference.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "annealog.toml").write_text(SETTINGS, encoding="utf-8")
    bring(root, 0)
    seal.make_key(root / "site.key")
    return root


@pytest.fixture
def root(origin: Path, tmp_path: Path) -> Path:
    (tmp_path / "storage").mkdir()
    return Path(shutil.copytree(origin, tmp_path / "works"))


def outbox(root: Path) -> Outbox:
    return Outbox(find_workspace(root))


def packages(root: Path, site: str = SITE) -> list[Manifest]:
    """Return what a reader of the storage sees, everything looked at."""
    storage = Storage(str(root.parent / "storage"))
    public = seal.public_half(seal.read_key(root / "site.key", ""))
    found = []
    for key in storage.keys(f"sites/{site}/packages"):
        document, signature = seal.unsealed(storage.get(key))
        assert seal.signed_by(document, signature, public)
        manifest = Manifest.of(document)
        assert key.endswith(f"/{manifest.name}")
        for piece in manifest.pieces:
            data = storage.get(f"sites/{site}/blobs/{piece.sha256}")
            assert (sha256_of(data), len(data)) == (piece.sha256, piece.bytes)
            assert pl.read_parquet(data).height == piece.rows
        found.append(manifest)
    assert [manifest.number for manifest in found] == list(range(1, len(found) + 1))
    assert [manifest.before for manifest in found] == ["", *(manifest.sha256 for manifest in found[:-1])][: len(found)]
    return found


class TestPublishing:
    def test_packages_follow_each_other_and_only_what_changed_is_sent(self, root: Path) -> None:
        first = outbox(root).publish()
        assert first.packages == (1,)
        bring(root, 40)
        second = outbox(root).publish()
        assert second.packages == (2,)
        one, two = packages(root)
        new = set(two.pieces) - set(one.pieces)
        assert second.pieces == len(new) < len(two.pieces)
        assert {piece.month for piece in one.pieces if piece.table == "readings"} == {"2026-03"}
        assert {piece.month for piece in new if piece.table == "readings"} == {"2026-04"}
        assert one.last_reading_at < two.last_reading_at
        assert one.head != two.head
        bring(root, 1)  # late: of what was measured its own month alone is touched
        assert outbox(root).publish().packages == (3,)
        late = set(packages(root)[2].pieces) - set(two.pieces)
        assert {piece.month for piece in late if piece.table in ("readings", "parts")} == {"2026-03"}

    def test_nothing_new_makes_no_package(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        outbox(root).publish()
        assert outbox(root).publish().packages == ()
        (made,) = (root / "outbox").glob("*/kept.json")
        made.unlink()  # what only spares work
        again = outbox(root).publish()
        assert (again.packages, again.pieces) == ((), 0)
        monkeypatch.setattr("pipeline.publish.outbox.everything", None)
        assert outbox(root).publish().packages == (), "where the history is the same nothing is computed"
        assert len(packages(root)) == 1

    def test_a_day_later_nothing_but_the_manifest_would_differ(
        self, root: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The clock is set on and everything computed again: no package, since no piece changed."""
        outbox(root).publish()
        (made,) = (root / "outbox").glob("*/kept.json")
        made.unlink()
        monkeypatch.setattr("pipeline.publish.outbox._stamp", lambda: "2031-01-01T00:00:00Z")
        assert outbox(root).publish().packages == ()

    def test_addresses_have_chains_of_their_own(self, root: Path) -> None:
        outbox(root).publish()
        bring(root, 1)
        (root.parent / "elsewhere").mkdir()
        sent = Outbox(find_workspace(root), str(root.parent / "elsewhere")).publish()
        assert sent.packages == (1,)
        assert outbox(root).publish().packages == (2,)

    def test_without_a_name_an_address_or_a_key_nothing_is_tried(self, root: Path) -> None:
        (root / "site.key").unlink()
        with pytest.raises(UsageError, match="Make one: annealog publish key"):
            outbox(root).publish()
        (root / "annealog.toml").write_text('site = "P-1"\n')
        with pytest.raises(UsageError, match="nowhere to publish"):
            outbox(root)
        (root / "annealog.toml").write_text("")
        with pytest.raises(UsageError, match="no name to publish under"):
            outbox(root)
        assert list((root.parent / "storage").iterdir()) == []

    def test_two_at_once(self, root: Path) -> None:
        outbox(root).publish()
        (folder,) = (root / "outbox").iterdir()
        with (
            only_one(folder / "lock", "publication", print),
            pytest.raises(HistoryBusy, match="publication of this workspace runs"),
        ):
            outbox(root).publish()


def away(root: Path) -> None:
    (root.parent / "storage").rename(root.parent / "away")


def back(root: Path) -> None:
    (root.parent / "away").rename(root.parent / "storage")


def unsent(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make a package that cannot be sent."""

    def fails(*_: Any) -> bool:
        raise EnvironmentProblem("no route")

    with monkeypatch.context() as patch:
        patch.setattr(Storage, "put_if_absent", fails)
        with pytest.raises(EnvironmentProblem, match="no route"):
            outbox(root).publish()


class TestStorageAway:
    def test_a_package_waits_and_is_sent_as_it_was(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        outbox(root).publish()
        bring(root, 1)

        unsent(root, monkeypatch)
        (waiting,) = (root / "outbox").glob("*/waiting.json")
        data = waiting.read_bytes()
        state = outbox(root).state()
        assert (state.sent[0] if state.sent else 0, state.waiting[0] if state.waiting else 0) == (1, 2)
        assert state.problem == "no route"
        assert state.bytes > 0
        bring(root, 2)
        assert outbox(root).publish().packages == (2, 3), "what came meanwhile goes with the next one"
        seen = packages(root)
        place = root.parent / "storage" / "sites" / SITE / "packages" / seen[1].name
        assert place.read_bytes() == data
        assert outbox(root).state().problem == ""

    def test_a_share_that_is_away_is_not_made(self, root: Path) -> None:
        outbox(root).publish()
        away(root)
        bring(root, 1)
        with pytest.raises(EnvironmentProblem, match="Is its disk or share there"):
            outbox(root).publish()
        state = outbox(root).state()
        assert "Is its disk or share there" in state.problem
        assert not (root.parent / "storage").exists()
        back(root)
        assert outbox(root).publish().packages == (2,)
        assert len(packages(root)) == 2

    def test_a_piece_cut_short_in_storage_is_told_and_healed(self, root: Path) -> None:
        outbox(root).publish()
        storage = root.parent / "storage" / "sites" / SITE / "blobs"
        piece = next(piece for piece in packages(root)[0].pieces if piece.table == "lots")
        (storage / piece.sha256).write_bytes(b"half")
        with pytest.raises(EnvironmentProblem, match="with 4 bytes, not"):
            outbox(root).publish(again=True)
        (storage / piece.sha256).unlink()
        healed = outbox(root).publish(again=True)
        assert (healed.packages, healed.pieces) == ((), 1)
        assert len(packages(root)) == 1

    def test_a_piece_altered_in_the_outbox_is_not_sent(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        unsent(root, monkeypatch)
        blob = next((root / "outbox").glob("*/blobs/*"))
        blob.write_bytes(b"something else")
        with pytest.raises(IntegrityProblem, match="not what its name says"):
            outbox(root).publish()
        blob.unlink()
        assert outbox(root).publish(again=True).packages == (1,)
        assert len(packages(root)) == 1


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.publish.outbox import Outbox
from pipeline.publish.storage import Storage
from pipeline.workspace.settings import find_workspace
left, put = int(sys.argv[2]), Storage.put_if_absent
def counted(storage, key, data):
    global left
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    left -= 1
    done = put(storage, key, data)
    if left == 0 and sys.argv[3] == "behind":
        os.kill(os.getpid(), signal.SIGKILL)
    return done
Storage.put_if_absent = counted
print(Outbox(find_workspace(Path(sys.argv[1]))).publish().packages)
"""


class TestKilled:
    """SIGKILL before and behind a put; what the operating system holds survives it."""

    def sender(self, root: Path, puts: int, moment: str) -> int:
        done = subprocess.run(
            [sys.executable, "-c", KILLED, str(root), str(puts), moment], capture_output=True, text=True, check=False
        )
        assert done.returncode in (0, -signal.SIGKILL), done.stderr
        return done.returncode

    @pytest.mark.parametrize("moment", ["before", "behind"])
    def test_whole_packages_alone_are_seen_and_the_next_one_goes_on(self, root: Path, moment: str) -> None:
        for puts in (1, 4, None):  # the last one is that of the manifest
            left = len(list((root / "outbox").glob("*/blobs/*")))
            assert self.sender(root, puts or left + (moment == "behind"), moment) == -signal.SIGKILL
            assert len(packages(root)) == (puts is None and moment == "behind")
        assert outbox(root).state().sent is None
        assert outbox(root).publish().packages == (1,)
        assert [manifest.number for manifest in packages(root)] == [1]
        assert outbox(root).publish().packages == ()
        bring(root, 1)
        assert outbox(root).publish().packages == (2,)
        assert len(packages(root)) == 2

    def test_a_kill_between_making_and_sending_loses_nothing(self, root: Path) -> None:
        assert self.sender(root, 0, "before") == -signal.SIGKILL
        (waiting,) = (root / "outbox").glob("*/waiting.json")
        data = waiting.read_bytes()
        assert outbox(root).publish().packages == (1,)
        assert (waiting.parent / "sent.json").read_bytes() == data


def restored(root: Path, work: Callable[[], None]) -> None:
    """Put the workspace back to what it was before some work, as an old copy of it would be."""
    copy = root.parent / "copy"
    shutil.copytree(root, copy)
    work()
    shutil.rmtree(root)
    copy.rename(root)


def head(root: Path, **said: Any) -> None:
    path = root.parent / "centre.key"
    if not path.exists():
        (root / "centre.pub").write_text(seal.make_key(path), encoding="ascii")
    document = Head(**{"site": SITE, **said}).document
    Storage(str(root.parent / "storage")).replace(
        f"centre/heads/{SITE}.json", seal.sealed(document, seal.read_key(path, ""))
    )


class TestWhoseHistory:
    def test_an_old_copy_forks_in_the_open_and_goes_on_where_the_centre_stands(self, root: Path) -> None:
        outbox(root).publish()

        def goes_on() -> None:
            bring(root, 1)
            outbox(root).publish()

        restored(root, goes_on)
        (good,) = packages(root)[1:]
        bring(root, 2, "L2")
        assert outbox(root).publish().packages == (2,)
        keys = Storage(str(root.parent / "storage")).stored(
            f"sites/{SITE}/packages", after=f"sites/{SITE}/packages/00000002"
        )
        assert len(keys) == 2, "the fork is there for the centre to refuse"
        head(root, number=2, sha256=good.sha256, at="2026-04-01T00:00:00Z", refused="Package 2 is a fork.")
        refused = outbox(root).state().refused
        assert "was not sent from here" in refused
        assert "Package 2 is a fork." in refused
        assert outbox(root).publish(follow=True).packages == (3,)
        names = Storage(str(root.parent / "storage")).keys(f"sites/{SITE}/packages")
        third = Manifest.of(seal.unsealed(Storage(str(root.parent / "storage")).get(names[-1]))[0])
        assert (third.number, third.before) == (3, good.sha256)

    def test_a_workspace_without_its_outbox_asks_before_it_goes_on(self, root: Path) -> None:
        outbox(root).publish()
        shutil.rmtree(root / "outbox")
        with pytest.raises(UsageError, match=r"none of them sent from here.*publish --continue"):
            outbox(root).publish()
        assert len(packages(root)) == 1
        assert outbox(root).publish(follow=True).packages == (2,)
        assert len(packages(root)) == 2

    @pytest.mark.parametrize(
        ("said", "refused"),
        [
            ({"number": 1}, ""),
            ({}, ""),
            ({"number": 1, "refused": "A piece is missing. Send it again."}, "A piece is missing. Send it again."),
            ({"number": 1, "sha256": "ff"}, "was not sent from here"),
            ({"number": 2, "sha256": "ff"}, "was not sent from here"),
        ],
    )
    def test_what_the_centre_said(self, root: Path, said: dict[str, Any], refused: str) -> None:
        outbox(root).publish()
        assert outbox(root).state().head is None
        (sent,) = packages(root)
        head(root, **({"sha256": sent.sha256} if said.get("number") else {}) | said)
        found = outbox(root).state().refused
        assert refused in found
        assert bool(found) == bool(refused)


class TestWhoSpeaks:
    """What lies in storage as the centre's word is believed where the key in centre.pub signed it, and it is about this site."""

    WHERE = f"centre/heads/{SITE}.json"

    def test_without_the_centres_key_nothing_is_believed(self, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
        outbox(root).publish()
        head(root, number=1, sha256=packages(root)[0].sha256)
        assert outbox(root).state().head is not None
        (root / "centre.pub").unlink()
        found = outbox(root).state()
        assert (found.head, found.refused, found.unbelieved) == (None, "", "")
        assert run(["publish", "status", "--workspace", str(root)]) == 0
        assert "put its public key (annealog centre key, there)" in capsys.readouterr().out.replace("\n", " ")

    def test_a_forged_confirmation_is_refused_in_words(self, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
        outbox(root).publish()
        head(root)
        storage, forged = Storage(str(root.parent / "storage")), Head(site=SITE, number=9, sha256="ff")
        own = seal.read_key(root / "site.key", "")
        for data in (seal.sealed(forged.document, own), canonical(forged.document), b"{"):
            storage.replace(self.WHERE, data)
            found = outbox(root).state()
            assert (found.head, found.refused) == (None, "")
            assert "othing of it is believed" in found.unbelieved
            assert run(["publish", "status", "--workspace", str(root)]) == 6
            assert "othing of it is believed" in capsys.readouterr().out.replace("\n", " ")
            with pytest.raises(IntegrityProblem, match="othing of it is believed"):
                outbox(root).publish(follow=True)
        bring(root, 1)
        assert outbox(root).publish().packages == (2,)  # what goes on without the centre's word goes on

    def test_to_go_on_behind_what_the_centre_said_needs_its_key(self, root: Path) -> None:
        outbox(root).publish()
        sent = packages(root)[0]
        head(root, number=1, sha256=sent.sha256)
        key = root / "centre.pub"
        text = key.read_text()
        key.unlink()
        bring(root, 1)
        with pytest.raises(UsageError, match=r"'annealog centre key' prints .* centre\.pub beside annealog\.toml"):
            outbox(root).publish(follow=True)
        assert len(packages(root)) == 1
        assert "annealog centre key" in outbox(root).state().problem
        assert outbox(root).publish().packages == (2,)  # behind what was sent from here
        key.write_text(text)
        bring(root, 2, "L2")
        assert outbox(root).publish(follow=True).packages == (2,)  # behind what the centre said it has
        key.unlink()
        Path(Storage(str(root.parent / "storage")).address, self.WHERE).unlink()
        bring(root, 3, "L3")
        assert outbox(root).publish(follow=True).packages == (3,)  # nothing was said: behind what lies there

    @pytest.mark.parametrize("text", ["no key", "x" * 20_000, ""])
    def test_what_is_no_key_of_the_centre_is_told(
        self, root: Path, text: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        outbox(root).publish()
        head(root, number=1, sha256=packages(root)[0].sha256)
        (root / "centre.pub").write_text(text)
        found = outbox(root).state()
        assert (found.head, found.problem) == (None, "")
        assert "centre.pub holds no public Ed25519 key in PEM" in found.unbelieved
        assert run(["publish", "status", "--workspace", str(root)]) == 6
        assert "'annealog centre key' prints" in capsys.readouterr().out
        with pytest.raises(IntegrityProblem, match="no public Ed25519 key"):
            outbox(root).publish(follow=True)

    def test_an_address_that_is_none_is_told(self, root: Path) -> None:
        assert "names no storage" in Outbox(find_workspace(root), "ftp://x/y").state().problem

    def test_a_flipped_word_and_that_on_another_site_are_refused(self, root: Path) -> None:
        outbox(root).publish()
        head(root, refused="Held.")
        storage = Storage(str(root.parent / "storage"))
        good = storage.get(self.WHERE)
        storage.replace(self.WHERE, good.replace(b"Held.", b"Fine."))
        assert "is not signed by the key in centre.pub" in outbox(root).state().unbelieved
        storage.replace(self.WHERE, good)
        assert outbox(root).state().refused == "Held."
        head(root, site="P-2")
        assert "is about P-2" in outbox(root).state().unbelieved


class TestCommands:
    def shell(self, root: Path, *words: str) -> int:
        return run([*words, "--workspace", str(root)])

    def test_publish_and_its_status(self, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert self.shell(root, "publish") == 0
        assert "P-1 at ../storage: package 1; " in capsys.readouterr().out
        assert self.shell(root, "publish") == 0
        assert "nothing changed since the last package; 0 pieces" in capsys.readouterr().out
        assert self.shell(root, "publish", "status", "--json") == 0
        assert json.loads(capsys.readouterr().out)["sent"][0] == 1
        bring(root, 1)
        away(root)
        assert self.shell(root, "publish") == 7
        assert self.shell(root, "publish", "status") == 7
        assert "The last attempt (" in capsys.readouterr().out
        back(root)
        assert self.shell(root, "publish", "--json") == 0
        assert json.loads(capsys.readouterr().out)["packages"] == [2]
        head(root, number=1, sha256=packages(root)[0].sha256, refused="It is held. Ask the centre.")
        assert self.shell(root, "publish", "status") == 6
        said = capsys.readouterr().out
        assert "Confirmed by the centre: package 1" in said
        assert "It is held. Ask the centre." in said

    def test_a_dry_run_writes_nothing(self, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert self.shell(root, "publish", "--dry-run") == 0
        assert capsys.readouterr().out == "Would send what changed of site P-1 to ../storage.\n"
        (root / "site.key").unlink()
        assert self.shell(root, "publish", "key", "--dry-run") == 0
        assert not (root / "site.key").exists()
        assert not (root / "outbox").exists()
        assert list((root.parent / "storage").iterdir()) == []

    def test_the_key_is_made_once(self, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (root / "site.key").unlink()
        assert self.shell(root, "publish", "key") == 0
        printed = capsys.readouterr().out
        assert printed == (root / "site.pub").read_text()
        assert printed.startswith("-----BEGIN PUBLIC KEY-----\n")
        key = (root / "site.key").read_bytes()
        for lost in ("", "that of a key which was moved away"):  # killed between the two files
            (root / "site.pub").write_text(lost) if lost else (root / "site.pub").unlink()
            assert self.shell(root, "publish", "key") == 0
            assert capsys.readouterr().out == (root / "site.pub").read_text() == printed
        assert (root / "site.key").read_bytes() == key

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ('site = "a/b"', "letters, digits"),
            ('publish_to = "x"', "needs a name"),
            ('site = "a"\npublish_minutes = -1', "of at least 0"),
        ],
    )
    def test_settings(self, root: Path, text: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
        (root / "annealog.toml").write_text(text)
        assert self.shell(root, "publish") == 2
        assert said in capsys.readouterr().err
