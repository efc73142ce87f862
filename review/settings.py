"""Every threshold that decides a result, with its unit, range and default.

A unit changes them in its protocol file under ``[detection.phases]``, ``[detection.wash]``
and so on; code holds none. Seconds end in ``_s``, probabilities lie in 0..1, lengths are
in hand widths (index-finger knuckle to little-finger knuckle) and angles in degrees. The
defaults were set on generated recordings unless a source is named beside the field.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from review.refitvalues import UnitValues

Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Seconds = Annotated[float, Field(ge=0.0, le=3600.0)]
HandWidths = Annotated[float, Field(ge=0.0, le=50.0)]


class Settings(BaseModel):
    """Base of all settings: frozen, finite, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class PhaseDetection(Settings):
    """How the phases of the exchange are told apart.

    Scores are natural-log likelihoods ("nats"): 2.3 nats are a factor of ten.
    """

    hop_s: Annotated[float, Field(ge=0.02, le=1.0)] = Field(
        0.2, description="Time between two decisions about the phase."
    )
    evidence_per_s: Annotated[float, Field(gt=0.0, le=60.0)] = Field(
        1.0,
        description="How many independent looks one second of video is worth. Neighbouring "
        "pictures are alike, so this is far below the frame rate.",
    )
    max_log_ratio: Annotated[float, Field(gt=0.0, le=50.0)] = Field(
        3.0, description="Most one look may speak against a phase, so that none can veto it."
    )
    order_break_penalty: Annotated[float, Field(ge=0.0, le=1000.0)] = Field(
        6.0,
        description="Log-likelihood that a jump back in the protocol's order must overcome. "
        "The order is a prior, never a law.",
    )
    skip_penalty: Annotated[float, Field(ge=0.0, le=1000.0)] = Field(
        2.0,
        description="The same for each required step left out, up to order_break_penalty.",
    )
    resume_penalty: Annotated[float, Field(ge=0.0, le=1000.0)] = Field(
        3.0, description="The same for taking up a step again after something else."
    )
    cut_penalty: Annotated[float, Field(ge=0.0, le=1000.0)] = Field(
        5.0, description="The same for a recording that starts or ends in the middle of a step."
    )
    other_min_s: Seconds = Field(
        1.0, description="Shortest span of 'other' between two steps; sooner is no span."
    )
    other_typical_s: Annotated[float, Field(gt=0.0, le=3600.0)] = Field(
        6.0, description="Mean length of a span of 'other'; much longer ones stay possible."
    )
    exchange_evidence: Annotated[float, Field(ge=0.0, le=50.0)] = Field(
        0.7,
        description="Least mean log-likelihood by which the found phases must beat 'other'; "
        "below it nothing is claimed, so that no exchange is read into other activity.",
    )
    exchange_evidence_total: Annotated[float, Field(ge=0.0, le=10000.0)] = Field(
        20.0,
        description="The same, summed over all looks (evidence_per_s of them a second), so that "
        "a few seconds that look like one phase do not make an exchange.",
    )
    min_phases: Annotated[int, Field(ge=1, le=6)] = Field(
        2,
        description="Without a wash or a hand rub, at least so many different phases must be "
        "found before anything is called an exchange: wiping a table alone is none.",
    )
    resume_gap_s: Seconds = Field(
        10.0, description="A step taken up again within this time was interrupted, not repeated."
    )


class WashDetection(Settings):
    """How a wash or a hand rub is measured."""

    change_penalty: Annotated[float, Field(ge=0.0, le=100.0)] = Field(
        8.0,
        description="Log-likelihood (natural, summed over tenths of a second) that a change from "
        "one surface to another must overcome, so that single pictures do not cut a rub in two.",
    )
    max_unseen_s: Seconds = Field(
        3.0,
        description="With no hand tracked for so long before and after: cannot tell. Shorter "
        "gaps are usual while fingers interlace, and the motion around them still speaks.",
    )
    pause_gap_s: Seconds = Field(
        0.6, description="A shorter break between two rubbing movements is no pause."
    )
    min_surface_s: Seconds = Field(
        1.5,
        description="Least rubbing time for a surface to count as rubbed. WHO 2009 prints "
        "no time for one movement; 20-30 s over six movements leave 3.3-5 s (arithmetic).",
    )
    max_doubt_s: Seconds = Field(
        0.3,
        description="A surface not found is called missed only when the time that may have "
        "been it (seconds weighted by probability) stays below this; else: cannot tell.",
    )
    strokes_per_round: Annotated[int, Field(ge=1, le=50)] = Field(
        5,
        description="Strokes to and fro in one round of a movement. EN 1499 / EN 1500 "
        "standard technique: value from memory, check the original.",
    )
    min_seen_fraction: Probability = Field(
        0.4, description="Below this share of time with a hand in view: cannot tell."
    )
    min_seen_for_missed: Probability = Field(
        0.8,
        description="A surface is called missed only when a hand was in view for at least this "
        "share of the wash; else it may have been rubbed out of sight: cannot tell.",
    )


