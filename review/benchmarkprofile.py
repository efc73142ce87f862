"""Which of this package's modules the time of a piece of work goes to.

Python's own profiler counts it, which slows work of many small calls; shares are what to read.
"""

from __future__ import annotations

import cProfile
import pstats
from collections import defaultdict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).resolve().parent

Place = tuple[str, int, str]
"""A function as the profiler names it: file, line, name."""


def module_seconds(work: Callable[[], object]) -> dict[str, float]:
    """Do the work once under the profiler; seconds by module of this package, most first.

    What a module has others do that are not of this package (numpy, the standard library) counts
    as its own; what it has other modules of this package do counts as theirs.
    """
    profile = cProfile.Profile()
    profile.runcall(work)
    entries: Mapping[Place, Any] = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    found: defaultdict[str, float] = defaultdict(float)
    for place, (_, _, _, with_callees_s, callers) in entries.items():
        module = _module(place)
        if module is None:
            continue
        found[module] += with_callees_s
        for caller, (_, _, _, for_it_s) in callers.items():
            if (other := _module(caller)) is not None:
                found[other] -= for_it_s
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def _module(place: Place) -> str | None:
    path = Path(place[0])
    if PACKAGE not in path.parents:
        return None
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
