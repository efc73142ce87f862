"""Codes, units and small pieces for HL7 FHIR R4 (4.0.1): what the export is made of.

What this program measures has no code in a public terminology that we are sure of, and a wrong one
is worse than none. So the codes are those of the analysis document, in a code system of our own.
Its address is a ``urn:uuid``: an absolute address, as FHIR asks for, that belongs to nobody's
domain and promises nothing to fetch. The bundle carries the codes it uses with their meaning.

A practised exchange is deliberately not coded as a dialysis: no therapy took place.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import Any, Final

from review.escaping import plain_line

Json = dict[str, Any]

CODES: Final = "urn:uuid:f80b6279-ccf1-4a63-9dd7-de2789a49ce1"
"""Address of our own code system; a random UUID (RFC 9562, version 4), fixed for good."""

CODES_VERSION: Final = "1"
"""Raised when the meaning of a code changes; new codes do not change it."""

SPACE: Final = uuid.UUID("c98a61aa-dadb-4fe0-8ff3-8d76213a8817")
"""Space of names for the ids of resources (RFC 9562, version 5): same session, same ids."""

UCUM: Final = "http://unitsofmeasure.org"
ABSENT: Final = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
RANGE_MEANING: Final = "http://terminology.hl7.org/CodeSystem/referencerange-meaning"
CATEGORY: Final = "http://terminology.hl7.org/CodeSystem/observation-category"
PARTICIPANT: Final = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
ABSENT_EXTENSION: Final = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
"""Addresses of HL7's own systems, as the R4 specification spells them."""

_UNITS: Final[Mapping[str, tuple[float, str, str]]] = {
    "s": (1.0, "s", "s"),
    "share": (100.0, "%", "%"),
    "surfaces": (1.0, "surfaces", "{surfaces}"),
    "strokes": (1.0, "strokes", "{strokes}"),
    "rounds": (1.0, "rounds", "{rounds}"),
    "moments": (1.0, "moments", "{moments}"),
}
"""Our units as UCUM: factor, for people, code. Braces hold what is counted (UCUM, annotations)."""


def coded(code: str, display: str, text: str = "") -> Json:
    """A concept of our own code system."""
    coding = {"system": CODES, "code": code, "display": display}
    return {"coding": [coding], "text": text or display}


def public(system: str, code: str, display: str, text: str = "") -> Json:
    """A concept of a code system of HL7's."""
    return {
        "coding": [{"system": system, "code": code, "display": display}],
        "text": text or display,
    }


def quantity(value: float, unit: str) -> Json:
    """A number with its UCUM unit; shares (0..1) become per cent.

    >>> quantity(0.956, "share")
    {'value': 95.6, 'unit': '%', 'system': 'http://unitsofmeasure.org', 'code': '%'}
    """
    factor, shown, code = _UNITS[unit]
    # At most four decimals, as in the analysis; a whole number stands without any.
    scaled = round(value * factor, 4)
    number = int(scaled) if scaled == int(scaled) else scaled
    return {"value": number, "unit": shown, "system": UCUM, "code": code}


def absent(why: str) -> Json:
    """Why there is no answer: 'unknown', with the sentence that says more."""
    return public(ABSENT, "unknown", "Unknown", why)


def by_code(code: str, kind: str) -> Json:
    """A person by the unit's own code and nothing else; ``kind`` is a type of resource.

    No resource about the person goes along, so nobody is made anew where the bundle is read:
    the unit's code has to be matched there.
    """
    identifier = {"type": {"text": "The unit's own code"}, "value": code}
    return {"type": kind, "identifier": identifier}


def not_told() -> Json:
    """In place of a person who must be named but is not known."""
    return {"extension": [{"url": ABSENT_EXTENSION, "valueCode": "unknown"}]}


def narrative(*lines: str) -> Json:
    """The same for people (XHTML); every resource carries it."""
    content = "".join(f"<p>{escape(plain_line(line))}</p>" for line in lines if line)
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{content}</div>',
    }


def without_gaps(resource: Json) -> Json:
    """Without what is empty: FHIR's JSON has no empty values (R4, JSON representation)."""
    return {key: value for key, value in resource.items() if value not in (None, "", [], {})}


def codings(content: object) -> Iterator[tuple[str, str]]:
    """Every code of our own with its meaning, wherever it stands."""
    if isinstance(content, dict):
        if content.get("system") == CODES and "code" in content:
            yield content["code"], content["display"]
        for value in content.values():
            yield from codings(value)
    elif isinstance(content, list):
        for value in content:
            yield from codings(value)


def code_system(used: Iterable[tuple[str, str]], resource_id: str) -> Json:
    """Our codes that a bundle uses, with what they mean, as a resource of its own."""
    concepts = sorted(set(used))
    return {
        "resourceType": "CodeSystem",
        "id": resource_id,
        "language": "en",
        "text": narrative("Codes of this bundle that no public terminology holds."),
        "url": CODES,
        "version": CODES_VERSION,
        "name": "ExchangeReviewCodes",
        "title": "Codes of exchange review",
        "status": "active",
        "experimental": False,
        "description": "Measures, answers and decisions of a reviewed practice exchange.",
        "caseSensitive": True,
        "content": "fragment",
        "concept": [{"code": code, "display": display} for code, display in concepts],
    }
