"""What the review page needs of a recording's landmarks, worked out once and kept beside them.

To work out features and probabilities of an hour takes many seconds and much memory; what the
later stages need of them fits a file that is read in a moment. Numbers are kept as they are, so
that a result never depends on where it came from. The file says which landmarks, which protocol
and which program it was made from; when one of them is another, it is made anew. It holds no
picture, yet points of hands are personal data, as the landmarks are.
"""

from __future__ import annotations

import hashlib
import json
import logging
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from review import pipeline
from review.cache import STEPS_PER_WIDTH, unpack_track
from review.emissions import SHIPPED_MODEL, Emissions
from review.errors import ReviewError
from review.flags import Findings
from review.lanes import Lanes, make_lanes
from review.openline import MouthEvidence, hands_apart
from review.pipeline import Memory, Reviewed, evidence_of, review_track
from review.protocol import Protocol
from review.timeline import Interval, Phase, Segment, Timeline
from review.touching import FaceDepths
from review.tracks import MOTION_GRID, FeatureTrack, LandmarkTrack, TimeBase
from review.wholefile import whole_file

SUFFIX: Final = ".evidence"
"""A prepared file is called as its landmarks are, with this at the end."""

FORMAT: Final = 1
"""Raise this when the way of storing changes."""

FEATURES: Final = (
    "left_seen", "right_seen", "left_age", "right_age", "held", "still",
    "left_speed_x", "left_speed_y", "right_speed_x", "right_speed_y",
    "pinches_apart_x", "pinches_apart_y",
)  # fmt: skip
"""The features that the stages after the phases read."""

MADE_BY: Final = (
    "emissions", "facemesh", "features", "handgrid", "lanes", "liprhythm", "mask", "mouth",
    "openline", "openlinewindows", "order", "phases", "picturechange", "picturemotion", "pipeline",
    "prepared", "refitapply", "refitvalues", "rhythm", "rubbing", "semimarkov", "talking",
    "timeline", "touching", "tracks", "washing",
)  # fmt: skip
"""Modules that decide what is in a prepared file: another release of one makes it anew."""

LONG_SAMPLES: Final = 10_000
"""A longer recording (eleven minutes at 15 a second) is prepared in a process of its own: it takes
about 7 kB a sample, which the page's process would never give back."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the stages after the landmarks need, and the rows drawn from it.

    Attributes:
        track: of the landmarks, what those stages and the drawing over the picture need; see
            :func:`slimmed`.
        series: what follows from the landmarks alone; a correction need not wait for it.
        phases: the machine's own.
        lanes: rows of the timeline.
        memory: of corrections, so that the next one works out anew only what it changes.
    """

    track: LandmarkTrack
    series: pipeline.Evidence
    phases: Timeline
    lanes: Lanes
    memory: Memory = field(default_factory=Memory, compare=False)


def prepare(
    track: LandmarkTrack,
    protocol: Protocol,
    series: pipeline.Evidence | None = None,
    findings: Findings | None = None,
) -> Evidence:
    """Work it out.

    Args:
        track: all landmarks of a recording.
        protocol: the unit's settings.
        series: of this track, where it is known already.
        findings: the machine's own, where they are known already.
    """
    series = series or evidence_of(track, protocol)
    findings = findings or review_track(track, protocol, evidence=series)
    settings = protocol.detection.open_line
    features = series.features
    columns = [features.names.index(name) for name in FEATURES]
    kept = FeatureTrack(
        features.time,
        FEATURES,
        tuple(features.units[i] for i in columns),
        features.values[:, columns],
    )
    apart = hands_apart(track, settings)
    return Evidence(
        slimmed(track),
        replace(series, features=kept, apart=apart),
        findings.phases,
        make_lanes(findings, settings),
    )


