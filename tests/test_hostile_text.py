"""Files of text and numbers that nobody should have written: one clear line, or an answer.

Everything that reads a file from outside is fed with arbitrary bytes, with arbitrary JSON, and
with good documents in which something was changed.
"""

from __future__ import annotations

import copy
import json
import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from review.analysis import read_analysis
from review.cache import _load
from review.errors import ReviewError
from review.jobfiles import Job, read_job
from review.labels import read_labels
from review.protocol import load_protocol
from review.sessionfile import read_session
from review.store import open_store
from review.words import words_for
from tests.documents import example_analysis

PROJECT = Path(__file__).resolve().parent.parent
PRACTICE = (PROJECT / "review" / "protocols" / "practice.toml").read_text(encoding="utf-8")
LABELS = json.loads((PROJECT / "sample_clips" / "planted_faults.json").read_text(encoding="utf-8"))

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile text") / "file"


def read(reader: Callable[[Path], Any], path: Path, content: bytes) -> None:
    """An answer, or one line that names the file."""
    path.write_bytes(content)
    try:
        reader(path)
    except ReviewError as error:
        assert len(str(error).splitlines()) == 1
        assert path.name in str(error)
        assert "Traceback" not in str(error)


READERS: tuple[tuple[Callable[[Path], Any], str], ...] = (
    (load_protocol, ".toml"),
    (read_analysis, ".json"),
    (read_labels, ".json"),
    (read_session, ".json"),
)


@pytest.mark.parametrize(("reader", "suffix"), READERS)
@given(content=st.binary(max_size=400) | st.text(max_size=200).map(lambda t: t.encode("utf-8")))
@example(content=b"\xef\xbb\xbf{}")
@example(content=b"[" * 100_000)
@example(content=b'{"a":' * 50_000)
@example(content=b"a = [" * 5_000)
@example(content=b"1" * 10_000)
@example(content=b"a = " + b"1" * 10_000)
@example(content=b"\x00")
@example(content=b'{"duration_s": 1e999, "labels": []}')
def test_any_bytes(reader: Callable[[Path], Any], suffix: str, content: bytes, place: Path) -> None:
    read(reader, place.with_suffix(suffix), content)


@pytest.mark.parametrize("reader", [read_analysis, read_labels])
@given(value=json_values)
def test_any_json(reader: Callable[[Path], Any], value: Any, place: Path) -> None:
    read(reader, place.with_suffix(".json"), json.dumps(value).encode())


def places_in(document: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value of a document."""
    found = [at] if at else []
    if isinstance(document, dict):
        steps: list[Any] = list(document)
    else:
        steps = list(range(len(document))) if isinstance(document, list) else []
    for step in steps:
        found += places_in(document[step], (*at, step))
    return found


ANALYSIS = json.loads(example_analysis().to_json())
ODD = (
    None,
    True,
    -1,
    0,
    1e308,
    -1e308,
    10**40,
    "",
    "nan",
    "\x00",
    [],
    {},
    [[]],
    {"a": 1},
    "x" * 9999,
)


@pytest.mark.parametrize(("reader", "good"), [(read_analysis, ANALYSIS), (read_labels, LABELS)])
@given(seed=st.integers(0, 10_000))
def test_a_good_document_with_odd_values(
    reader: Callable[[Path], Any], good: Any, seed: int, place: Path
) -> None:
    chance = random.Random(seed)
    document = copy.deepcopy(good)
    for _ in range(chance.randint(1, 3)):
        *way, last = chance.choice(places_in(document))
        inner = document
        for step in way:
            inner = inner[step]
        if chance.random() < 0.2:
            del inner[last]
        else:
            inner[last] = chance.choice(ODD)
    read(reader, place.with_suffix(".json"), json.dumps(document).encode())


@given(seed=st.integers(0, 10_000))
def test_a_good_protocol_with_odd_lines(seed: int, place: Path) -> None:
    chance = random.Random(seed)
    lines = PRACTICE.splitlines()
    odd = ("= 1", "[[steps]]", "[detection]", "x = inf", "min_s = nan", "min_s = -1", "phase = 'x'")
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(lines))
        kind = chance.random()
        if kind < 0.3:
            lines[at] = chance.choice(odd)
        elif kind < 0.6 and "=" in lines[at]:
            key = lines[at].split("=")[0]
            lines[at] = f"{key}= {chance.choice(('inf', 'nan', '-1', '[]', '{}', '1e999', 'true'))}"
        elif kind < 0.8:
            del lines[at]
        else:
            lines.insert(at, lines[chance.randrange(len(lines))])
    read(load_protocol, place.with_suffix(".toml"), "\n".join(lines).encode())


@given(seed=st.integers(0, 10_000))
def test_damaged_landmarks_are_passed_over(seed: int, place: Path) -> None:
    chance = random.Random(seed)
    data = bytearray(next((PROJECT / "review" / "demo_data").glob("*.npz")).read_bytes())
    for _ in range(chance.randint(1, 30)):
        data[int(len(data) * chance.random() ** 2)] ^= 1 << chance.randrange(8)
    if chance.random() < 0.3:
        del data[chance.randrange(len(data)) :]
    stored = place.with_suffix(".npz")
    stored.write_bytes(bytes(data))
    assert _load(stored, {"another": "recording"}, Path("a.mp4")) is None


@given(content=st.binary(max_size=200) | json_values.map(lambda v: json.dumps(v).encode()))
@example(content=b'{"stage": "waiting"}')
@example(content=b'{"recording_id": [], "by": {}, "asked_at": 5, "stage": "waiting"}')
def test_a_job_file_that_makes_no_sense(content: bytes, place: Path) -> None:
    (place.parent / "jobs").mkdir(exist_ok=True)
    (place.parent / "jobs" / "7.json").write_bytes(content)
    assert read_job(place.parent, 7) is None or isinstance(read_job(place.parent, 7), Job)


@given(language=st.text(max_size=12))
@example(language="../../../etc/passwd")
@example(language="en/../en")
@example(language="\x00")
def test_a_language_is_no_path(language: str) -> None:
    """An unknown one is read in English or refused; nothing but the shipped files is opened."""
    try:
        assert words_for(language).language in ("en", "es")
    except (ReviewError, KeyError) as error:
        assert len(str(error).splitlines()) <= 1


@pytest.mark.parametrize(("reader", "suffix"), READERS)
def test_pipes_and_devices_are_no_documents(
    reader: Callable[[Path], Any], suffix: str, tmp_path: Path
) -> None:
    os.mkfifo(tmp_path / f"pipe{suffix}")
    (tmp_path / f"device{suffix}").symlink_to("/dev/zero")
    (tmp_path / f"folder{suffix}").mkdir()
    for name in ("pipe", "device", "folder"):
        with pytest.raises(ReviewError, match=f"{name}{suffix}"):
            reader(tmp_path / f"{name}{suffix}")


@pytest.mark.parametrize("number", [0, -1, 2**63, 10**40])
def test_a_number_of_no_recording(tmp_path: Path, number: int) -> None:
    with open_store(tmp_path / "unit") as store, pytest.raises(ReviewError, match="no recording"):
        store.recording(number)
