"""How videos are kept: where they are, copied, or encrypted, from adding to playing to erasing."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.testclient import TestClient

from review import jobs, media
from review.cli import main
from review.jobs import job_status, review_copy, start_analysis, work
from review.media import SHELF
from review.sealed import KEYS, is_sealed, open_bytes
from review.sealedmedia import asked_range
from review.store import ConsentError, RecordingEntry, RecordingState, Store, StoreError, open_store
from review.store.keeping import ERASE_AFTER_DAYS
from review.vault import VaultError
from review.video import probe
from tests.scripted import scripted
from tests.stores import BY, TODAY, Clock, add_unit, tiny_video

pytestmark = pytest.mark.any_database

PASSPHRASE = "an invented passphrase"
COST = 1 << 10
PAGE = {"sec-fetch-site": "same-origin"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "unit", clock=Clock()) as made:
        add_unit(made)
        yield made
        if made.keeping().has_passphrase:
            made.lock_videos()


def add(store: Store, video: Path, keep: str | None, person: str = "P-1") -> RecordingEntry:
    return store.add_recording(
        video,
        person=person,
        trainer="T-1",
        protocol="practice",
        mirrored=False,
        taken_on=TODAY,
        by=BY,
        keep=keep,  # type: ignore[arg-type]
    )


def plain_videos(folder: Path) -> list[str]:
    """Files in which the marks of an MP4 stand in the clear."""
    return [
        path.name
        for path in folder.rglob("*")
        if path.is_file() and (b"ftyp" in (content := path.read_bytes()) or b"moov" in content)
    ]


# --- settings --------------------------------------------------------------------------------


def test_where_nothing_was_set_a_video_stays_where_it_is(store: Store, tmp_path: Path) -> None:
    now = store.keeping()
    assert (now.video, now.erase_after_days) == ("stay", ERASE_AFTER_DAYS)
    assert not now.has_passphrase and not now.unlocked
    video = tiny_video(tmp_path)
    assert add(store, video, None).file == str(video)
    assert not store.videos.exists()


def test_nothing_is_encrypted_without_a_passphrase(store: Store, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="Set a passphrase first"):
        store.set_keeping(video="sealed", by=BY)
    with pytest.raises(StoreError, match="No passphrase was set"):
        add(store, tiny_video(tmp_path), "sealed")
    with pytest.raises(StoreError, match="No passphrase"):
        store.unlock_videos(PASSPHRASE)
    with pytest.raises(StoreError, match="one of stay, copy, sealed"):
        store.set_keeping(video="elsewhere", by=BY)  # type: ignore[arg-type]
    assert store.recordings() == ()


def test_the_passphrase_unlocks_and_can_be_changed(store: Store) -> None:
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    assert store.keeping().unlocked
    with pytest.raises(StoreError, match="a passphrase already"):
        store.set_video_passphrase("lamp fig otter tulip", by=BY, cost=COST)
    store.lock_videos()
    assert not store.keeping().unlocked
    with pytest.raises(VaultError):
        store.unlock_videos("the wrong passphrase")
    store.change_video_passphrase(PASSPHRASE, "lamp fig otter tulip", by=BY, cost=COST)
    store.unlock_videos("lamp fig otter tulip")
    assert store.keeping().unlocked
    said = " ".join(f"{entry.subject} {entry.detail}" for entry in store.audit())
    assert "passphrase was changed" in said and "newer" not in said and PASSPHRASE not in said


# --- encrypted, the whole way ----------------------------------------------------------------


def test_an_encrypted_recording_is_analysed_and_plays(store: Store, tmp_path: Path) -> None:
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    video = tiny_video(tmp_path)
    entry = add(store, video, "sealed")
    assert is_sealed(Path(entry.file)) and entry.sha256 and entry.name == video.name
    assert add(store, video, "sealed") == entry, "the same file is added once only"
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=scripted)
    assert store.recording(entry.id).state is RecordingState.READY
    copy = review_copy(store, entry.id)
    assert is_sealed(copy) and probe(copy).duration_s > 1.0
    assert plain_videos(store.folder) == []
    assert video.is_file(), "the original is the unit's own"
    store.erase("P-1", by=BY)
    assert not copy.exists() and not Path(entry.file).exists() and video.is_file()


def test_locked_it_is_not_analysed_and_says_why(store: Store, tmp_path: Path) -> None:
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    entry = add(store, tiny_video(tmp_path), "sealed")
    store.lock_videos()
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=scripted)
    assert store.recording(entry.id).state is RecordingState.FAILED
    assert "Unlock it with the unit's passphrase" in job_status(store.folder, entry.id).message


@pytest.mark.slow
@pytest.mark.only_file
def test_a_worker_of_its_own_gets_the_key(store: Store, tmp_path: Path) -> None:
    """Through a pipe: neither its arguments nor its environment show it. Tracked for real."""
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    entry = add(store, tiny_video(tmp_path), "sealed")
    before = set(threading.enumerate())  # an earlier test's may still be there
    start_analysis(store.folder, entry.id, BY, launch=jobs.launch_worker)
    (waits,) = [t for t in set(threading.enumerate()) - before if "wait" in t.name]
    waits.join(120.0)
    assert store.recording(entry.id).state is RecordingState.READY, job_status(
        store.folder, entry.id
    ).message
    assert plain_videos(store.folder) == []
    key = KEYS.key(store.vault_id())
    assert all(
        key.hex().encode() not in path.read_bytes()
        for path in store.folder.rglob("*")
        if path.is_file()
    )


def test_what_was_kept_in_the_clear_is_encrypted_later(store: Store, tmp_path: Path) -> None:
    entry = add(store, tiny_video(tmp_path), "copy")
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=scripted)
    copied, content = review_copy(store, entry.id), Path(entry.file).read_bytes()
    assert sorted(plain_videos(store.folder)) == sorted([copied.name, Path(entry.file).name])
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    assert store.seal_what_is_kept(by=BY) == 2
    assert plain_videos(store.folder) == [] and store.seal_what_is_kept(by=BY) == 0
    now = store.recording(entry.id)
    with open_bytes(Path(now.file)) as reader:
        assert reader.read() == content
    assert review_copy(store, entry.id).is_file() and not copied.exists()


@pytest.mark.only_file
def test_the_copy_of_a_video_that_stays_is_encrypted_too(store: Store, tmp_path: Path) -> None:
    entry = add(store, tiny_video(tmp_path), "stay")
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=scripted)
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    assert store.seal_what_is_kept(by=BY) == 1
    copy = review_copy(store, entry.id)
    assert is_sealed(copy) and copy.is_file() and plain_videos(store.folder) == []
    assert store.recording(entry.id).file == entry.file
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=scripted)
    assert plain_videos(store.folder) == [], "no second copy is made in the clear"


def test_sealing_with_a_locked_key_changes_nothing(store: Store, tmp_path: Path) -> None:
    entry = add(store, tiny_video(tmp_path), "copy")
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    store.lock_videos()
    with pytest.raises(StoreError, match="locked"):
        store.seal_what_is_kept(by=BY)
    assert [p.name for p in store.videos.iterdir()] == [Path(entry.file).name]


# --- to the page -----------------------------------------------------------------------------


@pytest.fixture
def client() -> Iterator[TestClient]:
    with TestClient(Starlette(routes=media.routes())) as made:
        yield made
    SHELF.take_back("mine")


RANGES = (
    "", "bytes=0-", "bytes=0-0", "bytes=100-199", "bytes=-10", "bytes=-99999999", "bytes=5-999999",
    "bytes=999999-", "bytes=-0",
)  # fmt: skip


@pytest.mark.parametrize("asked", RANGES)
@pytest.mark.only_file
def test_encrypted_bytes_are_answered_like_plain_ones(
    store: Store, tmp_path: Path, client: TestClient, asked: str
) -> None:
    """Starlette's own answer for the plain file is the measure (RFC 9110, section 14)."""
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    plain = tiny_video(tmp_path)
    sealed = Path(add(store, plain, "sealed").file)
    headers = PAGE | ({"range": asked} if asked else {})
    one = client.get(SHELF.lend(plain, "mine"), headers=headers)
    other = client.get(SHELF.lend(sealed, "mine"), headers=headers)
    assert other.status_code == one.status_code
    assert other.headers.get("content-range") == one.headers.get("content-range")
    if one.status_code < 400:
        assert other.content == one.content
        assert other.headers["content-length"] == one.headers["content-length"]
    for name in ("content-type", "accept-ranges", "cache-control", "content-disposition"):
        if one.status_code < 400:
            assert other.headers.get(name) == one.headers.get(name), name
    head = client.head(SHELF.lend(sealed, "mine"), headers=PAGE)
    assert head.content == b"" and int(head.headers["content-length"]) == plain.stat().st_size


