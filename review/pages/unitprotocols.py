"""The protocols that a unit's sessions were held against."""

from __future__ import annotations

from collections.abc import Iterable

from review.errors import ProtocolError
from review.protocol import Protocol, load_protocol, shipped_protocols
from review.store.records import SessionRow


def protocols_of(rows: Iterable[SessionRow]) -> tuple[dict[str, Protocol], list[str]]:
    """The protocols of the sessions by their name, and sentences about what cannot be read.

    A session without a video carries its protocol's own name, others the name of its file.
    """
    own_names = {load_protocol(name).name: name for name in shipped_protocols()}
    found, untold = {}, []
    for name in sorted({row.protocol for row in rows}):
        try:
            found[name] = load_protocol(own_names.get(name, name))
        except ProtocolError as error:
            untold.append(f"{error} Its washes are shown and not judged.")
    return found, untold
