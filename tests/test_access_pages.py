"""Every role, and nobody, at every page and every address of a recording."""

from __future__ import annotations

import asyncio
import re
import sys
from collections.abc import Callable, Iterator
from datetime import date
from functools import partial
from pathlib import Path

import pytest
import streamlit as st
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.testclient import TestClient
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.testing.v1 import AppTest

from review import media, signin
from review.analysis import Analysis
from review.demo import make_demo
from review.jobs import review_copy
from review.media import SHELF
from review.pages import unit as unit_module
from review.pages.gate import STATE_PATH, Gate
from review.places import UNIT_VARIABLE, files_in
from review.roles import (
    ACTIONS,
    AT_THE_COMPUTER,
    PAGES,
    Action,
    Role,
    Viewer,
    may,
    may_open,
    may_see,
    pages_for,
)
from review.signedin import COOKIE, SIGN_INS, kept_form
from review.store import Store, open_store
from tests.accounts import ACCOUNTS, OTHER, PASSPHRASE, add_accounts, quick_hashes

FOLDER = Path(__file__).resolve().parent.parent / "review" / "pages"
THERE = tuple(page for page in PAGES if (FOLDER / f"{page}.py").is_file())
NOBODY = "nobody"
ROLES = (*Role, NOBODY)

EXPECTED = {
    "review": {"trainer", "educator"},
    "spotcheck": {"educator"},
    "agreement": {"educator"},
    "blind": {"trainer", "educator"},
    "feedback": {"trainer", "educator", "patient"},
    "recordings": {"trainer", "educator", "administrator"},
    "camera": {"trainer", "educator"},
    "erasure": {"trainer", "educator", "administrator"},
    "accounts": {"administrator"},
    "passphrase": {"trainer", "educator", "patient", "administrator"},
}
"""Written down a second time, so that a slip in the program's own table does not pass."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[int, ...]]:
    """The invented unit with an account of each role, and the ids of its shown sessions."""
    folder = tmp_path_factory.mktemp("access") / "unit"
    shown = make_demo(folder)
    with pytest.MonkeyPatch.context() as patch, open_store(folder) as store:
        quick_hashes(patch)
        add_accounts(store)
    return folder, shown


@pytest.fixture
def store(made: tuple[Path, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(made[0]))
    quick_hashes(monkeypatch)
    st.cache_resource.clear()
    with open_store(made[0]) as opened:
        yield opened
    st.cache_resource.clear()


@pytest.fixture
def shown(made: tuple[Path, tuple[int, ...]]) -> tuple[int, ...]:
    return made[1]


def key_for(store: Store, role: Role | str) -> str:
    """The key of a new sign-in; empty for nobody."""
    if role == NOBODY:
        return ""
    account = store.account(ACCOUNTS[Role(role)][0])
    assert account is not None
    return SIGN_INS.begin(account)


def open_as(patch: pytest.MonkeyPatch, key: str, page: str, **query: str) -> AppTest:
    patch.setattr(unit_module, "browser_key", lambda: key)
    app = AppTest.from_file(str(FOLDER / f"{page}.py"), default_timeout=60)
    for name, value in query.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception, app.exception
    return app


def words_of(app: AppTest) -> str:
    """Everything on a page: text, and the choices, labels and values of what can be used."""
    parts = [element.proto.body for element in app.get("html")]
    kinds = ("title", "markdown", "error", "warning", "success", "info", "code")
    parts += [str(e.value) for kind in kinds for e in app.get(kind)]
    for kind in ("selectbox", "multiselect", "radio", "text_input", "button", "checkbox"):
        for element in app.get(kind):
            parts += [str(element.label), str(getattr(element, "options", ""))]
            parts.append(str(element.value))
    return "\n".join(parts)


# --- the table -----------------------------------------------------------------------------------


def test_the_table_is_the_one_that_was_asked_for() -> None:
    found = {page: {role.value for role in roles} for page, roles in PAGES.items()}
    assert found == EXPECTED
    assert set(ACTIONS) == set(Action)
    assert ACTIONS[Action.WATCH] == {Role.TRAINER, Role.EDUCATOR, Role.PATIENT}


@pytest.mark.parametrize("role", list(Role))
def test_what_is_not_in_the_table_is_refused(role: Role) -> None:
    for viewer in (None, Viewer("x", role), AT_THE_COMPUTER):
        for page in ("", "secrets", "../review", "Review", "review ", "session", "gate"):
            assert not may_open(viewer, page)
    assert not any(may_open(None, page) for page in PAGES)
    assert not any(may(None, action) for action in Action)
    assert not may_see(None, "P-1") and not may_see(None, "")
    # A role without an account's name is no way around signing in.
    assert pages_for(Viewer("", role)) == ()


def test_only_patients_are_bound_to_one_person() -> None:
    assert not may_see(Viewer("p", Role.PATIENT), "")
    assert may_see(Viewer("t", Role.TRAINER, trainer="T-1"), "anybody")
    assert not may_see(Viewer("a", Role.ADMINISTRATOR), "anybody")


def test_every_page_of_the_menu_is_in_the_table(project: Path) -> None:
    menu = (FOLDER / "navigation.py").read_text("utf-8")
    named = re.findall(r'^    \("(\w+)", ".*"\),$', menu, re.M)
    assert {"review", "feedback", "accounts"} <= set(named) <= set(PAGES)


# --- pages ---------------------------------------------------------------------------------------


@pytest.mark.trust
@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("page", THERE)
def test_each_role_at_each_page(
    store: Store,
    shown: tuple[int, ...],
    monkeypatch: pytest.MonkeyPatch,
    page: str,
    role: str,
    record_number: Callable[..., None],
) -> None:
    app = open_as(monkeypatch, key_for(store, role), page, recording=str(shown[0]), by="T-1")
    text = words_of(app)
    refused = "Please sign in" in text or "no such page for your account" in text
    assert refused == (role not in EXPECTED[page])
    record_number("roles at pages walked")
    record_number("roles at pages walked: refused, as they should be", refused)
    if refused:
        assert not re.search(r"K-1\d\d|T-[12]|\.mp4|/recording/|<table", text)
        assert not (app.button or app.selectbox or app.text_input)
    watching = "/recording/" in text or page == "review"
    assert not (watching and role in (Role.ADMINISTRATOR, NOBODY)) or refused


@pytest.mark.parametrize(
    ("page", "how"),
    [(page, "signed out") for page in THERE]
    + [("feedback", how) for how in ("closed", "expired", "new passphrase", "made up")],
)
def test_a_sign_in_that_is_over_opens_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, page: str, how: str
) -> None:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(tmp_path))
    quick_hashes(monkeypatch)
    with open_store(tmp_path) as store:
        store.add_trainer("T-1", "Invented", by="test")
        store.add_trainer("T-2", "Invented", by="test")
        store.add_person("K-104", by="test")
        add_accounts(store)
        store.add_account("bea", "administrator", PASSPHRASE, by="test")
        role = sorted(EXPECTED[page])[-1]
        name = "bea" if role == "administrator" else ACCOUNTS[Role(role)][0]
        account = store.account(name)
        assert account is not None
        key = SIGN_INS.begin(account)
        assert "Please sign in" not in words_of(open_as(monkeypatch, key, page))
        if how == "closed":
            store.close_account(name, by="test")
        elif how == "new passphrase":
            store.set_passphrase(name, OTHER, by="test")
        elif how == "signed out":
            SIGN_INS.end(key)
        elif how == "expired":
            monkeypatch.setattr(SIGN_INS, "_clocks", (lambda: 1e12, lambda: 0.0))
        else:
            key = key[:-1] + ("a" if key[-1] != "a" else "b")
        assert "Please sign in" in words_of(open_as(monkeypatch, key, page))


def test_without_accounts_whoever_is_at_the_computer_sees_all_and_is_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "argv", ["app.py"])
    monkeypatch.setenv(UNIT_VARIABLE, str(tmp_path))
    st.cache_resource.clear()
    with open_store(tmp_path) as store:
        store.add_trainer("T-1", "Invented", by="test")
    for page in THERE:
        text = words_of(open_as(monkeypatch, "", page))
        assert "Please sign in" not in text and "no such page" not in text
    assert "Who is at the keyboard" in words_of(open_as(monkeypatch, "", "recordings"))
    text = words_of(open_as(monkeypatch, "", "accounts"))
    assert "Whoever sits at this computer sees and does everything" in text
    assert f"account add NAME --role administrator --unit {tmp_path}" in text
    st.cache_resource.clear()


def test_the_menu_offers_what_the_table_allows(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    offered = {}
    real = st.Page
    for role in ROLES:
        titles: list[str] = []

        def note(*args: object, _titles: list[str] = titles, **more: object) -> object:
            _titles.append(str(more["url_path"]))
            return real(*args, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(st, "Page", note)
        app = open_as(monkeypatch, key_for(store, role), "navigation")
        assert ("Please sign in" in words_of(app)) == (role == NOBODY)
        offered[role] = {title for title in titles if title != "sign-out"}
        assert ("sign-out" in titles) == (role != NOBODY)
    for role in Role:
        assert offered[role] == {page for page in THERE if role in EXPECTED[page]}


# --- a patient's own -----------------------------------------------------------------------------


def patient_pages(app: AppTest) -> list[str]:
    return [e.proto.body for e in app.get("html") if 'class="patient"' in e.proto.body]


def test_a_patient_sees_the_own_sessions_and_nothing_of_others(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = key_for(store, Role.PATIENT)
    own = {e.id for e in store.recordings("K-104")}
    others = [e for e in store.recordings(without_consent=True) if e.person != "K-104"]
    one = next(iter(own))
    text = words_of(open_as(monkeypatch, key, "feedback", recording=str(one)))
    assert "was not found" not in text
    for entry in others:
        assert entry.person not in text and entry.name not in text


def test_another_person_s_recording_is_no_different_from_none(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = key_for(store, Role.PATIENT)
    known = store.recordings(without_consent=True)
    own = {e.id for e in known if e.person == "K-104"}
    hidden = next(e.id for e in known if e.person == "K-160")
    other = next(e.id for e in known if e.person == "K-111")
    strange = ["0", "999999", "9" * 5000, "-1", "1e3", "../1", "\u0663", "1;2"]
    pages = []
    for asked in [str(other), str(hidden), "999999999"]:
        app = open_as(monkeypatch, key, "feedback", recording=asked)
        text = re.sub(r"/recording/[\w-]{43}", "/recording/TOKEN", words_of(app))
        assert "was not found" in text
        pages.append(text)
    assert pages[0] == pages[1] == pages[2]
    for asked in strange:
        text = words_of(open_as(monkeypatch, key, "feedback", recording=asked))
        assert "K-111" not in text
    assert own


def test_a_name_in_the_address_is_nobody_s_signature(
    store: Store, shown: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """``by`` counts only where there are no accounts."""
    number = shown[2]
    app = open_as(monkeypatch, key_for(store, Role.TRAINER), "review",
                  recording=str(number), by="T-2")  # fmt: skip
    assert "Reviewing: Invented trainer A (T-1)" in words_of(app)
    item = next(radio for radio in app.radio if radio.label.startswith("Rings"))
    item.set_value("done").run()
    assert [answer.by for answer in store.answers(number)] == ["T-1"]


def test_who_saw_what_is_noted_once(
    store: Store, shown: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    number = shown[0]
    counted = {row.recording_id: row.watched for row in store.session_rows()}
    app = open_as(monkeypatch, key_for(store, Role.PATIENT), "feedback", recording=str(number))
    app.run()
    watching = open_as(monkeypatch, key_for(store, Role.TRAINER), "review",
                       recording=str(number))  # fmt: skip
    assert "Reviewing: Invented trainer A (T-1)" in words_of(watching)
    notes = [(e.who, e.what) for e in store.audit(3, recording_id=number)]
    assert notes[:2] == [("T-1", "watched"), ("K-104", "saw the feedback")]
    now = {row.recording_id: row.watched for row in store.session_rows()}
    assert now[number] == counted[number] + 1, "a patient's own look is no review"


def test_signed_in_staff_name_no_paths(
    store: Store, made: tuple[Path, tuple[int, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_as(monkeypatch, key_for(store, Role.TRAINER), "recordings")
    labels = [box.label for box in app.text_input]
    assert "Folder" not in labels
    assert "our own file" not in next(b for b in app.selectbox if b.label == "Procedure").options
    assert "No video is waiting" in words_of(app)


def test_files_are_picked_from_their_folder_alone(tmp_path: Path) -> None:
    inside, outside = tmp_path / "incoming", tmp_path / "outside"
    (inside / "monday").mkdir(parents=True)
    outside.mkdir()
    for path in (inside / "a.mp4", inside / "monday" / "b.MP4", outside / "c.mp4",
                 inside / ".hidden.mp4", inside / "letter.txt"):  # fmt: skip
        path.write_bytes(b"x")
    (inside / "link.mp4").symlink_to(outside / "c.mp4")
    (inside / "elsewhere").symlink_to(outside)
    assert list(files_in(inside, frozenset({".mp4"}))) == ["a.mp4", "monday/b.MP4"]
    assert files_in(tmp_path / "not there", frozenset({".mp4"})) == {}


# --- addresses of recordings ---------------------------------------------------------------------

PAGE = {"sec-fetch-site": "same-origin"}
HERE = ("127.0.0.1", 50000)


def client_of(store: Store, host: tuple[str, int] = HERE, scheme: str = "http") -> TestClient:
    """The routes behind the gate, asked from an address."""

    async def page(scope, receive, send):  # type: ignore[no-untyped-def]
        from starlette.responses import PlainTextResponse

        await PlainTextResponse("the page server")(scope, receive, send)

    app = Starlette(
        routes=[*media.routes(), *signin.routes(lambda: store)],
        middleware=[Middleware(Gate, opened=lambda: store)],
    )
    app.router.default = page
    return TestClient(app, base_url=f"{scheme}://127.0.0.1", client=host, follow_redirects=False)


@pytest.fixture
def lent(store: Store, tmp_path: Path) -> Iterator[Path]:
    """A file to lend; the shelf asks the records as on a page."""
    SHELF.allowed = partial(unit_module._may_still_see, store)
    file = tmp_path / "video.mp4"
    file.write_bytes(b"pictures" * 100)
    yield file
    SHELF.take_back("mine")


def get(store: Store, address: str, key: str) -> int:
    cookies = {COOKIE: key} if key else {}
    with client_of(store) as client:
        client.cookies.update(cookies)
        return int(client.get(address, headers=PAGE).status_code)


@pytest.mark.trust
@pytest.mark.parametrize("whose", ["K-104", "K-111", "K-160"])
@pytest.mark.parametrize("role", ROLES)
def test_each_role_at_each_address(
    store: Store, lent: Path, role: str, whose: str, record_number: Callable[..., None]
) -> None:
    """K-104 is the patient's own code, K-111 another person, K-160 took the consent back."""
    entry = next(e for e in store.recordings(without_consent=True) if e.person == whose)
    key = key_for(store, role)
    address = SHELF.lend(lent, "mine", recording_id=entry.id, key=kept_form(key))
    sees = {
        Role.TRAINER: whose != "K-160",
        Role.EDUCATOR: whose != "K-160",
        Role.PATIENT: whose == "K-104",
    }.get(Role(role) if role != NOBODY else Role.ADMINISTRATOR, False)
    expected = 200 if sees else 403 if role == NOBODY else 404
    assert get(store, address, key) == expected
    record_number("roles at video addresses walked")


