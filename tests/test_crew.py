"""Work shared out to processes: all of it done, once each, and nobody left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from review import crew as crew_module
from review.crew import Crew, CrewError, cores
from review.errors import VideoError
from tests import crewwork


def nothing(_: int, __: float) -> None:
    return None


def until(true: Callable[[], bool]) -> None:
    """Wait for something that happens soon; a test that waits for ever is ended from outside."""
    while not true():
        time.sleep(0.05)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z"


def test_every_task_is_done_once_whatever_the_order() -> None:
    with Crew(2) as crew:
        found = dict(crew.do(crewwork.squared, list(range(7)), nothing))
        again = dict(crew.do(crewwork.squared, [9], nothing))
    assert found == {number: number * number for number in range(7)}
    assert again == {0: 81}


def test_several_processes_work_and_they_are_others() -> None:
    with Crew(2) as crew:
        pids = {pid for _, pid in crew.do(crewwork.who, list(range(6)), nothing)}
        assert len(pids) == 2 and os.getpid() not in pids
    until(lambda: not any(map(alive, pids)))


def test_processes_are_told_to_give_back_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MALLOC_ARENA_MAX", "7")  # somebody's own choice stands
    names = list(crew_module.MEMORY_HABITS)
    with Crew(1) as crew:
        found = [value for _, value in crew.do(crewwork.variable, names, nothing)]
    assert found == ["7", *list(crew_module.MEMORY_HABITS.values())[1:]]
    assert os.environ["MALLOC_ARENA_MAX"] == "7" and names[1] not in os.environ


def test_a_process_gives_way_to_a_new_one_after_some_tasks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(crew_module, "TASKS_A_PROCESS", 2)
    with Crew(1) as crew:
        pids = [pid for _, pid in crew.do(crewwork.who, list(range(5)), nothing)]
    assert len(set(pids)) == 3
    assert all(pids.count(pid) <= 2 for pid in pids)


def test_an_error_comes_out_as_it_was_raised() -> None:
    with Crew(2) as crew, pytest.raises(VideoError, match="number three is broken"):
        list(crew.do(crewwork.fails, [1, 2, 3, 4], nothing))


def test_a_process_that_dies_has_its_task_done_by_another(tmp_path: Path) -> None:
    with Crew(2) as crew:
        tasks = [tmp_path / name for name in "abc"]
        found = dict(crew.do(crewwork.dies_once, tasks, nothing))
    assert found == {0: "a", 1: "b", 2: "c"}


def test_a_task_that_kills_twice_is_an_error() -> None:
    with Crew(1) as crew, pytest.raises(CrewError, match="stopped unexpectedly twice"):
        list(crew.do(crewwork.dies, [1], nothing))


def test_when_the_giver_is_killed_the_others_end_by_themselves(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from review.crew import Crew; "
        "from tests import crewwork\n"
        "if __name__ == '__main__':\n"
        "    with Crew(1) as crew:\n"
        "        list(crew.do(crewwork.waits, [Path(sys.argv[1])], lambda n, s: None))\n"
    )
    script = tmp_path / "giver.py"
    script.write_text(code)
    note = tmp_path / "pid"
    root = Path(__file__).resolve().parent.parent
    giver = subprocess.Popen(
        [sys.executable, str(script), str(note)], env={**os.environ, "PYTHONPATH": str(root)}
    )
    until(lambda: note.exists() and note.read_text() != "")
    helper = int(note.read_text())
    assert alive(helper)
    giver.send_signal(signal.SIGKILL)
    giver.wait()
    until(lambda: not alive(helper))


def test_cores_are_at_least_one() -> None:
    assert 1 <= cores() <= (os.cpu_count() or 1)
