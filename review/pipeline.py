"""The one place that joins the stages: video, landmarks, features, phases, measures, flags.

Everything after the landmarks is cheap and repeatable: :func:`review_track` needs no video,
and takes what a person corrected (phases, open-line windows) as input to the later stages.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from review.analysis import (
    Analysis,
    HandRub,
    MeasureRecord,
    OpenLine,
    PhaseRecord,
    ProtocolUsed,
    Recording,
    Sampling,
    Timing,
    WashSurface,
)
from review.cache import load_or_track
from review.emissions import (
    PHASES,
    STILL_ODDS,
    WAITING_ODDS,
    EmissionModel,
    Emissions,
    load_model,
)
from review.features import compute_features, hands_about, nobody_works
from review.flags import Findings, find_flags
from review.handevents import hand_events
from review.handgrid import typical_hand_width
from review.landmarks import Sampling as LandmarkSampling
from review.mask import judge_mask
from review.measures import Measurement, Result
from review.openline import (
    MouthEvidence,
    OpenLineWindow,
    mouth_evidence,
    open_line_windows,
    review_open_line,
)
from review.order import order_report
from review.phases import find_phases
from review.protocol import Protocol
from review.refitapply import adjusted, for_decoding
from review.rubbing import surface_odds
from review.sound import heard_voice
from review.surface import measure_wiping, wiping_spans
from review.surfacemap import work_surface
from review.talking import talking_spans
from review.timeline import Phase, Timeline
from review.touching import FaceDepths, face_depths, hand_to_face, left_clean_field
from review.tracks import FeatureTrack, LandmarkTrack
from review.video import VideoInfo, file_sha256
from review.waiting import hand_motion, measure_waits
from review.washing import SurfaceRubbing, WashFindings, measure_hygiene


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a person set, replacing the machine's own answer for later stages.

    Attributes:
        phases: the whole timeline, or None to use the machine's.
        windows: the open-line windows, or None.
        area: shape (4, 2), corners of the work area in picture widths of the unmirrored picture,
            in order around it, or None.
    """

    phases: Timeline | None = None
    windows: tuple[OpenLineWindow, ...] | None = None
    area: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What follows from a recording and the unit's settings, before any phase or correction.

    Attributes:
        features, emissions: on one grid.
        mouth: talking, and how far the mouth is from the hands.
        face: how deep the hands lie in the face's outline.
        apart: how far the hands are apart (see :func:`review.openline.hands_apart`); None to
            work it out only where the open line asks for it.
    """

    features: FeatureTrack
    emissions: Emissions
    mouth: MouthEvidence
    face: FaceDepths
    apart: FeatureTrack | None = None


Found = TypeVar("Found")


class Memory:
    """The newest results of stages that many corrections leave as they are.

    A moved edge of the open line changes no phase, and nothing but the open line rests on it; a
    moved phase seldom changes where was wiped. Results are kept by what they rest on, so that
    remembering changes nothing but the time.
    """

    KEPT: Final = 4

    def __init__(self) -> None:
        self._kept: dict[str, dict[Hashable, Any]] = {}

    def recall(self, stage: str, key: Hashable, make: Callable[[], Found]) -> Found:
        """What a stage gave for ``key``, else what ``make`` gives."""
        kept = self._kept.setdefault(stage, {})
        made: Found = kept.pop(key) if key in kept else make()
        kept[key] = made
        while len(kept) > self.KEPT:
            del kept[next(iter(kept))]
        return made


@dataclass(frozen=True, slots=True)
class Reviewed:
    """An analysis together with the series behind it, for evaluation and for the pages.

    Attributes:
        analysis: the document.
        findings: records of every stage.
        talking: probability of talking over time, NaN where it cannot be told.
        track, evidence: what it was made from.
    """

    analysis: Analysis
    findings: Findings
    talking: FeatureTrack
    track: LandmarkTrack
    evidence: Evidence


def evidence_of(
    track: LandmarkTrack,
    protocol: Protocol,
    model: EmissionModel | None = None,
    voice: FeatureTrack | None = None,
) -> Evidence:
    """The slow part of what follows the landmarks; no correction changes it.

    Args:
        track: landmarks of one recording.
        protocol: the unit's settings.
        model: the emission model; default the shipped one.
        voice: what the sound says (see :mod:`review.voice`), where it may be used.
    """
    features = compute_features(track)
    settings = protocol.detection.open_line
    unit = protocol.detection.unit
    return Evidence(
        features,
        adjusted((model or load_model()).score(features), unit.phases if unit else None),
        mouth_evidence(track, settings, voice),
        face_depths(track, settings),
    )


def phases_of(features: FeatureTrack, emissions: Emissions, protocol: Protocol) -> Timeline:
    """The phases, from what each moment looks like and from where hands are known to rest."""
    unit = protocol.detection.unit
    own = unit.phases if unit else None
    likelihood = emissions.phase_log_likelihood(
        hands_about(features),
        nobody_works(features),
        features.column("held") > 0,
        own.still_odds if own else STILL_ODDS,
        own.waiting_odds if own else WAITING_ODDS,
    )
    return find_phases(likelihood, PHASES, emissions.time, for_decoding(protocol))


def review_track(
    track: LandmarkTrack,
    protocol: Protocol,
    *,
    model: EmissionModel | None = None,
    corrections: Corrections | None = None,
    evidence: Evidence | None = None,
    memory: Memory | None = None,
) -> Findings:
    """All stages after the landmarks.

    Args:
        track: landmarks of one recording.
        protocol: the unit's procedure and settings.
        model: the emission model; default the shipped one.
        corrections: what a person set.
        evidence: of this track, where it is known already (as after a correction).
        memory: of earlier calls with the same track, evidence and protocol; what rests on
            nothing that has changed since is taken from it.
    """
    detection, corrected = protocol.detection, corrections or Corrections()
    evidence = evidence or evidence_of(track, protocol, model)
    features, emissions = evidence.features, evidence.emissions
    phases = corrected.phases or phases_of(features, emissions, protocol)
    windows = (
        open_line_windows(phases, track, detection.open_line, emissions, evidence.apart)
        if corrected.windows is None
        else corrected.windows
    )
    recall = (memory or Memory()).recall
    contacts = recall(
        "contacts",
        phases,
        lambda: hand_to_face(track, phases, detection.open_line, evidence.face),
    )
    return Findings(
        phases=phases,
        order=order_report(phases, protocol),
        emissions=emissions,
        features=features,
        hygiene=recall(
            "hygiene",
            phases,
            lambda: measure_hygiene(
                phases,
                emissions,
                features,
                detection.wash,
                recall("odds", None, lambda: surface_odds(emissions, features, detection.wash)),
            ),
        ),
        wiping=recall(
            "wiping",
            (wiping_spans(phases, emissions, detection.surface), _hashable(corrected.area)),
            lambda: measure_wiping(
                phases, track, detection.surface, corrected.area, evidence=emissions
            ),
        ),
        open_line=review_open_line(
            windows,
            track,
            detection.open_line,
            recall("mask", None, lambda: judge_mask(track.lower_face, detection.open_line)),
            evidence.mouth,
            recall(
                "spoken",
                None,
                lambda: talking_spans(evidence.mouth.probability, detection.open_line),
            ),
        ),
        contacts=contacts,
        exits=recall(
            "exits",
            phases,
            lambda: left_clean_field(
                track,
                phases,
                detection.open_line,
                contacts,
                recall("width", None, lambda: typical_hand_width(track.hands)),
            ),
        ),
        waits=recall(
            "waits",
            tuple(s.interval for s in phases.of(Phase.WAITING)),
            lambda: measure_waits(
                phases,
                features,
                detection.waits,
                recall("motion", None, lambda: hand_motion(features)),
            ),
        ),
    )


def _hashable(area: NDArray[np.float64] | None) -> bytes | None:
    return None if area is None else area.tobytes()


def measurements(findings: Findings) -> tuple[Measurement, ...]:
    """Every measurement, in the order in which the exchange goes."""
    return (
        *findings.hygiene.measurements,
        *findings.wiping.measurements,
        *findings.open_line.measurements,
        *findings.waits,
    )


def build_analysis(
    findings: Findings,
    protocol: Protocol,
    recording: Recording,
    *,
    sampling: Sampling | None = None,
    warnings: Sequence[str] = (),
    timing: Timing | None = None,
) -> Analysis:
    """Put the findings into the document."""
    return Analysis(
        recording=recording,
        sampling=sampling,
        protocol=ProtocolUsed.of(protocol),
        phases=tuple(PhaseRecord.of(segment) for segment in findings.phases),
        open_line=tuple(_open_line(window) for window in findings.open_line.windows),
        measures=tuple(
            MeasureRecord.of(measurement, protocol.target(measurement.name))
            for measurement in measurements(findings)
        ),
        wash_surfaces=tuple(_wash_surface(record) for record in findings.hygiene.surfaces),
        hand_rubs=_hand_rubs(findings.hygiene),
        hand_events=hand_events(findings.contacts, findings.exits),
        work_surface=work_surface(findings.wiping),
        flags=find_flags(findings, protocol),
        warnings=tuple(warnings),
        timing=timing or Timing(),
    )


def _open_line(window: OpenLineWindow) -> OpenLine:
    return OpenLine.model_validate(
        {
            "phase": window.phase,
            "start_s": max(window.interval.start_s, 0.0),
            "end_s": window.interval.end_s,
            "uncertainty_s": window.uncertainty_s,
            "basis": window.basis,
        }
    )


def _hand_rubs(hygiene: WashFindings) -> tuple[HandRub, ...]:
    return tuple(
        HandRub.model_validate(
            {
                "before": before,
                "start_s": max(rub.interval.start_s, 0.0),
                "end_s": rub.interval.end_s,
                "surfaces": tuple(_wash_surface(record) for record in surfaces),
            }
        )
        for (before, rub), surfaces in zip(hygiene.rubs, hygiene.rub_surfaces, strict=True)
        if rub is not None
    )


def _wash_surface(record: SurfaceRubbing) -> WashSurface:
    unknown = record.result is Result.NOT_ASSESSABLE
    return WashSurface(
        surface=record.surface,
        seconds=None if unknown else record.seconds,
        strokes=None if unknown else record.strokes,
        rounds=None if unknown else record.rounds,
        result=record.result,
        first_s=record.spans[0].start_s if record.spans else None,
        last_s=record.spans[-1].end_s if record.spans else None,
    )


def recording_of(info: VideoInfo, mirrored: bool, sha256: str) -> Recording:
    """What the document says about the file; the folder it lies in is nobody's business."""
    return Recording(
        file=info.path.name,
        sha256=sha256,
        duration_s=info.duration_s,
        fps=info.fps if math.isfinite(info.fps) else 0.0,
        width=info.width,
        height=info.height,
        mirrored=mirrored,
    )