def test_an_address_is_of_no_use_to_another_account(store: Store, lent: Path) -> None:
    number = store.recordings("K-104")[0].id
    key, other = key_for(store, Role.TRAINER), key_for(store, Role.EDUCATOR)
    address = SHELF.lend(lent, "mine", recording_id=number, key=kept_form(key))
    assert get(store, address, other) == 404
    assert get(store, address, "") == 403
    assert get(store, address, "x" * 43) == 403
    assert get(store, address, key) == 200
    assert SHELF.lend(lent, "mine", recording_id=number, key=kept_form(other)) != address


def small_unit(folder: Path, analysis: Analysis) -> tuple[Store, int]:
    """A unit with one session of K-104, and the session's id."""
    store = open_store(folder)
    for code in ("T-1", "T-2"):
        store.add_trainer(code, "Invented", by="test")
    store.add_person("K-104", by="test")
    store.add_consent("K-104", purposes=("review",), until=None, sound=False, by="test")
    entry = store.add_session(
        analysis, person="K-104", trainer="T-1", taken_on=date(2026, 1, 2), by="test"
    )
    SHELF.allowed = partial(unit_module._may_still_see, store)
    return store, entry.id


@pytest.mark.parametrize("how", ["signed out", "closed", "expired", "consent", "erased id"])
def test_an_address_ends_with_the_right_to_see(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lent: Path, how: str, analysis: Analysis
) -> None:
    quick_hashes(monkeypatch)
    store, number = small_unit(tmp_path / "unit", analysis)
    with store:
        add_accounts(store)
        key = key_for(store, Role.TRAINER)
        kept = number if how != "erased id" else 10**12
        address = SHELF.lend(lent, "mine", recording_id=kept, key=kept_form(key))
        if how != "erased id":
            assert get(store, address, key) == 200
        if how == "signed out":
            SIGN_INS.end(key)
        elif how == "closed":
            store.close_account("tess", by="test")
        elif how == "expired":
            monkeypatch.setattr(SIGN_INS, "_clocks", (lambda: 1e12, lambda: 0.0))
        elif how == "consent":
            consent = store.current_consent("K-104")
            assert consent is not None
            store.withdraw_consent(consent.id, by="test")
        assert get(store, address, key) in (403, 404)
        assert SHELF.find(address.rsplit("/", 1)[1], kept_form(key)) is None


