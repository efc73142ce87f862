"""The floor under everything learnt: the shipped sample recordings, with their exact labels.

Landmarks of the four drawn samples lie in ``demo_data``, and beside them in ``floor.json`` what is
true of them: phases and flags, copied from the labels in ``sample_clips``. Values that do clearly
worse there than the shipped ones have learnt one unit's look at the price of everything else, and
are refused.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Final

import numpy as np

from review.analysis import FlagKind
from review.errors import ReviewError
from review.flags import find_flags
from review.labels import LabelFile
from review.metrics import Counts, match_intervals, sum_counts
from review.pipeline import Evidence, evidence_of, phases_of, review_track
from review.prepared import load_landmarks
from review.protocol import Protocol, load_protocol
from review.refitapply import adjusted, with_values
from review.refitlessons import edge_errors, look_flags
from review.refitvalues import PhaseValues, UnitValues
from review.timeline import Interval, Phase, Segment, Timeline
from review.tracks import LandmarkTrack

PROTOCOL: Final = "practice"
FILE: Final = "floor.json"

EDGES_MARGIN_S: Final = 1.0
"""Edges may be off by so much more in the mean than with the shipped values, whose own error is
two tenths of a second (unit setting). A unit that draws the line between phases elsewhere, by two
seconds at a third of the edges, say, must be able to teach that; a phase that is no more found
counts five seconds at both of its edges."""

FLAGS_MARGIN: Final = 2
"""So many flags more, wrong or missed, over all four samples (unit setting)."""

PULLED_BACK: Final = (1.0, 0.7, 0.5, 0.3, 0.15)
"""Values that fall through the floor are pulled back to the shipped ones by these factors in turn,
before they are given up."""


@dataclass(frozen=True, slots=True)
class FloorClip:
    """One sample with its truth."""

    name: str
    track: LandmarkTrack
    series: Evidence
    truth: Timeline
    flags: tuple[tuple[FlagKind, Interval], ...]


@dataclass(frozen=True, slots=True)
class FloorFigures:
    """How values do on the samples.

    Attributes:
        edges_s: mean error of an edge, seconds; see :func:`review.refitlessons.edge_errors`.
        wrong, missed: flags over all samples.
    """

    edges_s: float
    wrong: int
    missed: int

    def holds(self, shipped: FloorFigures) -> bool:
        """Whether it stays above the floor."""
        flags = self.wrong + self.missed - shipped.wrong - shipped.missed
        return self.edges_s <= shipped.edges_s + EDGES_MARGIN_S and flags <= FLAGS_MARGIN

    def as_json(self) -> dict[str, Any]:
        """Plain numbers."""
        return {"edges_s": round(self.edges_s, 4), "wrong": self.wrong, "missed": self.missed}


def demo_data() -> Path:
    """Where the samples' landmarks lie."""
    return Path(str(resources.files("review") / "demo_data"))


def floor_document(labels: dict[str, tuple[str, LabelFile]]) -> str:
    """What ``floor.json`` holds, from label files by name with the recordings' hashes."""
    content = {
        name: {
            "sha256": sha256,
            "duration_s": label.duration_s,
            "phases": [
                [s.phase.value, round(s.interval.start_s, 3), round(s.interval.end_s, 3)]
                for s in label.timeline
            ],
            "flags": [[f.kind.value, f.start_s, f.end_s] for f in label.flags or ()],
        }
        for name, (sha256, label) in sorted(labels.items())
    }
    return json.dumps(content, indent=1) + "\n"


@lru_cache(maxsize=1)
def floor_clips() -> tuple[FloorClip, ...]:
    """The samples; the first call works out their evidence, some seconds.

    Raises:
        ReviewError: if one of them is missing.
    """
    folder = demo_data()
    known = json.loads((folder / FILE).read_text(encoding="utf-8"))
    protocol = load_protocol(PROTOCOL)
    clips = []
    for name, clip in known.items():
        track = load_landmarks(folder, clip["sha256"], mirrored=False)
        if track is None:
            raise ReviewError(
                f"{folder}: the landmarks of {name} are missing, so nothing can be checked "
                "against them. Install the program again."
            )
        extent = Interval(0.0, clip["duration_s"])
        phases = tuple(Segment(Interval(a, min(b, extent.end_s)), Phase(phase), 1.0)
                       for phase, a, b in clip["phases"])  # fmt: skip
        flags = tuple((FlagKind(kind), Interval(a, b)) for kind, a, b in clip["flags"])
        series = evidence_of(track, protocol)
        clips.append(FloorClip(name, track, series, Timeline(extent, phases), flags))
    return tuple(clips)


def _series(clip: FloorClip, values: UnitValues | None) -> tuple[Evidence, Protocol]:
    own = values.phases if values else None
    series = replace(clip.series, emissions=adjusted(clip.series.emissions, own))
    return series, with_values(load_protocol(PROTOCOL), values)


def floor_edges_s(values: UnitValues | None) -> float:
    """Mean error of an edge over the samples, the phases alone."""
    errors: list[float] = []
    for clip in floor_clips():
        series, protocol = _series(clip, values)
        errors += edge_errors(clip.truth, phases_of(series.features, series.emissions, protocol))
    return float(np.mean(errors))


def floor_figures(values: UnitValues | None) -> FloorFigures:
    """How values (None: shipped) do on the samples."""
    errors: list[float] = []
    counts = []
    for clip in floor_clips():
        series, protocol = _series(clip, values)
        findings = review_track(clip.track, protocol, evidence=series)
        errors += edge_errors(clip.truth, findings.phases)
        found = [
            (flag.kind, Interval(flag.start_s, max(flag.end_s, flag.start_s + 1e-3)))
            for flag in look_flags(find_flags(findings, protocol))
        ]
        hits = len(match_intervals(clip.flags, found, 2.0))
        counts.append(Counts(hits, len(found) - hits, len(clip.flags) - hits))
    total = sum_counts(counts)
    return FloorFigures(float(np.mean(errors)), int(total.false_alarms), int(total.misses))


@lru_cache(maxsize=1)
def shipped_edges_s() -> float:
    """The floor's reference for phases."""
    return floor_edges_s(None)


def pulled_above(values: UnitValues) -> UnitValues:
    """Values pulled back to the shipped ones as far as the samples' phases ask for.

    The last of :data:`PULLED_BACK` is returned where none is enough; the whole check refuses it.
    """
    if values.phases is None:
        return values
    tried = values
    for share in PULLED_BACK:
        tried = values.model_copy(update={"phases": pulled_back(values.phases, share)})
        if floor_edges_s(tried) <= shipped_edges_s() + EDGES_MARGIN_S:
            break
    return tried


def pulled_back(values: PhaseValues, share: float) -> PhaseValues:
    """Phase values moved to ``share`` (0..1) of their way from the shipped ones.

    The shares of phases stay as they are counted.
    """
    if share == 1.0:
        return values
    return values.model_copy(
        update={
            "weights": tuple(tuple(round(w * share, 4) for w in row) for row in values.weights),
            "shift": tuple(round(number * share, 4) for number in values.shift),
        }
    )
