"""The analysis document: everything found in one recording, as plain records.

The document is JSON with a versioned schema. It holds nothing that changes from run to run
apart from ``timing``, so two analyses of one recording can be compared with
:meth:`Analysis.without_timing`. Times are seconds from the first frame, spans are
half-open; times are kept to the millisecond, other numbers to four decimals.
"""

from __future__ import annotations

import json
from enum import StrEnum
from importlib import metadata
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from review.errors import AnalysisError
from review.measures import Measurement, Result, Target, explain, judge
from review.protocol import Protocol
from review.timeline import Interval, Phase, Segment, Surface, Timeline
from review.wholefile import whole_file

SCHEMA: Final = "exchange-review.analysis/1"
"""Name and version of the document; a change that breaks readers raises the number."""

CAUTIONS: tuple[str, ...] = (
    "A training aid for qualified staff. It does not diagnose, does not judge that a patient "
    "is safe and does not replace watching the person; the nurse decides.",
    "Your unit's own protocol and its licensed staff come first, before anything shown here.",
    "After a possible touch of an open end: stop, close the line, do not run fluid in, and "
    "call the unit.",
    "A camera cannot see germs, water, soap, dryness or a touch hidden by a hand. 'Not "
    "assessable' means just that: it is neither good nor bad.",
)
"""Said with every analysis, in the document, the summary and the pages."""


class FlagKind(StrEnum):
    """What a flagged moment is about."""

    TALKING_NEAR_OPEN_LINE = "talking_near_open_line"
    HAND_TO_FACE = "hand_to_face"
    LEFT_CLEAN_FIELD = "left_clean_field"
    HAND_RUB_MISSING = "hand_rub_missing"
    HAND_RUB_SHORT = "hand_rub_short"
    WASH_SHORT = "wash_short"
    WASH_SURFACE_MISSED = "wash_surface_missed"
    SURFACE_REWIPED = "surface_rewiped"
    SURFACE_AREA_MISSED = "surface_area_missed"
    PHASE_MISSING = "phase_missing"
    PHASE_OUT_OF_ORDER = "phase_out_of_order"
    WAIT_SHORT = "wait_short"
    MASK_MISSING = "mask_missing"
    NOT_SEEN = "not_seen"


class FlagLevel(StrEnum):
    """How much a flagged moment asks of the nurse."""

    LOOK = "look"
    NOTE = "note"
    CANNOT_TELL = "cannot_tell"


def _milliseconds(value: float) -> float:
    return round(value, 3)


def _four_decimals(value: float) -> float:
    return round(value, 4)


TimeS = Annotated[float, Field(ge=0.0), AfterValidator(_milliseconds)]
Number = Annotated[float, AfterValidator(_four_decimals)]
Share = Annotated[float, Field(ge=0.0, le=1.0), AfterValidator(_four_decimals)]
Span = tuple[TimeS, TimeS]


class _Record(BaseModel):
    """Frozen and finite. Keys of later releases of the same schema are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class _Spanned(_Record):
    start_s: TimeS
    end_s: TimeS

    @model_validator(mode="after")
    def _ends_after_start(self) -> Self:
        if self.end_s < self.start_s:
            raise ValueError(f"ends ({self.end_s} s) before it starts ({self.start_s} s)")
        return self


class Recording(_Record):
    """The file that was analysed. ``width`` and ``height`` are pixels after rotation."""

    file: str = Field(description="Name of the file, without its folder.")
    sha256: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""
    duration_s: TimeS
    fps: Annotated[Number, Field(ge=0.0)] | None = Field(
        None, description="Mean frames a second; None where the file gives no way to tell."
    )
    width: Annotated[int, Field(ge=0)]
    height: Annotated[int, Field(ge=0)]
    mirrored: bool = Field(
        False, description="Whether the recording was taken as a mirror picture."
    )


class ProtocolUsed(_Record):
    """The protocol the recording was held against, kept whole so that the answer stands alone."""

    name: str
    version: str
    content: dict[str, Any] = Field(
        default_factory=dict, description="The protocol file's content, settings included."
    )

    @classmethod
    def of(cls, protocol: Protocol) -> Self:
        """Record the protocol used, and in its version the unit's own values, if some were."""
        unit = protocol.detection.unit
        return cls(
            name=protocol.name,
            version=f"{protocol.version}, unit values {unit.version}" if unit else protocol.version,
            content=protocol.model_dump(mode="json", exclude_none=True),
        )