def slimmed(track: LandmarkTrack) -> LandmarkTrack:
    """A track with what the stages after the series and the drawing over the picture need.

    Hands keep x and y; a face is two points, the corners of the upright box about it; depth,
    world landmarks, brightness and motion are gone (NaN).
    """
    n = len(track.time)
    seen = track.face_seen & np.isfinite(track.face[:, :, 0]).any(axis=1)
    box = np.full((n, 2, 3), np.nan, dtype=np.float32)
    if seen.any():
        points = track.face[seen, :, :2]
        box[seen, 0, :2], box[seen, 1, :2] = np.nanmin(points, 1), np.nanmax(points, 1)
    return _slim(
        track.time,
        track.hands[..., :2],
        box[..., :2],
        track.face_score,
        track.lower_face,
        track.held,
        track.frame_size_px,
        track.mirrored,
    )


def _slim(
    time: TimeBase,
    hands: NDArray[np.float32],
    corners: NDArray[np.float32],
    face_score: NDArray[np.float32],
    lower_face: NDArray[np.float32],
    held: NDArray[np.bool_],
    frame_size_px: tuple[int, int],
    mirrored: bool,
) -> LandmarkTrack:
    """Shapes: hands (n, 2, 21, 2), corners (n, 2, 2), lower_face (n, 2), the others (n,)."""
    n = len(time)

    def unknown(*shape: int) -> NDArray[np.float32]:
        return np.broadcast_to(np.float32(np.nan), shape)

    def with_depth(points: NDArray[np.float32]) -> NDArray[np.float32]:
        whole = np.full((*points.shape[:-1], 3), np.nan, dtype=np.float32)
        whole[..., :2] = points
        return whole

    seen = np.isfinite(hands[:, :, 0, 0])
    return LandmarkTrack(
        time=time,
        hands=with_depth(hands),
        hands_world=unknown(n, 2, 21, 3),
        hand_score=seen.astype(np.float32),
        face=with_depth(corners),
        face_score=face_score,
        motion=unknown(n, *MOTION_GRID),
        luma=unknown(n),
        frame_size_px=frame_size_px,
        mirrored=mirrored,
        lower_face=lower_face,
        held=held,
    )


# --- the landmarks on the disk -------------------------------------------------------------------


def landmarks_file(folder: Path, sha256: str, mirrored: bool) -> Path | None:
    """The newest readable landmarks of a recording, found by its hash without reading the video."""
    if not sha256 or not folder.is_dir():
        return None
    places = folder.glob(f"{sha256[:16]}-*.npz")
    for place in sorted(places, key=lambda path: path.stat().st_mtime, reverse=True):
        try:
            with place.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
                made_from = json.loads(bytes(archive["meta"]).decode())["made_from"]
                fits = made_from["sha256"] == sha256 and bool(archive["mirrored"]) == mirrored
        except _UNUSABLE as error:
            _log.warning("The landmarks %s cannot be used: %s", place.name, error)
            continue
        if fits:
            return place
    return None


def load_landmarks(folder: Path, sha256: str, mirrored: bool) -> LandmarkTrack | None:
    """The landmarks of a recording, all of them, or None where none can be used."""
    place = landmarks_file(folder, sha256, mirrored)
    return None if place is None else _read_landmarks(place)


def _read_landmarks(place: Path) -> LandmarkTrack | None:
    try:
        with place.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            return unpack_track({name: archive[name] for name in archive.files if name != "meta"})
    except _UNUSABLE as error:
        _log.warning("The landmarks %s cannot be used: %s", place.name, error)
        return None


_UNUSABLE = (OSError, ValueError, KeyError, IndexError, TypeError, EOFError, zipfile.BadZipFile)


# --- prepared, on the disk -----------------------------------------------------------------------


def load_prepared(folder: Path, sha256: str, mirrored: bool, protocol: Protocol) -> Evidence | None:
    """What was prepared for a recording; prepared now, and kept, where it was not.

    None where the landmarks are not kept. The first time for a long recording takes a while.
    """
    landmarks = landmarks_file(folder, sha256, mirrored)
    if landmarks is None:
        return None
    made_from = _made_from(landmarks, protocol)
    found = _load(_place(landmarks), made_from)
    if found is not None:
        return found
    if _samples(landmarks) > LONG_SAMPLES and _prepared_apart(landmarks, protocol):
        found = _load(_place(landmarks), made_from)
        if found is not None:
            return found
    track = _read_landmarks(landmarks)
    return None if track is None else _kept(landmarks, protocol, prepare(track, protocol))


