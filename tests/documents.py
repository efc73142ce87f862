"""Invented analyses for tests; nobody was filmed."""

from __future__ import annotations

from review.analysis import (
    Analysis,
    Flag,
    MeasureRecord,
    OpenLine,
    PhaseRecord,
    ProtocolUsed,
    Recording,
    Sampling,
    Timing,
    WashSurface,
)
from review.measures import MEASURES, Measurement
from review.protocol import load_protocol
from review.timeline import Interval, Surface

PHASES = (
    ("wash", 0.0, 32.0),
    ("surface_prep", 35.0, 50.0),
    ("hand_rub", 50.0, 62.0),
    ("connect", 63.0, 80.0),
    ("waiting", 80.0, 110.0),
    ("hand_rub", 110.0, 131.0),
    ("disconnect", 131.0, 150.0),
)


def example_analysis() -> Analysis:
    """A practice session of 152 s with a 32 s wash (asked: 40 s) and 3.2 s of talking."""
    protocol = load_protocol("practice")

    def record(
        name: str, value: float | None, spans: tuple[Interval, ...] = (), why: str = ""
    ) -> MeasureRecord:
        measurement = Measurement(name, value, MEASURES[name][0], spans, why=why)
        return MeasureRecord.of(measurement, protocol.target(name))

    return Analysis(
        recording=Recording(
            file="invented <practice>.mp4",
            sha256="0" * 64,
            duration_s=152.25,
            fps=29.97,
            width=1280,
            height=720,
        ),
        sampling=Sampling(fps=15.0),
        protocol=ProtocolUsed.of(protocol),
        phases=tuple(
            PhaseRecord.model_validate(
                {"phase": phase, "start_s": start, "end_s": end, "confidence": 0.9}
            )
            for phase, start, end in PHASES
        ),
        open_line=(OpenLine.model_validate({"phase": "connect", "start_s": 66, "end_s": 75}),),
        measures=(
            record("wash.whole_time", 32.0, (Interval(0.0, 32.0),)),
            record("wash.rubbing_time", 16.5, (Interval(4.0, 20.5),)),
            record("open_line.talking_time", 3.2, (Interval(68.0, 71.2),)),
            record("open_line.mask_seen", None, why="The face was out of view."),
            record("wait.drain", 10.0, (Interval(80.0, 90.0),)),
        ),
        wash_surfaces=tuple(_surface(surface) for surface in Surface),
        flags=(
            _flag("wash_short", 0.0, 32.0, "note", "The wash took 32 s; 40 s are asked for."),
            _flag("talking_near_open_line", 68.0, 71.2, "look", "The mouth moved for 3.2 s."),
            _flag("not_seen", 90.0, 99.0, "cannot_tell", "No hand was in view for 9 s."),
        ),
        timing=Timing(analysed_s=12.5, frames_decoded=4560, frames_tracked=2280),
    )


def _surface(surface: Surface) -> WashSurface:
    if surface is Surface.PALMS:
        content = {"seconds": None, "strokes": None, "rounds": None, "result": "not_assessable"}
    else:
        content = {"seconds": 2.5, "strokes": 6, "rounds": 1, "result": "met"}
    return WashSurface.model_validate({"surface": surface, **content})


def _flag(kind: str, start_s: float, end_s: float, level: str, message: str) -> Flag:
    return Flag.model_validate(
        {
            "kind": kind,
            "start_s": start_s,
            "end_s": end_s,
            "level": level,
            "confidence": 0.8,
            "message": message,
        }
    )