class PhaseRecord(_Spanned):
    """One phase found."""

    phase: Phase
    confidence: Share

    @classmethod
    def of(cls, segment: Segment) -> Self:
        """Record one segment of a timeline."""
        return cls(
            phase=segment.phase,
            start_s=segment.interval.start_s,
            end_s=segment.interval.end_s,
            confidence=segment.confidence,
        )


class MeasureRecord(_Record):
    """One number, its target and the answer."""

    name: str
    value: Number | None
    unit: str
    target: str = Field("", description="The target in words; empty where none is set.")
    source: str = Field("", description="Who asks for it.")
    result: Result
    spans: tuple[Span, ...] = ()
    seen_fraction: Share = 1.0
    why: str = ""

    @model_validator(mode="after")
    def _no_value_no_verdict(self) -> Self:
        if self.value is None and self.result is not Result.NOT_ASSESSABLE:
            raise ValueError("a measure without a value must be not_assessable")
        return self

    @classmethod
    def of(cls, measurement: Measurement, target: Target | None) -> Self:
        """Judge a measurement against its target and record both."""
        return cls(
            name=measurement.name,
            value=measurement.value,
            unit=measurement.unit,
            target=target.text if target else "",
            source=target.source if target else "",
            result=judge(measurement, target),
            spans=tuple((span.start_s, span.end_s) for span in measurement.spans),
            seen_fraction=measurement.seen_fraction,
            why=explain(measurement, target),
        )


class WashSurface(_Record):
    """How one hand surface was rubbed in the wash.

    ``first_s`` and ``last_s`` say when rubbing of it was first and last seen; ``seconds``,
    ``strokes`` and ``rounds`` are None where the camera could not tell.
    """

    surface: Surface
    seconds: Annotated[Number, Field(ge=0.0)] | None
    strokes: Annotated[int, Field(ge=0)] | None
    rounds: Annotated[int, Field(ge=0)] | None
    result: Result
    first_s: TimeS | None = None
    last_s: TimeS | None = None


class HandRub(_Spanned):
    """The hand rub that counts for connect or disconnect, surface by surface."""

    before: Literal[Phase.CONNECT, Phase.DISCONNECT]
    surfaces: tuple[WashSurface, ...] = ()


class OpenLine(_Spanned):
    """A span in which the line was taken to be open, inside the named phase."""

    phase: Literal[Phase.CONNECT, Phase.DISCONNECT]
    uncertainty_s: TimeS | None = Field(
        None, description="How far either edge may be off (about one standard deviation)."
    )
    basis: str = Field("", description="What the estimate rests on: hands, model, phase, person.")


class HandEvent(_Spanned):
    """A hand where clean hands do not belong, whether or not it was flagged."""

    what: Literal["at_face", "left_field"]
    hand: Literal["left", "right"] = Field(description="The person's own.")
    rubbed_after: bool = Field(
        description="Whether a new rub or wash was seen before the line was handled next."
    )
    seen_fraction: Share = Field(
        description="At the face: share of the span in which the hand was tracked; away from the "
        "field: of the whole time watched."
    )
    distance: Number = Field(
        description="Hand widths: how deep inside the face's outline, or how far beyond the field."
    )
    confidence: Share | None = Field(None, description="Of a touch; None where it is not judged.")
    out_of_view: bool = Field(False, description="Whether the hand left the picture meanwhile.")


