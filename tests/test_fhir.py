"""A session as HL7 FHIR R4: another library's models, the standard's own rules, and no names.

Rules are those of HL7 FHIR R4 (4.0.1), named by their keys (obs-6, ...), from memory; the bundles
of these tests were also held once against HL7's JSON schema of that version, without a complaint.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from review.analysis import Analysis, MeasureRecord
from review.cli import DONE, main
from review.fhir import fhir_bundle, fhir_json, is_final
from review.fhircheck import FhirError, can_check, check_bundle
from review.fhircodes import CODES, SPACE, UCUM
from review.invented import INVENTED
from review.measures import Measurement
from review.protocol import load_protocol
from review.reporting import recorded_session
from review.roles import Role
from review.sessionfile import Session
from review.store import Store, flag_topic
from tests.accounts import PASSPHRASE, quick_hashes
from tests.documents import example_analysis
from tests.sessions import ODD, reviewed_store
from tests.stores import TODAY, analysed_store

Json = dict[str, Any]

REQUIRED = {
    ("Bundle", "type"): {"collection"},
    ("Procedure", "status"): {"completed", "unknown"},
    ("Observation", "status"): {"final", "preliminary"},
    ("Questionnaire", "status"): {"active"},
    ("QuestionnaireResponse", "status"): {"completed", "in-progress"},
    ("Device", "status"): {"active"},
    ("CodeSystem", "status"): {"active"},
    ("CodeSystem", "content"): {"fragment"},
}
"""Codes we use out of value sets with required bindings; the models do not look at them."""

UNITS = {"s", "%", "{surfaces}", "{strokes}", "{rounds}", "{moments}"}
"""UCUM: second, per cent, and annotations in braces for what is counted."""


def signed_store(folder: Path, analysis: Analysis) -> tuple[Store, int]:
    """A session that was decided on, answered and signed by its trainer, nothing left to do."""
    store, number = analysed_store(folder, analysis)
    store.add_trainer("T-2", "Somebody Elsewhere", by="Petra Invented")
    store.add_person("P-99", note="Neighbour of Quentin Invented", by="Petra Invented")
    flag = analysis.flags[1]
    store.decide(
        number, kind=flag.kind, start_s=flag.start_s, end_s=flag.end_s, topic=flag_topic(flag),
        verdict="agree", comment="Ursula Invented came in", by="T-1",
    )  # fmt: skip
    store.add_moment(number, start_s=3.0, end_s=4.0, text="Vera Invented spoke", by="T-1")
    items = analysis.protocol.content["checklist"]
    for item, answer in zip(items, ("done", "not_done", "not_seen"), strict=False):
        store.answer(number, item=item["item"], answer=answer, comment="with Wim", by="T-1")
    store.answer(number, item="Asked by Xaver Invented", answer="done", by="T-1")
    store.comment(number, "Yolanda Invented watched.", by="Zoe Invented")
    store.sign(
        number, name="Tess Invented", on=TODAY, outcome="practise_more",
        recheck_on=TODAY + timedelta(days=28), by="T-1",
    )  # fmt: skip
    return store, number


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, int]]:
    store, number = signed_store(tmp_path_factory.mktemp("signed"), example_analysis())
    with store:
        yield store, number


@pytest.fixture(scope="module")
def bundles(
    signed: tuple[Store, int], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, bytes]:
    """By kind of session."""
    store, number = reviewed_store(tmp_path_factory.mktemp("unit"), example_analysis())
    with store:
        corrected = recorded_session(store, number)
    sessions = {
        "signed": recorded_session(*signed),
        "corrected": corrected,
        "not reviewed": Session(analysis=example_analysis()),
        "nothing in it": Session(
            analysis=example_analysis().model_copy(
                update={"measures": (), "wash_surfaces": (), "flags": ()}
            )
        ),
    }
    return {kind: fhir_json(session) for kind, session in sessions.items()}


KINDS = ("signed", "corrected", "not reviewed", "nothing in it")


def resources(content: bytes | Json, kind: str = "") -> list[Json]:
    bundle = content if isinstance(content, dict) else json.loads(content)
    found = [entry["resource"] for entry in bundle["entry"]]
    return [resource for resource in found if not kind or resource["resourceType"] == kind]


def observed(content: bytes | Json, code: str) -> Json:
    return next(
        resource
        for resource in resources(content, "Observation")
        if resource["code"]["coding"][0]["code"] == code
    )


def walk(content: object) -> Iterator[Json]:
    if isinstance(content, dict):
        yield content
        for value in content.values():
            yield from walk(value)
    elif isinstance(content, list):
        for value in content:
            yield from walk(value)


# --- the standard's rules ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_another_librarys_models_take_it_and_give_it_back(
    bundles: dict[str, bytes], kind: str
) -> None:
    """The models of fhir.resources, R4B (4.3.0), for which nothing in these resources changed."""
    from fhir.resources.R4B.bundle import Bundle

    assert can_check() and check_bundle(bundles[kind])
    read = Bundle.model_validate_json(bundles[kind])
    assert json.loads(read.model_dump_json(exclude_none=True))["entry"] is not None
    assert len(read.entry) == len(resources(bundles[kind]))


@pytest.mark.parametrize(
    "harm",
    [
        lambda b: b["entry"][0]["resource"].pop("status"),
        lambda b: b["entry"][0]["resource"].update(invented="x"),
        lambda b: b["entry"][1]["resource"].update(valueString="two values"),
        lambda b: b["entry"][0]["resource"].update(subject="P-1"),
    ],
)
def test_a_bundle_that_breaks_a_rule_is_not_handed_out(
    bundles: dict[str, bytes], harm: Any
) -> None:
    bundle = json.loads(bundles["signed"])
    harm(bundle)
    with pytest.raises(FhirError, match="not valid and was not written") as caught:
        check_bundle(json.dumps(bundle).encode())
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", KINDS)
def test_codes_of_required_value_sets(bundles: dict[str, bytes], kind: str) -> None:
    bundle = json.loads(bundles[kind])
    for resource in (bundle, *resources(bundle)):
        for (name, element), allowed in REQUIRED.items():
            if resource["resourceType"] == name:
                assert resource[element] in allowed


@pytest.mark.parametrize("kind", KINDS)
def test_rules_of_observations(bundles: dict[str, bytes], kind: str) -> None:
    for resource in resources(bundles[kind], "Observation"):
        for part in (resource, *resource.get("component", [])):
            values = [key for key in part if key.startswith("value")]
            # obs-6: a reason for no value only where there is none; here always one of the two.
            assert len(values) + ("dataAbsentReason" in part) == 1
        own = resource["code"]["coding"][0]["code"]
        # obs-7: a component does not repeat the code of the whole.
        assert own not in {c["code"]["coding"][0]["code"] for c in resource.get("component", [])}
        for span in resource.get("referenceRange", []):
            assert {"low", "high", "text"} & set(span)  # obs-3


@pytest.mark.parametrize("kind", KINDS)
def test_everything_points_to_something_in_the_bundle(bundles: dict[str, bytes], kind: str) -> None:
    bundle = json.loads(bundles[kind])
    addresses = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(addresses)) == len(addresses)  # bdl-7
    for entry in bundle["entry"]:
        assert entry["fullUrl"] == f"urn:uuid:{entry['resource']['id']}"
        assert uuid.UUID(entry["resource"]["id"]).version == 5  # RFC 9562
    named = {part["reference"] for part in walk(bundle) if "reference" in part}
    assert named and named <= set(addresses)
    assert uuid.UUID(CODES.removeprefix("urn:uuid:")).version == 4 == SPACE.version


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_empty_and_every_code_is_explained(bundles: dict[str, bytes], kind: str) -> None:
    bundle = json.loads(bundles[kind])
    for part in walk(bundle):
        assert all(value not in (None, "", [], {}) for value in part.values()), part
    explained = {
        concept["code"]: concept["display"]
        for concept in resources(bundle, "CodeSystem")[0]["concept"]
    }
    for part in walk(bundle):
        if part.get("system") == CODES and "code" in part:
            assert explained[part["code"]] == part["display"]
            assert re.fullmatch(r"[^\s]+(\s[^\s]+)*", part["code"])  # R4, data type code
        if part.get("system") == UCUM:
            assert part["code"] in UNITS
        # Codes of others' terminologies only from HL7 itself: none that we might have got wrong.
        system = part.get("system", CODES)
        assert system.startswith((CODES, UCUM, "http://terminology.hl7.org/", "urn:ietf:rfc:3986"))


@pytest.mark.parametrize("kind", KINDS)
def test_every_resource_can_be_read_by_people(bundles: dict[str, bytes], kind: str) -> None:
    """dom-6; XHTML in its namespace, paragraphs only."""
    for resource in resources(bundles[kind]):
        top = ElementTree.fromstring(resource["text"]["div"])
        space = "{http://www.w3.org/1999/xhtml}"
        assert top.tag == f"{space}div"
        assert [child.tag for child in top] == [f"{space}p"] * len(top) and top[0].text


# --- what it says --------------------------------------------------------------------------------


def test_numbers_answers_and_targets_are_the_sessions(signed: tuple[Store, int]) -> None:
    session = recorded_session(*signed)
    bundle = fhir_bundle(session)
    rubbing = observed(bundle, "wash.rubbing_time")
    assert rubbing["valueQuantity"] == {"value": 16.5, "unit": "s", "system": UCUM, "code": "s"}
    assert [i["text"] for i in rubbing["interpretation"]] == ["Met"]
    target = next(t for t in load_protocol("practice").targets if t.measure == "wash.rubbing_time")
    (span,) = rubbing["referenceRange"]
    assert span["low"]["value"] == target.at_least and "high" not in span
    assert target.source in span["text"]
    whole = observed(bundle, "wash.whole_time")
    assert [i["text"] for i in whole["interpretation"]] == ["Not met"]
    talking = observed(bundle, "open_line.talking_time")
    assert talking["referenceRange"][0]["high"]["value"] == 0
    drain = observed(bundle, "wait.drain")  # reported only: a number, nothing asked, no answer
    assert drain["valueQuantity"]["value"] == 10
    assert "interpretation" not in drain and "referenceRange" not in drain
    for record in session.analysis.measures:
        assert observed(bundle, record.name)
    for surface in session.analysis.wash_surfaces:
        found = observed(bundle, f"wash.surface.{surface.surface.value}")
        assert found["interpretation"][0]["coding"][0]["code"] == surface.result.value
        assert found.get("valueQuantity", {}).get("value") == surface.seconds


def test_what_could_not_be_seen_has_a_reason_and_no_value(signed: tuple[Store, int]) -> None:
    bundle = fhir_bundle(recorded_session(*signed))
    for code in ("open_line.mask_seen", "wash.surface.palms"):
        found = observed(bundle, code)
        assert "valueQuantity" not in found
        assert found["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    why = observed(bundle, "open_line.mask_seen")["dataAbsentReason"]["text"]
    assert why == "The face was out of view."


def test_a_number_of_which_too_little_was_seen_is_never_held_against_the_target(
    analysis: Analysis,
) -> None:
    """A reader that compares value and range by itself would else make a fault of 'not seen'."""
    target = load_protocol("practice").target("wash.rubbing_time")
    assert target is not None
    little = MeasureRecord.of(Measurement("wash.rubbing_time", 3.0, "s", seen_fraction=0.1), target)
    found = observed(
        fhir_bundle(Session(analysis=analysis.model_copy(update={"measures": (little,)}))),
        "wash.rubbing_time",
    )
    assert "valueQuantity" not in found and "dataAbsentReason" in found
    assert [i["text"] for i in found["interpretation"]] == ["Not assessable"]
    parts = {c["code"]["coding"][0]["code"]: c["valueQuantity"] for c in found["component"]}
    assert parts["seen_part"]["value"] == 3 and parts["seen_share"]["value"] == 10
    assert parts["seen_share"]["code"] == "%"


def test_the_checklist_holds_the_persons_answers(signed: tuple[Store, int]) -> None:
    bundle = fhir_bundle(recorded_session(*signed))
    (asked,), (answered,) = (
        resources(bundle, kind) for kind in ("Questionnaire", "QuestionnaireResponse")
    )
    assert answered["questionnaire"] == f"{asked['url']}|{asked['version']}"
    items = signed[0].analysis(signed[1]).analysis.protocol.content["checklist"]  # type: ignore[union-attr]
    assert [item["text"] for item in asked["item"]] == [item["item"] for item in items]
    assert [item["linkId"] for item in asked["item"]] == [i["linkId"] for i in answered["item"]]
    said = [i["answer"][0]["valueCoding"]["code"] for i in answered["item"] if "answer" in i]
    assert said == ["done", "not_done", "not_seen"]
    choices = {option["valueCoding"]["code"] for option in asked["item"][0]["answerOption"]}
    assert set(said) <= choices
    assert answered["author"]["identifier"]["value"] == "T-1"
    critical = ["code" in item for item in asked["item"]]
    assert critical == [bool(item.get("critical")) for item in items]


def test_only_a_signature_under_just_this_makes_it_final(
    signed: tuple[Store, int], bundles: dict[str, bytes]
) -> None:
    session = recorded_session(*signed)
    assert is_final(session.review) and session.review is not None
    final = fhir_bundle(session)
    assert {o["status"] for o in resources(final, "Observation")} == {"final"}
    (procedure,) = resources(final, "Procedure")
    assert procedure["outcome"]["coding"][0]["code"] == "practise_more"
    assert procedure["performedPeriod"] == {"start": "2026-03-10", "end": "2026-03-10"}
    assert observed(final, "recheck_on")["valueDateTime"] == "2026-04-07"
    roles = [p["agent"][0]["type"]["coding"][0]["code"] for p in resources(final, "Provenance")]
    assert roles == ["performer", "verifier"]
    for change in (
        {"changed_since_signing": True},
        {"stale": True},
        {"sign_offs": ()},
        {"analysis_version": 2},
    ):
        review = session.review.model_copy(update=change)
        assert not is_final(review)
        bundle = fhir_bundle(session.model_copy(update={"review": review}))
        assert {o["status"] for o in resources(bundle, "Observation")} == {"preliminary"}
        assert "outcome" not in resources(bundle, "Procedure")[0]
        assert len(resources(bundle, "Provenance")) == 1
    assert "do not follow the corrections yet" in bundles["corrected"].decode()


def test_nobody_is_named_who_is_not_known(bundles: dict[str, bytes]) -> None:
    (procedure,) = resources(bundles["not reviewed"], "Procedure")
    assert procedure["subject"]["extension"][0]["valueCode"] == "unknown"
    assert "performedPeriod" not in procedure and procedure["status"] == "unknown"
    assert not resources(bundles["not reviewed"], "Provenance")


# --- what it does not say ------------------------------------------------------------------------


def test_no_name_path_or_free_text_of_the_records_is_in_it(
    signed: tuple[Store, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, number = signed
    quick_hashes(monkeypatch)
    store.add_account("ann-invented", Role.ADMINISTRATOR, PASSPHRASE, by="Petra Invented")
    session = recorded_session(store, number)
    text = fhir_json(session).decode()
    entry = store.recording(number)
    secret = {trainer.name for trainer in store.trainers()}
    secret |= {account.name for account in store.accounts()}
    secret |= {entry.who for entry in store.audit(1000)}
    secret |= {person.note for person in store.people()} | {p.code for p in store.people()}
    secret |= {trainer.code for trainer in store.trainers()}
    secret |= {sign.name for sign in store.signoffs(number)}
    secret |= {decision.comment for decision in store.decisions(number)}
    secret |= {moment.text for moment in store.moments(number)}
    secret |= {remark.text for remark in store.comments(number)}
    secret |= {answer.comment for answer in store.answers(number)}
    secret |= {entry.name, entry.file, str(store.folder), session.analysis.recording.file}
    secret |= {session.analysis.recording.sha256, "Invented", "Xaver", ODD}
    allowed = {entry.person, entry.trainer, ""}
    assert len(secret) > 15
    for words in sorted(secret - allowed):
        assert words not in text, words
    assert entry.person in text and entry.trainer in text


def test_whoever_signed_under_another_name_stays_unnamed(tmp_path: Path) -> None:
    analysis = example_analysis()
    store, number = analysed_store(tmp_path, analysis)
    with store:
        store.answer(
            number, item=analysis.protocol.content["checklist"][0]["item"], answer="done",
            by="Zoe Invented",
        )  # fmt: skip
        store.sign(
            number, name="Zoe Invented", on=TODAY, outcome="signed_off", recheck_on=None,
            by="Zoe Invented",
        )  # fmt: skip
        bundle = fhir_bundle(recorded_session(store, number))
    assert resources(bundle, "Provenance")[1]["agent"][0]["who"] == {"display": "Staff of the unit"}
    assert "author" not in resources(bundle, "QuestionnaireResponse")[0]
    assert "Zoe" not in json.dumps(bundle)


def test_a_warning_that_names_the_file_stays_behind(analysis: Analysis) -> None:
    file = analysis.recording.file
    limited = analysis.model_copy(update={"warnings": (f"{file} ends early.", INVENTED)})
    (procedure,) = resources(fhir_bundle(Session(analysis=limited)), "Procedure")
    notes = [note["text"] for note in procedure["note"]]
    assert file not in json.dumps(procedure) and INVENTED in notes
    assert any("limits this analysis as a whole" in note for note in notes)


# --- the same again ------------------------------------------------------------------------------


def test_the_same_session_gives_the_same_bytes(signed: tuple[Store, int]) -> None:
    first = recorded_session(*signed)
    again = Session.from_json(recorded_session(*signed).to_json())
    assert first.written_at != again.written_at
    assert fhir_json(first) == fhir_json(again)


def test_ids_stay_when_more_is_reviewed_and_differ_between_sessions(tmp_path: Path) -> None:
    store, number = signed_store(tmp_path, example_analysis())
    with store:
        before = {r["id"] for r in resources(fhir_bundle(recorded_session(store, number)))}
        store.comment(number, "More.", by="T-1")
        after = {r["id"] for r in resources(fhir_bundle(recorded_session(store, number)))}
        assert after < before  # the signature's own resource is gone: it no longer covers all
        other = store.add_session(
            example_analysis(), person="P-1", trainer="T-1", taken_on=TODAY, by="T-1"
        )
        apart = {r["id"] for r in resources(fhir_bundle(recorded_session(store, other.id)))}
        assert not apart & before


# --- the command ---------------------------------------------------------------------------------


def test_the_command_writes_it_and_says_where_nothing_checked_it(
    signed: tuple[Store, int],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store, number = signed
    call = ["report", str(number), "--unit", str(store.folder), "--out", str(tmp_path), "--fhir"]
    assert main(call) == DONE
    said = capsys.readouterr()
    written = Path(said.out.strip())
    assert written.name == f"session-{number}.fhir.json" and said.err == ""
    assert check_bundle(written.read_bytes())
    assert store.audit(1)[0].detail == "session report (FHIR)"
    monkeypatch.setattr("review.fhircheck.find_spec", lambda name: None)
    first = written.read_bytes()
    assert main(call) == DONE
    assert "was not checked" in capsys.readouterr().err
    assert written.read_bytes() == first