@pytest.mark.only_file
def test_a_locked_or_changed_one_is_answered_like_nothing(
    store: Store, tmp_path: Path, client: TestClient
) -> None:
    store.set_video_passphrase(PASSPHRASE, by=BY, cost=COST)
    sealed = Path(add(store, tiny_video(tmp_path), "sealed").file)
    address = SHELF.lend(sealed, "mine")
    store.lock_videos()
    assert client.get(address, headers=PAGE).status_code == 404
    store.unlock_videos(PASSPHRASE)
    assert client.get(address, headers=PAGE).status_code == 200
    content = bytearray(sealed.read_bytes())
    content[30] ^= 1
    sealed.write_bytes(content)
    assert client.get(address, headers=PAGE).status_code == 404


@given(st.integers(0, 50), st.integers(0, 60), st.integers(0, 60))
def test_ranges_lie_in_the_file(size: int, start: int, end: int) -> None:
    for header in (f"bytes={start}-{end}", f"bytes={start}-", f"bytes=-{end}"):
        found = asked_range(header, size)
        if found is not None and found:
            assert 0 <= found.start < found.stop <= size
    assert asked_range(None, size) is None and asked_range("bytes=-", size) is None
    assert asked_range("lines=1-2", size) is None and asked_range("bytes=1-2,4-5", size) is None