class WorkSurface(_Record):
    """Where the work surface was wiped, to be drawn over a picture of the recording.

    A grid of square cells; lengths and places are in picture widths from the top left of the
    unmirrored picture.
    """

    left: Number = Field(description="Left edge of the first column.")
    top: Number = Field(description="Upper edge of the first row.")
    cell: Annotated[float, Field(gt=0.0)] = Field(description="Side of a cell.")
    rows: tuple[Annotated[str, Field(pattern=r"^[.owav]*$")], ...] = Field(
        description="One letter a cell: '.' outside, 'o' work area not wiped, 'w' wiped, 'a' gone "
        "over again, 'v' wiped outside the work area."
    )
    corners: tuple[tuple[Number, Number], ...] | None = Field(
        None, description="The work area where a person drew it; else it is what was wiped."
    )
    path: tuple[tuple[tuple[TimeS, Number, Number], ...], ...] = Field(
        (), description="The wiping hand's way, in pieces without gaps: time, x, y."
    )
    reversals: Annotated[int, Field(ge=0)] | None = Field(
        None, description="Changes of direction along the strokes."
    )


class Flag(_Spanned):
    """A moment for the nurse to look at. ``message`` is one plain sentence with the reason."""

    kind: FlagKind
    level: FlagLevel
    confidence: Share
    message: Annotated[str, Field(min_length=1)]
    measure: str = Field("", description="The measure it rests on; empty where there is none.")
    doubt: str = Field("", description="One plain sentence: why it might be wrong.")
    shown_start_s: TimeS | None = Field(
        None, description="Start of the three seconds that show it best."
    )
    shown_end_s: TimeS | None = None

    @property
    def shown(self) -> Interval | None:
        """The three seconds that show it best, or None where they were not chosen."""
        if self.shown_start_s is None or self.shown_end_s is None:
            return None
        return Interval(self.shown_start_s, self.shown_end_s)


class Sampling(_Record):
    """Which frames were looked at, and whether the sound was listened to."""

    fps: Annotated[Number, Field(gt=0.0)] = Field(description="Most frames a second looked at.")
    sound: bool = Field(
        False, description="Whether the sound made talking more or less probable; with consent."
    )


class Timing(_Record):
    """What the analysis took: the only part that differs from run to run."""

    analysed_s: TimeS = Field(0.0, description="Seconds of computing time, by the clock.")
    frames_decoded: Annotated[int, Field(ge=0)] = 0
    frames_tracked: Annotated[int, Field(ge=0)] = 0


def tool_version() -> str:
    """Version of the installed program, or 'unknown' when run from a bare folder."""
    try:
        return metadata.version("exchange-review")
    except metadata.PackageNotFoundError:
        return "unknown"


