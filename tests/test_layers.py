"""Imports point one way, along the flow of data; heavy libraries stay behind one module each."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import cv2
import pytest

GROUND = frozenset({"timeline", "tracks", "errors", "escaping", "facemesh"})
RECORDS = frozenset({"settings", "protocol", "measures", "refitvalues"})
EDGES = frozenset(
    {
        "video",
        "landmarks",
        "cache",
        "identity",
        "faces",
        "facecolour",
        "faceviews",
        "facetracker",
        "quiet",
        "playback",
        "wholefile",
        "sealed",
        "guarded",
        "faceboxes",
        "facecover",
        "crew",
        "seeking",
        "survey",
        "tracking",
    }
)
JOINING = frozenset({"pipeline", "sound", "cameralook"})
COMPARING = frozenset(
    {
        "training", "trainingfit", "evaluate", "evaluation", "labels", "metrics", "pool",
        "washscores", "washsteps", "washsummary", "washreport", "washplots", "washevaluate",
        "handwashing_set", "openlinescores", "openlinereport", "openlineevaluate",
        "benchmark", "benchmarkclips", "benchmarkplot",
        "refit", "refitcheck", "refitfloor", "refitlessons",
    }
)  # fmt: skip
DESK = frozenset(
    {
        "jobs",
        "guardedwork",
        "batch",
        "batchwork",
        "batchcluster",
        "sharing",
        "prepared",
        "desk",
        "deskview",
        "deskwork",
        "demo",
        "media",
        "signin",
    }
)
REPORTS = frozenset({"reportfacts", "reportvtt", "reportpdf", "stills", "reporting"})
OUTSIDE = frozenset({"cli", "commands", "pages", "components", "app", "__main__"})
STAGES = 3
"""Level of the stages, and of every module that is named in no other layer."""

LAYERS = (GROUND, RECORDS, EDGES, frozenset[str](), JOINING, DESK | REPORTS, COMPARING, OUTSIDE)
"""From the ground up. A module may import its own layer and those below, never above."""

ONLY_IN = {
    "mediapipe": {"review.landmarks", "review.facetracker", "review.faceboxes"},
    "av": {
        "review.sound",
        "review.video",
        "review.seeking",
        "review.reviewcopy",
        "review.sharedcopy",
        "review.benchmarkclips",
    },
    "sqlalchemy": {"review.store"},
    "alembic": {"review.store"},
    "psycopg": {"review.store"},
    "dask": {"review.batchcluster"},
    "distributed": {"review.batchcluster"},
    "argon2": {"review.passphrases"},
    "zxcvbn": {"review.passphrases"},
    "cryptography": {"review.sealed", "review.vault"},
    "streamlit": {"app", "review.pages", "review.components"},
    "typer": {"review.cli", "review.commands"},
    "jax": {"review.trainingfit"},
    "matplotlib": {"review.washplots", "review.benchmarkplot"},
    "typst": {"review.reportpdf"},
    "fontTools": {"review.reportpdf"},
    "fhir": {"review.fhircheck"},
    "scipy": set(),
    "sklearn": set(),
    "skimage": set(),
    "hmmlearn": set(),
    "statsmodels": set(),
    "krippendorff": set(),
    "shapely": set(),
    "numba": set(),
    "pytest": set(),
    "sample_clips": set(),
    "tests": set(),
}
"""Which modules may import what; developer libraries are not there for the user."""

NETWORK = {"requests", "urllib", "http", "socket", "aiohttp", "httpx", "ftplib", "smtplib"}


def sources(project: Path) -> dict[str, Path]:
    """Every module of the program by its dotted name."""
    files = {"app": project / "app.py"}
    for path in sorted((project / "review").rglob("*.py")):
        parts = path.relative_to(project).with_suffix("").parts
        files[".".join(parts).removesuffix(".__init__")] = path
    return files


def imports(path: Path) -> set[str]:
    """Dotted names that a file imports, anywhere in it; type-checking imports included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: use absolute imports"
            module = node.module or ""
            names = {f"{module}.{alias.name}" for alias in node.names}
            found |= names if module == "review" else {module}
    return found


def part(module: str) -> str:
    """The layer name of one of our modules: ``review.pages.strip`` belongs to ``pages``."""
    names = module.split(".")
    return names[1] if names[0] == "review" and len(names) > 1 else names[0]


def layer(name: str) -> int:
    """The level of a module; one that is named nowhere is a stage."""
    return next((level for level, names in enumerate(LAYERS) if name in names), STAGES)


def test_there_is_something_to_check(project: Path) -> None:
    assert {"app", "review.timeline", "review.protocol", "review.cli"} <= set(sources(project))


def test_imports_point_one_way(project: Path) -> None:
    for module, path in sources(project).items():
        if module == "review":
            assert imports(path) == set()
            continue
        for name in imports(path):
            if name.split(".")[0] in ("review", "app") and name != "review":
                assert layer(part(name)) <= layer(part(module)), f"{module} imports {name}"


def test_there_are_no_import_circles(project: Path) -> None:
    graph = {
        module: {name for name in imports(path) if name in sources(project)}
        for module, path in sources(project).items()
    }
    left = dict(graph)
    while left:
        free = [module for module, needs in left.items() if not needs & set(left)]
        assert free, f"these import each other in a circle: {sorted(left)}"
        for module in free:
            del left[module]


@pytest.mark.parametrize("library", sorted(ONLY_IN))
def test_heavy_libraries_stay_behind_one_module(project: Path, library: str) -> None:
    for module, path in sources(project).items():
        if library in {name.split(".")[0] for name in imports(path)}:
            allowed = ONLY_IN[library]
            assert any(module == a or module.startswith(f"{a}.") for a in allowed), (
                f"{module} imports {library}"
            )


def test_nothing_reaches_for_the_network(project: Path) -> None:
    for module, path in sources(project).items():
        used = imports(path) - {"urllib.parse"}  # only takes addresses apart
        assert not NETWORK & {name.split(".")[0] for name in used}, module


def test_nothing_is_hidden_in_a_stage(project: Path) -> None:
    """Stages are pure: those of the middle layers open no files of their own."""
    readers = {"protocol", "analysis", "emissions"}
    for module, path in sources(project).items():
        name = part(module)
        if module == "review" or layer(name) not in (0, 1, STAGES) or name in readers:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = node.func.id if isinstance(node.func, ast.Name) else ""
                assert called not in {"open", "print", "input", "exec", "eval"}, (
                    f"{module}, line {node.lineno}"
                )


def test_opencv_is_the_one_version_both_packages_write() -> None:
    """Two pinned packages write the same folder; any other version breaks numpy or the tracker."""
    assert cv2.__version__ == "4.11.0"


def test_the_pins_that_must_move_together(project: Path) -> None:
    content = tomllib.loads((project / "pyproject.toml").read_text(encoding="utf-8"))
    needs = content["project"]["dependencies"]
    assert "mediapipe==0.10.21" in needs
    pins = {need.split("==")[1] for need in needs if need.startswith("opencv")}
    assert pins == {"4.11.0.86"}
    assert sum(need.startswith("opencv") for need in needs) == 2