# --- erased while it is worked on ------------------------------------------------------------


def test_erasing_stops_the_work_and_nothing_comes_back(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "BETWEEN_REPORTS_S", 0.0)
    entry = add(store, tiny_video(tmp_path), "copy")
    erased: list[object] = []

    def erase() -> None:
        with open_store(store.folder, clock=Clock()) as other:
            erased.append(other.erase("P-1", by=BY))

    eraser = threading.Thread(target=erase)

    def long(path, protocol, sampling, cache, progress, sound):  # type: ignore[no-untyped-def]
        cache.mkdir(parents=True, exist_ok=True)
        (cache / f"{entry.sha256[:16]}-ab.npz").write_bytes(b"positions found so far")
        eraser.start()
        for _ in range(100_000):
            progress(0.5)
        raise AssertionError("it was not stopped")

    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    work(store.folder, analyse=long)
    eraser.join(30.0)
    assert len(erased) == 1
    left = [p.name for p in store.folder.rglob("*") if p.is_file()]
    assert not [name for name in left if entry.sha256[:16] in name or name.startswith("1.")]
    assert store.recordings(without_consent=True) == () and store.people() == ()
    assert store.verify_audit().holds


def test_a_worker_that_comes_late_finds_nothing_to_do(store: Store, tmp_path: Path) -> None:
    """The recording was erased between the asking and the worker's turn."""
    entry = add(store, tiny_video(tmp_path), "copy")
    start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    job = (store.folder / "jobs" / f"{entry.id}.json").read_bytes()
    store.erase("P-1", by=BY)
    (store.folder / "jobs" / f"{entry.id}.json").write_bytes(job)
    work(store.folder, analyse=scripted)
    assert not list((store.folder / "jobs").glob("*.json"))


def test_no_job_starts_without_consent(store: Store, tmp_path: Path) -> None:
    entry = add(store, tiny_video(tmp_path), "copy")
    (consent,) = store.consents("P-1")
    store.withdraw_consent(consent.id, by=BY)
    with pytest.raises(ConsentError):
        start_analysis(store.folder, entry.id, BY, launch=lambda folder: None)
    with pytest.raises(ConsentError):
        review_copy(store, entry.id)


# --- commands --------------------------------------------------------------------------------


@pytest.mark.only_file
def test_the_commands(store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    unit = ["--unit", str(store.folder)]
    cache = ["--cache", str(tmp_path / "cache")]
    video = tiny_video(tmp_path)
    add(store, video, "copy")
    assert main(["audit", "verify", *unit]) == 0
    said = capsys.readouterr().out
    digest = said.split("Last digest: ")[1].split()[0]
    assert "all as they were written" in said and digest == store.verify_audit().chain_sha256
    assert main(["audit", "verify", *unit, "--expect", digest]) == 0
    assert "that of entry" in capsys.readouterr().out
    assert main(["audit", "verify", *unit, "--expect", "0" * 63 + "1"]) == 1
    assert "nowhere in this chain" in capsys.readouterr().err
    assert main(["audit", "show", *unit, "--limit", "1"]) == 0
    assert f"{BY} | added | recording 1" in capsys.readouterr().out

    assert main(["keeping", *unit, "--erase-after", "3"]) == 0
    assert "3 days after" in capsys.readouterr().out
    assert main(["erase", *unit, "--due", *cache]) == 0
    assert "Nobody is due" in capsys.readouterr().out
    assert main(["erase", "P-1", *unit, *cache, "--dry-run"]) == 0
    assert "Recordings: 1" in capsys.readouterr().out and store.recordings()
    assert main(["erase", "P-1", *unit, *cache]) == 1, "nobody can be asked here"
    assert "Add --yes" in capsys.readouterr().err and store.recordings()
    receipts = tmp_path / "receipts"
    assert main(["erase", "P-1", *unit, *cache, "--yes", "--receipt", str(receipts)]) == 0
    assert "Receipt: the records of P-1 were erased" in capsys.readouterr().out
    assert {path.suffix for path in receipts.iterdir()} == {".txt", ".json"}
    assert store.people() == ()
    assert main(["erase", "P-1", *unit, *cache, "--yes"]) == 1
    assert "no person" in capsys.readouterr().err
    assert main(["erase", *unit, *cache]) == 2
    assert main(["audit", "verify", "--unit", str(tmp_path / "none")]) == 1
    assert "holds no records" in capsys.readouterr().err