class Analysis(_Record):
    """Everything found in one recording."""

    model_config = ConfigDict(populate_by_name=True)

    schema_name: Literal["exchange-review.analysis/1"] = Field(SCHEMA, alias="schema")
    tool_version: str = Field(default_factory=tool_version)
    recording: Recording
    sampling: Sampling | None = None
    protocol: ProtocolUsed
    phases: tuple[PhaseRecord, ...] = ()
    open_line: tuple[OpenLine, ...] = ()
    measures: tuple[MeasureRecord, ...] = ()
    wash_surfaces: tuple[WashSurface, ...] = ()
    hand_rubs: tuple[HandRub, ...] = ()
    hand_events: tuple[HandEvent, ...] = ()
    work_surface: WorkSurface | None = Field(
        None, description="Where the surface was wiped; None where nothing could be measured."
    )
    flags: tuple[Flag, ...] = ()
    warnings: tuple[str, ...] = Field((), description="What limits this analysis as a whole.")
    cautions: tuple[str, ...] = CAUTIONS
    timing: Timing = Timing()

    @model_validator(mode="after")
    def _phases_in_order(self) -> Self:
        for before, after in zip(self.phases, self.phases[1:], strict=False):
            if after.start_s < before.end_s:
                raise ValueError(f"phases overlap or are out of order at {after.start_s} s")
        names = [measure.name for measure in self.measures]
        if len(set(names)) != len(names):
            raise ValueError("each measure may stand once only")
        return self

    @property
    def timeline(self) -> Timeline:
        """The phases as a timeline over the whole recording.

        Raises:
            AnalysisError: if the recording has no length or a phase lies outside it.
        """
        try:
            return Timeline(
                Interval(0.0, self.recording.duration_s),
                tuple(
                    Segment(Interval(p.start_s, p.end_s), p.phase, p.confidence)
                    for p in self.phases
                ),
            )
        except ValueError as error:
            raise AnalysisError(f"{self.recording.file}: the phases do not fit: {error}") from error

    def measure(self, name: str) -> MeasureRecord | None:
        """One measure by name, or None where the document does not hold it."""
        return next((measure for measure in self.measures if measure.name == name), None)

    def without_timing(self) -> Analysis:
        """The same findings with the run's timing left out, for comparing two runs."""
        return self.model_copy(update={"timing": Timing()})

    def to_json(self) -> str:
        """The document as indented JSON text, ending in a newline."""
        content = self.model_dump(mode="json", by_alias=True)
        for name in ("hand_events", "work_surface"):
            # A document of before these were kept reads as it did, and so does its hash.
            if not getattr(self, name):
                del content[name]
        if self.sampling is not None and not self.sampling.sound:
            del content["sampling"]["sound"]
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, file: str = "analysis") -> Analysis:
        """Read a document; ``file`` is how messages call it.

        Raises:
            AnalysisError: if the text is not JSON, is another kind of document or another
                version of it, or breaks the schema.
        """
        try:
            content = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise AnalysisError(
                f"{file}: this is not an analysis file (not JSON: {error}). "
                f"Make one with 'exchange-review analyse VIDEO --out {file}'."
            ) from error
        schema = content.get("schema") if isinstance(content, dict) else None
        if schema != SCHEMA:
            raise AnalysisError(f"{file}: {_schema_trouble(schema)}")
        try:
            return cls.model_validate(content)
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(str(part) for part in first["loc"]) or "the document"
            raise AnalysisError(
                f"{file}: {key}: {first['msg']}. The file was changed or damaged; "
                f"run 'exchange-review analyse' again."
            ) from error


def _schema_trouble(schema: object) -> str:
    """Why a document with this ``schema`` entry cannot be read, and what to do."""
    if isinstance(schema, str) and schema.startswith(SCHEMA.rpartition("/")[0] + "/"):
        return (
            f"this analysis has the form {schema!r}; this release reads {SCHEMA!r}. "
            f"Run 'exchange-review analyse' again with this release, or install the newer one."
        )
    return (
        f"this is not an analysis (its 'schema' is {schema!r}, expected {SCHEMA!r}). "
        f"Choose a file that 'exchange-review analyse' wrote."
    )


def read_analysis(path: Path) -> Analysis:
    """Read an analysis file.

    Raises:
        AnalysisError: if it cannot be read or is not a valid analysis.
    """
    try:
        if path.exists() and not path.is_file():
            raise OSError("it is no ordinary file")  # a pipe or a device may never end
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise AnalysisError(
            f"{path}: there is no such file. Check the name, or make it with "
            f"'exchange-review analyse VIDEO --out {path}'."
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise AnalysisError(
            f"{path}: this file cannot be read as text ({error}). Choose an analysis (.json)."
        ) from error
    return Analysis.from_json(text, str(path))


def write_text_whole(text: str, path: Path) -> None:
    """Write ``text`` to ``path`` completely or not at all.

    Raises:
        AnalysisError: if the folder cannot be made or written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as partial:
            partial.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or error
        raise AnalysisError(
            f"{path}: the result cannot be written here ({reason}). "
            f"Choose another place with --out."
        ) from error


def write_analysis(analysis: Analysis, path: Path) -> None:
    """Write an analysis file completely or not at all.

    Raises:
        AnalysisError: if the file cannot be written.
    """
    write_text_whole(analysis.to_json(), path)
