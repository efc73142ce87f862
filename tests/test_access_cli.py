"""Accounts and serving from the command line."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
import trustme

from review.cli import COULD_NOT, DONE, WRONG_USAGE, main
from review.commands.serving import is_this_computer
from review.places import IDLE_VARIABLE, UNIT_VARIABLE
from review.store import open_store
from tests.accounts import OTHER, PASSPHRASE, quick_hashes


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    quick_hashes(monkeypatch)
    monkeypatch.delenv(UNIT_VARIABLE, raising=False)


def command(patch: pytest.MonkeyPatch, *arguments: object, typed: str = "") -> int:
    patch.setattr(sys, "stdin", io.StringIO(typed))
    return main([str(argument) for argument in arguments])


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """Records with trainer T-1 and person P-1."""
    folder = tmp_path / "unit"
    with open_store(folder) as store:
        store.add_trainer("T-1", "Invented", by="test")
        store.add_person("P-1", by="test")
    return folder


def add(patch: pytest.MonkeyPatch, unit: Path, name: str, role: str, *more: str) -> int:
    return command(
        patch, "account", "add", name, "--role", role, "--unit", unit, *more, typed=PASSPHRASE
    )


def test_from_the_first_account_to_a_closed_one(
    unit: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(monkeypatch, "account", "list", "--unit", unit) == DONE
    assert "whoever sits at this computer sees everything" in capsys.readouterr().out
    assert add(monkeypatch, unit, "tess", "trainer", "--trainer", "T-1") == COULD_NOT
    assert "first account must be an administrator's" in capsys.readouterr().err
    assert add(monkeypatch, unit, "Ann", "administrator") == DONE
    assert "From now on everybody signs in" in capsys.readouterr().out
    assert add(monkeypatch, unit, "tess", "trainer", "--trainer", "T-1") == DONE
    assert add(monkeypatch, unit, "pat", "patient", "--person", "P-1") == DONE
    assert "From now on" not in capsys.readouterr().out
    arguments = ("account", "passphrase", "tess", "--unit", unit)
    assert command(monkeypatch, *arguments, typed=f"{OTHER}\n") == DONE
    assert command(monkeypatch, "account", "close", "pat", "--unit", unit) == DONE
    capsys.readouterr()
    assert command(monkeypatch, "account", "list", "--unit", unit) == DONE
    assert capsys.readouterr().out.splitlines() == [
        "ann: administrator", "pat: patient, P-1, closed", "tess: trainer, T-1",
    ]  # fmt: skip
    with open_store(unit) as store:
        assert store.sign_in("tess", OTHER) and store.sign_in("ann", PASSPHRASE)
        added = [e for e in store.audit() if e.what == "account added"]
        assert all(e.who.endswith("at the command line") for e in added)


@pytest.mark.parametrize(
    ("arguments", "typed", "words"),
    [
        (("add", "x", "--role", "administrator"), "too short\n", "at least 15"),
        (("add", "x", "--role", "chief"), PASSPHRASE, "no role"),
        (("add", "x", "--role", "patient"), PASSPHRASE, "needs a person's code"),
        (("add", "no blanks", "--role", "administrator"), PASSPHRASE, "cannot be the account's"),
        (("close", "nobody"), "", "no open account"),
        (("passphrase", "nobody"), PASSPHRASE, "no open account"),
    ],
)
def test_a_mistake_is_one_line(
    unit: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    typed: str,
    words: str,
) -> None:
    assert command(monkeypatch, "account", *arguments, "--unit", unit, typed=typed) == COULD_NOT
    said = capsys.readouterr().err
    assert words in said and said.count("\n") == 1
    assert PASSPHRASE not in said
    with open_store(unit) as store:
        assert store.accounts() == ()


def test_a_passphrase_is_typed_twice_and_never_shown(
    unit: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    typed = [PASSPHRASE, OTHER, PASSPHRASE, PASSPHRASE]
    asked: list[str] = []
    monkeypatch.setattr("getpass.getpass", lambda prompt: str(asked.append(prompt) or typed.pop(0)))
    monkeypatch.setattr(sys, "stdin", Terminal())
    call = ["account", "add", "ann", "--role", "administrator", "--unit", str(unit)]
    assert main(call) == COULD_NOT
    assert "differ; nothing was changed" in capsys.readouterr().err
    assert main(call) == DONE
    assert len(asked) == 4 and PASSPHRASE not in capsys.readouterr().out


def test_the_invented_unit_gets_no_accounts(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert command(monkeypatch, "account", "list") == COULD_NOT
    assert "--unit" in capsys.readouterr().err
    assert command(monkeypatch, "account", "list", "--unit", tmp_path / "nothing") == COULD_NOT
    assert "holds no records" in capsys.readouterr().err


# --- serving -------------------------------------------------------------------------------------


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[tuple[list[str], dict[str, str]]]:
    """What would be started, with its environment."""
    calls: list[tuple[list[str], dict[str, str]]] = []

    def call(arguments: list[str], env: dict[str, str]) -> int:
        calls.append((arguments, env))
        return 0

    monkeypatch.setattr("review.cli.serve", call)
    return calls


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for unit.example and its key (RFC 2606: nobody's name)."""
    made = trustme.CA().issue_cert("unit.example")
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    made.cert_chain_pems[0].write_to_path(certificate)
    made.private_key_pem.write_to_path(key)
    return certificate, key