def keep_prepared(folder: Path, reviewed: Reviewed, protocol: Protocol) -> None:
    """Keep what the page will need while all of it is at hand; nothing where no landmarks are.

    Args:
        folder: where the landmarks are kept.
        reviewed: a recording, just analysed.
        protocol: what it was held against.
    """
    track = reviewed.track
    landmarks = landmarks_file(folder, reviewed.analysis.recording.sha256, track.mirrored)
    if landmarks is not None:
        made = prepare(track, protocol, reviewed.evidence, reviewed.findings)
        _kept(landmarks, protocol, made)


def _kept(landmarks: Path, protocol: Protocol, evidence: Evidence) -> Evidence:
    """The same evidence, on the disk if it can be written: the page does without, but slowly."""
    arrays = _packed(evidence)
    meta = json.dumps(_made_from(landmarks, protocol)).encode()
    try:
        with whole_file(_place(landmarks)) as half, half.open("wb") as stream:
            np.savez(stream, made_from=np.frombuffer(meta, dtype=np.uint8), **arrays)
        if not landmarks.exists():  # erased meanwhile: nothing made from them may stay
            _place(landmarks).unlink(missing_ok=True)
    except OSError as error:
        _log.warning("What was prepared of %s cannot be kept (%s).", landmarks.name, error)
    return evidence


def _place(landmarks: Path) -> Path:
    return landmarks.with_suffix(SUFFIX)


def _made_from(landmarks: Path, protocol: Protocol) -> dict[str, Any]:
    """All that a prepared file depends on."""
    content = protocol.model_dump_json().encode()
    return {
        "format": FORMAT,
        "landmarks": landmarks.name,
        "size": landmarks.stat().st_size,
        "protocol": hashlib.sha256(content).hexdigest(),
        "program": _program(),
    }


@cache
def _program() -> str:
    """Hash of the shipped model and of the modules in :data:`MADE_BY`."""
    digest = hashlib.sha256((resources.files("review") / "models" / SHIPPED_MODEL).read_bytes())
    for name in MADE_BY:
        digest.update((Path(__file__).parent / f"{name}.py").read_bytes())
    return digest.hexdigest()


def _samples(landmarks: Path) -> int:
    with landmarks.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
        return int(archive["times_s"].size)


def _load(place: Path, made_from: Mapping[str, Any]) -> Evidence | None:
    """What is kept, or None where nothing is or it was made from something else."""
    if not place.is_file():
        return None
    try:
        with place.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            if json.loads(bytes(archive["made_from"]).decode()) != made_from:
                return None
            return _unpacked({name: archive[name] for name in archive.files})
    except _UNUSABLE as error:
        _log.warning("%s is damaged (%s): preparing it again.", place.name, error)
        return None


# --- packing -------------------------------------------------------------------------------------


def _packed(evidence: Evidence) -> dict[str, Any]:
    track, series = evidence.track, evidence.series
    seen = track.hand_seen
    facts = {
        "frame_size_px": track.frame_size_px,
        "mirrored": track.mirrored,
        "lanes": evidence.lanes.to_json(),
        "phases": [
            [s.interval.start_s, s.interval.end_s, s.phase, s.confidence, s.source]
            for s in evidence.phases
        ],
    }
    return {
        "facts": np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8),
        "times_s": track.time.times_s,
        "end_s": np.array(track.time.end_s),
        "hand_seen": seen,
        "hands": _as_steps(track.hands[seen][..., :2]),
        "face_score": track.face_score,
        "corners": track.face[track.face_seen][..., :2],
        "lower_face": track.lower_face,
        "held": track.held,
        **_named("features", series.features),
        **{
            f"emissions_{name}": getattr(series.emissions, name)
            for name in ("phase_prob", "step_prob", "open_prob", "stroke_rate", "phase_prior")
        },
        **_named("talking", series.mouth.probability),
        "mouth_distance": series.mouth.distance,
        **{f"face_{f.name}": getattr(series.face, f.name) for f in fields(FaceDepths)},
        **({} if series.apart is None else _named("apart", series.apart)),
    }


