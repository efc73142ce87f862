"""Checking a bundle against another implementation of FHIR's rules, where it is installed.

The export needs no library. With the optional extra ``fhir`` every bundle is also read by the
models of ``fhir.resources`` (R4B, 4.3.0, see DEVELOPERS.md) before it is handed out: unknown
elements, wrong types, missing ones and forbidden pairs are found there.
"""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec

from review.errors import ReviewError


class FhirError(ReviewError):
    """A bundle that breaks the rules of FHIR."""


def can_check() -> bool:
    """Whether the models are installed."""
    return find_spec("fhir") is not None and find_spec("fhir.resources") is not None


def check_bundle(content: bytes) -> bool:
    """Check a bundle, where the models are installed.

    Args:
        content: the bundle as JSON.

    Returns:
        Whether it was checked.

    Raises:
        FhirError: if it breaks a rule; nothing may be handed out then.
    """
    if not can_check():
        return False
    bundles = import_module("fhir.resources.R4B.bundle")
    try:
        bundles.Bundle.model_validate_json(content)
    except ValueError as error:
        first = " ".join(str(error).split())[:300]
        raise FhirError(
            f"The FHIR bundle is not valid and was not written: {first}. Please report this; the "
            "other formats are not affected."
        ) from error
    return True
