"""The command line: exit codes, one clear line for each failure, nothing half-written.

The pipeline is replaced here, because these tests are about what surrounds it;
``test_pipeline.py`` runs it on recordings.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import tomllib
import types
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import psutil
import pytest
import typer

from review import cli
from review.analysis import Analysis, read_analysis
from review.cli import COULD_NOT, DONE, PAGE_OPTIONS, WRONG_USAGE, main, result_paths
from review.commands.running import STOPPED, stoppable
from review.errors import VideoError
from review.protocol import Protocol

Run = Callable[[Path, Protocol, Callable[[float], None]], Analysis]


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch, analysis: Analysis) -> Callable[[Run], None]:
    """Put a function in the pipeline's place."""

    def replace(run: Run) -> None:
        def analyse_recording(
            path: Path,
            protocol: Protocol,
            *,
            sampling: object,
            cache_dir: Path | None,
            use_cache: bool,
            progress: Callable[[float], None],
            sound: bool,
        ) -> Analysis:
            assert not sound
            return run(path, protocol, progress)

        module = types.ModuleType("review.pipeline")
        module.analyse_recording = analyse_recording  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "review.pipeline", module)

    return replace


@pytest.fixture
def works(pipeline: Callable[[Run], None], analysis: Analysis) -> None:
    """A pipeline that finds the example in everything but files called 'bad'."""

    def run(path: Path, protocol: Protocol, progress: Callable[[float], None]) -> Analysis:
        progress(0.5)
        if path.stem.startswith("bad"):
            raise VideoError(f"{path.name}: not a video. Choose another file.")
        progress(1.0)
        recording = analysis.recording.model_copy(update={"file": path.name})
        return analysis.model_copy(update={"recording": recording})

    pipeline(run)


def command(*arguments: str | Path) -> int:
    return main([str(argument) for argument in arguments])


@pytest.mark.usefixtures("works")
def test_one_recording_gives_a_summary_and_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "analysis.json"
    assert command("analyse", "a.mp4", "--out", out, "--no-cache") == DONE
    assert read_analysis(out).recording.file == "a.mp4"
    printed = capsys.readouterr()
    assert "Hand wash" in printed.out
    assert str(out) in printed.out
    assert printed.err == ""


@pytest.mark.usefixtures("works")
def test_a_bad_file_does_not_stop_the_others_but_the_code_is_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = command("analyse", "a.mp4", "bad.mp4", "b.mp4", "--out", tmp_path, "--no-cache")
    assert code == COULD_NOT
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"a.analysis.json", "b.analysis.json"}
    error = capsys.readouterr().err.splitlines()
    assert error == [
        "bad.mp4: not a video. Choose another file.",
        "1 of 3 recordings could not be analysed.",
    ]