class SurfaceDetection(Settings):
    """How the wiping of the work surface is measured."""

    margin_hand_widths: HandWidths = Field(
        0.3,
        description="Rim of the cloth or wipe around the outline of the hand's keypoints; "
        "a hand alone reaches about a quarter of its width beyond them.",
    )
    cloth_hand_widths: HandWidths = Field(
        0.5,
        description="The same inside a work area that a person drew, where the whole cloth counts: "
        "how far yours reaches beyond the hand (a cloth folded to 12 x 16 cm: about half a width).",
    )
    core_share: Annotated[float, Field(gt=0.0, le=1.0)] = Field(
        0.35,
        description="Middle part of the hand's outline that must pass twice for a place to "
        "count as gone over again, so that the usual overlap of two lanes does not.",
    )
    cell_hand_widths: Annotated[float, Field(gt=0.0, le=2.0)] = Field(
        0.2, description="Side of one cell of the grid on which wiped area is counted."
    )
    min_travel_hand_widths: HandWidths = Field(
        3.0, description="A hand that moved less than this in all did not wipe: cannot tell."
    )
    min_wipe_probability: Probability = Field(
        0.5, description="Hands that wipe less probably than this do something else."
    )
    approach_s: Seconds = Field(
        0.6,
        description="Time at both ends of the wiping in which the hand comes and goes; what it "
        "passes over then is not wiped. Where a person drew the work area it counts as wiped, "
        "but not as gone over.",
    )
    along_stroke_share: Probability = Field(
        0.8,
        description="A hand is on a stroke while at least this share of its way runs as the "
        "strokes do (0.8: within 37 degrees); before the first and after the last stroke it comes "
        "and goes.",
    )
    rewipe_delay_s: Seconds = Field(
        0.4,
        description="A cell wiped again after the cloth left it for this long was gone over "
        "again; sooner is the same stroke.",
    )
    min_seen_fraction: Probability = Field(
        0.5, description="Below this share of time with the wiping hand in view: cannot tell."
    )


