"""The files for a server: filled in, as systemd reads them, and passing what the gate asks for."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from review import signin
from review.cli import COULD_NOT, DONE, main
from review.errors import ReviewError
from review.pages.gate import HEALTH, Gate
from review.places import BEHIND_VARIABLE, UNIT_VARIABLE
from review.roles import Role
from review.serverfiles import FILES, HIDDEN, Server, server_files
from review.signedin import COOKIE, SIGN_INS
from review.store import Store, open_store
from tests.accounts import PASSPHRASE, quick_hashes

HOST = "unit.example"
"""RFC 2606: nobody's."""

SERVER = Server(
    host=HOST,
    unit=Path("/var/lib/exchange-review/unit"),
    backups=Path("/var/backups/exchange-review"),
    program=Path("/usr/bin/true"),
    certificate=Path("/etc/exchange-review/certificate.pem"),
    key=Path("/etc/exchange-review/key.pem"),
)


def settings(text: str) -> dict[str, list[str]]:
    """Settings of a unit file; a name may stand more than once (systemd.syntax)."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith(("#", "[")):
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


# --- the files -----------------------------------------------------------------------------------


def test_every_gap_is_filled() -> None:
    files = server_files(SERVER)
    assert tuple(files) == FILES
    for name, text in files.items():
        assert not re.search(r"@[A-Z_]+@", text), name
    page = settings(files["exchange-review.service"])
    assert page["ExecStart"] == [
        f"/usr/bin/true page --unit /var/lib/exchange-review/unit --port 8501 --behind {HOST}"
    ]
    assert page["User"] == page["Group"] == ["exchange-review"]
    assert page["ReadWritePaths"] == ["/var/lib/exchange-review/unit"]


@pytest.mark.parametrize("name", ["exchange-review.service", "exchange-review-backup.service"])
def test_the_services_may_do_little(name: str) -> None:
    """What systemd.exec(5) and systemd.resource-control(5) call these restrictions."""
    found = settings(server_files(SERVER)[name])
    for restriction in (
        "NoNewPrivileges", "PrivateTmp", "PrivateDevices", "ProtectHome", "RestrictNamespaces",
        "RestrictSUIDSGID", "ProtectKernelModules", "ProtectControlGroups", "LockPersonality",
        "MemoryDenyWriteExecute",
    ):  # fmt: skip
        assert found[restriction] == ["yes"], restriction
    assert found["ProtectSystem"] == ["strict"] and found["CapabilityBoundingSet"] == [""]
    assert found["SystemCallFilter"] == ["@system-service", "~@privileged"]
    assert found["IPAddressDeny"] == ["any"] and found["IPAddressAllow"] == ["localhost"]


def test_systemd_reads_them(tmp_path: Path) -> None:
    """Its own check, where it is installed; elsewhere at least that every line is a setting."""
    for name, text in server_files(SERVER).items():
        (tmp_path / name).write_text(text)
        if not name.endswith(".conf"):
            assert all(
                re.fullmatch(r"(#.*|\[\w+\]|[A-Z]\w*=.*|)", line) for line in text.splitlines()
            )
    if shutil.which("systemd-analyze"):
        units = [str(tmp_path / name) for name in FILES if not name.endswith(".conf")]
        done = subprocess.run(
            ["systemd-analyze", "verify", *units], capture_output=True, text=True, check=False
        )
        ours = [line for line in done.stderr.splitlines() if "exchange-review" in line]
        assert not ours and done.returncode == 0


def test_copies_get_a_new_name_each_and_old_ones_go(tmp_path: Path) -> None:
    """The line that systemd would run, run by a shell after systemd's own escapes are undone."""
    server = replace(SERVER, backups=Path("/var/backups/copies"), days=7)
    (line,) = settings(server_files(server)["exchange-review-backup.service"])["ExecStart"]
    ran = line.replace("$$", "$").replace("%%", "%").replace("/usr/bin/true", "/bin/echo")
    said = subprocess.run(ran, shell=True, capture_output=True, text=True, check=True).stdout
    assert re.fullmatch(
        r"records backup /var/lib/exchange-review/unit "
        r"--to /var/backups/copies/records-\d{8}T\d{6}Z\.sqlite\n",
        said,
    )
    (line,) = settings(server_files(server)["exchange-review-backup.service"])["ExecStartPost"]
    assert "-mtime +7 -delete" in line and "-maxdepth 1" in line


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"unit": Path("relative")}, "a whole path"),
        ({"unit": Path("/srv/our unit")}, "a whole path"),
        ({"unit": Path("/srv/50%")}, "a whole path"),
        ({"key": Path("/etc/key;rm")}, "a whole path"),
        ({"unit": Path("/srv/../root")}, "a whole path"),
        ({"program": Path("/home/ann/venv/bin/exchange-review")}, "does not see this place"),
        ({"unit": Path("/tmp/unit")}, "does not see this place"),
        ({"backups": Path("/var/lib/exchange-review/unit/copies")}, "outside the folder"),
        ({"user": "Root of All"}, "no name of a user"),
        ({"host": "unit.example;"}, "no host"),
    ],
)
def test_what_does_not_fit_is_one_line(change: dict[str, object], said: str) -> None:
    with pytest.raises(ReviewError, match=said):
        server_files(replace(SERVER, **change))  # type: ignore[arg-type]