def test_an_unexpected_error_is_one_line_and_can_be_traced(
    pipeline: Callable[[Run], None],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def run(*_: object) -> Analysis:
        raise ZeroDivisionError("a slip\nin two lines")

    pipeline(run)
    monkeypatch.delenv(cli.DEBUG_VARIABLE, raising=False)
    arguments = ("analyse", "a.mp4", "--out", tmp_path / "a.json", "--no-cache")
    assert command(*arguments) == COULD_NOT
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "ZeroDivisionError: a slip" in error
    monkeypatch.setenv(cli.DEBUG_VARIABLE, "1")
    with pytest.raises(ZeroDivisionError):
        command(*arguments)


def test_ctrl_c_leaves_no_file_and_one_line(
    pipeline: Callable[[Run], None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*_: object) -> Analysis:
        raise KeyboardInterrupt

    pipeline(run)
    code = command("analyse", "a.mp4", "b.mp4", "--out", tmp_path, "--no-cache")
    assert code == STOPPED
    assert list(tmp_path.iterdir()) == []
    assert capsys.readouterr().err == "Stopped. No half-written file was left behind.\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ["analyse"],
        ["analyse", "a.mp4", "--fps", "0"],
        ["analyse", "a.mp4", "--fps", "many"],
        ["analyse", "a.mp4", "b.mp4", "--out", "one.json"],
        ["analyse", "a.mp4", "--out", "pyproject.toml"],
        ["analyse", "a.mp4", "--no-cache", "--cache", "folder"],
        ["analyse", "a.mp4", "--nonsense"],
        ["evaluate"],
        ["evaluate", "folder", "--jobs", "0"],
        ["protocol", "chek", "default"],
        ["page", "--port", "80"],
        ["nonsense"],
    ],
)
def test_wrong_usage_is_2(
    arguments: list[str], project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(project)
    assert main(arguments) == WRONG_USAGE


@pytest.mark.parametrize(
    "arguments",
    [
        ["analyse", "a.mp4", "--protocol", "practise"],
        ["protocol", "check", "no such.toml"],
        ["page", "no such.json"],
    ],
)
def test_what_is_not_there_is_1_with_one_line(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == COULD_NOT
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert "there is no such" in printed.err


@pytest.mark.parametrize("arguments", [["--help"], ["analyse", "--help"], ["protocol", "--help"]])
def test_help_is_0(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == DONE
    assert "Usage" in capsys.readouterr().out


def test_protocol_check_and_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command("protocol", "check", "default") == DONE
    assert "in order" in capsys.readouterr().out
    assert command("protocol", "list") == DONE
    assert [line.split(":")[0] for line in capsys.readouterr().out.splitlines()] == [
        "default",
        "practice",
    ]
    wrong = tmp_path / "unit.toml"
    wrong.write_text('name = "U"\nversoin = "1"\nsteps = []\n')
    assert command("protocol", "check", wrong) == COULD_NOT
    assert "unit.toml, line 2, key 'versoin'" in capsys.readouterr().err


def test_results_of_recordings_with_one_name_do_not_overwrite_each_other(tmp_path: Path) -> None:
    videos = [Path("mon/a.mp4"), Path("tue/a.mp4"), Path("tue/a.mov"), Path("b.mp4")]
    paths = result_paths(videos, tmp_path)
    assert [path.name for path in paths] == [
        "a.analysis.json",
        "a-2.analysis.json",
        "a-3.analysis.json",
        "b.analysis.json",
    ]


def test_a_folder_called_like_a_file_is_still_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / "results.json"
    folder.mkdir()
    assert result_paths([Path("a.mp4")], folder) == [folder / "a.analysis.json"]


def test_a_video_is_never_taken_for_the_result_file(tmp_path: Path) -> None:
    video = tmp_path / "a.mp4"
    video.write_bytes(b"film")
    with pytest.raises(typer.BadParameter):
        result_paths([video], video)
    assert video.read_bytes() == b"film"


class Report:
    """What an evaluation gives back."""

    def __init__(self, failed: tuple[str, ...] = ()) -> None:
        self.failed = failed

    def table(self) -> str:
        return "the table"

    def to_json(self) -> str:
        return '{"clips": 2}'


@pytest.mark.parametrize(("failed", "code"), [((), DONE), (("a.mp4",), COULD_NOT)])
def test_evaluate_prints_a_table_and_writes_all_numbers(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    failed: tuple[str, ...],
    code: int,
) -> None:
    asked: list[tuple[list[Path], str, int]] = []
    kept_in: list[Path | None] = []

    def evaluate_folders(
        folders: list[Path],
        protocol: Protocol,
        jobs: int,
        progress: Callable[[float], None],
        *,
        cache_dir: Path | None,
    ) -> Report:
        asked.append((folders, protocol.name, jobs))
        kept_in.append(cache_dir)
        progress(1.0)
        return Report(failed)

    module = types.ModuleType("review.evaluate")
    module.evaluate_folders = evaluate_folders  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "review.evaluate", module)
    monkeypatch.setenv("EXCHANGE_REVIEW_CACHE", str(tmp_path / "usual"))
    out = tmp_path / "numbers.json"
    assert command("evaluate", "one", "two", "--jobs", "3", "--json", out) == code
    assert asked == [([Path("one"), Path("two")], "Practice session", 3)]
    assert capsys.readouterr().out == "the table\n"
    assert out.read_text() == '{"clips": 2}'
    command("evaluate", "one", "--no-cache")
    command("evaluate", "one", "--cache", tmp_path / "named")
    assert command("evaluate", "one", "--no-cache", "--cache", tmp_path) == WRONG_USAGE
    assert kept_in == [tmp_path / "usual", None, tmp_path / "named"]


@pytest.fixture
def streamlit_call(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    calls: list[list[str]] = []

    def call(arguments: list[str], env: dict[str, str] | None = None) -> int:
        calls.append(arguments)
        return 0

    monkeypatch.setattr("review.cli.serve", call)
    return calls


def test_the_page_is_served_to_this_computer_only(
    streamlit_call: list[list[str]], tmp_path: Path, project: Path
) -> None:
    (tmp_path / "a.json").write_text("{}")
    assert command("page", tmp_path / "a.json", "--port", "8600") == DONE
    (arguments,) = streamlit_call
    assert arguments[1:5] == ["-m", "streamlit", "run", str(project / "app.py")]
    for option in (
        "--server.address=127.0.0.1",
        "--browser.gatherUsageStats=false",
        "--server.port=8600",
    ):
        assert option in arguments
    assert arguments[-2:] == ["--", str((tmp_path / "a.json").resolve())]


def test_the_unit_s_pages_are_told_where_the_records_are(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    seen: list[tuple[list[str], dict[str, str]]] = []

    def call(arguments: list[str], env: dict[str, str]) -> int:
        seen.append((arguments, env))
        return 0

    monkeypatch.setattr("review.cli.serve", call)
    assert command("page", "--unit", tmp_path / "records") == DONE
    ((arguments, environment),) = seen
    assert "--" not in arguments
    assert environment["EXCHANGE_REVIEW_UNIT"] == str(tmp_path / "records")
    assert command("page", tmp_path, "--unit", tmp_path) == WRONG_USAGE


def test_wash_options_go_together(tmp_path: Path) -> None:
    assert command("evaluate", tmp_path, "--plots", tmp_path) == WRONG_USAGE
    assert command("evaluate", "--wash") == WRONG_USAGE
    assert command("evaluate", tmp_path, "--wash", "--dataset", tmp_path) == WRONG_USAGE


def test_the_page_config_in_the_clone_says_the_same(project: Path) -> None:
    text = (project / ".streamlit" / "config.toml").read_text(encoding="utf-8")
    config = tomllib.loads(text)
    for option, value in PAGE_OPTIONS.items():
        section, name = option.split(".")
        written = config[section][name]
        assert (str(written).lower() if isinstance(written, bool) else written) == value


def test_ending_the_command_ends_the_server_too(tmp_path: Path) -> None:
    """`kill` sends SIGTERM to the command alone: its server must not go on without it."""
    told = tmp_path / "pid"
    server = (
        "import os, pathlib, time\n"
        f"place = pathlib.Path({str(told)!r}); part = place.with_suffix('.part')\n"
        "part.write_text(str(os.getpid())); part.rename(place)\n"
        "time.sleep(120)\n"
    )
    code = (
        "import os, sys; from review.commands.serving import serve\n"
        f"sys.exit(serve([sys.executable, '-c', {server!r}], env=os.environ))\n"
    )
    command_line = subprocess.Popen([sys.executable, "-c", code])
    try:
        give_up = time.monotonic() + 60.0
        while not told.exists():
            assert command_line.poll() is None and time.monotonic() < give_up
            time.sleep(0.02)
        process = psutil.Process(int(told.read_text()))
        command_line.terminate()
        assert command_line.wait(30.0) == 0, "being asked to end is no failure"
        assert not process.is_running()
    finally:
        command_line.kill()


def run_process(*arguments: str, cwd: Path, code: str = "") -> subprocess.CompletedProcess[str]:
    start = ["-c", code] if code else ["-m", "review"]
    environment = os.environ | {"PYTHONPATH": str(cwd)}
    return subprocess.run(
        [sys.executable, *start, *arguments],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_a_real_process_ends_with_the_same_codes(project: Path) -> None:
    done = run_process("protocol", "check", "practice", cwd=project)
    assert (done.returncode, done.stderr) == (DONE, "")
    could_not = run_process("protocol", "check", "nothing.toml", cwd=project)
    assert could_not.returncode == COULD_NOT
    assert "Traceback" not in could_not.stderr
    assert run_process("analyse", cwd=project).returncode == WRONG_USAGE


def test_ctrl_c_in_a_real_process_leaves_nothing_half_written(
    project: Path, tmp_path: Path
) -> None:
    """An interrupt while the result is being written, which is the worst moment."""
    code = (
        "import os, signal, sys, types, review.wholefile;"
        # Shells start background jobs deaf to it; this process must hear it all the same.
        "signal.signal(signal.SIGINT, signal.default_int_handler);"
        "from review.cli import main; from tests.documents import example_analysis;"
        "module = types.ModuleType('review.pipeline');"
        "module.analyse_recording = lambda *a, **k: example_analysis();"
        "sys.modules['review.pipeline'] = module;"
        "review.wholefile.os.fsync = lambda fd: os.kill(os.getpid(), signal.SIGINT);"
        "sys.exit(main(sys.argv[1:]))"
    )
    done = run_process("analyse", "a.mp4", "--out", str(tmp_path), cwd=project, code=code)
    assert done.returncode == STOPPED
    assert done.stderr.splitlines() == ["Stopped. No half-written file was left behind."]
    assert list(tmp_path.iterdir()) == []


def test_help_loads_nothing_heavy(project: Path) -> None:
    code = (
        "import sys; from review.cli import main; main(['--help']);"
        "heavy = {'mediapipe', 'cv2', 'av', 'streamlit', 'numpy', 'pydantic', 'jax'};"
        "sys.exit(str(heavy & set(sys.modules)) if heavy & set(sys.modules) else 0)"
    )
    done = run_process(cwd=project, code=code)
    assert done.returncode == 0, done.stderr


def test_ctrl_c_that_was_lost_on_the_way_still_stops(capsys: pytest.CaptureFixture[str]) -> None:
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(typer.Exit) as stopped, stoppable() as check:
        with suppress(KeyboardInterrupt):  # as in a clean-up that may not fail
            signal.raise_signal(signal.SIGINT)
        check()
        raise AssertionError("it went on")
    assert stopped.value.exit_code == STOPPED
    with pytest.raises(typer.Exit), stoppable(), suppress(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)
    assert capsys.readouterr().err.count("Stopped.") == 2
    assert signal.getsignal(signal.SIGINT) is before
