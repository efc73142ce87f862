"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from review.analysis import Analysis
from review.media import SHELF
from review.video import probe
from tests.documents import example_analysis
from tests.servers import REQUIRED, SERVER, Databases, all_closed, on_server, server_at_hand

settings.register_profile(
    "project", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
settings.load_profile("project")

PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture(autouse=True)
def same_main(monkeypatch: pytest.MonkeyPatch) -> None:
    """Page tests put a script of their own in the main module's place.

    Processes that a later test starts would run it.
    """
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


@pytest.fixture(autouse=True)
def nobody_to_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page tells the shelf of videos to ask its server and its records who may see what.

    Both are gone when its test ends: a later test in the same process would ask them in vain.
    """
    monkeypatch.setattr(SHELF, "alive", lambda session: True)
    monkeypatch.setattr(SHELF, "allowed", lambda key, number, source: True)


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed."""
    return np.random.default_rng(20240229)


@pytest.fixture
def project() -> Path:
    """The top folder of the clone."""
    return PROJECT


@pytest.fixture
def analysis() -> Analysis:
    """A complete invented analysis."""
    return example_analysis()


@pytest.fixture(autouse=True)
def _probing_here(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """New recordings are looked at in this process: a child for each would take minutes in all.

    Tests that ask for `guarded_adding` get the real thing; `test_guarded.py` compares the two.
    """
    if "guarded_adding" not in request.fixturenames:
        monkeypatch.setattr("review.store.recordings.guarded_probe", probe)


@pytest.fixture
def guarded_adding() -> None:
    """Recordings are added as in the program, each looked at in a child with limits."""


# Tests of records that hold for a file and for a server alike are marked `any_database`. They run
# on a file, and once more on a PostgreSQL server where one is at hand (`.ci/postgres pytest ...`);
# what only a file has (its pages, its log) is marked `only_file` where a whole module is marked.


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    marked = metafunc.definition.get_closest_marker
    keeps_records = {"tmp_path", "store", "unit"} & set(metafunc.fixturenames)
    if marked("any_database") is None or marked("only_file") is not None or not keeps_records:
        return
    kinds = ["file"]
    if server_at_hand() or os.environ.get(REQUIRED):
        kinds.append("server")
    metafunc.parametrize("database_kind", kinds, indirect=True)


@pytest.fixture(scope="session")
def databases() -> Databases:
    """Databases of the server at hand."""
    assert server_at_hand(), f"a server is required ({REQUIRED}) and there is none ({SERVER})"
    return Databases()


@pytest.fixture(autouse=True)
def database_kind(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """`file`, or `server`: every new folder of records then has its rows there."""
    kind = getattr(request, "param", "file")
    if kind == "file":
        yield kind
        return
    databases = request.getfixturevalue("databases")
    monkeypatch.setattr("review.store.store.address_of", partial(on_server, databases))
    monkeypatch.setattr("tests.servers.AT_HAND", databases)
    with all_closed():  # a test may leave that to the end of the program
        yield kind
    databases.take_back()


# Tests about the promises that people rely on (nothing lost, nothing leaves, nobody sees what they
# may not) are marked `trust`. An ordinary run takes their short form, `pytest -m trust` the long
# one, so that a promise is written once: ask `how_many` for the count, and give what was counted
# to `record_number`; all numbers stand in one table at the end of the run.


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--trust-scale",
        choices=["short", "long"],
        default=None,
        help="how much the tests marked trust do (default: long with '-m trust', else short)",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[NUMBERS] = {}


NUMBERS = pytest.StashKey[dict[str, float]]()


def trust_scale(config: pytest.Config) -> str:
    """`short` or `long`: what this run's trust tests do."""
    chosen = config.getoption("--trust-scale", default=None)
    if chosen:
        return str(chosen)
    asked = str(config.getoption("markexpr", default="")).split()
    return "long" if "trust" in asked and "not" not in asked else "short"


@pytest.fixture(scope="session")
def how_many(pytestconfig: pytest.Config) -> Callable[[int, int], int]:
    """`how_many(short, long)`: how often to try in this run."""
    scale = trust_scale(pytestconfig)
    return lambda short, long: long if scale == "long" else short


@pytest.fixture(scope="session")
def record_number(pytestconfig: pytest.Config) -> Callable[..., None]:
    """`record_number("files fuzzed", 40)`: a row of the table at the end of the run.

    The same name given again adds up. A count of failures is given even when it is 0, so that
    the table says that it was looked for.
    """
    numbers = pytestconfig.stash[NUMBERS]

    def record(name: str, count: float = 1) -> None:
        # Plain numbers, not numpy's: they may go from one process to another.
        plain = float(count) if isinstance(count, float) else int(count)
        numbers[name] = numbers.get(name, 0) + plain

    return record


def pytest_sessionfinish(session: pytest.Session) -> None:
    # One of several processes (pytest-xdist) hands its numbers to the one that prints them.
    if (output := getattr(session.config, "workeroutput", None)) is not None:
        output["trust_numbers"] = dict(session.config.stash[NUMBERS])


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    numbers = node.config.stash[NUMBERS]
    for name, count in getattr(node, "workeroutput", {}).get("trust_numbers", {}).items():
        numbers[name] = numbers.get(name, 0) + count


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    if not server_at_hand():
        terminalreporter.write_line("PostgreSQL: not tested, no server; '.ci/postgres pytest'.")
    numbers = config.stash[NUMBERS]
    if not numbers:
        return
    terminalreporter.write_sep("=", f"trust numbers, {trust_scale(config)} form")
    width = max(map(len, numbers))
    for name, count in sorted(numbers.items()):
        said = f"{count:,.2f}" if isinstance(count, float) else f"{count:,}"
        terminalreporter.write_line(f"{name:<{width}}  {said:>10}")