def test_another_port_and_an_address() -> None:
    text = server_files(replace(SERVER, host="[2001:db8::7]:8443"))["nginx.conf"]
    assert "server_name [2001:db8::7];" in text and "listen 8443 ssl http2;" in text
    assert "return 301 https://[2001:db8::7]:8443$request_uri;" in text


def test_the_command_prints_or_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    call = ["service", "--host", "Unit.Example", "--program", "/usr/bin/true"]
    assert main(call) == DONE
    printed = capsys.readouterr().out
    assert printed == "".join(
        f"# ==> {name}\n{text}\n" for name, text in server_files(SERVER).items()
    )
    assert main([*call, "--out", str(tmp_path / "files")]) == DONE
    assert [Path(line).name for line in capsys.readouterr().out.splitlines()] == list(FILES)
    for name, text in server_files(SERVER).items():
        assert (tmp_path / "files" / name).read_text() == text
    assert main(["service", "--host", "https://unit.example"]) == COULD_NOT
    assert "is no host" in capsys.readouterr().err
    monkeypatch.setattr("sys.executable", f"{HIDDEN[0]}/ann/venv/bin/python")
    assert main(["service", "--host", HOST]) == COULD_NOT
    assert "does not see this Python" in capsys.readouterr().err


# --- behind the web server -----------------------------------------------------------------------


def passed_on(*, host: str = HOST, scheme: str = "https") -> dict[str, str]:
    """The headers that nginx.conf adds to a browser's request; an empty one is not sent."""
    text = server_files(SERVER)["nginx.conf"]
    values = {"$http_host": host, "$scheme": scheme, "$remote_addr": "192.0.2.7"}  # RFC 5737
    found = re.findall(r"proxy_set_header (\S+) (\S+);", text)
    return {name: values[value] for name, value in found if value in values}


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    quick_hashes(monkeypatch)
    monkeypatch.setenv(BEHIND_VARIABLE, HOST)
    opened = open_store(tmp_path / "unit")
    opened.add_trainer("T-1", "Tess Invented", by="test")
    opened.add_account("ann", Role.ADMINISTRATOR, PASSPHRASE, by="test")
    opened.add_account("tess", Role.TRAINER, PASSPHRASE, trainer="T-1", by="test")
    return opened


def client_of(store: Store) -> TestClient:
    """The gate as it is served: uvicorn's own reading of forwarded headers before it."""

    async def page(scope, receive, send):  # type: ignore[no-untyped-def]
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            await send({"type": "websocket.send", "text": scope["scheme"]})
            return
        answer = PlainTextResponse(scope["client"][0])
        answer.set_cookie("_page_server", "x")
        await answer(scope, receive, send)

    app = Starlette(
        routes=signin.routes(lambda: store), middleware=[Middleware(Gate, opened=lambda: store)]
    )
    app.router.default = page
    # As uvicorn puts it there by default: it believes this computer only.
    trusting = ProxyHeadersMiddleware(app, trusted_hosts="127.0.0.1")  # type: ignore[arg-type]
    return TestClient(
        trusting,  # type: ignore[arg-type]
        base_url="http://127.0.0.1:8501",
        client=("127.0.0.1", 50000),
        follow_redirects=False,
    )