class OpenLineDetection(Settings):
    """How talking, touching and masks are told while the line is open."""

    talking_on_probability: Probability = Field(
        0.85, description="A talking span starts where the probability rises to this."
    )
    talking_off_probability: Probability = Field(
        0.5, description="A talking span ends where the probability falls below this."
    )
    talking_merge_gap_s: Seconds = Field(
        0.6, description="Two talking spans closer than this are one."
    )
    min_span_s: Seconds = Field(
        1.1,
        description="A shorter talking span is dropped: one or two coughs last under a second. "
        "A single short word is lost with them.",
    )
    short_span_s: Seconds = Field(
        2.1, description="One yawn can look like talking for up to this long in a small face."
    )
    short_span_probability: Probability = Field(
        0.88, description="A talking span no longer than that is dropped below this mean."
    )
    long_span_s: Annotated[float, Field(gt=0.0, le=60.0)] = Field(
        4.0,
        description="What never looks sure in a small, noisy face is talking all the same where "
        "it goes on for this long.",
    )
    long_span_probability: Probability = Field(
        0.45, description="Mean probability over that time from which it does."
    )
    min_shared_s: Seconds = Field(
        0.5, description="Talking that reaches into the open-line time by less is not near it."
    )
    min_face_px: Annotated[float, Field(ge=0.0, le=10000.0)] = Field(
        40.0, description="A face lower than this, forehead to chin, is too small to judge."
    )
    near_hand_widths: HandWidths = Field(
        10.0, description="The face is near the line when the hands are closer to it than this."
    )
    max_yaw_deg: Annotated[float, Field(ge=0.0, le=90.0)] = Field(
        50.0, description="A face turned further from the camera than this: cannot tell."
    )
    mask_hue_distance: Annotated[float, Field(ge=0.0, le=10.0)] = Field(
        0.15,
        description="Least difference of hue (log colour ratios) between the lower face and "
        "the forehead for a mask. Bare faces tried: 0.02-0.21, painted masks: 0.17-1.3.",
    )
    bare_hue_distance: Annotated[float, Field(ge=0.0, le=10.0)] = Field(
        0.3, description="A lower face further than this from the forehead is not called bare."
    )
    mask_lip_redness: Annotated[float, Field(ge=-10.0, le=10.0)] = Field(
        0.03, description="Lips redder than the skin around them by more than this: no mask."
    )
    bare_lip_redness: Annotated[float, Field(ge=-10.0, le=10.0)] = Field(
        0.045,
        description="Least redness of the lips over the skin around them for a bare face. "
        "Bare faces tried: 0.06-0.43.",
    )
    min_seen_fraction: Probability = Field(
        0.5, description="Below this share of the open-line time with a mouth seen: cannot tell."
    )
    face_padding: Annotated[float, Field(ge=0.0, le=1.0)] = Field(
        0.08, description="Border around the face outline, in face widths, that counts as face."
    )
    hair_margin: Annotated[float, Field(ge=0.0, le=2.0)] = Field(
        0.25, description="How far above the mesh, in face heights, hair still counts as face."
    )
    max_hand_to_face_size: Annotated[float, Field(gt=0.0, le=10.0)] = Field(
        1.1,
        description="A hand broader than this many face widths is nearer to the camera than "
        "the face, in front of it rather than on it. A hand is about 0.6 face widths broad.",
    )
    contact_gap_s: Seconds = Field(
        0.5, description="Two touches of the face closer together than this are one."
    )
    face_hold_s: Seconds = Field(
        1.5, description="How long a face that a hand hides is taken to stay where it was."
    )
    join_hand_widths: HandWidths = Field(
        1.1,
        description="Hands working on one joint: their pinches come nearer than this.",
    )
    merge_hand_widths: HandWidths = Field(
        1.6, description="A hand lost when nearer to the other than this has met it."
    )
    parting_s: Seconds = Field(
        0.4, description="Time from pulling the ends apart until the hands are seen apart."
    )
    joining_s: Seconds = Field(
        1.0, description="Time from the ends coming together until the joint is made."
    )
    min_joined_s: Seconds = Field(
        0.5, description="Hands together for less than this have not joined anything yet."
    )
    min_contact_s: Seconds = Field(
        0.3, description="A hand inside the face outline for less than this is passing by."
    )
    side_hand_widths: HandWidths = Field(
        1.2,
        description="A hand lost this near to a side of the picture went out of it.",
    )
    clean_field_margin_hand_widths: HandWidths = Field(
        2.0, description="How far hands may go beyond where they work before they left it."
    )
    min_away_s: Seconds = Field(
        1.0, description="Hands outside the clean field for less than this did not leave it."
    )

    @model_validator(mode="after")
    def _on_is_not_below_off(self) -> Self:
        if self.talking_on_probability < self.talking_off_probability:
            raise ValueError("talking_on_probability must not be below talking_off_probability")
        return self


class WaitDetection(Settings):
    """How drain, flush and fill are told apart inside the waiting."""

    burst_hand_widths_per_s: Annotated[float, Field(gt=0.0, le=100.0)] = Field(
        1.0, description="Hands moving faster than this, held for a moment, are at work."
    )
    min_burst_s: Seconds = Field(
        0.8, description="Hand work shorter than this is a fidget, not the start of a wait."
    )
    min_wait_s: Seconds = Field(
        1.5, description="A quiet span shorter than this is a pause in the work, not a wait."
    )
    one_hand_share: Probability = Field(
        0.5,
        description="Below this share of that speed a hand rests while the other one works.",
    )
    min_one_hand_s: Seconds = Field(
        1.5,
        description="One hand at work alone for this long fidgets, where that tells three waits: "
        "what starts a wait is done with both.",
    )
    pause_hand_widths: HandWidths = Field(
        2.0,
        description="Hands whose thumb and index tips stay nearer to each other than this hold "
        "one thing: their standing still is a pause in the work.",
    )
    max_pause_s: Seconds = Field(
        3.0, description="Hands together but still for longer than this are at rest."
    )
    chosen_confidence: Probability = Field(
        0.95,
        description="How sure waits are that were told by choosing between bursts of work (26 of "
        "27 right on drawn recordings; without a choice 89 of 90).",
    )