def review_recording(
    path: Path,
    protocol: Protocol,
    *,
    sampling: LandmarkSampling | None = None,
    cache_dir: Path | None = None,
    use_cache: bool = True,
    progress: Callable[[float], None] | None = None,
    model: EmissionModel | None = None,
    sound: bool = False,
) -> Reviewed:
    """From a recording to its analysis, with the series behind it.

    Args:
        path: the recording.
        protocol: the unit's procedure.
        sampling: which frames to look at, and whether the picture is a mirror one.
        cache_dir: where landmarks are kept; default the user's cache folder.
        use_cache: False keeps nothing and tracks anew.
        progress: told the share done, 0..1; 1 before the sound is read, so that whoever is told
            can still stop it.
        model: the emission model; default the shipped one.
        sound: whether the person's consent allows the sound to be used. It may make talking
            more or less probable and never finds any by itself.

    Raises:
        VideoError: if the recording cannot be read.
    """
    sampling = sampling or LandmarkSampling()
    sha256 = file_sha256(path)
    track, info, timing = load_or_track(
        path, sampling, cache_dir, progress, use_cache=use_cache, sha256=sha256
    )
    if sound and progress is not None:
        progress(1.0)
    voice = heard_voice(path, float(track.time.end_s)) if sound else None
    evidence = evidence_of(track, protocol, model, voice)
    findings = review_track(track, protocol, evidence=evidence)
    analysis = build_analysis(
        findings,
        protocol,
        recording_of(info, sampling.mirrored, sha256),
        sampling=Sampling(fps=sampling.fps, sound=voice is not None),
        warnings=info.warnings,
        timing=Timing(
            analysed_s=timing.analysed_s,
            frames_decoded=timing.frames_decoded,
            frames_tracked=timing.frames_tracked,
        ),
    )
    return Reviewed(analysis, findings, findings.open_line.probability, track, evidence)


def analyse_recording(
    path: Path,
    protocol: Protocol,
    *,
    sampling: LandmarkSampling | None = None,
    cache_dir: Path | None = None,
    use_cache: bool = True,
    progress: Callable[[float], None] | None = None,
    sound: bool = False,
) -> Analysis:
    """From a recording to its analysis; see :func:`review_recording`."""
    return review_recording(
        path,
        protocol,
        sampling=sampling,
        cache_dir=cache_dir,
        use_cache=use_cache,
        progress=progress,
        sound=sound,
    ).analysis
