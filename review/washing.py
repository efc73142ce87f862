"""Hand hygiene: how long the hands rubbed, and which surfaces, in a wash or a hand rub.

Two durations that must never be mixed: the whole wash runs from the first to the last of
it (wetting, soap, rinsing and drying included; WHO 2009 speaks of this one), the rubbing
time is the sum of the rubbing alone (CDC 2002 speaks of this one).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from review.emissions import SURFACES, Emissions
from review.features import hands_seen
from review.measures import Measurement, Result
from review.rubbing import SurfaceCourse, SurfaceOdds, surface_course, surface_runs
from review.settings import WashDetection
from review.timeline import Interval, Phase, Segment, Surface, Timeline, merge_intervals, total_s
from review.tracks import FeatureTrack


@dataclass(frozen=True, slots=True)
class SurfaceRubbing:
    """One hand surface over a whole wash.

    Attributes:
        surface: which one; left and right are the subject's own.
        seconds: rubbing time, pauses out.
        strokes: to-and-fro movements (or turns), estimated from the rhythm.
        rounds: separate visits of at least ``strokes_per_round`` strokes.
        spans: where, in order.
        result: whether the surface was rubbed for long enough to count.
    """

    surface: Surface
    seconds: float
    strokes: int
    rounds: int
    spans: tuple[Interval, ...]
    result: Result


@dataclass(frozen=True, slots=True)
class WashFindings:
    """Everything measured about hand hygiene.

    Attributes:
        measurements: ``wash.*`` and ``rub.*``.
        surfaces: nine records in the order of :class:`Surface`; empty without a wash.
        wash: the wash that was measured, or None.
        rubs: phase each hand rub came before, and the rub; None where none was found.
        rub_surfaces: the same nine records for each of ``rubs``; empty without one.
        course: which surface is rubbed at every moment.
    """

    measurements: tuple[Measurement, ...]
    surfaces: tuple[SurfaceRubbing, ...]
    wash: Segment | None
    rubs: tuple[tuple[Phase, Segment | None], ...]
    rub_surfaces: tuple[tuple[SurfaceRubbing, ...], ...]
    course: SurfaceCourse


def seen_fraction(features: FeatureTrack, spans: tuple[Interval, ...]) -> float:
    """Share of ``spans`` in which a hand was tracked; 0 without spans."""
    inside = features.time.inside_any(spans)
    return float(hands_seen(features)[inside].mean()) if inside.any() else 0.0


def hands_seen_share(features: FeatureTrack, span: Interval) -> float:
    """Share of ``span`` for which each hand was tracked, both averaged; 0 for an empty span."""
    inside = features.time.inside(span)
    if not inside.any():
        return 0.0
    seen = [features.column(f"{hand}_seen")[inside] > 0 for hand in ("left", "right")]
    return float(np.mean(seen))


def strokes_in(course: SurfaceCourse, spans: tuple[Interval, ...]) -> tuple[float, ...]:
    """Strokes to and fro in each span: the stroke rate summed over its time."""
    rate, widths = course.stroke_rate, course.time.widths_s
    inside = (course.time.inside(span) for span in spans)
    return tuple(float((rate[mask] * widths[mask]).sum()) for mask in inside)


def measure_surfaces(
    course: SurfaceCourse, features: FeatureTrack, span: Interval, settings: WashDetection
) -> tuple[SurfaceRubbing, ...]:
    """Seconds, strokes and rounds of each of the nine surfaces inside one wash.

    A surface is ``met`` when it was rubbed for ``min_surface_s``; ``not_assessable`` when
    the hands were seen too little (for a surface not found: less than ``min_seen_for_missed``),
    when they were hidden for so long that it may have been rubbed meanwhile, or when more than
    ``max_doubt_s`` of what was seen may have been this surface; otherwise ``not_met``.
    """
    runs = surface_runs(course, span, settings)
    seen = seen_fraction(features, (span,))
    hidden_s = course.hidden_s(span)
    # Expected seconds weigh each moment by its probability: what may have been missed.
    weight = np.where(course.time.inside(span), course.time.widths_s, 0.0)
    expected = weight @ course.probability
    records = []
    for index, name in enumerate(SURFACES):
        spans = tuple(found for surface, found in runs if surface == name)
        seconds = float(total_s(spans))
        counts = strokes_in(course, spans)
        if seen < settings.min_seen_fraction:
            result = Result.NOT_ASSESSABLE
        elif seconds >= settings.min_surface_s:
            result = Result.MET
        elif (
            seen < settings.min_seen_for_missed
            or seconds + hidden_s >= settings.min_surface_s
            or expected[index] >= settings.max_doubt_s
        ):
            result = Result.NOT_ASSESSABLE
        else:
            result = Result.NOT_MET
        records.append(
            SurfaceRubbing(
                surface=Surface(name),
                seconds=seconds,
                strokes=round(sum(counts)),
                # Half a stroke of grace: the rhythm is read to a few per cent only.
                rounds=sum(count >= settings.strokes_per_round - 0.5 for count in counts),
                spans=spans,
                result=result,
            )
        )
    return tuple(records)


def rubbing_spans(
    course: SurfaceCourse, span: Interval, settings: WashDetection
) -> tuple[Interval, ...]:
    """Where the hands rub inside ``span``; breaks up to ``pause_gap_s`` are no pause."""
    return merge_intervals(
        (found for _, found in surface_runs(course, span, settings)), settings.pause_gap_s
    )


def _wash_measurements(
    course: SurfaceCourse,
    features: FeatureTrack,
    wash: Segment | None,
    surfaces: tuple[SurfaceRubbing, ...],
    settings: WashDetection,
) -> tuple[Measurement, ...]:
    if wash is None:
        why = "No wash was found in this recording."
        return (
            Measurement("wash.whole_time", None, "s", seen_fraction=0.0, why=why),
            Measurement("wash.rubbing_time", None, "s", seen_fraction=0.0, why=why),
            Measurement("wash.surfaces_rubbed", None, "surfaces", seen_fraction=0.0, why=why),
        )
    seen = seen_fraction(features, (wash.interval,))
    rubbing = rubbing_spans(course, wash.interval, settings)
    hidden_s = course.hidden_s(wash.interval)
    hidden_share = hidden_s / wash.interval.duration_s
    if min(seen, 1.0 - hidden_share) < settings.min_seen_fraction:
        why = "The hands were hidden for most of the wash."
        return tuple(
            Measurement(name, None, unit, (wash.interval,), seen, why)
            for name, unit in (
                ("wash.whole_time", "s"),
                ("wash.rubbing_time", "s"),
                ("wash.surfaces_rubbed", "surfaces"),
            )
        )
    unclear = sum(record.result is Result.NOT_ASSESSABLE for record in surfaces)
    count = sum(record.result is Result.MET for record in surfaces)
    return (
        Measurement("wash.whole_time", wash.interval.duration_s, "s", (wash.interval,), seen),
        Measurement(
            "wash.rubbing_time",
            float(total_s(rubbing)),
            "s",
            rubbing,
            seen,
            f"The hands were hidden for {hidden_s:.0f} s; rubbing then is not counted."
            if hidden_s >= settings.min_surface_s
            else "",
        ),
        Measurement(
            "wash.surfaces_rubbed",
            # With a surface in doubt the count is only a lower bound, so it is not given.
            None if unclear and count + unclear >= len(SURFACES) else float(count),
            "surfaces",
            tuple(span for record in surfaces for span in record.spans),
            seen,
            f"{unclear} surfaces could not be told." if unclear else "",
        ),
    )


def rub_before(phases: Timeline, target: Segment) -> tuple[Segment | None, Interval | None]:
    """The hand rub that counts for ``target``, and the span in which it should lie.

    That span runs from the end of the last phase in which something was touched (any
    phase but a rub or ``other``) to the start of ``target``; None where it is empty.
    """
    touching = (Phase.WASH, Phase.SURFACE_PREP, Phase.CONNECT, Phase.WAITING, Phase.DISCONNECT)
    before = [s for s in phases if s.interval.end_s <= target.interval.start_s]
    last_touch = max(
        (s.interval.end_s for s in before if s.phase in touching), default=phases.extent.start_s
    )
    rubs = [s for s in before if s.phase is Phase.HAND_RUB and s.interval.start_s >= last_touch]
    gap = (
        Interval(last_touch, target.interval.start_s)
        if last_touch < target.interval.start_s
        else None
    )
    return (max(rubs, key=lambda s: s.interval.duration_s) if rubs else None), gap


def _rub_measurement(
    name: str,
    target_phase: Phase,
    phases: Timeline,
    features: FeatureTrack,
    settings: WashDetection,
) -> tuple[Measurement, Segment | None]:
    targets = phases.of(target_phase)
    if not targets:
        why = f"No {target_phase.value} was found, so no rub before it can be judged."
        return Measurement(name, None, "s", seen_fraction=0.0, why=why), None
    rub, gap = rub_before(phases, targets[0])
    if rub is not None:
        seen = seen_fraction(features, (rub.interval,))
        if seen < settings.min_seen_fraction:
            why = "The hands were out of view for most of the rub."
            return Measurement(name, None, "s", (rub.interval,), seen, why), rub
        return Measurement(name, rub.interval.duration_s, "s", (rub.interval,), seen), rub
    if gap is None:
        return Measurement(name, 0.0, "s", (), 1.0, "Nothing lies between the two phases."), None
    seen = seen_fraction(features, (gap,))
    # A short hand-over is too little time to hide a rub, seen or not.
    if gap.duration_s >= settings.min_surface_s and seen < settings.min_seen_fraction:
        why = "The hands were out of view where the rub should be."
        return Measurement(name, None, "s", (gap,), seen, why), None
    return Measurement(name, 0.0, "s", (gap,), max(seen, settings.min_seen_fraction)), None


def _rub_to_line(
    name: str, target_phase: Phase, phases: Timeline, rub: Segment | None
) -> Measurement:
    """Seconds from the end of the rub to the first handling of the line."""
    targets = phases.of(target_phase)
    if not targets or rub is None:
        why = "There is no hand rub with a line phase after it."
        return Measurement(name, None, "s", seen_fraction=0.0, why=why)
    start, end = rub.interval.end_s, targets[0].interval.start_s
    spans = (Interval(start, end),) if start < end else ()
    return Measurement(name, max(end - start, 0.0), "s", spans)


def measure_hygiene(
    phases: Timeline,
    emissions: Emissions,
    features: FeatureTrack,
    settings: WashDetection,
    odds: SurfaceOdds | None = None,
) -> WashFindings:
    """All wash and rub measurements of a recording.

    Args:
        phases: the decoded (or corrected) phases.
        emissions: step probabilities.
        features: on the same grid as ``emissions``.
        settings: ``[detection.wash]`` of the protocol.
        odds: see :func:`review.rubbing.surface_course`.

    Returns:
        Findings about the longest wash and the rubs before the first connect and the first
        disconnect.
    """
    course = surface_course(emissions, features, phases, settings, odds)
    washes = phases.of(Phase.WASH)
    wash = max(washes, key=lambda segment: segment.interval.duration_s) if washes else None

    def surfaces_of(segment: Segment | None) -> tuple[SurfaceRubbing, ...]:
        if segment is None:
            return ()
        return measure_surfaces(course, features, segment.interval, settings)

    surfaces = surfaces_of(wash)
    connect, connect_rub = _rub_measurement(
        "rub.before_connect", Phase.CONNECT, phases, features, settings
    )
    disconnect, disconnect_rub = _rub_measurement(
        "rub.before_disconnect", Phase.DISCONNECT, phases, features, settings
    )
    return WashFindings(
        measurements=(
            *_wash_measurements(course, features, wash, surfaces, settings),
            connect,
            disconnect,
            _rub_to_line("rub.to_connect", Phase.CONNECT, phases, connect_rub),
            _rub_to_line("rub.to_disconnect", Phase.DISCONNECT, phases, disconnect_rub),
        ),
        surfaces=surfaces,
        wash=wash,
        rubs=((Phase.CONNECT, connect_rub), (Phase.DISCONNECT, disconnect_rub)),
        rub_surfaces=(surfaces_of(connect_rub), surfaces_of(disconnect_rub)),
        course=course,
    )
