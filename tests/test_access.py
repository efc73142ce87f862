"""Accounts, passphrases and signing in, as the records keep them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import argon2
import pytest
import zxcvbn
from hypothesis import given, settings
from hypothesis import strategies as st

from review import passphrases
from review.passphrases import (
    LOOKED_AT,
    SHORTEST,
    PassphraseError,
    checked_passphrase,
    fits,
    guesses,
    hashed,
)
from review.roles import Role
from review.signedin import kept_form
from review.store import SignInError, Store, StoreError, open_store
from review.store.access import place_of
from review.store.access_records import FREE_TRIES, LONGEST_WAIT_S, MOST_TOGETHER, MOST_TRIES
from tests.accounts import OTHER, PASSPHRASE, TwoClocks, quick_hashes
from tests.stores import BY, Clock, add_unit, everything_in, rows_of

pytestmark = pytest.mark.any_database


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A unit with an administrator 'ann', a trainer T-1 and a person P-1."""
    quick_hashes(monkeypatch)
    with open_store(tmp_path, clock=clock) as opened:
        add_unit(opened)
        opened.add_account("ann", Role.ADMINISTRATOR, PASSPHRASE, by=BY)
        yield opened


def fail(store: Store, name: str = "ann") -> SignInError:
    with pytest.raises(SignInError) as caught:
        store.sign_in(name, "not this one at all")
    return caught.value


def wait_out(clock: Clock, error: SignInError) -> None:
    assert error.wait_s is not None
    clock.now += timedelta(seconds=error.wait_s)


# --- passphrases ---------------------------------------------------------------------------------


def test_hashes_are_made_as_rfc_9106_recommends() -> None:
    """RFC 9106, section 4, second recommended option.

    Argon2id, t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    """
    kept = hashed(PASSPHRASE)
    found = argon2.extract_parameters(kept)
    assert found.type is argon2.Type.ID
    assert (found.time_cost, found.parallelism, found.memory_cost) == (3, 4, 2**16)
    assert (found.salt_len * 8, found.hash_len * 8) == (128, 256)
    assert fits(kept, PASSPHRASE) and not fits(kept, PASSPHRASE + " ")
    nobodys = argon2.extract_parameters(passphrases.NOBODYS)
    assert nobodys == found, "unknown names take as long as known ones"
    assert not fits(passphrases.NOBODYS, "")


def test_length_is_all_that_is_asked_for() -> None:
    """NIST SP 800-63B revision 4 (2025), 3.1.1.2.

    At least 15 characters for a single factor, no rules on their kinds, 64 and more allowed.
    """
    assert SHORTEST == 15
    for good in (
        "lamp fig otter tulip",
        "LAMPFIGOTTERTULIP",
        "x7#" + "quite long and then some more words that nobody says " * 2,
        "馬" + "鹿と猫の長い散歩道は海へ続く",
    ):
        assert checked_passphrase(good, account="ann")
    with pytest.raises(PassphraseError, match="at least 15"):
        checked_passphrase("lamp fig otter", account="ann")
    with pytest.raises(PassphraseError, match="too long"):
        checked_passphrase("lamp " * 100, account="ann")


@pytest.mark.parametrize(
    "words",
    ["aaaaaaaaaaaaaaaaaaaa", "123123123123123123", "abcdefghijklmnopqrst", "98765432109876543210",
     "tess.tess.tess.2024!", "passwordpassword1234", "Exchange Review 2026"],
)  # fmt: skip
def test_what_is_tried_first_is_refused(words: str) -> None:
    with pytest.raises(PassphraseError, match="first that would be tried"):
        checked_passphrase(words, account="tess")


@pytest.mark.parametrize(
    "words",
    ["iloveyouiloveyou", "P@ssw0rd P@ssw0rd", "qwertyuiop[]asdf", "monkey dragon master",
     "summer winter spring", "12.03.1984 12.03.1984", "letmein letmein 123",
     "mother father sister"],
)  # fmt: skip
def test_much_used_words_dates_and_keys_are_refused(words: str) -> None:
    """By the lists of zxcvbn, a library that was made from passwords which did leak."""
    assert len(words) >= SHORTEST
    with pytest.raises(PassphraseError, match="Four or five words"):
        checked_passphrase(words, account="ann")