def test_signing_in_through_the_web_server_gives_a_cookie_for_tls_only(store: Store) -> None:
    with client_of(store) as client:
        sent = passed_on() | {"origin": f"https://{HOST}", "sec-fetch-site": "same-origin"}
        form = {"name": "tess", "passphrase": PASSPHRASE, "language": "en"}
        answer = client.post(signin.PATH, data=form, headers=sent)
        assert answer.status_code == 303 and answer.headers["location"] == "/"
        cookie = answer.headers["set-cookie"]
        # RFC 6265bis, 4.1.3.2: the prefix needs Secure, Path=/ and no Domain.
        assert cookie.startswith(f"__Host-{COOKIE}=") and cookie.count("Secure") == 1
        key = re.match(r"[^=]+=([^;]+)", cookie)
        assert key is not None
        again = {**passed_on(), "cookie": f"__Host-{COOKIE}={key[1]}"}
        page = client.get("/review", headers=again)
        assert page.status_code == 303  # its first page by name, as without a web server
        page = client.get("/", headers=again)
        assert (page.status_code, page.text) == (200, "192.0.2.7")
        assert page.headers["set-cookie"].endswith("; Secure"), "the page server's own cookie too"
        # A page of another site in the same browser, whose request would carry no such cookie.
        elsewhere = sent | {"origin": "https://elsewhere.example", "sec-fetch-site": "cross-site"}
        assert client.post(signin.PATH, data=form, headers=elsewhere).status_code == 404


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"host": HOST},
        passed_on(scheme="http"),
        passed_on(host="elsewhere.example"),
        passed_on(host=f"{HOST}:8443"),
        {"host": "127.0.0.1:8501", "x-forwarded-proto": "https"},
    ],
)
def test_no_other_way_is_open(store: Store, headers: dict[str, str]) -> None:
    key = SIGN_INS.begin(store.sign_in("tess", PASSPHRASE))
    with client_of(store) as client:
        sent = headers | {"cookie": f"__Host-{COOKIE}={key}"}
        answer = client.get("/", headers=sent)
        assert answer.status_code == 403
        assert f"Please open https://{HOST} instead" in answer.text
        assert client.get(signin.PATH, headers=headers).status_code == 403
        assert client.get(HEALTH).status_code == 200, "whether it runs may be asked here"


def test_without_accounts_nothing_is_shown_behind_a_web_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(BEHIND_VARIABLE, HOST)
    with open_store(tmp_path / "open") as new, client_of(new) as client:
        assert client.get("/", headers=passed_on()).status_code == 403


def test_a_web_server_without_tls_shows_nothing_of_another_name(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also without --behind: plain HTTP is for this computer's own names."""
    monkeypatch.delenv(BEHIND_VARIABLE)
    key = SIGN_INS.begin(store.sign_in("tess", PASSPHRASE))
    with client_of(store) as client:
        cookie = {"cookie": f"{COOKIE}={key}"}
        assert client.get("/", headers=cookie | {"host": HOST}).status_code == 403
        assert client.get("/", headers=cookie).status_code == 200


def test_an_open_page_keeps_its_connection_and_other_sites_get_none(store: Store) -> None:
    """RFC 6455, 10.2: the origin that the browser names is looked at."""
    key = SIGN_INS.begin(store.sign_in("tess", PASSPHRASE))
    sent = passed_on() | {"cookie": f"__Host-{COOKIE}={key}"}
    with client_of(store) as client:
        with client.websocket_connect("/s", headers=sent | {"origin": f"https://{HOST}"}) as open_:
            assert open_.receive_text() == "wss"
        with (
            pytest.raises(WebSocketDisconnect),
            client.websocket_connect("/s", headers=sent | {"origin": "https://elsewhere.example"}),
        ):
            pass


# --- starting it ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--behind", "https://unit.example"], "is no host"),
        (["--behind", HOST, "--address", "0.0.0.0"], "lets others past it"),
        (["--behind", HOST, "--certificate", "a.pem"], "leave out --certificate"),
        (["--behind", HOST], "no administrator yet"),
    ],
)
def test_it_does_not_start_half_open(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    said: str,
) -> None:
    monkeypatch.delenv(UNIT_VARIABLE, raising=False)
    monkeypatch.setattr("review.cli.serve", lambda *_, **__: pytest.fail("it was started"))
    assert main(["page", "--unit", str(tmp_path / "unit"), *more]) == COULD_NOT
    assert said in capsys.readouterr().err


def test_the_invented_unit_stays_on_this_computer(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv(UNIT_VARIABLE, raising=False)
    assert main(["page", "--behind", HOST]) == COULD_NOT
    assert "needs your own unit" in capsys.readouterr().err


def test_it_starts_and_tells_the_pages(
    store: Store, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls: list[tuple[list[str], dict[str, str]]] = []

    def call(arguments: list[str], env: dict[str, str]) -> int:
        calls.append((arguments, env))
        return 0

    monkeypatch.setattr("review.cli.serve", call)
    assert main(["page", "--unit", str(store.folder), "--behind", "Unit.Example:443"]) == DONE
    ((arguments, environment),) = calls
    assert environment[BEHIND_VARIABLE] == HOST
    assert "--server.address=127.0.0.1" in arguments
    assert f"Open https://{HOST} in a browser. " in capsys.readouterr().out
