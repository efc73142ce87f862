"""The page 'Keeping and erasing', run headless on the invented unit."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from review.cache import CACHE_VARIABLE
from review.demo import make_demo
from review.places import UNIT_VARIABLE
from review.store import Store, open_store
from review.store import keeping as keeping_module

PASSPHRASE = "an invented passphrase"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("erasure") / "unit"
    make_demo(folder)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    folder = tmp_path / "unit"
    shutil.copytree(made, folder)
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(folder))
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    # A cheap passphrase: what it costs is no matter here.
    kept = keeping_module.KeepingPart.set_video_passphrase
    monkeypatch.setattr(
        keeping_module.KeepingPart,
        "set_video_passphrase",
        lambda self, passphrase, *, by: kept(self, passphrase, by=by, cost=1 << 10),
    )
    st.cache_resource.clear()
    with open_store(folder) as opened:
        yield opened
        if opened.keeping().has_passphrase:
            opened.lock_videos()
    st.cache_resource.clear()


def opened(project: Path) -> AppTest:
    return AppTest.from_file(str(project / "review" / "pages" / "erasure.py"), default_timeout=60)


@pytest.fixture
def page(project: Path, store: Store) -> AppTest:
    made = opened(project)
    made.query_params["by"] = "T-1"
    return run(made)


def run(page: AppTest) -> AppTest:
    page.run()
    assert not page.exception, page.exception
    return page


def button(page: AppTest, label: str):  # type: ignore[no-untyped-def]
    return next(b for b in page.button if b.label == label)


def said(page: AppTest) -> str:
    kinds = ("success", "error", "markdown", "code")
    return "\n".join(str(element.value) for kind in kinds for element in page.get(kind))


def test_a_person_is_erased_only_after_the_code_was_typed(page: AppTest, store: Store) -> None:
    page.selectbox[1].set_value("K-111")
    run(page)
    erase = button(page, "Erase everything about K-111")
    assert erase.disabled and "planted_faults" in said(page)
    page.text_input[0].set_value("K-11")
    assert button(run(page), "Erase everything about K-111").disabled
    page.text_input[0].set_value("K-111")
    run(page)
    button(page, "Erase everything about K-111").click()
    run(page)
    words = said(page)
    assert "K-111 was erased" in words and "Receipt: the records of K-111" in words
    assert "K-111" not in {person.code for person in store.people()}
    assert store.verify_audit().holds


def test_nobody_is_erased_by_nobody(project: Path, store: Store) -> None:
    page = run(opened(project))
    page.selectbox[1].set_value("K-104")
    run(page)
    page.text_input[0].set_value("K-104")
    run(page)
    assert button(page, "Erase everything about K-104").disabled


def test_the_passphrase_is_set_and_asked_for(page: AppTest, store: Store) -> None:
    def typed(*words: str) -> None:
        boxes = [box for box in page.text_input if "assphrase" in box.label or "again" in box.label]
        for box, word in zip(boxes, words, strict=False):
            box.set_value(word)

    typed(PASSPHRASE, "another passphrase")
    button(page, "Set the passphrase").click()
    assert "differ" in said(run(page)) and not store.keeping().has_passphrase
    typed(PASSPHRASE, PASSPHRASE)
    button(page, "Set the passphrase").click()
    assert "kept encrypted from now on" in said(run(page)) and store.keeping().unlocked
    assert "sealed" in page.radio[0].options or "encrypted" in str(page.radio[0].options)
    button(page, "Lock them now").click()
    run(page)
    assert not store.keeping().unlocked
    typed("the wrong passphrase")
    button(page, "Unlock").click()
    assert "not the unit's passphrase" in said(run(page))
    typed(PASSPHRASE)
    button(page, "Unlock").click()
    run(page)
    assert store.keeping().unlocked


def test_the_record_is_checked(page: AppTest, store: Store) -> None:
    report = store.verify_audit()
    button(page, "Check the record").click()
    words = said(run(page))
    assert f"{report.count} entries, all as they were written" in words
    assert report.chain_sha256 in words
    page.text_input[-1].set_value("0" * 64)
    button(page, "Check the record").click()
    assert "nowhere in this chain" in said(run(page))
