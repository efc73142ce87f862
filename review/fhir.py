"""A reviewed session as HL7 FHIR R4 (4.0.1): one Bundle of type ``collection``.

Built from the session document alone, and nothing in it changes from run to run: the same session
gives the same bytes. People appear by the unit's own codes only. What people typed freely (remarks,
comments, names, notes) and names of files stay behind, because they may name somebody.

In it: the practice exchange (Procedure), what was measured and decided (Observation), the checklist
(Questionnaire) with a person's answers (QuestionnaireResponse), the program (Device), who made what
(Provenance), and the codes used (CodeSystem).
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from review.fhircodes import (
    PARTICIPANT,
    SPACE,
    Json,
    by_code,
    code_system,
    coded,
    codings,
    narrative,
    not_told,
    public,
    without_gaps,
)
from review.fhirobservations import OUTCOMES, observations
from review.invented import INVENTED
from review.sessionfile import AnswerRecord, ReviewRecord, Session
from review.store.records import Answer

MEDIA_TYPE: Final = "application/fhir+json"
"""FHIR R4, 'Content Types and encodings'."""

ANSWERS: Final = {
    Answer.DONE: "Done",
    Answer.NOT_DONE: "Not done",
    Answer.NOT_SEEN: "Not seen",
}
STALE: Final = (
    "A person corrected this session; the measures do not follow the corrections yet, because hand "
    "and face positions are not kept."
)
LIMITED: Final = (
    "Something limits this analysis as a whole, for instance a file that ends early; the session's "
    "own report says what."
)
"""In place of the sentences themselves, which name the file."""

LEFT_OUT: Final = (
    "Remarks, comments and names stay in the unit's records and are not part of this export."
)


def fhir_json(session: Session) -> bytes:
    """The bundle as JSON text in UTF-8, ending in a newline."""
    text = json.dumps(fhir_bundle(session), indent=1, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def fhir_bundle(session: Session) -> Json:
    """The bundle as plain values, in a fixed order."""
    parts = _Parts(session)
    resources = [
        parts.procedure(),
        *parts.observations(),
        *parts.checklist(),
        parts.device(),
        *parts.provenance(),
    ]
    codes = code_system(codings(resources), parts.id_of("codes"))
    entries = [
        {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}
        for resource in (*resources, codes)
    ]
    return {
        "resourceType": "Bundle",
        "id": parts.id_of("bundle"),
        "identifier": {
            "system": "urn:ietf:rfc:3986",
            "value": f"urn:uuid:{parts.id_of('bundle')}",
        },
        "type": "collection",
        "entry": entries,
    }


def is_final(review: ReviewRecord | None) -> bool:
    """Whether a signature stands under exactly what is exported."""
    if review is None or not review.sign_offs or review.changed_since_signing or review.stale:
        return False
    return review.sign_offs[-1].analysis_version == review.analysis_version


class _Parts:
    """The resources of one session; they point to each other by ids made from the session."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._analysis, self._review = session.analysis, session.review
        self._space = uuid.uuid5(SPACE, _identity(session))
        self._final = is_final(session.review)
        self._observed: list[str] = []
        self._answered = False

    def id_of(self, key: str) -> str:
        """Id of a resource: the same whenever the session is exported."""
        return str(uuid.uuid5(self._space, key))

    def _to(self, key: str, kind: str) -> Json:
        return {"reference": f"urn:uuid:{self.id_of(key)}", "type": kind}

    def _resource(self, kind: str, key: str, content: Json) -> Json:
        head = {"resourceType": kind, "id": self.id_of(key), "language": "en"}
        return without_gaps({**head, **content})

    @property
    def _person(self) -> Json:
        return by_code(self._review.person, "Patient") if self._review else not_told()

    @property
    def _day(self) -> str:
        return self._review.taken_on.isoformat() if self._review else ""

    def _who(self, by: str) -> Json:
        """Who entered something, by code; somebody whose code is not known stays unnamed."""
        known = self._review is not None and by == self._review.trainer
        return by_code(by, "Practitioner") if known else {"display": "Staff of the unit"}

    def procedure(self) -> Json:
        """The practised exchange."""
        review, used = self._review, self._analysis.protocol
        name = "Practice of a peritoneal dialysis bag exchange"
        about = f"{name}, held against the protocol {used.name}, version {used.version}"
        signed = review.sign_offs[-1] if review and review.sign_offs else None
        outcome = None
        if signed is not None and self._final:
            outcome = coded(signed.outcome.value, OUTCOMES[signed.outcome])
        notes = [*self._analysis.cautions]
        notes += [LIMITED] if set(self._analysis.warnings) - {INVENTED} else []
        notes += [INVENTED] if INVENTED in self._analysis.warnings else []
        notes += [STALE] if review is not None and review.stale else []
        notes += [LEFT_OUT] if review is not None else []
        said = f"On {self._day}, recorded and reviewed." if review else "Recorded, not reviewed."
        return self._resource(
            "Procedure",
            "procedure",
            {
                "text": narrative(f"{about}.", said),
                "status": "completed" if review else "unknown",
                "code": coded("practice-exchange", name, about),
                "subject": self._person,
                "performedPeriod": {"start": self._day, "end": self._day} if review else None,
                "recorder": by_code(review.trainer, "Practitioner") if review else None,
                "performer": [{"function": {"text": "Person who practised"}, "actor": self._person}]
                if review
                else [],
                "outcome": outcome,
                "note": [{"text": note} for note in notes],
            },
        )

    def observations(self) -> list[Json]:
        """All that was measured and decided, each part of the practised exchange."""
        made = []
        for observed in observations(self._session):
            self._observed.append(observed.key)
            content = dict(observed.content)
            head = {
                "text": content.pop("text"),
                "partOf": [self._to("procedure", "Procedure")],
                "status": "final" if self._final else "preliminary",
                "category": content.pop("category"),
                "code": content.pop("code"),
                "subject": self._person if self._review else None,
                "effectiveDateTime": self._day,
                "device": self._to("device", "Device") if "method" in content else None,
            }
            made.append(self._resource("Observation", observed.key, {**head, **content}))
        return made

    def checklist(self) -> list[Json]:
        """The checklist and the answers; neither where nobody answered."""
        review, items = self._review, self._analysis.protocol.content.get("checklist", [])
        given = {answer.item: answer for answer in review.answers} if review else {}
        answered = [given[item["item"]] for item in items if item["item"] in given]
        if review is None or not answered:
            return []
        self._answered = True
        used, address = self._analysis.protocol, _checklist_address(items)
        questions, lines = _questions(items), _lines(items, given)
        latest = max(answered, key=lambda answer: answer.at)
        said = [f"{answer.item}: {ANSWERS[answer.answer].lower()}" for answer in answered]
        questionnaire = {
            "text": narrative(f"Checklist of the protocol {used.name}, version {used.version}."),
            "url": address,
            "version": used.version,
            "title": f"Checklist: {used.name}",
            "status": "active",
            "subjectType": ["Patient"],
            "item": questions,
        }
        response = {
            "text": narrative(*said),
            "partOf": [self._to("procedure", "Procedure")],
            "questionnaire": f"{address}|{used.version}",
            "status": "completed" if self._final else "in-progress",
            "subject": self._person,
            "authored": _moment(latest.at),
            "author": by_code(latest.by, "Practitioner") if latest.by == review.trainer else None,
            "item": lines,
        }
        return [
            self._resource("Questionnaire", "checklist", questionnaire),
            self._resource("QuestionnaireResponse", "answers", response),
        ]

    def device(self) -> Json:
        """The program that measured, and its version."""
        version, words = self._analysis.tool_version, "Software that measures from a recording"
        return self._resource(
            "Device",
            "device",
            {
                "text": narrative(f"exchange review, version {version}. {words}."),
                "status": "active",
                "deviceName": [{"name": "exchange review", "type": "model-name"}],
                "type": coded("program", words),
                "version": [{"value": version}],
            },
        )

    def provenance(self) -> list[Json]:
        """Who made what and when: the program, and whoever signed."""
        review = self._review
        if review is None:
            return []
        made = [self._made_by_program(review)]
        if review.sign_offs and self._final:
            signed = review.sign_offs[-1]
            targets = [self._to("procedure", "Procedure")]
            targets += [self._to(key, "Observation") for key in self._observed]
            if self._answered:
                targets.append(self._to("answers", "QuestionnaireResponse"))
            agent = {
                "type": public(PARTICIPANT, "verifier", "Verifier"),
                "who": self._who(signed.by),
            }
            content = {
                "text": narrative(f"Reviewed and signed on {signed.on.isoformat()}."),
                "target": targets,
                "recorded": _moment(signed.at),
                "activity": {"text": "Review and signature"},
                "agent": [agent],
            }
            made.append(self._resource("Provenance", "signed", content))
        return made

    def _made_by_program(self, review: ReviewRecord) -> Json:
        measured = [key for key in self._observed if key.startswith(("measure/", "surface/"))]
        keys = [*measured, "recording.length"]
        agent = {
            "type": public(PARTICIPANT, "performer", "Performer"),
            "who": self._to("device", "Device"),
        }
        content = {
            "text": narrative(f"Analysis {review.analysis_version} of the recording."),
            "target": [self._to(key, "Observation") for key in keys],
            "recorded": _moment(review.made_at),
            "activity": {"text": "Analysis of the recording"},
            "agent": [agent],
        }
        return self._resource("Provenance", "analysed", content)


