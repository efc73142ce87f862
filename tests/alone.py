"""Programs in a world of their own: without a network, with a small disk (Linux namespaces)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent

NO_NETWORK, OWN_MOUNTS = "--net", "--mount"


@cache
def is_allowed(kind: str) -> bool:
    tool = shutil.which("unshare")
    if tool is None:
        return False
    tried = subprocess.run([tool, "--map-root-user", kind, "true"], capture_output=True)
    return tried.returncode == 0


def need(kind: str) -> None:
    """Leave the test out, saying why, where the system does not allow this kind of world."""
    if not is_allowed(kind):
        pytest.skip(f"this system does not allow 'unshare {kind}'; run it on one that does")


def command_alone(kind: str, command: Sequence[str]) -> list[str]:
    """The command that runs another one as the only program in a world of this kind."""
    return ["unshare", "--map-root-user", kind, *command]


def run_alone(
    kind: str, module: str, *arguments: str, timeout_s: float = 300.0
) -> subprocess.CompletedProcess[str]:
    """Run one of the test modules in a world of its own; what it says comes back."""
    return subprocess.run(
        command_alone(kind, [sys.executable, "-m", module, *arguments]),
        cwd=PROJECT,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