def _unpacked(arrays: Mapping[str, NDArray[Any]]) -> Evidence:
    facts = json.loads(bytes(arrays["facts"]).decode())
    time = TimeBase(arrays["times_s"], float(arrays["end_s"]))
    n, seen = len(time), arrays["hand_seen"]
    hands = np.full((n, 2, 21, 2), np.nan, dtype=np.float32)
    hands[seen] = _from_steps(arrays["hands"])
    corners = np.full((n, 2, 2), np.nan, dtype=np.float32)
    corners[arrays["face_score"] > 0] = arrays["corners"]
    width, height = facts["frame_size_px"]
    features = _unnamed("features", arrays)
    emissions = Emissions(
        time=features.time,
        **{
            name: arrays[f"emissions_{name}"]
            for name in ("phase_prob", "step_prob", "open_prob", "stroke_rate", "phase_prior")
        },
    )
    phases = tuple(
        Segment(Interval(start, end), Phase(phase), confidence, source)
        for start, end, phase, confidence, source in facts["phases"]
    )
    return Evidence(
        _slim(
            time, hands, corners, arrays["face_score"], arrays["lower_face"], arrays["held"],
            (int(width), int(height)), bool(facts["mirrored"]),
        ),
        pipeline.Evidence(
            features,
            emissions,
            MouthEvidence(_unnamed("talking", arrays), arrays["mouth_distance"]),
            FaceDepths(**{f.name: arrays[f"face_{f.name}"] for f in fields(FaceDepths)}),
            _unnamed("apart", arrays),
        ),
        Timeline(time.extent, phases),
        Lanes.from_json(facts["lanes"]),
    )  # fmt: skip


def _named(prefix: str, track: FeatureTrack) -> dict[str, Any]:
    """A feature track as arrays."""
    names = json.dumps([track.names, track.units]).encode()
    return {
        f"{prefix}_names": np.frombuffer(names, dtype=np.uint8),
        f"{prefix}_times_s": track.time.times_s,
        f"{prefix}_end_s": np.array(track.time.end_s),
        f"{prefix}_values": track.values,
    }


def _unnamed(prefix: str, arrays: Mapping[str, NDArray[Any]]) -> FeatureTrack:
    """The inverse of :func:`_named`."""
    names, units = json.loads(bytes(arrays[f"{prefix}_names"]).decode())
    time = TimeBase(arrays[f"{prefix}_times_s"], float(arrays[f"{prefix}_end_s"]))
    return FeatureTrack(time, tuple(names), tuple(units), arrays[f"{prefix}_values"])


def _as_steps(points: NDArray[np.float32]) -> NDArray[Any]:
    """As the whole steps that landmarks are stored in, where these are exactly such steps."""
    steps = np.clip(np.rint(points.astype(np.float64) * STEPS_PER_WIDTH), -32767, 32767)
    whole = steps.astype(np.int16)
    return whole if np.array_equal(_from_steps(whole), points) else points


def _from_steps(stored: NDArray[Any]) -> NDArray[np.float32]:
    if stored.dtype != np.int16:
        return stored
    return (stored / STEPS_PER_WIDTH).astype(np.float32)


# --- a process of its own ------------------------------------------------------------------------


def _prepared_apart(landmarks: Path, protocol: Protocol) -> bool:
    """Whether another process could prepare it; this one's memory stays as it is."""
    done = subprocess.run(
        [sys.executable, "-m", "review.prepared", str(landmarks)],
        input=protocol.model_dump_json().encode(),
        capture_output=True,
        cwd=Path(__file__).resolve().parent.parent,
        check=False,
    )
    if done.returncode:
        _log.warning("%s: %s", landmarks.name, done.stderr.decode(errors="replace").strip())
    return done.returncode == 0


def main(arguments: list[str]) -> int:
    """``python -m review.prepared LANDMARKS``: prepare them; the protocol on standard input."""
    landmarks = Path(arguments[0])
    protocol = Protocol.model_validate_json(sys.stdin.read())
    track = _read_landmarks(landmarks)
    if track is None:
        raise ReviewError(f"{landmarks}: these landmarks cannot be used; analyse it again.")
    _kept(landmarks, protocol, prepare(track, protocol))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