def test_sound_is_no_longer_served_when_only_the_pictures_may_be_shown(
    store: Store, shown: tuple[int, ...], lent: Path
) -> None:
    entry = store.recording(shown[0])
    copy = review_copy(store, entry.id)
    assert copy.is_file()
    key = key_for(store, Role.TRAINER)
    address = SHELF.lend(copy, "mine", recording_id=entry.id, key=kept_form(key))
    assert get(store, address, key) == 200
    store.add_consent(entry.person, purposes=("review",), until=None, sound=False, by="test")
    try:
        assert get(store, address, key) == 404
    finally:
        store.add_consent(entry.person, purposes=("review",), until=None, sound=True, by="test")
    assert get(store, address, key) == 200


def test_a_loan_from_before_the_first_account_ends_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lent: Path, analysis: Analysis
) -> None:
    quick_hashes(monkeypatch)
    store, number = small_unit(tmp_path / "unit", analysis)
    with store:
        address = SHELF.lend(lent, "mine", recording_id=number)
        assert get(store, address, "") == 200
        add_accounts(store)
        assert get(store, address, "") == 403
        assert get(store, address, key_for(store, Role.TRAINER)) == 404


# --- the gate ------------------------------------------------------------------------------------


def test_nobody_is_sent_to_sign_in_and_everything_else_is_refused(store: Store) -> None:
    with client_of(store) as client:
        answer = client.get("/review?recording=7", headers={"sec-fetch-mode": "navigate"})
        assert answer.status_code == 303
        assert answer.headers["location"] == "/sign-in?next=%2Freview%3Frecording%3D7"
        for path in ("/review", "/media/abc.mp4", "/component/x.js", "/_stcore/host-config"):
            assert client.get(path).status_code == 403
        assert client.put("/_stcore/upload_file/a/b").status_code == 403
        assert client.get(STATE_PATH).status_code == 403
        assert client.get("/_stcore/health").text == "the page server"
        client.cookies.set(COOKIE, key_for(store, Role.PATIENT))
        assert client.get("/").text == "the page server"
        # Its first page by name, and a page for others: both are where the patient belongs.
        first = client.get("/feedback?recording=7")
        assert (first.status_code, first.headers["location"]) == (303, "/?recording=7")
        assert client.get("/review").headers["location"] == "/"
        assert client.get(STATE_PATH).status_code == 204