class FlagDetection(Settings):
    """How sure a finding must be before it is put before the nurse.

    Kinds without a field of their own use ``min_confidence``.
    """

    min_confidence: Probability = Field(
        0.5, description="A less certain finding of any kind is not flagged."
    )
    min_confidence_talking: Probability = Field(
        0.6, description="The same for talking near the open line."
    )
    min_confidence_hand_to_face: Probability = Field(
        0.5, description="The same for a hand to the face."
    )
    min_confidence_phase_missing: Probability = Field(
        0.6, description="The same for a phase left out or out of order."
    )
    max_not_seen_fraction: Probability = Field(
        0.25,
        description="When each hand, on average, was out of sight for more than this share of "
        "the time in which a phase was due, the flag is 'not_seen' (cannot tell) rather than a "
        "finding.",
    )
    min_room_s: Seconds = Field(
        3.0,
        description="In a shorter gap there was no room for the phase that is missing there, "
        "so hands out of view do not excuse it.",
    )


class CameraDetection(Settings):
    """What a camera check asks for. Lengths are in picture widths."""

    hands_share: Probability = Field(
        0.9, description="A hand must be seen at least this share of the clip."
    )
    both_hands_share: Probability = Field(
        0.5,
        description="Both hands at least this share: hands that touch are often seen as one.",
    )
    edge_margin: Probability = Field(
        0.02, description="A keypoint nearer to the picture's edge than this is at the edge."
    )
    edge_share: Probability = Field(
        0.1, description="Hands at an edge for more than this share of the time are cut off."
    )
    face_share: Probability = Field(
        0.8, description="A face must be seen at least this share of the clip."
    )
    min_luma: Probability = Field(0.25, description="Darker pictures need more light.")
    max_luma: Probability = Field(0.85, description="Brighter pictures need less light.")
    glare_share: Probability = Field(
        0.15, description="More of the picture than this at full white is glare."
    )
    max_palm_length: Annotated[float, Field(gt=0.0, lt=1.0)] = Field(
        0.09, description="A longer palm: the camera is too near."
    )
    min_palm_length: Annotated[float, Field(gt=0.0, lt=1.0)] = Field(
        0.035, description="A shorter palm: it is too far away."
    )
    palm_length_margin: Probability = Field(
        0.2, description="How far inside these two the advised place of the camera lies."
    )
    field_of_view_deg: Annotated[float, Field(gt=10.0, lt=150.0)] = Field(
        68.0,
        description="Width of the camera's view in a picture lying on its side, for telling "
        "distances. A phone's main camera with a 26 mm equivalent lens has 69 degrees "
        "(2 atan(18/26)); a wide-angle lens has more.",
    )
    max_still_change: Probability = Field(
        0.02, description="When even the quietest quarter of the picture changes more, it moves."
    )
    min_height_px: Annotated[int, Field(ge=1)] = Field(360, description="Smallest good height.")
    min_fps: Annotated[float, Field(gt=0.0)] = Field(12.0, description="Fewest pictures a second.")
    min_length_s: Seconds = Field(5.0, description="A shorter clip tells too little.")


class Detection(Settings):
    """All detection settings: the ``[detection.*]`` tables of a protocol file."""

    phases: PhaseDetection = PhaseDetection()
    wash: WashDetection = WashDetection()
    surface: SurfaceDetection = SurfaceDetection()
    open_line: OpenLineDetection = OpenLineDetection()
    waits: WaitDetection = WaitDetection()
    flags: FlagDetection = FlagDetection()
    camera: CameraDetection = CameraDetection()
    unit: UnitValues | None = Field(
        None, description="What was learnt from the unit's own corrections ('refit')."
    )