def test_beyond_this_computer_only_with_accounts_and_tls(
    unit: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    served: list[tuple[list[str], dict[str, str]]],
    pair: tuple[Path, Path],
) -> None:
    tls = ("--certificate", pair[0], "--key", pair[1])
    away = ("page", "--address", "192.0.2.7")
    for arguments, words in (
        (away, "needs your own unit"),
        ((*away, *tls), "needs your own unit"),
        ((*away, "--unit", unit), "needs --certificate and --key"),
        ((*away, "--unit", unit, *tls), "needs accounts"),
        ((*away, "--unit", unit, *tls[:2]), "belong together"),
        (("page", "--unit", unit, *tls[2:]), "belong together"),
        ((*away, "--unit", unit / "new", *tls), "needs accounts"),
    ):
        assert command(monkeypatch, *arguments) == COULD_NOT
        said = capsys.readouterr().err
        assert words in said and said.count("\n") == 1, said
    assert not (unit / "new").exists()
    assert served == []

    assert add(monkeypatch, unit, "ann", "administrator") == DONE
    assert command(monkeypatch, *away, "--unit", unit) == COULD_NOT
    assert served == []
    assert command(monkeypatch, *away, "--unit", unit, *tls, "--idle", "10") == DONE
    ((arguments, environment),) = served
    for option in (
        "--server.address=192.0.2.7",
        f"--server.sslCertFile={pair[0]}",
        f"--server.sslKeyFile={pair[1]}",
        "--browser.gatherUsageStats=false",
        "--logger.hideWelcomeMessage=true",
    ):
        assert option in arguments
    assert sum(argument.startswith("--server.address=") for argument in arguments) == 1
    assert environment[UNIT_VARIABLE] == str(unit)
    assert float(environment[IDLE_VARIABLE]) == 10
    assert "https://192.0.2.7:8501" in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["missing", "no certificate", "another key", "locked key"])
def test_a_certificate_that_cannot_be_used_is_named(
    unit: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    pair: tuple[Path, Path],
    kind: str,
    tmp_path: Path,
) -> None:
    certificate, key = pair
    if kind == "missing":
        certificate = tmp_path / "gone.pem"
    elif kind == "no certificate":
        certificate.write_text("this is a letter")
    elif kind == "another key":
        trustme.CA().issue_cert("other.example").private_key_pem.write_to_path(key)
    else:
        from cryptography.hazmat.primitives import serialization

        loaded = serialization.load_pem_private_key(key.read_bytes(), None)
        key.write_bytes(
            loaded.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.BestAvailableEncryption(b"secret"),
            )
        )
    arguments = ("page", "--unit", unit, "--certificate", certificate, "--key", key)
    assert command(monkeypatch, *arguments) == COULD_NOT
    said = capsys.readouterr().err
    assert str(certificate) in said and said.count("\n") == 1


def test_an_analysis_is_for_this_computer_only(
    tmp_path: Path,
    unit: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    pair: tuple[Path, Path],
) -> None:
    (tmp_path / "a.json").write_text("{}")
    tls = ("--certificate", pair[0], "--key", pair[1])
    arguments = ("page", tmp_path / "a.json", "--address", "0.0.0.0", *tls)
    monkeypatch.setenv(UNIT_VARIABLE, str(unit))
    assert add(monkeypatch, unit, "ann", "administrator") == DONE
    assert command(monkeypatch, *arguments) == COULD_NOT
    assert "this computer only" in capsys.readouterr().err
    assert command(monkeypatch, *arguments, "--unit", unit) == WRONG_USAGE


def test_which_addresses_nobody_else_reaches() -> None:
    """RFC 1122, 3.2.1.3: all of 127/8; RFC 4291, 2.5.3: ::1."""
    assert all(map(is_this_computer, ("127.0.0.1", "127.8.9.1", "::1", "localhost")))
    for address in ("0.0.0.0", "::", "10.0.0.1", "192.0.2.7", "unit.example", "localhost.example",
                    "", "127.0.0.1.example", "2130706433"):  # fmt: skip
        assert not is_this_computer(address), address