def _identity(session: Session) -> str:
    """What makes a session the same one when it is exported again after more review."""
    review, recording = session.review, session.analysis.recording
    number: Any = (review.recording_id, review.person) if review else ""
    # Sessions without a video have no hash; the moment they were analysed tells units apart.
    content = recording.sha256 or (review.made_at.isoformat() if review else recording.file)
    return f"{content}/{number}"


def _checklist_address(items: list[Json]) -> str:
    """Address of a checklist: the same for every session that was held against it."""
    content = json.dumps([[item["item"], bool(item.get("critical"))] for item in items])
    digest = hashlib.sha256(content.encode()).hexdigest()
    return f"urn:uuid:{uuid.uuid5(SPACE, f'checklist/{digest}')}"


def _questions(items: list[Json]) -> list[Json]:
    """Every item of a checklist with the three answers that can be given."""
    choices = [{"valueCoding": _choice(answer)} for answer in Answer]
    critical = coded("critical", "Missing it stops the exchange")["coding"]
    return [
        without_gaps(
            {
                "linkId": f"item-{number}",
                "code": critical if item.get("critical") else [],
                "text": item["item"],
                "type": "choice",
                "answerOption": choices,
            }
        )
        for number, item in enumerate(items, start=1)
    ]


def _lines(items: list[Json], given: Mapping[str, AnswerRecord]) -> list[Json]:
    """Every item with the answer it got; one that nobody answered stands without."""
    lines = []
    for number, item in enumerate(items, start=1):
        line: Json = {"linkId": f"item-{number}", "text": item["item"]}
        if item["item"] in given:
            line["answer"] = [{"valueCoding": _choice(given[item["item"]].answer)}]
        lines.append(line)
    return lines


def _choice(answer: Answer) -> Json:
    coding: Json = coded(answer.value, ANSWERS[answer])["coding"][0]
    return coding


def _moment(at: datetime) -> str:
    """A moment with its zone, in UTC."""
    return at.isoformat(timespec="milliseconds")