@pytest.mark.parametrize("role", list(Role))
def test_who_may_send_files(store: Store, role: Role) -> None:
    with client_of(store) as client:
        client.cookies.set(COOKIE, key_for(store, role))
        status = client.put("/_stcore/upload_file/session/file").status_code
    assert status == (200 if role in (Role.TRAINER, Role.EDUCATOR) else 404)


def test_other_computers_need_tls_and_a_sign_in(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Addresses from RFC 5737, which are nobody's."""
    away = ("192.0.2.7", 50000)
    key = key_for(store, Role.TRAINER)
    for scheme, cookie, status in (
        ("http", key, 403), ("http", "", 403), ("https", key, 200), ("https", "", 403),
    ):  # fmt: skip
        with client_of(store, away, scheme) as client:
            client.cookies.set(COOKIE, cookie)
            assert client.get("/").status_code == status, (scheme, bool(cookie))
    with open_store(tmp_path / "without accounts") as open_to_all:
        for scheme in ("http", "https"):
            with client_of(open_to_all, away, scheme) as client:
                answer = client.get("/")
                assert answer.status_code == 403 and "after signing in" in answer.text
        with client_of(open_to_all) as client:
            assert client.get("/").status_code == 200
            # Another site's name that was made to point to this computer.
            rebound = client.get("/", headers={"host": "elsewhere.example:8501"})
            assert rebound.status_code == 403


def test_browsers_are_told_to_load_and_send_nothing_elsewhere(store: Store) -> None:
    with client_of(store) as client:
        client.cookies.set(COOKIE, key_for(store, Role.TRAINER))
        policy = client.get("/").headers["content-security-policy"]
    assert "default-src 'self'" in policy and "connect-src 'self'" in policy
    assert "http" not in policy and "*" not in policy


def messages(store: Store, key: str, content: list[BackMsg]) -> list[BackMsg]:
    """What reaches the page server of the messages that an open page sends."""
    came: list[BackMsg] = []

    async def page(scope, receive, send):  # type: ignore[no-untyped-def]
        while (message := await receive())["type"] == "websocket.receive":
            came.append(BackMsg.FromString(message["bytes"]))

    waiting = [{"type": "websocket.receive", "bytes": m.SerializeToString()} for m in content]
    waiting.append({"type": "websocket.disconnect"})

    async def receive():  # type: ignore[no-untyped-def]
        return waiting.pop(0)

    checked = Gate(page, opened=lambda: store)._checked(receive, key)
    asyncio.run(page({}, checked, None))
    return came


def test_an_open_page_gets_nothing_done_once_its_owner_is_out(store: Store) -> None:
    press = BackMsg()
    press.rerun_script.fragment_id = "review"
    press.rerun_script.page_script_hash = "page"
    press.rerun_script.widget_states.widgets.add(id="sign", trigger_value=True)
    clear = BackMsg(clear_cache=True)
    key = key_for(store, Role.TRAINER)
    assert messages(store, key, [press, clear]) == [press, clear]
    SIGN_INS.end(key)
    (left,) = messages(store, key, [press, clear])
    assert left.rerun_script.page_script_hash == "page"
    assert not left.rerun_script.fragment_id and not left.rerun_script.widget_states.widgets


def test_what_a_page_does_by_itself_keeps_nobody_signed_in(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [1000.0]
    monkeypatch.setattr(SIGN_INS, "_clocks", (lambda: now[0], lambda: now[0]))
    by_itself, by_hand = BackMsg(), BackMsg()
    by_itself.rerun_script.is_auto_rerun = True
    by_hand.rerun_script.page_script_hash = "page"
    for message, stays in ((by_hand, True), (by_itself, False)):
        key = key_for(store, Role.TRAINER)
        now[0] += SIGN_INS.idle_s - 10
        messages(store, key, [message])
        now[0] += 20
        assert (SIGN_INS.find(key) is not None) == stays


def test_a_connection_from_another_site_is_refused(store: Store) -> None:
    sent: list[dict[str, object]] = []

    async def receive() -> dict[str, object]:
        return {"type": "websocket.connect"}

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    async def page(scope, receive, send):  # type: ignore[no-untyped-def]
        await send({"type": "websocket.accept"})

    gate, key = Gate(page, opened=lambda: store), key_for(store, Role.TRAINER)
    for origin, cookie, answer in (
        ("http://elsewhere.example", key, "websocket.close"),
        ("http://127.0.0.1:8501", "", "websocket.close"),
        ("http://127.0.0.1:8501", key, "websocket.accept"),
    ):
        headers = {"host": "127.0.0.1:8501", "origin": origin, "cookie": f"{COOKIE}={cookie}"}
        scope = {
            "type": "websocket", "scheme": "ws", "path": "/_stcore/stream", "query_string": b"",
            "client": HERE, "server": HERE,
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }  # fmt: skip
        asyncio.run(gate(scope, receive, send))  # type: ignore[arg-type]
        assert sent.pop()["type"] == answer


# --- signing in ----------------------------------------------------------------------------------


def sign_in(client: TestClient, name: str, words: str, **more: str):  # type: ignore[no-untyped-def]
    form = {"name": name, "passphrase": words, "language": "en", **more}
    return client.post(signin.PATH, data=form, headers=PAGE)


def test_signing_in_gives_a_key_that_scripts_and_other_sites_do_not_get(store: Store) -> None:
    with client_of(store, scheme="https") as client:
        answer = sign_in(client, "tess", PASSPHRASE, next="/review?recording=3")
        assert answer.status_code == 303
        assert answer.headers["location"] == "/review?recording=3"
        cookie = answer.headers["set-cookie"].lower()
    # RFC 6265bis, 4.1.3.2: a name with this prefix needs Secure, Path=/ and no Domain.
    assert cookie.startswith(f"__host-{COOKIE}=")
    for part in ("httponly", "secure", "samesite=strict", "path=/"):
        assert part in cookie
    assert "domain" not in cookie and "expires" not in cookie and "max-age" not in cookie


@pytest.mark.parametrize(
    "target", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere", "review",
               "/review?recording=1&x=2", "/media/1", "/sign-in", "javascript:alert(1)",
               "/review\n"],
)  # fmt: skip
def test_signing_in_leads_nowhere_else(store: Store, target: str) -> None:
    with client_of(store) as client:
        assert sign_in(client, "tess", PASSPHRASE, next=target).headers["location"] == "/"


def test_five_wrong_ones_and_how_long_to_wait(store: Store) -> None:
    store.add_account("visitor", "educator", PASSPHRASE, trainer="T-1", by="test")
    with client_of(store) as client:
        for _ in range(4):
            answer = sign_in(client, "visitor", "wrong <b>words</b>")
            assert answer.status_code == 403 and "do not go together" in answer.text
            assert "<b>words" not in answer.text
        answer = sign_in(client, "visitor", "wrong")
        assert answer.status_code == 429 and "Please wait 30 seconds" in answer.text
        assert answer.headers["retry-after"] == "31"
        answer = sign_in(client, "visitor", PASSPHRASE)
        assert answer.status_code == 429 and "set-cookie" not in answer.headers
        assert "Espere" in sign_in(client, "visitor", "x", language="es").text


def test_a_name_is_written_back_as_text(store: Store) -> None:
    with client_of(store) as client:
        answer = sign_in(client, '"><script>alert(1)</script>', "wrong")
        assert "<script>alert" not in answer.text
        assert "script-src 'sha256-" in answer.headers["content-security-policy"]
        shown = client.get(signin.PATH, params={"next": '"><script>', "language": "xx"})
        assert "<script>alert" not in shown.text and 'lang="en"' in shown.text


def test_other_sites_cannot_sign_anybody_in(store: Store) -> None:
    form = {"name": "tess", "passphrase": PASSPHRASE}
    with client_of(store) as client:
        answer = client.post(signin.PATH, data=form, headers={"sec-fetch-site": "cross-site"})
        assert answer.status_code == 404 and "set-cookie" not in answer.headers
        long = client.post(signin.PATH, data={"name": "x" * 20_000}, headers=PAGE)
        assert long.status_code == 413


def test_signing_in_again_ends_the_sign_in_before(store: Store) -> None:
    with client_of(store) as client:
        sign_in(client, "tess", PASSPHRASE)
        first = client.cookies[COOKIE]
        sign_in(client, "edda", PASSPHRASE)
        assert client.cookies[COOKIE] != first
    assert SIGN_INS.find(first) is None


def test_signing_out_ends_the_sign_in_and_what_is_lent(
    store: Store, lent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = key_for(store, Role.TRAINER)
    text = words_of(open_as(monkeypatch, key, "signout"))
    assert "You are signed out" in text and "/sign-in?out=1" in text
    assert SIGN_INS.find(key) is None
    assert (store.audit(1)[0].who, store.audit(1)[0].what) == ("T-1", "signed out")
    assert "Please sign in" in words_of(open_as(monkeypatch, key, "review"))


# --- looking after accounts ----------------------------------------------------------------------


def fill(app: AppTest, **values: str) -> None:
    for label, value in values.items():
        start = label.replace("_", " ")
        next(box for box in app.text_input if box.label.startswith(start)).set_value(value)


def press(app: AppTest, label: str) -> AppTest:
    next(button for button in app.button if button.label == label).click().run()
    assert not app.exception, app.exception
    return app


def test_the_administrator_adds_and_closes_an_account(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = open_as(monkeypatch, key_for(store, Role.ADMINISTRATOR), "accounts")
    app.radio[0].set_value(Role.PATIENT).run()
    fill(app, Name_to_sign="Kim", Passphrase=PASSPHRASE, The_same=OTHER)
    next(b for b in app.selectbox if b.label == "Whose practice").set_value("K-118")
    press(app, "Add the account")
    assert "differ; nothing was changed" in words_of(app)
    fill(app, The_same=PASSPHRASE)
    press(app, "Add the account")
    assert "The account was added" in words_of(app)
    assert PASSPHRASE not in words_of(app)
    account = store.account("kim")
    assert account is not None and (account.role, account.person) == (Role.PATIENT, "K-118")
    assert store.audit(1)[0].who == "account ann"
    closing = [box for box in app.selectbox if box.label == "Account"][-1]
    closing.set_value("kim")
    press(app, "Close the account")
    assert "tick the box first" in words_of(app)
    next(b for b in app.checkbox if b.label == "Yes, close it").check()
    [box for box in app.selectbox if box.label == "Account"][-1].set_value("kim")
    press(app, "Close the account")
    closed = store.account("kim")
    assert closed is not None and not closed.active


def test_everybody_changes_their_own_passphrase_and_stays_signed_in(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.add_account("own", "trainer", PASSPHRASE, trainer="T-1", by="test")
    account = store.account("own")
    assert account is not None
    key, elsewhere = SIGN_INS.begin(account), SIGN_INS.begin(account)
    app = open_as(monkeypatch, key, "passphrase")
    fill(app, Your="not the one it is", The_new_one=OTHER)
    fill(app, The_new_one_again=OTHER)
    app.text_input[1].set_value(OTHER)
    press(app, "Change it")
    assert "do not belong together" in words_of(app)
    app.text_input[0].set_value(PASSPHRASE)
    app.text_input[1].set_value(OTHER)
    app.text_input[2].set_value(OTHER)
    press(app, "Change it")
    assert "is changed" in words_of(app)
    assert "Please sign in" not in words_of(open_as(monkeypatch, key, "review"))
    assert "Please sign in" in words_of(open_as(monkeypatch, elsewhere, "review"))
    assert store.sign_in("own", OTHER)
