"""Our nine hand surfaces against published movement lists and stroke counts.

Sources, with how sure each is:

* WHO Guidelines on Hand Hygiene in Health Care, 2009 (ISBN 978-92-4-159790-6), Part II, how to
  handwash (Fig. II.2) and how to handrub (Fig. II.1): the movements are well known from pages
  that reproduce the figures; the figures' numbers and which surface each movement covers are
  from memory.
* EN 1499:2013 and EN 1500:2013, standard rub technique (annex; after Ayliffe, Babb, Quoraishi,
  J Clin Pathol 1978;31:923-928): six steps of five strokes: values from memory, check the
  original. EN 1500: two applications of 30 s (from a test laboratory's summary).
* Lulla et al. 2021, Data 6(4):38: movement codes 0-7 as its archive describes them.
"""

from __future__ import annotations

from collections import Counter

import pytest

from review.handmap import WANTED_S, WORDS, full_s
from review.handwashing_set import CODE_OF, CODES, OTHER, PUBLISHED_ACCURACY, TOWEL
from review.protocol import Protocol, load_protocol, shipped_protocols
from review.timeline import Surface
from sample_clips.studio.labels import ROUND_STROKES
from sample_clips.studio.washes import TEMPO_HZ

WHO_HANDWASH: dict[int, tuple[str, tuple[Surface, ...]]] = {
    0: ("wet hands with water", ()),
    1: ("apply enough soap", ()),
    2: ("rub hands palm to palm", (Surface.PALMS,)),
    3: (
        "right palm over left dorsum with interlaced fingers and vice versa",
        (Surface.BACK_LEFT, Surface.BACK_RIGHT),
    ),
    4: ("palm to palm with fingers interlaced", (Surface.BETWEEN_FINGERS,)),
    5: ("backs of fingers to opposing palms, fingers interlocked", (Surface.BACKS_OF_FINGERS,)),
    6: (
        "rotational rubbing of left thumb clasped in right palm and vice versa",
        (Surface.THUMB_LEFT, Surface.THUMB_RIGHT),
    ),
    7: (
        "rotational rubbing with clasped fingers of right hand in left palm and vice versa",
        (Surface.FINGERTIPS_RIGHT, Surface.FINGERTIPS_LEFT),
    ),
    8: ("rinse", ()),
    9: ("dry with a single-use towel", ()),
    10: ("use the towel to turn off the tap", ()),
    11: ("hands are safe", ()),
}
"""Fig. II.2: step, its movement, and the surfaces of ours that it rubs."""

WHO_HANDRUB_MOVEMENTS = (2, 3, 4, 5, 6, 7)
"""Fig. II.1: the same six movements between taking the rub (1) and dry hands (8)."""

EN_STEPS, EN_STROKES = 6, 5
AYLIFFE_S = 30.0
WHO_RUB_S = (20.0, 30.0)


@pytest.fixture(params=shipped_protocols())
def shipped(request: pytest.FixtureRequest) -> Protocol:
    return load_protocol(request.param)


def test_who_movements_cover_each_surface_once() -> None:
    covered = Counter(surface for _, many in WHO_HANDWASH.values() for surface in many)
    assert covered == Counter(dict.fromkeys(Surface, 1))


def test_only_the_six_movements_rub() -> None:
    """Water, soap, towel and tap are for the trainer to see, not surfaces."""
    rubbing = tuple(step for step, (_, surfaces) in WHO_HANDWASH.items() if surfaces)
    assert rubbing == WHO_HANDRUB_MOVEMENTS and len(rubbing) == EN_STEPS


def test_vice_versa_movements_have_a_surface_on_either_hand() -> None:
    for movement, surfaces in WHO_HANDWASH.values():
        sides = {surface.other_side for surface in surfaces}
        assert sides == set(surfaces)
        assert ("vice versa" in movement) == (len(surfaces) == 2)


def test_published_codes_are_the_who_movements_in_order() -> None:
    """Codes 1..6 are steps 2..7; 7 is the towel at the tap (step 10); 0 is any other."""
    for code in range(1, 7):
        of_code = {surface for surface, number in CODE_OF.items() if number == code}
        assert of_code == set(WHO_HANDWASH[code + 1][1])
    assert (OTHER, TOWEL, len(CODES)) == (0, 7, 7)
    assert pytest.approx(0.7511) == PUBLISHED_ACCURACY


def test_a_round_has_the_strokes_of_the_standard_technique(shipped: Protocol) -> None:
    assert shipped.detection.wash.strokes_per_round == ROUND_STROKES == EN_STROKES


def test_the_published_tempo_is_one_that_clips_are_drawn_with() -> None:
    """Six steps of five strokes in 30 s (Ayliffe 1978) are one stroke a second."""
    strokes_per_s = EN_STEPS * EN_STROKES / AYLIFFE_S
    assert strokes_per_s == 1.0
    assert TEMPO_HZ[0] <= strokes_per_s <= TEMPO_HZ[1]


def test_least_time_of_a_surface_is_no_more_than_who_leaves_for_it(shipped: Protocol) -> None:
    """20-30 s over six movements leave 3.3-5 s each (arithmetic; WHO prints none)."""
    low, high = (seconds / EN_STEPS for seconds in WHO_RUB_S)
    assert shipped.detection.wash.min_surface_s <= low
    assert pytest.approx(high) == WANTED_S and full_s(None) == 5


def test_five_strokes_at_the_quickest_drawn_tempo_count_as_rubbed(shipped: Protocol) -> None:
    assert EN_STROKES / TEMPO_HZ[1] >= shipped.detection.wash.min_surface_s


def test_the_hand_map_names_every_surface() -> None:
    stems = {s.value.removesuffix("_left").removesuffix("_right") for s in Surface}
    assert stems <= set(WORDS)