def test_names_that_are_known_here_make_a_passphrase_easy(store: Store) -> None:
    words = "hollowmere renal tess"
    assert checked_passphrase(words, account="zoe")
    with pytest.raises(PassphraseError, match="people here know"):
        checked_passphrase(words, account="tess", known=("Hollowmere Renal",))
    # Its owner's name, as the records have it, and the account's.
    with pytest.raises(PassphraseError, match="people here know"):
        store.add_account("ward-x", "trainer", "Tess Invented T-1", trainer="T-1", by=BY)
    store.add_account("ward-x", "trainer", OTHER, trainer="T-1", by=BY)
    with pytest.raises(PassphraseError, match="people here know"):
        store.set_passphrase("ward-x", "invented tess ward", by=BY)


@given(st.text(min_size=0, max_size=400), st.lists(st.text(max_size=300), max_size=3))
@settings(max_examples=20)
def test_any_text_gets_an_estimate_of_what_its_beginning_takes(
    words: str, known: list[str]
) -> None:
    found = guesses(words, known)
    assert found >= (1.0 if words else 0.0)
    assert guesses(words + " " * 300, known) > 0


def test_the_estimate_looks_at_a_bounded_part(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    real = zxcvbn.zxcvbn

    def watched(text: str, inputs: list[str], **more: int) -> dict[str, object]:
        seen.extend([text, *inputs])
        return real(text, inputs, **more)

    monkeypatch.setattr(zxcvbn, "zxcvbn", watched)
    assert guesses("x9$kQ " * 500, ["n" * 5000]) > 0
    assert seen and max(map(len, seen)) == LOOKED_AT


def test_a_passphrase_is_the_same_on_every_keyboard(store: Store) -> None:
    """Unicode NFKC, as the same section of SP 800-63B asks for: composed and decomposed alike."""
    store.add_account("zoe", "administrator", "cafe\u0301 lamp otter tulip", by=BY)
    assert store.sign_in("zoe", "caf\u00e9 lamp otter tulip").name == "zoe"


# --- accounts ------------------------------------------------------------------------------------


def test_the_first_account_is_an_administrators(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick_hashes(monkeypatch)
    with open_store(tmp_path) as new:
        add_unit(new)
        assert not new.sign_in_is_on()
        with pytest.raises(StoreError, match="first account must be an administrator's"):
            new.add_account("tess", Role.TRAINER, PASSPHRASE, trainer="T-1", by=BY)
        assert not new.sign_in_is_on() and not new.has_administrator()
        new.add_account("ann", Role.ADMINISTRATOR, PASSPHRASE, by=BY)
        assert new.sign_in_is_on() and new.has_administrator()


@pytest.mark.parametrize(
    ("role", "whose"),
    [
        ("trainer", {}),
        ("trainer", {"person": "P-1"}),
        ("educator", {"trainer": "T-1", "person": "P-1"}),
        ("patient", {}),
        ("patient", {"trainer": "T-1"}),
        ("administrator", {"trainer": "T-1"}),
        ("patient", {"person": "P-77"}),
        ("trainer", {"trainer": "T-77"}),
        ("chief", {}),
    ],
)
def test_an_account_belongs_to_whom_its_role_says(
    store: Store, role: str, whose: dict[str, str]
) -> None:
    before = store.audit()
    with pytest.raises(StoreError):
        store.add_account("new", role, PASSPHRASE, by=BY, **whose)
    assert len(store.accounts()) == 1 and store.audit() == before


def test_a_name_is_taken_for_good_and_reads_alike_in_capitals(store: Store) -> None:
    store.add_account("Tess", "trainer", PASSPHRASE, trainer="T-1", by=BY)
    assert store.sign_in(" TESS ", PASSPHRASE).name == "tess"
    store.close_account("tess", by=BY)
    with pytest.raises(StoreError, match="there already, perhaps closed"):
        store.add_account("tess", "trainer", PASSPHRASE, trainer="T-1", by=BY)


def test_somebody_always_looks_after_the_accounts(store: Store) -> None:
    with pytest.raises(StoreError, match="only administrator"):
        store.close_account("ann", by=BY)
    store.add_account("bea", "administrator", PASSPHRASE, by=BY)
    store.close_account("ann", by=BY)
    with pytest.raises(StoreError, match="only administrator"):
        store.close_account("bea", by=BY)
    with pytest.raises(StoreError, match="no open account"):
        store.set_passphrase("ann", OTHER, by=BY)


def test_no_passphrase_and_no_typed_name_is_ever_kept(store: Store, tmp_path: Path) -> None:
    store.add_account("pat", "patient", OTHER, person="P-1", by=BY)
    fail(store, "a passphrase typed as a name")
    store.close()
    content = b"".join(path.read_bytes() for path in tmp_path.glob("records.sqlite*"))
    content += everything_in(store).encode()
    for secret in (PASSPHRASE, OTHER, "a passphrase typed as a name", "not this one at all"):
        assert secret.encode() not in content
    assert b"$argon2id$" in content


# --- signing in ----------------------------------------------------------------------------------


def test_wrong_passphrases_make_somebody_wait(store: Store, clock: Clock) -> None:
    errors = [fail(store) for _ in range(FREE_TRIES)]
    assert [error.wait_s for error in errors] == [0, 0, 0, 0, 30]
    with pytest.raises(SignInError, match=r"wait \d+ seconds") as early:
        store.sign_in("ann", PASSPHRASE)
    assert early.value.wait_s == pytest.approx(30, abs=3)
    wait_out(clock, early.value)
    assert store.sign_in("ann", PASSPHRASE).role is Role.ADMINISTRATOR
    assert fail(store).wait_s == 0, "a right one begins the count anew"


def test_the_wait_grows_survives_a_restart_and_has_an_end(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    for _ in range(FREE_TRIES - 1):
        fail(store)
    waits = []
    for _ in range(8):
        error = fail(store)
        waits.append(error.wait_s)
        store.close()
        store = open_store(tmp_path, clock=clock)
        with pytest.raises(SignInError, match="Please wait"):
            store.sign_in("ann", PASSPHRASE)
        wait_out(clock, error)
    assert waits == [30, 60, 120, 240, 480, LONGEST_WAIT_S, LONGEST_WAIT_S, LONGEST_WAIT_S]
    assert store.sign_in("ann", PASSPHRASE)


def test_after_a_hundred_only_a_new_passphrase_helps(store: Store, clock: Clock) -> None:
    """NIST SP 800-63B: no more than 100 failed attempts in a row on one account."""
    assert MOST_TRIES == 100
    for _ in range(MOST_TRIES - 1):
        error = fail(store)
        clock.now += timedelta(seconds=LONGEST_WAIT_S)
    assert error.wait_s == LONGEST_WAIT_S
    assert fail(store).wait_s is None
    clock.forward(400)
    with pytest.raises(SignInError, match="administrator to set a new passphrase"):
        store.sign_in("ann", PASSPHRASE)
    store.set_passphrase("ann", OTHER, by=BY)
    assert store.sign_in("ann", OTHER)


@pytest.mark.parametrize("back", [timedelta(hours=1), timedelta(days=4000)])
def test_a_clock_moved_back_neither_ends_nor_lengthens_the_wait(
    store: Store, clock: Clock, back: timedelta
) -> None:
    for _ in range(FREE_TRIES):
        fail(store)
    clock.now -= back
    with pytest.raises(SignInError) as early:
        store.sign_in("ann", PASSPHRASE)
    assert early.value.wait_s == pytest.approx(30, abs=3)
    clock.now += timedelta(seconds=31)
    assert store.sign_in("ann", PASSPHRASE)


def test_unknown_and_closed_names_are_treated_alike(store: Store) -> None:
    store.add_account("bea", "administrator", PASSPHRASE, by=BY)
    store.close_account("bea", by=BY)
    for name in ("nobody", "bea", "ann"):
        said = []
        for _ in range(FREE_TRIES + 1):
            with pytest.raises(SignInError) as caught:
                store.sign_in(name, PASSPHRASE if name == "bea" else "not this one at all")
            said.append((str(caught.value)[:45], round(caught.value.wait_s or 0, -1)))
        assert said == [("This name and this passphrase do not belong t", 0.0)] * 4 + [
            ("This name and this passphrase do not belong t", 30.0),
            ("There were too many wrong passphrases. Please", 30.0),
        ]


def test_unknown_names_cost_as_much_work_as_known_ones(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One hash is worked out and one try is written, whether there is an account or not."""
    store.add_account("bea", "administrator", PASSPHRASE, by=BY)
    store.close_account("bea", by=BY)
    checked: list[str] = []
    monkeypatch.setattr(
        "review.store.access.fits", lambda kept, words: bool(checked.append(kept)) or False
    )
    for name in ("ann", "bea", "nobody"):
        fail(store, name)
    assert len(checked) == 3
    settings = [argon2.extract_parameters(kept) for kept in checked]
    assert settings[0] == settings[1] == settings[2]
    kept = rows_of(store, "SELECT place, tries FROM sign_in_tries")
    assert {(place_of(name), 1.0) for name in ("ann", "bea", "nobody")} <= set(kept)


def test_a_try_is_counted_before_it_is_checked(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that many at once gain nothing: here each check begins further ones meanwhile."""
    deep = []

    def greedy(kept: str, words: str) -> bool:
        deep.append(words)
        with pytest.raises(SignInError):
            store.sign_in("ann", "not this one at all")
        return False

    monkeypatch.setattr("review.store.access.fits", greedy)
    fail(store)
    assert len(deep) == FREE_TRIES


def test_many_names_together_make_everybody_wait(store: Store, clock: Clock) -> None:
    tries = 0
    while (error := fail(store, f"name-{tries}")).wait_s == 0:
        tries += 1
        assert tries < 2 * MOST_TOGETHER
    assert tries >= MOST_TOGETHER
    with pytest.raises(SignInError, match="Please wait"):
        store.sign_in("ann", PASSPHRASE)
    wait_out(clock, error)
    assert store.sign_in("ann", PASSPHRASE)


def test_what_happened_is_in_the_audit_and_does_not_flood_it(store: Store) -> None:
    store.add_account("tess", "trainer", PASSPHRASE, trainer="T-1", by="account ann")
    store.signed_out(store.sign_in("tess", PASSPHRASE))
    store.set_passphrase("tess", OTHER, by="account ann")
    store.sign_in("tess", OTHER, again=True)
    for _ in range(3):
        fail(store, "tess")
    store.close_account("tess", by="account ann")
    found = [(e.who, e.what, e.subject) for e in reversed(store.audit())][-6:]
    assert found == [
        ("account ann", "account added", "account tess"),
        ("T-1", "signed in", "account tess"),
        ("T-1", "signed out", "account tess"),
        ("account ann", "passphrase changed", "account tess"),
        ("sign-in", "sign-in failed", "account tess"),
        ("account ann", "account closed", "account tess"),
    ]
    for number in range(30):
        fail(store, f"name-{number}")
    unknown = [e for e in store.audit() if e.subject == "no account"]
    assert 1 <= len(unknown) <= 12
    assert not any("name-" in e.detail for e in unknown)


# --- staying signed in ---------------------------------------------------------------------------


def test_a_sign_in_ends_after_doing_nothing_or_after_a_day_s_work(store: Store) -> None:
    """NIST SP 800-63B revision 3, 4.2.3: 30 minutes without activity, 12 hours in any case."""
    clocks, account = TwoClocks(), store.accounts()[0]
    sign_ins = clocks.sign_ins(30 * 60.0)
    key = sign_ins.begin(account)
    for _ in range(47):
        clocks.forward(15 * 60.0)
        assert sign_ins.find(key, doing=True) == account
    clocks.forward(16 * 60.0)
    assert sign_ins.find(key) is None, "twelve hours"
    key = sign_ins.begin(account)
    clocks.forward(29 * 60.0)
    assert sign_ins.find(key) == account, "looking alone is not doing"
    clocks.forward(2 * 60.0)
    assert sign_ins.find(key) is None


@pytest.mark.parametrize("moved", ["steady_s", "own_s"])
def test_a_clock_that_stands_still_or_is_moved_back_keeps_nobody_in(
    store: Store, moved: str
) -> None:
    clocks, account = TwoClocks(), store.accounts()[0]
    sign_ins = clocks.sign_ins(1800.0)
    key = sign_ins.begin(account)
    clocks.forward(1801.0)
    setattr(clocks, moved, getattr(clocks, moved) - 1e6)
    assert sign_ins.find(key) is None


def test_keys_are_random_and_only_their_hash_is_kept(store: Store) -> None:
    sign_ins, account = TwoClocks().sign_ins(), store.accounts()[0]
    keys = {sign_ins.begin(account) for _ in range(50)}
    assert len(keys) == 50 and min(map(len, keys)) >= 43
    assert set(sign_ins._by_hash) == {kept_form(key) for key in keys}
    assert all(len(kept) == 64 for kept in sign_ins._by_hash)
    assert sign_ins.find("") is None and kept_form("") == ""
    key = keys.pop()
    assert sign_ins.end(key) == account
    assert sign_ins.find(key) is None and sign_ins.end(key) is None
